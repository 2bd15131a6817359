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
