"""Days from threshold doses: against arithmetic, a plain loop, and simulation with known truth."""

from __future__ import annotations

import numpy as np
import pytest

from durability.exposure import effective_rate, specimen_temperature
from durability.translation import EXPLANATIONS, explain, translate
from durability.translation.inputs import draw_links, draw_shared, read_inputs
from durability.translation.lamp import lamp_clock
from durability.translation.laying import laying_days, laying_hours
from durability.translation.reading import SkyClock
from durability.translation.sky import sky_year


def test_under_the_lamps_own_light_days_are_dose_divided_by_daily_dose(
    fit_of, under, even_sky, certain_inputs
):
    """0.35 W/(m² nm) all day is 0.35 · 3.6 · 24 = 30.24 kJ/(m² nm) a day (arithmetic)."""
    site = under(even_sky, certain_inputs)
    made = translate(fit_of([302.4, 604.8]), site=site, of="mean")
    assert made.days.dims == ("material", "direction", "of", "fraction", "month", "draw")
    assert made.days.shape == (1, 1, 1, 1, 12, 2)
    for month in range(1, 13):
        np.testing.assert_allclose(made.days.sel(month=month).values.ravel(), [10, 20], rtol=1e-12)


def test_a_broadband_dose_uses_the_broadband_sky(fit_of, under, even_sky, certain_inputs, lamp):
    """66 W/m² in 300-400 nm is twice the sky's 33: 33 · 0.0036 · 24 = 2.8512 MJ/m² a day."""
    from dataclasses import replace

    broad = replace(lamp, irradiance=66.0, band="300-400 nm")
    site = under(even_sky, certain_inputs)
    days = translate(fit_of([28.512], broad), site=site, of="mean").days
    np.testing.assert_allclose(days.values, 10.0, rtol=1e-12)


def test_half_the_lamps_irradiance_needs_less_dose_where_the_exponent_is_below_1(
    fit_of, under, even_sky, certain_inputs
):
    """p = 0.5 and a quarter of the irradiance: rate halves, not quarters (arithmetic)."""
    even_sky["e340"] = even_sky["e340"] / 4
    fit = fit_of([302.4])
    fit.exponent = np.array([0.5])
    days = translate(fit, site=under(even_sky, certain_inputs), of="mean").days
    np.testing.assert_allclose(days.values, 20.0, rtol=1e-12)


def test_a_fabric_as_warm_as_under_the_lamp_is_not_corrected_for_temperature(
    fit_of, under, even_sky, certain_inputs, lamp
):
    fit = fit_of([302.4])
    fit.energy = np.array([40.0])
    even_sky["temp_air"] = even_sky["temp_air"] * 0 + lamp_clock(lamp).phases[0][1]
    under(even_sky, certain_inputs)
    clock = lamp_clock(lamp)
    assert len(clock.phases) == 1
    links = draw_links(
        fit, "A", clock, lab_to_sky=certain_inputs["lab_to_sky"],
        shared=draw_shared(certain_inputs, draws=1, seed=1), draws=1, seed=1,
    )  # fmt: skip
    links["lamp_temperature"] = np.zeros(1)
    reading = SkyClock(
        material="A", lamp=clock, year=sky_year(even_sky, "e340"), links=links, cloud=0.8
    )
    days = reading.days(np.array([[302.4]]), np.array([[6.0]]))
    np.testing.assert_allclose(days, 10.0, rtol=1e-9)


def test_wet_and_dry_phases_of_the_lamp_count_by_their_mean_rate_not_mean_temperature(lamp):
    from durability.translation.lamp import LampClock

    clock = LampClock(
        exposure="X", variable="e340", per_hour=3.6, irradiance=0.35, log_sd=0.0,
        phases=((0.75, 60.0), (0.25, 30.0)), temperature_sd=0.0,
    )  # fmt: skip
    energy = np.array([30.0])
    rate = clock.arrhenius(energy, np.zeros(1))
    by_hand = sum(w * np.exp(-30 / (8.314462618e-3 * (t + 273.15))) for w, t in clock.phases)
    np.testing.assert_allclose(rate, by_hand, rtol=1e-12)


def test_every_link_enters_as_the_plain_formula_says(fit_of, sunny_year, lamp, plain_days):
    """One draw with every link off its centre, against `effective_rate` hour by hour."""
    fit = fit_of([500.0])
    fit.exponent, fit.energy = np.array([0.8]), np.array([35.0])
    clock = lamp_clock(lamp)
    links = {
        "reciprocity_exponent": fit.exponent, "activation_energy": fit.energy,
        "lamp_dose": np.array([1.1]), "lamp_temperature": np.array([3.0]),
        "lab_to_sky": np.array([0.7]), "uv_factor": np.array([1.15]),
        "cloud_power": np.array([0.9]), "absorptance": np.array([0.5]),
        "temperature_rise_factor": np.array([0.8]), "year_to_year": np.array([0.95]),
    }  # fmt: skip
    reading = SkyClock(
        material="A", lamp=clock, year=sky_year(sunny_year, "e340"), links=links, cloud=0.8
    )
    found = reading.days(np.array([[500.0]]), np.array([[1000.0]]))
    warm = specimen_temperature(
        sunny_year["temp_air"].values, sunny_year["poa"].values, sunny_year["wind_speed"].values,
        absorptance=0.5, rise_factor=0.8,
    )  # fmt: skip
    irradiance = sunny_year["e340"].values * np.exp(0.1 * sunny_year["log_clearness"].values)
    rate = 3.6 * effective_rate(
        irradiance * 1.15 * 0.95, warm, exponent=0.8, activation_energy=35.0,
        reference_irradiance=0.35 * 1.1, reference_temperature=clock.phases[0][1] + 3.0,
    )  # fmt: skip
    expected = plain_days(np.asarray(rate), 500.0 * 1.1 * 0.7, 1000.0)
    np.testing.assert_allclose(found, expected, rtol=1e-9)


def test_what_is_not_reached_within_the_horizon_is_infinite(
    fit_of, under, even_sky, certain_inputs
):
    site = under(even_sky, certain_inputs)
    fit = fit_of([30.24 * 364, 30.24 * 366, np.inf, 0.0])
    days = translate(fit, site=site, of="mean", horizon_years=1).days.values
    assert (days[..., 0] < 365).all()
    assert np.isinf(days[..., 1:3]).all()
    assert (days[..., 3] == 0).all()


def test_a_required_strength_is_read_beside_the_fractions(fit_of, under, even_sky, certain_inputs):
    from dataclasses import replace

    site = under(even_sky, certain_inputs)
    fit = fit_of([302.4])
    with pytest.raises(ValueError, match="required strength"):
        translate(fit, site=site, fractions=[None])
    fit.study = replace(fit.study, required_strength=8.0)
    plain = fit.threshold_draws
    fit.threshold_draws = lambda fraction, **of: plain(fraction or 0.25, **of)
    made = translate(fit, site=site, of="mean")
    assert made.subjects() == [("A", "machine", "mean", 0.5), ("A", "machine", "mean", None)]
    np.testing.assert_allclose(made.draws("A", "machine", "mean", None), 20.0)
    np.testing.assert_allclose(made.draws("A", "machine", "mean", 0.5), 10.0)
    assert "required strength" in repr(made)
    with pytest.raises(LookupError, match="fraction"):
        made.draws("A", "machine", "mean", 0.3)


def test_a_hotter_or_brighter_site_shortens_the_days(fit_of, under, sunny_year, certain_inputs):
    fit = fit_of(np.full(200, 500.0))
    fit.energy = np.full(200, 30.0)
    plain = translate(fit, site=under(sunny_year, certain_inputs), of="mean").days
    hot = sunny_year.assign(temp_air=sunny_year["temp_air"] + 10)
    bright = sunny_year.assign(e340=sunny_year["e340"] * 1.2)
    for sky in (hot, bright):
        assert (translate(fit, site=under(sky, certain_inputs), of="mean").days < plain).all()


def test_days_hold_only_the_directions_a_material_has(fit_of, under, even_sky, certain_inputs):
    fit = fit_of([302.4], materials=("A", "B"))
    fit.directions_of["A"] = ("machine", "cross")
    made = translate(fit, site=under(even_sky, certain_inputs), of="mean")
    assert float(
        made.days.sel(material="A", direction="cross", month=1).squeeze()
    ) == pytest.approx(20)
    assert np.isnan(made.days.sel(material="B", direction="cross").values).all()
    assert made.subjects() == [
        ("A", "machine", "mean", 0.5), ("A", "cross", "mean", 0.5), ("B", "machine", "mean", 0.5)
    ]  # fmt: skip


def test_the_same_seed_gives_the_same_days_and_another_seed_others(fit_of, under, sunny_year):
    site = under(sunny_year)
    fit = fit_of(np.full(300, 500.0))
    one, two, other = (translate(fit, site=site, of="mean", seed=s).days for s in (1, 1, 2))
    np.testing.assert_array_equal(one, two)
    assert not np.array_equal(one, other)


def test_laying_falls_on_every_day_of_the_month_at_six():
    months, spans = laying_days("every month")
    starts, drawn = laying_hours(spans, draws=5000, seed=3)
    assert months == list(range(1, 13))
    assert ((starts % 24) == 6.0).all()
    february = np.unique(starts[:, 1] // 24)
    np.testing.assert_array_equal(february, np.arange(31, 59))
    np.testing.assert_array_equal(np.unique(starts[:, 12] // 24), np.arange(365))
    assert set(drawn) == {"laying_day", "laying_day_of_year"}


def test_a_date_of_laying_gives_its_month_and_hour(
    fit_of, under, sunny_year, certain_inputs, plain_days
):
    assert laying_days("2028-02-29") == ([2], [(58, 1)])
    fit = fit_of([500.0])
    made = translate(fit, site=under(sunny_year, certain_inputs), of="mean", laying="2027-05-12")
    assert list(made.days.month.values) == [5]
    rate = 3.6 * sunny_year["e340"].values
    np.testing.assert_allclose(made.days.values, plain_days(rate, 500.0, 131 * 24 + 6.0), rtol=1e-9)
    assert "laid_on_date" in made.assumptions


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ({"fractions": [1.2]}, "fractions"),
        ({"fractions": []}, "fractions"),
        ({"fractions": [0.5, 0.5]}, "twice"),
        ({"of": "typical"}, "known: mean"),
        ({"share": 90}, "share"),
        ({"horizon_years": 0}, "horizon_years"),
        ({"tilt": 120}, "tilt"),
        ({"laying": "in May"}, "every month"),
    ],
)
def test_arguments_out_of_range_are_named(fit_of, under, even_sky, wrong, says):
    with pytest.raises(ValueError, match=says):
        translate(fit_of([300.0]), site=under(even_sky), **wrong)


def test_threshold_draws_below_0_are_refused(fit_of, under, even_sky, certain_inputs):
    with pytest.raises(ValueError, match="threshold draws"):
        translate(fit_of([300.0, -1.0]), site=under(even_sky, certain_inputs))


def test_yearly_dose_is_the_sum_of_the_hours(fit_of, under, even_sky, certain_inputs):
    """0.35 · 3.6 · 8760 = 11037.6 kJ/(m² nm); 33 · 0.0036 · 8760 = 1040.7 MJ/m² (arithmetic)."""
    made = translate(fit_of([300.0]), site=under(even_sky, certain_inputs), of="mean")
    np.testing.assert_allclose(made.annual["e340"], 11037.6)
    np.testing.assert_allclose(made.annual["uv_300_400"], 1040.688)


def test_everything_is_kept_in_one_dataset_that_netcdf_takes(fit_of, under, sunny_year, tmp_path):
    import xarray

    rng = np.random.default_rng(2)
    made = translate(fit_of(rng.lognormal(6, 0.1, 300)), site=under(sunny_year))
    made.to_dataset().to_netcdf(tmp_path / "t.nc", engine="h5netcdf")
    with xarray.open_dataset(tmp_path / "t.nc", engine="h5netcdf") as read:
        np.testing.assert_array_equal(read["days"], made.days)
        np.testing.assert_allclose(read["budget_share"], made.budget["share"])
        assert read.attrs["site"] == "nowhere"
        assert read.attrs["seed"] == 7


def test_the_text_names_site_yearly_dose_and_what_it_leans_on(fit_of, under, sunny_year):
    made = translate(fit_of(np.full(200, 500.0)), site=under(sunny_year))
    text = repr(made)
    assert "An invented place" in text
    assert "MJ/m²" in text
    assert "translation_approximate" in text
    assert "<table>" in made._repr_html_()
    assert set(explain(made.assumptions)) == set(made.assumptions) <= set(EXPLANATIONS)


def test_progress_names_each_material(fit_of, under, even_sky, certain_inputs):
    lines: list[tuple[str, float]] = []
    translate(
        fit_of([300.0], materials=("A", "B")), site=under(even_sky, certain_inputs),
        progress=lambda text, share: lines.append((text, share)),
    )  # fmt: skip
    assert lines == [
        ("A: days at An invented place", 0.0),
        ("B: days at An invented place", 0.5),
    ]


def test_intervals_of_days_cover_the_truth_as_often_as_they_say(
    fit_of, sunny_year, lamp, plain_days
):
    """200 worlds drawn from the priors: 90 % intervals and 95 % lower bounds, known truth."""
    inputs, clock, worlds, draws = read_inputs(), lamp_clock(lamp), 200, 250
    sky = sunny_year
    year = sky_year(sky, "e340")
    assert clock.temperature_sd > 0
    inside = above = 0
    for world in range(worlds):
        rng = np.random.default_rng([11, world])
        link = {n: float(a.draws(1, rng)[0]) for n, a in inputs.items()}
        p, energy = np.clip(rng.normal(0.85, 0.05), 0.5, 1), rng.normal(35, 8)
        tau = np.exp(rng.normal(6.0, 0.8))
        warm = specimen_temperature(
            sky["temp_air"].values, sky["poa"].values, sky["wind_speed"].values,
            absorptance=link["absorptance"], rise_factor=link["temperature_rise_factor"],
        )  # fmt: skip
        irradiance = sky["e340"].values * link["uv_factor"] * link["year_to_year"]
        irradiance *= np.exp((link["cloud_power"] - 0.8) * sky["log_clearness"].values)
        rate = 3.6 * effective_rate(
            irradiance, warm, exponent=p, activation_energy=energy, reference_irradiance=0.35,
            reference_temperature=clock.phases[0][1] + clock.temperature_sd * rng.normal(),
        )  # fmt: skip
        start = float(rng.integers(0, 365) * 24 + 6)
        truth = plain_days(np.asarray(rate), tau * link["lab_to_sky"], start)

        seen = np.log(tau) + 0.1 * rng.normal()
        fit = fit_of(np.exp(seen + 0.1 * rng.normal(size=draws)))
        fit.exponent = np.clip(rng.normal(0.85, 0.05, draws), 0.5, 1)
        fit.energy = rng.normal(35, 8, draws)
        links = draw_links(
            fit, "A", clock, lab_to_sky=inputs["lab_to_sky"],
            shared=draw_shared(inputs, draws=draws, seed=world), draws=draws, seed=world,
        )  # fmt: skip
        starts = np.full((draws, 1), start)
        reading = SkyClock(material="A", lamp=clock, year=year, links=links, cloud=0.8)
        days = reading.days(fit.tau[:, None], starts)[:, 0, 0]
        low, high = np.quantile(days, [0.05, 0.95])
        inside += low <= truth <= high
        above += truth >= low
    assert abs(inside / worlds - 0.90) < 3 * np.sqrt(0.9 * 0.1 / worlds)
    assert abs(above / worlds - 0.95) < 3 * np.sqrt(0.95 * 0.05 / worlds)
