"""At what strength did each strip break? The table of specimens, one row a strip."""

from __future__ import annotations

from typing import Any

from durability.study.agreement import force_beside_strength, force_makes_strength
from durability.study.bench import (
    PLACE_COLUMNS,
    SUBJECT_COLUMNS,
    Bench,
    read_excluded,
    refuse_repeats,
)
from durability.study.columns import Numbers
from durability.study.dates import read_days
from durability.study.plan import PLANNED
from durability.study.rows import CENSORED, VALUE_COLUMNS, finish, refuse_values, value_errors
from durability.study.subjects import read_subjects
from durability.study.tensile import strip_curves_of
from durability.units import UNITS

BREAKS = {"gauge": "gauge", "jaw": "jaw", "slip": "slip"}
COLUMNS = (
    *SUBJECT_COLUMNS, *PLACE_COLUMNS, *VALUE_COLUMNS, "specimen", "strength", "peak_force", "width",
    "elongation", "stiffness", "machine", "tested_on", "break_at", "curve",
    *PLANNED,
)  # fmt: skip


def specimen_rows(bench: Bench) -> dict[str, Any]:
    """The variables of `Study.rows` for a table of specimens, ``measured`` and ``jaw``.

    ``measured`` is the text of the measured force or strength, for the search for copied rows;
    ``jaw`` marks strips that broke at the jaw.
    """
    import numpy

    description = bench.description
    subjects = read_subjects(bench)
    excluded = read_excluded(bench)
    out = excluded != ""
    break_at = bench.words("break_at", BREAKS)
    jaw = (break_at == "jaw") | (break_at == "slip")
    censored = bench.words("censored", CENSORED, default=0)
    specimen = bench.text("specimen")
    curve = strip_curves_of(bench, specimen)
    width = bench.numbers("width")
    breadth = _widths(bench, width)
    strength, blank, measured, header = _strengths(bench, out, censored, curve, width, breadth)
    elongation = bench.numbers("elongation")
    bench.refuse(elongation.values < 0, "elongation", "a number of at least 0")
    stiffness = bench.numbers("stiffness")
    bench.refuse(stiffness.values < 0, "stiffness", "a number of at least 0")
    refuse_repeats(
        bench,
        [*(subjects[k] for k in ("material", "lot", "direction", "exposure")),
         numpy.nan_to_num(subjects["hours"], nan=-1.0),
         numpy.nan_to_num(subjects["dose"], nan=-1.0),
         subjects["laboratory"], subjects["run"], specimen],
        specimen != "",
        "specimen",
        "one row for each specimen of a group",
    )  # fmt: skip
    at_least = description.rules.jaw_breaks == "at least"
    if at_least:
        censored = numpy.where(jaw & (censored == 0) & ~blank, 1, censored)
    reason = excluded.astype(object)
    if not at_least:
        reason[~out & (break_at == "jaw")] = "broke at the jaw"
        reason[~out & (break_at == "slip")] = "slipped in the jaw"
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
            "elongation": bench.convert("elongation", elongation, UNITS["%"]),
            "value_sd": value_errors(bench, description.unit, usual=description.unit),
            "measured": measured,
            "column": header,
            "jaw": jaw,
            "break_at": break_at,
            "curve": curve,
            "width": breadth,
            "stiffness": _stiffness(bench, stiffness),
            "machine": bench.text("machine"),
            "tested_on": read_days(bench, "tested_on"),
        },
    )


def _widths(bench: Bench, width: Numbers) -> Any:
    """Width of every strip [mm], from its row or from study.toml; nan where neither has one."""
    import numpy

    usual = bench.description.tensile.width
    read = bench.convert("width", width, UNITS["mm"])
    read = numpy.where(read > 0, read, numpy.nan)
    return read if usual is None else numpy.where(width.blank, usual, read)


def _stiffness(bench: Bench, stiffness: Any) -> Any:
    """Secant stiffness, in kN/m where strength is a force per width, else as strength is."""
    wanted = bench.description.unit
    if wanted is None:
        return stiffness.values
    per_width = wanted.dimension == "force per width"
    return bench.convert("stiffness", stiffness, UNITS["kN/m"] if per_width else wanted)


def _strengths(
    bench: Bench, out: Any, censored: Any, curve: Any, width: Numbers, breadth: Any
) -> tuple[Any, Any, Any, Any]:
    """(strength in the study's unit, where nothing was measured, what was measured, its header).

    A strip whose curve is known is not blank: its strength is the peak of the curve, found later.
    """
    import numpy

    wanted = bench.description.unit
    dimension = wanted.dimension if wanted else None
    strength, force = bench.numbers("strength"), bench.numbers("peak_force")
    has_force = "peak_force" in bench.columns
    if not has_force and "strength" not in bench.columns and not (curve != "").any():
        bench.missing("strength", instead=' or a column "peak_force"')
    makes_strength = dimension in ("force", "force per width")
    if has_force and dimension and not makes_strength and "strength" not in bench.columns:
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
    usual = bench.description.tensile.width
    if by_width and "width" not in bench.columns and usual is None:
        bench.missing("width")
    elif by_width and usual is None:
        bench.refuse(
            force.given & width.blank,
            "width",
            "the width of the strip",
            mend="A force without a width gives no strength per width.",
        )
    bench.refuse(width.values <= 0, "width", "a number above 0")
    if dimension and not makes_strength:
        bench.refuse(
            force.given & strength.blank & ("strength" in bench.columns),
            "strength",
            f"a strength in {wanted}, which a force does not make",
        )
    for name, read in (("strength", strength), ("peak_force", force)):
        refuse_values(
            bench, read, name, ~out,
            'A strip too weak to test is no zero: write the smallest measurable force and '
            '"below" in the column censored.',
        )  # fmt: skip
    blank = strength.blank & (force.blank | (not makes_strength))
    bench.refuse(
        blank & (censored != 0) & ~out,
        "strength" if "strength" in bench.columns else "peak_force",
        "the limit of a censored strip",
        mend="Write the smallest measurable force (below) or the largest applied (above).",
    )
    later = blank & (curve != "") & ~out
    bench.refuse(
        later & (not makes_strength),
        "curve",
        f"a strength in {wanted}, which a curve does not give",
    )
    bench.refuse(
        later & (dimension == "force per width") & numpy.isnan(breadth),
        "width",
        "the width of the strip",
        mend='Give a column width, or write under [tensile] of study.toml: width = "50 mm".',
    )
    blank &= ~later
    values = bench.convert("strength", strength, wanted)
    if has_force and wanted is not None and makes_strength:
        _say_assumed(bench, "peak_force", "N")
        newton = UNITS["N"]
        if dimension == "force per width":
            _say_assumed(bench, "width", "mm")
            broken = bench.convert("peak_force", force, newton) / breadth / wanted.factor
        else:
            broken = bench.convert("peak_force", force, wanted, usual=newton)
        if "strength" in bench.columns:
            widths = (width,) if dimension == "force per width" else ()
            force_makes_strength(bench, (strength, force, *widths), values, broken)
        values = numpy.where(force.given, broken, values)
    elif has_force and "strength" in bench.columns:
        force_beside_strength(bench, strength, force)
    by_force = (force.given & makes_strength) | ("strength" not in bench.columns)
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
