"""The links are drawn with the spread that their files and the lamp state."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from durability.translation.inputs import SHARED, draw_links, draw_shared, read_inputs, stream
from durability.translation.lamp import lamp_clock

DRAWS = 20_000


def links_of(fit, material, clock, seed=3):
    inputs = read_inputs()
    return draw_links(
        fit, material, clock, lab_to_sky=inputs["lab_to_sky"],
        shared=draw_shared(inputs, draws=DRAWS, seed=seed), draws=DRAWS, seed=seed,
    )  # fmt: skip


@pytest.fixture
def clock(lamp):
    return lamp_clock(replace(lamp, irradiance_uncertainty=0.07))


def test_lamp_and_sky_links_have_the_spread_stated(fit_of, clock):
    links = links_of(fit_of(np.ones(DRAWS)), "A", clock)
    inputs = read_inputs()
    assert np.std(np.log(links["lamp_dose"])) == pytest.approx(0.07, rel=0.02)
    assert np.median(links["lamp_dose"]) == pytest.approx(1, abs=0.003)
    assert np.std(links["lamp_temperature"]) == pytest.approx(clock.temperature_sd, rel=0.02)
    assert np.mean(links["lamp_temperature"]) == pytest.approx(0, abs=0.15)
    for name in ("lab_to_sky", "year_to_year"):
        assert np.std(np.log(links[name])) == pytest.approx(inputs[name].log_sd, rel=0.02)
    for name in ("cloud_power", "uv_factor"):
        assert np.median(links[name]) == pytest.approx(inputs[name].value, rel=0.01)


def test_materials_share_lamp_and_sky_but_not_what_is_unexplained(fit_of, clock):
    fit = fit_of(np.ones(DRAWS), materials=("A", "B"))
    a, b = links_of(fit, "A", clock), links_of(fit, "B", clock)
    for name in (*SHARED, "lamp_dose", "lamp_temperature"):
        np.testing.assert_array_equal(a[name], b[name])
    assert abs(np.corrcoef(np.log(a["lab_to_sky"]), np.log(b["lab_to_sky"]))[0, 1]) < 0.03


def test_links_are_independent_of_each_other(fit_of, clock):
    links = links_of(fit_of(np.ones(DRAWS)), "A", clock)
    drawn = [links[n] for n in (*SHARED, "lamp_dose", "lamp_temperature", "lab_to_sky")]
    off_diagonal = np.corrcoef(drawn) - np.eye(len(drawn))
    assert np.abs(off_diagonal).max() < 0.04


def test_streams_depend_on_seed_and_label_alone():
    again = stream(1, "uv_factor").uniform(size=3)
    np.testing.assert_array_equal(stream(1, "uv_factor").uniform(size=3), again)
    assert not np.array_equal(stream(2, "uv_factor").uniform(size=3), again)
    assert not np.array_equal(stream(1, "cloud_power").uniform(size=3), again)


def test_a_clock_of_another_length_is_refused(fit_of, clock):
    with pytest.raises(ValueError, match=r"reciprocity_exponent of A: expected 20000"):
        links_of(fit_of(np.ones(10)), "A", clock)


def test_hours_made_from_monthly_means_make_the_ultraviolet_less_certain():
    """0.08 and 1.08 · 0.1 together are 0.134 (arithmetic); hourly weather adds nothing."""
    from durability.exposure import read_site
    from durability.translation.inputs import for_site

    site, inputs = read_site("miami"), read_inputs()
    assert for_site(inputs, site, on_ground=False) == inputs
    assert set(for_site(inputs, site)) == {*inputs, "ground_contact"}
    vague = for_site(inputs, replace(site, uv_log_sd=0.1))["uv_factor"]
    assert vague.sd == pytest.approx(0.134, abs=0.001)
