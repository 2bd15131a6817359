"""What in this study is legal but unwise? Looks over the rows and says what weakens the answer."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from durability import catalogue
from durability.study.damage import look_for_damage
from durability.study.findings import Findings, listed
from durability.study.labels import codes, lot_words, place_words
from durability.study.levels import in_percent, look_at_levels, share_left

if TYPE_CHECKING:
    from durability.study.toml import Description

FLAGS: dict[str, str] = {
    "no_unexposed_strips": "No unexposed strips were tested: a retained fraction is then relative "
    "to a fitted start and is less sure; a required strength is not affected.",
    "one_dose_level": "Strips were withdrawn at one exposure only: the course between the start "
    "and that exposure leans on the prior of the law's shape.",
    "few_strips": "A group has fewer than 3 strips: its own scatter says little.",
    "fewer_than_practice": "A group has fewer strips than the practice breaks at each withdrawal: "
    "its mean and scatter are less sure.",
    "no_level_beyond_half": "No level went beyond half loss: the dose of half loss is extrapolated "
    "or bounded.",
    "threshold_outside": "What is asked lies outside the levels tested: it is extrapolated, or a "
    "bound is the answer.",
    "unexposed_on_another_day": "Unexposed strips were tested on another day than all exposed ones "
    "of the lot: a shift of the laboratory between the days cannot be told from a loss.",
    "unexposed_on_another_machine": "Unexposed strips were tested on another machine than all "
    "exposed ones of the lot: a difference of the machines cannot be told from a loss.",
    "label_left_out": "Some rows of a material name a lot or a direction and others leave it "
    "blank: a label written once for a block must be written in each row.",
    "spread_not_given": "A summary gives no spread (sd or cv) or no count n: its weight leans on a "
    "prior of the scatter.",
    "excluded_strips": "Strips were excluded by the laboratory, with a reason.",
    "jaw_breaks": "Strips broke at the jaw and are treated by the study's rule.",
    "repeated_force": "Two strips or means are the same to all digits, which chance hardly "
    "explains: one row may be a copy.",
    "blank_strength": "A strength is blank and the strip is not used. Blanks that gather where "
    "nothing was left are likely strips too weak to test: give them as censored.",
    "last_value_repeated": "The last value of a block is that of the row before: a copy, or a "
    "column that slipped by a row.",
    "constant_multiple": "Numbers are a constant multiple of others, save in a few rows: one was "
    "made from the other, and the rows that differ hold something else.",
    "force_width_strength_disagree": "A strength does not agree with force and width of its row; "
    "the force was used.",
    "peak_unlike_curve": "A peak force of the table is not the peak of the strip's raw curve.",
    "scatter_too_small": "Strips scatter less than their number allows, given their like: values "
    "may be means, smoothed or copied.",
    "blanks_where_little_is_left": "Blank strengths gather where little strength is left: strips "
    "too weak to test are likely, and leaving them out makes the rest look stronger.",
    "not_tested_yet": "Planned strips of the last withdrawals have no result and are taken as not "
    "tested yet.",
    "decimal_slip": "A value fits its group only if its decimal mark is moved.",
    "hidden_rows": "Rows that a spreadsheet hides, by a filter or by hand, are read as data.",
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
    "repeated_reading": "A reading stands twice with the same specimen, place and value: a copy, "
    "or two spots that read alike.",
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
    rows = _placed(rows, description)
    _not_in_data(rows, others, description, findings)
    _declared_alone(rows, others, findings)
    if "readings" in others:
        readings = _placed(others["readings"], description)
        look_at_levels({**readings, "strength": readings["value"]}, description, findings)
    if not rows["used"].size:
        return
    _not_used(rows, look_for_damage(rows, findings), findings)
    look_at_levels(rows, description, findings)
    _few_strips(rows, findings)
    _other_day_or_machine(rows, findings)
    _label_left_out(rows, findings)
    loose = rows["used"] & rows["summary"] & (rows["censored"] == 0)
    loose &= numpy.isnan(rows["sd"]) | (rows["n"] == 0)
    _note(rows, loose, "spread_not_given", "no spread or no count", findings)
    _high(rows, description, findings)


def _placed(rows: Mapping[str, Any], description: Description) -> dict[str, Any]:
    """The rows with ``place``, ``place_unit``, ``start`` (unexposed) and ``lot_code``."""
    place, unit = _places(dict(rows), description)
    return {
        **rows,
        "place": place,
        "place_unit": unit,
        "start": (rows["hours"] == 0) | (rows["dose"] == 0),
        "lot_code": codes(rows["material"], rows["lot"], rows["direction"]),
    }


def _places(rows: dict[str, Any], description: Description) -> tuple[Any, Any]:
    """Where on its axis each row lies, and its unit: the dose where given, else the hours.

    Where some rows of an exposure give doses and others hours, hours count with the dose of the set
    point, so that both lie on one axis.
    """
    import numpy

    by_hours = numpy.isnan(rows["dose"])
    place = numpy.where(by_hours, rows["hours"], rows["dose"])
    units = {n: e.dose_unit for n, e in description.exposures.items() if e is not None}
    unit = numpy.array([units.get(n, "") for n in rows["exposure"].tolist()], dtype=object)
    unit[by_hours] = "h"
    for name, exposure in description.exposures.items():
        mine = rows["exposure"] == name
        both = (mine & by_hours).any() and (mine & (rows["dose"] > 0)).any()
        if both and exposure is not None and exposure.irradiance is not None:
            minutes = sum(s.minutes for s in exposure.cycle)
            lit = sum(s.minutes for s in exposure.cycle if s.light) / minutes if minutes else 1.0
            rate = exposure.irradiance * lit * (0.0036 if "-" in (exposure.band or "") else 3.6)
            at = mine & by_hours
            place[at] = [float(f"{h * rate:.9g}") for h in place[at].tolist()]
            unit[at] = exposure.dose_unit
    return place, unit


def _note(
    rows: dict[str, Any],
    mask: Any,
    name: str,
    what: str,
    findings: Findings,
    *,
    column: str | None = None,
) -> None:
    """One caution a file for the rows of the mask."""
    import numpy

    for file in numpy.unique(rows["file"][mask]).tolist():
        lines = rows["line"][mask & (rows["file"] == file)].tolist()
        text = f"{file}, {listed(lines)}: {what}"
        findings.caution(name, text, file=file, row=lines[0], rows=lines, column=column)


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


def _not_used(rows: dict[str, Any], said: set[int], findings: Findings) -> None:
    """Rows that are not used; of the blank ones in `said` more was said already."""
    import numpy

    blank = rows["reason"] == "blank"
    mentioned = numpy.isin(numpy.arange(blank.size), sorted(said))
    _note(
        rows,
        blank & ~mentioned,
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


def _few_strips(rows: dict[str, Any], findings: Findings) -> None:
    """Groups of fewer strips than say anything, and of fewer than the practice breaks."""
    import numpy

    counted = rows["used"] & (rows["n"] > 0)  # a summary may not say its number
    if not counted.any():
        return
    exposure = numpy.where(rows["start"], "", rows["exposure"])[counted]
    code = codes(rows["lot_code"][counted], exposure, rows["place"][counted])
    first = numpy.unique(code, return_index=True)[1]
    count = numpy.bincount(code, rows["n"][counted])
    asked = _practice()
    for name, most, words in (
        ("few_strips", _FEW, f"fewer than {_FEW} strips"),
        ("fewer_than_practice", asked, f"fewer than the {asked} strips that the practice breaks"),
    ):
        small = count < most
        if name == "fewer_than_practice":
            small &= count >= _FEW
        if small.any():
            i = int(counted.nonzero()[0][first[small].min()])
            findings.caution(
                name,
                f"{int(small.sum())} of {count.size} groups have {words}; the first is "
                f"{lot_words(rows, i)} at {place_words(rows, i)}",
                file=str(rows["file"][i]),
                row=int(rows["line"][i]),
            )


def _practice() -> int:
    """Strips of a direction that the practice breaks at each withdrawal."""
    import tomllib

    with open(catalogue.models_folder() / "practice.toml", "rb") as stream:
        return int(tomllib.load(stream)["strips_a_group"]["value"])


def _other_day_or_machine(rows: dict[str, Any], findings: Findings) -> None:
    """Lots whose unexposed strips share no day, or no machine, with their exposed ones."""
    import numpy

    strips = rows["used"] & ~rows["summary"]
    lot = rows["lot_code"]
    for column, name, words in (
        ("tested_on", "unexposed_on_another_day", "day"),
        ("machine", "unexposed_on_another_machine", "machine"),
    ):
        known = strips & (rows[column] != "")
        apart: list[int] = []
        for code in numpy.unique(lot[known]).tolist():
            mine = known & (lot == code)
            before = set(rows[column][mine & rows["start"]].tolist())
            after = set(rows[column][mine & ~rows["start"]].tolist())
            if before and after and not before & after:
                apart.append(int((mine & rows["start"]).nonzero()[0][0]))
        if apart:
            i = apart[0]
            findings.caution(
                name,
                f"the unexposed strips of {_counted(apart, rows)} were tested on no {words} on "
                f"which their exposed strips were ({words} {rows[column][i]}): a shift of the "
                f"{'laboratory' if words == 'day' else 'machine'} looks like a loss",
                file=str(rows["file"][i]),
                row=int(rows["line"][i]),
            )


def _counted(places: list[int], rows: dict[str, Any]) -> str:
    first = lot_words(rows, places[0])
    return first if len(places) == 1 else f"{first} and {len(places) - 1} more"


def _label_left_out(rows: dict[str, Any], findings: Findings) -> None:
    """Materials of which some rows name a lot or direction and others leave it blank."""
    import numpy

    for column in ("lot", "direction"):
        for name in numpy.unique(rows["material"]).tolist():
            mine = rows["material"] == name
            blank = mine & (rows[column] == "")
            if blank.any() and (mine & ~blank).any():
                _note(
                    rows,
                    blank,
                    "label_left_out",
                    f"material {name} has no {column} here and one in other rows; blank counts as "
                    f"a {column} of its own",
                    findings,
                    column=column,
                )


def _high(rows: dict[str, Any], description: Description, findings: Findings) -> None:
    """Summaries above 125 % of the unexposed strength of their lot."""
    look = rows["used"] & rows["summary"] & (rows["censored"] == 0)
    rises = description.study is not None and description.study.changes == "rises"
    if not look.any() or rises:
        return
    high = look & (share_left(rows, description) > _HIGH)
    if not in_percent(description):
        high &= ~rows["start"]
    _note(rows, high, "above_125_percent", "more than 125 % of the unexposed strength", findings)
