"""Strips under a lamp and in the open in one model, on studies whose truth is known."""

from __future__ import annotations

import math

import numpy as np
import pytest
from outdoor_truth import DAYS, SITES, simulated

from durability.inference import Sampler, fit
from durability.inference.clock_terms import expansion
from durability.inference.foretold import equivalent_draws, sites_of, without_sites
from durability.translation import lab_to_sky, translate
from durability.translation.discrepancy import learned_from


@pytest.fixture(scope="module")
def truth(tmp_path_factory):
    return simulated(tmp_path_factory.mktemp("joint") / "study", 3)


@pytest.fixture(scope="module")
def joint(truth):
    return fit(truth.study, sampler=Sampler(chains=2, draws=600, tune=600), seed=1)


def values(truth, seen):
    columns = truth.clock.parameters
    return np.column_stack([seen.posterior[c.label].values.reshape(-1) for c in columns])


def test_every_parameter_of_the_clocks_is_in_the_posterior_and_near_its_truth(truth, joint):
    drawn = values(truth, joint)
    z = (truth.values[0] - drawn.mean(axis=0)) / drawn.std(axis=0)
    assert np.abs(z).max() < 3.5
    tau = joint.threshold_draws(0.5, of="mean", material="A", direction="", exposure="X1")
    as_set = math.log(truth.threshold) - truth.log_dose("X1", [1.0])[0]
    assert abs(as_set - np.log(tau).mean()) < 3.5 * np.log(tau).std()


def test_strips_in_the_open_narrow_what_the_laboratory_cannot(truth, joint):
    """Strips at two sites of unlike heat tell of the activation energy and of the lab-to-sky
    factor at each site."""
    drawn = values(truth, joint)
    at = {c.label: i for i, c in enumerate(truth.clock.parameters)}
    energy = drawn[:, at["activation_energy[polypropylene]"]]
    assert energy.std() < 0.8 * 8.0
    found = lab_to_sky(joint)
    rows = found.factors.set_index("site")
    width = np.log(rows["high"] / rows["low"])
    prior = np.log(rows["prior_high"] / rows["prior_low"])
    assert (width[["miami", "phoenix"]] < 0.85 * prior[["miami", "phoenix"]]).all()
    assert width["miami"] < width["a new site"] < prior["a new site"] * 1.1
    assert "activation_energy[polypropylene]" in repr(found)
    assert learned_from(joint, "A", "miami") == "lab_to_sky_learned"


def test_the_equivalent_dose_of_tested_days_is_known_far_better_than_before(truth, joint):
    days = np.array([60.0, 120.0])
    found, lamp = equivalent_draws(truth.study, joint, "A", "roof", days, seed=1)
    actual = truth.log_dose("roof", list(days)) - truth.log_dose(lamp, [1.0])[0]
    z = (np.log(found).mean(axis=0) - actual) / np.log(found).std(axis=0)
    assert np.abs(z).max() < 3.5
    assert np.log(found).std(axis=0).max() < 0.2  # the prior has 0.47


def test_the_hourly_sum_itself_would_give_the_same_posterior(truth, joint):
    """The likelihood of the strips is written out here, lots integrated out, once with the
    quadratic clock and once with the direct sum over hours; importance weights from one to the
    other must be nearly even."""
    drawn, rows = values(truth, joint), truth.study.rows
    mean = np.array([c.mean for c in truth.clock.parameters])
    z = (drawn - mean) / np.array([c.sd for c in truth.clock.parameters])
    shape = joint.shape_draws("A")["k"]
    spread = joint.posterior["strip_spread"].values.reshape(-1)
    start_spread = joint.posterior["lot_spread_of_strength"].values.reshape(-1)
    start = joint.posterior["log_unexposed_strength"].values.reshape(-1)
    # on the common clock: what the lamp reads, less the lamp's own clock
    tau = np.log(joint.threshold_draws(0.5, of="mean", material="A", direction="", exposure="X1"))
    tau = tau + truth.clock.log_dose("X1", np.ones(1), drawn)[:, 0]
    strength = np.log(rows["strength"].values)
    dose = np.where(np.isnan(rows["dose"].values), 1.26 * rows["hours"].values, rows["dose"].values)
    level = {"quadratic": 0.0, "hourly": 0.0}
    for lot in ("L0", "L1"):
        effect = joint.posterior["lot_effect"].sel(lot=f"A | {lot}").values.reshape(-1)
        mine = rows["lot"].values == lot
        rest = {name: [np.tile(strength[mine & (dose == 0)], (spread.size, 1))] for name in level}
        for x, places in (("X1", None), *((x, DAYS) for x in SITES)):
            here = mine & (rows["exposure"].values == x) & (dose > 0)
            at = np.unique(dose[here]) if places is None else np.array(places, dtype=float)
            constant, linear, bend = expansion(truth.clock, x, at)
            clocks = {
                "quadratic": constant + z @ linear.T + np.einsum("ni,dij,nj->nd", z, bend, z) / 2,
                "hourly": truth.clock.log_dose(x, at, drawn),
            }
            for name, log_dose in clocks.items():
                u = shape[:, None] * (log_dose - (tau + effect)[:, None])
                for j, t in enumerate(at):
                    left = -math.log(2) * np.exp(u[:, j])
                    rest[name].append(strength[here & np.isclose(dose, t)] - left[:, None])
        for name, parts in rest.items():
            r = np.concatenate(parts, axis=1)
            n, middle = r.shape[1], r.mean(axis=1)
            inner = ((r - middle[:, None]) ** 2).sum(axis=1) / spread**2
            variance = start_spread**2 + spread**2 / n
            level[name] = level[name] - (inner + (middle - start) ** 2 / variance) / 2
    log_weight = level["hourly"] - level["quadratic"]
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    assert 1 / (weight**2).sum() > 0.8 * weight.size
    for name, draws in (("tau", tau), ("shape", shape), *zip("abcdefghijklmn", z.T, strict=False)):
        assert abs(weight @ draws - draws.mean()) < 0.1 * draws.std(), name


@pytest.mark.slow
def test_days_at_the_tested_site_are_narrower_and_hold_the_truth(truth, joint):
    known = without_sites(truth.study, sites_of(truth.study))
    alone = fit(known, sampler=Sampler(chains=2, draws=600, tune=600), seed=1)
    found = {}
    for name, seen in (("laboratory", alone), ("joint", joint)):
        done = translate(seen, site="miami", of="mean", laying="2031-05-14", seed=1)
        days = done.draws("A", "", "mean", 0.5).values.reshape(-1)
        found[name] = np.quantile(days, [0.025, 0.975])
    grid = np.arange(1.0, 2000.0)
    actual = float(np.interp(math.log(truth.threshold), truth.log_dose("roof", list(grid)), grid))
    widths = {name: math.log(high / low) for name, (low, high) in found.items()}
    assert widths["joint"] < 0.5 * widths["laboratory"]
    for low, high in found.values():
        assert low < actual < high


def test_the_sky_is_counted_in_the_unit_that_the_study_names(truth, tmp_path):
    import shutil

    from durability import read_study
    from durability.inference.clock_terms import material_clock

    folder = tmp_path / "study"
    shutil.copytree(truth.study.folder, folder)
    toml = folder / "study.toml"
    text = toml.read_text(encoding="utf-8")
    toml.write_text(
        text.replace("[study]", '[study]\ndose_unit = "MJ/m^2/nm"', 1), encoding="utf-8"
    )
    material = next(iter(truth.study.materials))
    usual = material_clock(read_study(truth.study.folder), material)
    mega = material_clock(read_study(folder), material)
    place = next(iter(usual.skies))
    points = np.array([[c.mean for c in usual.parameters]])
    days = np.array([30.0, 200.0])
    shift = usual.log_dose(place, days, points) - mega.log_dose(place, days, points)
    assert np.allclose(shift, math.log(1000), atol=1e-9)
