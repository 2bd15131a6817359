"""A dose changes its control band only through a named spectrum, with its uncertainty."""

from __future__ import annotations

from pathlib import Path

import pytest

from durability import catalogue
from durability.exposure import convert_dose, lamps, read_spectrum, spectra
from durability.study.problem import StudyError


def test_there_and_back_is_the_same_dose() -> None:
    there = convert_dose(630.0, band="340 nm", into="300-400 nm", spectrum="xenon-daylight")
    back = convert_dose(there.dose, band="300-400 nm", into="340 nm", spectrum="xenon-daylight")
    assert float(back.dose) == pytest.approx(630.0)
    assert there.log_sd == back.log_sd == pytest.approx(0.08)


def test_uncertainties_of_two_ratios_add() -> None:
    found = convert_dose(74.0, band="300-400 nm", into="300-800 nm", spectrum="xenon-daylight")
    assert found.log_sd == pytest.approx((0.08**2 + 0.10**2) ** 0.5)


def test_xenon_and_fluorescent_light_are_converted_by_different_ratios() -> None:
    xenon = convert_dose(1.0, band="340 nm", into="300-400 nm", spectrum="xenon-daylight")
    uva = convert_dose(1.0, band="340 nm", into="300-400 nm", spectrum="fluorescent-uva-340")
    assert xenon.factor / uva.factor > 2


@pytest.mark.parametrize(
    ("band", "spectrum"),
    [
        ("420 nm", "fluorescent-uva-340"),
        ("300-800 nm", "fluorescent-uva-340"),
        ("340 nm", "xenon-window"),
        ("300-400 nm", "fluorescent-uvb-313"),
    ],
)
def test_a_band_of_which_a_spectrum_says_nothing_is_refused(band: str, spectrum: str) -> None:
    reference = read_spectrum(spectrum).reference
    with pytest.raises(ValueError, match=f"says nothing of {band}"):
        convert_dose(1.0, band=reference, into=band, spectrum=spectrum)


def test_the_same_band_is_not_converted() -> None:
    found = convert_dose(5.0, band="340 nm", into="340 nm", spectrum="sun")
    assert float(found.dose) == 5.0 and found.log_sd == 0.0


def test_a_measured_spectrum_is_integrated(tmp_path: Path) -> None:
    file = tmp_path / "lamp.csv"
    file.write_text("wavelength [nm],irradiance [W/m^2/nm]\n300,0\n340,0.4\n400,1.0\n")
    found = convert_dose(1.0, band="340 nm", into="300-400 nm", spectrum=file)
    area = 0.5 * 40 * 0.4 + 0.5 * 60 * 1.4
    assert found.factor == pytest.approx(area / 0.4 / 1000)
    assert found.log_sd > 0


def test_every_fault_of_a_measured_spectrum_is_told_at_once(tmp_path: Path) -> None:
    file = tmp_path / "lamp.csv"
    file.write_text("wavelength,irradiance\n300,0.1\n290,0.2\n310,x\n320,-1\n330,inf\n")
    with pytest.raises(StudyError) as caught:
        read_spectrum(file)
    assert [p.row for p in caught.value.problems] == [3, 4, 5, 6]


@pytest.mark.parametrize("text", ["", "wavelength\n300\n", "a,b\n1,2\n", "wavelength,irradiance\n"])
def test_a_file_that_is_no_spectrum_is_refused(tmp_path: Path, text: str) -> None:
    file = tmp_path / "lamp.csv"
    file.write_text(text)
    with pytest.raises(StudyError):
        read_spectrum(file)


def test_every_lamp_names_a_spectrum_that_knows_its_control_band() -> None:
    for lamp in lamps():
        assert lamp.spectrum in spectra()
        if lamp.band == "340 nm" or "-" in lamp.band:
            assert read_spectrum(lamp.spectrum or "").ratio(lamp.band)


def test_every_ratio_has_a_spread_and_a_source() -> None:
    for name in spectra():
        table = catalogue.read("spectra", name)
        for entry in [*table["bands"].values(), *([table["spread"]] if "spread" in table else [])]:
            assert entry["log_sd"] > 0 and entry["source"].strip() and entry["why"].strip()
        assert table["name"] == name
