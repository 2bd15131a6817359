"""Does the posterior of every structure mix, and are coordinates what they say they are?"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from test_kernel import Case, case_of
from test_structure import CASES

import durability
from durability.inference import kernel
from durability.inference.coordinates import layout, spread_of_score, spread_priors
from durability.inference.fit import fit_model
from durability.inference.quadratic import EFFECT

EXAMPLES = Path(__file__).parents[2] / "examples"


def of(name: str) -> Case:
    study, law, structure = CASES[name]
    return case_of(study, law, structure=structure)


@pytest.mark.parametrize("name", ["lamps", "lots both ways", "a line", "a line, pooled shape"])
def test_several_lamps_directions_of_lots_and_pooled_products_mix(name):
    it = of(name)
    found = fit_model(it.study, it.model, seed=1, retry=False).diagnostics
    assert found.divergences == 0
    assert min(found.ess_bulk, found.ess_tail) > 600  # 400 are asked of what is quoted


@pytest.mark.parametrize("name", ["quarry-cover", "stabiliser-packages"])
def test_the_examples_mix_in_the_first_run(name):
    fitted = durability.fit(EXAMPLES / name, seed=0)
    assert not fitted.diagnostics.retried
    assert fitted.diagnostics.divergences == 0
    assert min(fitted.diagnostics.ess_bulk, fitted.diagnostics.ess_tail) > 1000


@pytest.mark.parametrize("name", ["lots both ways", "a line, pooled shape", "lamps"])
def test_the_marginal_of_the_spreads_is_that_of_the_dense_quadratic(name):
    """Up to a constant, at spreads far apart: determinant and exponent by plain matrices."""
    it = of(name)
    lay, given = layout(it.model), it.at.given
    n = given.inner.size
    curvature = np.zeros((n, n))
    for i, first in enumerate(given.first):
        row = given.curvature[given.row[i] + first : given.row[i] + i + 1]
        curvature[i, first : i + 1] = curvature[first : i + 1, i] = row

    def dense(spread: np.ndarray) -> float:
        square, lean, value = curvature.copy(), given.lean.copy(), 0.0
        for (kind, family), (m, c), (first, end, _) in zip(
            given.term, given.term_number, given.term_range, strict=True
        ):
            a = np.zeros(n)
            a[given.entry[first:end]] = given.entry_value[first:end]
            w2 = spread[family] ** 2
            weight = 1 / w2 if kind == EFFECT else -1 / (m + 1 / w2)
            square += weight * np.outer(a, a)
            lean += weight * c * a
            value += 0.5 * np.log(weight) if kind == EFFECT else -0.5 * np.log1p(m * w2)
            value -= 0.5 * weight * c * c
        value += 0.5 * lean @ np.linalg.solve(square, lean) - 0.5 * np.linalg.slogdet(square)[1]
        return float(value)

    scores = np.random.default_rng(2).uniform(-2, 1.5, (4, lay.main.start - lay.scale.start))
    names = spread_priors(it.model)
    spreads = [
        np.array([float(spread_of_score(s, name)) for s, name in zip(row, names, strict=True)])
        for row in scores
    ]
    compiled = [kernel.log_marginal(s, it.buffer) for s in spreads]
    assert compiled == pytest.approx([dense(s) for s in spreads], abs=1e-7)
