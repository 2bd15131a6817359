"""Between which two looks did a specimen cross? The table of inspections, one row a bracket.

Low is the last look at which it still held, high the first at which it did not. A blank low means
that it had crossed before the first look, a blank high that it has not crossed yet; a pass at one
look is a low alone, a failure a high alone.
"""

from __future__ import annotations

from typing import Any

from durability.study.bench import (
    SUBJECT_COLUMNS,
    Bench,
    count_column,
    read_excluded,
    refuse_repeats,
)
from durability.study.outdoors import by_day_of_laying
from durability.study.schema import MOST_RISE
from durability.study.subjects import read_names, read_place
from durability.units import UNITS

COLUMNS = (
    *SUBJECT_COLUMNS, "specimen", "fraction", "hours_low", "hours_high", "dose_low", "dose_high",
    "n", "excluded", "laid",
)  # fmt: skip


def inspection_rows(bench: Bench) -> dict[str, Any]:
    """The variables of `Study.inspections` for a table of inspections."""
    import numpy

    names = read_names(bench)
    exposures = names["exposure"]
    low = read_place(bench, exposures, hours_name="hours_low", dose_name="dose_low")
    high = read_place(bench, exposures, hours_name="hours_high", dose_name="dose_high")
    if not {"hours_low", "hours_high", "dose_low", "dose_high"} & set(bench.columns):
        bench.missing("hours_low", instead=" and hours_high, or dose_low and dose_high")
    else:
        bench.refuse(
            ~low.given & ~high.given,
            "hours_low" if "hours_low" in bench.columns else "dose_low",
            "the last look at which it held, or the first at which it did not",
            mend="Blank low: crossed before the first look. Blank high: not crossed yet.",
            found=numpy.full(bench.size, ""),
        )
    if "exposure" in bench.columns:
        bench.refuse(exposures == "", "exposure", "the name of an exposure")
    name = "hours_high" if "hours_high" in bench.columns else "dose_high"
    bench.refuse(high.given & high.start, name, "a look after some exposure")
    mixed = (low.by_hours & high.by_dose) | (low.by_dose & high.by_hours)
    bench.refuse(mixed, name, "hours on both sides or doses on both sides")
    backwards = (high.hours < low.hours) | (high.dose < low.dose)
    bench.refuse(
        backwards & ~high.start,
        name,
        "a look no earlier than the last one at which it held",
        mend="Low is the last look at which it held, high the first at which it did not.",
    )
    n = count_column(bench, missing=1)
    specimen = bench.text("specimen")
    bench.refuse((specimen != "") & (n > 1), "n", "1 where a specimen is named")
    fraction = _fractions(bench)
    excluded = read_excluded(bench)
    refuse_repeats(
        bench,
        [*(names[k] for k in ("material", "lot", "direction", "exposure", "laboratory", "run")),
         specimen, numpy.nan_to_num(fraction, nan=-1.0)],
        (specimen != "") & (excluded == ""),
        "specimen",
        "one row for each specimen and fraction",
    )  # fmt: skip
    start = ~low.given
    crossed = high.given
    return {
        **names,
        "exposure": by_day_of_laying(bench, exposures, numpy.zeros(bench.size, dtype=bool)),
        "specimen": specimen,
        "fraction": fraction,
        "hours_low": numpy.where(start, 0.0, low.hours),
        "hours_high": numpy.where(crossed, high.hours, numpy.inf),
        "dose_low": numpy.where(start, 0.0, low.dose),
        "dose_high": numpy.where(crossed, high.dose, numpy.inf),
        "n": n,
        "used": excluded == "",
        "reason": excluded,
        **bench.where(),
    }


def _fractions(bench: Bench) -> Any:
    """The fraction of the unexposed value that a crossing is about.

    The study's first threshold where the table names none; nan where the study asks about a
    required strength alone.
    """
    import numpy

    read = bench.numbers("fraction")
    values = bench.convert("fraction", read, UNITS["1"])
    study = bench.description.study
    rises = study is not None and study.changes == "rises"
    low, high = (1, MOST_RISE) if rises else (0, 1)
    percent = "" if rises else " Write 0.5 for 50 %, or the header fraction [%]."
    bench.refuse(
        read.given & ~((values > low) & (values < high)),
        "fraction",
        f"a fraction of the unexposed value between {low} and {high}",
        mend=percent.strip(),
    )
    usual = study.thresholds[0] if study is not None and study.thresholds else numpy.nan
    return numpy.where(read.given, values, usual)
