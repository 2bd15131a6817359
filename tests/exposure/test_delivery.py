"""Lamp hours become dose and specimen temperature."""

from __future__ import annotations

import numpy
import pytest

from durability.exposure import delivery, hours_of_dose, lamps, read_lamp
from durability.study.model import Exposure, Segment

XENON = Exposure(name="X1", lamp="xenon-daylight", irradiance=0.35, band="340 nm")


def test_dark_phases_count_as_hours_and_bring_no_dose() -> None:
    cycle = (Segment(minutes=480, light=True), Segment(minutes=240, light=False))
    lit = delivery(Exposure(name="U", irradiance=0.9, band="340 nm"))
    part = delivery(Exposure(name="U", irradiance=0.9, band="340 nm", cycle=cycle))
    assert lit is not None and part is not None
    assert part.dose_per_hour == pytest.approx(2 / 3 * lit.dose_per_hour)
    assert part.dose_per_light_hour == pytest.approx(lit.dose_per_hour)
    assert part.light_fraction == pytest.approx(2 / 3)


def test_a_dose_in_an_interval_is_in_megajoules() -> None:
    found = delivery(Exposure(name="U", irradiance=50.0, band="300-400 nm"))
    assert found is not None
    assert float(found.dose(1000.0)) == pytest.approx(180.0)
    assert found.dose_unit == "MJ/m² in 300-400 nm"


def test_hours_of_dose_inverts_dose() -> None:
    found = delivery(XENON)
    assert found is not None
    hours = numpy.array([[0.0, 150.0], [300.0, 500.0]])
    numpy.testing.assert_allclose(hours_of_dose(XENON, found.dose(hours)), hours)


def test_hours_of_dose_are_unknown_on_an_axis_of_its_own() -> None:
    assert numpy.isnan(hours_of_dose(Exposure(name="A", axis="AFU"), [1.0, 2.0])).all()
    numpy.testing.assert_allclose(hours_of_dose(Exposure(name="A", axis="h"), [3.0]), [3.0])


@pytest.mark.parametrize(
    "exposure",
    [
        Exposure(name="A", axis="cycles"),
        Exposure(name="O", lamp="outdoor", band="300-400 nm"),
        Exposure(name="N", band="340 nm"),
    ],
    ids=["own axis", "open sky", "no irradiance"],
)
def test_what_cannot_be_turned_into_dose_has_no_delivery(exposure: Exposure) -> None:
    assert delivery(exposure) is None


def test_the_study_speaks_before_the_lamp_file() -> None:
    own = Exposure(
        name="X", lamp="xenon-daylight", irradiance=0.55, band="340 nm", irradiance_uncertainty=0.02
    )
    found, silent = delivery(own), delivery(Exposure(name="X", lamp="xenon-daylight"))
    assert found is not None and silent is not None
    assert found.irradiance == 0.55 and found.log_sd == 0.02
    assert silent.irradiance == 0.35 and silent.log_sd == 0.05


def test_a_lamp_set_point_is_not_taken_for_another_band() -> None:
    assert delivery(Exposure(name="X", lamp="xenon-daylight", band="300-400 nm")) is None


def test_a_specimen_is_cooler_than_the_black_panel_and_warmer_than_the_air() -> None:
    cycle = (Segment(minutes=60, light=True, black_panel=65.0, air=40.0),)
    found = delivery(
        Exposure(name="X", lamp="xenon-daylight", irradiance=0.35, band="340 nm", cycle=cycle)
    )
    assert found is not None
    assert 40 < found.temperature < 65
    share = read_lamp("xenon-daylight").temperature["panel_share"].value
    assert found.temperature == pytest.approx(40 + share * 25)
    assert found.notes == ()


def test_an_assumed_specimen_temperature_is_said_and_uncertain() -> None:
    stated = Segment(minutes=60, light=True, black_panel=65.0, air=40.0)
    half = Segment(minutes=60, light=True, black_panel=65.0)
    nothing = Segment(minutes=60, light=True)
    found = [
        delivery(Exposure(name="X", irradiance=0.35, band="340 nm", cycle=(s,)))
        for s in (stated, half, nothing)
    ]
    spread = [d.temperature_sd for d in found if d is not None]
    assert len(spread) == 3
    assert spread[2] >= 10 > spread[0]
    named = [[n.name for n in d.notes] for d in found if d is not None]
    assert named == [[], ["specimen_temperature_assumed"], ["specimen_temperature_assumed"]]


def test_shares_of_the_lit_phases_add_up_and_give_the_mean_temperature() -> None:
    for lamp in lamps():
        found = delivery(
            Exposure(name="X", lamp=lamp.name, irradiance=lamp.irradiance, band=lamp.band)
        )
        assert found is not None
        assert sum(w for w, _ in found.phases) == pytest.approx(1)
        assert sum(w * t for w, t in found.phases) == pytest.approx(found.temperature)
        assert 20 < found.temperature < 80 and found.temperature_sd > 0


def test_a_lamp_that_reaches_below_the_solar_cut_on_says_so() -> None:
    found = {
        lamp.name: delivery(
            Exposure(name="X", lamp=lamp.name, irradiance=lamp.irradiance, band=lamp.band)
        )
        for lamp in lamps()
    }
    flagged = [name for name, d in found.items() if d and d.reaches_below_solar_cut_on]
    assert flagged == ["fluorescent-uvb-313"]


def test_an_unknown_lamp_is_named_with_a_near_spelling() -> None:
    with pytest.raises(LookupError, match="xenon-daylight"):
        read_lamp("xenon-daylite")


def test_delivery_shows_rate_and_temperature() -> None:
    assert "1.26 kJ/(m² nm) at 340 nm a clock hour" in repr(delivery(XENON))
    assert "0.35 W/(m² nm) at 340 nm" in repr(read_lamp("xenon-daylight"))
