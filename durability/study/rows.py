"""Which strip of which material, after how much exposure? What both kinds of table share.

The subject of a row is its material, lot, direction and exposure; its place on the axis is hours or
a dose. Specimens and summaries add their own columns (specimens.py, summaries.py).
"""

from __future__ import annotations

import dataclasses
from collections.abc import Collection
from dataclasses import dataclass
from typing import Any

from durability.study.columns import (
    Column,
    Numbers,
    column_unit,
    name_columns,
    read_numbers,
    read_words,
    report_formulas,
)
from durability.study.findings import Findings, near
from durability.study.model import Exposure
from durability.study.tables import Table
from durability.study.toml import Description
from durability.units import UNITS, Unit, UnitError, unit

SUBJECT_COLUMNS = (
    "material", "lot", "direction", "exposure", "hours", "dose", "laboratory", "run", "excluded",
    "censored", "note",
)  # fmt: skip
NUMBER_COLUMNS = frozenset(
    ("hours", "dose", "strength", "peak_force", "width", "elongation", "mean", "sd", "cv", "n")
)
DIRECTIONS = {"machine": "machine", "cross": "cross"}
DIRECTION_HINTS = {
    word: f'Write "{meaning}" if that is what is meant.'
    for words, meaning in (
        (("warp", "md", "m", "length", "lengthwise", "longitudinal"), "machine"),
        (("filling", "weft", "cd", "xd", "cmd", "c", "width", "transverse"), "cross"),
    )
    for word in words
}
CENSORED = {"below": -1, "above": 1}
LOOKED_AT = ("measured", "column", "jaw", "machine", "tested_on")
"""What cautions and screens read of a row and a study does not keep: the text of the measured
value, the header over it, whether the strip broke at the jaw, test machine and day of test."""


@dataclass(frozen=True, slots=True, eq=False)
class Bench:
    """A table laid out for checking: its rows without trailing notes, its columns by name."""

    table: Table
    columns: dict[str, Column]
    description: Description
    findings: Findings

    @property
    def size(self) -> int:
        """Number of rows."""
        return int(self.table.rows.size)

    def text(self, name: str) -> Any:
        """A text column as a plain array; blank where the table has no such column."""
        import numpy

        if name not in self.columns:
            return numpy.full(self.size, "", dtype=str)
        return numpy.array(self.columns[name].cells.tolist(), dtype=str)

    def numbers(self, name: str) -> Numbers:
        """A number column as written; all blank where the table has no such column."""
        import numpy

        if name in self.columns:
            return read_numbers(self.columns[name], self.table, self.findings)
        none = numpy.zeros(self.size, dtype=bool)
        return Numbers(name, numpy.full(self.size, numpy.nan), ~none, none, None)

    def words(self, name: str, allowed: dict[str, Any], *, default: Any = "", **hints: Any) -> Any:
        """A column of a few words as their meanings."""
        return read_words(
            self.columns.get(name), allowed, self.table, self.findings, default=default, **hints
        )

    def unit(self, name: str, dimension: str, default: str | Unit | None) -> Unit | None:
        """The unit of a column's numbers; the default where the table has no such column."""
        usual = UNITS[default] if isinstance(default, str) else default
        if name not in self.columns:
            return usual
        return column_unit(self.columns[name], dimension, usual, self.table, self.findings)

    def refuse(
        self, mask: Any, name: str, expected: str, *, mend: str = "", found: Any = None
    ) -> None:
        """Note a problem for every row of the mask; `found` replaces the column's own cells."""
        places = mask.nonzero()[0]
        column = self.columns.get(name)
        cells = found if found is not None else (column.cells if column else None)
        self.findings.cells(
            self.table.file,
            column.header if column else name,
            [(int(self.table.rows[i]), "" if cells is None else cells[i]) for i in places],
            expected,
            mend=mend,
        )

    def missing(self, name: str, *, instead: str = "") -> None:
        """Note that a needed column is not there."""
        self.findings.problem(
            self.table.file,
            f'a column "{name}"{instead}',
            found=", ".join(self.table.headers),
            row=self.table.header_row,
            column=name,
        )


def lay_out(
    table: Table, known: Collection[str], description: Description, findings: Findings
) -> Bench | None:
    """Name the columns, drop trailing notes, report formulas; None if no row is left."""
    columns = name_columns(table, known, findings)
    keep = _rows_before_notes(table, columns, description, findings)
    if keep == 0:
        findings.problem(
            table.file,
            "at least one row of data below the header",
            found="notes only",
            row=table.header_row,
        )
        return None
    table = dataclasses.replace(
        table, columns=tuple(c[:keep] for c in table.columns), rows=table.rows[:keep]
    )
    columns = {n: dataclasses.replace(c, cells=c.cells[:keep]) for n, c in columns.items()}
    report_formulas(table, findings)
    return Bench(table, columns, description, findings)


def _rows_before_notes(
    table: Table, columns: dict[str, Column], description: Description, findings: Findings
) -> int:
    """Number of rows before the notes at the end: text in the first cells and no number."""
    numeric = {c.place for name, c in columns.items() if name in NUMBER_COLUMNS}
    subjects = {*description.materials, *description.exposures, *DIRECTIONS}
    keep = table.rows.size
    while keep:
        row = [c[keep - 1] for c in table.columns]
        filled = [i for i, cell in enumerate(row) if cell]
        texts = [row[i] for i in filled]
        if not texts:
            break
        first_cells = filled == list(range(len(filled)))
        plain = len(filled) == 1 or not numeric.intersection(filled)
        word = any(c.isalpha() for c in texts[0]) and len(texts[0]) > 2
        formula = texts[0].startswith("=")
        if not (first_cells and plain and word) or formula or subjects.intersection(texts):
            break
        keep -= 1
        line = int(table.rows[keep])
        findings.caution(
            "trailing_note",
            f'{table.file}, row {line}: "{" ".join(texts)[:120]}" was read as a note, not as data',
            file=table.file,
            row=line,
        )
    return keep


@dataclass(frozen=True, slots=True, eq=False)
class Subjects:
    """Who was exposed to what: one entry a row."""

    arrays: dict[str, Any]
    unexposed: Any


def read_subjects(bench: Bench) -> Subjects:
    """Material, lot, direction, exposure, hours and dose of every row, checked."""
    import numpy

    for name in ("material", "exposure"):
        if name not in bench.columns:
            bench.missing(name)
    materials = _named(bench, "material", bench.description.materials, "[materials.NAME]")
    exposures = _named(bench, "exposure", bench.description.exposures, "[exposures.NAME]")
    hours, dose = bench.numbers("hours"), bench.numbers("dose")
    if "hours" not in bench.columns and "dose" not in bench.columns:
        bench.missing("hours", instead=' or a column "dose"')
    else:
        bench.refuse(
            hours.blank & dose.blank,
            "hours" if "hours" in bench.columns else "dose",
            "hours or a dose",
            mend="Unexposed strips have 0.",
            found=numpy.full(bench.size, ""),
        )
    for name, read in (("hours", hours), ("dose", dose)):
        bench.refuse(read.values < 0, name, "a number of at least 0")
    both = hours.given & dose.given & ((hours.values != 0) | (dose.values != 0))
    if both.any():
        found = [
            f"hours {h} and dose {d}"
            for h, d in zip(bench.text("hours"), bench.text("dose"), strict=True)
        ]
        bench.refuse(
            both,
            "hours",
            "hours or a dose, not both",
            found=found,
            mend="Keep the one that was measured.",
        )
    unexposed = (hours.values == 0) | (dose.values == 0)
    if "exposure" in bench.columns:
        bench.refuse(
            (exposures == "") & ~unexposed & (hours.given | dose.given),
            "exposure",
            "the name of an exposure",
            mend="Only an unexposed strip may leave it blank.",
        )
    hour = bench.unit("hours", "time", "h")
    clock = hours.values * (hour.factor if hour else numpy.nan)
    return Subjects(
        {
            "material": materials,
            "lot": bench.text("lot"),
            "direction": bench.words("direction", DIRECTIONS, hints=DIRECTION_HINTS),
            "exposure": exposures,
            "hours": numpy.where(unexposed, 0.0, clock),
            "dose": numpy.where(unexposed, 0.0, _doses(bench, exposures, clock, dose)),
            "laboratory": bench.text("laboratory"),
            "run": bench.text("run"),
        },
        unexposed,
    )


def _named(bench: Bench, name: str, known: Collection[str], table: str) -> Any:
    """A column of names, each of which study.toml must describe."""
    import numpy

    names = bench.text(name)
    if name not in bench.columns:
        return names
    for word in numpy.unique(names).tolist():
        if word == "" and name == "material":
            bench.refuse(names == "", name, "the name of a material")
        elif word and word not in known and not word.startswith(("=", "#")):
            rows = bench.table.rows[names == word]
            also = f" Rows {rows[0]} to {rows[-1]}, {rows.size} in all." if rows.size > 1 else ""
            bench.findings.problem(
                bench.table.file,
                f"a name with a table {table} in study.toml",
                found=word,
                row=int(rows[0]),
                column=bench.columns[name].header,
                mend=near(word, known) + also,
            )
    return names


def _doses(bench: Bench, exposures: Any, clock: Any, dose: Numbers) -> Any:
    """Doses in the canonical unit of each row's exposure; nan where only hours are given."""
    import numpy

    result = numpy.full(bench.size, numpy.nan)
    for name, exposure in bench.description.exposures.items():
        mine = exposures == name
        if exposure is None or not mine.any():
            continue
        dosed = mine & dose.given & (dose.values > 0)
        if dosed.any():
            result[dosed] = dose.values[dosed] * _dose_factor(bench, exposure, dosed)
        timed = mine & (clock > 0)
        if timed.any():
            result[timed] = _dose_of_hours(bench, exposure, timed, clock[timed])
    return result


def _dose_factor(bench: Bench, exposure: Exposure, rows: Any) -> float:
    """What turns the dose column into the exposure's own unit; nan after a problem."""
    column = bench.columns["dose"]
    written = column.unit_text
    if exposure.axis is not None:
        if written is None or written.casefold() == exposure.axis.casefold():
            return 1.0
        expected = f"a dose in {exposure.axis}, the axis of exposure {exposure.name}"
    else:
        interval = "-" in (exposure.band or "")
        dimension = "energy per area" if interval else "energy per area and wavelength"
        allowed = ", ".join(s for s, u in UNITS.items() if u.dimension == dimension)
        expected = f"a dose at the control band {exposure.band} of exposure {exposure.name}, in "
        expected += f"one of {allowed}"
        try:
            if written is not None:
                return unit(written, dimension).factor
        except UnitError:
            pass
    first = int(bench.table.rows[rows.nonzero()[0][0]])
    bench.findings.problem(
        bench.table.file,
        expected,
        found=column.header,
        row=bench.table.header_row,
        column=column.header,
        mend=f"Row {first} is the first with a dose of exposure {exposure.name}.",
    )
    return float("nan")


def _dose_of_hours(bench: Bench, exposure: Exposure, rows: Any, clock: Any) -> Any:
    """Hours on an axis that counts time; nan for light, whose dose is found in a later room."""
    if exposure.axis is not None:
        try:
            return clock / unit(exposure.axis, "time").factor
        except UnitError:
            bench.refuse(rows, "hours", f"a dose in {exposure.axis}",
                         mend=f"Exposure {exposure.name} is counted in {exposure.axis}: use the "
                         "column dose.")  # fmt: skip
    elif exposure.irradiance is None and exposure.record_file is None:
        first = int(bench.table.rows[rows.nonzero()[0][0]])
        bench.findings.problem(
            "study.toml",
            "an irradiance or a chamber record, since the data give hours",
            column=f"exposures.{exposure.name}.irradiance",
            mend=f"{bench.table.file}, row {first}, is the first with hours of this exposure. "
            'Where no dose is known, write axis = "hours".',
        )
    return float("nan")


def refuse_repeats(bench: Bench, keys: list[Any], mask: Any, name: str, expected: str) -> None:
    """Note every row whose keys an earlier row has; blank keys are for the mask to leave out."""
    import numpy

    code = numpy.zeros(bench.size, dtype=numpy.int64)
    for key in keys:
        _, inverse = numpy.unique(key, return_inverse=True)
        _, code = numpy.unique(code * (int(inverse.max()) + 1) + inverse, return_inverse=True)
    rows = mask.nonzero()[0]
    if not rows.size:
        return
    _, first, inverse = numpy.unique(code[rows], return_index=True, return_inverse=True)
    earlier = rows[first[inverse]]
    repeated = rows != earlier
    found = numpy.full(bench.size, "", dtype=object)
    label = bench.columns[name].cells if name in bench.columns else found
    for i, j in zip(rows[repeated], earlier[repeated], strict=True):
        found[i] = f"{label[i]}, as in row {bench.table.rows[j]}".lstrip(", ")
    mask = numpy.zeros(bench.size, dtype=bool)
    mask[rows[repeated]] = True
    bench.refuse(mask, name, expected, found=found)


def in_study_unit(values: Any, written: Unit | None, wanted: Unit | None) -> Any:
    """Numbers in the study's unit; untouched where it is the same unit."""
    if written is None or wanted is None or written == wanted:
        return values
    return (written.to_canonical(values) - wanted.offset) / wanted.factor


def finish(bench: Bench, subjects: Subjects, own: dict[str, Any]) -> dict[str, Any]:
    """All variables of `Study.rows` and those of `LOOKED_AT`, as arrays."""
    import numpy

    nothing = numpy.full(bench.size, numpy.nan)
    blank = numpy.full(bench.size, "", dtype=str)
    return {
        **subjects.arrays,
        "specimen": blank,
        "sd": nothing,
        "elongation": nothing,
        "measured": blank,
        "column": blank,
        "jaw": numpy.zeros(bench.size, dtype=bool),
        "machine": blank,
        "tested_on": blank,
        **own,
        "file": numpy.full(bench.size, bench.table.file),
        "line": bench.table.rows,
    }
