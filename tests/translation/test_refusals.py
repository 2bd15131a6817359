"""Exposures that no sky can be compared with are refused, with what would mend it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from durability.study.model import Exposure, Segment
from durability.translation import TranslationRefused, translate
from durability.translation.lamp import lamp_clock, lamp_clocks, merged_phases

CYCLE = (Segment(minutes=60, light=True, black_panel=60.0),)
REFUSED = {
    "own axis": (Exposure(name="F", axis="AFU", dose_unit="AFU"), "'AFU'", "State the lamp"),
    "cycles": (Exposure(name="F", axis="cycles"), "'cycles'", "hours of each withdrawal"),
    "outdoors": (Exposure(name="O", lamp="outdoor", band="300-400 nm"), "outdoors", "laboratory"),
    "below the sun": (
        Exposure(name="B", lamp="fluorescent-uvb-313", irradiance=0.5, band="340 nm", cycle=CYCLE),
        "shortest wavelength of sunlight",
        "UVA-340",
    ),
    "window glass": (
        Exposure(name="W", lamp="xenon-window", irradiance=50.0, band="300-400 nm", cycle=CYCLE),
        "window-glass",
        "daylight filter",
    ),
    "other band": (
        Exposure(name="V", irradiance=1.1, band="420 nm", cycle=CYCLE),
        "420 nm",
        "340 nm, 300-400 nm",
    ),
    "no irradiance": (Exposure(name="N", band="340 nm"), "not known", "irradiance"),
}


@pytest.mark.parametrize("case", REFUSED)
def test_a_refusal_says_what_is_missing_and_what_mends_it(case, fit_of, under, even_sky):
    exposure, missing, mend = REFUSED[case]
    with pytest.raises(TranslationRefused) as caught:
        translate(fit_of([100.0], exposure), site=under(even_sky))
    assert exposure.name in str(caught.value)
    assert missing in str(caught.value)
    assert mend in str(caught.value)


def test_a_refusal_is_a_value_error():
    assert issubclass(TranslationRefused, ValueError)


def test_the_first_exposure_that_can_be_read_is_taken(fit_of, lamp):
    fit = fit_of([100.0], Exposure(name="F", axis="AFU"), lamp)
    clocks, left_out = lamp_clocks(fit)
    assert clocks["A"].exposure == "X1"
    assert left_out == {}
    with pytest.raises(TranslationRefused, match="AFU"):
        lamp_clocks(fit, "F")
    with pytest.raises(TranslationRefused, match="Known: F, X1"):
        lamp_clocks(fit, "X9")


def test_a_material_that_cannot_be_read_is_named_in_a_caution(
    fit_of, under, even_sky, certain_inputs, lamp
):
    fit = fit_of([100.0], Exposure(name="F", axis="AFU"), lamp, materials=("A", "B"))
    fit.exposures = lambda material: ("F",) if material == "B" else ("F", "X1")
    made = translate(fit, site=under(even_sky, certain_inputs))
    assert list(made.days.material.values) == ["A"]
    assert made.exposures == {"A": "X1"}
    (caution,) = made.cautions
    assert caution.name == "not_translated"
    assert caution.text.startswith("B is not read as days")


def test_uncertain_dose_and_temperature_of_the_lamp_come_from_the_study(lamp):
    assert lamp_clock(lamp).log_sd == 0.0
    assert lamp_clock(replace(lamp, irradiance_uncertainty=0.07)).log_sd == 0.07
    assert lamp_clock(lamp).temperature_sd > 0


def test_the_many_temperatures_of_a_record_are_merged_without_moving_the_rate():
    rng = np.random.default_rng(1)
    celsius = rng.normal(50, 4, 5000)
    weight = rng.uniform(size=5000)
    phases = tuple(zip((weight / weight.sum()).tolist(), celsius.tolist(), strict=True))
    merged = merged_phases(phases)
    assert len(merged) <= 32

    def rate(some):
        return sum(w * np.exp(-40 / (8.314462618e-3 * (t + 273.15))) for w, t in some)

    assert sum(w for w, _ in merged) == pytest.approx(1)
    assert rate(merged) == pytest.approx(rate(phases), rel=1e-3)
