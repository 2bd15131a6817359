"""The whole chain at the shipped sites: seasons, latitudes and planes come out in their order."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from durability.decisions import cover_statements
from durability.exposure import material_assumptions, read_site
from durability.translation import translate
from durability.translation.inputs import stream


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
