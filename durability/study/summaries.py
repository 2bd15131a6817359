"""How strong was each group, as published? The table of summaries: a mean, its spread, a count."""

from __future__ import annotations

from typing import Any

from durability.study.bench import (
    PLACE_COLUMNS,
    SUBJECT_COLUMNS,
    Bench,
    count_column,
    read_excluded,
    refuse_repeats,
)
from durability.study.rows import CENSORED, VALUE_COLUMNS, finish, refuse_values, value_errors
from durability.study.subjects import read_subjects

COLUMNS = (*SUBJECT_COLUMNS, *PLACE_COLUMNS, *VALUE_COLUMNS, "mean", "sd", "cv", "se", "n")


def summary_rows(bench: Bench) -> dict[str, Any]:
    """The variables of `Study.rows` for a table of summaries.

    The spread may be given as ``sd``, as ``cv`` (a share of the mean) or as ``se`` (the standard
    error of the mean, which needs ``n``); it is kept as sd.
    """
    import numpy

    subjects = read_subjects(bench)
    excluded = read_excluded(bench)
    censored = bench.words("censored", CENSORED, default=0)
    mean, sd, cv, se = (bench.numbers(name) for name in ("mean", "sd", "cv", "se"))
    n = count_column(bench, missing=0)
    if "mean" not in bench.columns:
        bench.missing("mean")
    out = excluded != ""
    refuse_values(
        bench, mean, "mean", ~out,
        'A group that lost all its strength is no zero: write the smallest value the source '
        'could report and "below" in the column censored.',
    )  # fmt: skip
    bench.refuse(
        mean.blank & (censored != 0) & ~out,
        "mean",
        "the limit of a censored group",
        mend="Write the smallest value that could be reported (below).",
    )
    for name, read in (("sd", sd), ("cv", cv), ("se", se)):
        bench.refuse(
            read.values <= 0, name, "a number above 0", mend="Leave it blank if it is not known."
        )
    several = sd.given.astype(int) + cv.given + se.given > 1
    bench.refuse(several & cv.given, "cv", "an sd or a cv or an se, not two")
    bench.refuse(several & se.given & ~cv.given, "se", "an sd or a cv or an se, not two")
    bench.refuse(
        se.given & (n == 0),
        "se",
        "a count n beside a standard error",
        mend="Without n it does not say how much strips scatter: leave it blank if n is not known.",
    )
    wanted = bench.description.unit
    strength = bench.convert("mean", mean, wanted)
    # without a unit of its own, a spread is in the unit of the mean
    of_mean = bench.unit("mean", wanted.dimension, wanted) if wanted else None
    spread = bench.convert("sd", sd, wanted, usual=of_mean)
    from_se = bench.convert("se", se, wanted, usual=of_mean) * numpy.sqrt(n)
    spread = numpy.where(se.given, from_se, spread)
    fraction = bench.unit("cv", "fraction", None) if "cv" in bench.columns else None
    if fraction is not None:
        spread = numpy.where(cv.given, cv.values * fraction.factor * strength, spread)
    refuse_repeats(
        bench,
        [*(subjects[k] for k in ("material", "lot", "direction", "exposure", "laboratory", "run")),
         numpy.nan_to_num(subjects["hours"], nan=-1.0),
         numpy.nan_to_num(subjects["dose"], nan=-1.0)],
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
            "n": n,
            "censored": censored.astype(numpy.int64),
            "used": reason == "",
            "reason": reason,
            "value_sd": value_errors(bench, wanted, usual=of_mean),
            "measured": bench.text("mean"),
            "column": numpy.full(bench.size, mean.header),
        },
    )
