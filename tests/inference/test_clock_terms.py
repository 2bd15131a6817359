"""Clock terms against closed forms, the direct hourly sum and the contract of the sampler."""

from __future__ import annotations

import dataclasses
import math
import re

import numpy as np
import pytest

from durability.inference.clock_terms import (
    clock_terms,
    expansion,
    material_clock,
    sky_parameters,
    specimen_warming,
)
from durability.study import read_study

GAS = 8.314462618e-3
STUDY = """\
[study]
title = "Lamp and roofs"
property = "strip tensile strength"
unit = "kN/m"
thresholds = [0.5]
invented = true
[data]
specimens = "specimens.csv"
[exposures.X1]
lamp = "LAMP"
irradiance = "0.35 W/m^2/nm"
irradiance_uncertainty = "4 %"
cycle = [{ minutes = 60, light = true, black_panel = "65 degC", air = "45 degC" }]
[exposures.X2]
lamp = "LAMP"
irradiance = "0.7 W/m^2/nm"
irradiance_uncertainty = "5 %"
cycle = [{ minutes = 60, light = true, black_panel = "55 degC", air = "35 degC" }]
[exposures.roof]
lamp = "outdoor"
site = "miami"
laid = 2031-05-14
[exposures.hill]
lamp = "outdoor"
site = "po-valley"
laid = 2031-11-20
slope = 45
[materials.A]
polymer = "polypropylene"
"""
ROWS = {"X1": (200, 500), "X2": (200,), "roof": (30, 90, 400), "hill": (30, 240)}


def study_of(folder, *exposures, lamp="xenon-daylight"):
    text = STUDY.replace("LAMP", lamp)
    if "uvb" in lamp:
        text = re.sub(r"irradiance = .*\n", "", text)
    (folder / "study.toml").write_text(text)
    rows = ["material,exposure,hours,dose,specimen,strength", "A,,0,,1,20"]
    for x in exposures:
        for t in ROWS[x]:
            place = f"{t}," if x.startswith("X") else f",{t}"
            rows.append(f"A,{x},{place},1,10")
    (folder / "specimens.csv").write_text("\n".join(rows) + "\n")
    return read_study(folder)


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    return study_of(tmp_path_factory.mktemp("whole"), "X1", "X2", "roof", "hill")


def test_one_exposure_has_nothing_uncertain(tmp_path):
    terms = clock_terms(study_of(tmp_path, "X1"), "A")
    assert terms.parameters == () and terms.linear.shape == (2, 0)
    np.testing.assert_allclose(np.exp(terms.constant), terms.dose)


def test_lamps_alone_bring_no_sky(tmp_path):
    terms = clock_terms(study_of(tmp_path, "X1", "X2"), "A")
    names = [c.label for c in terms.parameters]
    assert names == [
        "reciprocity_exponent[polypropylene]", "activation_energy[polypropylene]",
        "dose_calibration[X1]", "lamp_temperature[xenon-daylight]", "dose_calibration[X2]",
    ]  # fmt: skip


def test_every_exposure_and_dose_has_a_row_and_lamp_and_sky_share_a_family(whole):
    terms = clock_terms(whole, "A")
    days = [float(t) for x in ("roof", "hill") for t in ROWS[x]]
    doses = [0.35 * 3.6 * 200, 0.35 * 3.6 * 500, 0.7 * 3.6 * 200, *days]
    np.testing.assert_allclose(terms.dose, doses)
    assert terms.exposure.tolist() == ["X1", "X1", "X2", *["roof"] * 3, *["hill"] * 2]
    assert set(terms.family.values()) == {"kJ/(m² nm) at 340 nm"}
    k = len(terms.parameters)
    assert terms.linear.shape == (8, k) and terms.quadratic.shape == (8, k, k)
    np.testing.assert_array_equal(terms.quadratic, terms.quadratic.transpose(0, 2, 1))


def test_a_lamp_agrees_with_its_closed_form(whole):
    """Closed form written out here: power of irradiance, Arrhenius factor, one phase."""
    clock = material_clock(whole, "A")
    rng = np.random.default_rng(5)
    values = clock.prior_draws(50, rng)
    named = {c.label: values[:, i] for i, c in enumerate(clock.parameters)}
    p, ea = named["reciprocity_exponent[polypropylene]"], named["activation_energy[polypropylene]"]
    warmer = named["lamp_temperature[xenon-daylight]"]
    base, second = clock.lamps["X1"].temperature, clock.lamps["X2"].temperature
    assert base - second == pytest.approx(10)
    heat = 1 / (second + warmer + 273.15) - 1 / (base + 273.15)
    truth = (
        math.log(504) + p * named["dose_calibration[X2]"] + (p - 1) * math.log(2) - ea / GAS * heat
    )
    np.testing.assert_allclose(clock.log_dose("X2", np.array([504.0]), values)[:, 0], truth)


def test_the_quadratic_follows_the_hourly_sum_over_the_prior(whole):
    """Measured: at most 0.001 rms and 0.013 at worst, of a prior spread of 0.45 to 0.6; without
    the quadratic terms 0.06 rms."""
    clock = material_clock(whole, "A")
    values = clock.prior_draws(1000, np.random.default_rng(2))
    mean = np.array([c.mean for c in clock.parameters])
    z = (values - mean) / np.array([c.sd for c in clock.parameters])
    for exposure, days in (("X2", [504.0]), ("roof", [30.0, 400.0]), ("hill", [30.0, 240.0])):
        dose = np.array(days)
        direct = clock.log_dose(exposure, dose, values)
        constant, linear, quadratic = expansion(clock, exposure, dose)
        straight = constant + z @ linear.T
        curved = straight + np.einsum("ni,dij,nj->nd", z, quadratic, z) / 2
        assert np.sqrt(((curved - direct) ** 2).mean()) < 0.003
        assert np.abs(curved - direct).max() < 0.03
        if exposure != "X2":
            assert np.sqrt(((straight - direct) ** 2).mean()) > 0.03


def test_what_is_unexplained_acts_under_the_sky_alone_and_with_its_own_spread(whole):
    clock = material_clock(whole, "A")
    values = np.tile([c.mean for c in clock.parameters], (4, 1))
    at = {c.label: i for i, c in enumerate(clock.parameters)}
    values[1, at["lab_to_sky_of_material[A]"]] = 1.0
    values[2, at["lab_to_sky_at_site[miami]"]] = 1.0
    values[3] = values[1]
    values[3, at["lab_to_sky_spread[]"]] = 0.5
    lamp, sky = (clock.log_dose(x, np.array([30.0]), values)[:, 0] for x in ("X1", "roof"))
    np.testing.assert_allclose(lamp, lamp[0])
    np.testing.assert_allclose(sky - sky[0], [0, -0.4, -0.4, -0.5], atol=1e-12)
    hill = clock.log_dose("hill", np.array([30.0]), values)[:, 0]
    np.testing.assert_allclose(hill - hill[0], [0, -0.4, 0, -0.5], atol=1e-12)


def test_the_prior_of_the_discrepancy_is_as_wide_as_the_translation_has_it(whole):
    clock = material_clock(whole, "A")
    values = clock.prior_draws(20_000, np.random.default_rng(8))
    at = {c.label: values[:, i] for i, c in enumerate(clock.parameters)}
    log_s = at["lab_to_sky_spread[]"] * (
        at["lab_to_sky_of_material[A]"] + at["lab_to_sky_at_site[miami]"]
    )
    assert 0.38 < log_s.std() < 0.43


def test_monthly_means_make_a_site_less_certain_and_measured_years_more(whole):
    clock = material_clock(whole, "A").skies["roof"]
    monthly = dataclasses.replace(clock, uv_log_sd=0.1, air_temperature_sd=1.5)
    measured = dataclasses.replace(clock, measured=True)
    usual, wide, sure = (
        {c.name: c.sd for c in sky_parameters(x, "A")} for x in (clock, monthly, measured)
    )
    assert wide["air_temperature"] == 1.5 and "air_temperature" not in usual
    assert wide["log_uv_factor"] == pytest.approx(math.hypot(usual["log_uv_factor"], 0.1))
    assert "log_year" in usual and "log_year" not in sure


def test_strips_outdoors_keep_their_days_where_no_lamp_is_like_the_sun(tmp_path):
    study = study_of(tmp_path, "X1", "roof", lamp="fluorescent-uvb-313")
    terms = clock_terms(study, "A")
    assert terms.family["roof"] == "roof" and terms.parameters == ()
    np.testing.assert_allclose(terms.constant[-3:], np.log([30, 90, 400]))


def test_a_dose_measured_in_the_open_is_not_taken_for_one_under_the_lamp(whole):
    """Its temperature is not known, so it has a threshold dose of its own."""
    roof = dataclasses.replace(
        whole.exposures["roof"], site=None, laid=None, axis=None, band="340 nm",
        dose_unit="kJ/(m² nm) at 340 nm",
    )  # fmt: skip
    study = dataclasses.replace(whole, exposures={**whole.exposures, "roof": roof})
    terms = clock_terms(study, "A")
    assert terms.family["roof"] == "kJ/(m² nm) at 340 nm measured in the open"
    assert terms.family["hill"] == terms.family["X1"] == "kJ/(m² nm) at 340 nm"


def test_doses_of_rows_that_are_not_used_are_left_out(whole):
    rows = whole.rows.copy(deep=True)
    rows["used"] = rows["used"] & (rows["exposure"] != "hill")
    terms = clock_terms(dataclasses.replace(whole, rows=rows), "A")
    assert "hill" not in terms.exposure and "lab_to_sky_at_site[po-valley]" not in [
        c.label for c in terms.parameters
    ]


def test_warming_has_the_moments_of_its_two_factors():
    from durability.exposure import translation_assumptions

    book, rng = translation_assumptions(), np.random.default_rng(4)
    drawn = book["absorptance"].draws(200_000, rng) / 0.9
    drawn = drawn * book["temperature_rise_factor"].draws(200_000, rng)
    mean, sd, low, high = specimen_warming()
    assert mean == pytest.approx(drawn.mean(), abs=0.002) and low < high
    assert sd == pytest.approx(drawn.std(), abs=0.002)


COLOURED = STUDY.replace(
    'polymer = "polypropylene"', 'polymer = "polypropylene"\naction_spectrum = "exponential"'
).replace('lamp = "LAMP"\nirradiance = "0.7', 'lamp = "fluorescent-uva-340"\nirradiance = "0.7')


def coloured(folder, *exposures):
    """X1 under xenon with a daylight filter, X2 under a fluorescent lamp."""
    study_of(folder, *exposures)
    (folder / "study.toml").write_text(COLOURED.replace("LAMP", "xenon-daylight"))
    return read_study(folder)


@pytest.fixture(scope="module")
def two_lights(tmp_path_factory):
    return coloured(tmp_path_factory.mktemp("light"), "X1", "X2", "roof", "hill")


def labels(clock):
    return {c.label: i for i, c in enumerate(clock.parameters)}


def test_lamps_of_one_light_need_no_slope_and_lamps_of_two_do(tmp_path):
    one = study_of(tmp_path, "X1", "X2")
    names = set(labels(material_clock(one, "A")))
    assert not any(n.startswith(("action_slope", "lamp_spectrum")) for n in names)
    (tmp_path / "two").mkdir()
    names = set(labels(material_clock(coloured(tmp_path / "two", "X1", "X2"), "A")))
    assert names >= {
        "action_slope[polypropylene]", "lamp_spectrum[xenon-daylight]",
        "lamp_spectrum[fluorescent-uva-340]", "reciprocity_exponent[polypropylene]",
    }  # fmt: skip
    assert not any(n.startswith(("short_wave", "lab_to_sky")) for n in names)


def test_another_lamp_does_more_by_the_ratio_of_what_their_light_does(two_lights):
    """Written out here: the integral of spectrum times action spectrum over 290-400 nm, over the
    mean of 335-345 nm, for both lamps."""
    from durability.exposure.lamp_light import read_lamp_light

    clock = material_clock(two_lights, "A")
    at = labels(clock)
    values = np.tile([c.mean for c in clock.parameters], (3, 1))
    values[:, at["action_slope[polypropylene]"]] = 0.0, 0.03, 0.06
    p = values[0, at["reciprocity_exponent[polypropylene]"]]
    effect = []
    for name in ("fluorescent-uva-340", "xenon-daylight"):
        light = read_lamp_light(name)
        x, e = light.wavelength, light.irradiance[1]
        near = (x >= 335) & (x <= 345)
        control = np.trapezoid(e[near], x[near]) / 10
        effect.append([
            np.trapezoid(e * np.exp(-b * (x - 340)), x) / control for b in (0.0, 0.03, 0.06)
        ])  # fmt: skip
    found = clock.log_dose("X2", np.array([504.0]), values)[:, 0]
    expected = p * np.log(np.array(effect[0]) / effect[1])
    np.testing.assert_allclose(found - found[0], expected - expected[0], atol=1e-9)
    assert abs(expected[2] - expected[0]) > 0.3  # so lamps of two lights tell of the slope


def test_a_slope_moves_the_sky_as_spectra_summed_hour_by_hour(two_lights):
    """Plain sum over the lit hours of the roof's first 30 days, with all else at its mean."""
    clock = material_clock(two_lights, "A")
    at, sky = labels(clock), clock.skies["roof"]
    assert clock.light is not None and sky.wavelength is not None and sky.spectral is not None
    values = np.tile([c.mean for c in clock.parameters], (2, 1))
    values[:, at["action_slope[polypropylene]"]] = 0.02, 0.07
    found = clock.log_dose("roof", np.array([30.0]), values)[:, 0]
    p, ea, f, w = (
        values[0, at[n]]
        for n in ("reciprocity_exponent[polypropylene]", "activation_energy[polypropylene]",
                  "log_uv_factor[miami]", "specimen_warming[open air]")
    )  # fmt: skip
    x = np.arange(300.0, 400.25, 0.5)
    hats = np.array([np.interp(x, sky.wavelength, e) for e in np.eye(sky.wavelength.size)])
    weight = np.where((x == 300) | (x == 400), 0.25, 0.5)
    base = clock.lamps["X1"]
    inside = (sky.hour >= sky.laid_hour) & (sky.hour < sky.laid_hour + 720)
    kelvin = sky.air + w * sky.rise
    heat = np.exp(-ea / GAS * (1 / kelvin - 1 / (base.temperature + 273.15)))
    sums = []
    for b in (0.02, 0.07):
        damage = np.exp(-b * (x - 340)) * np.where(x < 315, 1.25, 1.0)
        effective = sky.spectral @ (hats @ (damage * weight))
        m = np.exp(clock.light.lamps["X1"].log_effectiveness(
            clock.light.action, band="340 nm", slope=b)).item()  # fmt: skip
        rate = 0.35 * (math.exp(f) * effective / m / 0.35) ** p * heat
        sums.append(math.log(3.6 * rate[inside].sum()))
    np.testing.assert_allclose(found, sums, atol=3e-3)


def test_the_quadratic_follows_the_hourly_sum_over_the_prior_of_the_slope_too(two_lights):
    """Measured: 0.009 rms under the sky, of 0.43 to 0.56; 0.014 between the lamps, of 0.15."""
    clock = material_clock(two_lights, "A")
    values = clock.prior_draws(600, np.random.default_rng(2))
    mean = np.array([c.mean for c in clock.parameters])
    z = (values - mean) / np.array([c.sd for c in clock.parameters])
    for exposure, days in (("X2", [504.0]), ("roof", [30.0, 400.0]), ("hill", [30.0, 240.0])):
        dose = np.array(days)
        direct = clock.log_dose(exposure, dose, values)
        constant, linear, quadratic = expansion(clock, exposure, dose)
        curved = constant + z @ linear.T + np.einsum("ni,dij,nj->nd", z, quadratic, z) / 2
        assert np.sqrt(((curved - direct) ** 2).mean()) < 0.02
        assert np.abs(curved - direct).max() < 0.2


def test_what_the_spectrum_explains_is_no_longer_unexplained(two_lights, whole):
    """0.4 without the spectrum's 0.2: 0.346 (arithmetic)."""
    spread = {c.label: c for c in material_clock(two_lights, "A").parameters}
    assert spread["lab_to_sky_spread[spectrum counted]"].mean == pytest.approx(0.3464, abs=1e-4)
    assert "lab_to_sky_spread[]" not in spread
    assert "lab_to_sky_spread[]" in labels(material_clock(whole, "A"))


def test_a_lamp_whose_light_is_not_known_is_named_with_what_mends_it(tmp_path):
    study = coloured(tmp_path, "X1", "roof")
    own = dataclasses.replace(study.exposures["X1"], lamp=None, spectrum=None)
    study = dataclasses.replace(study, exposures={**study.exposures, "X1": own})
    with pytest.raises(ValueError, match=r"X1 lies over wavelength.*spectrum = "):
        material_clock(study, "A")


def test_strips_that_lie_on_the_ground_are_warmed_by_its_contact_too(tmp_path):
    """Written out: ground contact of 1.6 does what 1.6 times the warming does on a rack."""
    study = study_of(tmp_path, "X1", "roof")
    text = (tmp_path / "study.toml").read_text()
    (tmp_path / "study.toml").write_text(
        text.replace("laid = 2031-05-14", "laid = 2031-05-14\non_ground = true")
    )
    rack, ground = (material_clock(x, "A") for x in (study, read_study(tmp_path)))
    assert "ground_contact[open air]" not in labels(rack)
    mean = np.array([c.mean for c in ground.parameters])[None]
    assert mean[0, labels(ground)["ground_contact[open air]"]] == 1.6
    found = ground.log_dose("roof", np.array([40.0]), mean)
    values = np.array([c.mean for c in rack.parameters])[None]
    plain = rack.log_dose("roof", np.array([40.0]), values)
    values[0, labels(rack)["specimen_warming[open air]"]] *= 1.6
    np.testing.assert_allclose(found, rack.log_dose("roof", np.array([40.0]), values))
    assert found[0, 0] > plain[0, 0] + 0.05
