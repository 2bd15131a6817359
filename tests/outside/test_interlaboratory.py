"""Do repeatability, reproducibility, h and k agree with the practice's worked example?

data/serum_glucose.csv: worked example of ASTM E691 in a public copy (repository cran/ILS). Its
precision figures of materials A, D and E: those of the practice, from memory; B and C of the copy
do not reproduce them and are not used. h and k: recomputed independently. Critical values 2.15 and
2.06 for eight laboratories of three results: the practice, from memory.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from durability.retention import agreement, h_critical, interlaboratory, k_critical

FILE = Path(__file__).parent / "data" / "serum_glucose.csv"
PRECISION = {  # mean, s of means, repeatability, reproducibility
    "A": (41.5183, 0.6061, 1.0632, 1.0632),
    "D": (194.717, 2.595, 2.6251, 3.3657),
    "E": (294.492, 2.6931, 3.935, 4.1923),
}
H = {
    "A": (-0.388, -0.129, -0.113, -0.102, -0.091, 0.828, -1.752, 1.746),
    "D": (-0.411, 0.15, -1.012, 0.962, -0.642, 0.974, -1.332, 1.313),
    "E": (-0.46, 1.643, -0.677, 0.493, -0.345, 0.173, -1.617, 0.79),
}
K = {
    "A": (0.21, 0.456, 0.998, 1.704, 0.345, 1.324, 1.174, 0.774),
    "D": (0.023, 1.784, 0.607, 0.738, 0.717, 0.628, 1.454, 0.939),
    "E": (0.185, 2.335, 0.689, 0.225, 0.243, 1.025, 0.84, 0.419),
}


@pytest.mark.parametrize("material", PRECISION)
def test_precision_and_consistency_of_the_worked_example(material):
    found = {a.subject: a for a in interlaboratory(FILE)}[material]
    numbers = (found.mean, found.s_of_means, found.s_r, found.s_R)
    assert numbers == pytest.approx(PRECISION[material], abs=1.5e-4)
    assert [x.h for x in found.laboratories] == pytest.approx(H[material], abs=6e-4)
    assert [x.k for x in found.laboratories] == pytest.approx(K[material], abs=6e-4)


def test_critical_values_of_the_practice():
    assert (round(h_critical(8), 2), round(k_critical(8, 3), 2)) == (2.15, 2.06)


def test_critical_values_are_passed_as_rarely_as_they_say():
    results = np.random.default_rng(5).normal(size=(6000, 6, 4))
    mean, sd = results.mean(axis=2), results.std(axis=2, ddof=1)
    h = (mean - mean.mean(axis=1, keepdims=True)) / mean.std(axis=1, ddof=1, keepdims=True)
    k = sd / np.sqrt((sd**2).mean(axis=1, keepdims=True))
    # of one laboratory: 0.5 % each, three standard errors of 36,000 dependent values
    assert np.mean(np.abs(h) > h_critical(6)) == pytest.approx(0.005, abs=0.0012)
    assert np.mean(k > k_critical(6, 4)) == pytest.approx(0.005, abs=0.0012)


def test_unequal_numbers_of_results_agree_with_a_variance_components_estimate():
    # one-way analysis of variance by hand: 8, 9, 10; 12, 14; 11
    found = agreement({"P": [8, 9, 10], "Q": [12, 14], "R": [11]})
    within = (2 + 2) / (2 + 1)
    grand = 64 / 6
    among = (3 * (9 - grand) ** 2 + 2 * (13 - grand) ** 2 + (11 - grand) ** 2) / 2
    typical = (6 - 14 / 6) / 2
    assert found.s_r == pytest.approx(np.sqrt(within))
    assert found.s_R == pytest.approx(np.sqrt((among - within) / typical + within))
    assert {"unequal_numbers", "one_result", "few_laboratories"} == set(found.flags)
