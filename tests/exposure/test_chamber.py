"""A chamber record is judged as it was made: simulated chambers of which everything is known."""

from __future__ import annotations

import math

import numpy
import pytest
import xarray

from durability.exposure import chamber, delivery
from durability.study.model import Calibration, Exposure, Segment

START = numpy.datetime64("2031-01-06T08:00", "ns")
XENON = (
    Segment(minutes=90, light=True, black_panel=65.0, humidity=0.5),
    Segment(minutes=30, light=True, spray=True),
)
LIGHT_DARK = (
    Segment(minutes=480, light=True, black_panel=60.0),
    Segment(minutes=240, light=False, spray=True, black_panel=50.0),
)


def times(minutes) -> numpy.ndarray:
    return START + numpy.round(numpy.asarray(minutes) * 60).astype("timedelta64[s]")


def simulated(
    hours: float,
    step: float,
    *,
    cycle=XENON,
    point: float = 0.35,
    seed: int = 1,
    offset: float = 0.0,
    noise: float = 0.003,
) -> xarray.Dataset:
    """A chamber that keeps its set points: minutes between readings, minutes into the cycle."""
    generator = numpy.random.default_rng(seed)
    minute = numpy.arange(0, hours * 60 + 1e-9, step)
    whole = sum(s.minutes for s in cycle)
    ends = numpy.cumsum([s.minutes for s in cycle])
    phase = numpy.searchsorted(ends, (minute + offset) % whole, side="right")
    lit = numpy.array([s.light for s in cycle])[phase]
    wet = numpy.array([s.spray for s in cycle])[phase]
    wanted = numpy.array([s.black_panel or 42.0 for s in cycle])[phase]
    irradiance = numpy.where(lit, point * (1 + noise * generator.standard_normal(minute.size)), 0)
    data = {
        "irradiance": ("time", irradiance),
        "black_panel": ("time", wanted + 0.5 * generator.standard_normal(minute.size)),
        "humidity": ("time", numpy.where(wet, 0.9, 0.5)),
    }
    return xarray.Dataset(data, {"time": times(minute)})


def exposed(record: xarray.Dataset, **changes) -> Exposure:
    stated = {
        "name": "X1", "lamp": "xenon-daylight", "irradiance": 0.35, "band": "340 nm",
        "cycle": XENON, "record": record, "record_file": "log.csv",
    }  # fmt: skip
    return Exposure(**{**stated, **changes})


def cut(record: xarray.Dataset, low: float, high: float) -> xarray.Dataset:
    """Without the readings between two hours."""
    hour = (record["time"].values - record["time"].values[0]) / numpy.timedelta64(1, "h")
    return record.isel(time=(hour <= low) | (hour >= high))


def test_a_chamber_that_keeps_its_set_points_gives_the_nominal_dose() -> None:
    found = chamber(exposed(simulated(500, 5)))
    assert found.dose == pytest.approx(630, rel=1e-3)
    assert found.nominal_dose == pytest.approx(630)
    assert found.cautions == () and found.interruptions == ()
    assert all(k.share_out < 0.01 for k in found.kept)


@pytest.mark.parametrize("offset", [0, 17, 45, 100])
def test_phases_are_found_wherever_the_record_starts_in_the_cycle(offset: float) -> None:
    found = chamber(exposed(simulated(240, 1, offset=offset)))
    hours = {p.phase: p.hours for p in found.phases}
    assert hours["90 min light"] == pytest.approx(180, abs=3)
    assert hours["30 min light with water"] == pytest.approx(60, abs=3)
    dose = {p.phase: p.dose for p in found.phases}
    assert dose["90 min light"] == pytest.approx(0.75 * found.dose, rel=0.02)


def test_phases_are_found_again_after_a_stop_that_shifts_the_cycle() -> None:
    first, second = simulated(100, 2), simulated(100, 2, seed=2)
    second = second.assign_coords(time=second["time"] + numpy.timedelta64(111 * 60 + 37, "m"))
    found = chamber(exposed(xarray.concat([first, second], "time", join="outer")))
    panel = next(k for k in found.kept if k.quantity == "black_panel")
    assert panel.mean == pytest.approx(65, abs=0.2) and panel.share_out < 0.01
    assert [i.kind for i in found.interruptions] == ["no record"]


def test_a_logged_spray_switch_is_believed() -> None:
    record = simulated(48, 1).drop_vars("black_panel")
    wet = (numpy.arange(record.sizes["time"]) % 120) >= 90
    record["spray"] = ("time", wet.astype(float))
    found = chamber(exposed(record))
    assert {p.phase: round(p.hours) for p in found.phases} == {
        "90 min light": 36,
        "30 min light with water": 12,
    }


def test_phases_that_nothing_tells_apart_are_not_judged() -> None:
    found = chamber(exposed(simulated(48, 1).drop_vars("black_panel")))
    assert [p.phase for p in found.phases] == ["not told apart, or stopped"]
    assert [k.quantity for k in found.kept] == ["irradiance"]


@pytest.mark.parametrize("step", [5, 30])
def test_a_panel_that_does_not_follow_the_cycle_is_hardly_ever_laid_against_it(step) -> None:
    generator = numpy.random.default_rng(step)
    record = simulated(24 * 200, step)
    noise = generator.standard_normal(record.sizes["time"])
    record["black_panel"] = ("time", 60 + noise)
    found = chamber(exposed(record))
    hours = {p.phase: p.hours for p in found.phases}
    assert hours["not told apart, or stopped"] > 0.98 * found.hours


def test_phases_are_found_where_some_panel_readings_are_missing() -> None:
    record = simulated(240, 5)
    record["black_panel"] = record["black_panel"].where(numpy.arange(record.sizes["time"]) % 7 > 0)
    found = chamber(exposed(record))
    hours = {p.phase: p.hours for p in found.phases}
    assert hours["90 min light"] == pytest.approx(180, abs=4)


def test_time_out_of_tolerance_is_the_time_spent_there() -> None:
    record = simulated(100, 1)
    panel = record["black_panel"].values
    panel[: 60 * 20] += 5.0  # 20 of 100 h, 5 K too warm; 3 are tolerated
    found = chamber(exposed(record))
    kept = next(k for k in found.kept if k.quantity == "black_panel")
    assert kept.share_out == pytest.approx(0.2, abs=0.02)
    assert kept.most > 69
    assert "out_of_tolerance" in [c.name for c in found.cautions]


def test_the_panel_is_judged_in_dry_light_alone_and_after_it_has_settled() -> None:
    found = chamber(exposed(simulated(120, 1)))
    panel = next(k for k in found.kept if k.quantity == "black_panel")
    assert panel.least > 62  # under spray it is 42
    assert panel.hours == pytest.approx(120 * 75 / 120, abs=3)


def test_each_phase_of_light_and_dark_has_its_own_set_point() -> None:
    record = simulated(240, 5, cycle=LIGHT_DARK, point=0.89)
    found = chamber(exposed(record, lamp="fluorescent-uva-340", irradiance=0.89, cycle=LIGHT_DARK))
    panel = {k.phase: k.mean for k in found.kept if k.quantity == "black_panel"}
    assert panel["480 min light"] == pytest.approx(60, abs=0.2)
    assert panel["240 min dark with water"] == pytest.approx(50, abs=0.2)
    assert found.interruptions == () and found.light_hours == pytest.approx(160, abs=2)


def test_light_that_fails_is_an_interruption_and_a_dark_phase_is_not() -> None:
    record = simulated(240, 5, cycle=LIGHT_DARK, point=0.89)
    hour = numpy.arange(record.sizes["time"]) / 12
    record["irradiance"] = record["irradiance"].where((hour < 48) | (hour > 60), 0.0)
    found = chamber(exposed(record, lamp="fluorescent-uva-340", irradiance=0.89, cycle=LIGHT_DARK))
    assert [i.kind for i in found.interruptions] == ["no light"]
    assert found.interruptions[0].start == pytest.approx(44, abs=0.2)  # dark since the phase before
    assert "chamber_interrupted" in [c.name for c in found.cautions]


def test_a_gap_brings_no_dose_and_makes_the_dose_less_sure() -> None:
    whole, less = exposed(simulated(200, 5)), exposed(cut(simulated(200, 5), 50, 70))
    found = chamber(less)
    assert found.dose == pytest.approx(0.9 * chamber(whole).dose, rel=0.005)
    assert found.uncertainty["gaps"] == pytest.approx((20 / 180) / math.sqrt(3), rel=0.02)
    assert found.log_sd > chamber(whole).log_sd
    given = delivery(less)
    assert given is not None and given.log_sd == pytest.approx(found.log_sd)


def test_a_log_that_changes_its_pace_has_no_gap_there() -> None:
    fine, coarse = simulated(60, 1), simulated(60, 30, seed=2)
    coarse = coarse.assign_coords(time=coarse["time"] + numpy.timedelta64(60 * 60 + 1, "m"))
    found = chamber(exposed(xarray.concat([fine, coarse], "time", join="outer")))
    assert [i for i in found.interruptions if i.kind == "no record"] == []
    assert found.dose == pytest.approx(0.35 * 3.6 * 120, rel=0.005)


def test_a_log_without_a_steady_pace_has_no_gaps_and_a_real_one_is_still_found() -> None:
    minute = numpy.cumsum(numpy.tile([1.0, 5.0, 30.0], 200))
    data = {"irradiance": ("time", numpy.full(minute.size, 0.35))}
    record = xarray.Dataset(data, {"time": times(minute)})
    assert chamber(exposed(record)).interruptions == ()
    (gap,) = chamber(exposed(cut(record, 40, 50))).interruptions
    assert gap.kind == "no record" and gap.hours == pytest.approx(10, abs=1)


@pytest.mark.parametrize(("step", "least"), [(36.0, 0.6), (37.0, 0.0)])
def test_sampling_uncertainty_covers_the_true_dose(step: float, least: float) -> None:
    # light for 8 of 12 h, read from a random moment: the true dose is known exactly. Every 36 min
    # the errors repeat from cycle to cycle; every 37 min they even out and the claim is cautious
    generator = numpy.random.default_rng(7)
    z = []
    for _ in range(200):
        offset = generator.uniform(0, 720)
        minute = numpy.arange(0, 240 * 60, step)
        lit = (minute + offset) % 720 < 480
        record = xarray.Dataset(
            {"irradiance": ("time", numpy.where(lit, 0.89, 0.0))}, {"time": times(minute)}
        )
        ends = offset + numpy.array([0.0, minute[-1]])
        light = (ends // 720) * 480 + numpy.minimum(ends % 720, 480)
        true = 0.89 * 3.6 * (light[1] - light[0]) / 60
        given = delivery(
            exposed(record, lamp="fluorescent-uva-340", irradiance=0.89, cycle=LIGHT_DARK)
        )
        assert given is not None and given.record is not None
        dose = float(given.record.cumulative[-1])
        z.append((dose - true) / (dose * given.record.uncertainty["sampling"]))
    assert least < numpy.std(z) < 1.3
    assert abs(numpy.mean(z)) < 0.25


def test_drift_is_found_between_checks_of_the_sensor() -> None:
    record = simulated(1000, 30)
    hour = numpy.arange(record.sizes["time"]) / 2
    fall = numpy.where(hour < 600, 1 - 0.06 * hour / 600, 1.0)
    record["irradiance"] = record["irradiance"] * fall
    found = chamber(exposed(record, calibrations=(Calibration(time="2031-01-31T08:00"),)))
    first, second = found.drift
    assert first.end == pytest.approx(600)
    assert first.per_1000_h == pytest.approx(-0.1, abs=0.005)
    assert second.per_1000_h is not None and second.se is not None
    assert abs(second.per_1000_h) < 3 * second.se + 1e-3
    assert "irradiance_drifts" in [c.name for c in found.cautions]


def test_steady_light_hardly_ever_raises_the_caution_of_drift() -> None:
    found = [chamber(exposed(simulated(300, 30, seed=s))).cautions for s in range(25)]
    assert "irradiance_drifts" not in [c.name for cautions in found for c in cautions]


def test_a_sensor_found_reading_high_lowers_the_dose_by_half_of_that() -> None:
    # right after the check at the start, true/reading 0.9 at the end: 0.95 in the mean
    record = simulated(480, 30, noise=0.0)
    end = str(record["time"].values[-1])[:19]
    plain = chamber(exposed(record))
    found = chamber(exposed(record, calibrations=(Calibration(time=end, as_found=0.9),)))
    assert found.dose == pytest.approx(0.95 * plain.dose, rel=1e-3)
    assert found.uncertainty["sensor_correction"] == pytest.approx(0.05 / math.sqrt(3), rel=0.05)
    assert found.drift[0].as_found == 0.9


def test_a_correction_runs_from_check_to_check_and_not_beyond_the_last() -> None:
    from durability.exposure.record import sensor_factors

    checks = (
        Calibration(time="2031-01-02T00:00:00"),
        Calibration(time="2031-01-12T00:00:00", as_found=0.9),
        Calibration(time="2031-01-22T00:00:00", as_found=1.2),
    )
    days = numpy.array([7, 11, 12, 17, 22, 30]) - 1
    time = numpy.datetime64("2031-01-01T00:00:00", "ns") + days.astype("timedelta64[D]")
    found = sensor_factors(time, checks)
    assert found is not None
    assert found.tolist() == pytest.approx([0.95, 0.91, 1.0, 1.1, 1.0, 1.0])
    assert sensor_factors(time, checks[:1]) is None


def test_corrections_up_and_down_do_not_cancel_in_the_uncertainty() -> None:
    record = simulated(480, 60, noise=0.0)
    middle, end = (str(record["time"].values[i])[:19] for i in (240, -1))
    found = chamber(
        exposed(
            record,
            calibrations=(
                Calibration(time=middle, as_found=0.9),
                Calibration(time=end, as_found=1.1),
            ),
        )
    )
    assert found.dose == pytest.approx(chamber(exposed(record)).dose, rel=2e-3)
    assert found.uncertainty["sensor_correction"] == pytest.approx(0.05 / math.sqrt(3), rel=0.05)


def test_effective_temperature_is_that_of_a_steady_panel_and_above_the_mean_of_a_swinging_one():
    record = simulated(48, 1)
    record["black_panel"] = ("time", numpy.full(record.sizes["time"], 63.0))
    assert chamber(exposed(record)).panel_effective == pytest.approx(63.0)
    swinging = numpy.where(numpy.arange(record.sizes["time"]) % 2 == 0, 43.0, 83.0)
    record["black_panel"] = ("time", swinging)
    found = chamber(exposed(record), polymer="polypropylene").panel_effective
    assert found is not None and 64.0 < found < 72.0


def test_a_study_without_record_has_no_chamber_to_judge() -> None:
    with pytest.raises(ValueError, match="no chamber record"):
        chamber(Exposure(name="X", lamp="xenon-daylight", irradiance=0.35, band="340 nm"))


def test_the_document_is_plain() -> None:
    import json

    found = chamber(exposed(simulated(48, 5)))
    document = json.loads(json.dumps(found.to_dict(), allow_nan=False))
    assert document["kept"][0]["share_out"] == found.kept[0].share_out
    assert document["relative_sd"] == pytest.approx(found.log_sd)
