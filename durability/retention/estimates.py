"""How is what was found of each group stated? Lot by lot, then for the lots together.

Lots count once each: their mean is the geometric one, its interval the t interval of their
logarithms; with one lot, that of its strips.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.retention.cells import Cells
from durability.retention.ratios import Interval, t_quantile
from durability.statement import Quantity, Statement

if TYPE_CHECKING:
    from numpy.typing import NDArray

GAIN = 1.25
"""Fraction left above which it is a flag (common practice, no source)."""


@dataclass(frozen=True, slots=True, eq=False)
class Estimate:
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


def of_lots(logs: NDArray[np.float64]) -> tuple[float, float, int]:
    return float(logs.mean()), float(logs.std(ddof=1)), logs.size


def estimate(
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
) -> Estimate:
    value = float(two.value[k])
    has = bool(np.isfinite(two.low[k]))
    more = ("above_unexposed",) if unit == "1" and side <= 0 and value > GAIN else ()
    return Estimate(
        cell, unit, side, value,
        (float(two.low[k]), float(two.high[k])), (float(one.low[k]), float(one.high[k])),
        assumptions if has or side else (), tuple(dict.fromkeys((*flags, *more))), own_control,
    )  # fmt: skip


def stated(
    cells: Cells, found: list[Estimate], quantity: Quantity, level: float
) -> list[Statement]:
    """Statements of every lot, then of the lots together."""
    product: dict[tuple[Any, ...], list[Estimate]] = {}
    highest: dict[tuple[Any, ...], float] = {}
    for e in found:
        i = e.cell
        where = cells.material[i], cells.direction[i], cells.exposure[i]
        product.setdefault((*where, cells.dose[i]), []).append(e)
        highest[where] = max(highest.get(where, 0.0), float(cells.dose[i]))
    lots, together = [], []
    for (*where, dose), of_lots in product.items():
        at_least = quantity.startswith("retained") and dose == highest[tuple(where)]
        # lots without names are one lot: it is the product, and is not said twice
        if len(of_lots) > 1 or cells.lot[of_lots[0].cell] != "":
            lots += [_statement(cells, e, quantity, level, at_least=at_least) for e in of_lots]
        pooled = _together(cells, of_lots, level)
        if pooled is not None:
            together.append(
                _statement(cells, pooled, quantity, level, pooled=True, at_least=at_least)
            )
    return [*lots, *together]


def _together(cells: Cells, found: list[Estimate], level: float) -> Estimate | None:
    """The mean of the lots, from those that have their own unexposed strips."""
    own = [e for e in found if e.own_control]
    own = [e for e in own if e.is_ratio] or own
    if not own:
        return None  # every lot leans on the same borrowed start: lots alone are stated
    left_out = ("lots_lack_unexposed",) if len(own) < len(found) else ()
    e = own[0]
    if len(own) == 1:
        name = "one_lot" if cells.lot[e.cell] else "lots_not_named"
        return Estimate(
            e.cell, e.unit, e.side, e.value, e.two, e.one, e.assumptions,
            (*e.flags, name, *left_out),
        )  # fmt: skip
    sides = {x.side for x in own} - {0}
    if len(sides) > 1:
        return None
    side = sides.pop() if sides else 0
    centre, sd, count = of_lots(np.log([x.value for x in own]))
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
    return Estimate(
        e.cell, e.unit, side, float(np.exp(centre)),
        (float(np.exp(centre - two)), float(np.exp(centre + two))), (float(low), float(high)),
        ("lots_vary", "strips_independent"), tuple(dict.fromkeys((*flags, *left_out))),
    )  # fmt: skip


def _statement(
    cells: Cells,
    e: Estimate,
    quantity: Quantity,
    level: float,
    *,
    pooled: bool = False,
    at_least: bool = False,
) -> Statement:
    i = e.cell
    start = quantity.startswith("unexposed")
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
