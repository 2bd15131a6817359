"""What was found, item by item? Strips, summaries, readings, censored strips, looks and words.

A `Model` keeps sufficient statistics of cells. Checks ask about single strips, so the strips of a
cell are told apart again here; a summary or the readings of a specimen at one dose stay one item.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from durability.inference.tail_rows import rows_of

if TYPE_CHECKING:
    from durability.inference.model import Model

STRIP, GROUP, CENSORED, LOOK, WORD = "strip", "group", "censored", "inspection", "declaration"
NEAR = 0.03
"""Doses within this share of each other are one level (chamber records differ a little by run)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Items:
    """One entry an item, along ``item``.

    Parameters
    ----------
    kind : strip, group (a summary, or readings), censored, inspection or declaration.
    cell, series : place in the model; series -1 where no strength was found there.
    sub : specimen read repeatedly, -1 for none.
    n, freedom, mean, squares, extra : sufficient statistics, as in the model (log strengths for
        lognormal errors).
    sign, limit : of a censored strip.
    row : row of `Model.inspected_index` or `declared_index`, -1 otherwise.
    product : index of the material.
    material, lot, direction, exposure, dose : where it was found.
    """

    kind: np.ndarray
    cell: np.ndarray
    series: np.ndarray
    sub: np.ndarray
    n: np.ndarray
    freedom: np.ndarray
    mean: np.ndarray
    squares: np.ndarray
    extra: np.ndarray
    sign: np.ndarray
    limit: np.ndarray
    row: np.ndarray
    product: np.ndarray
    material: np.ndarray
    lot: np.ndarray
    direction: np.ndarray
    exposure: np.ndarray
    dose: np.ndarray

    def __len__(self) -> int:
        return self.cell.size

    @property
    def measured(self) -> np.ndarray:
        """Strips, summaries and readings: normal given the curve."""
        return (self.kind == STRIP) | (self.kind == GROUP)

    def levels(self, material: str, exposure: str) -> tuple[float, ...]:
        """The dose levels above 0 of a material in an exposure: the largest dose of each."""
        mine = (self.material == material) & (self.exposure == exposure) & (self.dose > 0)
        return dose_levels(self.dose[mine])


def dose_levels(dose: np.ndarray) -> tuple[float, ...]:
    """Doses that lie near each other become one level, named by the largest.

    Examples
    --------
    >>> dose_levels(np.array([100.0, 101.0, 200.0]))
    (101.0, 200.0)
    """
    levels: list[float] = []
    for d in np.unique(dose):
        if levels and d <= levels[-1] * (1 + NEAR):
            levels[-1] = float(d)
        else:
            levels.append(float(d))
    return tuple(levels)


def level_of(dose: np.ndarray, levels: tuple[float, ...]) -> np.ndarray:
    """The level to which each dose belongs; nan beyond the last."""
    edges = np.array([*levels, np.nan])
    return edges[np.searchsorted(edges[:-1], dose, side="left")]


def items_of(model: Model) -> Items:
    """The items of a model: its measured strips and groups, then censored strips, looks, words."""
    series_of, sub_of = owners(model)
    rows = rows_of(model)
    censored, limit = model.censored_index, model.censored_limit
    looks = np.where(model.inspected_index[:, 0] >= 0, model.inspected_index[:, 0],
                     model.inspected_index[:, 1]).astype(int)  # fmt: skip
    words = model.declared_index[:, 0].astype(int)
    sizes = [
        rows.n_strip, rows.cell.size - rows.n_strip, limit.size, looks.size, words.size
    ]  # fmt: skip
    cell = np.concatenate([rows.cell, censored[:, 0], looks, words]).astype(int)
    kind = np.repeat([STRIP, GROUP, CENSORED, LOOK, WORD], sizes)
    n_item = cell.size

    def filled(values: np.ndarray, fill: float = 0.0) -> np.ndarray:
        return np.concatenate([values, np.full(n_item - values.size, fill)])

    sign, at_limit = np.zeros(n_item), np.zeros(n_item)
    sign[kind == CENSORED], at_limit[kind == CENSORED] = censored[:, 1], limit
    row = np.full(n_item, -1)
    row[kind == LOOK], row[kind == WORD] = np.arange(looks.size), np.arange(words.size)
    series = series_of[cell]
    told = model.series_index[:, 1] >= 0 if model.start_known is None else np.ones(
        len(model.series), dtype=bool)  # fmt: skip
    text = np.array(model.series, dtype=object).reshape(-1, 4)[series].T
    with_series = np.isin(kind, (STRIP, GROUP, CENSORED)) & told[series]
    return Items(
        kind=kind,
        cell=cell,
        series=np.where(with_series, series, -1),
        sub=sub_of[cell],
        n=filled(rows.n, 1.0),
        freedom=filled(rows.freedom),
        mean=filled(rows.mean),
        squares=filled(rows.squares),
        extra=filled(rows.extra),
        sign=sign,
        limit=at_limit,
        row=row,
        product=model.cell_index[cell, 0],
        material=text[0].astype(str),
        lot=text[1].astype(str),
        direction=text[2].astype(str),
        exposure=np.array(model.cell_exposure, dtype=str)[cell],
        dose=model.cell_dose[cell],
    )


def owners(model: Model) -> tuple[np.ndarray, np.ndarray]:
    """The series of each cell, and the specimen read repeatedly whose cell it is, or -1."""
    series = np.zeros(model.cell_dose.size, dtype=int)
    sub = np.full(model.cell_dose.size, -1)
    for i, (first, end) in enumerate(model.sub_range):
        sub[first:end] = i
    for s, row in enumerate(model.series_index):
        first, end, sub_first, sub_end = row[2:6]
        series[first : model.sub_range[sub_end - 1, 1] if sub_end > sub_first else end] = s
    return series, sub
