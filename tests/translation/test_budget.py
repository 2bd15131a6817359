"""Shares of variance against cases that can be worked out, and against a second estimator."""

from __future__ import annotations

import numpy as np
import pytest

from durability.exposure import Assumption
from durability.translation import BUDGET_INPUTS, translate
from durability.translation.budget import PERIODIC, variance_shares
from durability.translation.inputs import draw_links, draw_shared, read_inputs
from durability.translation.lamp import lamp_clock
from durability.translation.reading import SkyClock
from durability.translation.sky import sky_year


def test_shares_of_a_product_of_log_normals_are_the_ratios_of_their_variances(
    fit_of, under, even_sky, certain_inputs
):
    """Under an even sky with p = 1, days = τ · lots · s / (uv · year): log variances add up."""
    sd = {"threshold_dose": 0.30, "lots": 0.20, "lab_to_sky": 0.40, "year_to_year": 0.10}
    rng = np.random.default_rng(5)
    draws = 10_000
    for name in ("lab_to_sky", "year_to_year"):
        certain_inputs[name] = Assumption(name=name, value=1.0, log_sd=sd[name], source="invented")
    fit = fit_of(
        np.exp(6 + sd["threshold_dose"] * rng.normal(size=draws)),
        lots=np.exp(sd["lots"] * rng.normal(size=draws)),
        of="new_lot",
    )
    made = translate(fit, site=under(even_sky, certain_inputs), of=["mean", "new_lot"])
    variance = sum(s**2 for s in sd.values())
    assert made.budget.attrs == {"of": "new_lot", "fraction": 0.5}
    for laying in ("worst month", "any day of the year"):
        budget = made.budget.sel(material="A", laying=laying)
        assert float(budget["variance"]) == pytest.approx(variance, rel=0.05)
        shares = budget["share"]
        for name, s in sd.items():
            assert float(shares.sel(input=name)) == pytest.approx(s**2 / variance, abs=0.025)
        for name in ("activation_energy", "lamp_dose", "laying_day", "cloud_power", "remainder"):
            assert float(shares.sel(input=name)) == pytest.approx(0, abs=0.025)


def test_shares_and_remainder_add_up_to_1(fit_of, under, sunny_year):
    rng = np.random.default_rng(6)
    fit = fit_of(rng.lognormal(6, 0.2, 2000), lots=rng.lognormal(0, 0.1, 2000))
    budget = translate(fit, site=under(sunny_year)).budget
    known = [n for n in BUDGET_INPUTS if n != "air_temperature"]  # hourly weather is taken as it is
    assert list(budget.input.values) == [*known, "remainder"]
    np.testing.assert_allclose(budget["share"].sum("input"), 1.0, atol=1e-9)
    assert (budget["share"].drop_sel(input="remainder") >= 0).all()


def test_shares_agree_with_a_second_estimator_that_redraws_all_other_inputs(
    fit_of, sunny_year, lamp
):
    """Pick-freeze: the correlation of two sets of days that share one input alone."""
    draws, inputs, clock = 6000, read_inputs(), lamp_clock(lamp)
    rng = np.random.default_rng(8)
    fit = fit_of(rng.lognormal(6, 0.25, draws))
    fit.exponent, fit.energy = rng.uniform(0.6, 1, draws), rng.normal(35, 10, draws)
    year, starts = sky_year(sunny_year, "e340"), np.full((draws, 1), 2406.0)

    def drawn(seed):
        links = draw_links(
            fit, "A", clock, lab_to_sky=inputs["lab_to_sky"],
            shared=draw_shared(inputs, draws=draws, seed=seed), draws=draws, seed=seed,
        )  # fmt: skip
        return {"threshold_dose": fit.tau, **links}

    def log_days(x):
        links = {name: values for name, values in x.items() if name != "threshold_dose"}
        tau = x["threshold_dose"][:, None]
        reading = SkyClock(material="A", lamp=clock, year=year, links=links, cloud=0.8)
        return np.log(reading.days(tau, starts)[:, 0, 0])

    one, two = drawn(1), drawn(2)
    for name in ("threshold_dose", "reciprocity_exponent", "activation_energy"):
        two[name] = rng.permutation(two[name])
    y = log_days(one)
    kept = {name: np.log(v) if (v > 0).all() else v for name, v in one.items()}
    shares, _, _ = variance_shares(np.exp(y), kept)
    for name in ("threshold_dose", "lab_to_sky", "activation_energy", "absorptance"):
        again = np.corrcoef(y, log_days(two | {name: one[name]}))[0, 1]
        assert shares[name] == pytest.approx(again, abs=0.05)
    assert shares["lab_to_sky"] > 0.2
    assert shares["activation_energy"] > 0.02


def test_the_day_of_the_year_is_seen_although_it_is_neither_rising_nor_falling():
    day = np.random.default_rng(1).uniform(size=4000)
    days = np.exp(4 + 0.5 * np.cos(2 * np.pi * (day - 0.3)))
    shares, _, _ = variance_shares(days, {PERIODIC: day})
    assert shares[PERIODIC] > 0.99


def test_an_input_without_influence_gets_no_share():
    rng = np.random.default_rng(2)
    a, b = rng.normal(size=(2, 5000))
    shares, _, _ = variance_shares(np.exp(a), {"a": a, "b": b})
    assert shares["a"] > 0.999
    assert shares["b"] < 0.005


def test_what_acts_jointly_stays_in_the_remainder():
    """Y = a·b with independent standard normals has no first-order part at all (arithmetic)."""
    rng = np.random.default_rng(3)
    a, b = rng.normal(size=(2, 20_000))
    shares, _, _ = variance_shares(np.exp(0.3 * a * b), {"a": a, "b": b})
    assert shares["remainder"] > 0.98
    jointly, _, _ = variance_shares(np.exp(0.3 * a * b), {"ab": np.column_stack([a, b])})
    assert jointly["ab"] > 0.99


def test_draws_without_an_end_are_left_out_and_counted():
    rng = np.random.default_rng(4)
    a = rng.normal(size=1000)
    days = np.exp(a)
    days[:200] = np.inf
    days[200:250] = 0
    _, _, left_out = variance_shares(days, {"a": a})
    assert left_out == pytest.approx(0.25)
    with pytest.raises(ValueError, match="at least 100"):
        variance_shares(np.full(1000, np.inf), {"a": a})


def test_a_threshold_that_is_hardly_ever_reached_has_an_empty_budget(
    fit_of, under, even_sky, certain_inputs
):
    tau = np.full(200, np.inf)
    tau[:5] = 100.0
    budget = translate(fit_of(tau), site=under(even_sky, certain_inputs), of="mean").budget
    assert np.isnan(budget["share"]).all()
    assert (budget["left_out"] == 1).all()


def test_idle_inputs_gain_no_share_by_chance_and_real_ones_lose_none_in_few_draws():
    """150 draws, ten idle inputs: uncorrected, each would gain about 3/150 of the other half."""
    idle, real = [], []
    for seed in range(200):
        rng = np.random.default_rng([21, seed])
        x = rng.normal(size=(11, 150))
        noise = rng.normal(size=150)
        shares, _, _ = variance_shares(
            np.exp(0.5 * (x[0] + noise)), {f"x{i}": column for i, column in enumerate(x)}
        )
        real.append(shares["x0"])
        idle += [shares[f"x{i}"] for i in range(1, 11)]
    assert np.mean(real) == pytest.approx(0.5, abs=0.03)
    assert np.median(idle) < 0.004
