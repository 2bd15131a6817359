"""Is what is said of strength left true, and does it say what it leans on?"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy.stats import t

from durability.retention import FLAGS, log_ratio_interval, retained_strength
from durability.study import read_study

START, LEFT = [20.0, 21.0, 19.0, 20.5, 19.5], [10.0, 11.0, 9.5, 10.5, 9.0]
TRIALS = 1000  # each a material of one study; two standard errors of 0.95 are 0.014
EXAMPLES = Path(__file__).parents[2] / "examples"


def retained(found, **subject):
    return found.one(quantity="retained_strength", **subject)


def numbers(s) -> np.ndarray:
    """Value, low and high; nan where not stated."""
    return np.array([np.nan if x is None else x for x in (s.value, s.low, s.high)])


def coverage(found, truth: float) -> float:
    return float(np.mean([numbers(s)[1] < truth < numbers(s)[2] for s in found]))


def log_width(s) -> float:
    _, low, high = numbers(s)
    return float(np.log(high / low))


def test_two_strips_of_50_mm_breaking_at_600_and_300_newtons_leave_half(make, strips):
    # arithmetic: 12 and 6 kN/m
    found = retained_strength(make(strips([12.0]) + strips([6.0], dose=100.0)))
    s = retained(found)
    assert (s.value, s.low, s.high, s.unit) == (0.5, None, None, "1")
    assert "spread_not_given" in s.flags


def test_ratio_and_unexposed_strength_are_those_of_their_strips(make, strips):
    found = retained_strength(make(strips(START, lot="1") + strips(LEFT, lot="1", dose=100.0)))
    moments = [(np.mean(x), np.std(x, ddof=1), 5) for x in (LEFT, START)]
    expected = log_ratio_interval(*moments[0], *moments[1], 0.95)
    s = retained(found, lot="1")
    np.testing.assert_allclose(numbers(s), expected[:3], rtol=1e-12)
    assert (s.kind, s.sides, s.exposure, s.dose, s.of) == ("confidence", 2, "X", 100.0, None)
    start = found.one(quantity="unexposed_strength", lot="1")
    assert numbers(start)[1:] == pytest.approx(
        t.interval(0.95, 4, loc=20.0, scale=np.std(START, ddof=1) / np.sqrt(5))
    )
    assert (start.unit, start.dose, start.exposure) == ("kN/m", None, None)
    # one lot: the product is known by that lot's strips, and says so
    mean = retained(found, of="mean")
    assert (mean.value, mean.low) == (s.value, s.low) and "one_lot" in mean.flags


def test_lots_count_once_each_in_the_mean(make, strips):
    ratios, counts = (0.4, 0.5, 0.6), (5, 2, 9)
    rows = []
    for lot, (r, n) in enumerate(zip(ratios, counts, strict=True)):
        rows += strips([19.0, 21.0], lot=str(lot))
        rows += strips(list(r * np.linspace(19, 21, n)), lot=str(lot), dose=100.0)
    s = retained(retained_strength(make(rows)), of="mean")
    logs = np.log(ratios)
    assert s.value == pytest.approx(np.exp(logs.mean()))
    assert np.log(numbers(s)[1:]) == pytest.approx(
        t.interval(0.95, 2, loc=logs.mean(), scale=logs.std(ddof=1) / np.sqrt(3))
    )
    assert s.lot is None and "lots_vary" in s.assumptions


def test_a_weak_strip_leaves_only_an_upper_bound_above_what_any_value_would_give(make, strips):
    weak = {"strength": 2.0, "censored": -1, "dose": 100.0}
    s = retained(retained_strength(make([*strips(START), *strips([3.0, 2.5], dose=100.0), weak])))
    assert s.is_bound and s.low is None and s.sides == 1 and "censored" in s.flags
    for truth in (0.01, 1.0, 1.99):
        assert numbers(s)[2] > np.mean([3.0, 2.5, truth]) / 20.0


def test_all_strips_too_weak_still_carry_scatter(make, strips):
    weak = [{"strength": 2.0, "censored": -1, "dose": 100.0}] * 3
    s = retained(retained_strength(make([*strips(START), *weak])))
    assert numbers(s)[2] > 2.0 / 20.0


def test_a_strip_that_held_at_least_so_much_leaves_only_a_lower_bound(make, strips):
    held = {"strength": 8.0, "censored": 1, "dose": 100.0}
    s = retained(retained_strength(make([*strips(START), *strips([9.0, 10.0], dose=100.0), held])))
    assert s.is_bound and s.high is None and numbers(s)[1] < 9.0 / 20.0


def test_unexposed_strips_known_only_from_below_turn_the_bound_around(make, strips):
    held = {"strength": 15.0, "censored": 1}
    found = retained_strength(make([*strips(START), held, *strips(LEFT, dose=100.0)]))
    assert found.one(quantity="unexposed_strength").high is None
    assert retained(found).low is None and numbers(retained(found))[2] > 0.5


def test_nothing_follows_from_two_bounds_that_do_not_meet(make, strips):
    weak = {"strength": 2.0, "censored": -1}
    found = retained_strength(make([*strips(START), weak, *strips([3.0]), {**weak, "dose": 9.0}]))
    assert [s.quantity for s in found] == ["unexposed_strength"]


def test_one_strip_borrows_scatter_and_its_interval_is_wider_than_pooled_t(make, strips):
    rows = strips(START) + strips(LEFT, dose=100.0) + strips([5.0], dose=200.0)
    s = retained(retained_strength(make(rows)), dose=200.0)
    assert {"spread_borrowed", "few_strips"} <= set(s.flags)
    cv = [np.std(x, ddof=1) / np.mean(x) for x in (START, LEFT)]
    pooled = np.sqrt(np.mean(np.square(cv)))
    narrow = t.ppf(0.975, 12) * np.sqrt(pooled**2 + cv[0] ** 2 / 5)
    assert log_width(s) / 2 > narrow


@pytest.mark.parametrize("factor", [1.0, 1.3])
def test_borrowed_scatter_covers_even_where_this_group_scatters_more(make, strips, factor):
    rng = np.random.default_rng(5)
    rows = []
    for trial in map(str, range(TRIALS)):
        for dose, mean in ((0.0, 20.0), (1.0, 16.0), (2.0, 14.0), (3.0, 12.0)):
            x = mean * np.exp(0.1 * rng.standard_normal(5))
            rows += strips(list(x), dose=dose, material=trial)
        x = 10.0 * np.exp(0.1 * factor * rng.standard_normal())
        rows += strips([x], dose=4.0, material=trial)
    found = retained_strength(make(rows)).where(quantity="retained_strength", dose=4.0)
    assert len(found) == TRIALS
    assert coverage(found, 0.5) > 0.95 - 0.014


def test_without_unexposed_strips_the_strength_itself_is_stated(make, strips):
    rows = strips(START, lot="1", dose=50.0) + strips(LEFT, lot="1", dose=100.0)
    found = retained_strength(make(rows))
    assert {(s.quantity, s.unit) for s in found} == {("retained_strength", "kN/m")}
    assert all("no_unexposed_strips" in s.flags for s in found)
    first, last = found.one(lot="1", dose=50.0), found.one(lot="1", dose=100.0)
    assert first.sides == 2 and (last.sides, last.high) == (1, None)
    assert last.low == pytest.approx(10 - t.ppf(0.95, 4) * np.std(LEFT, ddof=1) / np.sqrt(5))


def test_a_lot_without_unexposed_strips_borrows_the_other_lots_and_is_widened(make, strips):
    rows = []
    for lot, start in (("1", 1.0), ("2", 1.05), ("3", 0.95)):
        rows += strips([start * x for x in START], lot=lot) + strips(LEFT, lot=lot, dose=100.0)
    rows += strips(LEFT, lot="4", dose=100.0)
    found = retained_strength(make(rows))
    s = retained(found, lot="4")
    assert "unexposed_borrowed" in s.flags and s.unit == "1"
    assert s.value == pytest.approx(0.5, rel=0.01)
    assert log_width(s) > 1.5 * log_width(retained(found, lot="1"))
    mean = retained(found, of="mean")
    assert "lots_lack_unexposed" in mean.flags
    three = retained_strength(make([r for r in rows if r["lot"] != "4"]))
    assert mean.value == retained(three, of="mean").value


def test_percents_are_fractions_and_have_an_interval_only_with_spread_and_number(make):
    row = {"summary": True, "strength": 52.0, "sd": 5.0, "n": 5, "dose": 100.0}
    rows = [row, {**row, "sd": np.nan, "n": 0, "dose": 200.0}]
    found = retained_strength(make(rows, unit="%"))
    assert len(found) == 2 and {s.unit for s in found} == {"1"}
    full, bare = found
    half = t.ppf(0.975, 4) * (5 / 52) / np.sqrt(5)
    assert np.log(numbers(full) / 0.52) == pytest.approx([0, -half, half])
    assert (bare.value, bare.low, bare.high) == (0.52, None, None)
    assert {"percent_form", "spread_not_given"} <= set(bare.flags)


def test_percents_with_scattered_unexposed_rows_carry_the_error_of_those(make):
    row = {"summary": True, "strength": 52.0, "sd": 5.0, "n": 5, "dose": 100.0}
    start = {**row, "strength": 100.0, "sd": 8.0, "dose": 0.0}
    (with_start,) = retained_strength(make([start, row], unit="%"))
    (without,) = retained_strength(make([row], unit="%"))
    assert with_start.value == pytest.approx(0.52) and "percent_form" not in with_start.flags
    assert log_width(with_start) > log_width(without)
    bare = {**start, "sd": np.nan, "n": 0}
    (s,) = retained_strength(make([bare, row], unit="%"))
    np.testing.assert_array_equal(numbers(s), numbers(without))


def test_an_upper_bound_of_weak_strips_holds_as_often_as_it_says(make, strips):
    # truth: mean 1.0 of 20; the limit of the test lies in the middle of the strips
    rng = np.random.default_rng(11)
    rows = []
    for trial in map(str, range(TRIALS)):
        x = 1.0 + 0.2 * rng.standard_normal(5)
        rows += [
            {"strength": max(v, 1.0), "censored": -int(v < 1.0), "dose": 9.0, "material": trial}
            for v in x.tolist()
        ]
        rows += strips(list(20 + rng.standard_normal(5)), material=trial)
    found = retained_strength(make(rows)).where(lambda s: s.is_bound, dose=9.0)
    assert len(found) > 0.9 * TRIALS
    assert np.mean([numbers(s)[2] > 0.05 for s in found]) >= 0.95


def test_the_interval_of_the_mean_of_lots_covers_the_median_lot(make, strips):
    rng = np.random.default_rng(12)
    rows = []
    for trial in map(str, range(2 * TRIALS)):
        for lot in "abc":
            left = 0.5 * np.exp(0.1 * rng.standard_normal())
            for dose, mean in ((0.0, 20.0), (1.0, 20.0 * left)):
                x = mean * (1 + 0.08 * rng.standard_normal(5))
                rows += strips(list(x), lot=lot, dose=dose, material=trial)
    found = retained_strength(make(rows)).where(dose=1.0, of="mean")
    assert coverage(found, 0.5) == pytest.approx(0.95, abs=0.014)


def test_a_summary_and_strips_of_one_group_are_put_together_exactly(make, strips):
    summary = {"summary": True, "strength": 10.0, "sd": float(np.std(LEFT, ddof=1)), "n": 5}
    more = [8.0, 9.0]
    start = strips(START)
    found = retained_strength(make([*start, {**summary, "dose": 1.0}, *strips(more, dose=1.0)]))
    whole = retained_strength(make(start + strips(LEFT + more, dose=1.0)))
    a, b = retained(found), retained(whole)
    np.testing.assert_allclose(numbers(a), numbers(b), rtol=1e-12)


def test_unexposed_scatter_and_gains_are_remarked(make, strips):
    rows = strips([10.0, 20.0, 30.0]) + strips([30.0, 31.0, 32.0], dose=1.0)
    s = retained(retained_strength(make(rows)))
    assert {"unexposed_scatter", "above_unexposed"} <= set(s.flags)


def test_fieller_is_wider_where_the_unexposed_mean_is_poor_and_may_have_no_end(make, strips):
    rows = strips([14.0, 20.0, 27.0]) + strips([9.0, 10.0, 11.0], dose=1.0)
    log, fieller = (
        retained(retained_strength(make(rows), method=m)) for m in ("log_ratio", "fieller")
    )
    assert log.value == fieller.value and "fieller" in fieller.assumptions
    assert numbers(fieller)[2] > numbers(log)[2]
    wild = make(strips([2.0, 20.0, 45.0]) + strips([9.0, 10.0, 11.0], dose=1.0))
    s = retained(retained_strength(wild, method="fieller"))
    assert (s.low, s.high) == (None, None) and "fieller_unbounded" in s.flags


@pytest.mark.parametrize("options", [{"level": 1.0}, {"level": 0.0}, {"method": "delta"}])
def test_unknown_level_or_method_is_refused(make, strips, options):
    with pytest.raises(ValueError, match=next(iter(options))):
        retained_strength(make(strips(START)), **options)


@pytest.mark.parametrize("name", ["quarry-cover", "marine-fabrics", "uv-cycles"])
def test_statements_of_the_examples_have_ids_of_their_own_and_explained_names(name):
    found = retained_strength(read_study(EXAMPLES / name))
    ids = [s.id for s in found]
    assert len(set(ids)) == len(ids) > 10
    used = {n for s in found for n in (*s.flags, *s.assumptions)}
    assert used <= set(FLAGS)


def test_study_retention_gives_the_same_statements():
    study = read_study(EXAMPLES / "uv-cycles")
    assert study.retention().to_list() == retained_strength(study).to_list()
    assert study.retention(level=0.9)[0].level == 0.9


def test_a_published_zero_is_at_most_its_limit_and_never_zero():
    found = retained_strength(read_study(EXAMPLES / "marine-fabrics"))
    bounds = [s for s in found if s.is_bound]
    assert len(bounds) == 5 and {s.material for s in bounds} == {"nylon"}
    assert {s.high for s in bounds} == {0.01}
