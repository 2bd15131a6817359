"""Do these numbers look as strips made them, or as a copy, a slip or a mix-up did?

Each screen is a function over plain arrays and says which rows look damaged. A screen never
changes or drops a row: it asks. It compares what is seen with what chance would do to sound data,
and speaks below a probability of `CHANCE`. The rate at which each screen speaks on sound studies is
measured in ``tests/study/test_screening_rates.py`` on 2,000 simulated ones (1 to 3 materials, 1 to
4 lots, 3 to 10 strips a group, scatter of 3 to 12 % that grows as strength is lost, forces written
to between 0.01 and 5 N, some strips blank at random); it stands in each docstring.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

CHANCE = 0.01
"""Probability of chance below which a screen speaks, over the whole table."""

BLANKS_CHANCE = 0.05
"""The same for blanks, which are few: that the strips left are weak speaks too."""

SMALLEST_SCATTER = 0.01
"""Relative scatter below which strips of fabric or film are hardly real (common practice, no
source: films show 3 % and more)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspicion:
    """Rows that look damaged.

    Parameters
    ----------
    rows : positions in the arrays given.
    chance : probability that sound data look so, or worse, anywhere in the table.
    amount : the number that shows it; its meaning is the screen's.
    """

    rows: tuple[int, ...]
    chance: float
    amount: float


def last_place(texts: Sequence[str]) -> NDArray:
    """One unit in the last decimal that each number is written to.

    Examples
    --------
    >>> last_place(["553.448", "907,5", "12", "", "1.5e3"]).tolist()
    [0.001, 0.1, 1.0, 1.0, 100.0]
    """
    return 10.0 ** -decimals(texts).astype(float)


def decimals(texts: Sequence[str]) -> NDArray:
    """Places after each decimal mark; negative where an exponent moves it to the right."""
    import numpy

    if not len(texts):
        return numpy.zeros(0, dtype=numpy.int64)
    written = numpy.strings.replace(numpy.array(texts, dtype=str), ",", ".")
    point = numpy.strings.find(written, ".")
    places = numpy.where(point < 0, 0, numpy.strings.str_len(written) - point - 1)
    raised = (numpy.strings.find(written, "e") >= 0) | (numpy.strings.find(written, "E") >= 0)
    for i in numpy.flatnonzero(raised).tolist():
        mantissa, _, exponent = written[i].casefold().partition("e")
        power = int(exponent) if exponent.lstrip("+-").isdigit() else 0
        places[i] = len(mantissa.partition(".")[2]) - max(-300, min(300, power))
    return numpy.minimum(places, 300)


def disagreement(stated: ArrayLike, made: ArrayLike, precision: ArrayLike) -> NDArray:
    """Relative difference of a number stated from one that others make, 0 within rounding.

    Parameters
    ----------
    stated, made : (row,) such as the strength written and the peak force over the width.
    precision : (row,) largest relative error that rounding of all the numbers can make.

    Examples
    --------
    >>> disagreement([20.1, 20.1, 21.0], [20.08, 20.06, 20.0], [0.003] * 3).round(3).tolist()
    [0.0, 0.0, 0.05]
    """
    import numpy

    stated, made = numpy.asarray(stated, dtype=float), numpy.asarray(made, dtype=float)
    with numpy.errstate(divide="ignore", invalid="ignore"):
        difference = stated / made - 1.0
    within = numpy.abs(difference) <= numpy.asarray(precision, dtype=float) * 1.02 + 1e-9
    return numpy.where(within | ~numpy.isfinite(difference), 0.0, difference)


def unlike_peaks(table: ArrayLike, curve: ArrayLike, *, tolerance: float = 5e-3) -> list[Suspicion]:
    """Strips whose strength in the table is not the peak of their raw curve.

    Parameters
    ----------
    table, curve : (strip,) in the same unit; nan where there is none.
    tolerance : relative difference that passes: the table may be rounded, and a machine may take
        its peak from a faster clock than its curve. Never speaks within it.

    Returns
    -------
    One suspicion a strip: its row first, then the row of the strip whose curve has that peak to
    four digits, if there is one (then curves or rows were exchanged); `amount` is table over curve.

    Examples
    --------
    >>> found = unlike_peaks([675.88, 577.34, 705.33], [675.88, 705.33, 577.34])
    >>> [s.rows for s in found]
    [(1, 2), (2, 1)]
    """
    import numpy

    peak, drawn = numpy.asarray(table, dtype=float), numpy.asarray(curve, dtype=float)
    unlike = numpy.isfinite(peak) & numpy.isfinite(drawn)
    unlike &= numpy.abs(peak - drawn) > tolerance * numpy.abs(drawn)
    found = []
    for i in numpy.flatnonzero(unlike).tolist():
        others = numpy.flatnonzero(numpy.abs(drawn - peak[i]) <= 1e-4 * abs(peak[i]))
        rows = (i, *others[others != i][:1].tolist())
        ratio = float(peak[i] / drawn[i]) if drawn[i] else math.inf
        found.append(Suspicion(rows=rows, chance=0.0, amount=ratio))
    return found


def small_scatter(
    mean: ArrayLike, sd: ArrayLike, n: ArrayLike, family: ArrayLike, step: ArrayLike
) -> list[Suspicion]:
    """Groups that scatter far less than their number of strips allows, given the other groups.

    The group's coefficient of variation is held against that of its eight neighbours in mean
    strength (of the same family where it has four more groups) by the F distribution, with a
    Bonferroni correction for the number of groups; rounding widens the group's own. Scatter
    grows as strength is lost, hence the neighbours. Speaks on 2.2 % of sound studies.

    Parameters
    ----------
    mean, sd, n : (group,) of strips or of a published summary.
    family : (group,) label within which scatter is alike, such as the material.
    step : (group,) step to which the values are written.

    Returns
    -------
    One suspicion a group; `amount` is its coefficient of variation over that of its neighbours.
    """
    import numpy
    from scipy.stats import f

    m, s = numpy.asarray(mean, dtype=float), numpy.asarray(sd, dtype=float)
    df, label = numpy.asarray(n, dtype=float) - 1.0, numpy.asarray(family)
    good = numpy.isfinite(s) & (m > 0) & (df >= 2)
    groups = numpy.flatnonzero(good)
    found = []
    with numpy.errstate(divide="ignore", invalid="ignore"):
        own = (s**2 + numpy.asarray(step, dtype=float) ** 2 / 12.0) / m**2
    for i in groups.tolist():
        others = groups[groups != i]
        alike = others[label[others] == label[i]]
        others = alike if alike.size >= 4 else others
        if others.size < 2:
            continue
        near = others[numpy.argsort(numpy.abs(numpy.log(m[others] / m[i])))][:8]
        usual = float((df[near] * own[near]).sum() / df[near].sum())
        if not usual > 0:
            continue
        chance = groups.size * float(f.cdf(own[i] / usual, df[i], df[near].sum()))
        if chance < CHANCE:
            share = math.sqrt(own[i] / usual)
            found.append(Suspicion(rows=(i,), chance=chance, amount=share))
    return found


def gathered_blanks(
    place: ArrayLike, blank: ArrayLike, strength: ArrayLike, series: ArrayLike
) -> list[Suspicion]:
    """Blank strips that gather at the exposures at which little strength was left.

    If blanks fell at random, those at and beyond a level would follow the hypergeometric
    distribution; the level with the least likely number is taken, corrected for the number of
    levels and series. Speaks only where the strips left at those levels have less than half of
    the first level's strength, or none is left. Speaks on 0.3 % of sound studies (at most 2 % of
    strips blank at random).

    Parameters
    ----------
    place, blank, strength : (strip,) hours or dose, whether nothing was measured, and what was.
    series : (strip,) label; levels are compared within a series.

    Returns
    -------
    One suspicion a series, with its blank strips; `amount` is the level from which they gather.

    Examples
    --------
    >>> place = [0] * 5 + [100] * 5 + [200] * 5
    >>> found = gathered_blanks(place, [0] * 11 + [1] * 4, [20] * 5 + [9] * 5 + [3] * 5, ["A"] * 15)
    >>> [(s.rows, s.amount) for s in found]
    [((11, 12, 13, 14), 200.0)]
    """
    import numpy
    from scipy.stats import hypergeom

    x, y = numpy.asarray(place, dtype=float), numpy.asarray(strength, dtype=float)
    empty, label = numpy.asarray(blank, dtype=bool), numpy.asarray(series)
    with_blanks = numpy.unique(label[empty])
    found = []
    for name in with_blanks:
        mine = label == name
        levels = numpy.unique(x[mine])
        if levels.size < 2:
            continue
        total, blanks = int(mine.sum()), int((mine & empty).sum())
        best, start = 1.0, float("nan")
        for level in levels[1:].tolist():
            beyond = mine & (x >= level)
            seen = int((beyond & empty).sum())
            chance = float(hypergeom.sf(seen - 1, total, blanks, int(beyond.sum())))
            if chance < best:
                best, start = chance, level
        best *= (levels.size - 1) * with_blanks.size
        left, first = y[mine & (x >= start) & ~empty], y[mine & (x == levels[0]) & ~empty]
        weak = not left.size or (first.size > 0 and left.mean() < 0.5 * first.mean())
        if best < BLANKS_CHANCE and weak:
            rows = tuple(numpy.flatnonzero(mine & empty & (x >= start)).tolist())
            found.append(Suspicion(rows=rows, chance=best, amount=start))
    return found


def waiting_strips(
    place: ArrayLike, touched: ArrayLike, strength: ArrayLike, series: ArrayLike
) -> list[int]:
    """Strips of withdrawals still to come: at the last levels, nothing was written of any strip.

    Speaks only where the last level that was tested still holds half of the first level's strength
    in the median series: where less is left, strips may have been too weak to test.

    Parameters
    ----------
    place, touched, strength : (strip,) hours or dose, whether anything was written of it, strength.
    series : (strip,) label; strengths are compared within a series.

    Examples
    --------
    >>> waiting_strips([0, 0, 9, 9, 18, 18], [1, 1, 1, 1, 0, 0], [5, 5, 4, 4, 0, 0], [0] * 6)
    [4, 5]
    >>> waiting_strips([0, 0, 9, 9, 18, 18], [1, 1, 1, 1, 0, 0], [5, 5, 1, 1, 0, 0], [0] * 6)
    []
    """
    import numpy

    x, y = numpy.asarray(place, dtype=float), numpy.asarray(strength, dtype=float)
    known, label = numpy.asarray(touched, dtype=bool), numpy.asarray(series)
    if not known.any():
        return []
    last = x[known].max()
    waiting = numpy.flatnonzero(~known & (x > last))
    if not waiting.size:
        return []
    measured = known & numpy.isfinite(y) & (y > 0)
    shares = []
    for name in numpy.unique(label[measured]):
        mine = measured & (label == name)
        first, latest = y[mine & (x == x[mine].min())], y[mine & (x == x[mine].max())]
        shares.append(latest.mean() / first.mean())
    return waiting.tolist() if shares and float(numpy.median(shares)) >= 0.5 else []


def decimal_slips(values: ArrayLike, group: ArrayLike, scatter: float) -> list[Suspicion]:
    """Values that fit their group only once moved by one or two decimal places.

    The value must be at least a third of a decade off the median of the others, and lie within
    three times the scatter of it after the move. Speaks on 0 of 2,000 sound studies.

    Parameters
    ----------
    values : (strip,).
    group : (strip,) label of the group.
    scatter : relative standard deviation of strips within a group.

    Returns
    -------
    One suspicion a value; `amount` is the factor that makes it fit: 0.01, 0.1, 10 or 100.

    Examples
    --------
    >>> [(s.rows, s.amount) for s in decimal_slips([20.1, 19.4, 2.06, 21.0], ["A"] * 4, 0.05)]
    [((2,), 10.0)]
    """
    import numpy

    x = numpy.asarray(values, dtype=float)
    label = numpy.unique(numpy.asarray(group), return_inverse=True)[1]
    if not 0 < scatter < 0.25:
        return []
    order = numpy.argsort(label, kind="stable")
    edges = numpy.flatnonzero(numpy.diff(label[order])) + 1
    found = []
    for rows in numpy.split(order, edges):
        if rows.size < 3:
            continue
        logs = numpy.log10(x[rows])
        off = logs - numpy.median(logs)
        for k in numpy.flatnonzero(numpy.abs(off) > 1.0 / 3.0).tolist():
            others = numpy.delete(logs, k)
            gap = float(logs[k] - numpy.median(others))
            power = -round(gap)
            fits = abs(gap + power) < 3.0 * scatter / math.log(10.0)
            steady = numpy.abs(others - numpy.median(others)).max() < 1.0 / 3.0
            if power and abs(power) <= 2 and fits and steady:
                found.append(Suspicion(rows=(int(rows[k]),), chance=0.0, amount=10.0**power))
    return found
