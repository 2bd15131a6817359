"""Doses of lamp exposures against published arithmetic."""

from __future__ import annotations

import numpy
import pytest

from durability.exposure import delivery
from durability.exposure.record import recorded_dose
from durability.study.model import Exposure


def test_500_hours_of_the_geotextile_xenon_practice_are_630() -> None:
    # H = 3.6 x E x light hours, dark hours do not count: trade article "Basics of irradiance and
    # radiant energy in weathering testing", 2018. 0.35 W/(m2 nm) and a lamp on throughout:
    # laboratory summary and first page of ASTM D4355.
    found = delivery(Exposure(name="X", lamp="xenon-daylight", irradiance=0.35, band="340 nm"))
    assert found is not None
    assert found.light_fraction == 1.0
    assert float(found.dose(500.0)) == pytest.approx(630.0)
    assert found.dose_unit == "kJ/(m² nm) at 340 nm"


def test_broadband_dose_of_a_xenon_year_at_65_watts() -> None:
    # about 350 MJ/m2 in 300-400 nm take about 1500 light hours at 65 W/m2: trade article "How long
    # do I need to test? Part 2", 2022
    found = delivery(Exposure(name="X", irradiance=65.0, band="300-400 nm"))
    assert found is not None
    assert float(found.hours(350.0)) == pytest.approx(1500, rel=0.01)


def test_a_half_sine_day_integrates_like_scipy() -> None:
    import xarray
    from scipy.integrate import trapezoid

    hours = numpy.arange(0, 24.01, 0.1)
    light = numpy.maximum(numpy.sin(numpy.pi * (hours - 6) / 12), 0.0)
    time = numpy.datetime64("2024-06-01") + numpy.round(hours * 3600).astype("timedelta64[s]")
    data = xarray.Dataset({"irradiance": ("time", light)}, {"time": time})
    found = recorded_dose(Exposure(name="X", record=data), factor=3.6)
    assert float(found.dose(24.0)) == pytest.approx(3.6 * trapezoid(light, hours), rel=1e-9)
    assert float(found.dose(24.0)) == pytest.approx(3.6 * 24 / numpy.pi, rel=1e-3)
