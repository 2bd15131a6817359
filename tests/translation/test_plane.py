"""Plane, light, water and wavelength in every reading of a sky, not only in `translate`."""

from __future__ import annotations

from copy import copy
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from durability.exposure import read_site
from durability.exposure.uv_measured import UvTotal
from durability.study.model import Exposure
from durability.translation import translate
from durability.translation.equivalent import lamp_hours_for, outdoor_equivalent
from durability.translation.given import GivenThreshold, given_study
from durability.translation.measure_next import measure_next
from durability.translation.plane import counted, facing_cautions

PLANES = [
    {"tilt": 60.0}, {"tilt": 60.0, "azimuth": 0.0}, {"horizon": 20.0}, {"light": 0.5},
    {"on_ground": True},
]  # fmt: skip


@pytest.fixture
def fit(fit_of):
    return fit_of(900 * np.exp(0.2 * np.random.default_rng(3).standard_normal(400)))


def asked_as(fit, **said):
    """The same fit, of a study whose question says how the fabric lies."""
    other = copy(fit)
    other.study = replace(fit.study, question=replace(fit.study.question, **said))
    return other


def middle(fit, **plane):
    said = outdoor_equivalent(fit, site="miami", dose=600.0, **plane)
    return np.array([s.value for s in said])


@pytest.mark.parametrize("plane", PLANES, ids=str)
def test_days_of_a_dose_move_as_days_of_a_threshold_do(fit_of, plane):
    """A threshold that is the dose itself is reached in the days that the dose stands for."""
    fit = fit_of(np.full(400, 600.0))
    there = translate(fit, site="miami", of="mean", **plane).draws("A", "machine", "mean", 0.5)
    expected = np.quantile(there.values, 0.5, axis=1, method="lower")
    np.testing.assert_allclose(middle(fit, **plane), expected, rtol=1e-9)


def test_half_the_light_needs_half_the_lamp_hours_where_dose_alone_counts(fit):
    whole, half = (
        np.array([s.value for s in lamp_hours_for(fit, site="miami", days=30, light=x)])
        for x in (1.0, 0.5)
    )
    np.testing.assert_allclose(half / whole, 0.5, rtol=1e-9)


def test_hotter_ground_and_hidden_sky_move_days_the_right_way(fit):
    assert (middle(fit, horizon=30.0) > middle(fit)).all()
    assert (middle(fit, on_ground=True) <= middle(fit)).all()
    assert (middle(fit, light=0.3) > middle(fit)).all()


def test_what_is_taken_for_granted_is_said(fit):
    said = outdoor_equivalent(fit, site="miami", light=0.5, horizon=10.0)
    assert {"part_light", "hidden_horizon"} <= set(said[0].assumptions)
    assert "part_light" not in outdoor_equivalent(fit, site="miami")[0].assumptions


def test_the_study_s_day_of_laying_is_asked_and_can_be_overruled(fit):
    assert [s.month for s in outdoor_equivalent(fit, site="miami", laying="2027-05-12")] == [5]
    assert len(outdoor_equivalent(fit, site="miami")) == 12
    assert measure_next(fit, site="miami", laying="2027-05-12").month == 5


def test_light_reaches_the_budget_of_what_to_measure(fit):
    """With p below 1 half the light does more than half the damage; shares follow the same days."""
    found = measure_next(fit, site="miami", light=0.2, horizon=15.0, tilt=30.0)
    assert found.variance > 0
    assert sum(found.first.values()) == pytest.approx(1.0, abs=0.25)
    with pytest.raises(ValueError, match="light is 0"):
        measure_next(fit, site="miami", light=0.0)


def test_a_tilted_plane_faces_the_equator_where_nothing_is_said(fit):
    south = read_site("miami")
    assert translate(fit, site="miami", tilt=30.0).azimuth == 180.0
    assert not facing_cautions(south, 30.0, 180.0)
    assert facing_cautions(south, 30.0, 0.0)[0].name == "faces_away_from_equator"


def test_water_and_wavelength_are_counted_as_asked():
    """The draws of the threshold stay what they were; what is counted of the sky changes."""
    lamp = Exposure(
        name="X", lamp="xenon-daylight", irradiance=0.35, band="340 nm",
        dose_unit="kJ/(m² nm) at 340 nm",
    )  # fmt: skip
    made: Any = GivenThreshold(
        study=given_study(lamp), threshold=np.full(100, 600.0), exponent=np.full(100, 0.9),
        energy=np.full(100, 30.0),
    )  # fmt: skip
    assert counted(made) is made

    def said_of(**said):
        study = replace(made.study, question=replace(made.study.question, **said))
        return counted(replace(made, study=study))

    asked = said_of(wetness=True, action_spectrum="exponential")
    assert asked.threshold is made.threshold
    told = set(translate(asked, site="miami", of="mean").assumptions)
    assert {"wetness_modelled", "action_spectrum"} <= told
    again = said_of(wetness=False, action_spectrum="none")
    told = set(translate(again, site="miami", of="mean").assumptions)
    assert {"moisture_not_modelled", "dose_in_band"} <= told
    np.testing.assert_array_equal(
        translate(again, site="miami", of="mean").days,
        translate(made, site="miami", of="mean").days,
    )


def test_what_the_study_says_of_the_fabric_is_taken_and_an_argument_goes_before(fit):
    """A slope in study.toml moves days as the argument does."""
    said = {"slope": 60.0, "azimuth": 0.0, "horizon": 20.0, "light": 0.5, "on_ground": True}
    asked = asked_as(fit, **said)
    named = {"tilt" if n == "slope" else n: value for n, value in said.items()}
    assert middle(asked) == pytest.approx(middle(fit, **named), rel=1e-12)
    assert middle(asked) != pytest.approx(middle(fit), rel=0.05)
    flat = {"tilt": 0.0, "horizon": 0.0, "light": 1.0}
    assert middle(asked, **flat) == pytest.approx(middle(fit, on_ground=True), rel=1e-12)


def test_ultraviolet_said_to_be_measured_counts_as_that_of_the_site(fit):
    total = "250 MJ/m^2 in 300-400 nm +- 4 % over 3 years"
    there = replace(read_site("miami"), uv_total=UvTotal.read(total))
    found = translate(asked_as(fit, measured_uv=total), site="miami", of="mean").days
    np.testing.assert_array_equal(found, translate(fit, site=there, of="mean").days)
    assert (np.median(found) > np.median(translate(fit, site="miami", of="mean").days)).all()


def test_numbers_of_the_plane_out_of_range_are_named_all_at_once(fit):
    with pytest.raises(ValueError, match=r"tilt is 95.*horizon is 80.*light is 0"):
        translate(fit, site="miami", tilt=95.0, horizon=80.0, light=0.0)
