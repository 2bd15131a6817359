"""Is one number a copy of another? Equal values, a slipped column, ratios that never vary.

Screens over plain arrays, as in `durability.study.screening`, which says how they are judged.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from durability.study.screening import CHANCE, Suspicion, decimals, last_place

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

FEWEST_ALIKE = 5
"""A constant ratio needs so many different values to be seen."""

EQUAL_CHANCE = 0.02
"""Probability of chance below which equal values are said, in one measurement or in two."""

COARSE = 50
"""Values of fewer steps than this repeat too easily to tell anything."""

_MOST_SERIES = 300


def equal_values(
    values: ArrayLike, texts: Sequence[str], *, also: ArrayLike | None = None
) -> list[Suspicion]:
    """Values equal to all digits, where chance would hardly make so many.

    Values are written in steps. Two that differ by a few steps are as likely as two that do not
    differ, so the number of near pairs tells how many equal ones chance makes; their count is
    taken as Poisson. Values written to a coarser step than the others (whole newtons among
    hundredths) are judged by that step. Speaks on 1.3 % of sound studies.

    Parameters
    ----------
    values, texts : (row,) numbers and how they are written.
    also : (row,) a second measurement of the same strips; pairs equal in both are rarer still.

    Returns
    -------
    One suspicion a set of equal values; `amount` is how many such pairs chance makes in the table.

    Examples
    --------
    >>> texts = [f"{500 + 37.123 * i:.3f}" for i in range(12)] + ["537.123"]
    >>> [s.rows for s in equal_values([float(t) for t in texts], texts)]
    [(1, 12)]
    """
    import numpy

    x = numpy.asarray(values, dtype=float)
    if x.size < 3 or not numpy.isfinite(x).all():
        return []
    counts, unit = _in_steps(x, texts)
    order = numpy.argsort(counts, kind="stable")
    order = order[numpy.abs(counts[order]) >= COARSE]
    if order.size < 3:
        return []
    unique, number = numpy.unique(counts[order], return_counts=True)
    usual = _near_pairs(counts[order], 30)[1]
    ends = numpy.cumsum(number)
    repeated = numpy.flatnonzero(number > 1)
    values_twice = [order[ends[k] - number[k] : ends[k]] for k in repeated.tolist()]
    found = _too_many(values_twice, usual)
    written = [texts[int(s[0])] for s in values_twice] if found else []
    steps = _steps_of(unique[repeated][: len(written)], counts, last_place(written) / unit).tolist()
    for step in set(steps) - {1}:  # those on a coarser step must be rare among their like
        mine = (counts % step == 0) & (numpy.abs(counts) >= COARSE)
        coarse = [s for s, own in zip(values_twice, steps, strict=True) if own == step]
        rare = _too_many(coarse, _near_pairs(numpy.sort(counts[mine]) // step, 30)[1])
        for rows in (tuple(s.tolist()) for s in coarse):
            if rows not in rare:
                found.pop(rows, None)
    if also is not None:
        label = numpy.unique(numpy.asarray(also), return_inverse=True)[1]
        near, _ = _near_pairs(counts[order], 1000)
        one, other = order[near[0]], order[near[1]]
        share = (1 + int((label[one] == label[other]).sum())) / (1 + one.size)
        both = [s[label[s] == k] for s in values_twice for k in numpy.unique(label[s])]
        found |= {k: v for k, v in _too_many(both, usual * share).items() if k not in found}
    return list(found.values())


def common_step(values: ArrayLike, texts: Sequence[str]) -> float:
    """The coarsest step of which every value is a multiple, such as 5 N; 0 for no values.

    Examples
    --------
    >>> common_step([905.0, 910.0, 925.0], ["905.0", "910.0", "925.0"])
    5.0
    """
    import numpy

    x = numpy.asarray(values, dtype=float)
    return _in_steps(x, texts)[1] if x.size else 0.0


def _in_steps(x: NDArray, texts: Sequence[str]) -> tuple[NDArray, float]:
    """Values as whole numbers of the coarsest step that all share, and that step."""
    import numpy

    largest = float(numpy.abs(x).max())
    room = 15 - math.floor(math.log10(largest)) if largest > 0 else 0  # a float holds 15 digits
    digits = max(-300, min(300, room, int(decimals(texts).max())))
    counts = numpy.rint(x * 10.0**digits).astype(numpy.int64)
    shared = max(int(numpy.gcd.reduce(counts)), 1)
    return counts // shared, shared / 10.0**digits


def _steps_of(values: NDArray, counts: NDArray, written: NDArray) -> NDArray:
    """For each value the coarsest step on which it lies, if that is no chance.

    Steps are 1, 2, 5, 10, 20, 50 … . One counts if the value is written to it, or if more values
    lie on it than chance puts there.
    """
    import numpy

    best = numpy.ones(values.size, dtype=numpy.int64)
    largest = int(numpy.abs(values).max()) if values.size else 0
    for step in (m * 10**k for k in range(len(str(largest))) for m in (2, 5, 10)):
        there, by_chance = int((counts % step == 0).sum()), counts.size / step
        common = there > by_chance + 3 * math.sqrt(by_chance) + 3
        best[(values % step == 0) & (common | (written >= 0.999 * step))] = step
    return best


def _near_pairs(steps: NDArray, least: int) -> tuple[tuple[NDArray, NDArray], float]:
    """Pairs of sorted values that differ by 1 to k steps, and how many equal ones they foretell.

    k is the smallest of 5, 10, 20 … that gives `least` pairs.
    """
    import numpy

    equal = numpy.searchsorted(steps, steps, side="right")
    reach = 5
    while True:
        within = numpy.searchsorted(steps, steps + reach, side="right")
        number = within - equal
        if number.sum() >= least or reach > int(steps[-1] - steps[0]):
            break
        reach *= 2
    most = numpy.minimum(number, max(1, 200_000 // steps.size))  # enough to tell a share
    first = numpy.repeat(numpy.arange(steps.size), most)
    offset = numpy.arange(most.sum()) - numpy.repeat(numpy.cumsum(most) - most, most)
    second = equal[first] + offset
    return (first, second), max(int(number.sum()), 1) / (2.0 * reach)


def _too_many(sets: list[NDArray], expected: float) -> dict[tuple[int, ...], Suspicion]:
    from scipy.stats import poisson

    sets = [s for s in sets if s.size > 1]
    chance = float(poisson.sf(sum(s.size - 1 for s in sets) - 1, expected)) if sets else 1.0
    if chance > EQUAL_CHANCE:
        return {}
    rows = (tuple(s.tolist()) for s in sets)
    return {r: Suspicion(rows=r, chance=chance, amount=expected) for r in rows}


def last_repeated(
    values: ArrayLike, texts: Sequence[str], block: ArrayLike, scatter: float
) -> list[Suspicion]:
    """Blocks of rows whose last value is that of the row before: a mark of a column that slipped.

    A column moved up by one row loses its first value and shows its last one twice. Speaks on
    0.1 % of sound studies.

    Parameters
    ----------
    values, texts : (row,) numbers and how they are written, in the order of the table.
    block : (row,) label of the block, such as the material; a block's rows follow each other.
    scatter : relative standard deviation of strips within a group.

    Returns
    -------
    One suspicion a block, with its last two rows; `amount` is the value.

    Examples
    --------
    >>> [s.rows for s in last_repeated([91, 84, 65, 52, 47, 47], ["91", "84", "65", "52", "47",
    ...     "47"], ["A"] * 6, 0.3)]
    []
    >>> texts = ["91.7", "84.1", "65.0", "52.6", "47.3", "47.3"]
    >>> [s.rows for s in last_repeated([float(t) for t in texts], texts, ["A"] * 6, 0.3)]
    [(4, 5)]
    """
    import numpy
    from scipy.stats import poisson

    x, label = numpy.asarray(values, dtype=float), numpy.asarray(block)
    if x.size < 3 or not scatter > 0 or not numpy.isfinite(x).all():
        return []
    counts, unit = _in_steps(x, texts)
    last = numpy.flatnonzero(numpy.append(label[1:] != label[:-1], True))
    last = last[(last > 0) & (label[last] == label[numpy.maximum(last - 1, 0)])]
    expected, seen = 0.0, []
    written = last_place([texts[int(i)] for i in last]) / unit
    steps = unit * _steps_of(counts[last], counts, written)
    for i, step in zip(last.tolist(), steps.tolist(), strict=True):
        expected += min(1.0, step / (2.0 * math.sqrt(math.pi) * scatter * abs(x[i])))
        if counts[i] == counts[i - 1]:
            seen.append(i)
    chance = float(poisson.sf(len(seen) - 1, expected)) if seen else 1.0
    if chance > CHANCE:
        return []
    return [Suspicion(rows=(i - 1, i), chance=chance, amount=float(x[i])) for i in seen]


def constant_ratio(first: ArrayLike, second: ArrayLike, precision: ArrayLike) -> Suspicion | None:
    """Rows that leave a constant ratio which all the others keep.

    Two measured columns, or two series of strips, never keep one ratio unless one was made from
    the other; then the row that leaves it holds something else. Never speaks on sound studies
    (0 of 2,000).

    Parameters
    ----------
    first, second : (row,) numbers; nan where one is blank.
    precision : (row,) largest relative error of first / second by rounding.

    Returns
    -------
    Suspicion or None
        `rows` that leave the ratio (empty where all keep it), `amount` the ratio.

    Examples
    --------
    >>> force = [70.93, 92.42, 96.78, 58.50, 62.29, 69.84, 37.70]
    >>> stress = [10.034, 13.074, 13.691, 8.276, 8.812, 9.880, 23.2]
    >>> found = constant_ratio(force, stress, [1e-4] * 7)
    >>> found.rows, round(found.amount, 2)
    ((6,), 7.07)
    """
    import numpy

    a, b = numpy.asarray(first, dtype=float), numpy.asarray(second, dtype=float)
    slack = numpy.asarray(precision, dtype=float)
    use = numpy.isfinite(a) & numpy.isfinite(b) & (a != 0) & (b != 0) & (slack < 0.01)
    rows = numpy.flatnonzero(use)
    if rows.size <= FEWEST_ALIKE:
        return None
    with numpy.errstate(over="ignore"):
        ratio = a[rows] / b[rows]
    middle = float(numpy.median(ratio))
    if not math.isfinite(middle) or middle == 0:
        return None
    keeps = numpy.abs(ratio / middle - 1.0) <= 2.0 * slack[rows] + 1e-9
    alike = min(numpy.unique(c[rows][keeps]).size for c in (a, b))
    if alike < FEWEST_ALIKE or keeps.sum() < 0.8 * rows.size:
        return None
    return Suspicion(rows=tuple(rows[~keeps].tolist()), chance=0.0, amount=middle)


def proportional_columns(
    columns: Mapping[str, tuple[ArrayLike, Sequence[str]]],
) -> list[tuple[str, str, Suspicion]]:
    """Pairs of columns of which one is a constant multiple of the other save in a few rows.

    Parameters
    ----------
    columns : name to (values, texts), each (row,).
    """
    import itertools

    import numpy

    slack = {n: rounding(numpy.asarray(v, dtype=float), t) for n, (v, t) in columns.items()}
    found = []
    for one, other in itertools.combinations(columns, 2):
        seen = constant_ratio(columns[one][0], columns[other][0], slack[one] + slack[other])
        if seen is not None and seen.rows:
            found.append((one, other, seen))
    return found


def rounding(values: NDArray, texts: Sequence[str]) -> NDArray:
    """Largest relative error by rounding of each number as written."""
    import numpy

    size = numpy.abs(values)
    with numpy.errstate(divide="ignore", invalid="ignore"):
        return numpy.where(size > 0, 0.5 * last_place(texts) / size, numpy.inf)


def proportional_series(
    values: ArrayLike, texts: Sequence[str], series: ArrayLike, place: ArrayLike
) -> list[tuple[int, int, Suspicion]]:
    """Pairs of series of strips of which one is a constant multiple of the other, or nearly.

    Parameters
    ----------
    values, texts : (row,) numbers and how they are written, in the order of the table.
    series : (row,) whole number of the series, such as the lot.
    place : (row,) hours or dose; only series with the same number of strips at the same places
        are compared, strip by strip in the order of the table.

    Returns
    -------
    (series, series, suspicion) a pair; `rows` of the suspicion are the second series' rows that
    keep the ratio, `amount` the ratio.
    """
    import itertools

    import numpy

    x, code = numpy.asarray(values, dtype=float), numpy.asarray(series)
    where = numpy.asarray(place, dtype=float)
    slack = rounding(x, texts)
    layouts: dict[bytes, list[NDArray]] = {}
    for label in numpy.unique(code)[:_MOST_SERIES]:
        rows = numpy.flatnonzero(code == label)
        rows = rows[numpy.argsort(where[rows], kind="stable")]
        layouts.setdefault(where[rows].tobytes(), []).append(rows)
    found = []
    for alike in layouts.values():
        alike.sort(key=lambda rows: int(rows.min()))  # the later in the table is taken as the copy
        for one, other in itertools.combinations(alike, 2):
            seen = constant_ratio(x[other], x[one], slack[one] + slack[other])
            if seen is not None:
                kept = numpy.setdiff1d(numpy.arange(other.size), seen.rows)
                rows = tuple(other[kept].tolist())
                copy = Suspicion(rows=rows, chance=0.0, amount=seen.amount)
                found.append((int(code[one[0]]), int(code[other[0]]), copy))
    return found
