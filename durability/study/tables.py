"""What stands in the cells of a table? Reads .csv and .xlsx as text, with true row numbers.

Nothing is converted here. A file is measured before it is read, so that a table far too large is
refused in bounded memory.
"""

from __future__ import annotations

import csv
import hashlib
import io
import itertools
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from durability.study.findings import Findings

MOST_ROWS = 2_000_000
MOST_BYTES = 1_000_000_000
BYTES_A_CELL = 66  # peak while reading 1 million rows of 10 columns, as measured
_CHUNK = 5_000
_TEXT_FILES = (".csv", ".tsv", ".txt")


@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """Cells as text.

    Parameters
    ----------
    file : file name as the study writes it.
    headers : header cells, one a column.
    header_row : row of the headers as a spreadsheet counts.
    columns : one array of text (numpy StringDType, stripped) a column, one entry a row.
    rows : int array; row of each entry as a spreadsheet counts. Blank rows are left out.
    decimal_comma : whether this kind of file can carry decimal commas.
    """

    file: str
    headers: tuple[str, ...]
    header_row: int
    columns: tuple[Any, ...]
    rows: Any
    decimal_comma: bool


def read_table(
    folder: Path, file: str, findings: Findings, inputs: dict[str, str], *, sheet: str | None = None
) -> Table | None:
    """Read the cells of one table of the study folder; None where a problem forbids it.

    Parameters
    ----------
    folder, file : the study folder and the file name within it.
    findings : receives problems.
    inputs : receives the file's SHA-256.
    sheet : name of the sheet of a spreadsheet with several.
    """
    data = read_bytes(folder, file, findings, inputs)
    if data is None:
        return None
    suffix = Path(file).suffix.lower()
    if suffix == ".xlsx":
        from durability.study.spreadsheet import sheet_rows

        records = sheet_rows(data, file, sheet, findings)
        if records is None:
            return None
        return _assemble(file, records, findings, decimal_comma=True)
    if data.startswith((b"PK\x03\x04", b"\xd0\xcf\x11\xe0")):
        findings.problem(
            file,
            "a text table",
            found="a spreadsheet under the name of a text table",
            mend="Rename the file to .xlsx, or save it as CSV UTF-8.",
        )
        return None
    return _read_text(data, file, findings)


def read_bytes(folder: Path, file: str, findings: Findings, inputs: dict[str, str]) -> bytes | None:
    """The bytes of a table or record inside the folder, once it is known to be small enough."""
    path = folder / file
    suffix = path.suffix.lower()
    if Path(file).is_absolute() or ".." in Path(file).parts:
        findings.problem(
            file,
            "a file inside the study folder",
            found=file,
            mend="Copy the file into the folder and name it there.",
        )
        return None
    if suffix not in (*_TEXT_FILES, ".xlsx"):
        findings.problem(
            file,
            "a file that ends in .csv or .xlsx",
            found=suffix or "no ending",
            mend="Save the table as CSV UTF-8 or as .xlsx.",
        )
        return None
    try:
        if not path.is_file():
            findings.problem(
                file,
                "a file of this name in the study folder",
                found="no such file",
                mend=_other_tables(folder),
            )
            return None
        size = path.stat().st_size
        if suffix != ".xlsx" and _too_large(path, size, file, findings):
            return None
        data = path.read_bytes()
    except OSError as error:
        findings.problem(file, "a readable file", found=error.strerror or str(error))
        return None
    inputs[file] = hashlib.sha256(data).hexdigest()
    if not data.strip():
        findings.problem(file, "a header row and at least one row of data", found="an empty file")
        return None
    return data


def _other_tables(folder: Path) -> str:
    others = sorted(p.name for p in folder.iterdir() if p.suffix.lower() in (".csv", ".xlsx"))
    return f"The folder holds {', '.join(others[:6])}." if others else ""


def _too_large(path: Path, size: int, file: str, findings: Findings) -> bool:
    lines = 0
    columns = 1
    with open(path, "rb") as stream:
        while chunk := stream.read(1 << 20):
            if lines == 0:
                columns = 1 + max(chunk.split(b"\n", 1)[0].count(c) for c in (b",", b";", b"\t"))
            lines += chunk.count(b"\n")
    if lines <= MOST_ROWS and size <= MOST_BYTES:
        return False
    refuse_size(file, f"about {lines:,} rows", lines * columns, findings)
    return True


def refuse_size(file: str, found: str, cells: int, findings: Findings) -> None:
    """Say that a table is too large, with the memory it would take."""
    memory = cells * BYTES_A_CELL / 1e9
    findings.problem(
        file,
        f"at most {MOST_ROWS:,} rows",
        found=f"{found}, which would take about {memory:.1f} GB of memory",
        mend="Split the study, or give a summaries table: one row a group with mean, sd and n.",
    )


def _read_text(data: bytes, file: str, findings: Findings) -> Table | None:
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        findings.problem(
            file,
            "text in UTF-8",
            found="text in UTF-16",
            row=1,
            mend="Save the table again as CSV UTF-8.",
        )
        return None
    try:
        data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.rfind(b"\n", 0, error.start) + 1
        end = data.find(b"\n", error.start)
        around = data[line : end if end >= 0 else None].decode("latin-1").strip()
        findings.problem(
            file,
            "text in UTF-8",
            found=f"byte 0x{data[error.start]:02x} in {around[:60]}",
            row=1 + data.count(b"\n", 0, error.start),
            mend="Save the table again as CSV UTF-8; it was probably written in a code page "
            "of an office program.",
        )
        return None
    stream = io.TextIOWrapper(io.BytesIO(data), encoding="utf-8-sig", newline="")
    skipped, first = 0, ""
    for first in stream:
        text = first.strip().lstrip('"')
        if text.strip(',;\t "') and not text.startswith("#"):
            break
        skipped += 1
    else:
        first = ""
    if not first:
        findings.problem(file, "a header row", found="only blank lines and comments")
        return None
    delimiter = text_delimiter(first)
    lines = itertools.chain([first], stream)
    try:
        return _assemble(
            file,
            _numbered(csv.reader(lines, delimiter=delimiter, strict=True), skipped, file, findings),
            findings,
            decimal_comma=delimiter != ",",
        )
    except _BrokenQuotes:
        return None


class _BrokenQuotes(Exception):
    pass


def _numbered(
    reader: Iterator[list[str]], skipped: int, file: str, findings: Findings
) -> Iterator[tuple[int, list[str]]]:
    row = skipped
    try:
        for cells in reader:
            row += 1
            yield row, cells
    except csv.Error as error:
        findings.problem(
            file,
            "quotation marks that open and close around a whole cell",
            found=str(error),
            row=row + 1,
            mend="Look for a single quotation mark in or after this row.",
        )
        raise _BrokenQuotes from error


def text_delimiter(header: str) -> str:
    """The separator of a text table: the commonest of ; tab and , outside quotes and brackets."""
    counts = {";": 0, "\t": 0, ",": 0}
    quoted, depth = False, 0
    for c in header:
        if c == '"':
            quoted = not quoted
        elif not quoted and c in "[(":
            depth += 1
        elif not quoted and c in "])":
            depth -= 1
        elif not quoted and depth <= 0 and c in counts:
            counts[c] += 1
    best = max(counts.values())
    return next((c for c in counts if counts[c] == best), ",") if best else ","


def _assemble(
    file: str,
    records: Iterable[tuple[int, list[str]]],
    findings: Findings,
    *,
    decimal_comma: bool,
) -> Table | None:
    """Columns from (row, cells) records; the first record with text is the header."""
    import numpy
    from numpy.dtypes import StringDType

    text = StringDType()
    records = iter(records)
    header_row, header = next(((row, cells) for row, cells in records if _has_text(cells)), (0, []))
    full = len(header)  # a file of a spreadsheet may carry blank columns on the right
    while header and not header[-1].strip():
        header.pop()
    if not header:
        findings.problem(file, "a header row and at least one row of data", found="no text")
        return None
    width = len(header)
    parts: list[list[Any]] = []
    numbers: list[Any] = []
    nameless: list[tuple[int, object]] = []
    while chunk := list(itertools.islice(records, _CHUNK)):
        kept = [(row, cells) for row, cells in chunk if _has_text(cells)]
        if not kept:
            continue
        # without decimal_comma a comma separates: a blank extra cell may be a split number
        findings.cells(
            file,
            None,
            [
                (row, f"{len(cells)} cells: {' | '.join(cells)}")
                for row, cells in kept
                if len(cells) > full and (not decimal_comma or _has_text(cells[full:]))
            ],
            f"{full} cells, as the header has",
            mend="A comma inside a cell splits it: put the cell in quotation marks, and write "
            "decimal points or separate the cells by semicolons.",
        )
        nameless += [
            (row, " ".join(cells[width:full]).strip())
            for row, cells in kept
            if len(cells) > width and _has_text(cells[width:full])
        ]
        rows = [c if len(c) == width else (c + [""] * (width - len(c)))[:width] for _, c in kept]
        cells = (numpy.array(c, dtype=text) for c in zip(*rows, strict=True))
        parts.append([numpy.strings.strip(c) for c in cells])
        numbers.append(numpy.array([row for row, _ in kept], dtype=numpy.int64))
    findings.cells(
        file,
        None,
        nameless[:1],
        "a name in the header of every column that holds something",
        mend="A column to the right of the last header has no name: name it or empty it.",
    )
    if not parts:
        findings.problem(
            file,
            "at least one row of data below the header",
            found="a header only",
            row=header_row,
        )
        return None
    return Table(
        file=file,
        headers=tuple(h.strip() for h in header),
        header_row=header_row,
        columns=tuple(numpy.concatenate(column) for column in zip(*parts, strict=True)),
        rows=numpy.concatenate(numbers),
        decimal_comma=decimal_comma,
    )


def _has_text(cells: list[str]) -> bool:
    return any(c and not c.isspace() for c in cells)
