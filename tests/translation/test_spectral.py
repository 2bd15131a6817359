"""Days by an action spectrum, and what is unexplained taken apart, against plain sums."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import xarray

from durability.exposure import Assumption, read_site, sky_exposure
from durability.exposure.action import Action
from durability.exposure.lamp_light import read_lamp_light
from durability.exposure.sky import sky_spectrum
from durability.study.model import Exposure, Material, Question, Segment
from durability.translation import TranslationRefused, translate
from durability.translation.groups import grouped, ungrouped
from durability.translation.inputs import read_inputs, split_unexplained
from durability.translation.reading import sky_clocks


@pytest.fixture
def spectral_fit(fit_of):
    """A fit whose material has an action spectrum, under a named lamp."""

    def make(tau, spectrum="xenon-daylight", action="exponential", **question):
        lamp = Exposure(
            name="X1", irradiance=0.35, band="340 nm", irradiance_uncertainty=0.0,
            cycle=(
                Segment(minutes=60, light=True, black_panel=65.0, air=40.0),
                *([Segment(minutes=20, light=True, spray=True, black_panel=65.0, air=40.0)]
                  if question.get("wetness") else []),
            ),
            dose_unit="kJ/(m² nm) at 340 nm", spectrum=spectrum,
        )  # fmt: skip
        fit = fit_of(tau, lamp)
        materials = {"A": Material(name="A", polymer="polypropylene", action_spectrum=action)}
        fit.study = replace(fit.study, materials=materials, question=Question(**question))
        return fit

    return make


def test_days_by_an_action_spectrum_agree_with_spectra_summed_hour_by_hour(
    spectral_fit, plain_days
):
    fit = spectral_fit(np.full(40, 500.0))
    fit.exponent = np.full(40, 0.9)
    clocks, _, _ = sky_clocks(fit, site="phoenix", draws=40, seed=5)
    clock = clocks["A"]
    days = clock.days(np.full((40, 1), 500.0), np.full((40, 1), 1500.0))[:, 0, 0]
    light, sky = sky_spectrum(read_site("phoenix")), sky_exposure(read_site("phoenix"))
    x = np.arange(300.0, 400.25, 0.5)
    lamp = read_lamp_light("xenon-daylight")
    for d in (0, 17, 39):
        link = {n: float(v[d]) for n, v in clock.links.items()}
        damage = np.exp(-link["action_slope"] * (x - 340)) * np.where(
            x < 315, link["short_wave_factor"], 1.0
        )
        hats = np.array([np.interp(x, light["wavelength"].values, e) for e in np.eye(16)])
        weight = np.full(x.size, 0.5)
        weight[[0, -1]] = 0.25
        effective = light.values @ (hats @ (damage * weight))
        m = np.exp(lamp.log_effectiveness(Action(title="even"), band="340 nm",
                   slope=link["action_slope"], bluer=link["lamp_spectrum"])).item()  # fmt: skip
        clear = sky["log_clearness"].values * (link["cloud_power"] - 0.8)
        same = effective / m * np.exp(clear) * link["uv_factor"] * link["year_to_year"]
        rate = 3.6 * (same / (0.35 * link["lamp_dose"])) ** 0.9 * 0.35 * link["lamp_dose"]
        target = 500.0 * link["lamp_dose"] * link["lab_to_sky"]
        assert days[d] == pytest.approx(plain_days(rate, target, 1500.0), rel=2e-3)


def test_lamps_with_other_spectra_give_other_days_by_the_ratio_of_what_they_do(
    spectral_fit, tmp_path
):
    """With p = 1 and Ea = 0 days to a dose read off a smooth year go as the lamp's effectiveness;
    here the effective dose is compared, which is exact."""
    two = {}
    for name in ("xenon-daylight", "fluorescent-uva-340"):
        clocks, _, _ = sky_clocks(spectral_fit(np.ones(200), spectrum=name), site="miami",
                                  draws=200, seed=2)  # fmt: skip
        links = dict(clocks["A"].links) | {"lamp_spectrum": np.zeros(200)}
        read = clocks["A"].with_links(**links)
        two[name] = (read.lamp_dose([(0.0, 8760.0)])[:, 0], links["action_slope"])
    np.testing.assert_array_equal(two["xenon-daylight"][1], two["fluorescent-uva-340"][1])
    slope = two["xenon-daylight"][1]
    expected = [
        read_lamp_light(n).log_effectiveness(Action(title="even"), band="340 nm", slope=slope)
        for n in two
    ]
    got = np.log(two["xenon-daylight"][0] / two["fluorescent-uva-340"][0])
    np.testing.assert_allclose(got, expected[1] - expected[0], atol=1e-9)


def test_the_limits_of_a_lamps_shares_are_an_uncertainty_of_its_days(spectral_fit):
    """Drawn for each draw; one standard deviation bluer, the lamp's dose does more by the ratio of
    its three curves (with p = 1 and Ea = 0)."""
    clocks, _, _ = sky_clocks(spectral_fit(np.ones(400)), site="miami", draws=400, seed=2)
    clock = clocks["A"]
    drawn = clock.links["lamp_spectrum"]
    assert abs(drawn.mean()) < 0.2 and 0.9 < drawn.std() < 1.1
    slope = clock.links["action_slope"]
    lamp = read_lamp_light("xenon-daylight")
    doses, expected = [], []
    for bluer in (-1.0, 1.0):
        read = clock.with_links(lamp_spectrum=np.full(400, bluer))
        doses.append(np.log(read.lamp_dose([(0.0, 8760.0)])[:, 0]))
        expected.append(
            lamp.log_effectiveness(Action(title="even"), band="340 nm", slope=slope, bluer=bluer)
        )
    np.testing.assert_allclose(doses[0] - doses[1], expected[1] - expected[0], atol=1e-9)
    assert np.median(expected[1] - expected[0]) > 0.03


def test_a_lamp_of_unknown_spectrum_is_not_read_by_an_action_spectrum(spectral_fit):
    with pytest.raises(TranslationRefused, match="lies over wavelength"):
        translate(spectral_fit(np.ones(200), spectrum=None), site="miami")


def test_a_steep_action_spectrum_is_flagged_with_its_share_below_315_nm(spectral_fit, tmp_path):
    rows = "".join(f"{x},{np.exp(-0.12 * (x - 340))}\n" for x in range(290, 401, 5))
    (tmp_path / "steep.csv").write_text("wavelength,response\n" + rows, encoding="utf-8")
    fit = spectral_fit(np.full(200, 500.0), action="steep.csv")
    fit.study = replace(fit.study, folder=tmp_path)
    (said,) = [c for c in translate(fit, site="miami").cautions if c.name == "short_wave_action"]
    share = float(said.text.split(" %")[0])
    assert 20 < share < 90
    mild = translate(spectral_fit(np.full(200, 500.0)), site="miami")
    assert "short_wave_action" not in {c.name for c in mild.cautions}


def test_spectrum_and_moisture_have_lines_in_the_budget_with_and_without_models(spectral_fit):
    tau = np.exp(6 + 0.1 * np.random.default_rng(1).normal(size=2000))
    for action, wetness in ((None, False), ("exponential", True)):
        fit = spectral_fit(tau, action=action, wetness=wetness)
        made = translate(fit, site="miami", of="mean")
        share = made.budget["share"].sel(material="A", laying="any day of the year")
        assert float(share.sel(input="spectrum")) > 0.01
        assert float(share.sel(input="moisture")) > 0.001
        names = {a.name for a in made.inputs}
        assert ("action_slope" in names) == (action is not None)
        assert ("spectrum_mismatch" in names) == (action is None)
        assert ("wetness_factor" in names) == wetness
        assert ("wetness_modelled" in made.assumptions) == wetness


def test_parts_of_what_is_unexplained_are_independent_and_multiply_to_it():
    inputs = read_inputs()
    total = inputs["lab_to_sky"].draws(60_000, np.random.default_rng(1))
    found = split_unexplained(total, inputs, material="A", modelled=(), seed=3)
    np.testing.assert_array_equal(found["lab_to_sky"], total)
    parts = grouped(found)
    assert parts["spectrum"].std() == pytest.approx(0.2, rel=0.02)
    assert parts["moisture"].std() == pytest.approx(0.15, rel=0.02)
    rest = np.sqrt(0.4**2 - 0.2**2 - 0.15**2)
    assert parts["lab_to_sky"].std() == pytest.approx(rest, rel=0.02)
    assert np.abs(np.corrcoef(list(parts.values())) - np.eye(3)).max() < 0.02
    again = ungrouped(parts, found)
    np.testing.assert_allclose(again["lab_to_sky"], total, rtol=1e-12)
    less = split_unexplained(total, inputs, material="A", modelled=("spectrum",), seed=3)
    assert np.log(less["lab_to_sky"]).std() == pytest.approx(np.hypot(rest, 0.15), rel=0.02)
    assert "spectrum_mismatch" not in less


def test_the_rest_stays_within_the_range_that_a_laboratory_study_carries():
    """lab_to_sky: standard deviation of the logarithm 0.3 to 0.5."""
    inputs = read_inputs()
    spread = inputs["lab_to_sky"]
    parts = [inputs[n].log_sd for n in ("spectrum_mismatch", "moisture_mismatch")]
    assert spread.low is not None
    assert spread.log_sd is not None
    rest = np.sqrt(spread.log_sd**2 - sum(s**2 for s in parts))  # type: ignore[operator]
    assert rest >= spread.low


def test_parts_larger_than_the_whole_are_cut_to_it():
    inputs = read_inputs() | {"lab_to_sky": Assumption(name="lab_to_sky", value=1.0, log_sd=0.1)}
    total = inputs["lab_to_sky"].draws(20_000, np.random.default_rng(1))
    parts = grouped(split_unexplained(total, inputs, material="A", modelled=(), seed=3))
    assert np.hypot(parts["spectrum"].std(), parts["moisture"].std()) < 0.102
    assert parts["lab_to_sky"].std() < 0.002


def test_fabric_that_is_always_wet_lasts_as_long_as_the_factor_and_the_spray_say(
    fit_of, under, even_sky, certain_inputs, lamp
):
    """Rate twice as high while wet: half the days, but for the spray under the lamp, whose dose
    then counts (1 + share) times (arithmetic)."""
    rain = np.full(8760, 1.0)
    certain_inputs["wetness_factor"] = Assumption(name="wetness_factor", value=2.0, log_sd=0.0)
    site = under(even_sky, certain_inputs)
    site = replace(site, hourly=site.hourly.assign(rain=("time", rain)))
    wet_lamp = replace(lamp, cycle=(
        *lamp.cycle, Segment(minutes=20, light=True, spray=True, black_panel=65.0, air=40.0)
    ))  # fmt: skip
    for exposure, share in ((lamp, 0.0), (wet_lamp, 0.25)):
        fit = fit_of([302.4], exposure)
        fit.study = replace(fit.study, question=Question(wetness=True))
        made = translate(fit, site=site, of="mean")
        np.testing.assert_allclose(made.days.values, 10.0 / 2 * (1 + share), rtol=1e-9)
        assert {c.name for c in made.cautions} >= {"wetness_in_part"}


def test_a_site_that_tells_neither_rain_nor_humidity_cannot_count_wetness(
    fit_of, under, even_sky, certain_inputs
):
    fit = fit_of([302.4])
    fit.study = replace(fit.study, question=Question(wetness=True))
    site = under(even_sky, certain_inputs)
    site = replace(site, hourly=site.hourly.assign(ghi=("time", np.ones(8760))))
    with pytest.raises(ValueError, match="neither rain nor humidity"):
        translate(fit, site=site)


def test_a_map_by_an_action_spectrum_is_near_its_site(spectral_fit):
    """The short cut holds the redder light of a low sun at its median over the draws."""
    from durability.translation.days_map import days_map

    place = read_site("phoenix")
    shift = int(-place.utc_offset)  # a site's year begins in local time, a grid's in UTC
    grid = xarray.Dataset(
        {
            n: (
                ("latitude", "longitude", "time"),
                np.roll(place.hourly[n].values, shift)[None, None],
            )
            for n in ("ghi", "temp_air", "wind_speed")
        },
        coords={"latitude": [place.latitude], "longitude": [place.longitude]},
    )
    rng = np.random.default_rng(3)
    for action in (None, "exponential"):
        fit = spectral_fit(900 * np.exp(0.2 * rng.standard_normal(400)), action=action)
        found = days_map(fit, grid, of="mean", draws=400)["days"].values.ravel()
        days = translate(fit, site="phoenix", of="mean").draws("A", "machine", "mean", 0.5).values
        assert abs(np.median(found / np.median(days, axis=1)) - 1) < 0.06


def test_what_strips_in_the_open_have_taught_is_not_counted_a_second_time(
    spectral_fit, monkeypatch
):
    """The learned factor between lamp and sky holds spectrum and moisture already."""
    from durability.translation import reading

    fit = spectral_fit(np.full(200, 500.0), wetness=True)
    monkeypatch.setattr(reading, "learned_links", lambda *a, **k: {"lab_to_sky": np.ones(200)})
    clocks, _, _ = sky_clocks(fit, site="miami", draws=200, seed=1)
    clock = clocks["A"]
    assert clock.spectral is None
    assert clock.year.wet is None
    assert not {"spectrum_mismatch", "moisture_mismatch", "wetness_factor"} & set(clock.links)
    assert [c.name for c in clock.cautions] == ["taught_by_strips"] * 2
