"""Are bad draws caught, and is nothing quoted from them without a word?"""

from __future__ import annotations

import numpy as np
import pytest
import xarray
from known_truth import strips_of, study_of, truth_of

from durability import fit
from durability.inference import Sampler
from durability.inference.diagnostics import Diagnostics, diagnose

CHAINS, DRAWS = 4, 500


def stats(*, diverging: int = 0, energy: np.ndarray | None = None) -> xarray.Dataset:
    """Sampler statistics of a healthy run, with so many divergences."""
    where = np.zeros((CHAINS, DRAWS), dtype=bool)
    where.flat[:diverging] = True
    if energy is None:
        energy = np.random.default_rng(1).standard_normal((CHAINS, DRAWS))
    dims = ("chain", "draw")
    return xarray.Dataset({"diverging": (dims, where), "energy": (dims, energy)})


def draws(seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal((CHAINS, DRAWS, 2))


def checked(theta: np.ndarray, found: xarray.Dataset | None = None) -> Diagnostics:
    return diagnose(theta, ["first", "second"], stats() if found is None else found)


def test_independent_draws_pass():
    found = checked(draws())
    assert found.ok and found.problems() == []
    assert 0.8 * CHAINS * DRAWS < found.ess_bulk < 1.3 * CHAINS * DRAWS
    assert found.rhat < 1.01


def test_chains_at_different_places_fail_by_r_hat_and_name_the_parameter():
    theta = draws()
    theta[0, :, 1] += 1.0
    found = checked(theta)
    assert not found.ok and found.rhat_of == "second"
    assert found.rhat > 1.05
    assert any("R-hat of second" in text for text in found.problems())


def test_chains_of_different_widths_fail_though_their_means_agree():
    theta = draws()
    theta[0, :, 0] *= 4.0
    found = checked(theta)
    assert not found.ok and found.rhat_of == "first"


def test_slow_chains_fail_by_the_number_of_effective_draws():
    theta = np.empty((CHAINS, DRAWS, 2))
    noise = draws(3)
    theta[:, 0] = noise[:, 0]
    for i in range(1, DRAWS):  # autocorrelation 0.8: about a ninth of the draws count
        theta[:, i] = 0.8 * theta[:, i - 1] + 0.6 * noise[:, i]
    found = checked(theta)
    assert not found.ok
    assert found.ess_bulk == pytest.approx(CHAINS * DRAWS / 9, rel=0.35)


def test_divergences_fail_beyond_one_in_a_thousand():
    assert checked(draws(), stats(diverging=2)).ok
    found = checked(draws(), stats(diverging=3))
    assert not found.ok and found.divergences == 3
    assert any("3 of 2000 draws diverged" in text for text in found.problems())


def test_energy_that_creeps_fails():
    creeping = np.cumsum(np.random.default_rng(2).standard_normal((CHAINS, DRAWS)), axis=1)
    found = checked(draws(), stats(energy=creeping))
    assert not found.ok and found.energy < 0.1


def test_a_parameter_that_never_moves_fails():
    theta = draws()
    theta[:, :, 0] = 1.0
    assert not checked(theta).ok


def test_too_few_draws_are_tried_again_then_said_in_every_statement():
    columns = strips_of(
        np.random.default_rng(1), truth_of(300.0), doses=(0.0, 200.0, 400.0), strips=3
    )
    got = fit(study_of(columns), sampler=Sampler(draws=30, tune=50, chains=2), seed=1)
    assert not got.diagnostics.ok and got.diagnostics.retried
    assert got.settings.target_accept > 0.8 and got.settings.draws > 30
    for s in got.statements():
        assert {"diagnostics_failed", "sampled_again"} <= set(s.flags)


def test_a_sound_run_is_not_repeated():
    columns = strips_of(
        np.random.default_rng(1), truth_of(300.0), doses=(0.0, 200.0, 400.0), strips=3
    )
    got = fit(study_of(columns), seed=1)
    assert got.diagnostics.ok and not got.diagnostics.retried
    assert not {"diagnostics_failed", "sampled_again"} & set(got.threshold_dose(0.5)[0].flags)


@pytest.mark.parametrize("defect", ["place", "width", "stuck", "slow", "still"])
def test_one_bad_parameter_among_many_is_found(defect: str):
    theta = np.random.default_rng(4).standard_normal((CHAINS, DRAWS, 1500))
    if defect == "place":
        theta[0, :, 777] += 0.4
    elif defect == "width":
        theta[0, :, 777] *= 2.0
    elif defect == "stuck":  # half a chain in a corner
        theta[2, : DRAWS // 2, 777] = 2.5
    elif defect == "slow":
        theta[:, :, 777] = np.cumsum(theta[:, :, 777], axis=1)
    else:
        theta[:, :, 777] = 1.0
    found = diagnose(theta, [str(j) for j in range(1500)], stats())
    assert not found.ok
    assert "777" in (found.rhat_of, found.ess_bulk_of, found.ess_tail_of)


def test_judging_the_least_mixed_of_many_finds_the_smallest_effective_number():
    rng = np.random.default_rng(5)
    n = 800
    memory = rng.uniform(0.0, 0.8, n)
    theta = rng.standard_normal((CHAINS, DRAWS, n))
    for t in range(1, DRAWS):
        theta[:, t] = memory * theta[:, t - 1] + np.sqrt(1 - memory**2) * theta[:, t]
    names = [str(j) for j in range(n)]
    found = diagnose(theta, names, stats())
    parts = [diagnose(theta[:, :, j : j + 400], names[j : j + 400], stats()) for j in (0, 400)]
    assert found.ess_bulk == min(p.ess_bulk for p in parts)
    assert found.ess_tail == min(p.ess_tail for p in parts)
    assert found.rhat == pytest.approx(max(p.rhat for p in parts), abs=0.002)
