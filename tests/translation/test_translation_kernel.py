"""The kernel against a plain hour-by-hour loop, and against skies whose answer is known."""

from __future__ import annotations

import time

import numpy as np
import pytest

from durability.exposure.clock import GAS_CONSTANT
from durability.exposure.hourly import LitHours, RateDraws
from durability.translation.kernel import days_until


def run(irradiance, targets, starts, **change):
    draws = np.shape(targets)[0]
    lit = np.flatnonzero(irradiance > 0)
    sky = {"log_clearness": 0.0, "air": 300.0, "rise": 0.0} | {
        k: change.pop(k) for k in ("log_clearness", "air", "rise") if k in change
    }
    sky = {k: np.broadcast_to(v, (8760,))[lit].astype(float) for k, v in sky.items()}
    more, terms = (
        {k: change.pop(k) for k in names if k in change}
        for names in (("compiled", "threads"), ("terms", "weights", "warmer"))
    )
    draw = {"exponent": 1.0, "activation_energy": 0.0, "cloud": 0.0, "heating": 0.0, "scale": 1.0}
    draw = {k: np.array(np.broadcast_to(v, (draws,)), float) for k, v in (draw | change).items()}
    return days_until(
        LitHours(hour=lit, log_irradiance=np.log(irradiance[lit]), **sky),
        RateDraws(**draw, **terms),
        targets=np.asarray(targets, float), starts=np.asarray(starts, float), **more,
    )  # fmt: skip


@pytest.fixture
def year():
    hour = np.arange(8760)
    return np.maximum(np.sin(2 * np.pi * (hour - 6) / 24), 0) * (
        1.5 + np.sin(2 * np.pi * (hour / 8760 - 0.2))
    )


def test_agrees_with_a_plain_loop_to_1e_9_days(year, plain_days):
    rng = np.random.default_rng(3)
    draws, clear = 6, -rng.exponential(0.3, 8760)
    air, rise = rng.normal(288, 8, 8760), 20 * year
    draw = {
        "exponent": rng.uniform(0.5, 1, draws),
        "activation_energy": rng.normal(30, 8, draws),
        "cloud": rng.normal(0, 0.1, draws),
        "heating": rng.uniform(0.2, 1, draws),
    }
    warmer = rng.normal(0, 2, draws)
    scale = np.exp(draw["activation_energy"] / GAS_CONSTANT / 320)
    targets = rng.lognormal(6, 1.2, (draws, 4))
    starts = rng.uniform(0, 8760, (draws, 5))
    starts[:, 0] = 8759.5
    sky = {"log_clearness": clear, "air": air, "rise": rise}
    found = run(year, targets, starts, **sky, scale=scale, warmer=warmer, **draw)
    for d in range(draws):
        kelvin = air + warmer[d] + draw["heating"][d] * rise
        rate = scale[d] * (year * np.exp(draw["cloud"][d] * clear)) ** draw["exponent"][d]
        rate *= np.exp(-draw["activation_energy"][d] / (GAS_CONSTANT * kelvin))
        expected = [[plain_days(rate, t, s) for s in starts[d]] for t in targets[d]]
        np.testing.assert_allclose(found[d], expected, rtol=0, atol=1e-9)


def test_an_even_sky_gives_the_days_of_a_division():
    days = run(np.full(8760, 0.5), [[12.0, 0.25, 12.0 * 365 * 3]], [[0.0, 100.5, 8759.9]])
    np.testing.assert_allclose(days[0], np.outer([1.0, 0.25 / 12, 1095.0], np.ones(3)), atol=1e-9)


@pytest.mark.parametrize(("exponent", "factor"), [(1.0, 2.0), (0.5, 2**0.5)])
def test_doubling_irradiance_divides_the_days_by_2_to_the_exponent(exponent, factor):
    """The check of the trade: halves with p = 1, ÷ 1.41 with p = 0.5 (arithmetic)."""
    once = run(np.full(8760, 0.4), [[70.0]], [[6.0]], exponent=exponent)
    twice = run(np.full(8760, 0.8), [[70.0]], [[6.0]], exponent=exponent)
    assert once[0, 0, 0] / twice[0, 0, 0] == pytest.approx(factor, rel=1e-12)


def test_ten_kelvin_near_50_degc_speed_up_by_1_40_at_30_kj_mol():
    """Arithmetic: exp(30/R · (1/323.15 − 1/333.15)) = 1.398."""
    ratio = [
        run(np.full(8760, 0.4), [[1e-4]], [[6.0]], activation_energy=30.0, air=kelvin)[0, 0, 0]
        for kelvin in (323.15, 333.15)
    ]
    assert ratio[0] / ratio[1] == pytest.approx(1.398, abs=0.001)


def test_a_target_one_year_of_dose_further_takes_365_days_more(year):
    start = np.array([[6.0, 3000.0, 8000.3]])
    near = run(year, [[100.0]], start)
    far = run(year, [[100.0 + 7 * year.sum()]], start)
    np.testing.assert_allclose(far - near, 7 * 365.0, atol=1e-8)


def test_exactly_one_year_of_dose_takes_no_longer_than_a_year(year):
    days = run(year, [[year.sum() * (1 - 1e-12)]], [[0.0, 12.0]])
    assert (days <= 365.0 + 1e-9).all()
    assert (days > 364.0).all()


def test_the_polar_night_passes_without_dose():
    dark = np.zeros(8760)
    dark[4000:4100] = 1.0
    days = run(dark, [[10.0, 100.0, 150.0]], [[0.0, 4200.0]])
    np.testing.assert_allclose(days[0, :, 0] * 24, [4010, 4100, 8760 + 4050], atol=1e-9)
    np.testing.assert_allclose(days[0, :, 1] * 24, [8570, 8660, 2 * 8760 + 4050 - 4200])


def test_a_sky_without_light_never_gets_there():
    assert np.isinf(run(np.zeros(8760), [[1.0]], [[0.0]])).all()


def test_infinite_targets_take_for_ever_and_targets_of_0_no_time(year):
    days = run(year, [[np.inf, 0.0]], [[6.0]])
    assert days[0, 0, 0] == np.inf
    assert days[0, 1, 0] == 0.0


def test_starts_outside_the_year_and_targets_that_are_no_numbers_are_refused(year):
    with pytest.raises(ValueError, match="starts"):
        run(year, [[1.0]], [[8760.0]])
    with pytest.raises(ValueError, match="targets"):
        run(year, [[np.nan]], [[0.0]])


def test_four_thousand_draws_twelve_targets_and_starts_take_seconds(year):
    rng = np.random.default_rng(1)
    starts, targets = rng.uniform(0, 8760, (4000, 12)), rng.lognormal(6, 0.4, (4000, 12))
    run(year, targets[:1], starts[:1])
    begin = time.process_time()
    run(year, targets, starts, exponent=0.9, activation_energy=30.0)
    assert time.process_time() - begin < 20


def test_without_the_compiler_the_days_are_the_same(year):
    rng = np.random.default_rng(8)
    draws = 300
    change = {
        "exponent": rng.uniform(0.5, 1, draws),
        "activation_energy": rng.normal(30, 8, draws),
        "cloud": rng.normal(0, 0.1, draws),
        "heating": rng.uniform(0.2, 1, draws),
        "log_clearness": -rng.exponential(0.3, 8760),
        "air": rng.normal(288, 8, 8760),
        "rise": 20 * year,
    }
    change["scale"] = np.exp(change["activation_energy"] / GAS_CONSTANT / 320)
    targets = rng.lognormal(6, 1.2, (draws, 3))
    targets[0] = [0.0, np.inf, 1.0]
    starts = rng.uniform(0, 8760, (draws, 30))
    fast = run(year, targets, starts, compiled=True, threads=2, **change)
    plain = run(year, targets, starts, compiled=False, **change)
    np.testing.assert_allclose(fast, plain, rtol=0, atol=1e-9)


def test_further_terms_scale_the_rate(year):
    """A term ln 2 in every hour with weight 1 doubles the rate, so half the target (arithmetic)."""
    lit = int((year > 0).sum())
    term = {"terms": np.full((1, lit), np.log(2.0)), "weights": np.ones((1, 1))}
    starts = np.array([[6.0, 700.0]])
    for compiled in (True, False):
        doubled = run(year, [[80.0]], starts, compiled=compiled, **term)
        half = run(year, [[40.0]], starts, compiled=compiled)
        np.testing.assert_allclose(doubled, half, atol=1e-9)


def test_dose_between_two_hours_and_days_until_that_dose_are_inverse(year):
    from durability.exposure.hourly import dose_between

    lit = np.flatnonzero(year > 0)
    none = np.zeros(lit.size)
    sky = LitHours(
        hour=lit, log_irradiance=np.log(year[lit]), log_clearness=none, air=none + 300.0, rise=none
    )
    one = np.ones(1)
    draw = RateDraws(
        exponent=one, activation_energy=0 * one, cloud=0 * one, heating=0 * one, scale=one
    )
    begin, end = 1000.25, 1000.25 + 500 * 24 + 7.5
    dose = dose_between(sky, draw, [(begin, end)])
    days = days_until(sky, draw, targets=dose, starts=np.array([[begin]]))
    assert days.item() == pytest.approx((end - begin) / 24, abs=0.5)
    again = dose_between(sky, draw, [(begin, begin + 24 * days.item())])
    assert again.item() == pytest.approx(dose.item(), rel=1e-12)
    with pytest.raises(ValueError, match="interval"):
        dose_between(sky, draw, [(5.0, 4.0)])
