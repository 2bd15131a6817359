"""What strips to come would teach, held to closed forms where all is normal and spreads are known.

One number theta, standard normal now; a plan shows the means of lots that scatter about it. The
posterior then is normal with a variance that does not depend on what is shown.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import ndtr

from durability.decisions.learning import Asked, futures
from durability.decisions.planned_strips import Block

DRAWS, LEVEL, HALF = 4000, 0.95, 1.959964
STUDIES = 120


@pytest.fixture(scope="module")
def theta():
    """Standard normal draws, as even as can be."""
    from scipy.special import ndtri

    even = ndtri((np.arange(DRAWS) + 0.5) / DRAWS)
    return np.random.default_rng(5).permutation(even)


def lot(theta, *, lots: float, scatter: float) -> Block:
    """A group mean that scatters about theta by both."""
    sd = np.hypot(lots, scatter)
    return Block(
        mean=theta[:, None], root=np.full((DRAWS, 1, 1), sd), scatter=np.ones(DRAWS), freedom=0
    )


@pytest.mark.parametrize("method", ["weights", "regression"])
@pytest.mark.parametrize(("number", "lots", "scatter"), [(1, 0.0, 1.0), (3, 0.5, 0.3)])
def test_expected_interval_equals_the_closed_form(theta, method, number, lots, scatter):
    block = lot(theta, lots=lots, scatter=scatter)
    asked = Asked(log_value=theta, spread=np.zeros(DRAWS))
    found = futures([block] * number, asked, level=LEVEL, seed=1, count=200, method=method)
    then = 1 / np.sqrt(1 + number / (lots**2 + scatter**2))
    assert found.half_width.mean() == pytest.approx(HALF * then, rel=0.03)


def test_chance_of_the_lot_widens_the_interval_by_its_own_variance(theta):
    block = lot(theta, lots=0.4, scatter=0.3)
    asked = Asked(log_value=theta, spread=np.full(DRAWS, 0.4))
    found = futures([block] * 2, asked, level=LEVEL, seed=1, count=200)
    then = np.sqrt(1 / (1 + 2 / 0.25) + 0.16)
    assert found.half_width.mean() == pytest.approx(HALF * then, rel=0.02)


@pytest.mark.parametrize("method", ["weights", "regression"])
def test_chance_of_a_clear_verdict_equals_the_closed_form(theta, method):
    """The posterior mean is normal with what the strips take off the variance."""
    required, assurance, sd = 0.5, 0.9, 0.7
    block = lot(theta, lots=0.0, scatter=sd)
    asked = Asked(log_value=theta, spread=np.zeros(DRAWS), required=float(np.exp(required)))
    found = futures([block], asked, level=LEVEL, seed=2, count=1000, method=method)
    v = 1 / (1 + 1 / sd**2)
    reach = 1.281552 * np.sqrt(v)
    expected = ndtr((required - reach) / np.sqrt(1 - v)) + ndtr(
        -(required + reach) / np.sqrt(1 - v)
    )
    clear = ((found.above >= assurance) | (found.above <= 1 - assurance)).mean()
    assert clear == pytest.approx(expected, abs=0.04)


def test_probability_now_is_the_mean_of_those_then(theta):
    asked = Asked(log_value=theta, spread=np.zeros(DRAWS), required=float(np.exp(0.8)))
    block = lot(theta, lots=0.0, scatter=0.6)
    found = futures([block], asked, level=LEVEL, seed=3, count=1000)
    assert found.above.mean() == pytest.approx(1 - ndtr(0.8), abs=0.02)


def test_scatter_within_groups_teaches_of_scatter():
    """With nu degrees of freedom the log of a spread is known to about 1/sqrt(2 nu)."""
    rng = np.random.default_rng(8)
    log_sd = 0.5 * rng.standard_normal(DRAWS)
    block = Block(
        mean=np.zeros((DRAWS, 1)), root=np.ones((DRAWS, 1, 1)), scatter=np.exp(log_sd), freedom=40
    )
    asked = Asked(log_value=log_sd, spread=np.zeros(DRAWS))
    found = futures([block], asked, level=LEVEL, seed=4, count=200)
    then = 1 / np.sqrt(1 / 0.5**2 + 2 * 40)
    assert found.half_width.mean() == pytest.approx(HALF * then, rel=0.05)


def test_few_draws_that_keep_weight_are_noticed(theta):
    block = lot(theta, lots=0.0, scatter=0.001)
    asked = Asked(log_value=theta, spread=np.zeros(DRAWS))
    found = futures([block], asked, level=LEVEL, seed=1)
    assert found.method == "regression"
    assert found.effective < 6
    assert found.rough
    assert found.half_width.mean() < 0.02


def test_a_verdict_that_will_change_does_so_as_often_as_was_said(theta):
    """Posteriors of many studies; the truth of each then shows strips of its own."""
    rng = np.random.default_rng(11)
    said, seen, assurance, required = [], [], 0.9, 0.3
    sd, more = 0.8, 0.5
    for k in range(STUDIES):
        truth = rng.normal()
        v = 1 / (1 + 1 / sd**2)
        m = v * (truth + sd * rng.normal()) / sd**2
        draws = m + np.sqrt(v) * theta[::10]
        block = Block(
            mean=draws[:, None], root=np.full((draws.size, 1, 1), more),
            scatter=np.ones(draws.size), freedom=0,
        )  # fmt: skip
        asked = Asked(log_value=draws, spread=0 * draws, required=float(np.exp(required)))
        found = futures([block], asked, level=LEVEL, seed=k, count=40)
        now = verdict(1 - ndtr((required - m) / np.sqrt(v)), assurance)
        said.append((verdict(found.above, assurance) != now).mean())
        after = 1 / (1 / v + 1 / more**2)
        mean = after * (m / v + (truth + more * rng.normal()) / more**2)
        seen.append(verdict(1 - ndtr((required - mean) / np.sqrt(after)), assurance) != now)
    error = np.sqrt(np.mean(np.array(said) * (1 - np.array(said))) / STUDIES)
    assert 0.1 < np.mean(said) < 0.9
    assert abs(np.mean(said) - np.mean(seen)) < 3.5 * error


def verdict(above, assurance):
    return np.where(above >= assurance, 1, np.where(above <= 1 - assurance, -1, 0))
