"""A measured total or a sensor's series corrects a site's computed ultraviolet, as it should."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from durability.exposure import read_site, sky_exposure, translation_assumptions
from durability.exposure.uv_measured import UvTotal, corrected, uv_calibration, uv_total_of
from durability.study.problem import StudyError
from durability.translation.inputs import draw_site, for_site, read_inputs

PRIOR = translation_assumptions()["uv_factor"]


def yearly(site, cloud=0.8):
    return float(sky_exposure(site, cloud_power=cloud)["uv_300_400"].sum()) * 0.0036


@pytest.fixture(scope="module")
def coast():
    return read_site("miami")


def test_a_total_is_read_from_words():
    full = UvTotal.read("318 MJ/m^2 in 295-385 nm +- 4 % over 3 years")
    assert (full.total, full.band, full.log_sd, full.years) == (318.0, "295-385 nm", 0.04, 3.0)
    for wrong in ("318", "318 W/m^2 in 300-400 nm", "318 MJ/m^2 in 280-315 nm", "5 MJ/m^2 in "
                  "300-400 nm", "318 MJ/m^2 in 300-400 nm over 0 years"):  # fmt: skip
        with pytest.raises(ValueError, match=r"(?i)measured ultraviolet"):
            UvTotal.read(wrong)


def test_a_precise_total_takes_the_place_of_the_prior_and_a_poor_one_leaves_it(coast):
    exact = UvTotal(total=1.2 * yearly(coast), band="300-400 nm", log_sd=0.001, years=1e6)
    poor = replace(exact, log_sd=0.9, years=1.0)
    made = [uv_calibration(replace(coast, uv_total=t), PRIOR) for t in (exact, poor)]
    found = [c.factor(PRIOR) for c in made if c is not None]
    assert found[0].value == pytest.approx(1.2, rel=1e-3)
    assert found[0].sd == pytest.approx(0.0012, rel=0.01)
    assert found[1].value == pytest.approx(1.08, rel=2e-3)
    assert found[1].sd == pytest.approx(0.08, rel=0.01)


def test_years_measured_and_sensor_add_up_by_the_rule_of_inverse_variances(coast):
    """1/0.074² + 1/(0.04² + 0.05²/4) (arithmetic)."""
    told = UvTotal(total=yearly(coast), band="300-400 nm", log_sd=0.04, years=4.0)
    found = uv_calibration(replace(coast, uv_total=told), PRIOR)
    s0, s1 = 0.08 / 1.08, np.hypot(0.04, 0.025)
    assert found is not None
    assert found.log_given_sd == pytest.approx((s0**-2 + s1**-2) ** -0.5, rel=1e-9)


def test_intervals_of_the_yearly_total_hold_the_truth_as_often_as_they_say(coast):
    """Truth from the priors of factor and cloud power, a measurement with error, 1000 sites."""
    cloud = read_inputs()["cloud_power"]
    rng = np.random.default_rng(4)
    grid = np.linspace(0.45, 1.15, 15)
    totals = np.log([yearly(coast, b) for b in grid])
    central, error, runs = yearly(coast), 0.06, 1000
    told = UvTotal(total=central, band="300-400 nm", log_sd=0.04)
    slope = uv_calibration(replace(coast, uv_total=told), PRIOR).slope  # type: ignore[union-attr]
    inside, shrunk = {0.5: 0, 0.9: 0}, []
    for _ in range(runs):
        f, b = PRIOR.draws(1, rng).item(), cloud.draws(1, rng).item()
        truth = np.log(f) + np.interp(b, grid, totals)
        seen = np.exp(truth + error * rng.normal())
        made = corrected(PRIOR, float(seen / central), error, slope=slope)
        power = cloud.draws(400, rng)
        factor = made.given_cloud(made.factor(PRIOR).draws(400, rng), power - cloud.value)
        y = np.log(factor) + np.interp(power, grid, totals)
        for level in inside:
            low, high = np.quantile(y, [(1 - level) / 2, (1 + level) / 2])
            inside[level] += low < truth < high
        plain = np.log(PRIOR.draws(400, rng)) + np.interp(power, grid, totals)
        shrunk.append(y.std() / plain.std())
    # binomial standard deviations of 0.0095 and 0.016
    assert 0.87 < inside[0.9] / runs < 0.93
    assert 0.45 < inside[0.5] / runs < 0.55
    assert np.mean(shrunk) < 0.75


def test_a_site_with_a_measured_total_has_it_as_the_centre_of_its_yearly_ultraviolet(coast):
    told = UvTotal(total=1.2 * yearly(coast), band="300-400 nm", log_sd=0.01, years=1e4)
    site = replace(coast, uv_total=told)
    drawn = draw_site(for_site(read_inputs(), site), site, draws=4000, seed=1)
    grid = np.linspace(0.45, 1.15, 15)
    totals = np.interp(drawn["cloud_power"], grid, [yearly(coast, b) for b in grid])
    assert np.median(drawn["uv_factor"] * totals) == pytest.approx(told.total, rel=0.01)
    assert np.log(drawn["uv_factor"] * totals).std() < 0.015
    assert np.corrcoef(drawn["uv_factor"], drawn["cloud_power"])[0, 1] > 0.5


def test_a_sensors_series_corrects_its_site_and_its_scatter_counts(coast):
    rng = np.random.default_rng(2)
    light = sky_exposure(coast)["uv_300_400"].values
    noisy = light * 1.17 * np.exp(0.1 * np.repeat(rng.normal(size=365), 24))
    noisy[: 24 * 100] = np.nan
    site = replace(coast, hourly=coast.hourly.assign(uv_300_400=("time", noisy)))
    found = uv_calibration(site, PRIOR)
    assert found is not None
    assert found.ratio == pytest.approx(1.17, rel=0.02)
    assert found.log_sd == pytest.approx(np.hypot(0.05, 0.1 / np.sqrt(265)), rel=0.05)
    assert "265 days" in found.source
    few = noisy.copy()
    few[24 * 20 :] = np.nan
    short = replace(coast, hourly=coast.hourly.assign(uv_300_400=("time", few)))
    assert uv_calibration(short, PRIOR) is None


def test_strips_in_the_open_are_counted_on_the_corrected_sky(coast):
    from durability.exposure import site_clock
    from durability.inference.clock_terms import sky_parameters

    told = UvTotal(total=1.2 * yearly(coast), band="300-400 nm", log_sd=0.01, years=1e4)
    clock = site_clock(replace(coast, uv_total=told), laid="2031-05-14")
    column = next(c for c in sky_parameters(clock, "A") if c.name == "log_uv_factor")
    assert column.mean == pytest.approx(np.log(1.2), abs=0.005)
    assert column.sd == pytest.approx(0.01, rel=0.05)


def test_what_is_wrong_in_a_sites_file_is_told():
    for table in ({"total": "318"}, {"total": "318 MJ/m^2 in 300-400 nm", "colour": 1}):
        with pytest.raises(StudyError) as raised:
            uv_total_of({"uv_measured": table}, "mine.toml")
        assert raised.value.problems[0].file == "mine.toml"
    assert uv_total_of({}, "mine.toml") is None
