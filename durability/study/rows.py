"""What do strips and summaries share? Their values, errors read off a figure, and variables."""

from __future__ import annotations

from typing import Any

from durability.study.bench import Bench
from durability.study.columns import Numbers
from durability.study.subjects import BLANK_ERROR
from durability.units import Unit

CENSORED = {"below": -1, "above": 1}
FIGURE_COLUMNS = ("hours_sd", "dose_sd", "value_sd")
VALUE_COLUMNS = ("excluded", "censored", *FIGURE_COLUMNS)
LOOKED_AT = ("measured", "column", "jaw")
"""What cautions and screens read of a row and a study does not keep: the text of the measured
value, the header over it, whether the strip broke at the jaw."""


def refuse_values(bench: Bench, read: Numbers, name: str, used: Any, too_weak: str) -> None:
    """Note values that cannot be: what is fitted is a ratio, which needs numbers above 0.

    Parameters
    ----------
    used : rows that are used; an excluded row may hold 0.
    too_weak : what to write for a 0 of a property that falls.
    """
    study = bench.description.study
    if study is not None and study.changes == "rises":
        bench.refuse(
            (read.values < 0) | (used & (read.values == 0)),
            name,
            "a number above 0",
            mend="What is fitted is the ratio to the unexposed value. Of a scale that passes 0, "
            "such as a difference of colour, give the measurement behind it.",
        )
        return
    bench.refuse(read.values < 0, name, "a number above 0")
    bench.refuse(used & (read.values == 0), name, "a number above 0", mend=too_weak)


def value_errors(bench: Bench, into: Unit | None, *, usual: Unit | None) -> Any:
    """The column ``value_sd`` in the study's unit: standard errors of values read off a figure."""
    read = bench.numbers("value_sd")
    bench.refuse(read.values <= 0, "value_sd", "a number above 0", mend=BLANK_ERROR)
    return bench.convert("value_sd", read, into, usual=usual)


def say_read_off(bench: Bench) -> None:
    """Caution where a table holds values read off a figure."""
    import numpy

    given = numpy.zeros(bench.size, dtype=bool)
    for name in FIGURE_COLUMNS:
        if name in bench.columns:
            given |= bench.columns[name].cells != ""
    if given.any():
        bench.findings.caution(
            "read_off_a_figure",
            f"{bench.table.file}: {int(given.sum())} of {bench.size} rows were read off a figure",
            file=bench.table.file,
            row=int(bench.table.rows[given.nonzero()[0][0]]),
        )


def finish(bench: Bench, subjects: dict[str, Any], own: dict[str, Any]) -> dict[str, Any]:
    """All variables of `Study.rows` and those of `LOOKED_AT`, as arrays."""
    import numpy

    nothing = numpy.full(bench.size, numpy.nan)
    blank = numpy.full(bench.size, "", dtype=str)
    say_read_off(bench)
    return {
        **subjects,
        "specimen": blank,
        "sd": nothing,
        "elongation": nothing,
        "measured": blank,
        "column": blank,
        "jaw": numpy.zeros(bench.size, dtype=bool),
        "machine": blank,
        "tested_on": blank,
        "break_at": blank,
        "curve": blank,
        "width": nothing,
        "stiffness": nothing,
        **own,
        "kind": numpy.where(own["summary"], "summary", "specimen"),
        **bench.where(),
    }
