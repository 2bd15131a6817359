"""Effective dose in the open against a plain sum over hours."""

from __future__ import annotations

import dataclasses
import math
from pathlib import Path

import numpy as np
import pytest
import xarray

from durability.exposure import (
    FLAGS,
    delivery_cautions,
    effective_rate,
    read_site,
    sky_exposure,
    specimen_temperature,
)
from durability.exposure.outdoor import site_clock
from durability.exposure.years import Year
from durability.study.model import Exposure, Study

REFERENCE = {"reference_irradiance": 0.35, "reference_temperature": 50.0}


def plain_sum(site, first_hour, hours, *, exponent, activation_energy, factor, cloud, warming):
    """Hour by hour, through the sky and temperature doors; the year repeats."""
    sky = sky_exposure(read_site(site), tilt=30.0, cloud_power=0.8)
    uv = sky["e340"].values * factor * np.exp(cloud * sky["log_clearness"].values)
    warm = specimen_temperature(
        sky["temp_air"].values, sky["poa"].values, sky["wind_speed"].values,
        absorptance=0.9, rise_factor=warming,
    )  # fmt: skip
    rate = effective_rate(
        uv, warm, exponent=exponent, activation_energy=activation_energy, **REFERENCE
    )
    whole, part = divmod(hours, 1)
    total = sum(rate[(first_hour + i) % 8760] for i in range(int(whole)))
    return 3.6 * (total + part * rate[(first_hour + int(whole)) % 8760])


@pytest.mark.parametrize("days", [1.0, 37.3, 500.0])
def test_effective_dose_is_the_sum_over_hours(days):
    laid = "2031-11-20"
    clock = site_clock(read_site("phoenix"), laid=laid, slope=30.0)
    assert clock.laid_hour == (31 + 28 + 31 + 30 + 31 + 30 + 31 + 31 + 30 + 31 + 19) * 24 + 6
    values = {"exponent": 0.85, "activation_energy": 42.0, "cloud": 0.07, "warming": 0.4}
    found = clock.log_effective_dose(days, uv_factor=1.1, **values, **REFERENCE)[0, 0]
    truth = plain_sum("phoenix", int(clock.laid_hour), days * 24, factor=1.1, **values)
    assert math.exp(found) == pytest.approx(truth, rel=1e-10)


def test_draws_are_evaluated_one_by_one():
    clock = site_clock(read_site("miami"), laid="2031-02-28")
    rng = np.random.default_rng(3)
    p, ea = rng.uniform(0.5, 1.0, 300), rng.uniform(15, 60, 300)
    every = clock.log_effective_dose([10, 100], exponent=p, activation_energy=ea, **REFERENCE)
    for i in (0, 255, 256, 299):
        alone = clock.log_effective_dose(
            [10, 100], exponent=p[i], activation_energy=ea[i], **REFERENCE
        )
        np.testing.assert_allclose(every[i], alone[0], rtol=1e-12)


def test_a_year_is_the_same_whenever_it_begins():
    plain = {"exponent": 1.0, "activation_energy": 30.0, **REFERENCE}
    found = [
        site_clock(read_site("miami"), laid=d).log_effective_dose(365, **plain)[0, 0]
        for d in ("2031-01-01", "2032-02-29", "2031-12-31")
    ]
    np.testing.assert_allclose(found, found[0], rtol=1e-12)


def test_the_weather_of_the_days_themselves_is_taken_where_the_file_holds_it():
    """Two invented years, the second with half the light; then they repeat."""
    site = read_site("miami")
    dim = site.hourly.copy(deep=True)
    for name in ("ghi", "dni", "dhi"):
        dim[name] = dim[name] * 0.5
    years = (Year(year=2031, hourly=site.hourly), Year(year=2032, hourly=dim))
    known = dataclasses.replace(site, years=years)
    plain = {"exponent": 1.0, "activation_energy": 30.0, **REFERENCE}

    def year_from(place, laid):
        clock = site_clock(place, laid=laid)
        return clock, math.exp(clock.log_effective_dose(365, **plain)[0, 0])

    usual, whole = year_from(site, "2031-01-01")
    first, bright = year_from(known, "2031-01-01")
    second, dull = year_from(known, "2032-01-01")
    later, again = year_from(known, "2040-01-01")
    assert (first.measured, second.measured) == (True, True)
    assert (usual.measured, later.measured) == (False, False)
    assert first.hours == 2 * 8760 and second.hours == 8760
    assert bright == pytest.approx(whole, rel=1e-3) and again == pytest.approx(whole, rel=1e-3)
    assert dull < 0.7 * whole
    two = math.exp(first.log_effective_dose(730, **plain)[0, 0])
    assert two == pytest.approx(bright + dull, rel=2e-3)


def test_no_light_has_come_at_once():
    clock = site_clock(read_site("miami"), laid="2031-05-14")
    found = clock.log_effective_dose([0.0], exponent=1.0, activation_energy=30.0, **REFERENCE)
    assert np.isneginf(found).all()


def test_it_is_said_that_the_weather_is_that_of_a_usual_year():
    roof = Exposure(name="roof", lamp="outdoor", axis="days", site="miami", laid="2031-05-14")
    empty = xarray.Dataset({"exposure": ("row", np.array([], dtype=str)), "hours": ("row", [])})
    study = Study(
        folder=Path(), title="t", property="p", unit="N", thresholds=(0.5,), rows=empty,
        exposures={"roof": roof}, materials={},
    )  # fmt: skip
    (said,) = delivery_cautions(study)
    assert said.name in FLAGS and "miami from 2031-05-14" in said.text
