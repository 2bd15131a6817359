"""One clock for lamp and sky: irradiance to a power, Arrhenius in temperature."""

from __future__ import annotations

from typing import Any

import numpy
import pytest
import xarray

from durability.exposure import effective_rate

REFERENCE = {"reference_irradiance": 0.35, "reference_temperature": 50.0}


def rate(e: Any, t: Any, p: Any = 1.0, ea: Any = 30.0) -> Any:
    return effective_rate(e, t, exponent=p, activation_energy=ea, **REFERENCE)


def test_at_reference_conditions_effective_dose_is_dose() -> None:
    for p in (0.5, 0.9, 1.0):
        assert float(rate(0.35, 50.0, p=p, ea=40.0)) == pytest.approx(0.35, rel=1e-12)


def test_doubling_irradiance_doubles_the_rate_when_reciprocity_holds() -> None:
    assert float(rate(0.7, 50.0) / rate(0.35, 50.0)) == pytest.approx(2.0)


def test_doubling_irradiance_gains_only_root_two_at_exponent_one_half() -> None:
    assert float(rate(0.7, 50.0, p=0.5) / rate(0.35, 50.0, p=0.5)) == pytest.approx(1.41, abs=0.005)


def test_ten_degrees_near_fifty_at_thirty_kilojoules_is_a_factor_of_1_40() -> None:
    assert float(rate(0.35, 60.0) / rate(0.35, 50.0)) == pytest.approx(1.40, abs=0.005)


@pytest.mark.parametrize(("ea", "factor"), [(15, 1.7), (30, 2.8), (50, 5.6)])
def test_from_65_to_35_degrees_the_rate_falls_by_known_factors(ea: float, factor: float) -> None:
    assert float(rate(1, 65.0, ea=ea) / rate(1, 35.0, ea=ea)) == pytest.approx(factor, rel=0.02)


def test_no_light_is_no_damage_at_any_temperature() -> None:
    assert float(rate(0.0, 80.0, p=0.5)) == 0.0


def test_zero_activation_energy_ignores_temperature() -> None:
    numpy.testing.assert_allclose(rate([0.1, 0.1], [-40.0, 90.0], ea=0.0), [0.1, 0.1])


def test_named_dimensions_broadcast() -> None:
    hours = xarray.DataArray(numpy.linspace(0, 1, 24), dims="hour")
    p = xarray.DataArray([0.5, 0.9, 1.0], dims="draw")
    found = rate(hours, 20.0, p=p, ea=p * 40)
    assert isinstance(found, xarray.DataArray)
    assert set(found.dims) == {"hour", "draw"}
