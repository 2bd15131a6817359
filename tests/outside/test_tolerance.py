"""Are tolerance factors those of published and independently computed tables? Every row.

data/tolerance_two_sided.csv: Statistics for Environmental Engineers, table 21.1 (two decimals), and
an independent numerical integration (five). data/tolerance_one_sided.csv: R 4.2.2 and scipy, five
digits. 95 % confidence throughout.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from durability.retention import share_that_holds, tolerance_factor

HERE = Path(__file__).parent / "data"


def rows(name: str) -> list[dict[str, str]]:
    with open(HERE / name, encoding="utf-8") as stream:
        return list(csv.DictReader(line for line in stream if not line.startswith("#")))


def test_one_sided_factors_agree_with_r_in_every_row():
    table = rows("tolerance_one_sided.csv")
    assert len(table) == 42
    for row in table:
        k = tolerance_factor(int(row["n"]), float(row["coverage"]))
        assert k == pytest.approx(float(row["k"]), rel=4e-6), row


def test_two_sided_factors_agree_with_the_printed_table_in_every_row():
    table = rows("tolerance_two_sided.csv")
    assert len(table) == 42
    for row in table:
        k = tolerance_factor(int(row["n"]), float(row["coverage"]), sides=2)
        assert k == pytest.approx(float(row["exact"]), rel=4e-6), row
        assert k == pytest.approx(float(row["published"]), abs=0.0061), row


def test_factors_of_the_trade():
    # one-sided, 95 % content and confidence: 4.203, 2.911, 2.396 for 5, 10 and 20 (from memory)
    found = [round(tolerance_factor(n, 0.95), 3) for n in (5, 10, 20)]
    assert found == [4.203, 2.911, 2.396]


def test_a_tolerance_limit_holds_its_share_as_often_as_it_says():
    draws = np.random.default_rng(4).normal(20, 1.5, (4000, 5))
    k = tolerance_factor(5, 0.9)
    limit = draws.mean(axis=1) - k * draws.std(axis=1, ddof=1)
    true = 20 - 1.2815516 * 1.5  # scipy.stats.norm.ppf(0.9)
    assert np.mean(limit <= true) == pytest.approx(0.95, abs=0.011)  # three standard errors


def test_confidence_of_a_share_agrees_with_scipys_noncentral_t():
    from scipy.stats import nct, norm

    expected = nct.cdf(2.0 * np.sqrt(6), 5, np.sqrt(6) * norm.ppf(0.8))
    assert share_that_holds(12.0, 1.0, 6, 10.0, 0.8) == pytest.approx(expected, rel=1e-9)
