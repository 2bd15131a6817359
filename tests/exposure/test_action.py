"""Lamp and sky are weighted by one action spectrum; what a table lacks is told."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from durability import catalogue
from durability.exposure import material_assumptions, read_site
from durability.exposure.action import Action, read_action
from durability.exposure.lamp_light import SHARES, read_lamp_light, shaped
from durability.exposure.sky import sky_exposure, sky_spectrum
from durability.exposure.sky_spectrum import CLOSE, spectral_patterns
from durability.study.model import Material
from durability.study.problem import StudyError

FLAT = Action(title="all alike")


@pytest.mark.parametrize(
    ("name", "ratio", "log_sd"),
    [("xenon-daylight", 118.0, 0.08), ("fluorescent-uva-340", 54.0, 0.05)],
)
def test_a_lamp_built_from_shares_has_the_ratio_of_control_bands_stated_apart(name, ratio, log_sd):
    """Shares in 290-400 nm and the ratio 300-400 nm over 340 nm are both from memory, of different
    documents; neither was fitted to the other."""
    light = read_lamp_light(name)
    found = light.in_band("300-400 nm") / light.in_band("340 nm")
    assert abs(np.log(found[1] / ratio)) < log_sd


def test_shares_hold_exactly_and_the_limits_make_a_lamp_redder_and_bluer():
    x = np.arange(290.0, 400.25, 0.5)
    curve = shaped(x, np.ones_like(x), 0.08, 0.6)
    part = np.trapezoid(curve[x <= 320], x[x <= 320])
    assert part / np.trapezoid(curve, x) == pytest.approx(0.08, rel=1e-6)
    light = read_lamp_light("xenon-daylight")
    stated = catalogue.read("spectra", "xenon-daylight")["shares"]
    for z, row in zip((-1, 0, 1), light.irradiance, strict=True):
        edges = [(290, 320), (320, 360)]
        for band, (low, high) in zip(SHARES, edges, strict=True):
            inside = (light.wavelength >= low) & (light.wavelength <= high)
            share = np.trapezoid(row[inside], light.wavelength[inside])
            expected = stated[band]["value"] + z * stated[band]["sd"]
            assert share == pytest.approx(expected, rel=1e-6)


def test_a_bluer_lamp_does_more_for_the_same_dose_and_the_more_so_the_steeper_the_action():
    light = read_lamp_light("xenon-daylight")
    gain = [
        np.diff(light.log_effectiveness(FLAT, band="300-400 nm", slope=[b, b], bluer=[-1.0, 1.0]))
        for b in (0.0, 0.04, 0.08)
    ]
    assert abs(gain[0]) < 0.02  # only light below 300 nm
    assert gain[0] < gain[1] < gain[2]


def test_the_effectiveness_of_a_lamp_is_the_integral_worked_out_plainly():
    light = read_lamp_light("fluorescent-uva-340")
    x, e = light.wavelength, light.irradiance[1]
    by_hand = np.trapezoid(e * np.exp(-0.06 * (x - 340)), x) / (
        np.trapezoid(e[(x >= 335) & (x <= 345)], x[(x >= 335) & (x <= 345)]) / 10
    )
    found = light.log_effectiveness(FLAT, band="340 nm", slope=0.06)
    assert np.exp(found).item() == pytest.approx(by_hand, rel=1e-9)


def table(folder: Path, name: str, text: str) -> Path:
    file = folder / name
    file.write_text(text, encoding="utf-8")
    return file


def test_a_lamp_spectrum_without_ultraviolet_is_refused(tmp_path):
    file = table(tmp_path, "red.csv", "wavelength [nm],irradiance\n420,0.3\n700,1.0\n")
    with pytest.raises(StudyError) as raised:
        read_lamp_light(file)
    (problem,) = raised.value.problems
    assert problem.expected == "a lamp that sends ultraviolet"
    assert "420 to 700 nm" in problem.found


def test_a_lamp_spectrum_that_begins_too_late_is_refused(tmp_path):
    file = table(tmp_path, "half.csv", "wavelength,irradiance\n330,0.3\n400,1.0\n")
    with pytest.raises(StudyError, match="300 nm or below to 400 nm"):
        read_lamp_light(file)


def test_a_lamp_of_which_only_ratios_are_known_is_refused_with_what_mends_it():
    with pytest.raises(ValueError, match=r"spectrum = \"FILE.csv\""):
        read_lamp_light("xenon-window")


def test_a_users_action_spectrum_is_read_and_its_faults_are_told_at_once(tmp_path):
    good = "wavelength [nm],response\n280,5\n300,4\n340,1\n400,0\n"
    table(tmp_path, "own.csv", good)
    found = read_action(Material(name="A", action_spectrum="own.csv"), tmp_path)
    assert found is not None
    np.testing.assert_allclose(found.weights([290.0, 320.0, 420.0], [0.0]), [[4.5, 2.5, 0.0]])
    assert found.slope.value == 0.0
    assert found.slope.sd == 0.01
    table(tmp_path, "bad.csv", "wavelength [nm],response\n300,-1\n290,x\n")
    with pytest.raises(StudyError) as raised:
        read_action(Material(name="A", action_spectrum="bad.csv"), tmp_path)
    assert [(p.row, p.column) for p in raised.value.problems] == [(2, "response"), (3, "response")]
    table(tmp_path, "late.csv", "wavelength [nm],response\n320,1\n400,1\n")
    with pytest.raises(StudyError, match="300 nm or below"):
        read_action(Material(name="A", action_spectrum="late.csv"), tmp_path)


def test_every_polymer_has_a_slope_within_the_range_in_use():
    """0.02-0.08 per nm (from memory)."""
    for name in catalogue.names("materials"):
        slope = material_assumptions(name)["action_slope"]
        assert 0.02 <= slope.value <= 0.08
        assert 0.3 <= 2 * slope.sd / slope.value <= 1.0  # type: ignore[operator]


@pytest.fixture(scope="module")
def valley_light():
    site = read_site("po-valley")
    light, sky = sky_spectrum(site, tilt=30.0), sky_exposure(site, tilt=30.0)
    lit = np.flatnonzero(sky["e340"].values > 0)
    return light["wavelength"].values, light.values[lit], {
        n: sky[n].values[lit] for n in ("e340", "uv_300_400")
    }  # fmt: skip


def test_the_spectra_of_the_hours_hold_the_irradiance_of_the_bands(valley_light):
    wavelength, light, band = valley_light
    np.testing.assert_allclose(
        np.trapezoid(light, wavelength, axis=1), band["uv_300_400"], rtol=1e-9
    )


def test_patterns_give_every_hour_and_draw_as_direct_integration_does(valley_light):
    wavelength, light, band = valley_light
    rng = np.random.default_rng(3)
    slope, short = rng.uniform(0.01, 0.09, 40), rng.uniform(1.05, 1.5, 40)
    found = spectral_patterns(wavelength, light, band["e340"], FLAT, slope=slope, short_wave=short)
    assert found.rows.shape[0] <= 4
    log_m = found.level[:, None] + found.weights @ found.rows
    x = np.arange(300.0, 400.25, 0.5)
    for hour in range(0, len(light), 397):
        e = np.interp(x, wavelength, light[hour])
        for d in range(0, 40, 13):
            y = e * np.exp(-slope[d] * (x - 340))
            split = x == 315
            whole = short[d] * np.trapezoid(y[x <= 315], x[x <= 315])
            whole += np.trapezoid(y[x >= 315], x[x >= 315])
            assert split.sum() == 1
            assert abs(log_m[d, hour] - np.log(whole / band["e340"][hour])) < 2 * CLOSE


def test_a_low_sun_is_redder_so_it_does_less_for_the_same_band(valley_light):
    wavelength, light, band = valley_light
    found = spectral_patterns(
        wavelength, light, band["uv_300_400"], FLAT, slope=[0.06], short_wave=[1.25]
    )
    log_m = found.level[:, None] + found.weights @ found.rows
    high = band["uv_300_400"] > np.quantile(band["uv_300_400"], 0.9)
    low = band["uv_300_400"] < np.quantile(band["uv_300_400"], 0.3)
    assert log_m[0, low].mean() < log_m[0, high].mean() - 0.1


def test_steep_action_spectra_have_much_of_their_dose_below_315_nm(valley_light):
    wavelength, light, band = valley_light
    share = [
        spectral_patterns(
            wavelength, light, band["e340"], FLAT, slope=[b], short_wave=[1.25]
        ).short_share
        for b in (0.02, 0.05, 0.09)
    ]
    assert share[0] < 0.05
    assert share[2] > 0.2
