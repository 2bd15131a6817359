"""Do intervals of the fraction left hold the truth as often as they say? A small simulation.

The whole table is benchmarks/retained_intervals.py; five strips before and after, known truth.
"""

from __future__ import annotations

import numpy as np
import pytest

from durability.retention import fieller_interval, interval_factor, log_ratio_interval

N, LEFT, TRIALS = 5, 0.5, 10_000  # two standard errors of 0.95 are 0.0044


@pytest.mark.parametrize("interval", [log_ratio_interval, fieller_interval])
@pytest.mark.parametrize("cv", [0.03, 0.08, 0.20])
@pytest.mark.parametrize("kind", ["normal", "lognormal"])
def test_intervals_of_five_strips_cover_95_percent_within_one(interval, cv, kind):
    rng = np.random.default_rng(11)
    sd = np.sqrt(np.log1p(cv**2))
    unit = (
        rng.normal(1, cv, (2, TRIALS, N))
        if kind == "normal"
        else np.exp(rng.normal(-(sd**2) / 2, sd, (2, TRIALS, N)))
    )
    after, before = LEFT * unit[0], unit[1]
    a, b = ((x.mean(axis=1), x.std(axis=1, ddof=1), N) for x in (after, before))
    found = interval(*a, *b, 0.95)
    held = float(np.mean((found.low <= LEFT) & (found.high >= LEFT)))
    # true coverage lies between 0.955 and 0.960 (two hundred thousand trials), and chance besides
    assert 0.94 < held < 0.96 + 0.0044


def test_the_width_that_is_promised_with_assurance_is_kept_as_often():
    cv, n = 0.10, 6
    rng = np.random.default_rng(12)
    a, b = rng.normal(10, 1, (TRIALS, n)), rng.normal(20, 2, (TRIALS, n))
    found = log_ratio_interval(
        a.mean(axis=1), a.std(axis=1, ddof=1), n, b.mean(axis=1), b.std(axis=1, ddof=1), n
    )
    promised = interval_factor(cv, n, cv, n, assurance=0.9)
    kept = float(np.mean(found.high / found.value <= promised))
    assert kept == pytest.approx(0.9, abs=0.02)
    usual = interval_factor(cv, n, cv, n)
    assert float(np.median(found.high / found.value)) == pytest.approx(usual, rel=0.02)
