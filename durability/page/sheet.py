"""What stands in the working copy of a table, and how is a cell of it mended?

A dropped spreadsheet is kept untouched in ``originals/``. The study reads a working copy of its
cells as CSV in UTF-8, in the same rows, so that a row keeps the number that it has in the
spreadsheet. A cell is only changed where it still holds what the person saw.
"""

from __future__ import annotations

import csv
import io
import os
import re
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from durability.study.places import raw_file

MOST_CELL = 2_000
_DECIMAL_COMMA = re.compile(r"[-+]?\d+,\d+")


class Changed(ValueError):
    """The table is not as the person saw it: another window or program changed it."""


@dataclass(slots=True)
class Sheet:
    """The cells of a table, by rows as a spreadsheet counts them.

    Parameters
    ----------
    rows : cells as text; row 1 is the first.
    header_row : row of the headers, counted from 1; 0 where nothing stands in the table.
    """

    rows: list[list[str]]
    header_row: int

    @property
    def headers(self) -> list[str]:
        """The headers, stripped."""
        return [c.strip() for c in self.rows[self.header_row - 1]] if self.header_row else []

    def data(self) -> list[tuple[int, list[str]]]:
        """(row, cells) below the header."""
        return [(i, r) for i, r in enumerate(self.rows, 1) if i > self.header_row and any(r)]

    def column(self, place: int) -> list[str]:
        """Cells of one column below the header, blank ones left out."""
        return [r[place] for _, r in self.data() if place < len(r) and r[place].strip()]

    def cell(self, row: int, column: int) -> str:
        """One cell, counted from 1; blank beyond the table."""
        cells = self.rows[row - 1] if 0 < row <= len(self.rows) else []
        return cells[column - 1] if 0 < column <= len(cells) else ""

    def mend(self, row: int, column: int, was: str, text: str) -> None:
        """Change one cell that still holds what was seen.

        Raises
        ------
        Changed : it holds something else by now.
        ValueError : a place outside the table, or a text too long for a cell.
        """
        if not 0 < row <= len(self.rows) + 1 or not 0 < column <= self.width() + 1:
            raise ValueError("There is no such cell in the table.")
        if len(text) > MOST_CELL:
            raise ValueError(f"A cell holds at most {MOST_CELL} letters.")
        now = self.cell(row, column)
        if now != was:
            raise Changed(f"This cell was changed elsewhere and now holds “{now}”. Look again.")
        if row > len(self.rows):
            self.rows.append([])
        cells = self.rows[row - 1]
        cells.extend("" for _ in range(column - len(cells)))
        cells[column - 1] = " ".join(text.split())

    def width(self) -> int:
        """Number of columns."""
        return max((len(r) for r in self.rows), default=0)

    def add_column(self, name: str, text: str) -> None:
        """A new column on the right with the same text in every row that holds something."""
        place = self.width()
        for row, cells in enumerate(self.rows, 1):
            filled = any(c.strip() for c in cells)
            if row >= self.header_row and filled:
                cells.extend("" for _ in range(place - len(cells)))
                cells.append(name if row == self.header_row else text)

    def rename(self, names: Mapping[int, str | None]) -> None:
        """Give columns other headers by their place from 0; None leaves a column out."""
        head = self.rows[self.header_row - 1]
        for place, name in names.items():
            if name is not None:
                head[place] = name
        out = {place for place, name in names.items() if name is None}
        if out:
            self.rows = [[c for i, c in enumerate(r) if i not in out] for r in self.rows]

    def save(self, file: Path) -> None:
        """Write the working copy, whole or not at all."""
        comma = any(_DECIMAL_COMMA.fullmatch(c.strip()) for _, r in self.data() for c in r)
        stream = io.StringIO()
        writer = csv.writer(stream, delimiter=";" if comma else ",", lineterminator="\n")
        width = self.width()
        for row, cells in enumerate(self.rows, 1):
            if row < self.header_row:  # notes above the header stay as they are
                stream.write("".join(cells[:1]).rstrip("\n") + "\n")
            elif any(c.strip() for c in cells):
                writer.writerow([*cells, *[""] * (width - len(cells))])
            else:
                stream.write("\n")
        write_whole(file, stream.getvalue().encode())


def write_whole(file: Path, data: bytes) -> None:
    """Write beside the file and move, so that it is never half written."""
    handle, beside = tempfile.mkstemp(prefix=".writing-", dir=file.parent)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
        os.chmod(beside, 0o644)
        os.replace(beside, file)
    finally:
        Path(beside).unlink(missing_ok=True)


def read_sheet(folder: Path, file: str, sheet: str | None = None) -> Sheet | None:
    """The cells of a table of the study folder; None where there is none to show."""
    raw = raw_file(folder, file, sheet, most=200_000)
    if raw is None or not raw.rows:
        return None
    last = max(raw.rows)
    return Sheet(rows=[list(raw.rows.get(i, [])) for i in range(1, last + 1)],
                 header_row=raw.header_row)  # fmt: skip
