"""A small version of benchmarks/days_coverage.py: how often do intervals of days hold the truth?"""

from __future__ import annotations

import importlib.util
import math
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest


@pytest.fixture(scope="module")
def coverage():
    file = Path(__file__).parents[2] / "benchmarks" / "days_coverage.py"
    spec = importlib.util.spec_from_file_location("days_coverage", file)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["days_coverage"] = module
    spec.loader.exec_module(module)
    return module


@pytest.mark.slow
def test_days_of_the_truth_are_those_at_which_the_sky_has_brought_the_threshold(coverage):
    """The benchmark's own truth: the sum over hours up to its days is the threshold dose."""
    truth = coverage.drawn(np.random.default_rng(3), ["miami"], joint=False)
    days = truth.days("miami", "2031-05-14")
    assert math.isfinite(days)
    lying = replace(truth, warming=truth.warming * truth.ground)
    reached = lying.in_the_open("miami", "2031-05-14", np.array([days]))[0]
    assert math.exp(reached) == pytest.approx(truth.tau, rel=1e-6)


@pytest.mark.slow
@pytest.mark.parametrize("design", ["lamp", "lamp and the same site"])
def test_ninety_percent_intervals_of_days_hold_the_truth_about_as_often(coverage, design):
    """80 products at four sites, standard error 3.4 %; hundreds and thousands in the benchmark."""
    found = coverage.run(design, "all from the priors", 80, first=5000)
    assert 0.80 <= found["held"] <= 0.99
    assert found["mixed"] > 0.95  # diagnostics passed
