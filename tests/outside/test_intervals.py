"""Do the other intervals agree with printed examples? One source beside each."""

from __future__ import annotations

import csv
import json

import numpy as np
import pytest
from scipy import stats

from durability.retention import (
    log_ratio_interval,
    log_sum_interval,
    lognormal_mean_limit,
    mean_interval,
)
from durability.retention.ratios import t_quantile


def test_limit_of_a_lognormal_mean_agrees_with_lands_exact_method():
    # Source: Box 3-12 of the EPA QA/G-9 guidance as reproduced at dnrweblink.state.co.us: 10.97
    # from the printed, rounded moments; 10.95848 from the data by an independent computation.
    x = [8.12, 7.32, 4.82, 6.52, 7.8, 11.89, 12.94, 7.51, 18.14, 4.09, 5.7, 15.57, 6.68, 8.15, 5.56]
    log = np.log(x)
    assert lognormal_mean_limit(2.0767, 0.4272, 15, side="high") == pytest.approx(10.97, abs=0.005)
    found = lognormal_mean_limit(log.mean(), log.std(ddof=1), 15, side="high")
    assert found == pytest.approx(10.95848, abs=5e-6)


def test_ratio_of_geometric_means_agrees_with_r_on_paired_logs():
    # Source: data of the lognormal equivalence example of the TTEST documentation
    # (support.sas.com, statug 65328); R 4.2.2 t.test on logs: 0.9411989, 0.8467276 to 1.0462107.
    test = [103.4, 59.92, 68.17, 94.54, 69.48, 72.17, 74.37, 84.44, 96.74, 94.26, 48.52, 95.68]
    other = [90.11, 77.71, 77.71, 97.51, 58.21, 101.3, 79.84, 96.06, 89.3, 97.22, 61.62, 85.8]
    d = np.log(test) - np.log(other)
    half = float(t_quantile(0.95, d.size - 1)) * d.std(ddof=1) / np.sqrt(d.size)
    found = np.exp([d.mean(), d.mean() - half, d.mean() + half])
    assert found == pytest.approx([0.9411989228, 0.8467275643, 1.04621067], rel=1e-8)


def test_student_quantiles_and_means_agree_with_scipy():
    df = np.array([1.0, 2.5, 4.0, 8.0, 60.0])
    assert t_quantile(0.95, df) == pytest.approx(stats.t.ppf(0.975, df), rel=1e-10)
    assert t_quantile(0.95, df, 1) == pytest.approx(stats.t.ppf(0.95, df), rel=1e-10)
    found = mean_interval(600.0, 90.0, 4, 0.9)
    low, high = stats.t.interval(0.9, 3, 600.0, 45.0)
    assert (found.low, found.high) == pytest.approx((low, high), rel=1e-12)


def test_welch_interval_of_logs_agrees_with_scipy_where_logs_are_nearly_linear():
    # scipy.stats.ttest_ind, unequal variances, on logs; the delta method differs by order cv²
    rng = np.random.default_rng(2)
    a, b = rng.normal(10, 0.02, 5), rng.normal(20, 0.05, 6)
    found = log_ratio_interval(a.mean(), a.std(ddof=1), 5, b.mean(), b.std(ddof=1), 6)
    ci = stats.ttest_ind(np.log(a), np.log(b), equal_var=False).confidence_interval(0.95)
    assert np.log([found.low, found.high]) == pytest.approx([ci.low, ci.high], abs=2e-5)
    both = log_sum_interval([1, -1], [a.mean(), b.mean()], [a.std(ddof=1), b.std(ddof=1)],
                            [5, 6], [4, 5])  # fmt: skip
    assert (both.low, both.high) == pytest.approx((found.low, found.high), rel=1e-12)


@pytest.mark.parametrize("table", ["outdoor_treatments_strips", "outdoor_treatments_puncture"])
def test_group_means_of_real_cords_agree_with_independent_ones(table, reference, tmp_path):
    answers = json.loads(reference("retention/answers.json").read_text(encoding="utf-8"))[table]
    with open(reference(f"retention/{table}.csv"), encoding="utf-8") as stream:
        rows = list(csv.DictReader(line for line in stream if not line.startswith("#")))
    force = next(c for c in rows[0] if "force" in c and "[N]" in c)
    days = next(c for c in rows[0] if "day" in c)
    lines = ["material,exposure,dose [d],peak_force [N]"]
    lines += [f"{r['treatment']},O,{r[days]},{r[force]}" for r in rows if r[force]]
    (tmp_path / "s.csv").write_text("\n".join(lines), encoding="utf-8")
    names = sorted({r["treatment"] for r in rows})
    (tmp_path / "study.toml").write_text(
        '[study]\ntitle = "cords"\nproperty = "force"\nunit = "N"\nrequired_strength = "20 N"\n'
        '[data]\nspecimens = "s.csv"\n[exposures.O]\naxis = "d"\n'
        + "".join(f"[materials.{n}]\n" for n in names),
        encoding="utf-8",
    )
    from durability.retention import groups
    from durability.study import read_study

    found = groups(read_study(tmp_path))
    checked = 0
    for g in range(found.sizes["group"]):
        of = answers[str(found["material"].values[g])]["groups"][f"{found['dose'].values[g]:g}"]
        assert int(found["n"].values[g]) == of["n"]
        assert float(found["mean"].values[g]) == pytest.approx(of["mean"], rel=1e-7)
        assert float(found["sd"].values[g]) == pytest.approx(of["sd"], rel=1e-7)
        checked += 1
    assert checked == 24
