"""What did the same specimen read again and again? The table of readings, one row a reading.

The readings break nothing (gloss, colour, modulus, thickness), so a specimen comes back at each
dose; before exposure it is read as a row of its own exposure with 0 hours.
"""

from __future__ import annotations

from typing import Any

from durability.study.bench import (
    PLACE_COLUMNS,
    SUBJECT_COLUMNS,
    Bench,
    earlier_row,
    read_excluded,
)
from durability.study.findings import listed
from durability.study.rows import (
    CENSORED,
    VALUE_COLUMNS,
    refuse_values,
    say_read_off,
    value_errors,
)
from durability.study.subjects import read_subjects

COLUMNS = (*SUBJECT_COLUMNS, *PLACE_COLUMNS, *VALUE_COLUMNS, "specimen", "value")
EXPOSED = (
    "A specimen that is read again is named with its exposure in every row, before exposure too."
)


def reading_rows(bench: Bench) -> dict[str, Any]:
    """The variables of `Study.readings` for a table of readings."""
    import numpy

    subjects = read_subjects(bench, always_exposed=EXPOSED)
    specimen = name_specimens(bench, "Readings of the same specimen are held together by its name.")
    excluded = read_excluded(bench)
    out = excluded != ""
    censored = bench.words("censored", CENSORED, default=0)
    value = bench.numbers("value")
    if "value" not in bench.columns:
        bench.missing("value")
    refuse_values(
        bench, value, "value", ~out,
        'What is too small to read is no zero: write the smallest value that could be read and '
        '"below" in the column censored.',
    )  # fmt: skip
    bench.refuse(
        value.blank & (censored != 0) & ~out,
        "value",
        "the limit of a censored reading",
        mend="Write the smallest value that could be read (below) or the largest (above).",
    )
    wanted = bench.description.unit
    of_value = bench.unit("value", wanted.dimension, wanted) if wanted else None
    reason = numpy.where(out, excluded, numpy.where(value.blank, "blank", ""))
    say_read_off(bench)
    _say_copies(bench, {**subjects, "specimen": specimen}, value.values, reason == "")
    return {
        **subjects,
        "specimen": specimen,
        "value": bench.convert("value", value, wanted),
        "value_sd": value_errors(bench, wanted, usual=of_value),
        "censored": censored.astype(numpy.int64),
        "used": reason == "",
        "reason": reason,
        **bench.where(),
    }


def _say_copies(bench: Bench, names: dict[str, Any], values: Any, used: Any) -> None:
    """Caution where the same value of the same specimen at the same place stands twice."""
    import numpy

    keys = [names[k] for k in ("material", "lot", "direction", "exposure", "specimen", "run")]
    keys += [numpy.nan_to_num(names[k], nan=-1.0) for k in ("hours", "dose")]
    earlier = earlier_row([*keys, numpy.nan_to_num(values)], used & ~numpy.isnan(values))
    again = (earlier != numpy.arange(bench.size)).nonzero()[0]
    if again.size:
        lines = bench.table.rows[again].tolist()
        bench.findings.caution(
            "repeated_reading",
            f"{bench.table.file}, {listed(lines)}: the same value of the same specimen at the same "
            f"place as in an earlier row (row {bench.table.rows[earlier[again[0]]]} first); a copy "
            "would count twice",
            file=bench.table.file,
            row=lines[0],
            rows=lines,
            column=bench.columns["value"].header,
        )


def name_specimens(bench: Bench, why: str) -> Any:
    """The column ``specimen``, which must be filled."""
    specimen = bench.text("specimen")
    if "specimen" in bench.columns:
        bench.refuse(specimen == "", "specimen", "the name of the specimen", mend=why)
    else:
        bench.missing("specimen", mend=why)
    return specimen
