"""What draws foretell of strips that are not tested yet, held to strips simulated one by one."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from known_truth import simulated

from durability import fit
from durability.decisions.planned_strips import Outlook, PlannedSeries, assumptions
from durability.inference import Sampler

WHERE: dict[str, Any] = {"material": "A", "direction": "machine"}


@pytest.fixture(scope="module")
def made():
    study, _ = simulated(4, materials=1, lots=3)
    return fit(study, method="quick", sampler=Sampler(draws=50, chains=2, cores=1), seed=1)


@pytest.fixture(scope="module")
def outlook(made):
    return Outlook(fit=made, exposure="X", draws=np.arange(made.n_draws))


def test_groups_of_a_new_lot_have_the_mean_and_covariance_of_simulated_ones(outlook):
    series = PlannedSeries(
        lot="new", new=True, doses=(200.0, 500.0), strips=(4, 6), unexposed=5, **WHERE
    )
    (block,) = outlook.blocks((series,))
    rng, law, i = np.random.default_rng(2), outlook.fit.model.law, 17
    lots, n = outlook.posterior("lot_spread_of_threshold")[i], 200_000
    scale = np.exp(outlook.log_scale("A", "machine")[i] + lots * rng.standard_normal(n))
    shape = {s.name: outlook.posterior(f"shape_{s.name}")[i, 0] for s in law.shapes}
    start = outlook.posterior("log_unexposed_strength")[i, 0]
    start = start + outlook.posterior("lot_spread_of_strength")[i] * rng.standard_normal(n)
    sd = outlook.posterior("strip_spread")[i, 0]
    columns = []
    for dose, count in ((0.0, 5), (200.0, 4), (500.0, 6)):
        left = np.maximum(law.retained(dose / scale, shape), 0.05)
        columns.append(start + np.log(left) + sd / np.sqrt(count) * rng.standard_normal(n))
    seen = np.column_stack(columns)
    assert block.mean[i] == pytest.approx(seen.mean(0), abs=0.1 * seen.std(0).max())
    covariance = block.root[i] @ block.root[i].T
    assert np.diag(covariance) == pytest.approx(seen.var(0), rel=0.15)
    assert covariance == pytest.approx(np.cov(seen.T), abs=0.1 * seen.var(0).max())
    assert block.freedom == 4 + 3 + 5


def test_unexposed_level_of_a_tested_lot_is_what_its_own_strips_give(outlook):
    """With every group of the lot at known shares left, a weighted mean of all."""
    series = PlannedSeries(lot="L1", new=False, doses=(500.0,), strips=(5,), **WHERE)
    level, sd = outlook._unexposed(series)
    model, i = outlook.fit.model, 3
    (place,) = (k for k, s in enumerate(model.series) if s[1] == "L1")
    at = np.arange(*model.series_index[place, 2:4])
    shape = {s.name: outlook.posterior(f"shape_{s.name}")[i, 0] for s in model.law.shapes}
    scale = np.exp(outlook.log_scale("A", "machine")[i] + outlook.effect(series)[i])
    left = np.log(np.maximum(model.law.retained(model.cell_dose[at] / scale, shape), 0.05))
    weight = model.count[at] / outlook.posterior("strip_spread")[i, 0] ** 2
    prior = 1 / outlook.posterior("lot_spread_of_strength")[i] ** 2
    start = outlook.posterior("log_unexposed_strength")[i, 0]
    total = prior + weight.sum()
    expected = (prior * start + (weight * (model.mean[at] - left)).sum()) / total
    assert level[i] == pytest.approx(expected, abs=1e-9)
    assert sd[i] == pytest.approx(total**-0.5, rel=1e-9)


def test_a_strip_too_weak_to_measure_tells_only_that(outlook):
    far = PlannedSeries(lot="L0", new=False, doses=(1e7, 2e7), strips=(5, 5), **WHERE)
    (block,) = outlook.blocks((far,))
    level, _ = outlook._unexposed(far)
    weakest = np.log(assumptions()["weakest_strip"]["value"])
    assert block.mean == pytest.approx(np.repeat(level[:, None] + weakest, 2, axis=1))


def test_lots_planned_alike_share_their_work(outlook):
    plan = tuple(
        PlannedSeries(lot=f"new {k}", new=True, doses=(300.0,), strips=(5,), unexposed=5, **WHERE)
        for k in range(3)
    )
    first, *others = outlook.blocks(plan)
    assert all(b is first for b in others)


def test_doses_and_numbers_of_strips_belong_together():
    with pytest.raises(ValueError, match="2 doses and 1 numbers"):
        PlannedSeries(lot="x", new=True, doses=(1.0, 2.0), strips=(5,), **WHERE)
