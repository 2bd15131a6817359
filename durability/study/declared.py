"""What does the data sheet say? The table of declared values, a word without raw data.

"At least 70 % after 500 h" is a row with retained 70 %, hours 500 and the sense in which it is
meant: typical (the usual roll), minimum (every roll), or minimum average roll value (the average
of any roll in its weakest direction, commonly typical minus two standard deviations).
"""

from __future__ import annotations

from typing import Any

from durability.study.bench import SUBJECT_COLUMNS, Bench, count_column
from durability.study.schema import MOST_RISE
from durability.study.subjects import read_subjects
from durability.units import UNITS

COLUMNS = (*SUBJECT_COLUMNS, "hours", "dose", "retained", "strength", "sense", "n")
SENSES = {s: s for s in ("typical", "minimum", "minimum average roll value")}
_HINTS = {
    word: f'Write "{meaning}" if that is what the data sheet means.'
    for words, meaning in (
        (("typ", "typ.", "nominal", "mean", "average", "approx", "about", "ca."), "typical"),
        (("min", "min.", "at least", "≥", ">=", ">", "guaranteed"), "minimum"),
        (("marv", "mav", "minimum average", "minimum roll value"), "minimum average roll value"),
    )
    for word in words
}


def declared_rows(bench: Bench) -> dict[str, Any]:
    """The variables of `Study.declared` for a table of declared values."""
    import numpy

    subjects = read_subjects(bench)
    place = {k: subjects[k] for k in ("hours", "dose")}
    start = (place["hours"] == 0) | (place["dose"] == 0)
    sense = bench.words("sense", SENSES, hints=_HINTS)
    if "sense" in bench.columns:
        bench.refuse(
            bench.text("sense") == "",
            "sense",
            " or ".join(f'"{s}"' for s in SENSES),
            mend="Say in which sense the data sheet means the value.",
        )
    else:
        bench.missing("sense", mend=f"Senses: {', '.join(SENSES)}.")
    retained, strength = bench.numbers("retained"), bench.numbers("strength")
    if not {"retained", "strength"} & set(bench.columns):
        bench.missing("retained", instead=' or a column "strength"')
    else:
        shown = "retained" if "retained" in bench.columns else "strength"
        bench.refuse(
            retained.blank & strength.blank, shown, "what the data sheet declares",
            found=numpy.full(bench.size, ""),
        )  # fmt: skip
    bench.refuse(
        retained.given & strength.given,
        "strength",
        "a retained fraction or a strength, not both",
        mend="Write two rows where the data sheet gives both.",
    )
    bench.refuse(
        retained.given & start,
        "retained",
        "a fraction left after some exposure",
        mend="Before exposure it is 1 by definition: give the strength instead.",
    )
    fraction = bench.convert("retained", retained, UNITS["1"])
    study = bench.description.study
    most = MOST_RISE if study is not None and study.changes == "rises" else 1.5
    bench.refuse(
        retained.given & ~((fraction > 0) & (fraction <= most)),
        "retained",
        f"a fraction above 0 and at most {most:g}",
        mend="Write 0.7 for 70 %, or the header retained [%].",
    )
    bench.refuse(strength.given & (strength.values <= 0), "strength", "a number above 0")
    return {
        **{k: subjects[k] for k in ("material", "lot", "direction", "exposure")},
        **place,
        "retained": fraction,
        "strength": bench.convert("strength", strength, bench.description.unit),
        "sense": sense,
        "n": count_column(bench, missing=0),
        **bench.where(),
    }
