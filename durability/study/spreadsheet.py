"""What stands in a sheet? Cells of one .xlsx sheet as text; a formula stays a formula.

Cells are read by calamine, which gives the value a formula had when the file was last saved and
shows an error cell as blank; so the sheet's XML is looked through first for cells far outside the
table, and formulas and error cells are carried on as they are written (``=B2/C2``, ``#DIV/0!``).
"""

from __future__ import annotations

import datetime
import html
import io
import re
import zipfile
import zlib
from collections.abc import Iterable, Iterator
from xml.etree import ElementTree

from durability.study.findings import Findings, listed, near

_MOST_CELLS = 50_000_000
_MOST_BYTES = 600_000_000
_PLACE = re.compile(rb'<(?:\w+:)?c\b[^>]*?\br="([A-Z]{1,3})(\d{1,7})"')
_MERGED = re.compile(
    rb'<(?:\w+:)?mergeCell\b[^>]*?\bref="([A-Z]{1,3})(\d{1,7}):([A-Z]{1,3})(\d{1,7})"'
)
_HIDDEN = re.compile(
    rb'<(?:\w+:)?row\b(?=[^>]*?\br="(\d{1,7})")(?=[^>]*?\bhidden="(?:1|true)")[^>]*[^/]>'
)
_FORMULA = re.compile(rb"<(?:\w+:)?f[ >/]")
_CELL = re.compile(
    rb'<(?:\w+:)?c\b(?=[^>]*?\br="(?P<letters>[A-Z]{1,3})(?P<row>\d{1,7})")(?P<head>[^>]*)>'
    rb"(?P<body>.*?)</(?:\w+:)?c>",
    re.DOTALL,
)
_BROKEN = (zipfile.BadZipFile, KeyError, ElementTree.ParseError, zlib.error, EOFError,
           NotImplementedError, RuntimeError, OSError, ValueError)  # fmt: skip


def sheet_rows(
    data: bytes, file: str, sheet: str | None, findings: Findings
) -> Iterator[tuple[int, list[str]]] | None:
    """(row, cells as text) of one sheet, first row of the sheet first; None after a problem."""
    from python_calamine import CalamineError, CalamineWorkbook

    from durability.study.tables import refuse_size

    try:
        archive = zipfile.ZipFile(io.BytesIO(data))
        size = sum(part.file_size for part in archive.infolist())
        if size > _MOST_BYTES:
            refuse_size(file, f"{size / 1e9:.1f} GB once unpacked", size // 30, findings)
            return None
        parts = _sheet_parts(archive)
        name = _choose(archive, parts, file, sheet, findings)
        if name is None:
            return None
        xml = archive.read(parts[name])
        if not _within_reach(xml, file, findings):
            return None
        percent = _percent_cells(archive, xml)
        book = CalamineWorkbook.from_filelike(io.BytesIO(data))
        rows = book.get_sheet_by_name(name).to_python(skip_empty_area=False)
    except (*_BROKEN, CalamineError) as error:
        findings.problem(
            file,
            "a spreadsheet in .xlsx form",
            found=f"a file that cannot be opened ({error})",
            mend="Open it in a spreadsheet program and save it again, or save it as CSV UTF-8. "
            "A spreadsheet under a password cannot be read.",
        )
        return None
    _say_hidden(xml, file, findings)
    _refuse_merged(xml, file, findings)
    texts = [[_text(c) for c in cells] for cells in rows]
    for row, column in percent:
        texts[row - 1][column - 1] = _as_percent(rows[row - 1][column - 1])
    for (row, column), found in _formulas(xml).items():
        texts.extend([] for _ in range(row - len(texts)))
        cells = texts[row - 1]
        cells.extend("" for _ in range(column - len(cells)))
        cells[column - 1] = found
    return _without_comments(enumerate(texts, start=1))


def _without_comments(
    rows: Iterable[tuple[int, list[str]]],
) -> Iterator[tuple[int, list[str]]]:
    top = True
    for row, cells in rows:
        if top and next((c for c in cells if c), "#").startswith("#"):
            continue
        top = False
        yield row, cells


def _sheet_parts(archive: zipfile.ZipFile) -> dict[str, str]:
    """Sheet name to the part of the archive that holds its cells, in the workbook's order."""
    targets: dict[str, str] = {}
    for link in ElementTree.fromstring(archive.read("xl/_rels/workbook.xml.rels")):
        target = link.get("Target", "")
        targets[link.get("Id", "")] = target[1:] if target.startswith("/") else f"xl/{target}"
    parts: dict[str, str] = {}
    for element in ElementTree.fromstring(archive.read("xl/workbook.xml")).iter():
        if element.tag.rpartition("}")[2] != "sheet":
            continue
        link = next((v for k, v in element.attrib.items() if k.endswith("}id")), "")
        part = targets.get(link, "")
        if "/worksheets/" in part:
            parts[element.get("name", "")] = part
    return parts


def _choose(
    archive: zipfile.ZipFile,
    parts: dict[str, str],
    file: str,
    sheet: str | None,
    findings: Findings,
) -> str | None:
    if sheet is not None:
        if sheet in parts:
            return sheet
        findings.problem(
            file,
            "a sheet of this name",
            found=sheet,
            column="sheet",
            mend=near(sheet, parts),
        )
        return None
    filled = [name for name in parts if _PLACE.search(archive.read(parts[name]))]
    if len(filled) == 1:
        return filled[0]
    if not filled:
        findings.problem(
            file, "a header row and at least one row of data", found="only empty sheets"
        )
        return None
    findings.problem(
        file,
        "one sheet with data, or the name of the one to read",
        found=f"{len(filled)} sheets: {', '.join(filled)}",
        mend=f'Write under [data] of study.toml: sheet = "{filled[0]}".',
    )
    return None


def _within_reach(xml: bytes, file: str, findings: Findings) -> bool:
    """Whether the cells lie within a table of reasonable extent."""
    from durability.study.tables import MOST_ROWS, refuse_size

    last_row = 0
    widest = b""
    for column, row in _PLACE.findall(xml):
        last_row = max(last_row, int(row))
        if (len(column), column) > (len(widest), widest):
            widest = column
    cells = last_row * _column(widest.decode())
    if last_row > MOST_ROWS or cells > _MOST_CELLS:
        refuse_size(file, f"cells as far as {widest.decode()}{last_row}", cells, findings)
        return False
    return True


def _refuse_merged(xml: bytes, file: str, findings: Findings) -> None:
    """A label merged over several rows stands in the first of them alone: the others are blank."""
    for left, top, right, bottom in _MERGED.findall(xml):
        if left == right and top != bottom:
            name, last = left.decode(), int(bottom)
            findings.problem(
                file,
                "a value in each row",
                found=f"{name}{int(top)} to {name}{last} merged into one cell",
                row=int(top),
                mend="Unmerge the cells and write the value in every row.",
            )


def _say_hidden(xml: bytes, file: str, findings: Findings) -> None:
    """Rows hidden by a filter or by hand are read like the others: say which."""
    rows = [int(row) for row in _HIDDEN.findall(xml)]
    if rows:
        findings.caution(
            "hidden_rows",
            f"{file}, {listed(rows)}: hidden in the spreadsheet, and read as data. If they are not "
            "to be used, write why in the column excluded",
            file=file,
            row=rows[0],
            rows=rows,
        )


def _formulas(xml: bytes) -> dict[tuple[int, int], str]:
    """(row, column) to what a formula or error cell holds; both count from 1."""
    if b't="e"' not in xml and not _FORMULA.search(xml):
        return {}
    found: dict[tuple[int, int], str] = {}
    for cell in _CELL.finditer(re.sub(rb"<(?:\w+:)?c\b[^>]*/>", b"", xml)):
        letters, row = cell["letters"].decode(), int(cell["row"])
        if formula := _FORMULA.search(cell["body"]):
            inside = cell["body"][formula.start() :].partition(b">")[2].partition(b"<")[0]
            found[row, _column(letters)] = "=" + html.unescape(inside.decode("utf-8", "replace"))
        elif b't="e"' in cell["head"]:
            error = re.search(rb"<(?:\w+:)?v>([^<]*)", cell["body"])
            found[row, _column(letters)] = error[1].decode() if error else "#ERROR!"
    return found


def _percent_cells(archive: zipfile.ZipFile, xml: bytes) -> list[tuple[int, int]]:
    """(row, column) of number cells that show themselves in percent: 0.05 as 5 %.

    Number formats 9 and 10 are 0% and 0.00% (ECMA-376 part 1, 18.8.30, from memory); others are
    spelt out in the workbook.
    """
    if "xl/styles.xml" not in archive.namelist():
        return []
    styles = ElementTree.fromstring(archive.read("xl/styles.xml"))
    formats = {"9", "10"}
    marked: set[bytes] = set()
    for element in styles.iter():
        tag = element.tag.rpartition("}")[2]
        if tag == "numFmt" and "%" in element.get("formatCode", ""):
            formats.add(element.get("numFmtId", ""))
    for element in styles.iter():
        if element.tag.rpartition("}")[2] == "cellXfs":
            marked = {
                str(i).encode() for i, x in enumerate(element) if x.get("numFmtId", "0") in formats
            }
    if not marked:
        return []
    styled = re.compile(
        rb'<(?:\w+:)?c\b(?=[^>]*?\br="([A-Z]{1,3})(\d{1,7})")(?=[^>]*?\bs="(\d+)")'
        rb'(?![^>]*?\bt="(?!n")[^>]*>)[^>]*[^/]>'
    )
    return [
        (int(row), _column(letters.decode()))
        for letters, row, style in styled.findall(xml)
        if style in marked
    ]


def _as_percent(cell: object) -> str:
    """A number cell as it shows itself in percent: 0.05 is '5%'."""
    if not isinstance(cell, float):
        return _text(cell)
    return _text(round(100 * cell, 10)) + "%"


def _column(letters: str) -> int:
    number = 0
    for letter in letters:
        number = 26 * number + ord(letter) - 64
    return number


def _text(cell: object) -> str:
    """A cell as a text table would hold it: 5.0 is '5', a date is ISO 8601."""
    if isinstance(cell, str):
        return cell
    if isinstance(cell, float):
        return str(int(cell)) if cell.is_integer() and abs(cell) < 1e15 else repr(cell)
    if isinstance(cell, bool):
        return "true" if cell else "false"
    if isinstance(cell, datetime.datetime | datetime.date | datetime.time):
        return cell.isoformat()
    return str(cell)
