"""Where in its file does a finding stand? Raw cells of a file of the study, and a cell by name.

Nothing is judged here: a file that could not be read as a table is still shown line by line.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from pathlib import Path

from durability.study.findings import Findings
from durability.study.spreadsheet import sheet_rows
from durability.study.tables import read_bytes, text_delimiter

_TOML = "study.toml"


@dataclass(frozen=True, slots=True, kw_only=True)
class Raw:
    """The cells of one file as they stand.

    Parameters
    ----------
    file, sheet : file name as the study writes it; sheet of a spreadsheet.
    rows : row as a spreadsheet counts, and its cells as text.
    header_row : row of the headers; 0 where there are none.
    """

    file: str
    sheet: str | None
    rows: dict[int, list[str]]
    header_row: int

    def column(self, name: str) -> int | None:
        """Place of a column, from 1, by its header or by its plain name."""
        heads = [c.strip() for c in self.rows.get(self.header_row, [])]
        plain = [re.split(r"[\[(]", h)[0].strip().casefold() for h in heads]
        for pool, wanted in ((heads, name.strip()), (plain, name.strip().casefold())):
            if wanted in pool:
                return pool.index(wanted) + 1
        return None

    def cells(self, row: int | None, column: str | None) -> list[tuple[int, int]]:
        """(row, column) of the cells that a finding is about, the first to carry its comment.

        A row without a column means all its cells; a column without a row means its header; neither
        means the first cell.
        """
        if self.file == _TOML:
            return [(row or self._line_of(column or ""), 1)]
        place = self.column(column) if column else None
        if row is None:
            return [(self.header_row or 1, place or 1)]
        if place is not None:
            return [(row, place)]
        return [(row, i + 1) for i, c in enumerate(self.rows.get(row, [""])) if c] or [(row, 1)]

    def _line_of(self, path: str) -> int:
        """Line of study.toml on which a key such as ``exposures.X1.cycle[2].minutes`` stands."""
        keys = re.sub(r"\[\d+\]", "", path).split(".")
        best, depth, table = 1, 0, []
        for line, cells in self.rows.items():
            text = cells[0].strip() if cells else ""
            if head := re.fullmatch(r"\[\s*([^\[\]]+?)\s*\].*", text):
                table = [k.strip().strip("\"'") for k in head[1].split(".")]
                here = table
            elif key := re.match(r"([\w.\"'-]+)\s*=", text):
                here = [*table, *(k.strip("\"'") for k in key[1].split("."))]
            else:
                continue
            if len(here) > depth and keys[: len(here)] == here:
                best, depth = line, len(here)
        return best


def raw_file(
    folder: Path,
    file: str,
    sheet: str | None = None,
    *,
    most: int = 20_000,
    also: Collection[int] = (),
) -> Raw | None:
    """The cells of a file of the study folder; None where there is no such file to show.

    Parameters
    ----------
    most, also : rows up to `most` are kept, and these ones beyond.
    """
    if file == _TOML:
        try:
            data = (folder / file).read_bytes()
        except OSError:
            return None
        lines = _decoded(data).splitlines()
        return Raw(file=file, sheet=None, rows={i: [t] for i, t in enumerate(lines, 1)},
                   header_row=0)  # fmt: skip
    data = read_bytes(folder, file, Findings(), {})
    if data is None:
        return None
    if file.casefold().endswith(".xlsx"):
        found = sheet_rows(data, file, sheet, Findings())
    else:
        found = _text_rows(_decoded(data))
    rows = {r: cells for r, cells in found or () if r <= most or r in also}
    header = next((r for r, cells in rows.items() if _is_header(cells)), 0)
    return Raw(file=file, sheet=sheet, rows=rows, header_row=header)


def _decoded(data: bytes) -> str:
    """Bytes as text, whatever they are."""
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return data.decode("utf-16", "replace")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("latin-1")


def _is_header(cells: list[str]) -> bool:
    text = " ".join(cells).strip()
    return bool(text) and not text.lstrip('"').startswith("#")


def _text_rows(text: str) -> Iterator[tuple[int, list[str]]]:
    """Rows of a text table, counted as the reader counts them."""
    lines = text.splitlines(keepends=True)
    top = 0
    while top < len(lines) and not _is_header([lines[top].strip(',;\t "\r\n')]):
        top += 1
    yield from ((i + 1, [lines[i].strip("\r\n")]) for i in range(top))
    if top == len(lines):
        return
    reader = csv.reader(io.StringIO("".join(lines[top:])), delimiter=text_delimiter(lines[top]))
    row = top
    try:
        for cells in reader:
            row += 1
            yield row, cells
    except csv.Error:
        yield from ((i + 1, [lines[i].strip("\r\n")]) for i in range(row, len(lines)))
