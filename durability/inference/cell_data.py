"""What do the data of one cell come to? Sufficient statistics, looks and declared values."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.inference.items import Items
from durability.inference.model import ON_LOGS, Errors, priors

if TYPE_CHECKING:
    from durability.study import Study


WEAK = (
    "{0} strips of lots with less than {1:g} % of their unexposed strength left at every dose say"
    " little more than that: how much less is taken as error"
)


def bluntness(items: Items, use: np.ndarray, series: np.ndarray, percent: bool) -> np.ndarray:
    """Error of what lots with next to nothing left at any dose show (item,), on the log scale.

    Where scatter is a share of the strength, 0.6 % left with no other error than that would say
    which law holds down to 0.6 %. It is 0 of the strips of every other lot.

    Parameters
    ----------
    items : what was found; use : those measured.
    series : (item,) code of each item's lot and direction.
    percent : strengths are percent of the unexposed.
    """
    unexposed = np.full(series.max(initial=-1) + 1, 100.0 if percent else 0.0)
    start = use & (items.dose == 0) & (items.kind != "reading")
    if not percent and start.any():
        n = items.weight[start]
        total = np.bincount(series[start], n * items.value[start], unexposed.size)
        number = np.bincount(series[start], n, unexposed.size)
        unexposed = np.divide(total, number, out=unexposed, where=number > 0)
    share, strips = priors()["nothing_left"]["share"], use & (items.dose > 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        left = items.value / unexposed[series]
        error = np.minimum(share / left - 1, -np.log(left) / 2)  # still: most is lost
    told = np.bincount(series[strips], left[strips] >= share, unexposed.size)[series] > 0
    return np.where(strips & (items.kind == "strip") & ~told, error, 0.0)


def sufficient(
    items: Items,
    use: np.ndarray,
    cell_row: np.ndarray,
    n_cell: int,
    errors: Errors,
    sign: float,
) -> tuple[np.ndarray, ...]:
    """Count, degrees of freedom, mean, squares about it and extra variance of each cell."""
    summary = items.kind == "summary"
    strength, n, n_eff = items.value, items.n, items.weight
    with np.errstate(divide="ignore", invalid="ignore"):
        spread = np.where(summary & (n > 1), items.sd, np.nan)
        if errors in ON_LOGS:
            var_log = np.log1p((spread / strength) ** 2)
            var_log = np.where(np.isfinite(var_log), var_log, 0.0)
            value = sign * (np.log(strength) - var_log / 2)
            inner = (n_eff - 1) * var_log
            added = (items.value_sd / strength) ** 2
        else:
            value = strength.copy()
            inner = np.where(np.isfinite(spread), (n_eff - 1) * spread**2, 0.0)
            top = np.nanmax(np.where(use, strength, np.nan)) if use.any() else 1.0
            added = (items.value_sd / top) ** 2
    added = np.where(np.isfinite(added), added, 0.0)
    dof = np.where(summary & ~np.isfinite(spread), 1.0, n_eff)
    use = use & np.isfinite(value)
    at = cell_row[use]
    count, freedom, total = np.zeros(n_cell), np.zeros(n_cell), np.zeros(n_cell)
    squares, extra = np.zeros(n_cell), np.zeros(n_cell)
    np.add.at(count, at, n_eff[use])
    np.add.at(freedom, at, dof[use])
    np.add.at(total, at, n_eff[use] * value[use])
    mean = np.divide(total, count, out=np.zeros(n_cell), where=count > 0)
    np.add.at(squares, at, inner[use] + n_eff[use] * (value[use] - mean[at]) ** 2)
    # several figures of one cell: their errors average as their weights do
    np.add.at(extra, at, (n_eff[use] / count[at]) ** 2 * added[use])
    return count, freedom, mean, squares, extra, value


def inspections(
    items: Items,
    cell_row: np.ndarray,
    start_code: dict[Any, int],
    study: Study,
    errors: Errors,
    sign: float,
) -> tuple[np.ndarray, np.ndarray]:
    """Cells, start and limit of each inspection; a look at dose 0 is the unexposed cell."""
    low = np.flatnonzero(items.kind == "low")
    high = np.flatnonzero(items.kind == "high")
    index, number = [], []
    for a, b in zip(low, high, strict=True):
        fraction, start = items.note[a], -1
        if np.isnan(fraction):
            start = start_code[items.key(a, "material", "direction")]
            fraction = study.required_strength or 1.0
        limit = sign * math.log(fraction) if errors in ON_LOGS else fraction
        index.append([cell_row[a] if items.dose[a] > 0 else -1, cell_row[b], start])
        number.append([limit, items.n[a]])
    return (
        np.array(index, dtype=np.int64).reshape(-1, 3),
        np.array(number, dtype=float).reshape(-1, 2),
    )


def declarations(
    items: Items, cell_row: np.ndarray, start_code: dict[Any, int], sign: float
) -> tuple[np.ndarray, np.ndarray]:
    """Cell, start, and log of what is said with its width and skewness."""
    book = priors()["declared"]
    index, number = [], []
    for i in np.flatnonzero(items.kind == "declared"):
        fraction = np.isfinite(items.note[i])
        said = sign * math.log(items.note[i] if fraction else items.value[i])
        start = -1 if fraction else start_code[items.key(i, "material", "direction")]
        index.append([cell_row[i], start])
        if items.sense[i] == "typical":
            number.append([said, book["typical_sd"], 0.0])
        else:
            number.append([said, book["minimum_margin"], book["minimum_edge"]])
    return (
        np.array(index, dtype=np.int64).reshape(-1, 2),
        np.array(number, dtype=float).reshape(-1, 3),
    )
