"""A small version of benchmarks/wrong_law.py: no candidate is right, and the average still holds.

Each study follows one of three laws outside the candidates. Six studies are few: the share asked
(85 %) is judged over all of them with room for chance; the benchmark counts 60.
"""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest

from durability.inference.checking.scores import rules

FILE = Path(__file__).parents[3] / "benchmarks" / "wrong_law.py"


@pytest.fixture(scope="module")
def benchmark():
    spec = importlib.util.spec_from_file_location("wrong_law", FILE)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["wrong_law"] = module
    spec.loader.exec_module(module)
    return module


def test_truths_of_the_benchmark_are_outside_the_candidates(benchmark):
    assert not set(benchmark.TRUTHS) & set(rules()["candidates"]["laws"])


def test_true_thresholds_of_the_benchmark_lie_on_its_curves(benchmark):
    from durability.laws import read_law

    for truth, shape in benchmark.TRUTHS.items():
        _, true = benchmark.invented_study(5, truth)
        law = read_law(truth)
        scale = true[4] / float(law.inverse(0.5, shape))
        left = law.retained(true / scale, shape)
        assert left == pytest.approx(np.array(benchmark.FRACTIONS), abs=1e-6)


@pytest.mark.slow
def test_average_holds_thresholds_within_the_tested_doses_when_every_law_is_wrong(benchmark):
    inside = []
    for truth in benchmark.TRUTHS:
        got = benchmark.simulate(truth, 2, seed=4)
        inside.append(got["forecast"][got["factor"] <= 1])
    assert np.concatenate(inside).mean() >= 0.75
