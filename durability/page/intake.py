"""What happens to a spreadsheet that is dropped? It is looked at, kept as it is, and copied.

Nothing is guessed in silence: what was read in another way than it lay there is told.
"""

from __future__ import annotations

import re
import shutil
import zipfile
from dataclasses import dataclass
from pathlib import Path

from durability.page.sheet import Sheet, read_sheet
from durability.page.shelf import ORIGINALS, safe_name
from durability.study.columns import ALTERNATIVES
from durability.study.findings import Findings
from durability.study.spreadsheet import sheet_rows
from durability.units import header

MOST_BYTES = 100_000_000
ENDINGS = (".xlsx", ".csv", ".tsv", ".txt")
_OLD = b"\xd0\xcf\x11\xe0"


class NotTaken(ValueError):
    """The file cannot be used; says why and what to do."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """A file that was taken in.

    Parameters
    ----------
    original : its path in ``originals/``.
    sheets : names of the sheets with data; empty for a text table.
    told : what the person must know of how it was read.
    """

    original: Path
    sheets: tuple[str, ...]
    told: tuple[str, ...] = ()


def look_at(name: str, data: bytes) -> str:
    """The safe name of a file that can be used.

    Raises
    ------
    NotTaken : an ending, a size or a content that is none of a table.
    """
    safe = safe_name(name)
    ending = Path(safe).suffix.casefold()
    if data.startswith(_OLD):
        raise NotTaken(
            f"{safe} is in the old spreadsheet form (.xls), or under a password. Open it in a"
            " spreadsheet program, save it as .xlsx without a password, and drop it again."
        )
    if ending not in ENDINGS:
        raise NotTaken(
            f"{safe} is no table. Drop a spreadsheet (.xlsx) or a text table (.csv, .tsv, .txt)."
        )
    if not data.strip():
        raise NotTaken(f"{safe} is empty.")
    zipped = data.startswith(b"PK\x03\x04")
    if ending == ".xlsx" and not zipped:
        raise NotTaken(f"{safe} is called a spreadsheet and is none. Save it again as .xlsx.")
    if ending != ".xlsx" and zipped:
        raise NotTaken(f"{safe} is a spreadsheet under another name. Save it as .xlsx.")
    utf16 = data.startswith((b"\xff\xfe", b"\xfe\xff"))
    if ending != ".xlsx" and b"\x00" in data[:100_000] and not utf16:
        raise NotTaken(f"{safe} holds no text. Save the table as CSV UTF-8 or as .xlsx.")
    return safe


def take(folder: Path, name: str, data: bytes) -> Taken:
    """Keep a dropped file in ``originals/``, untouched.

    Parameters
    ----------
    folder : the study folder.
    name : as the browser gave it.
    data : its bytes.

    Raises
    ------
    NotTaken : it cannot be used.
    """
    safe = look_at(name, data)
    sheets: tuple[str, ...] = ()
    told: list[str] = []
    if safe.casefold().endswith(".xlsx"):
        sheets = sheets_of(safe, data)
    else:
        told = _told_of(data)
    keep = folder / ORIGINALS
    keep.mkdir(exist_ok=True)
    original = free_place(keep / safe)
    original.write_bytes(data)
    return Taken(original=original, sheets=sheets, told=tuple(told))


def free_place(file: Path) -> Path:
    """The path, or one with a number where a file lies there already."""
    n, place = 2, file
    while place.exists():
        place, n = file.with_name(f"{file.stem}-{n}{file.suffix}"), n + 1
    return place


def _told_of(data: bytes) -> list[str]:
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return ["The file was in UTF-16; the working copy is in UTF-8."]
    try:
        data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return [
            "The file was not in UTF-8; it was read as Western European. Look whether letters with"
            " accents and signs such as ° and µ are right."
        ]
    return []


def sheets_of(name: str, data: bytes) -> tuple[str, ...]:
    """Names of the sheets in which something stands."""
    import io

    from python_calamine import CalamineError, CalamineWorkbook

    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            if sum(part.file_size for part in archive.infolist()) > 6 * MOST_BYTES:
                raise NotTaken(f"{name} is too large once unpacked. Split it.")
        book = CalamineWorkbook.from_filelike(io.BytesIO(data))
        found = tuple(n for n in book.sheet_names if book.get_sheet_by_name(n).height)
    except (CalamineError, zipfile.BadZipFile, ValueError, KeyError, OSError) as error:
        if isinstance(error, NotTaken):
            raise
        raise NotTaken(
            f"{name} cannot be opened. Open it in a spreadsheet program and save it again as .xlsx."
        ) from error
    if not found:
        raise NotTaken(f"{name} holds only empty sheets.")
    return found


def working_copy(folder: Path, original: Path, sheet: str | None, file: str) -> list[str]:
    """Write the cells of an original into a CSV of the study; what must be told of it.

    Parameters
    ----------
    folder : the study folder.
    original : in ``originals/``.
    sheet : of a spreadsheet.
    file : name of the copy. An earlier copy is kept in ``originals/`` under another name.

    Raises
    ------
    NotTaken : the sheet cannot be read row by row.
    """
    told: list[str] = []
    copy = read_original(folder, original, sheet, told)
    place = folder / file
    if place.exists():
        shutil.copyfile(place, free_place(folder / ORIGINALS / f"earlier-{file}"))
    copy.save(place)
    return told


def read_original(
    folder: Path, original: Path, sheet: str | None, told: list[str] | None = None
) -> Sheet:
    """The cells of a dropped file, in the rows in which they stand.

    Parameters
    ----------
    told : gets what must be told of how it was read.

    Raises
    ------
    NotTaken : it cannot be read row by row, or holds no row.
    """
    if original.suffix.casefold() == ".xlsx":
        findings = Findings()
        rows = sheet_rows(original.read_bytes(), original.name, sheet, findings)
        if rows is None or findings.problems:
            raise NotTaken(" ".join(f"{p}" for p in findings.problems))
        found = dict(rows)
        if told is not None:
            told += [f"{c.text}." for c in findings.cautions]
        cells = [list(found.get(i, [])) for i in range(1, max(found, default=0) + 1)]
        head = next((i for i, c in enumerate(cells, 1) if any(x.strip() for x in c)), 0)
        read = Sheet(rows=cells, header_row=head)
    else:
        if told is not None:
            told += _told_of(original.read_bytes())
        text = read_sheet(folder, original.relative_to(folder).as_posix())
        if text is None:
            raise NotTaken(f"{original.name} cannot be read as a table.")
        read = text
    if not read.header_row or not read.data():
        raise NotTaken(f"{original.name} has a header at most, and no rows below it.")
    return read


KINDS = {
    "specimens": "one broken strip",
    "summaries": "the mean of a group of strips",
    "readings": "one reading of a specimen that is read again and again",
    "inspections": "between which two looks a specimen crossed the threshold",
    "declared": "a value from a data sheet",
}


COLUMN_WORDS = {
    "material": "the product",
    "lot": "the lot or roll",
    "direction": "machine or cross",
    "exposure": "the exposure, by its name",
    "specimen": "the number of the strip",
    "hours": "hours of exposure",
    "dose": "dose of exposure",
    "strength": "strength, in the study's unit",
    "peak_force": "greatest force",
    "width": "width of the strip",
    "elongation": "elongation at the greatest force",
    "laboratory": "the laboratory",
    "run": "the run of the chamber",
    "machine": "the testing machine",
    "tested_on": "the day of the test",
    "break_at": "where it broke: gauge, jaw or slip",
    "excluded": "why the row is not used",
    "censored": "below or above, for a limit",
    "note": "a remark, not read",
    "mean": "mean of the group",
    "sd": "standard deviation",
    "cv": "coefficient of variation",
    "se": "standard error of the mean",
    "n": "number of strips",
    "value": "the reading",
    "fraction": "the fraction that is left",
    "retained": "the fraction that is left",
    "sense": "typical or minimum",
}
"""What a column holds, for the form; the others go by their name alone."""


def known_columns(kind: str) -> tuple[str, ...]:
    """The columns that a table of this kind may have."""
    from durability.study import declared, inspections, readings, specimens, summaries

    rooms = {"specimens": specimens, "summaries": summaries, "readings": readings,
             "inspections": inspections, "declared": declared}  # fmt: skip
    return tuple(dict.fromkeys(rooms[kind].COLUMNS))


def likely_kind(sheet: Sheet) -> str:
    """What stands in a row, judged by the columns: an offer, which the person confirms."""
    names = {column_name(h) for h in sheet.headers}
    for kind, signs in (
        ("inspections", {"dose_low", "hours_low", "dose_high", "hours_high"}),
        ("declared", {"retained", "sense"}),
        ("summaries", {"mean", "sd", "cv", "average", "stdev"}),
        ("readings", {"value", "reading"}),
    ):
        if names & signs:
            return kind
    return "specimens"


def column_name(head: str) -> str:
    """The plain name of a header: lower case, underscores, without its unit."""
    return re.sub(r"[\s\-./]+", "_", header(head)[0].casefold()).strip("_")


def likely_column(head: str, known: tuple[str, ...]) -> str | None:
    """The column that a header may mean: an offer, which the person confirms."""
    import difflib

    name = column_name(head)
    if name in known:
        return name
    for meant in ALTERNATIVES.get(name, ()):
        if meant in known:
            return meant
    near = difflib.get_close_matches(name, known, n=1, cutoff=0.75)
    return near[0] if near else None


UNIT_OFFERS = ("N", "kN", "kgf", "lbf", "mm", "cm", "in", "h", "kJ/m^2/nm", "MJ/m^2", "kN/m",
               "N/mm", "MPa", "%")  # fmt: skip
"""Units that the form offers; any other may be written."""


def new_headers(headers: list[str], given: dict[str, str]) -> dict[int, str | None]:
    """The header of each column as the form says: a name with its unit, as it is, or left out.

    Raises
    ------
    ValueError : two columns were given the same name.
    """
    named: dict[int, str | None] = {}
    seen: dict[str, str] = {}
    for place, head in enumerate(headers):
        meant = given.get(f"column.{place}", "")
        if meant == "out":
            named[place] = None
            continue
        if not meant:
            continue
        if meant in seen:
            raise ValueError(f"“{seen[meant]}” and “{head}” cannot both be {meant}.")
        seen[meant] = head
        measured = " ".join(given.get(f"unit.{place}", "").split())[:40]
        named[place] = f"{meant} [{measured}]" if measured else meant
    return named
