"""Do the withdrawals bracket what is asked? Starts, levels, half loss and thresholds."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from durability.study.findings import Findings
from durability.study.labels import codes, lot_words, place_words

if TYPE_CHECKING:
    from durability.study.toml import Description

HALF = 0.5


def look_at_levels(rows: dict[str, Any], description: Description, findings: Findings) -> None:
    """Note what the choice of levels leaves open.

    Parameters
    ----------
    rows : arrays as in `Study.rows`, with ``place`` (hours or dose), ``start`` (unexposed) and
        ``lot_code`` (a whole number for each material, lot and direction). Of readings likewise,
        with ``value`` as ``strength`` too.
    """
    exposed = rows["used"] & ~rows["start"] & ~_beside_the_light(rows, description)
    _starts(rows, description, findings)
    _one_level(rows, exposed, findings)
    _brackets(rows, exposed, description, findings)


def in_percent(description: Description) -> bool:
    """Whether strengths are percent of the unexposed strength."""
    return description.unit is not None and description.unit.symbol == "%"


def share_left(rows: dict[str, Any], description: Description) -> Any:
    """Each row's strength as a share of the mean of its lot's unexposed rows; nan without those."""
    import numpy

    if in_percent(description):
        return rows["strength"] / 100.0
    lot = rows["lot_code"]
    start = rows["used"] & rows["start"] & numpy.isfinite(rows["strength"])
    total = numpy.bincount(lot[start], rows["strength"][start], minlength=lot.max() + 1)
    number = numpy.bincount(lot[start], minlength=lot.max() + 1)
    with numpy.errstate(divide="ignore", invalid="ignore"):
        return rows["strength"] / (total / number)[lot]


def _beside_the_light(rows: dict[str, Any], description: Description) -> Any:
    """Rows of controls in the dark or in heat."""
    import numpy

    controls = [n for n, e in description.exposures.items() if e is not None and e.control]
    return numpy.isin(rows["exposure"], controls)


def _starts(rows: dict[str, Any], description: Description, findings: Findings) -> None:
    """Lots without unexposed strips."""
    import numpy

    used = rows["used"]
    if in_percent(description):
        return
    if not (used & rows["start"]).any():
        what = "readings before exposure" if "value" in rows else "unexposed strips"
        findings.caution("no_unexposed_strips", f"the study has no {what}")
        return
    lot = rows["lot_code"]
    for code in numpy.setdiff1d(lot[used], lot[used & rows["start"]]).tolist():
        i = int((used & (lot == code)).nonzero()[0][0])
        findings.caution(
            "no_unexposed_strips",
            f"{lot_words(rows, i)} has no "
            f"{'readings before exposure' if 'value' in rows else 'unexposed strips'}",
            file=str(rows["file"][i]),
            row=int(rows["line"][i]),
        )


def _one_level(rows: dict[str, Any], exposed: Any, findings: Findings) -> None:
    """Materials withdrawn once from an exposure."""
    import numpy

    series = codes(rows["material"], rows["exposure"])
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


def _brackets(
    rows: dict[str, Any], exposed: Any, description: Description, findings: Findings
) -> None:
    """Series that never come to half, or that leave what is asked outside their levels."""
    import numpy

    study = description.study
    falls = study is None or study.changes == "falls"
    asked = study.thresholds if study is not None else ()
    left = share_left(rows, description)
    series = codes(rows["material"], rows["direction"], rows["exposure"])
    for code in numpy.unique(series[exposed]).tolist():
        mine = exposed & (series == code)
        shares = _by_level(rows, mine & numpy.isfinite(left), left)
        if shares:
            if falls and min(s for _, s in shares) > HALF:
                _say(rows, mine, "no_level_beyond_half", findings,
                     f"the least that is left is {_percent(shares, falls)}, more than half: "
                     "withdraw later, or the answer is a bound or leans on the law")  # fmt: skip
            for q in asked:
                if not (falls and q == HALF and min(s for _, s in shares) > HALF):
                    _outside(rows, mine, shares, q, f"{100 * q:g} %", falls, findings)
        if description.required_strength is not None:
            known = mine & numpy.isfinite(rows["strength"])  # a strength may come from a curve
            values = _by_level(rows, known, rows["strength"])
            unit, wanted = description.unit, description.required_strength
            if values:
                _outside(rows, mine, values, wanted, f"{wanted:g} {unit}", falls, findings)


def _by_level(rows: dict[str, Any], mask: Any, values: Any) -> list[tuple[str, float]]:
    """(place in words, mean) of each level of a series, in order."""
    import numpy

    _, first = numpy.unique(rows["place"][mask], return_index=True)
    at = numpy.flatnonzero(mask)[first]
    return [
        (place_words(rows, i), float(values[mask & (rows["place"] == rows["place"][i])].mean()))
        for i in at.tolist()
    ]


def _percent(shares: list[tuple[str, float]], falls: bool) -> str:
    place, share = (min if falls else max)(shares, key=lambda s: s[1])
    return f"{100 * share:.0f} % (at {place})"


def _outside(
    rows: dict[str, Any],
    mine: Any,
    levels: list[tuple[str, float]],
    asked: float,
    words: str,
    falls: bool,
    findings: Findings,
) -> None:
    """Say where the asked value lies beyond the last level or before the first."""
    sign = 1.0 if falls else -1.0
    reached = [place for place, value in levels if sign * (value - asked) <= 0]
    first = levels[0][0]
    if not reached:
        what = f"{words} is not reached at any level: withdraw later, or a bound is the answer"
    elif reached[0] == first and len(reached) == len(levels):
        what = f"{words} is passed before the first level ({first}): withdraw earlier"
    else:
        return
    _say(rows, mine, "threshold_outside", findings, what)


def _say(rows: dict[str, Any], mine: Any, name: str, findings: Findings, what: str) -> None:
    i = int(mine.nonzero()[0][0])
    direction = f", {rows['direction'][i]} direction" if rows["direction"][i] else ""
    findings.caution(
        name,
        f"material {rows['material'][i]}{direction}, exposure {rows['exposure'][i]}: {what}",
        file=str(rows["file"][i]),
        row=int(rows["line"][i]),
    )
