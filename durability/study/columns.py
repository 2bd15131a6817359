"""Which column is which, and is every cell what it should be? Headers, numbers and words.

A number is digits with a decimal point; a whole column may use decimal commas instead. Nothing is
guessed: whatever else stands in a cell is a problem with its row.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any

from durability.study.findings import Findings, near, usual_mend
from durability.study.tables import Table
from durability.units import Unit, UnitError, header, unit

_POINT = re.compile(r"[-+]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][-+]?\d+)?", re.ASCII)
_ALL_POINT = re.compile(rf"(?:(?:{_POINT.pattern})?+\n)*+", re.ASCII)
_COMMA = re.compile(r"[-+]?(?:\d+(?:,\d*)?|,\d+)(?:[eE][-+]?\d+)?", re.ASCII)
_THOUSANDS = re.compile(
    r"[-+]?[1-9]\d{0,2}(?:(?:,\d{3})+(?:\.\d*)?|(?:\.\d{3}){2,}(?:,\d*)?|\.\d{3},\d*"
    r"|(?:[ '’\u00a0\u202f]\d{3})+(?:[.,]\d*)?)",
    re.ASCII,
)
_SMALLEST, _LARGEST = 1e-100, 1e100  # beyond these products and ratios leave a machine's numbers
NOT_A_VALUE = re.compile(r"=.*|#(?:DIV/0!|N/A|NAME\?|NULL!|NUM!|REF!|VALUE!|ERROR!)", re.DOTALL)


@dataclass(frozen=True, slots=True, eq=False)
class Column:
    """One named column of a table.

    Parameters
    ----------
    name, header : its plain name, and its header as written.
    unit_text : the unit in the header, or in [units] of study.toml, or None.
    unit_from_study : whether only study.toml names the unit.
    place : position among the table's columns, from 0.
    cells : its text.
    """

    name: str
    header: str
    unit_text: str | None
    place: int
    cells: Any
    unit_from_study: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Numbers:
    """A column read as numbers: nan where blank or bad; `bad` cells are already reported."""

    header: str
    values: Any
    blank: Any
    bad: Any
    cells: Any

    @property
    def given(self) -> Any:
        """Where a good number stands."""
        return ~(self.blank | self.bad)


ALTERNATIVES: dict[str, tuple[str, ...]] = {
    **dict.fromkeys(("product", "fabric", "article", "style", "grade"), ("material",)),
    **dict.fromkeys(("sample",), ("material", "lot", "specimen")),
    **dict.fromkeys(("roll", "batch"), ("lot",)),
    **dict.fromkeys(("strip", "replicate", "rep", "coupon", "no", "id", "nr"), ("specimen",)),
    **dict.fromkeys(("dir", "orientation"), ("direction",)),
    **dict.fromkeys(("chamber", "lamp", "condition", "protocol"), ("exposure",)),
    **dict.fromkeys(("time", "duration", "hour", "h", "exposure_time", "hrs"), ("hours",)),
    **dict.fromkeys(("days", "weeks", "months"), ("hours", "dose")),
    **dict.fromkeys(("energy", "radiant_exposure", "radiation", "fluence", "kj", "mj"), ("dose",)),
    **dict.fromkeys(("tensile_strength", "tensile", "breaking_strength", "tenacity", "stress"),
                    ("strength", "mean")),
    **dict.fromkeys(("force", "load", "peak_load", "max_load", "maximum_force", "max_force", "fmax",
                     "breaking_force", "breaking_load"), ("peak_force",)),
    **dict.fromkeys(("strip_width", "breadth"), ("width",)),
    **dict.fromkeys(("strain", "extension", "stretch"), ("elongation",)),
    **dict.fromkeys(("date", "test_date", "tested"), ("tested_on",)),
    **dict.fromkeys(("lab",), ("laboratory",)),
    **dict.fromkeys(("comment", "comments", "remark", "remarks"), ("note", "excluded")),
    **dict.fromkeys(("average", "avg", "median"), ("mean",)),
    **dict.fromkeys(("std", "stdev", "stddev", "s", "standard_deviation"), ("sd",)),
    **dict.fromkeys(("sem", "standard_error", "std_error"), ("se",)),
    **dict.fromkeys(("cov", "rsd", "coefficient_of_variation"), ("cv",)),
    **dict.fromkeys(("count", "number", "specimens", "strips", "replicates"), ("n",)),
    **dict.fromkeys(("retention", "retained_strength", "residual", "remaining", "left"),
                    ("retained",)),
    **dict.fromkeys(("basis", "kind", "type", "qualifier"), ("sense",)),
    **dict.fromkeys(("reading", "measurement", "y", "result"), ("value", "strength", "mean")),
    **dict.fromkeys(("error", "uncertainty"), ("value_sd", "sd")),
    **dict.fromkeys(("threshold", "level", "q"), ("fraction",)),
    **dict.fromkeys(("low", "lower", "held", "holds", "last_held", "passed"),
                    ("dose_low", "hours_low")),
    **dict.fromkeys(("high", "upper", "failed", "first_failed", "broken"),
                    ("dose_high", "hours_high")),
}  # fmt: skip
"""Names that others give to a column: offered in the error, never taken."""


def _what_was_meant(name: str, known: Collection[str]) -> str:
    """A sentence that offers the column that an unknown name may mean."""
    spelled = re.sub(r"[\s\-./]+", "_", name).strip("_")
    if spelled in known:
        return f'Write "{spelled}".'
    meant = [m for m in ALTERNATIVES.get(spelled, ()) if m in known]
    if not meant:
        return near(name, known)
    words = " or ".join(f'"{m}"' for m in meant)
    return f"Write {words}, {'if that' if len(meant) == 1 else 'whichever'} is meant."


def name_columns(
    table: Table,
    known: Collection[str],
    findings: Findings,
    *,
    units: Mapping[str, str] | None = None,
) -> dict[str, Column]:
    """Columns by plain name; unknown, repeated and nameless columns are problems.

    Parameters
    ----------
    known : plain names that the table may have; upper and lower case are one.
    units : units that study.toml gives for columns by name, for headers that have none.
    """
    columns: dict[str, Column] = {}
    for i, (text, cells) in enumerate(zip(table.headers, table.columns, strict=True)):
        name, unit_text = header(text)
        name = name.casefold()
        if not text:
            filled = (cells != "").nonzero()[0]
            if filled.size:
                findings.problem(
                    table.file,
                    "a name in the header of every column that holds something",
                    found=cells[filled[0]],
                    row=int(table.rows[filled[0]]),
                    mend=f"Column {i + 1} has no name: name it or empty it.",
                )
        elif name not in known:
            findings.problem(
                table.file,
                "a known column",
                found=text,
                row=table.header_row,
                column=text,
                mend=_what_was_meant(name, known),
            )
        elif name in columns:
            findings.problem(
                table.file,
                f'one column "{name}"',
                found=f'"{columns[name].header}" and "{text}"',
                row=table.header_row,
                column=text,
            )
        else:
            stated = (units or {}).get(name)
            if None not in (stated, unit_text) and not _same_unit(stated, unit_text):
                findings.problem(
                    table.file,
                    f"one unit: study.toml says {stated} under [units]",
                    found=unit_text or text,
                    row=table.header_row,
                    column=text,
                    mend="Remove the one that is wrong.",
                )
            use_stated = unit_text is None and stated is not None
            unit_text = stated if use_stated else unit_text
            columns[name] = Column(name, text, unit_text, i, cells, use_stated)
    return columns


def _same_unit(a: str | None, b: str | None) -> bool:
    try:
        return unit(a or "") == unit(b or "")
    except UnitError:
        return a == b


def report_formulas(table: Table, findings: Findings) -> Any:
    """Note every formula and error cell; the mask of rows that hold one."""
    import numpy

    mask = numpy.zeros(table.rows.size, dtype=bool)
    for text, cells in zip(table.headers, table.columns, strict=True):
        found = numpy.strings.startswith(cells, "=") | numpy.strings.startswith(cells, "#")
        for i in found.nonzero()[0]:
            if not NOT_A_VALUE.fullmatch(cells[i]):
                found[i] = False
        findings.cells(
            table.file,
            text or None,
            [(int(table.rows[i]), cells[i]) for i in found.nonzero()[0]],
            "a value, not a formula or an error",
            mend="Found a formula; paste it as a value.",
        )
        mask |= found
    return mask


def read_numbers(column: Column, table: Table, findings: Findings) -> Numbers:
    """Every cell of a column as a number as written, before its unit.

    Accepts decimal points, or decimal commas where the column uses no point and the file can
    carry them; a percent sign is allowed under a header in percent. Text, thousands separators,
    a mixture of points and commas, NaN and infinity are problems.
    """
    import numpy

    cells: list[str] = column.cells.tolist()
    if column.unit_text in ("%", "percent"):
        cells = [c.removesuffix("%").rstrip() for c in cells]
    blank = column.cells == ""
    quick = _plain_numbers(cells)
    if quick is not None:
        return Numbers(column.header, quick, blank, numpy.zeros_like(blank), column.cells)
    values = numpy.full(len(cells), numpy.nan)
    comma = [i for i, c in enumerate(cells) if "," in c and _COMMA.fullmatch(c)]
    point = [i for i, c in enumerate(cells) if "." in c and _POINT.fullmatch(c)]
    pattern = _COMMA if comma and not point else _POINT
    refused: dict[tuple[str, str], list[int]] = {}
    if comma and point:
        few, many = (comma, point) if len(comma) <= len(point) else (point, comma)
        mark = "comma" if few is comma else "point"
        expected = (
            f"one decimal mark in the whole column; {len(point)} cells use a point and "
            f"{len(comma)} a comma (such as row {table.rows[many[0]]})"
        )
        refused[expected, f"Write the decimal {mark} as in the other cells."] = few
    elif comma and not table.decimal_comma:
        mend = "Write a decimal point, or separate the cells by semicolons."
        refused["a decimal point, as cells are separated by commas", mend] = comma
    elif comma and all(_THOUSANDS.fullmatch(cells[i]) for i in comma):
        mend = "Write 1234 or 1.234, whichever is meant."
        refused["a number whose comma is not a thousands separator", mend] = comma
    taken = {i for rows in refused.values() for i in rows}
    for i, c in enumerate(cells):
        if not c or i in taken:
            continue
        if pattern.fullmatch(c):
            number = float(c.replace(",", "."))
            if number == 0 or _SMALLEST < abs(number) < _LARGEST:
                values[i] = number
                continue
        if not NOT_A_VALUE.fullmatch(c):
            refused.setdefault(_why_no_number(c), []).append(i)
    for (expected, mend), rows in refused.items():
        where = [(int(table.rows[i]), column.cells[i]) for i in rows]
        findings.cells(table.file, column.header, where, expected, mend=mend)
    return Numbers(column.header, values, blank, ~blank & numpy.isnan(values), column.cells)


def _plain_numbers(cells: list[str]) -> Any:
    """All cells as floats where each is blank or a plain number of ordinary size, else None."""
    import numpy

    text = "\n".join(cells)
    if text.count("\n") != len(cells) - 1 or not _ALL_POINT.fullmatch(text + "\n"):
        return None
    values = numpy.array([float(c or "nan") for c in cells])
    size = numpy.abs(values)
    odd = (size != 0) & ((size <= _SMALLEST) | (size >= _LARGEST))
    return None if odd.any() else values


def _why_no_number(cell: str) -> tuple[str, str]:
    """(expected, mend) for a cell that is no number."""
    low = cell.casefold().lstrip("+-")
    if low in ("nan", "inf", "infinity", "∞"):
        return "a finite number", "Leave the cell blank if nothing was measured."
    if _POINT.fullmatch(cell) or _COMMA.fullmatch(cell):
        return "a finite number of ordinary size", "Look for a slip in the exponent."
    if _THOUSANDS.fullmatch(cell):
        return "a number without thousands separators", "Write 1234.5, not 1,234.5."
    if re.fullmatch(r"\d{4}-\d{2}-\d{2}(T.*)?", cell):
        return "a number", usual_mend("a number", cell)
    if cell[0] in "<≤>≥":
        side = "below" if cell[0] in "<≤" else "above"
        return "a number", f'Write the limit here and "{side}" in the column censored.'
    if re.fullmatch(r"\d{1,4}:\d{2}(:\d{2})?", low):
        hours, minutes = low.split(":")[:2]
        return "a number", f"Write {int(hours) + int(minutes) / 60:g} for {hours}:{minutes} hours."
    if low in ("n/a", "na", "-", "", "–", "—", "none", "null", "n.d.", "nd"):
        return "a number", "Leave the cell blank if nothing was measured."
    if re.fullmatch(r"[-+]?[\d.,]+\s*[^\d\s.,]\S*", cell) and not re.fullmatch(
        r"[\dOolI.,]+", cell
    ):
        return "a number", "A unit belongs in the header, such as peak_force [N]."
    return "a number", ""


def column_unit(
    column: Column,
    dimension: str,
    default: Unit | None,
    table: Table,
    findings: Findings,
) -> Unit | None:
    """The unit of a number column, or `default`; None after a problem.

    A column without unit, in its header or in study.toml, is a problem where there is no default.
    """
    row, text = table.header_row, column.header
    if column.unit_text is None:
        if default is None:
            from durability.units import UNITS

            allowed = [s for s, u in UNITS.items() if u.dimension == dimension]
            findings.problem(
                table.file,
                f"a unit of {dimension} in the header: {', '.join(allowed)}",
                found=column.header,
                mend=f"Write {column.name} [{allowed[0]}] or the unit that was used.",
                row=row,
                column=text,
            )
        return default
    try:
        return unit(column.unit_text, dimension)
    except UnitError as error:
        _, _, expected = str(error).partition("expected ")
        in_study = column.unit_from_study
        findings.problem(
            "study.toml" if in_study else table.file,
            f"a unit of {dimension}: {expected.removeprefix(dimension + ': ')}",
            found=column.unit_text,
            row=None if in_study else row,
            column=f"units.{column.name}" if in_study else text,
        )
        return None


def read_words(
    column: Column | None,
    allowed: Mapping[str, Any],
    table: Table,
    findings: Findings,
    *,
    hints: Mapping[str, str] | None = None,
    default: Any = "",
) -> Any:
    """Cells that must be one of a few words (case does not matter), as their meanings.

    Parameters
    ----------
    allowed : word to meaning; a blank cell means `default`.
    hints : other words to what to write instead.
    """
    import numpy

    if column is None:
        return numpy.full(table.rows.size, default)
    words, inverse = numpy.unique(column.cells, return_inverse=True)
    meanings = []
    expected = "blank, " + " or ".join(f'"{w}"' for w in allowed)
    for code, word in enumerate(words.tolist()):
        key = word.casefold()
        if key and key not in allowed and not NOT_A_VALUE.fullmatch(word):
            rows = (inverse == code).nonzero()[0]
            hint = (hints or {}).get(key) or near(word, allowed)
            findings.cells(
                table.file,
                column.header,
                [(int(table.rows[i]), word) for i in rows],
                expected,
                mend=hint,
            )
        meanings.append(allowed.get(key, default) if key else default)
    return numpy.array(meanings)[inverse]
