"""The whole chain at the shipped sites: seasons, latitudes and planes come out in their order."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from durability.decisions import cover_statements
from durability.exposure import material_assumptions, read_site
from durability.translation import translate
from durability.translation.inputs import stream
from durability.translation.reading import OpenInterval, sky_clocks


@pytest.fixture(scope="module")
def rng():
    return np.random.default_rng(9)


@pytest.fixture
def fit(fit_of, lamp, rng):
    xenon = replace(lamp, lamp="xenon-daylight", irradiance_uncertainty=None, cycle=())
    made = fit_of(630 * np.exp(0.1 * rng.normal(size=1500)), xenon)
    clock = material_assumptions("polypropylene")
    made.exponent = clock["reciprocity_exponent"].draws(1500, rng)
    made.energy = clock["activation_energy"].draws(1500, stream(1, "energy"))
    return made


def medians(fit, site, **change):
    made = translate(fit, site=site, of="mean", **change)
    return made.days.squeeze().median("draw"), made


def test_the_desert_is_harsher_than_the_coast_and_the_coast_than_the_north(fit):
    days, temperatures = [], []
    for site in ("phoenix", "miami", "po-valley"):
        by_month, made = medians(fit, site)
        days.append(float(by_month.mean()))
        temperatures.append(float(made.effective_temperature.squeeze()))
        assert 20 < by_month.min() < by_month.max() < 2000
    assert days == sorted(days)
    assert temperatures == sorted(temperatures, reverse=True)


def test_in_the_north_spring_is_the_worst_time_to_lay_and_autumn_the_best(fit):
    days, made = medians(fit, "po-valley")
    assert int(days.idxmin()) in (4, 5, 6)
    assert int(days.idxmax()) in (7, 8, 9)
    assert int(made.budget["month"].sel(laying="worst month").squeeze()) in (4, 5, 6, 7)


def test_the_interval_is_never_narrower_than_the_trade_believes(fit):
    made = translate(fit, site="miami", of="mean")
    for s in cover_statements(made, fit).where(quantity="outdoor_days"):
        assert s.high is not None
        assert s.low is not None
        assert s.high / s.low > 1.3**2
        assert "narrow" not in s.flags


def test_days_to_cover_lie_below_the_median_in_every_month(fit):
    said = cover_statements(translate(fit, site="phoenix", of="mean"), fit)
    for month in range(1, 13):
        cover = said.one(quantity="days_to_cover", month=month)
        middle = said.one(quantity="outdoor_days", month=month).value
        assert middle is not None
        assert cover.low is not None
        assert 0 < cover.low < middle


def test_a_plane_that_faces_away_from_the_equator_is_cautioned(fit):
    _, made = medians(fit, "po-valley", tilt=45.0, azimuth=0.0)
    assert [c.name for c in made.cautions].count("faces_away_from_equator") == 1
    _, made = medians(fit, "po-valley", tilt=45.0)
    assert "faces_away_from_equator" not in [c.name for c in made.cautions]


def test_a_site_may_be_given_by_name_or_as_read(fit):
    by_name = translate(fit, site="miami", of="mean").days
    np.testing.assert_array_equal(by_name, translate(fit, site=read_site("miami"), of="mean").days)


def test_what_is_doubtful_about_the_lamp_is_passed_on(fit):
    from durability.exposure import delivery

    delivered = delivery(fit.study.exposures["X1"])
    assert delivered is not None
    notes = {c.name for c in delivered.notes}
    assert notes
    assert notes <= {c.name for c in translate(fit, site="miami", of="mean").cautions}


def test_the_uncertain_air_of_a_monthly_climate_widens_the_days_and_shortens_the_cover(fit):
    """K kelvin move log days by Ea/R · K/T². Three times the file's sd, to show in days."""
    as_read = read_site("tucson")
    assert as_read.air_temperature_sd == 1.3
    uncertain = replace(as_read, air_temperature_sd=3.9)
    known = replace(as_read, air_temperature_sd=0.0)
    spread, cover = [], []
    fit.energy = np.full_like(fit.tau, 60.0)
    done, spread, cover = [], [], []
    for site in (known, uncertain):
        clocks, _, _ = sky_clocks(fit, site=site, draws=fit.tau.size)
        done.append(np.log(clocks["A"].lamp_dose([(0.0, 8760.0)])[:, 0]))
        made = translate(fit, site=site, of="mean", laying="2027-05-12")
        spread.append(np.log(made.days.values.squeeze()).std())
        cover.append(cover_statements(made, fit, assurance=0.95).one(quantity="days_to_cover").low)
    kelvin = float(made.effective_temperature.squeeze()) + 273.15
    expected = 60 / 8.314462618e-3 * 3.9 / kelvin**2
    assert (done[1] - done[0]).std() == pytest.approx(expected, rel=0.05)
    assert spread[1] > spread[0]
    assert cover[1] < cover[0]


def test_the_uncertain_air_of_a_monthly_climate_is_a_line_of_the_budget(fit):
    made = translate(fit, site="tucson", of="mean")
    assert "air_temperature" in {i.name for i in made.inputs}
    share = made.budget["share"].sel(laying="worst month", material="A")
    assert 0.001 < float(share.sel(input="air_temperature")) < 0.1
    assert "air_temperature" not in translate(fit, site="miami", of="mean").budget.input


def test_dose_already_spent_is_read_in_the_same_air_as_the_days(fit):
    """Spending a time and then asking what is left of it are one clock: draw by draw."""
    fit.energy = np.full_like(fit.tau, 60.0)
    clocks, _, _ = sky_clocks(fit, site="tucson", draws=fit.tau.size)
    clock = clocks["A"]
    spent = clock.spent([OpenInterval.read("2027-03-01 to 2027-05-30")])
    days = clock.days(spent[:, None], np.full((fit.tau.size, 1), 59 * 24.0 + 6))
    np.testing.assert_allclose(days[:, 0, 0], 90.0, atol=1e-8)
    air = clock.links["air_temperature"]
    assert air.std() == pytest.approx(1.3, rel=0.05)
    same = clock.with_links(air_temperature=np.zeros_like(air))
    warm = air > 1.0
    assert (spent[warm] > same.spent([OpenInterval.read("2027-03-01 to 2027-05-30")])[warm]).all()


def test_a_fabric_on_the_ground_runs_hotter_and_may_lie_open_for_fewer_days(fit):
    rack = translate(fit, site="phoenix", of="mean", on_ground=False)
    ground = translate(fit, site="phoenix", of="mean")
    hotter = float((ground.effective_temperature - rack.effective_temperature).squeeze())
    assert 3.0 < hotter < 12.0
    days = [t.days.squeeze().quantile(0.05, "draw") for t in (rack, ground)]
    assert (days[1] < days[0]).all()
    assert "on_ground" in ground.assumptions and "on_rack" in rack.assumptions
    assert "ground_contact" in {i.name for i in ground.inputs}
    # what the caution of the first says is what the second finds, at the medians
    said = next(c.text for c in rack.cautions if c.name == "warmed_as_on_a_rack")
    found = float(ground.effective_temperature.squeeze())
    told = float(re.search(r"effective (\d+) °C", said).group(1))
    assert told == pytest.approx(found, abs=1.5)
    assert "warmed_as_on_a_rack" not in {c.name for c in ground.cautions}


def test_the_study_may_say_that_it_hangs_on_a_rack(fit):
    assert fit.study.question.on_ground  # the safe side, unless a study says otherwise
    asked = translate(fit, site="miami", of="mean", on_ground=False).days
    question = replace(fit.study.question, on_ground=False)
    fit.study = replace(fit.study, question=question)
    np.testing.assert_array_equal(translate(fit, site="miami", of="mean").days, asked)
    clocks, _, _ = sky_clocks(fit, site="miami", draws=fit.tau.size)
    assert not clocks["A"].on_ground
    clocks, _, _ = sky_clocks(fit, site="miami", draws=fit.tau.size, on_ground=True)
    assert clocks["A"].on_ground


def test_a_tilted_plane_needs_no_caution_about_the_ground(fit):
    made = translate(fit, site="miami", of="mean", tilt=45.0)
    assert "warmed_as_on_a_rack" not in {c.name for c in made.cautions}


def test_in_the_polar_night_nothing_is_lost_until_the_sun_returns(fit):
    """71.3 degrees north: the sun stays down from about 19 November to 23 January (arithmetic:
    its declination is then below -18.7 degrees), so 53 of the days from 1 December are dark."""
    made = translate(fit, site="barrow", of="mean", laying="2027-12-01")
    assert float(made.days.min()) > 53.0
    fit.tau = np.full_like(fit.tau, 1e-3)
    found = translate(fit, site="barrow", of="mean", laying="2027-12-01").days
    assert 45.0 < float(found.min()) <= float(found.max()) < 75.0


def test_a_threshold_that_is_hardly_reached_is_a_probability_and_a_bound(fit):
    fit.tau = 630 * np.exp(3.5 + np.random.default_rng(2).normal(size=fit.tau.size))
    made = translate(fit, site="barrow", of="mean", horizon_years=10)
    (out,) = cover_statements(made, fit).where(quantity="outdoor_days", month=6)
    days = made.draws("A", "machine", "mean", 0.5).sel(month=6).values
    assert out.probability == pytest.approx(np.isfinite(days).mean())
    assert out.probability < 1
    assert out.high is None
    assert out.low is not None
    assert out.low <= 3650.0
