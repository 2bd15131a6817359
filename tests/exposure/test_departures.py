"""Where a study leaves its practice is told, and where it does not nothing is."""

from __future__ import annotations

from dataclasses import replace

import pytest

from durability.exposure import departures, lamps, planned_withdrawals, read_lamp
from durability.study.model import Exposure


def following(name: str = "xenon-daylight", **changes) -> Exposure:
    lamp = read_lamp(name)
    stated = {"irradiance": lamp.irradiance, "band": lamp.band, "cycle": lamp.cycle}
    return Exposure(name="X1", lamp=name, **{**stated, **changes})


def test_an_exposure_that_follows_its_practice_does_not_depart() -> None:
    for lamp in lamps():
        assert departures(following(lamp.name)) == ()
    assert departures(Exposure(name="X1", lamp="xenon-daylight")) == ()


def test_another_irradiance_departs_and_a_small_difference_is_within_tolerance() -> None:
    (far,) = departures(following(irradiance=0.51))
    (near,) = departures(following(irradiance=0.36))
    assert (far.quantity, far.within_tolerance) == ("irradiance", False)
    assert near.within_tolerance
    assert far.found == "0.51 W/(m² nm) at 340 nm"


def test_another_panel_in_one_phase_departs_there() -> None:
    first, second = read_lamp("xenon-daylight").cycle
    (found,) = departures(following(cycle=(replace(first, black_panel=80.0), second)))
    assert (found.quantity, found.phase) == ("black panel", "90 min light")
    assert (found.found, found.practice) == ("80 °C", "65 °C")


def test_a_setting_left_unstated_departs() -> None:
    first, second = read_lamp("xenon-daylight").cycle
    (found,) = departures(following(cycle=(replace(first, humidity=None), second)))
    assert (found.quantity, found.found) == ("humidity", "not stated")


def test_another_cycle_or_band_departs_as_a_whole() -> None:
    first, _ = read_lamp("xenon-daylight").cycle
    assert [d.quantity for d in departures(following(cycle=(first,)))] == ["cycle"]
    found = departures(following(irradiance=60.0, band="300-400 nm"))
    assert [d.quantity for d in found] == ["control band"]


def test_what_is_from_memory_is_marked() -> None:
    (read,) = departures(following(irradiance=0.51))
    (remembered,) = departures(following("xenon-daylight-102-18", irradiance=0.35))
    assert not read.from_memory and "from memory" not in str(read)
    assert remembered.from_memory and "from memory" in str(remembered)


def test_strips_outdoors_or_without_a_lamp_depart_from_nothing() -> None:
    assert departures(Exposure(name="O", lamp="outdoor", band="300-400 nm")) == ()
    assert departures(Exposure(name="N", irradiance=0.4, band="340 nm")) == ()


def test_every_tolerance_and_withdrawal_of_a_lamp_has_a_source() -> None:
    for lamp in lamps():
        assert bool(lamp.tolerance) == bool(lamp.tolerance_source)
        assert bool(lamp.withdrawals) == bool(lamp.practice)
        if lamp.withdrawals:
            assert planned_withdrawals(lamp.withdrawals, lamp=lamp.name)


def test_a_planned_dose_is_turned_into_hours_by_the_lit_share() -> None:
    ((hours, _),) = planned_withdrawals(["1068 kJ/m^2/nm"], lamp="fluorescent-uva-340")
    assert hours == pytest.approx(1068 / (0.89 * 3.6) * 1.5, abs=0.06)
    (hours, _), = planned_withdrawals(["630 kJ/m^2/nm"], lamp="xenon-daylight",
                                      irradiance="0.7 W/m^2/nm")  # fmt: skip
    assert hours == 250


def test_every_bad_withdrawal_is_told_at_once() -> None:
    with pytest.raises(ValueError) as caught:
        planned_withdrawals(["50 MJ/m^2", "soon", "-3 h", "150 h"], lamp="xenon-daylight")
    assert all(word in str(caught.value) for word in ("50 MJ/m^2", "soon", "below 0"))
