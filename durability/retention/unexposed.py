"""With which unexposed strips is a group compared? Its own lot's, or what the other lots say."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.retention.cells import Cells
from durability.retention.estimates import of_lots

if TYPE_CHECKING:
    from numpy.typing import NDArray

SCATTER = 0.20
"""Coefficient of variation of unexposed strips above which it is a flag (common practice, no
source)."""


@dataclass(frozen=True, slots=True, eq=False)
class Unexposed:
    """The unexposed strips with which each exposed cell is compared; mean nan where none."""

    mean: NDArray[np.float64]
    sd: NDArray[np.float64]
    n: NDArray[np.float64]
    df: NDArray[np.float64]
    bound: NDArray[np.int64]
    own: NDArray[np.bool_]
    flags: list[tuple[str, ...]]

    def take(self, keep: NDArray[np.bool_]) -> Unexposed:
        return Unexposed(
            self.mean[keep], self.sd[keep], self.n[keep], self.df[keep], self.bound[keep],
            self.own[keep], [f for f, k in zip(self.flags, keep, strict=True) if k],
        )  # fmt: skip


def start_flags(cells: Cells, i: int) -> tuple[str, ...]:
    wide = not cells.borrowed[i] and cells.sd[i] > SCATTER * cells.mean[i]
    return (*cells.flags(i), *(("unexposed_scatter",) if wide else ()))


def unexposed_of(cells: Cells, exposed: NDArray[np.int64]) -> Unexposed:
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
            bound[at], is_own[at], flags[at] = cells.bound[j], True, start_flags(cells, j)
            continue
        product = key[0], key[2]
        if product not in borrowed:
            others = [j for k, j in own.items() if (k[0], k[2]) == product and not cells.bound[j]]
            borrowed[product] = of_lots(np.log(cells.mean[others])) if len(others) > 1 else None
        lots = borrowed[product]
        if lots is not None:
            centre, spread, count = lots
            mean[at], n[at], df[at] = np.exp(centre), 1, count - 1
            sd[at] = mean[at] * spread * np.sqrt(1 + 1 / count)
            flags[at] = ("unexposed_borrowed",)
    return Unexposed(mean, sd, n, df, bound, is_own, flags)
