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


def test_the_laws_of_the_trade_are_there():
    assert set(LAWS) >= {
        "exponential", "exponential-plateau", "gompertz", "hyperbolic", "induction-exponential",
        "induction-linear", "linear", "logistic", "logistic-in-dose", "power-of-log-dose",
        "rise-then-fall", "square-root", "stretched-exponential", "two-stage-exponential",
    }  # fmt: skip


def test_all_strength_is_left_at_dose_0(law):
    for shape in shapes_of(law, 20):
        assert float(law.retained(0.0, shape)) == 1.0


def test_strength_never_rises_with_dose_exactly_where_declared(law):
    rises = []
    for shape in shapes_of(law, 20):
        curve = law.retained(DOSES, shape)
        rises.append(bool(np.any(np.diff(curve) > 0)))
        assert np.all(curve >= law.floor)
    assert any(rises) != law.monotone


def test_all_strength_is_lost_in_the_end_exactly_where_declared(law):
    ends = [float(law.retained(1e30, shape)) for shape in shapes_of(law, 20)]
    assert all(end <= max(law.floor, 1e-6) for end in ends) == law.reaches_zero
    plateaus = [float(law.plateau(shape)) for shape in shapes_of(law, 20)]
    np.testing.assert_allclose(plateaus, 0 if law.reaches_zero else ends, rtol=1e-9)


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
        u = law.inverse(q, shape)
        there = q > law.plateau(shape)
        np.testing.assert_array_equal(np.isfinite(u), there)
        assert there[-1]
        np.testing.assert_allclose(law.retained(u[there], shape), q[there], rtol=1e-9)


def test_the_root_search_finds_what_the_closed_inverse_says(law):
    import dataclasses

    if law.inverse_tape is None:
        return  # what the search finds is held to the curve itself, above
    searched = dataclasses.replace(law, inverse_tape=None)
    q = np.array([0.1, 0.5, 0.9])
    for shape in shapes_of(law, 5):
        np.testing.assert_allclose(searched.inverse(q, shape), law.inverse(q, shape), rtol=1e-8)


def test_the_crossing_is_the_first_fall_to_the_fraction(law):
    q = np.array([0.1, 0.3, 0.5, 0.8, 0.95])
    for shape in shapes_of(law, 20):
        u, exists = law.crossings(q, shape)
        assert np.array_equal(np.isfinite(u), exists)
        for one, level in zip(u[exists], q[exists], strict=True):
            before = law.retained(one * np.linspace(0, 1 - 1e-9, 400), shape)
            assert np.all(before >= level * (1 - 1e-9))
            assert float(law.retained(one * (1 + 1e-4), shape)) <= level


def test_half_of_its_loss_is_always_reached_and_is_half(law):
    drawn = shapes_of(law, 40, seed=9)
    shape = {s.name: np.array([d[s.name] for d in drawn]) for s in law.shapes}
    half, plateau = law.half_loss(shape), law.plateau(shape)
    assert np.all(np.isfinite(half) & (half > 0))
    np.testing.assert_allclose(law.retained(half, shape), (1 + plateau) / 2, rtol=1e-9)
    once = [float(law.half_loss(d)) for d in drawn]
    np.testing.assert_allclose(np.broadcast_to(half, (40,)), once, rtol=1e-9)


def test_a_fraction_that_is_always_reached_is_reached_by_every_shape(law):
    drawn = shapes_of(law, 200, seed=10)
    shape = {s.name: np.array([d[s.name] for d in drawn]) for s in law.shapes}
    for q in (0.02, 0.3, 0.5, 0.9):
        assert bool(np.all(law.crossings(q, shape)[1])) or not law.always_reaches(q)
    assert law.always_reaches(0.5) == law.reaches_zero
    assert not law.always_reaches(1.1)
    assert not law.always_reaches(law.floor / 2)


def test_nothing_below_the_measuring_limit_is_reached(law):
    for shape in shapes_of(law, 5):
        assert not bool(law.crossings(law.floor / 2, shape)[1])
        assert np.isnan(law.inverse(law.floor / 2, shape))


def test_a_fraction_above_the_unexposed_strength_is_no_threshold_of_a_law_that_never_rises(law):
    for shape in shapes_of(law, 5):
        u, exists = law.crossings([1.01, 3.0], shape)
        assert not exists[1]
        if law.monotone:
            assert np.all(np.isnan(u))


def test_the_derivatives_by_tape_are_those_of_finite_differences_and_of_the_kernel(law, kernel_at):
    names = list(law.tape.inputs)
    rng = np.random.default_rng(7)
    drawn = shapes_of(law, 40, seed=8)
    points = {"u": np.exp(rng.uniform(-4, 1, 40))}
    points |= {s.name: np.array([d[s.name] for d in drawn]) for s in law.shapes}
    value, jacobian = law.tape.slopes(points, names)
    np.testing.assert_array_equal(value, law.tape.evaluate(points))
    for j, name in enumerate(names):
        h = 1e-5 * points[name]
        up, down = (law.tape.evaluate({**points, name: points[name] + s * h}) for s in (1, -1))
        np.testing.assert_allclose(jacobian[:, j], (up - down) / (2 * h), rtol=1e-5, atol=1e-8)
    for i in range(40):
        _, slope = kernel_at(law.tape, np.array([points[n][i] for n in names]))
        np.testing.assert_allclose(jacobian[i], slope, rtol=1e-9, atol=1e-300)


def test_the_derivatives_are_numbers_at_dose_0_and_where_the_law_has_underflowed(law):
    for tape in (law.tape, law.tape.log()):
        for u in (0.0, 1e-300, 1e3, 1e90):
            for shape in shapes_of(law, 10):
                value, jacobian = tape.slopes({"u": u, **shape}, tape.inputs)
                if np.isfinite(value):
                    assert np.all(np.isfinite(jacobian)), (u, shape)
                assert not np.isnan(jacobian[1:]).any() or np.isnan(value), (u, shape)


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
    for shape in shapes_of(law, 10):
        values = {"u": DOSES, **shape}
        plain = law.tape.evaluate(values)
        # below 1e-300 the plain value has lost its digits; the logarithm has not
        clear = np.broadcast_to(plain, DOSES.shape) > 1e-300
        assert clear.sum() > 50
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
        ("hyperbolic", {}, 1.0),
        ("square-root", {}, 0.25),
        ("induction-linear", {"w": 0.2}, 0.7),
        ("induction-exponential", {"w": 0.2}, 0.2 + math.log(2)),
        ("log-dose", {"a": 0.5}, math.e - 1),
        ("power-of-log-dose", {"a": 0.5, "k": 1.0}, math.e - 1),
        ("gompertz", {"h": math.log(2)}, math.log(2)),  # h*(e**u - 1) = ln 2
        ("exponential-plateau", {"r": 1 / 3}, math.log(3)),  # 1/4 stays; ln(0.75/0.25)
        # equal parts of which the slow one lasts twice as long: x**2 + x = 1, u = -2 ln x
        ("two-stage-exponential", {"a": 1.0, "m": 1.0}, -2 * math.log((math.sqrt(5) - 1) / 2)),
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


@pytest.mark.parametrize("h", [0.05, 0.7, 3.0])
def test_the_gompertz_is_the_survival_function_of_scipys_gompertz(h):
    from scipy import stats

    u = np.linspace(0, 4, 50)
    np.testing.assert_allclose(
        read_law("gompertz").retained(u, {"h": h}), np.maximum(stats.gompertz(h).sf(u), 1e-9),
        rtol=1e-12,
    )  # fmt: skip


@pytest.mark.parametrize("k", [0.5, 3.0, 9.0])
def test_the_logistic_in_dose_is_a_survival_function_of_scipys_logistic(k):
    from scipy import stats

    u, rest = np.linspace(0, 4, 50), stats.logistic(loc=1, scale=1 / k)
    np.testing.assert_allclose(
        read_law("logistic-in-dose").retained(u, {"k": k}),
        np.maximum(rest.sf(u) / rest.sf(0), 1e-9),
        rtol=1e-12,
    )


def test_a_second_order_loss_is_a_straight_line_in_the_reciprocal():
    # integrated rate law of second-order kinetics: 1/[A] = 1/[A]0 + kt
    u = np.linspace(0, 9, 10)
    np.testing.assert_allclose(1 / read_law("hyperbolic").retained(u), 1 + u, rtol=1e-12)


@pytest.mark.parametrize("g", [0.02, 0.2, 0.8])
def test_the_law_that_rises_first_peaks_at_the_gain_that_its_shape_names(g):
    law, k = read_law("rise-then-fall"), 1.4
    u = np.linspace(0, 3, 30001)
    curve = law.retained(u, {"g": g, "k": k})
    assert curve.max() == pytest.approx(1 + g, rel=1e-6)
    assert u[curve.argmax()] == pytest.approx(math.log1p(g) ** (1 / k), abs=1e-3)


def test_the_law_that_rises_first_passes_a_fraction_above_1_on_its_way_down():
    law, shape = read_law("rise-then-fall"), {"g": 0.2, "k": 1.0}
    u, exists = law.crossings([1.1, 1.3], shape)
    assert exists.tolist() == [True, False]
    assert u[0] > math.log(1.2)  # beyond the maximum
    assert float(law.retained(u[0], shape)) == pytest.approx(1.1, rel=1e-12)


def test_without_gain_the_law_that_rises_first_is_the_stretched_exponential():
    u = np.linspace(0.01, 3, 30)
    np.testing.assert_allclose(
        read_law("rise-then-fall").retained(u, {"g": 1e-14, "k": 1.7}),
        read_law("stretched-exponential").retained(u, {"k": 1.7}),
        rtol=1e-5,
    )


def test_a_plateau_is_never_crossed_and_what_lies_above_it_is():
    # 1/4 stays: above it the dose is ln((1 - c)/(q - c)), arithmetic
    law = read_law("exponential-plateau")
    u, exists = law.crossings([0.2, 0.25, 0.26, 0.5], {"r": 1 / 3})
    assert exists.tolist() == [False, False, True, True]
    np.testing.assert_allclose(u[2:], np.log(0.75 / (np.array([0.26, 0.5]) - 0.25)), rtol=1e-9)


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
