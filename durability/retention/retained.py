"""How much strength is left after each dose? Unexposed and retained strength as statements.

Each lot: ratio of the mean after exposure to the mean of the unexposed strips of that lot and
direction. All lots of a product: geometric mean of the lots, a lot counting once, with the t
interval of their logarithms; with one lot, that of its strips.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from durability.retention.cells import Cells, cells_of
from durability.retention.groups import groups
from durability.retention.ratios import (
    Interval,
    fieller_interval,
    log_ratio_interval,
    mean_interval,
    t_quantile,
)
from durability.statement import Quantity, Statement, Statements

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from durability.study.model import Study

Method = Literal["log_ratio", "fieller"]
SCATTER, GAIN = 0.20, 1.25  # common practice, no source: limits of the flags of these names


def retained_strength(
    study: Study, *, level: float = 0.95, method: Method = "log_ratio"
) -> Statements:
    """Unexposed strength, and strength left after every dose, with confidence intervals.

    Parameters
    ----------
    study : as read.
    level : probability of the intervals, 0 to 1.
    method : interval of a ratio of two means: ``log_ratio`` (t interval of the log ratio, Welch)
        or ``fieller``.

    Returns
    -------
    Statements : ``unexposed_strength`` [unit of the study] of each material, lot and direction,
        and ``retained_strength`` [1] of each exposure and dose besides; then the same of all lots
        (``of="mean"``, lot None). Where

        - strips are censored, a one-sided bound without a central value;
        - a group has one strip, the interval borrows the material's pooled scatter;
        - there are no unexposed strips, the strength left in the unit of the study, at the
          highest dose as "at least", one-sided;
        - a study is in percent, the percents divided by 100, or by the mean of its unexposed rows
          where these have a spread.

        Each says so under ``flags``; `durability.retention.FLAGS` explains the names.

    Raises
    ------
    ValueError : for a level outside 0 to 1 or an unknown method.

    Examples
    --------
    >>> from durability.study import read_study
    >>> study = read_study("examples/uv-cycles")  # in a clone
    >>> last = retained_strength(study).one(dose=120.0)
    >>> last.figures()
    '580 N, at least 270 (95 % one-sided confidence lower bound)'
    >>> "no_unexposed_strips" in last.flags
    True
    """
    if not 0 < level < 1:
        raise ValueError(f"level is {level}; it must lie between 0 and 1")
    if method not in ("log_ratio", "fieller"):
        raise ValueError(f'method "{method}" is unknown; known: log_ratio, fieller')
    cells = cells_of(groups(study))
    percent = study.unit == "%"
    unexposed = _strengths(cells, np.flatnonzero(cells.dose == 0), study.unit, level)
    exposed = np.flatnonzero(cells.dose > 0)
    control = _controls(cells, exposed)
    has = control.mean > 0
    if percent:
        # percents already are fractions; unexposed rows serve only to say how much they scatter
        has &= control.own & np.isfinite(control.sd)
    left = _ratios(cells, exposed[has], control.take(has), level, method)
    rest = exposed[~has]
    left += _percents(cells, rest, level) if percent else _strengths(cells, rest, study.unit, level)
    found = [] if percent else _stated(cells, unexposed, "unexposed_strength", level)
    return Statements([*found, *_stated(cells, left, "retained_strength", level)])


@dataclass(frozen=True, slots=True, eq=False)
class _Estimate:
    """What is found for one cell, or for the lots together."""

    cell: int
    unit: str
    side: int  # 0 an interval, -1 only "at most", +1 only "at least"
    value: float
    two: tuple[float, float]
    one: tuple[float, float]
    assumptions: tuple[str, ...]
    flags: tuple[str, ...]
    own_control: bool = True

    @property
    def is_ratio(self) -> bool:
        return self.unit == "1"


@dataclass(frozen=True, slots=True, eq=False)
class _Controls:
    """The unexposed strips with which each exposed cell is compared; mean nan where none."""

    mean: NDArray[np.float64]
    sd: NDArray[np.float64]
    n: NDArray[np.float64]
    df: NDArray[np.float64]
    bound: NDArray[np.int64]
    own: NDArray[np.bool_]
    flags: list[tuple[str, ...]]

    def take(self, keep: NDArray[np.bool_]) -> _Controls:
        return _Controls(
            self.mean[keep], self.sd[keep], self.n[keep], self.df[keep], self.bound[keep],
            self.own[keep], [f for f, k in zip(self.flags, keep, strict=True) if k],
        )  # fmt: skip


def _control_flags(cells: Cells, i: int) -> tuple[str, ...]:
    wide = not cells.borrowed[i] and cells.sd[i] > SCATTER * cells.mean[i]
    return (*cells.flags(i), *(("unexposed_scatter",) if wide else ()))


def _controls(cells: Cells, exposed: NDArray[np.int64]) -> _Controls:
    """Unexposed strips of the same lot and direction, or what the other lots say of them."""
    own = {cells.key(i): i for i in np.flatnonzero(cells.dose == 0).tolist()}
    size = exposed.size
    mean, sd, n, df = (np.full(size, np.nan) for _ in range(4))
    bound, is_own = np.zeros(size, dtype=np.int64), np.zeros(size, dtype=bool)
    flags: list[tuple[str, ...]] = [()] * size
    borrowed: dict[tuple[Any, Any], tuple[float, float, int] | None] = {}
    for at, i in enumerate(exposed.tolist()):
        key = cells.key(i)
        j = own.get(key)
        if j is not None:
            mean[at], sd[at], n[at], df[at] = cells.mean[j], cells.sd[j], cells.n[j], cells.df[j]
            bound[at], is_own[at], flags[at] = cells.bound[j], True, _control_flags(cells, j)
            continue
        product = key[0], key[2]
        if product not in borrowed:
            others = [j for k, j in own.items() if (k[0], k[2]) == product and not cells.bound[j]]
            borrowed[product] = _of_lots(np.log(cells.mean[others])) if len(others) > 1 else None
        lots = borrowed[product]
        if lots is not None:
            centre, spread, count = lots
            mean[at], n[at], df[at] = np.exp(centre), 1, count - 1
            sd[at] = mean[at] * spread * np.sqrt(1 + 1 / count)
            flags[at] = ("unexposed_borrowed",)
    return _Controls(mean, sd, n, df, bound, is_own, flags)


def _of_lots(logs: NDArray[np.float64]) -> tuple[float, float, int]:
    return float(logs.mean()), float(logs.std(ddof=1)), logs.size


def _ratios(
    cells: Cells, at: NDArray[np.int64], control: _Controls, level: float, method: Method
) -> list[_Estimate]:
    """Retained fraction of each cell against its unexposed strips."""
    interval = log_ratio_interval if method == "log_ratio" else fieller_interval
    both: list[Interval] = []
    for sides in (2, 1):
        both.append(
            interval(
                cells.mean[at], cells.sd[at], cells.n[at], control.mean, control.sd, control.n,
                level, df1=cells.df[at], df0=control.df, sides=sides,
            )
        )  # fmt: skip
    two, one = both
    name = "log_ratio_welch" if method == "log_ratio" else "fieller"
    found = []
    for k, i in enumerate(at):
        sides = {int(cells.bound[i]), -int(control.bound[k])} - {0}
        if len(sides) > 1 or not two.value[k] > 0:
            continue  # the strength left is at most, the unexposed at most too: nothing follows
        spread = np.isfinite(cells.sd[i]) and np.isfinite(control.sd[k])
        flags = [*cells.flags(i), *control.flags[k]]
        if method == "fieller" and spread and not np.isfinite(two.low[k]):
            flags.append("fieller_unbounded")
        found.append(
            _estimate(
                int(i), "1", sides.pop() if sides else 0, k, two, one,
                (name, "strips_independent"), flags, own_control=bool(control.own[k]),
            )
        )  # fmt: skip
    return found


def _strengths(cells: Cells, at: NDArray[np.int64], unit: str, level: float) -> list[_Estimate]:
    """Mean strength of each cell in the unit of the study."""
    mean, sd, n, df = cells.mean[at], cells.sd[at], cells.n[at], cells.df[at]
    two = mean_interval(mean, sd, n, level, df=df)
    one = mean_interval(mean, sd, n, level, df=df, sides=1)
    assumed = ("t_of_mean", "strips_independent")
    found = []
    for k, i in enumerate(at):
        start = cells.dose[i] == 0
        flags = _control_flags(cells, i) if start else (*cells.flags(i), "no_unexposed_strips")
        found.append(_estimate(int(i), unit, int(cells.bound[i]), k, two, one, assumed, flags))
    return found


def _percents(cells: Cells, at: NDArray[np.int64], level: float) -> list[_Estimate]:
    """Retained fractions of a study whose data are percents of the unexposed strength."""
    mean, sd, n, df = cells.mean[at] / 100, cells.sd[at] / 100, cells.n[at], cells.df[at]
    n = np.where(n > 0, n, np.nan)
    two = log_ratio_interval(mean, sd, n, 1.0, 0.0, 1.0, level, df1=df)
    one = log_ratio_interval(mean, sd, n, 1.0, 0.0, 1.0, level, df1=df, sides=1)
    assumed = ("log_ratio_welch", "strips_independent")
    return [
        _estimate(
            int(i), "1", int(cells.bound[i]), k, two, one, assumed,
            (*cells.flags(i), "percent_form"),
        )
        for k, i in enumerate(at)
    ]  # fmt: skip


def _estimate(
    cell: int,
    unit: str,
    side: int,
    k: int,
    two: Interval,
    one: Interval,
    assumptions: tuple[str, ...],
    flags: tuple[str, ...] | list[str],
    *,
    own_control: bool = True,
) -> _Estimate:
    value = float(two.value[k])
    has = bool(np.isfinite(two.low[k]))
    more = ("above_unexposed",) if unit == "1" and side <= 0 and value > GAIN else ()
    return _Estimate(
        cell, unit, side, value,
        (float(two.low[k]), float(two.high[k])), (float(one.low[k]), float(one.high[k])),
        assumptions if has or side else (), tuple(dict.fromkeys((*flags, *more))), own_control,
    )  # fmt: skip


def _stated(
    cells: Cells, found: list[_Estimate], quantity: Quantity, level: float
) -> list[Statement]:
    """Statements of every lot, then of the lots together."""
    product: dict[tuple[Any, ...], list[_Estimate]] = {}
    highest: dict[tuple[Any, ...], float] = {}
    for e in found:
        i = e.cell
        where = cells.material[i], cells.direction[i], cells.exposure[i]
        product.setdefault((*where, cells.dose[i]), []).append(e)
        highest[where] = max(highest.get(where, 0.0), float(cells.dose[i]))
    lots, together = [], []
    for (*where, dose), of_lots in product.items():
        at_least = quantity == "retained_strength" and dose == highest[tuple(where)]
        # lots without names are one lot: it is the product, and is not said twice
        if len(of_lots) > 1 or cells.lot[of_lots[0].cell] != "":
            lots += [_statement(cells, e, quantity, level, at_least=at_least) for e in of_lots]
        pooled = _together(cells, of_lots, level)
        if pooled is not None:
            together.append(
                _statement(cells, pooled, quantity, level, pooled=True, at_least=at_least)
            )
    return [*lots, *together]


def _together(cells: Cells, found: list[_Estimate], level: float) -> _Estimate | None:
    """The mean of the lots, from those that have their own unexposed strips."""
    own = [e for e in found if e.own_control]
    own = [e for e in own if e.is_ratio] or own
    if not own:
        return None  # every lot leans on the same borrowed start: lots alone are stated
    left_out = ("lots_lack_unexposed",) if len(own) < len(found) else ()
    e = own[0]
    if len(own) == 1:
        name = "one_lot" if cells.lot[e.cell] else "lots_not_named"
        return _Estimate(
            e.cell, e.unit, e.side, e.value, e.two, e.one, e.assumptions,
            (*e.flags, name, *left_out),
        )  # fmt: skip
    sides = {x.side for x in own} - {0}
    if len(sides) > 1:
        return None
    side = sides.pop() if sides else 0
    centre, sd, count = _of_lots(np.log([x.value for x in own]))
    se = sd / np.sqrt(count)
    two, one = (float(t_quantile(level, count - 1, s)) * se for s in (2, 1))
    low, high = np.exp(centre - one), np.exp(centre + one)
    if side:
        # limits put in for strips hide how lots differ: no bound is tighter than the worst lot's
        low = np.nanmin([low, *(x.one[0] for x in own)])
        high = np.nanmax([high, *(x.one[1] for x in own)])
    flags = [f for x in own for f in x.flags if f not in ("spread_borrowed", "few_strips")]
    if not side:
        flags = [f for f in flags if f != "spread_not_given"]
    flags += ["two_lots"] if count == 2 else []
    return _Estimate(
        e.cell, e.unit, side, float(np.exp(centre)),
        (float(np.exp(centre - two)), float(np.exp(centre + two))), (float(low), float(high)),
        ("lots_vary", "strips_independent"), tuple(dict.fromkeys((*flags, *left_out))),
    )  # fmt: skip


def _statement(
    cells: Cells,
    e: _Estimate,
    quantity: Quantity,
    level: float,
    *,
    pooled: bool = False,
    at_least: bool = False,
) -> Statement:
    i = e.cell
    start = quantity == "unexposed_strength"
    value, sides = e.value, 2
    low, high = e.two
    if e.side:
        limit = e.one[0 if e.side > 0 else 1]
        limit = limit if np.isfinite(limit) else e.value
        value, sides = None, 1
        low, high = (limit, None) if e.side > 0 else (None, limit)
    elif at_least and not e.is_ratio and np.isfinite(e.one[0]):
        sides, low, high = 1, e.one[0], None
    return Statement(
        quantity=quantity,
        unit=e.unit,
        of="mean" if pooled else None,
        value=value,
        low=None if low is None or not np.isfinite(low) else float(low),
        high=None if high is None or not np.isfinite(high) else float(high),
        level=level,
        kind="confidence",
        sides=sides,
        material=str(cells.material[i]),
        lot=None if pooled else str(cells.lot[i]) or None,
        direction=str(cells.direction[i]) or None,
        exposure=None if start else str(cells.exposure[i]) or None,
        dose=None if start else float(cells.dose[i]),
        assumptions=e.assumptions,
        flags=e.flags,
    )
