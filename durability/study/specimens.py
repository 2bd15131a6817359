"""At what strength did each strip break? The table of specimens, one row a strip."""

from __future__ import annotations

from typing import Any

from durability.study.findings import Findings
from durability.study.rows import (
    CENSORED,
    SUBJECT_COLUMNS,
    Bench,
    finish,
    in_study_unit,
    lay_out,
    read_subjects,
    refuse_repeats,
)
from durability.study.tables import Table
from durability.study.toml import Description

COLUMNS = (
    *SUBJECT_COLUMNS, "specimen", "strength", "peak_force", "width", "elongation", "machine",
    "tested_on", "break_at",
)  # fmt: skip
_NO_REASON = ("no", "n", "false", "0", "none", "used")


def specimen_rows(
    table: Table, description: Description, findings: Findings
) -> dict[str, Any] | None:
    """The variables of `Study.rows` for a table of specimens, ``measured`` and ``jaw``.

    ``measured`` is the text of the measured force or strength, for the search for copied rows;
    ``jaw`` marks strips that broke at the jaw.
    """
    import numpy

    bench = lay_out(table, COLUMNS, description, findings)
    if bench is None:
        return None
    subjects = read_subjects(bench)
    excluded = bench.text("excluded")
    bench.refuse(
        numpy.isin(numpy.char.lower(excluded), _NO_REASON),
        "excluded",
        "a reason, or blank for a strip that is used",
        mend="Leave it blank if the strip is used.",
    )
    out = excluded != ""
    jaw = bench.words("break_at", {"gauge": False, "jaw": True}, default=False)
    censored = bench.words("censored", CENSORED, default=0)
    strength, blank, measured, header = _strengths(bench, out, censored)
    elongation = bench.numbers("elongation")
    bench.refuse(elongation.values < 0, "elongation", "a number of at least 0")
    percent = bench.unit("elongation", "fraction", "%")
    specimen = bench.text("specimen")
    refuse_repeats(
        bench,
        [*(subjects.arrays[k] for k in ("material", "lot", "direction", "exposure")),
         numpy.nan_to_num(subjects.arrays["hours"], nan=-1.0),
         numpy.nan_to_num(subjects.arrays["dose"], nan=-1.0),
         subjects.arrays["laboratory"], subjects.arrays["run"], specimen],
        specimen != "",
        "specimen",
        "one row for each specimen of a group",
    )  # fmt: skip
    at_least = description.rules.jaw_breaks == "at least"
    if at_least:
        censored = numpy.where(jaw & (censored == 0) & ~blank, 1, censored)
    reason = excluded.astype(object)
    if not at_least:
        reason[~out & jaw] = "broke at the jaw"
    reason[~out & blank] = "blank"
    reason = numpy.array(reason.tolist(), dtype=str)
    return finish(
        bench,
        subjects,
        {
            "specimen": specimen,
            "summary": numpy.zeros(bench.size, dtype=bool),
            "strength": strength,
            "n": numpy.ones(bench.size, dtype=numpy.int64),
            "censored": censored.astype(numpy.int64),
            "used": reason == "",
            "reason": reason,
            "elongation": elongation.values * (percent.factor * 100 if percent else numpy.nan),
            "measured": measured,
            "column": header,
            "jaw": jaw,
            "machine": bench.text("machine"),
            "tested_on": bench.text("tested_on"),
        },
    )


def _strengths(bench: Bench, out: Any, censored: Any) -> tuple[Any, Any, Any, Any]:
    """(strength in the study's unit, where nothing was measured, what was measured, its header)."""
    import numpy

    wanted = bench.description.unit
    dimension = wanted.dimension if wanted else None
    strength, force = bench.numbers("strength"), bench.numbers("peak_force")
    width = bench.numbers("width")
    has_force = "peak_force" in bench.columns
    if not has_force and "strength" not in bench.columns:
        bench.missing("strength", instead=' or a column "peak_force"')
    if has_force and dimension in ("stress", "fraction"):
        bench.findings.problem(
            bench.table.file,
            f'a column "strength" in {wanted}',
            found=bench.columns["peak_force"].header,
            row=bench.table.header_row,
            column=bench.columns["peak_force"].header,
            mend=f"A force cannot be turned into {wanted}: give strength, or set unit to kN/m "
            "(with a width) or N.",
        )
    by_width = has_force and dimension == "force per width"
    if by_width and "width" not in bench.columns:
        bench.missing("width")
    elif by_width:
        bench.refuse(
            force.given & width.blank,
            "width",
            "the width of the strip",
            mend="A force without a width gives no strength per width.",
        )
    bench.refuse(width.values <= 0, "width", "a number above 0")
    bench.refuse(
        strength.given & force.given,
        "peak_force",
        "a strength or a peak force, not both",
        mend="Keep the one that was measured.",
    )
    for name, read in (("strength", strength), ("peak_force", force)):
        bench.refuse(read.values < 0, name, "a number above 0")
        bench.refuse(
            (read.values == 0) & ~out,
            name,
            "a number above 0",
            mend='A strip too weak to test is no zero: write the smallest measurable force and '
            '"below" in the column censored.',
        )  # fmt: skip
    blank = strength.blank & force.blank
    bench.refuse(
        blank & (censored != 0) & ~out,
        "strength" if "strength" in bench.columns else "peak_force",
        "the limit of a censored strip",
        mend="Write the smallest measurable force (below) or the largest applied (above).",
    )
    values = in_study_unit(
        strength.values, bench.unit("strength", dimension or "force", wanted), wanted
    ) if wanted else strength.values  # fmt: skip
    if has_force and dimension in ("force", "force per width"):
        _say_assumed(bench, "peak_force", "N")
        newton = bench.unit("peak_force", "force", "N")
        broken = in_study_unit(force.values, newton, wanted)
        if dimension == "force per width":
            _say_assumed(bench, "width", "mm")
            mm = bench.unit("width", "length", "mm")
            breadth = width.values * (mm.factor if mm else numpy.nan)
            breadth[~(breadth > 0)] = numpy.nan
            per_width = force.values * (newton.factor if newton else numpy.nan) / breadth
            broken = per_width / (wanted.factor if wanted else 1.0)
        values = numpy.where(force.given, broken, values)
    by_force = force.given | ("strength" not in bench.columns)
    measured = numpy.where(by_force, bench.text("peak_force"), bench.text("strength"))
    return values, blank, measured, numpy.where(by_force, force.header, strength.header)


def _say_assumed(bench: Bench, name: str, symbol: str) -> None:
    """Caution where a header leaves its unit out."""
    column = bench.columns.get(name)
    if column is not None and column.unit_text is None:
        bench.findings.caution(
            "unit_not_written",
            f'{bench.table.file}: the header "{column.header}" has no unit; {symbol} was taken',
            file=bench.table.file,
            row=bench.table.header_row,
        )
