"""Do intervals and tests of groups agree with numbers printed elsewhere? One source beside each."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from durability.retention import (
    fieller_interval,
    fieller_limits,
    grubbs_critical,
    log_ratio_interval,
    mean_interval,
)

EXAMPLES = Path(__file__).parents[2] / "examples"


def moments(x):
    x = np.asarray(x, dtype=float)
    return x.mean(), x.std(ddof=1), x.size


def test_fieller_limits_agree_with_printed_example_from_summary_statistics():
    # Source: README of repository DCPROGS/DCSTATS: ratio 14/7, sd of the two estimates 3 and 2,
    # 10 degrees of freedom, level 0.90, t 1.812461; limits 1.051413 and 4.414296.
    low, high = fieller_limits(14, 3, 7, 2, 1.812461)
    assert low == pytest.approx(1.051413, abs=5e-7)
    assert high == pytest.approx(4.414296, abs=1e-6)


def test_fieller_with_unequal_scatter_agrees_with_printed_r_output():
    # Source: printed output of the general R package mratios on
    # mikuhatsune.hatenadiary.com/entry/20121212/1355320912; data are R set.seed(12345);
    # rnorm(5, 1, 1); rnorm(5, 2, 1). Seven digits printed.
    x = [1.585528818, 1.709466018, 0.8906966853, 0.5465028265, 1.605887456]
    y = [0.1820440323, 2.630098551, 1.723815895, 1.715840256, 1.080677998]
    found = fieller_interval(*moments(x), *moments(y), 0.95)
    assert found.value == pytest.approx(0.8643849, abs=5e-8)
    assert found.low == pytest.approx(0.4056763, abs=5e-8)
    assert found.high == pytest.approx(2.6170008, abs=5e-8)


def test_delta_variance_of_a_log_ratio_agrees_with_a_printed_paired_example():
    # Source: dgbonett.github.io/statpsych/reference/ci.ratio.mean.ps.html (method of Bonett and
    # Price 2020, J. Educ. Behav. Stat. 45, 750-770): ratio 1.134146, limits 1.09417 and 1.175583.
    # Paired there, independent here: the same delta variance less the covariance, which is put
    # back by hand, so that this checks the variance terms and the t limits on the log scale.
    y1 = np.array([3.3, 3.6, 3.0, 3.1, 3.9, 4.2, 3.5, 3.3])
    y2 = np.array([3.0, 3.1, 2.7, 2.6, 3.2, 3.8, 3.2, 3.0])
    a, b = moments(y1), moments(y2)
    found = log_ratio_interval(*a, *b, 0.95)
    assert found.value == pytest.approx(1.134146, abs=5e-7)
    from scipy.stats import t

    unpaired = (np.log(found.high / found.value) / t.ppf(0.975, found.df)) ** 2
    paired = unpaired - 2 * np.cov(y1, y2)[0, 1] / (8 * a[0] * b[0])
    half = t.ppf(0.975, 7) * np.sqrt(paired)
    assert found.value * np.exp(-half) == pytest.approx(1.09417, abs=5e-6)
    assert found.value * np.exp(half) == pytest.approx(1.175583, abs=5e-7)


def test_grubbs_statistic_and_critical_value_agree_with_printed_example():
    # Source: rdrr.io/cran/climtrends/man/findOutliers.Grubbs.twosided.html (data of Tietjen and
    # Moore): G 2.468765. Critical value 2.032, one-sided 5 %: e-Handbook of
    # statistics, from memory.
    x = np.array([199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57])
    mean, sd, n = moments(x)
    assert np.abs(x - mean).max() / sd == pytest.approx(2.468765, abs=5e-7)
    assert grubbs_critical(n, 0.05, sides=1) == pytest.approx(2.032, abs=5e-4)


def test_grubbs_critical_value_of_five_strips_is_that_of_the_trade():
    # 1.672, one-sided 5 %: common practice, no source; by integration it is 1.6714, so the last
    # printed digit is allowed to be off by one. The bound (n-1)/sqrt(n) is arithmetic.
    assert grubbs_critical(5, 0.05, sides=1) == pytest.approx(1.672, abs=1e-3)
    assert grubbs_critical(5, 1e-12) == pytest.approx(4 / np.sqrt(5), abs=1e-3)


def test_t_interval_agrees_with_scipy():
    # Source: scipy.stats.t.interval, general-purpose library.
    from scipy.stats import t

    x = [19.4, 20.1, 20.9, 19.8, 20.6]
    mean, sd, n = moments(x)
    low, high = t.interval(0.95, n - 1, loc=mean, scale=sd / np.sqrt(n))
    found = mean_interval(mean, sd, n)
    assert found.low == pytest.approx(low, rel=1e-12)
    assert found.high == pytest.approx(high, rel=1e-12)


# Real strips, licence CC BY 4.0: Santos, Holanda, da Silva et al. 2025, Zenodo
# 10.5281/zenodo.18748157, as in examples/uv-cycles/specimens.csv. Numbers below: recomputed
# independently from the same strips with numpy and scipy, save where a print is named.
GROUPS = {  # cycles: n, mean, sd, cv, mean_log, sd_log
    10: (4, 586.6025, 143.35513, 0.24438207, 6.3484388, 0.27249849),
    20: (4, 599.93875, 269.08113, 0.44851434, 6.300288, 0.54045787),
    30: (4, 429.53325, 127.26128, 0.29627806, 6.0308367, 0.2897186),
    40: (3, 654.14767, 323.76467, 0.49494126, 6.3740624, 0.61259736),
    50: (4, 607.6255, 205.31321, 0.33789432, 6.3713197, 0.31034069),
    60: (3, 554.86767, 78.637112, 0.14172228, 6.3119839, 0.14252636),
    70: (4, 615.127, 234.00107, 0.38041098, 6.3640205, 0.39931594),
    80: (4, 760.157, 182.56653, 0.2401695, 6.6125413, 0.23495726),
    90: (4, 654.20925, 120.0459, 0.18349772, 6.4706601, 0.18485398),
    100: (4, 378.2725, 38.809642, 0.10259705, 5.9317649, 0.10070341),
    110: (4, 591.0015, 118.54673, 0.20058618, 6.3653686, 0.213988),
    120: (3, 582.52767, 180.59801, 0.31002478, 6.3354113, 0.30944102),
}
AGAINST_10_CYCLES = {  # ratio of means, Welch df, t 95 % limits on logs, Fieller 95 % pooled sd
    20: (1.0227347, 4.6370146, 0.52216466, 2.0031733, 0.51663144, 2.0471844),
    30: (0.73223904, 5.790479, 0.4558083, 1.1763147, 0.42505427, 1.1666361),
    40: (1.1151464, 2.7372525, 0.39219153, 3.170776, 0.47741945, 2.5384929),
    50: (1.0358386, 5.4642626, 0.61425019, 1.7467826, 0.60433933, 1.7944944),
    60: (0.94590062, 4.8353117, 0.64561945, 1.3858442, 0.59910069, 1.4374394),
    70: (1.0486266, 5.1158227, 0.58876897, 1.8676558, 0.58063722, 1.9274179),
    80: (1.2958639, 5.9981869, 0.85209154, 1.9707545, 0.84719429, 2.0885817),
    90: (1.1152514, 5.5668611, 0.76186954, 1.6325441, 0.7676189, 1.646454),
    100: (0.6448532, 4.0256438, 0.44675218, 0.93079713, 0.40827288, 0.94642327),
    110: (1.0074991, 5.7802927, 0.68186115, 1.4886527, 0.67630648, 1.5026911),
    120: (0.9930535, 3.7548065, 0.53552399, 1.8414773, 0.54707135, 1.7145684),
}


def uv_strips() -> dict[int, np.ndarray]:
    with open(EXAMPLES / "uv-cycles" / "specimens.csv", encoding="utf-8") as stream:
        rows = list(csv.DictReader(line for line in stream if not line.startswith("#")))
    found: dict[int, list[float]] = {}
    for row in rows:
        if row["peak_force [N]"]:
            found.setdefault(int(row["dose [cycles]"]), []).append(float(row["peak_force [N]"]))
    return {k: np.array(v) for k, v in found.items()}


def test_groups_of_real_strips_agree_with_independent_moments():
    from durability.retention import groups
    from durability.study import read_study

    found = groups(read_study(EXAMPLES / "uv-cycles"))
    assert found["dose"].values.tolist() == list(GROUPS)
    names = ("n", "mean", "sd", "cv", "mean_log", "sd_log")
    columns = zip(*GROUPS.values(), strict=True)
    for name, column in zip(names, columns, strict=True):
        np.testing.assert_allclose(found[name].values, column, rtol=1e-7, err_msg=name)


def test_mean_forces_agree_with_those_the_authors_print():
    # Source: manuscript text in repository artigo-lc-k of the same authors: 429.53, 554.87 and
    # 654.21 N at 30, 60 and 90 cycles.
    strips = uv_strips()
    printed = {30: 429.53, 60: 554.87, 90: 654.21}
    assert {k: round(float(strips[k].mean()), 2) for k in printed} == printed


@pytest.mark.parametrize("cycles", AGAINST_10_CYCLES)
def test_ratio_of_real_groups_agrees_with_independent_welch_and_fieller(cycles):
    strips = uv_strips()
    a, b = moments(strips[cycles]), moments(strips[10])
    ratio, df, low, high, fieller_low, fieller_high = AGAINST_10_CYCLES[cycles]
    log = log_ratio_interval(*a, *b, 0.95)
    assert [log.value, log.df, log.low, log.high] == pytest.approx([ratio, df, low, high], rel=1e-7)
    pooled = fieller_interval(*a, *b, 0.95, spread="pooled")
    assert [pooled.low, pooled.high] == pytest.approx([fieller_low, fieller_high], rel=1e-7)


def test_real_strips_without_unexposed_ones_give_newtons_and_a_lower_bound():
    # 582.53 - t(0.95, 2 df) 180.598/sqrt(3): scipy.stats.t
    from scipy.stats import t

    from durability.retention import retained_strength
    from durability.study import read_study

    found = retained_strength(read_study(EXAMPLES / "uv-cycles"))
    assert {s.unit for s in found} == {"N"}
    assert all("no_unexposed_strips" in s.flags for s in found)
    last = found.one(dose=120.0)
    assert (last.sides, last.high) == (1, None)
    assert last.low == pytest.approx(582.52767 - t.ppf(0.95, 2) * 180.59801 / np.sqrt(3), rel=1e-6)
