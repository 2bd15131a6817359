"""Which data were found under the same conditions, and where do those lie on the clocks?"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from durability.inference.clock import Bow, Clock
from durability.inference.items import Items


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cells:
    """Strips of one series, exposure, dose and run, or readings of one specimen, laid side by side.

    The cells of a series follow each other, those of strips before those of each specimen.
    """

    series: np.ndarray
    read: np.ndarray  # readings of a specimen
    specimen: list[str]
    exposure: tuple[str, ...]
    dose: np.ndarray
    run: list[str]
    of_row: np.ndarray  # cell of each item; -1 of a look that is still to come
    blurred: np.ndarray  # items whose dose was read off a figure: each is its own cell

    def ranges(self, n_series: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """Edges of each series and its first read cell; range and series of each specimen."""
        edges = np.searchsorted(self.series, np.arange(n_series + 1))
        first_read = np.array(
            [a + int((~self.read[a:b]).sum()) for a, b in itertools.pairwise(edges)], dtype=int
        )
        of: dict[tuple[int, str], list[int]] = {}
        for g in np.flatnonzero(self.read):
            of.setdefault((int(self.series[g]), self.specimen[g]), []).append(int(g))
        sub_range = np.array([[g[0], g[-1] + 1] for g in of.values()], dtype=np.int64)
        sub_series = np.array([series for series, _ in of], dtype=int)
        return edges, first_read, sub_range.reshape(-1, 2), sub_series


def lay_cells(items: Items, s_row: np.ndarray, exposures: list[str]) -> Cells:
    """Cells of items whose series are `s_row`, in order."""
    lit = items.dose > 0
    reading = items.kind == "reading"
    specimen = np.where(reading, items.text["specimen"], "")
    beyond = ~np.isfinite(items.dose)  # a crossing not seen yet has no second look
    blurred = lit & (items.dose_sd > 0)
    place = np.where(blurred, np.arange(len(items)), -1)
    x_row = np.array([exposures.index(x) if x else -1 for x in items.text["exposure"]], dtype=int)
    keys = np.rec.fromarrays(
        [s_row, reading, specimen, lit, x_row, np.where(beyond, 0.0, items.dose),
         items.text["run"], place, beyond]
    )  # fmt: skip
    unique, cell_row = np.unique(keys, return_inverse=True)
    cell_row = cell_row.ravel()
    live = ~unique["f8"]
    renumber = np.cumsum(live) - 1
    cell_row = np.where(live[cell_row], renumber[cell_row], -1)
    unique = unique[live]
    return Cells(
        series=unique["f0"],
        read=unique["f1"].astype(bool),
        specimen=[str(x) for x in unique["f2"]],
        exposure=tuple(exposures[x] if x >= 0 else "" for x in unique["f4"]),
        dose=unique["f5"].astype(float),
        run=[str(x) for x in unique["f6"]],
        of_row=cell_row,
        blurred=blurred,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LitCells:
    """Cells on the clocks of their exposures."""

    index: np.ndarray  # material, main
    log_dose: np.ndarray
    design: np.ndarray
    bows: list[list[Bow]]
    conditions: dict[tuple[str, str, str], tuple[float, np.ndarray]]
    bent: dict[tuple[str, str, str], tuple[Bow, ...]]
    largest: dict[tuple[str, str], float]  # log dose of a main
    first: dict[tuple[str, str], float]
    last: dict[tuple[str, str], float]


def lit_cells(
    cells: Cells,
    clock: Clock,
    series: list[Any],
    materials: list[str],
    main_code: dict[Any, int],
    n_column: int,
) -> LitCells:
    """Log doses and designs of cells that were exposed, and the conditions that they stand for."""
    n = cells.series.size
    found = LitCells(
        index=np.zeros((n, 2), dtype=np.int64), log_dose=np.full(n, -np.inf),
        design=np.zeros((n, n_column)), bows=[], conditions={}, bent={},
        largest=dict.fromkeys(main_code, -math.inf), first={}, last={},
    )  # fmt: skip
    for g, (dose, x) in enumerate(zip(cells.dose, cells.exposure, strict=True)):
        material, _, direction, _ = series[cells.series[g]]
        found.index[g, 0] = materials.index(material)
        found.bows.append([])
        if not dose > 0:
            continue
        main = (material, clock.families[x])
        found.index[g, 1] = main_code[main]
        found.log_dose[g], entries, bent = clock.dose(material, direction, x, float(dose))
        found.bows[g] = bent
        for j, coefficient in entries.items():
            found.design[g, j] = coefficient
        log_dose = found.log_dose[g]
        if clock.is_a_factor(material, x):
            where = (material, direction, x)
            found.conditions[where] = (log_dose - math.log(dose), found.design[g].copy())
            if bent:
                found.bent[where] = tuple(bent)
            log_dose = math.log(dose)
        found.largest[main] = max(found.largest[main], log_dose)
        found.last[(material, x)] = max(dose, found.last.get((material, x), 0.0))
        found.first[(material, x)] = min(dose, found.first.get((material, x), math.inf))
    return found
