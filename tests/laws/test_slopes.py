"""Are the derivatives of a formula exact, over arrays and at the edges?"""

from __future__ import annotations

import numpy as np
import pytest

from durability.laws import parse

# formula, and the same in numpy for complex numbers (analytic functions only)
ANALYTIC = {
    "exp(-u**k)": lambda u, k: np.exp(-(u**k)),
    "1/(1 + u**k)": lambda u, k: 1 / (1 + u**k),
    "sqrt(u)*log(k)": lambda u, k: np.sqrt(u) * np.log(k),
    "expm1(-u)*log1p(k)": lambda u, k: np.expm1(-u) * np.log1p(k),
    "tanh(u/k) - sin(u)*cos(k)": lambda u, k: np.tanh(u / k) - np.sin(u) * np.cos(k),
    "-arctan(u*k)**3": lambda u, k: -(np.arctan(u * k) ** 3),
    "u**k**-1": None,
    "(1 - exp(-k*u))**2/u": lambda u, k: (1 - np.exp(-k * u)) ** 2 / u,
    "2 + u - k": lambda u, k: 2 + u - k,
    "pi*u": lambda u, k: np.pi * u + 0 * k,
}
U = np.array([[0.05], [0.7], [1.3], [4.0]])
K = np.array([0.4, 1.0, 2.5])


@pytest.mark.parametrize("text", [t for t, f in ANALYTIC.items() if f is not None])
def test_the_derivatives_are_those_of_a_complex_step(text):
    # complex step: Im f(x + ih)/h is the derivative to all digits, for no difference is taken
    f, h = ANALYTIC[text], 1e-30
    value, jacobian = parse(text, ["u", "k"]).slopes({"u": U, "k": K}, ["u", "k"])
    shape = np.broadcast_shapes(np.shape(value), jacobian.shape[:-1])
    by_u = np.broadcast_to(np.imag(f(U + 1j * h, K)) / h, (4, 3))
    by_k = np.broadcast_to(np.imag(f(U, K + 1j * h)) / h, (4, 3))
    jacobian = np.broadcast_to(jacobian, (4, 3, 2)) if shape != (4, 3) else jacobian
    np.testing.assert_allclose(jacobian[..., 0], by_u, rtol=1e-11, atol=1e-14)
    np.testing.assert_allclose(jacobian[..., 1], by_k, rtol=1e-11, atol=1e-14)


def test_the_order_of_the_jacobian_is_that_of_the_names_asked_for():
    tape = parse("2*u + 5*k", ["u", "k"])
    assert tape.slopes({"u": 1.0, "k": 1.0}, ["k", "u"])[1].tolist() == [5.0, 2.0]
    assert tape.slopes({"u": 1.0, "k": 1.0}, ["k"])[1].tolist() == [5.0]
    assert tape.slopes({"u": 1.0, "k": 1.0}, [])[1].shape == (0,)


def test_an_input_that_the_formula_does_not_have_is_refused():
    with pytest.raises(ValueError, match="no input 'z'"):
        parse("u", ["u"]).slopes({"u": 1.0}, ["z"])


def test_the_choice_of_where_decides_the_derivative():
    tape = parse("where(u < k, u**2, 3*k)", ["u", "k"])
    _, jacobian = tape.slopes({"u": [1.0, 5.0], "k": 2.0}, ["u", "k"])
    assert jacobian.tolist() == [[2.0, 0.0], [0.0, 3.0]]


@pytest.mark.parametrize(
    ("text", "expected"),
    [("minimum(u, k)", [[1, 0], [0, 1]]), ("maximum(u, k)", [[0, 1], [1, 0]]),
     ("abs(u - k)", [[-1, 1], [1, -1]])],
)  # fmt: skip
def test_the_side_of_a_kink_decides_the_derivative(text, expected):
    _, jacobian = parse(text, ["u", "k"]).slopes({"u": [1.0, 5.0], "k": 2.0}, ["u", "k"])
    assert jacobian.tolist() == expected


# formula, values, derivatives by the rate r and the power k: at dose 0 the curve does not move
@pytest.mark.parametrize("text", [
    "exp(-(r*u)**k)", "1/(1 + (r*u)**k)", "sqrt(r*u)*k", "log1p(r*u)**k", "(u*r)**k*log(k)",
    "exp(-r*u**k)", "exp(-sqrt(u*r*k))",
])  # fmt: skip
@pytest.mark.parametrize("k", [0.3, 1.0, 2.0, 2.7])
def test_at_dose_0_nothing_moves_the_curve_and_nothing_is_nan(text, k):
    value, jacobian = parse(text, ["u", "r", "k"]).slopes({"u": 0.0, "r": 0.5, "k": k}, ["r", "k"])
    assert np.isfinite(value)
    assert jacobian.tolist() == [0.0, 0.0]


def test_the_slope_at_dose_0_is_that_of_the_power():
    tape = parse("u**k", ["u", "k"])
    _, jacobian = tape.slopes({"u": 0.0, "k": [1.0, 2.0, 3.5]}, ["u"])
    assert jacobian[:, 0].tolist() == [1.0, 0.0, 0.0]


def test_a_negative_base_with_a_whole_power_has_its_slope():
    _, jacobian = parse("(u - 3)**3", ["u"]).slopes({"u": [1.0, 5.0]}, ["u"])
    assert jacobian[:, 0].tolist() == [12.0, 12.0]


def test_a_tail_that_has_underflowed_is_flat():
    for text in ("exp(-u**k)", "1/(1 + exp(u*k))", "1 - tanh(u**k)"):
        value, jacobian = parse(text, ["u", "k"]).slopes({"u": 1e160, "k": 2.0}, ["u", "k"])
        assert value == 0
        assert jacobian.tolist() == [0.0, 0.0]
