"""Where must I mend? A spreadsheet copy of the study's files with every finding marked.

The first sheet lists all findings with a link to each cell; a sheet a file shows its cells at the
rows and columns in which they stand in the original. Cells that would be formulas are kept as text.
The copy is for looking and mending: the study's own files are never touched.
"""

from __future__ import annotations

import os
import re
import zipfile
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from durability.study.findings import Findings
from durability.study.model import Caution
from durability.study.places import Raw, raw_file
from durability.study.problem import Problem

if TYPE_CHECKING:
    from openpyxl.workbook import Workbook
    from openpyxl.worksheet.worksheet import Worksheet

TITLE = "Marked copy of a study"
LIST = "findings"
MOST_ROWS = 20_000
"""Of a longer table so many rows are copied, and the rows with findings beyond, in their places."""

LAST_ROW = 1_048_576
"""The last row that a spreadsheet can hold."""

MOST_CELLS = 200
"""Cells that one caution marks; the list counts them all."""

_NUMBER = re.compile(r"-?(?:0|[1-9]\d{0,14})(?:\.(\d{1,14}))?", re.ASCII)
_STARTS_FORMULA = ("=", "+", "-", "@", "\t", "\r")
_PROBLEM, _CAUTION = "8C2D19", "FCE8A6"  # dark and pale: apart in grey too


@dataclass(frozen=True, slots=True, kw_only=True)
class _Mark:
    """One finding as the list shows it."""

    kind: str
    file: str
    rows: tuple[int | None, ...]
    column: str | None
    found: str
    expected: str
    mend: str

    def comment(self, number: int) -> str:
        """What the marked cell says."""
        if self.kind == "caution":
            return f"{number}. Caution: {self.mend}"
        found = f'found "{self.found}"; ' if self.found else ""
        return f"{number}. Problem: {found}expected {self.expected}. {self.mend}"


def write_marked(
    folder: str | Path,
    out: str | Path,
    problems: Iterable[Problem],
    cautions: Iterable[Caution] = (),
) -> Path:
    """Write a spreadsheet copy of a study's files with every problem and caution marked.

    Parameters
    ----------
    folder : the study folder.
    out : the .xlsx to write. An earlier marked copy is replaced; any other file is left alone.
    problems, cautions : from `durability.study.check_study`.

    Returns
    -------
    The path written.

    Raises
    ------
    ValueError
        Where `out` does not end in .xlsx, is a file that is no marked copy, or cannot be written.
    """
    folder, out = Path(folder), Path(out)
    _refuse(out)
    marks = [*map(_of_problem, problems), *map(_of_caution, cautions)]
    from openpyxl import Workbook

    book = Workbook()
    book.properties.title = TITLE
    listed = book.worksheets[0]
    listed.title = LIST
    raws = _raw_files(folder, marks)
    sheets = {id(raw): book.create_sheet(_sheet_name(raw, book)) for raw in raws}
    where: list[tuple[str, int, int] | None] = []
    comments: dict[tuple[int, int, int], list[str]] = {}
    kinds: dict[tuple[int, int, int], str] = {}
    for number, mark in enumerate(marks, start=1):
        raw = _raw_of(mark, raws)
        if raw is None:
            where.append(None)
            continue
        first = None
        for row in mark.rows:
            cells = [c for c in raw.cells(row, mark.column) if c[0] <= LAST_ROW]
            if not cells:
                continue
            first = first or cells[0]
            comments.setdefault((id(raw), *cells[0]), []).append(mark.comment(number))
            for cell in cells:
                kinds.setdefault((id(raw), *cell), mark.kind)
        where.append((sheets[id(raw)].title, *first) if first else None)
    for raw in raws:
        _copy(raw, sheets[id(raw)])
    by_key = {id(raw): sheets[id(raw)] for raw in raws}
    for (key, row, column), kind in kinds.items():
        _mark(by_key[key], row, column, kind, comments.get((key, row, column), []))
    _write_list(listed, marks, where)
    _save(book, out)
    return out


def _of_problem(p: Problem) -> _Mark:
    return _Mark(kind="problem", file=p.file, rows=(p.row,), column=p.column, found=p.found,
                 expected=p.expected, mend=p.mend)  # fmt: skip


def _of_caution(c: Caution) -> _Mark:
    rows = c.rows[:MOST_CELLS] or (c.row,)
    return _Mark(kind="caution", file=c.file, rows=rows, column=c.column, found="",
                 expected="", mend=c.text)  # fmt: skip


def _refuse(out: Path) -> None:
    if out.suffix.casefold() != ".xlsx":
        raise ValueError(f"{out.name} must end in .xlsx")
    if out.exists() and not _is_marked_copy(out):
        raise ValueError(f"{out.name} is there already and is no marked copy; choose another name")


def _is_marked_copy(out: Path) -> bool:
    try:
        with zipfile.ZipFile(out) as archive:
            return TITLE.encode() in archive.read("docProps/core.xml")[:10_000]
    except (OSError, zipfile.BadZipFile, KeyError, RuntimeError):
        return False


def _raw_files(folder: Path, marks: Sequence[_Mark]) -> list[Raw]:
    """The cells of each file with a finding; of a spreadsheet each sheet that study.toml names."""
    from durability.study.toml import read_description

    described = read_description(folder, Findings(), {})
    sheets: dict[str, list[str | None]] = {}
    for file, sheet in described.tables.values() if described else ():
        sheets.setdefault(file, []).append(sheet)
    found = []
    for file in dict.fromkeys(m.file for m in marks if m.file):
        rows = {r + d for m in marks if m.file == file for r in m.rows if r for d in (-1, 0, 1)}
        for sheet in dict.fromkeys(sheets.get(file, [None])):
            raw = raw_file(folder, file, sheet, most=MOST_ROWS, also=rows)
            if raw is not None and raw.rows:
                found.append(raw)
    return found


def _raw_of(mark: _Mark, raws: Sequence[Raw]) -> Raw | None:
    """The sheet that a finding is about: of several of one file the first with its column."""
    mine = [r for r in raws if r.file == mark.file]
    named = [r for r in mine if mark.column and r.column(mark.column)]
    return next(iter([*named, *mine]), None)


def _sheet_name(raw: Raw, book: Workbook) -> str:
    """A sheet name that spreadsheet programs accept and no other sheet has."""
    name = raw.sheet or Path(raw.file).name
    name = re.sub(r"[\[\]:*?/\\'\x00-\x1f]", "_", name)[:28] or "file"
    taken = {s.casefold() for s in book.sheetnames}
    number, wanted = 2, name
    while wanted.casefold() in taken:
        wanted, number = f"{name[:25]} {number}", number + 1
    return wanted


def _copy(raw: Raw, sheet: Worksheet) -> None:
    """Write the cells of a file where they stand in it."""
    widths: dict[int, int] = {}
    for row in raw.rows:
        if row > LAST_ROW:
            continue
        for column, text in enumerate(raw.rows[row][:16_384], start=1):
            if text:
                _put(sheet.cell(row, column), text)
                widths[column] = max(widths.get(column, 0), min(len(text), 40))
    from openpyxl.styles import Font
    from openpyxl.utils import get_column_letter

    for column, width in widths.items():
        wide = 100 if raw.header_row == 0 else width + 2
        sheet.column_dimensions[get_column_letter(column)].width = wide
    if raw.header_row:
        for cell in sheet[raw.header_row]:
            cell.font = Font(bold=True)
        sheet.freeze_panes = f"A{raw.header_row + 1}"


def _put(cell: Any, text: str) -> None:
    """A number as a number with its decimals; anything else as text that is no formula."""
    number = _NUMBER.fullmatch(text)
    if number and len(text) <= 16:
        cell.value = float(text) if number[1] else int(text)
        cell.number_format = "0." + "0" * len(number[1]) if number[1] else "0"
        return
    cell.value = _clean(text)
    cell.data_type = "s"
    if text.startswith(_STARTS_FORMULA):
        cell.quotePrefix = True


def _clean(text: str) -> str:
    """Text without the characters that a spreadsheet file cannot hold, in one cell's length."""
    from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE

    return ILLEGAL_CHARACTERS_RE.sub("\N{REPLACEMENT CHARACTER}", text)[:32_000]


def _mark(sheet: Worksheet, row: int, column: int, kind: str, comments: list[str]) -> None:
    from openpyxl.comments import Comment
    from openpyxl.styles import Border, Font, PatternFill, Side

    cell: Any = sheet.cell(row, column)
    dark = kind == "problem"
    colour = _PROBLEM if dark else _CAUTION
    cell.fill = PatternFill("solid", start_color=colour, end_color=colour)
    cell.font = Font(bold=True, color="FFFFFF" if dark else "000000")
    side = Side(style="thick" if dark else "dashed", color="000000")
    cell.border = Border(left=side, right=side, top=side, bottom=side)
    if comments:
        text = _clean("\n\n".join(comments[:10]))[:8_000]
        lines = sum(1 + len(t) // 48 for t in text.splitlines())
        cell.comment = Comment(text, "check", width=360, height=min(600, 24 + 18 * lines))


def _write_list(
    sheet: Worksheet, marks: list[_Mark], where: list[tuple[str, int, int] | None]
) -> None:
    """The list of findings, each with a link to its cell."""
    from openpyxl.styles import Alignment, Font
    from openpyxl.utils import get_column_letter
    from openpyxl.worksheet.hyperlink import Hyperlink

    heads = ("no.", "kind", "file", "row", "column", "found", "expected",
             "how to mend, or what to look at", "go to")  # fmt: skip
    for column, (head, width) in enumerate(
        zip(heads, (6, 10, 20, 8, 20, 24, 40, 70, 24), strict=True), start=1
    ):
        cell: Any = sheet.cell(1, column, head)
        cell.font = Font(bold=True)
        sheet.column_dimensions[get_column_letter(column)].width = width
    for i, (mark, place) in enumerate(zip(marks, where, strict=True), start=1):
        row = i + 1
        texts = {2: mark.kind, 3: mark.file, 5: mark.column or "", 6: mark.found,
                 7: mark.expected, 8: mark.mend}  # fmt: skip
        sheet.cell(row, 1, i)
        if mark.rows[0] is not None:
            sheet.cell(row, 4, mark.rows[0])
        for column, text in texts.items():
            cell = sheet.cell(row, column)
            if text:
                cell.value = _clean(text)
                cell.data_type = "s"
                cell.quotePrefix = text.startswith(_STARTS_FORMULA)
            cell.alignment = Alignment(wrap_text=True, vertical="top")
        if place is not None:
            name, at, column = place
            address = f"{get_column_letter(column)}{at}"
            cell = sheet.cell(row, 9, f"{name} {address}")
            cell.data_type = "s"
            cell.hyperlink = Hyperlink(ref=cell.coordinate, location=f"'{name}'!{address}")
            cell.font = Font(underline="single", color="0645AD")
    if not marks:
        sheet.cell(2, 8, "Nothing was found.")
    last = len(marks) + 3
    sheet.cell(last, 8, "Problems are dark with a thick frame: they must be mended. Cautions are"
               " pale with a dashed frame: look at them.")  # fmt: skip
    sheet.freeze_panes = "A2"


def _save(book: Workbook, out: Path) -> None:
    """Write beside the target and move, so that a copy that fails leaves the old one whole."""
    beside = out.with_name(f".{out.stem}.{os.getpid()}.xlsx")
    try:
        book.save(beside)
        os.replace(beside, out)
    except OSError as error:
        raise ValueError(f"{out.name} cannot be written ({error.strerror})") from error
    finally:
        beside.unlink(missing_ok=True)
