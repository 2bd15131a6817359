"""A chamber record is integrated, its gaps are not filled with light."""

from __future__ import annotations

from typing import Any

import numpy
import pytest
import xarray

from durability.exposure import delivery
from durability.exposure.delivery import Delivery
from durability.study.model import Exposure
from durability.study.problem import StudyError


def record(hours: Any, irradiance: Any, **others: Any) -> xarray.Dataset:
    minutes = numpy.round(numpy.asarray(hours, dtype=float) * 60).astype("timedelta64[m]")
    variables = {"irradiance": ("time", numpy.asarray(irradiance, dtype=float))}
    variables |= {k: ("time", numpy.asarray(v, dtype=float)) for k, v in others.items()}
    return xarray.Dataset(variables, {"time": numpy.datetime64("2024-03-01T08:00:00") + minutes})


def recorded(data: xarray.Dataset, irradiance: float | None = 0.35) -> Delivery:
    found = delivery(
        Exposure(
            name="X1",
            lamp="xenon-daylight",
            irradiance=irradiance,
            band="340 nm",
            record=data,
            record_file="chamber_X1.csv",
        )
    )
    assert found is not None
    return found


def test_a_steady_record_gives_the_dose_of_its_irradiance() -> None:
    found = recorded(record(numpy.arange(101), numpy.full(101, 0.35)))
    assert float(found.dose(100.0)) == pytest.approx(0.35 * 3.6 * 100)
    assert found.from_record
    assert [n.name for n in found.notes] == ["specimen_temperature_assumed"]


def test_a_ramp_is_integrated_exactly() -> None:
    hours = numpy.linspace(0, 10, 41)
    found = recorded(record(hours, 0.1 * hours), irradiance=None)
    assert float(found.dose(4.0)) == pytest.approx(3.6 * 0.1 * 4.0**2 / 2)


def test_hours_of_a_record_invert_its_dose_where_it_is_lit() -> None:
    hours = numpy.arange(0, 60.25, 0.25)
    lit = (hours % 12) < 8
    found = recorded(record(hours, numpy.where(lit, 0.5, 0.0)))
    at = numpy.array([1.0, 7.5, 13.3, 31.0, 55.0, 70.0])
    numpy.testing.assert_allclose(found.hours(found.dose(at)), at, atol=1e-9)


def test_a_dose_reached_before_a_dark_phase_is_reached_then() -> None:
    hours = numpy.arange(0, 24.25, 0.25)
    found = recorded(record(hours, numpy.where(hours < 8, 0.5, 0.0)))
    full = float(found.dose(24.0))
    assert float(found.hours(full)) == pytest.approx(8.0)


def test_lit_share_and_irradiance_leave_out_the_dark() -> None:
    hours = numpy.arange(0, 120, 0.05)
    found = recorded(record(hours, numpy.where((hours % 12) < 8, 0.5, 0.0)))
    assert found.light_fraction == pytest.approx(2 / 3, abs=0.01)
    assert found.irradiance == pytest.approx(0.5, rel=0.01)
    assert found.dose_per_hour == pytest.approx(0.5 * 3.6 * 2 / 3, rel=0.01)


def test_a_gap_brings_no_dose_and_is_said() -> None:
    hours = numpy.concatenate([numpy.arange(0, 50), numpy.arange(70, 101)])
    found = recorded(record(hours, numpy.full(hours.size, 0.35)))
    assert float(found.dose(100.0)) == pytest.approx(0.35 * 3.6 * (49 + 30))
    gap = [n for n in found.notes if n.name == "record_has_gaps"]
    assert len(gap) == 1 and "21 h" in gap[0].text and gap[0].file == "chamber_X1.csv"


def test_a_missing_reading_is_bridged() -> None:
    values = numpy.full(101, 0.35)
    values[40] = numpy.nan
    found = recorded(record(numpy.arange(101), values))
    assert float(found.dose(100.0)) == pytest.approx(0.35 * 3.6 * 100)


def test_a_record_far_from_the_set_point_is_used_and_said() -> None:
    found = recorded(record(numpy.arange(101), numpy.full(101, 0.30)))
    assert float(found.dose(100.0)) == pytest.approx(0.30 * 3.6 * 100)
    said = [n for n in found.notes if n.name == "record_differs_from_nominal"]
    assert len(said) == 1 and "0.857" in said[0].text


def test_a_record_near_the_set_point_raises_no_caution() -> None:
    found = recorded(record(numpy.arange(101), numpy.full(101, 0.34)))
    assert "record_differs_from_nominal" not in [n.name for n in found.notes]


def test_past_its_end_a_record_goes_on_at_its_mean_rate() -> None:
    found = recorded(record(numpy.arange(101), numpy.full(101, 0.35)))
    assert float(found.dose(150.0)) == pytest.approx(0.35 * 3.6 * 150)


def test_a_switch_column_overrules_stray_light() -> None:
    values, light = numpy.full(101, 0.35), numpy.ones(101)
    light[51:] = 0
    found = recorded(record(numpy.arange(101), values, light=light))
    assert float(found.dose(100.0)) == pytest.approx(0.35 * 3.6 * 50.5)


def test_recorded_panel_and_air_give_the_specimen_temperature() -> None:
    n = 101
    data = record(
        numpy.arange(n),
        numpy.full(n, 0.35),
        black_panel=numpy.full(n, 65.0),
        air=numpy.full(n, 40.0),
    )
    found = recorded(data)
    assert found.temperature == pytest.approx(55.0)
    assert found.temperature_sd > 4
    assert "specimen_temperature_assumed" not in [c.name for c in found.notes]


def test_a_record_without_air_says_that_the_air_is_assumed_and_is_less_sure() -> None:
    n = 101
    panel = numpy.full(n, 65.0)
    with_air = record(
        numpy.arange(n), numpy.full(n, 0.35), black_panel=panel, air=numpy.full(n, 42.0)
    )
    without = record(numpy.arange(n), numpy.full(n, 0.35), black_panel=panel)
    known, assumed = recorded(with_air), recorded(without)
    assert assumed.temperature == pytest.approx(known.temperature)
    assert assumed.temperature_sd > known.temperature_sd
    assert [c.name for c in known.notes] == []
    assert [c.name for c in assumed.notes] == ["specimen_temperature_assumed"]


def test_temperature_swings_are_kept_as_shares_of_the_dose() -> None:
    hours = numpy.arange(0, 400)
    warm = hours % 4 == 0
    temperature = numpy.where(warm, 70.3, 50.3)
    data = record(hours, numpy.full(400, 0.35), black_panel=temperature, air=temperature)
    found = recorded(data)
    assert len(found.phases) == 2
    (cool_share, cool), (warm_share, hot) = sorted(found.phases, key=lambda phase: phase[1])
    assert (cool, hot) == (pytest.approx(50.3), pytest.approx(70.3))
    assert (cool_share, warm_share) == (
        pytest.approx(0.75, abs=0.01),
        pytest.approx(0.25, abs=0.01),
    )


def test_dark_readings_do_not_cool_the_lit_specimen() -> None:
    hours = numpy.arange(0, 120, 0.25)
    lit = (hours % 12) < 8
    data = record(
        hours,
        numpy.where(lit, 0.5, 0.0),
        black_panel=numpy.where(lit, 60.0, 20.0),
        air=numpy.where(lit, 60.0, 20.0),
    )
    assert recorded(data).temperature == pytest.approx(60.0, abs=1.0)


@pytest.mark.parametrize("values", [[0.0, 0.0, 0.0], [numpy.nan, 0.35, numpy.nan]])
def test_a_record_without_light_is_refused(values: list[float]) -> None:
    with pytest.raises(StudyError) as caught:
        recorded(record([0, 1, 2], values))
    assert caught.value.problems[0].file == "chamber_X1.csv"
    assert caught.value.problems[0].column == "irradiance"
