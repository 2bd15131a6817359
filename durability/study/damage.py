"""Which rows look damaged? Runs the screens over a study's strips and says what to look at.

Nothing is changed or left out: each caution names rows and asks.
"""

from __future__ import annotations

from typing import Any

from durability.study import copies, screening
from durability.study.findings import Findings, listed
from durability.study.labels import codes, lot_words, place_words
from durability.study.screening import Suspicion

_NEEDED = (
    "material", "lot", "direction", "exposure", "file", "line", "column", "measured", "strength",
    "elongation", "place", "start", "lot_code",
)  # fmt: skip


def look_for_damage(rows: dict[str, Any], findings: Findings) -> set[int]:
    """Note every suspicion about strips and summaries.

    Parameters
    ----------
    rows : arrays as in `Study.rows` with those of `durability.study.rows.LOOKED_AT`, ``place``
        (hours or dose), ``start`` (unexposed) and ``lot_code`` (a whole number for each material,
        lot and direction).

    Returns
    -------
    Positions of blank strips about which more was said than that they are blank.
    """
    strips = rows["used"] & ~rows["summary"] & (rows["censored"] == 0) & (rows["measured"] != "")
    taken = _taken(rows, strips)
    measured_as = codes(taken["file"], taken["column"])
    for code in range(int(measured_as.max(initial=-1)) + 1):
        mine = measured_as == code
        _strips(taken if mine.all() else {k: v[mine] for k, v in taken.items()}, findings)
    _scatter(rows, taken, strips, measured_as, findings)
    _means(rows, findings)
    return _blanks(rows, findings)


def _taken(rows: dict[str, Any], mask: Any) -> dict[str, Any]:
    """The rows of the mask, with the measured value as a number and labels as whole numbers."""
    import numpy

    taken = {name: rows[name][mask] for name in _NEEDED}
    texts = taken["measured"]  # replace() of NumPy 2 takes no array of length 0
    taken["text"] = numpy.strings.replace(texts, ",", ".") if texts.size else texts
    try:
        taken["value"] = taken["text"].astype(float)
    except ValueError:  # a percent sign may follow
        taken["value"] = numpy.array([_number(t) for t in taken["text"].tolist()], dtype=float)
    taken["series"] = codes(taken["lot_code"], taken["exposure"])
    exposure = numpy.where(taken["start"], 0, taken["series"] + 1)
    taken["group"] = codes(taken["lot_code"], exposure, taken["place"])
    return taken


def _number(text: str) -> float:
    try:
        return float(text.removesuffix("%"))
    except ValueError:
        return float("nan")


def _exposed_to(rows: dict[str, Any]) -> Any:
    """The exposure, blank where unexposed: unexposed strips of a lot are one group."""
    import numpy

    return numpy.where(rows["start"], "", rows["exposure"])


def _strips(rows: dict[str, Any], findings: Findings) -> None:
    """Screens of one column of measured values."""
    import numpy

    value, texts = rows["value"], rows["text"].tolist()
    if value.size < 3 or not numpy.isfinite(value).all():
        return
    scatter = usual_scatter(value, rows["group"])
    slipped: set[int] = set()
    for s in copies.last_repeated(value, texts, rows["lot_code"], scatter):
        slipped |= set(s.rows)
        _say(
            rows, s, "last_value_repeated", findings,
            f"the last value of {lot_words(rows, s.rows[1])}, {rows['measured'][s.rows[1]]}, is "
            "that of the row before: a copy, or a column that slipped by a row, so that the "
            "strips above it stand at the wrong exposure",
        )  # fmt: skip
    also = rows["elongation"] if numpy.isfinite(rows["elongation"]).all() else None
    for s in copies.equal_values(value, texts, also=also):
        if not slipped.issuperset(s.rows):
            _say(
                rows, s, "repeated_force", findings,
                f"the same value {rows['measured'][s.rows[0]]} to all digits; one may be a copy",
                row=int(rows["line"][s.rows[-1]]),
            )  # fmt: skip
    if also is not None:
        columns = {"measured": (value, texts), "elongation": (also, [f"{e:.12g}" for e in also])}
        for _, _, s in copies.proportional_columns(columns):
            _say(
                rows, s, "constant_multiple", findings,
                f"every other strip has {s.amount:.4g} times as much in {rows['column'][0]} as in "
                "elongation: one column was made from the other, and here it holds something else",
            )  # fmt: skip
    for one, other, s in copies.proportional_series(value, texts, rows["series"], rows["place"]):
        first = int(numpy.flatnonzero(rows["series"] == one)[0])
        second = numpy.flatnonzero(rows["series"] == other)
        _say(
            rows, s, "constant_multiple", findings,
            f"{len(s.rows)} of the {second.size} strips of {lot_words(rows, int(second[0]))} are "
            f"{s.amount:.4g} times those of {lot_words(rows, first)}, in order: one series was "
            "made from the other",
        )  # fmt: skip
    if (value > 0).all():
        for s in screening.decimal_slips(value, rows["group"], scatter):
            _say(
                rows, s, "decimal_slip", findings,
                f"{rows['measured'][s.rows[0]]} fits its group only if multiplied by "
                f"{s.amount:g}: look whether the decimal mark or the unit slipped",
            )  # fmt: skip


def _means(rows: dict[str, Any], findings: Findings) -> None:
    """Means of a table of summaries that are equal to all digits."""
    import numpy

    means = _taken(
        rows, rows["used"] & rows["summary"] & (rows["censored"] == 0) & (rows["measured"] != "")
    )
    value, texts = means["value"], means["text"].tolist()
    if value.size < 3 or not numpy.isfinite(value).all():
        return
    for s in copies.equal_values(value, texts):
        _say(
            means, s, "repeated_force", findings,
            f"the same mean {means['measured'][s.rows[0]]} to all digits; one may be a copy",
            row=int(means["line"][s.rows[-1]]),
        )  # fmt: skip


def usual_scatter(value: Any, group: Any) -> float:
    """Relative standard deviation of the median group of strips, 0 where none has two."""
    import numpy

    group = codes(group)
    count = numpy.bincount(group)
    mean = numpy.bincount(group, value) / count
    square = numpy.bincount(group, (value - mean[group]) ** 2)
    use = (count > 1) & (mean > 0)
    if not use.any():
        return 0.0
    return float(numpy.median(numpy.sqrt(square[use] / (count[use] - 1)) / mean[use]))


def _say(
    rows: dict[str, Any],
    s: Suspicion,
    name: str,
    findings: Findings,
    what: str,
    *,
    row: int | None = None,
) -> None:
    lines = [int(rows["line"][i]) for i in s.rows]
    file = str(rows["file"][s.rows[0]])
    findings.caution(
        name,
        f"{file}, {listed(lines)}: {what}",
        file=file,
        row=row or lines[0],
        rows=lines,
        column=str(rows["column"][s.rows[0]]) or None,
    )


def _scatter(
    rows: dict[str, Any],
    taken: dict[str, Any],
    strips: Any,
    measured_as: Any,
    findings: Findings,
) -> None:
    """Groups that scatter too little, and a study that does."""
    import numpy

    group = taken["group"]
    limits = rows["used"] & ~rows["summary"] & (rows["censored"] != 0)
    n = numpy.bincount(group)
    first = numpy.unique(group, return_index=True)[1]
    mean = numpy.bincount(group, taken["strength"]) / numpy.maximum(n, 1)
    square = numpy.bincount(group, (taken["strength"] - mean[group]) ** 2)
    sd = numpy.sqrt(square / numpy.maximum(n - 1, 1))
    step = numpy.zeros(n.size)
    for code in range(int(measured_as.max(initial=-1)) + 1):
        mine = measured_as == code
        value = taken["value"][mine]
        if not numpy.isfinite(value).all():
            continue
        unit = copies.common_step(value, taken["text"][mine].tolist())
        with numpy.errstate(divide="ignore", invalid="ignore"):
            wide = numpy.nan_to_num(unit * numpy.abs(taken["strength"][mine] / value))
        numpy.maximum.at(step, group[mine], wide)
    strip_rows = numpy.flatnonzero(strips)[first]
    published = numpy.flatnonzero(
        rows["used"] & rows["summary"] & (rows["censored"] == 0) & (rows["n"] > 2)
        & numpy.isfinite(rows["sd"])
    )  # fmt: skip
    where = numpy.concatenate([strip_rows, published])
    if not where.size:
        return
    sd = numpy.concatenate([sd, rows["sd"][published]])
    mean = numpy.concatenate([mean, rows["strength"][published]])
    n = numpy.concatenate([n, rows["n"][published]])
    step = numpy.concatenate([step, numpy.zeros(published.size)])
    n = numpy.where(numpy.isin(_key(rows, where), _key(rows, numpy.flatnonzero(limits))), 0, n)
    for s in screening.small_scatter(mean, sd, n, rows["material"][where], step):
        i = int(where[s.rows[0]])
        findings.caution(
            "scatter_too_small",
            f"{rows['file'][i]}, from row {rows['line'][i]}: {int(n[s.rows[0]])} strips of "
            f"{lot_words(rows, i)} at {place_words(rows, i)} scatter {s.amount:.2g} times as much "
            f"as their like (chance {s.chance:.1g}): look whether each was broken",
            file=str(rows["file"][i]),
            row=int(rows["line"][i]),
            column=str(rows["column"][i]) or None,
        )
    df = n - 1
    use = (df > 0) & (mean > 0)
    total = df[use].sum()
    if total < 10:
        return
    pooled = float(numpy.sqrt((df[use] * (sd[use] / mean[use]) ** 2).sum() / total))
    if pooled < screening.SMALLEST_SCATTER:
        findings.caution(
            "scatter_too_small",
            f"all strips of a group lie within {100 * pooled:.2g} % of each other (standard "
            "deviation): less than strips of fabric or film show. Are these means, or smoothed?",
            file=str(rows["file"][where[0]]),
        )


def _key(rows: dict[str, Any], where: Any) -> Any:
    """A label for the group of each of the rows."""
    names = ("material", "lot", "direction", "place")
    parts = [rows[name][where].astype(str).tolist() for name in names]
    exposed = _exposed_to(rows)[where].tolist()
    return ["\x1f".join(p) for p in zip(*parts, exposed, strict=True)]


def _blanks(rows: dict[str, Any], findings: Findings) -> set[int]:
    """Blank strips that wait for their withdrawal, or that gather where little was left."""
    import numpy

    look = ~rows["summary"] & (rows["used"] | (rows["reason"] == "blank"))
    said = _not_tested_yet(rows, look, findings)
    look[sorted(said)] = False
    for name in dict.fromkeys(rows["exposure"][look & (rows["reason"] == "blank")].tolist()):
        mine = numpy.flatnonzero(look & ((rows["exposure"] == name) | rows["start"]))
        blank = rows["reason"][mine] == "blank"
        place, strength = rows["place"][mine], rows["strength"][mine]
        found = screening.gathered_blanks(place, blank, strength, rows["material"][mine])
        if not found:  # too few in one material may be enough in all
            found = screening.gathered_blanks(place, blank, strength, numpy.zeros(mine.size))
        for s in found:
            at = [int(mine[i]) for i in s.rows]
            said |= set(at)
            for file in dict.fromkeys(rows["file"][at].tolist()):
                lines = [int(rows["line"][i]) for i in at if rows["file"][i] == file]
                findings.caution(
                    "blanks_where_little_is_left",
                    f"{file}, {listed(lines)}: blank, and {len(at)} of the {int(blank.sum())} "
                    f"blanks of exposure {name} stand at {_words_at(rows, at, s.amount)} or "
                    "beyond, where little is left. Were these strips too weak to test? Then write "
                    'the smallest measurable force and "below" in the column censored; if they '
                    "were lost, say so in the column excluded",
                    file=file,
                    row=lines[0],
                    rows=lines,
                    column=str(rows["column"][at[0]]) or None,
                )
    return said


def _words_at(rows: dict[str, Any], at: list[int], place: float) -> str:
    return place_words(rows, next(i for i in at if rows["place"][i] == place))


def _not_tested_yet(rows: dict[str, Any], look: Any, findings: Findings) -> set[int]:
    """Strips of the last withdrawals that have no result, one caution an exposure."""
    import numpy

    said: set[int] = set()
    for name in dict.fromkeys(rows["exposure"][look & (rows["reason"] == "blank")].tolist()):
        mine = numpy.flatnonzero(look & ((rows["exposure"] == name) | rows["start"]))
        blank = rows["reason"][mine] == "blank"
        touched = (
            ~blank | (rows["tested_on"][mine] != "") | numpy.isfinite(rows["elongation"][mine])
        )
        waiting = screening.waiting_strips(
            rows["place"][mine], touched, rows["strength"][mine], codes(rows["lot_code"][mine])
        )
        if not waiting:
            continue
        at = [int(mine[i]) for i in waiting]
        said |= set(at)
        levels = {float(rows["place"][i]): place_words(rows, i) for i in at}
        lines = [int(rows["line"][i]) for i in at]
        findings.caution(
            "not_tested_yet",
            f"exposure {name}: no strip of {', '.join(levels[p] for p in sorted(levels))} has a "
            f"result ({len(at)} strips): taken as not tested yet. If they were too weak to test, "
            'write the smallest measurable force and "below" in the column censored',
            file=str(rows["file"][at[0]]),
            row=lines[0],
            rows=lines,
            column=str(rows["column"][at[0]]) or None,
        )
    return said
