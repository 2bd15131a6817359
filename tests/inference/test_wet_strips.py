"""Strips in the open are read with their wet hours where wetness counts, and teach beside them."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from outdoor_truth import SITES, simulated

from durability import fit
from durability.exposure.wetness import sprayed_share
from durability.inference import Sampler
from durability.inference.clock_terms import expansion, material_clock
from durability.translation import translate
from durability.translation.reading import sky_clocks

QUICK = Sampler(draws=500, tune=300, chains=2)
WETTER = "log_wetness_factor[water]"
DESERT = {"site": "phoenix", "laying": SITES["desert"][1], "of": "mean", "on_ground": False}
ROOF = {"site": "miami", "laying": SITES["roof"][1], "of": "mean", "on_ground": False}


def labels(clock):
    return {c.label: i for i, c in enumerate(clock.parameters)}


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    return simulated(tmp_path_factory.mktemp("wet"), 3, wetness=True)


def test_wet_hours_count_one_by_one_and_spray_by_its_share(made):
    """Written out: the sum over the hours with the factor in wet ones, over the lamp's own."""
    clock = made.clock
    at = labels(clock)
    values = np.array([c.mean for c in clock.parameters])[None].repeat(2, axis=0)
    values[:, at[WETTER]] = 0.0, math.log(1.7)
    found = np.diff(clock.log_dose("roof", np.array([30.0]), values)[:, 0])[0]
    sky = clock.skies["roof"]
    inside = (sky.hour >= sky.laid_hour) & (sky.hour < sky.laid_hour + 720)
    one = values[0]
    p, ea = one[at["reciprocity_exponent[polypropylene]"]], one[
        at["activation_energy[polypropylene]"]]  # fmt: skip
    kelvin = sky.air + one[at["specimen_warming[open air]"]] * sky.rise
    rate = np.exp(p * sky.log_irradiance - ea / 8.314462618e-3 / kelvin)[inside]
    wet = sky.wet[inside]
    assert 0.02 < wet.mean() < 0.9
    share = sprayed_share(made.study.exposures["X1"])
    assert share == pytest.approx(30 / 120)
    more = (rate * np.where(wet > 0, 1.7, 1.0)).sum() / rate.sum()
    assert found == pytest.approx(math.log(more / (1 + share * 0.7)), abs=2e-3)


def test_the_quadratic_follows_wet_hours_over_the_prior(made):
    clock = made.clock
    values = clock.prior_draws(500, np.random.default_rng(2))
    z = (values - [c.mean for c in clock.parameters]) / [c.sd for c in clock.parameters]
    for exposure, days in (("roof", [30.0, 240.0]), ("desert", [60.0])):
        direct = clock.log_dose(exposure, np.array(days), values)
        constant, linear, quadratic = expansion(clock, exposure, np.array(days))
        curved = constant + z @ linear.T + np.einsum("ni,dij,nj->nd", z, quadratic, z) / 2
        assert np.sqrt(((curved - direct) ** 2).mean()) < 0.01


def test_moisture_is_no_longer_unexplained_and_the_factor_has_its_prior(made):
    """0.4 without the 0.15 of moisture: 0.371 (arithmetic)."""
    columns = {c.label: c for c in made.clock.parameters}
    assert columns["lab_to_sky_spread[wetness counted]"].mean == pytest.approx(0.3708, abs=1e-4)
    assert (columns[WETTER].mean, columns[WETTER].sd) == pytest.approx((math.log(1.1), 0.25))


def test_wetness_is_not_counted_where_a_site_tells_nothing_of_it_or_nobody_asks(made, tmp_path):
    dry = simulated(tmp_path / "dry", 3, wetness=True, sites={"hills": ("tucson", "2031-05-14")})
    plain = replace(made.study, question=replace(made.study.question, wetness=False))
    for clock in (dry.clock, material_clock(plain, "A")):
        assert WETTER not in labels(clock)
        assert "lab_to_sky_spread[]" in labels(clock)
        assert all(sky.wet is None for sky in clock.skies.values())


@pytest.fixture(scope="module")
def taught(made):
    return fit(made.study, seed=1, sampler=QUICK)


def test_what_was_learned_is_read_on_a_wet_clock(taught):
    found = translate(taught, **ROOF)
    assert "wetness_modelled" in found.assumptions
    assert "taught_by_strips" not in {c.name for c in found.cautions}
    drawn = np.exp(taught.posterior[WETTER].values.reshape(-1))
    clocks, _, _ = sky_clocks(taught, site="phoenix", draws=drawn.size)
    np.testing.assert_array_equal(clocks["A"].links["wetness_factor"], drawn)


def test_wetness_stays_counted_where_the_strips_taught_beside_it(taught):
    dry = replace(taught.study, question=replace(taught.study.question, wetness=False))
    plain, asked = translate(taught, **ROOF), translate(replace(taught, study=dry), **ROOF)
    assert {c.name for c in asked.cautions} >= {"wetness_kept"}
    np.testing.assert_array_equal(
        plain.draws("A", "", "mean", 0.5).values, asked.draws("A", "", "mean", 0.5).values
    )


def true_days(made, exposure: str) -> float:
    days = np.arange(1.0, 4000.0)
    return float(np.interp(math.log(made.threshold), made.log_dose(exposure, list(days)), days))


@pytest.mark.long
def test_days_hold_the_truth_where_strips_lay_and_at_a_drier_site(tmp_path):
    """Truths drawn from the priors, wetness with them; strips lay at the wet site alone."""
    held = {"roof": [], "desert": []}
    for seed in range(40):
        made = simulated(tmp_path / str(seed), seed, wetness=True, unseen=("desert",))
        got = fit(made.study, seed=seed, sampler=QUICK)
        for exposure, asked in (("roof", ROOF), ("desert", DESERT)):
            days = translate(got, **asked, horizon_years=50.0).draws("A", "", "mean", 0.5).values
            low, high = np.quantile(days, [0.05, 0.95])
            held[exposure].append(low <= true_days(made, exposure) <= high)
    # measured: 40 and 36 of 40; strips that lay there shared a year with the truth
    assert all(32 <= sum(h) <= 40 for h in held.values())
