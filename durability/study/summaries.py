"""How strong was each group, as published? The table of summaries: a mean, its spread, a count."""

from __future__ import annotations

from typing import Any

from durability.study.findings import Findings
from durability.study.rows import (
    CENSORED,
    SUBJECT_COLUMNS,
    finish,
    in_study_unit,
    lay_out,
    read_subjects,
    refuse_repeats,
)
from durability.study.tables import Table
from durability.study.toml import Description

COLUMNS = (*SUBJECT_COLUMNS, "mean", "sd", "cv", "n")


def summary_rows(
    table: Table, description: Description, findings: Findings
) -> dict[str, Any] | None:
    """The variables of `Study.rows` for a table of summaries, with ``measured`` and ``jaw``."""
    import numpy

    bench = lay_out(table, COLUMNS, description, findings)
    if bench is None:
        return None
    subjects = read_subjects(bench)
    excluded = bench.text("excluded")
    censored = bench.words("censored", CENSORED, default=0)
    mean, sd, cv, n = (bench.numbers(name) for name in ("mean", "sd", "cv", "n"))
    if "mean" not in bench.columns:
        bench.missing("mean")
    out = excluded != ""
    bench.refuse(mean.values < 0, "mean", "a number above 0")
    bench.refuse(
        (mean.values == 0) & ~out,
        "mean",
        "a number above 0",
        mend='A group that lost all its strength is no zero: write the smallest value the source '
        'could report and "below" in the column censored.',
    )  # fmt: skip
    bench.refuse(
        mean.blank & (censored != 0) & ~out,
        "mean",
        "the limit of a censored group",
        mend="Write the smallest value that could be reported (below).",
    )
    for name, read in (("sd", sd), ("cv", cv)):
        bench.refuse(
            read.values <= 0, name, "a number above 0", mend="Leave it blank if it is not known."
        )
    bench.refuse(sd.given & cv.given, "cv", "an sd or a cv, not both")
    bench.refuse(
        n.given & ((n.values < 1) | (n.values != numpy.floor(n.values)) | (n.values > 1e6)),
        "n",
        "a whole number of at least 1",
        mend="Leave it blank if it is not known.",
    )
    wanted = description.unit
    strength, spread = mean.values, sd.values
    if wanted is not None:
        unit = bench.unit("mean", wanted.dimension, wanted)
        strength = in_study_unit(mean.values, unit, wanted)
        # without its own unit, sd is in the unit of the mean
        spread = in_study_unit(sd.values, bench.unit("sd", wanted.dimension, unit), wanted)
    fraction = bench.unit("cv", "fraction", None) if "cv" in bench.columns else None
    if fraction is not None:
        spread = numpy.where(cv.given, cv.values * fraction.factor * strength, spread)
    refuse_repeats(
        bench,
        [*(subjects.arrays[k] for k in ("material", "lot", "direction", "exposure",
                                         "laboratory", "run")),
         numpy.nan_to_num(subjects.arrays["hours"], nan=-1.0),
         numpy.nan_to_num(subjects.arrays["dose"], nan=-1.0)],
        ~out & ~mean.blank,
        "mean",
        "one row for each group",
    )  # fmt: skip
    reason = numpy.where(out, excluded, numpy.where(mean.blank, "blank", ""))
    return finish(
        bench,
        subjects,
        {
            "summary": numpy.ones(bench.size, dtype=bool),
            "strength": strength,
            "sd": spread,
            "n": numpy.where(n.given, n.values, 0).astype(numpy.int64),
            "censored": censored.astype(numpy.int64),
            "used": reason == "",
            "reason": reason,
        },
    )
