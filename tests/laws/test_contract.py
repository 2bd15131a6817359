"""Does every law of models/laws keep what it declares, in all three evaluators?"""

from __future__ import annotations

import math

import numpy as np
import pytest

from durability.laws import Law, laws, read_law

LAWS = laws()
DOSES = np.concatenate([[0.0], np.geomspace(1e-6, 80.0, 400)])


@pytest.fixture(params=LAWS)
def law(request) -> Law:
    return read_law(request.param)


def shapes_of(law: Law, n: int, seed: int = 1) -> list[dict[str, float]]:
    """Shapes from the law's own prior, within its bounds."""
    rng = np.random.default_rng(seed)
    return [
        {
            s.name: float(
                np.clip(s.median * np.exp(s.sd_log * rng.standard_normal()), s.lower, s.upper)
            )
            for s in law.shapes
        }
        for _ in range(n)
    ]


def test_the_four_laws_of_the_trade_are_there():
    assert {"exponential", "linear", "stretched-exponential", "logistic"} <= set(LAWS)


def test_all_strength_is_left_at_dose_0(law):
    for shape in shapes_of(law, 20):
        assert float(law.retained(0.0, shape)) == 1.0


def test_strength_never_rises_with_dose_where_declared(law):
    assert law.monotone
    for shape in shapes_of(law, 20):
        curve = law.retained(DOSES, shape)
        assert np.all(np.diff(curve) <= 0)
        assert np.all(curve >= law.floor)


def test_all_strength_is_lost_in_the_end_where_declared(law):
    assert law.reaches_zero
    for shape in shapes_of(law, 20):
        assert float(law.retained(1e30, shape)) <= max(law.floor, 1e-6)


def test_the_slope_at_dose_0_is_finite_for_every_shape_exactly_where_declared(law):
    # the slope between 0 and h settles as h shrinks where the law is smooth there; elsewhere some
    # shape lets it grow without end
    ends = [{s.name: v for s in law.shapes} for v in (0.5, 1.0, 2.0)] if law.shapes else [{}]
    settled = []
    for shape in ends:
        slope = [(float(law.retained(h, shape)) - 1) / h for h in (1e-4, 1e-6, 1e-8)]
        settled.append(abs(slope[2] - slope[1]) <= 1e-3 * max(1.0, abs(slope[1])))
    assert all(settled) == law.smooth_at_zero


def test_the_inverse_undoes_the_law(law):
    q = np.array([0.02, 0.1, 0.25, 0.5, 0.8, 0.95, 0.999])
    for shape in shapes_of(law, 20):
        np.testing.assert_allclose(law.retained(law.inverse(q, shape), shape), q, rtol=1e-9)


def test_the_root_search_finds_what_the_closed_inverse_says(law):
    import dataclasses

    searched = dataclasses.replace(law, inverse_tape=None)
    q = np.array([0.1, 0.5, 0.9])
    for shape in shapes_of(law, 5):
        np.testing.assert_allclose(searched.inverse(q, shape), law.inverse(q, shape), rtol=1e-8)


def test_doses_and_shapes_broadcast_together(law):
    u = np.linspace(0, 3, 7)[:, None]
    drawn = shapes_of(law, 5)
    shape = {s.name: np.array([d[s.name] for d in drawn]) for s in law.shapes}
    together = np.broadcast_to(law.retained(u, shape), (7, 5))
    for j, one in enumerate(drawn):
        np.testing.assert_array_equal(together[:, j], law.retained(u[:, 0], one))


def test_the_graph_of_the_sampler_gives_what_numpy_gives(law):
    import pytensor
    import pytensor.tensor as pt

    names = ["u", *(s.name for s in law.shapes)]
    inputs = {n: pt.dvector(n) for n in names}
    value = law.tape.graph(inputs)
    # the interpreter, not a compiler: it is the graph that is checked
    compiled = pytensor.function(list(inputs.values()), value, mode="FAST_COMPILE")
    rng = np.random.default_rng(3)
    points = {"u": np.exp(rng.uniform(-8, 3, 60))}
    drawn = shapes_of(law, 60, seed=4)
    points |= {s.name: np.array([d[s.name] for d in drawn]) for s in law.shapes}
    np.testing.assert_allclose(
        compiled(*points.values()), law.tape.evaluate(points), rtol=1e-12, atol=1e-300
    )


def test_the_compiled_kernel_gives_value_and_gradient(law, kernel_at):
    n = 1 + len(law.shapes)
    rng = np.random.default_rng(5)
    for shape in shapes_of(law, 30, seed=6):
        at = np.array([np.exp(rng.uniform(-5, 1)), *shape.values()])
        value, slope = kernel_at(law.tape, at)

        def numpy_at(x):
            return float(law.tape.evaluate(dict(zip(law.tape.inputs, x, strict=True))))

        assert value == pytest.approx(numpy_at(at), rel=1e-13)
        for j in range(n):
            step = np.eye(n)[j] * 1e-6 * at[j]
            rise = (numpy_at(at + step) - numpy_at(at - step)) / (2 * step[j])
            assert slope[j] == pytest.approx(rise, rel=1e-5, abs=1e-8)


def test_the_tape_of_the_logarithm_is_the_logarithm(law):
    inside = DOSES[DOSES < 0.9] if law.name == "linear" else DOSES
    for shape in shapes_of(law, 10):
        values = {"u": inside, **shape}
        plain = law.tape.evaluate(values)
        # below 1e-300 the plain value has lost its digits; the logarithm has not
        clear = plain > 1e-300
        np.testing.assert_allclose(
            law.tape.log().evaluate(values)[clear], np.log(plain[clear]), rtol=1e-12, atol=1e-15
        )


def test_the_logarithm_lives_on_where_the_law_itself_underflows():
    law = read_law("exponential")
    assert law.tape.evaluate({"u": 1e4}) == 0.0
    assert law.tape.log().evaluate({"u": 1e4}) == -1e4


def test_half_left_at_500_hours_leaves_81_and_66_percent_at_150_and_300():
    # arithmetic: 0.5**(150/500) = 0.812, 0.5**(300/500) = 0.660
    law = read_law("exponential")
    scale = 500 / float(law.inverse(0.5))
    assert float(law.retained(150 / scale)) == pytest.approx(0.81, abs=0.005)
    assert float(law.retained(300 / scale)) == pytest.approx(0.66, abs=0.005)
    assert float(law.retained(150 / scale)) == pytest.approx(0.5**0.3, rel=1e-12)


@pytest.mark.parametrize(
    ("name", "shape", "half"),
    [
        ("exponential", {}, math.log(2)),
        ("linear", {}, 0.5),
        ("logistic", {"k": 3.0}, 1.0),
        ("stretched-exponential", {"k": 1.0}, math.log(2)),
        ("stretched-exponential", {"k": 2.0}, 0.833),  # arithmetic: sqrt(ln 2) = 0.8326
    ],
)
def test_the_dose_of_half_loss_by_arithmetic(name, shape, half):
    assert float(read_law(name).inverse(0.5, shape)) == pytest.approx(half, abs=5e-4)


@pytest.mark.parametrize("k", [0.6, 1.0, 2.5])
def test_the_stretched_exponential_is_the_survival_function_of_scipys_weibull(k):
    from scipy import stats

    u = np.linspace(0, 4, 50)
    np.testing.assert_allclose(
        read_law("stretched-exponential").retained(u, {"k": k}),
        np.maximum(stats.weibull_min(k).sf(u), 1e-9),
        rtol=1e-12,
    )


@pytest.mark.parametrize("k", [0.6, 1.0, 2.5])
def test_the_logistic_is_the_survival_function_of_scipys_log_logistic(k):
    from scipy import stats

    u = np.linspace(0, 40, 50)
    np.testing.assert_allclose(
        read_law("logistic").retained(u, {"k": k}), stats.fisk(k).sf(u), rtol=1e-12
    )


def test_a_shape_that_the_law_does_not_have_is_refused_with_those_it_has():
    with pytest.raises(ValueError, match="has no shape 'beta'; it has: k"):
        read_law("logistic").retained(1.0, {"beta": 2.0})
