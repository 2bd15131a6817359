"""How is a table laid out for checking? Its columns by name, without the notes below it.

What every kind of table shares: reading a column, converting it (and keeping what was entered), and
refusing cells with their rows.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Collection
from dataclasses import dataclass, field
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
from durability.study.entered import Entered
from durability.study.findings import Findings
from durability.study.labels import codes
from durability.study.tables import Table
from durability.study.toml import Description
from durability.units import UNITS, Unit, converted

SUBJECT_COLUMNS = ("material", "lot", "direction", "exposure", "laboratory", "run", "note")
PLACE_COLUMNS = ("hours", "dose", "hours_sd", "dose_sd", "laid", "withdrawn")
NUMBER_COLUMNS = frozenset(
    (*PLACE_COLUMNS[:4], "strength", "peak_force", "width", "elongation", "stiffness", "value_sd",
     "mean", "sd", "cv", "se", "n", "value", "fraction", "hours_low", "hours_high", "dose_low",
     "dose_high", "retained")
)  # fmt: skip
DIRECTIONS = {"machine": "machine", "cross": "cross"}


@dataclass(frozen=True, slots=True, eq=False)
class Bench:
    """A table laid out for checking: its rows without trailing notes, its columns by name.

    What was read is kept, so that asking for a column again notes its problems only once.
    """

    table: Table
    columns: dict[str, Column]
    description: Description
    findings: Findings
    entered: list[Entered] = field(default_factory=list)
    known: dict[tuple[str, ...], Any] = field(default_factory=dict)

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
            if ("numbers", name) not in self.known:
                read = read_numbers(self.columns[name], self.table, self.findings)
                self.known["numbers", name] = read
            return self.known["numbers", name]
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
        key = ("unit", name, dimension)
        if key not in self.known:
            column = self.columns[name]
            self.known[key] = column_unit(column, dimension, usual, self.table, self.findings)
        return self.known[key]

    def convert(
        self, name: str, read: Numbers, into: Unit | None, *, usual: Unit | None = None
    ) -> Any:
        """Numbers of a column in the unit `into`; nan where its unit is a problem.

        Parameters
        ----------
        usual : unit of a header that leaves it out; `into` where not given.
        """
        import numpy

        if into is None:
            return read.values
        written = self.unit(name, into.dimension, usual or into)
        if written is None:
            return numpy.full(self.size, numpy.nan)
        key = ("converted", name, into.symbol)
        if key in self.known:
            return self.known[key]
        values = self.known[key] = converted(read.values, written, into)
        if written != into:
            self.keep(name, read.given, str(written), values, str(into) or "1")
        return values

    def keep(self, name: str, mask: Any, unit: str, values: Any, into: str) -> None:
        """Keep the cells of the mask as they were entered."""
        if name not in self.columns or not mask.any():
            return
        column = self.columns[name]
        self.entered.append(
            Entered(
                file=self.table.file,
                column=column.header,
                lines=self.table.rows[mask],
                texts=column.cells[mask],
                unit=column.unit_text or unit,
                values=values[mask],
                into=into,
            )
        )

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

    def missing(self, name: str, *, instead: str = "", mend: str = "") -> None:
        """Note that a needed column is not there."""
        self.findings.problem(
            self.table.file,
            f'a column "{name}"{instead}',
            found=", ".join(self.table.headers),
            row=self.table.header_row,
            column=name,
            mend=mend,
        )

    def where(self) -> dict[str, Any]:
        """``file`` and ``line`` of every row."""
        import numpy

        return {"file": numpy.full(self.size, self.table.file), "line": self.table.rows}


def lay_out(
    table: Table, known: Collection[str], description: Description, findings: Findings
) -> Bench | None:
    """Name the columns, drop trailing notes, report formulas; None if no row is left."""
    columns = name_columns(table, known, findings, units=description.units)
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


def earlier_row(keys: list[Any], mask: Any) -> Any:
    """For each row of the mask, the first row of it with the same keys; its own number if none."""
    import numpy

    earlier = numpy.arange(mask.size)
    rows = mask.nonzero()[0]
    if rows.size:
        _, first, inverse = numpy.unique(codes(*keys)[rows], return_index=True, return_inverse=True)
        earlier[rows] = rows[first[inverse]]
    return earlier


def refuse_repeats(bench: Bench, keys: list[Any], mask: Any, name: str, expected: str) -> None:
    """Note every row whose keys an earlier row has; blank keys are for the mask to leave out."""
    import numpy

    earlier = earlier_row(keys, mask)
    repeated = earlier != numpy.arange(bench.size)
    found = numpy.full(bench.size, "", dtype=object)
    label = bench.columns[name].cells if name in bench.columns else found
    for i in repeated.nonzero()[0]:
        found[i] = f"{label[i]}, as in row {bench.table.rows[earlier[i]]}".lstrip(", ")
    bench.refuse(repeated, name, expected, found=found)


def count_column(bench: Bench, *, missing: int) -> Any:
    """The column ``n``: whole numbers of at least 1; `missing` where it is blank."""
    import numpy

    n = bench.numbers("n")
    whole = (n.values >= 1) & (n.values <= 1e6) & (n.values == numpy.floor(n.values))
    bench.refuse(
        n.given & ~whole,
        "n",
        "a whole number of at least 1",
        mend="Leave it blank if it is not known." if missing == 0 else "Blank is 1.",
    )
    return numpy.where(whole, n.values, missing).astype(numpy.int64)


def read_excluded(bench: Bench) -> Any:
    """The column ``excluded``: reasons, blank where the row is used."""
    import numpy

    excluded = bench.text("excluded")
    bench.refuse(
        numpy.isin(numpy.char.lower(excluded), ("no", "n", "false", "0", "none", "used")),
        "excluded",
        "a reason, or blank for a row that is used",
        mend="Leave it blank if the row is used.",
    )
    return excluded
