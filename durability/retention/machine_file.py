"""Which cells stand in a testing machine's file? Its lines before the table, header and numbers.

Text in UTF-8, UTF-16 or a Western code page, cells separated by tabs, semicolons, commas or blanks,
decimal points or commas, or the sheets of a workbook.
"""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass

from durability.study.problem import Problem, StudyError
from durability.units import UnitError, unit

FEWEST_POINTS = 5
"""A table of fewer rows is none."""

NUMBER = re.compile(r"[-+]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][-+]?\d+)?", re.ASCII)
TIME = {"s": 1.0, "sec": 1.0, "secs": 1.0, "min": 60.0, "ms": 0.001}
STRAIN = {"%": 0.01, "mm/mm": 1.0, "m/m": 1.0, "in/in": 1.0}
_THOUSANDS = re.compile(r"[-+]?[1-9]\d{0,2}(?:,\d{3})+", re.ASCII)
_ENCODINGS = ("utf-8-sig", "cp1252", "latin-1")


@dataclass(frozen=True, slots=True, kw_only=True)
class Stated:
    """A number that the machine wrote above its table: what it calls it, number and unit."""

    label: str
    number: float
    unit: str


@dataclass(frozen=True, slots=True, eq=False)
class Sheet:
    """Cells of one table of text, and its name where the file has several."""

    name: str
    rows: list[list[str]]
    mark: str | None  # what stands between cells


def sheet_of_text(data: bytes, name: str) -> Sheet:
    """The cells of a text file, split at the mark that gives the longest table.

    Raises
    ------
    ValueError : the bytes are no text.
    """
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        text = data.decode("utf-16")
    else:
        text = next(t for t in (_decoded(data, e) for e in _ENCODINGS) if t is not None)
    if "\0" in text:
        raise ValueError("bytes that are no text")
    lines = text.splitlines()
    found = Sheet(name, [], None)
    most = (-1, 0)
    for mark in ("\t", ";", ",", None):
        rows = [_cells(line, mark) for line in lines]
        start, end = table_block(rows)
        width = max((len(r) for r in rows[start:end]), default=0)
        score = (end - start if width > 1 else 0, width)
        if score > most:
            most, found = score, Sheet(name, rows, mark)
        if score[0] and mark in ("\t", ";"):
            break  # these never stand inside a number
    return found


def _cells(line: str, mark: str | None) -> list[str]:
    if mark is None:  # blanks separate, but not before a unit in brackets
        return re.findall(r"[^\s\[(]+(?:\s*[\[(][^\])]*[\])])?|[\[(][^\])]*[\])]", line)
    return [c.strip() for c in next(csv.reader([line], delimiter=mark), [])]


def _decoded(data: bytes, encoding: str) -> str | None:
    try:
        return data.decode(encoding)
    except UnicodeDecodeError:
        return None


def sheets_of_workbook(data: bytes) -> list[Sheet]:
    """The cells of every sheet of an .xlsx workbook.

    Raises
    ------
    ValueError : the workbook cannot be opened.
    """
    import io

    from python_calamine import CalamineError, CalamineWorkbook

    try:
        book = CalamineWorkbook.from_filelike(io.BytesIO(data))
        return [
            Sheet(
                name,
                [
                    [repr(c) if isinstance(c, float) else str(c).strip() for c in row]
                    for row in book.get_sheet_by_name(name).to_python(skip_empty_area=False)
                ],
                mark="\t",
            )
            for name in book.sheet_names
        ]
    except CalamineError as error:
        raise ValueError(f"a workbook that cannot be opened ({error})") from error


def table_block(rows: list[list[str]]) -> tuple[int, int]:
    """Where the table of numbers stands: the longest run of rows that hold little but numbers."""
    best, start = (0, 0), None
    for i, row in enumerate([*rows, ["end"]]):
        filled = [c for c in row if c]
        numbers = sum(bool(NUMBER.fullmatch(c)) for c in filled)
        fits = (numbers >= 2 and numbers >= len(filled) - 3) or (not filled and start is not None)
        single = numbers == len(filled) == 1 and start is not None
        if fits or single:
            start = i if start is None else start
            continue
        if start is not None:
            if i - start > best[1] - best[0]:
                best = (start, i)
            start = None
    return best


def refuse_doubt(sheet: Sheet, file: str, header: list[str], start: int, end: int) -> None:
    """Raise where the table breaks off, or where a comma may be decimal or not."""
    problems = []
    above = [(i, r) for i, r in enumerate(sheet.rows[:start], 1) if any(r)]
    for i, row in [*above[-1:], *enumerate(sheet.rows[end:], end + 1)]:
        if sum(bool(re.match(r"[-+.,]?\d", c)) for c in row) >= 2:
            problems.append(
                Problem(
                    file=file, row=i, found=" ".join(row)[:80],
                    expected="numbers without thousands separators to the end of the table",
                    mend="Mend this line, or remove it.",
                )
            )  # fmt: skip
            break
    body = sheet.rows[start:end]
    if sheet.mark == "," and header and max(map(len, body)) > len(header):
        problems.append(
            Problem(
                file=file, row=start + 1, found=",".join(body[0]),
                expected=f"{len(header)} cells, as the header has",
                mend="Commas that separate cannot also be decimal: save with semicolons or tabs.",
            )
        )  # fmt: skip
    for j in range(max(map(len, body))):
        cells = [(i, r[j]) for i, r in enumerate(body, start + 1) if len(r) > j and r[j]]
        comma = [(i, c) for i, c in cells if "," in c]
        point = any("." in c for _, c in cells)
        large = any(len(c.lstrip("-+")) >= 3 and c.lstrip("-+").isdigit() for _, c in cells)
        if comma and (point or (large and all(_THOUSANDS.fullmatch(c) for _, c in comma))):
            problems.append(
                Problem(
                    file=file, row=comma[0][0], column=header[j] if j < len(header) else None,
                    found=comma[0][1], expected="one decimal mark, and no thousands separators",
                )
            )  # fmt: skip
    if problems:
        raise StudyError(problems)


def header_of(above: list[list[str]]) -> tuple[list[str], list[str], int]:
    """Names and units of the columns, and how many lines above the table they take."""
    back = next((i for i, r in enumerate(reversed(above)) if any(r)), None)
    if back is None:
        return [], [], 0
    names = above[-1 - back]
    own = [unit_in(h) for h in names]
    if len(above) > back + 1 and all(
        not h or _bare(h) in (u, "sec") for h, u in zip(names, own, strict=True)
    ):
        return list(above[-2 - back]), own, back + 2  # a line of units alone, below the names
    return list(names), own, back + 1


def _bare(text: str) -> str:
    return text.strip("[]() ")


def unit_in(text: str) -> str:
    """The unit within a header: in brackets, or after the last comma, slash or blank."""
    spots = re.findall(r"[\[(]\s*([^\[\]()]*(?:\([^()]*\))?[^\[\]()]*)\s*[\])]", text)
    spots += [text, re.split(r"[,/]\s*|\s+", text)[-1]]
    for spot in spots:
        spot = spot.strip()
        if spot in TIME or spot in STRAIN:
            return spot
        try:
            return unit(spot).symbol if spot else ""
        except UnitError:
            continue
    return ""


def preamble(above: list[list[str]]) -> tuple[tuple[Stated, ...], tuple[str, ...]]:
    """Numbers with a label, and text, above the table."""
    stated, comment = [], []
    for row in above:
        cells = [c for c in row if c]
        number = next((i for i, c in enumerate(cells) if i and NUMBER.fullmatch(c)), None)
        if number is not None:
            stated.append(
                Stated(
                    label=" ".join(cells[:number]),
                    number=float(cells[number].replace(",", ".")),
                    unit=cells[number + 1] if len(cells) > number + 1 else "",
                )
            )
        elif cells:
            comment.append(" ".join(cells))
    return tuple(stated), tuple(comment)
