"""What are the rows of a model, one a strip or group, and where do long tails find them?

A `Model` keeps sufficient statistics of cells, which is all that normal errors need. With Student
errors each strip counts by itself, so the strips of a cell are told apart again here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from durability.inference.model import Model


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rows:
    """Measured strips, then groups (summaries, and the readings of a specimen at one dose).

    Parameters
    ----------
    cell : place in the model; n, freedom, mean, squares, extra : sufficient statistics.
    n_strip : how many of them are single strips; they come first.
    """

    cell: np.ndarray
    n: np.ndarray
    freedom: np.ndarray
    mean: np.ndarray
    squares: np.ndarray
    extra: np.ndarray
    n_strip: int


def rows_of(model: Model) -> Rows:
    """The rows of a model; strips with an error in common stay together as a group."""
    n_cell = model.cell_dose.size
    exact = model.extra[model.strip_cell] == 0
    cell, value = model.strip_cell[exact], model.strip_value[exact]
    own = np.bincount(cell, minlength=n_cell)
    total = np.bincount(cell, weights=value, minlength=n_cell)
    about = np.bincount(cell, weights=(value - model.mean[cell]) ** 2, minlength=n_cell)
    left = model.count - own
    rest = np.flatnonzero(left > 0.5)
    n = left[rest]
    mean = (model.count * model.mean - total)[rest] / n
    squares = (model.squares - about)[rest] - n * (mean - model.mean[rest]) ** 2
    one, none = np.ones(cell.size), np.zeros(cell.size)
    return Rows(
        cell=np.concatenate([cell, rest]).astype(int),
        n=np.concatenate([one, n]),
        freedom=np.concatenate([one, (model.freedom - own)[rest]]),
        mean=np.concatenate([value, mean]),
        squares=np.concatenate([none, np.maximum(squares, 0.0)]),
        extra=np.concatenate([none, model.extra[rest]]),
        n_strip=cell.size,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tail:
    """What `durability.inference.tails` reads; empty where errors have no long tails.

    Parameters
    ----------
    head : places, filled by `address`. row_range : (cell, 2) first and end row of each cell.
    row : (n, 5) rows, cell by cell. abscissa : (n, 2) nodes of the distribution function.
    """

    head: np.ndarray
    row_range: np.ndarray
    row: np.ndarray
    abscissa: np.ndarray

    def address(self, places: np.ndarray) -> int:
        """Where the compiled function lies, 0 for none; the head learns the kernel's places."""
        if not self.head.size:
            return 0
        from durability.inference import kernel as k
        from durability.inference import tails

        self.head[tails.N_SERIES_ENTRY] = k.N_SERIES_ENTRY
        self.head[tails.N_ABSCISSA] = len(self.abscissa)
        self.head[tails.F_KNOWN] = places[k.F_SCALAR] + k.START_KNOWN
        for name in (
            "N_SERIES", "N_SHAPE", "N_INSPECTED", "FIXED", "T_ERROR", "T_START", "T_EFFECT",
            "I_SERIES", "I_ROW_RANGE", "I_CENSORED", "I_INSPECTED", "I_CELL", "F_ROW", "F_LIMIT",
            "F_INSPECTED", "F_ABSCISSA", "W_THETA", "W_BY", "W_LEVEL", "W_PULL", "W_OWN",
            "W_BY_OWN",
        ):  # fmt: skip
            self.head[getattr(tails, name)] = places[getattr(k, name)]
        return int(tails.rows_callback.address)  # pyright: ignore


def tail_of(model: Model) -> Tail:
    """The rows of a model as the compiled function reads them."""
    if model.errors != "student":
        none = np.zeros(0)
        return Tail(head=none.astype(int), row_range=none.astype(int), row=none, abscissa=none)
    from durability.inference import tails

    rows = rows_of(model)
    order = np.argsort(rows.cell, kind="stable")
    table = np.column_stack([rows.n, rows.freedom, rows.mean, rows.squares, rows.extra])
    cells = np.arange(model.cell_dose.size)
    return Tail(
        head=np.zeros(tails.N_HEAD, dtype=np.int64),
        row_range=np.column_stack(
            [np.searchsorted(rows.cell[order], cells, side) for side in ("left", "right")]
        ),
        row=table[order],
        abscissa=tails.abscissas(),
    )
