"""What in this study is legal but unwise? Looks over the rows and says what weakens the answer."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from durability.study.findings import Findings, listed

if TYPE_CHECKING:
    from durability.study.toml import Description

FLAGS: dict[str, str] = {
    "no_unexposed_strips": "No unexposed strips were tested: a retained fraction is then relative "
    "to a fitted start and is less sure; a required strength is not affected.",
    "one_dose_level": "Strips were withdrawn at one exposure only: the course between the start "
    "and that exposure leans on the prior of the law's shape.",
    "few_strips": "A group has fewer than 3 strips: its own scatter says little.",
    "spread_not_given": "A summary gives no spread (sd or cv) or no count n: its weight leans on a "
    "prior of the scatter.",
    "excluded_strips": "Strips were excluded by the laboratory, with a reason.",
    "jaw_breaks": "Strips broke at the jaw and are treated by the study's rule.",
    "repeated_force": "Two strips have the same force to all digits, which chance hardly explains: "
    "one row may be a copy.",
    "blank_strength": "A strength is blank and the strip is not used. Blanks that gather where "
    "nothing was left are likely strips too weak to test: give them as censored.",
    "above_125_percent": "A value is more than 125 % of the unexposed strength: it happens by "
    "scatter, but look at the row.",
    "trailing_note": "Text below the table was read as a note, not as data.",
    "unit_not_written": "A header leaves its unit out and the usual unit was taken.",
    "declared_only": "Of a material only a data sheet's word is known and no strip: the answer "
    "leans on priors of scatter and of the law's shape, and is wide.",
    "read_off_a_figure": "Values were read off a figure: their reading errors are part of the "
    "uncertainty.",
    "langley_band": "A langley usually counts the whole of sunlight, not the band in which this "
    "exposure is measured: look which is meant.",
    "units_not_used": "study.toml gives a unit for a column that no table has.",
    "not_in_data": "A material or an exposure of study.toml has no row in the data.",
}
_FEW = 3
_HIGH = 1.25


def look_for_cautions(
    rows: dict[str, Any],
    description: Description,
    findings: Findings,
    others: Mapping[str, Mapping[str, Any]] | None = None,
) -> None:
    """Note every caution about the study.

    Parameters
    ----------
    rows : arrays as in `Study.rows`, ``measured`` and ``jaw``; of length 0 in a study without
        specimens and summaries.
    others : the kinds ``readings``, ``inspections`` and ``declared`` that there are, as arrays.
    """
    import numpy

    others = others or {}
    rows = dict(rows)
    rows["place"] = _places(rows)
    rows["start"] = (rows["hours"] == 0) | (rows["dose"] == 0)
    _not_in_data(rows, others, description, findings)
    _declared_alone(rows, others, findings)
    if not rows["used"].size:
        return
    _not_used(rows, findings)
    _starts_and_levels(rows, description, findings)
    strips = rows["used"] & ~rows["summary"]
    _few_strips(rows, strips, findings)
    _repeated(rows, strips & (rows["censored"] == 0), findings)
    loose = rows["used"] & rows["summary"] & (rows["censored"] == 0)
    loose &= numpy.isnan(rows["sd"]) | (rows["n"] == 0)
    _note(rows, loose, "spread_not_given", "no spread or no count", findings)
    _high(rows, description, findings)


def _places(rows: dict[str, Any]) -> Any:
    """Where on its axis each row lies, as one number: the dose where given, else the hours."""
    import numpy

    return numpy.where(numpy.isnan(rows["dose"]), rows["hours"], rows["dose"])


def _note(rows: dict[str, Any], mask: Any, name: str, what: str, findings: Findings) -> None:
    """One caution a file for the rows of the mask."""
    import numpy

    for file in numpy.unique(rows["file"][mask]).tolist():
        lines = rows["line"][mask & (rows["file"] == file)].tolist()
        text = f"{file}, {listed(lines)}: {what}"
        findings.caution(name, text, file=file, row=lines[0])


def _not_in_data(
    rows: dict[str, Any],
    others: Mapping[str, Mapping[str, Any]],
    description: Description,
    findings: Findings,
) -> None:
    import numpy

    for kind, known in (
        ("material", description.materials),
        ("exposure", description.exposures),
    ):
        met = set(numpy.concatenate([t[kind] for t in (rows, *others.values())]).tolist())
        for name in known:
            if name not in met:
                text = f"{kind} {name} has no row in the data"
                findings.caution("not_in_data", text, file="study.toml")


def _declared_alone(
    rows: dict[str, Any], others: Mapping[str, Mapping[str, Any]], findings: Findings
) -> None:
    """Materials of which a data sheet speaks and nothing else."""
    if "declared" not in others:
        return
    measured = set(rows["material"][rows["used"]].tolist())
    for kind in ("readings", "inspections"):
        if kind in others:
            measured |= set(others[kind]["material"][others[kind]["used"]].tolist())
    declared = others["declared"]
    for name in dict.fromkeys(declared["material"].tolist()):
        if name not in measured:
            i = int((declared["material"] == name).nonzero()[0][0])
            findings.caution(
                "declared_only",
                f"material {name} is known from declared values alone",
                file=str(declared["file"][i]),
                row=int(declared["line"][i]),
            )


def _not_used(rows: dict[str, Any], findings: Findings) -> None:
    import numpy

    blank = rows["reason"] == "blank"
    _note(
        rows,
        blank,
        "blank_strength",
        "blank: nothing measured. If the strips were too weak to test, write the smallest "
        'measurable force and "below" in the column censored',
        findings,
    )
    jaw = rows["reason"] == "broke at the jaw"
    _note(rows, jaw, "jaw_breaks", "broke at the jaw and not used", findings)
    at_least = rows["jaw"] & rows["used"]
    _note(rows, at_least, "jaw_breaks", "broke at the jaw and kept as at least so strong", findings)
    out = ~rows["used"] & ~blank & ~jaw
    reasons = ", ".join(numpy.unique(rows["reason"][out]).tolist()[:5])
    _note(rows, out, "excluded_strips", f"excluded ({reasons})", findings)


def _codes(*keys: Any) -> Any:
    """One integer for each distinct combination of keys."""
    import numpy

    code = numpy.zeros(keys[0].size, dtype=numpy.int64)
    for key in keys:
        _, inverse = numpy.unique(key, return_inverse=True)
        _, code = numpy.unique(code * (int(inverse.max()) + 1) + inverse, return_inverse=True)
    return code


def _starts_and_levels(rows: dict[str, Any], description: Description, findings: Findings) -> None:
    """Lots without unexposed strips, and materials withdrawn at one level of an exposure."""
    import numpy

    used = rows["used"]
    percent = description.unit is not None and description.unit.symbol == "%"
    if not percent and not (used & rows["start"]).any():
        findings.caution("no_unexposed_strips", "the study has no unexposed strips")
    elif not percent:
        lot = _codes(rows["material"], rows["lot"], rows["direction"])
        lacking = numpy.setdiff1d(lot[used], lot[used & rows["start"]])
        for code in lacking.tolist():
            i = int((used & (lot == code)).nonzero()[0][0])
            findings.caution(
                "no_unexposed_strips",
                f"{_lot(rows, i)} has no unexposed strips",
                file=str(rows["file"][i]),
                row=int(rows["line"][i]),
            )
    exposed = used & ~rows["start"]
    series = _codes(rows["material"], rows["exposure"])
    for code in numpy.unique(series[exposed]).tolist():
        mine = exposed & (series == code)
        if numpy.unique(rows["place"][mine]).size == 1:
            i = int(mine.nonzero()[0][0])
            findings.caution(
                "one_dose_level",
                f"material {rows['material'][i]} has one withdrawal from exposure "
                f"{rows['exposure'][i]}",
                file=str(rows["file"][i]),
                row=int(rows["line"][i]),
            )


def _lot(rows: dict[str, Any], i: int) -> str:
    words = [f"material {rows['material'][i]}"]
    if rows["lot"][i]:
        words.append(f"lot {rows['lot'][i]}")
    if rows["direction"][i]:
        words.append(f"{rows['direction'][i]} direction")
    return ", ".join(words)


def _few_strips(rows: dict[str, Any], strips: Any, findings: Findings) -> None:
    import numpy

    if not strips.any():
        return
    keys = (rows[k][strips] for k in ("material", "lot", "direction", "exposure", "place"))
    code = _codes(*keys)
    _, first, count = numpy.unique(code, return_index=True, return_counts=True)
    small = count < _FEW
    if not small.any():
        return
    i = int(strips.nonzero()[0][first[small].min()])
    findings.caution(
        "few_strips",
        f"{int(small.sum())} of {count.size} groups have fewer than {_FEW} strips; the first is "
        f"{_lot(rows, i)} at {rows['place'][i]:g}",
        file=str(rows["file"][i]),
        row=int(rows["line"][i]),
    )


def _repeated(rows: dict[str, Any], strips: Any, findings: Findings) -> None:
    """Forces equal to all digits that chance hardly explains.

    Among n normal values of standard deviation s, written in steps of w, n(n-1)/2 · w/(2 s √π)
    pairs coincide by chance (the density of a difference at zero is 1/(2 s √π)); fewer than one
    in twenty expected makes a coincidence worth a look.
    """
    import numpy

    places = strips.nonzero()[0]
    if places.size < 2:
        return
    texts, inverse, count = numpy.unique(
        rows["measured"][places], return_inverse=True, return_counts=True
    )
    twice = (count > 1).nonzero()[0]
    if not twice.size:
        return
    sd = float(numpy.std([float(t.replace(",", ".")) for t in texts.tolist() if t]))
    pairs = places.size * (places.size - 1) / 2
    for code in twice.tolist():
        text = texts[code].replace(",", ".")
        mantissa, _, exponent = text.casefold().partition("e")
        digits = len(mantissa.partition(".")[2]) - int(exponent or 0)
        if pairs * 10.0**-digits > 0.05 * 2 * math.sqrt(math.pi) * sd:
            continue
        same = places[inverse == code]
        lines = rows["line"][same].tolist()
        findings.caution(
            "repeated_force",
            f"{rows['file'][same[0]]}, {listed(lines)}: the same value {texts[code]} to all "
            "digits; one may be a copy",
            file=str(rows["file"][same[0]]),
            row=lines[-1],
        )


def _high(rows: dict[str, Any], description: Description, findings: Findings) -> None:
    """Summaries above 125 % of the unexposed strength of their lot."""
    import numpy

    look = rows["used"] & rows["summary"] & (rows["censored"] == 0)
    rises = description.study is not None and description.study.changes == "rises"
    if not look.any() or rises:
        return
    if description.unit is not None and description.unit.symbol == "%":
        high = look & (rows["strength"] > 100 * _HIGH)
    else:
        lot = _codes(rows["material"], rows["lot"], rows["direction"])
        start = look & rows["start"]
        total = numpy.bincount(lot[start], rows["strength"][start], minlength=lot.max() + 1)
        number = numpy.bincount(lot[start], minlength=lot.max() + 1)
        unexposed = numpy.divide(
            total, number, out=numpy.full(total.size, numpy.inf), where=number > 0
        )
        high = look & ~rows["start"] & (rows["strength"] > _HIGH * unexposed[lot])
    _note(rows, high, "above_125_percent", "more than 125 % of the unexposed strength", findings)
