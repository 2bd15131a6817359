"""Which numbers stand in tables? Those of groups and statements, for the page and for Word alike.

Everything is picked from statements and the table of groups; nothing is computed. A cell that
quotes a statement knows which.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from durability.decisions.cover import not_reached
from durability.report.headline import (
    head_bound_or_dose,
    head_days,
    thresholds,
)
from durability.report.sentences import Quote, join, short
from durability.statement import MONTHS, SUBJECTS, Statement, Statements

if TYPE_CHECKING:
    from durability.report.results import Results

Cell = str | Quote


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table of a report.

    Parameters
    ----------
    caption : one sentence.
    head : column titles; the first `labels` columns are row headers.
    rows : cells; a `Quote` is a number quoted from a statement.
    labels : number of leading columns that name the row.
    """

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    labels: int = 1


def table(
    caption: str, head: Sequence[str], rows: Iterable[Sequence[Cell]], labels: int = 1
) -> Table:
    """A table without the columns that are empty in every row."""
    body = [tuple(r) for r in rows]
    keep = [j for j in range(len(head)) if any(str(r[j]) for r in body)]
    return Table(
        caption=caption,
        head=tuple(head[j] for j in keep),
        rows=tuple(tuple(r[j] for j in keep) for r in body),
        labels=max(1, sum(j < labels for j in keep)),
    )


def quote(s: Statement | None) -> Cell:
    """The short form of a statement as a table cell."""
    return "" if s is None else Quote(short(s), s)


def percent(fraction: float | None) -> str:
    """A retained fraction in percent, unbroken over lines; None is the required strength."""
    return "required" if fraction is None else f"{100 * fraction:g}\N{NO-BREAK SPACE}%"


def _number(x: float | None, digits: int = 4, *, zeros: bool = False) -> str:
    """A number of the data with so many digits, whole where it is larger; zeros kept or not."""
    if x is None:
        return ""
    if x == 0 or abs(x) >= 10 ** (digits - 1):
        return f"{x:.0f}"
    text = f"{x:#.{digits}g}" if zeros else f"{x:.{digits}g}"
    return f"{x:g}" if "e" in text else text.rstrip(".")


def answer_table(results: Results) -> Table:
    """Threshold dose and days to cover of each material, in the worse direction."""
    of = results.study.question.of
    several = len(results.study.exposures) > 1
    days = {q: head_days(results, q) for q in thresholds(results)}
    titles = [t.title for t in results.translations]
    head = ["material", "strength left", "exposure", "threshold dose"]
    for title in titles:
        head += [f"{title}: worst month", f"{title}: best month"]
    rows: list[list[Cell]] = []
    for q in thresholds(results):
        for s in head_bound_or_dose(results, q):
            left = percent(q)
            row: list[Cell] = [s.material or "", left, s.exposure or "", Quote(s.figures(), s)]
            for t in results.translations:
                pair = next(
                    (p for p in days[q] if (p[0].site, p[0].material) == (t.site, s.material)
                     and p[0].exposure == s.exposure), None,
                )  # fmt: skip
                row += ["", ""] if pair is None else [_days(x) for x in pair]
            rows.append(row)
    if not several:
        head.pop(2)
        rows = [[c for j, c in enumerate(r) if j != 2] for r in rows]
    level = f"{100 * results.study.question.assurance:g} %"
    more = f" Days to cover are those of which one may be {level} sure." if titles else ""
    return Table(
        caption=f"The answer for {SUBJECTS[of]}, in the worse direction.{more}",
        head=tuple(head),
        rows=tuple(tuple(r) for r in rows),
        labels=2,
    )


def _days(s: Statement) -> Cell:
    month = MONTHS[(s.month or 1) - 1]
    n = s.numbers()
    return Quote(f"{n['low']} d ({month})", s)


def retention_table_of(results: Results, *, lots: bool = True) -> Table:
    """What was measured, one row a group: counts, means, scatter, what is left.

    With ``lots=False`` only the means of lots are shown, where the study has lots.
    """
    from durability.retention import retention_table

    study = results.study
    said = {_group(s): s for s in results.statements if s.law is None}
    fieller = {_group(s): s for s in results.second.fieller} if results.second else {}
    groups = retention_table(study, level=study.question.level)
    if not lots and any(r["lot"] == "all" for r in groups):
        groups = [r for r in groups if r["lot"] == "all"]
    rows = []
    for r in groups:
        key = (
            r["material"], "" if r["lot"] == "all" else r["lot"], r["direction"],
            r["exposure"] if r["dose"] else "", float(r["dose"]),
        )  # fmt: skip
        s, cv = said.get(key), r["cv"]
        start = s is not None and s.quantity == "unexposed_strength"
        rows.append(
            (
                r["material"], r["lot"], r["direction"], r["exposure"], _number(r["dose"]),
                _number(r["hours"]), str(r["n"]) if r["n"] else "",
                str(r["not_used"]) if r["not_used"] else "",
                "" if start else _number(r["mean"], 3, zeros=True),
                "" if cv is None else f"{100 * cv:.0f}", _left(s), _left(fieller.get(key)),
                r["remarks"],
            )
        )  # fmt: skip
    units = join(dict.fromkeys(x.dose_unit for x in study.exposures.values()))
    return table(
        f"What was measured: {study.property}. Strength: its value where unexposed, the fraction"
        f" left after exposure, each with {100 * study.question.level:g}\N{NO-BREAK SPACE}%"
        " confidence limits (of a fraction by the log ratio, and by Fieller where they exist)."
        " Lot “all” is the mean of the lots; its strips are the number of lots.",
        (
            "material", "lot", "direction", "exposure", f"dose [{units}]", "hours", "strips",
            "not used", f"mean [{study.unit}]", "scatter [%]", "strength", "by Fieller", "remarks",
        ),
        rows, labels=4,
    )  # fmt: skip


def _left(s: Statement | None) -> Cell:
    if s is None:
        return ""
    return Quote(short(s) if s.unit == "1" else f"{short(s)} {s.unit}", s)


def _group(s: Statement) -> tuple[str, str, str, str, float]:
    dose = float(s.dose or 0.0)
    exposure = (s.exposure or "") if dose else ""
    return s.material or "", s.lot or "", s.direction or "", exposure, dose


def declared_table(results: Results) -> Table | None:
    """What data sheets say, one row a value; None where the study has none."""
    import numpy as np

    said = results.study.declared
    if said is None or not said.sizes["declaration"]:
        return None
    names = ("material", "lot", "direction", "exposure", "dose", "hours", "retained", "strength",
             "sense", "n")  # fmt: skip
    columns = {name: said[name].values for name in names if name in said}
    rows = []
    for i in range(said.sizes["declaration"]):
        r = {name: values[i] for name, values in columns.items()}
        kept, force = r.get("retained", np.nan), r.get("strength", np.nan)
        value = f"{force:.4g} {results.study.unit}" if np.isfinite(force) else percent(float(kept))
        hours = float(r.get("hours", np.nan))
        rows.append(
            (
                str(r["material"]), str(r.get("lot", "")), str(r.get("direction", "")),
                str(r.get("exposure", "")) if r["dose"] else "", _number(float(r["dose"])),
                _number(hours if np.isfinite(hours) else None), str(r["sense"]), value,
                str(r["n"]) if r.get("n", 0) else "",
            )
        )  # fmt: skip
    units = join(dict.fromkeys(x.dose_unit for x in results.study.exposures.values()))
    return table(
        "What data sheets say: no strip of ours, and no error is given.",
        ("material", "lot", "direction", "exposure", f"dose [{units}]", "hours", "sense", "value",
         "strips behind it"),
        rows, labels=4,
    )  # fmt: skip


def threshold_table(results: Results, *, of: str | None = None) -> Table:
    """Threshold doses and lamp hours of every subject."""
    said = quotable(results).where(quantity="threshold_dose")
    hours = {_subject(s): s for s in quotable(results).where(quantity="threshold_hours")}
    level = f"{100 * results.fit.level:g} %"
    rows = [
        (
            s.material or "", s.direction or "", s.exposure or "",
            percent(s.fraction),
            _of(s), quote(s), s.unit, quote(hours.get(_subject(s))),
            _number(s.extrapolation_factor, 2, zeros=True), flags_in_words(s),
        )
        for s in said if of is None or s.of == of
    ]  # fmt: skip
    return table(
        f"Threshold doses, with {level} limits (credible for the median lot, prediction otherwise);"
        " lamp hours count dark phases. Reach: the dose stated, divided by the largest tested.",
        ("material", "direction", "exposure", "left", "of", "threshold dose", "unit", "lamp hours",
         "reach", "flags"),
        rows, labels=5,
    )  # fmt: skip


def _subject(s: Statement) -> tuple[Any, ...]:
    return s.material, s.direction, s.exposure, s.fraction, s.of, s.share


def _of(s: Statement) -> str:
    words = {"mean": "median lot", "new_lot": "new lot", "single_specimen": "single strips"}
    text = words.get(s.of or "", "")
    return text if s.share is None else f"{text}, {100 * s.share:g} %"


def flags_in_words(s: Statement) -> str:
    """Flags by name, spaces for underscores; explained at the end of the report."""
    return ", ".join(f.replace("_", " ") for f in s.flags)


def quotable(results: Results) -> Statements:
    """Statements that may be quoted: all, or those of the strips alone if the fit failed."""
    if results.fit.diagnostics.ok:
        return results.statements
    return results.statements.where(law=None)


REMARKS = {
    "views_apart": "overlap, but a value lies outside the other's limits",
    "views_disagree": "exclude each other",
}


def second_table(results: Results) -> Table | None:
    """Threshold doses of the median lot by Bayes, by likelihood and from brackets."""
    second = results.second
    if second is None or not second.statements():
        return None
    names = ("material", "direction", "exposure", "fraction")

    def of(said: Statements) -> dict[tuple[object, ...], Statement]:
        return {tuple(getattr(s, n) for n in names): s for s in said if s.lot is None}

    ways = [of(second.bayes), of(second.likelihood), of(second.brackets)]
    apart = {
        tuple(getattr(d.first, n) for n in names): REMARKS[d.flag] for d in second.disagreements
    }
    rows = [
        (
            *(str(k or "") for k in key[:3]), percent(ways[0][key].fraction),
            *(quote(w.get(key)) for w in ways),
            apart.get(key, ""),
        )
        for key in ways[0]
        if key in ways[1] or key in ways[2]
    ]  # fmt: skip
    if not rows:
        return None
    units = {s.unit for s in second.bayes}
    unit = f" [{units.pop()}]" if len(units) == 1 else ""
    return table(
        f"Threshold dose of the median lot{unit}, three ways, with {100 * results.fit.level:g} %"
        " limits: the hierarchical model; maximum likelihood under the same law, lots joined by"
        " restricted likelihood; brackets of the crossing alone, which lean on no law. The first is"
        " quoted.",
        ("material", "direction", "exposure", "left", "hierarchical model (credible)",
         "likelihood (confidence)", "brackets (confidence)", "remark"),
        rows, labels=4,
    )  # fmt: skip


def retained_table(results: Results) -> Table | None:
    """The fraction left at each dose, by its strips alone and by the model."""
    if results.second is None or not results.second.retained:
        return None
    pairs = results.second.retained
    units = [results.study.exposures[alone.exposure or ""].dose_unit for alone, _ in pairs]
    one = len(set(units)) == 1
    rows = [
        (
            alone.material or "", alone.direction or "", alone.exposure or "",
            f"{alone.dose:.4g}" if one else f"{alone.dose:.4g} {unit}",
            quote(alone), quote(model),
        )
        for (alone, model), unit in zip(pairs, units, strict=True)
    ]  # fmt: skip
    return table(
        f"Fraction left of the mean of the lots with {100 * results.fit.level:g} % limits, by the"
        " strips of each dose alone and by the hierarchical model, which looks at all doses through"
        " one law.",
        ("material", "direction", "exposure", f"dose [{units[0]}]" if one else "dose",
         "strips of this dose (confidence)", "hierarchical model (credible)"),
        rows, labels=4,
    )  # fmt: skip


def other_table(results: Results) -> Table | None:
    """Fitted strengths and ratios to the control."""
    said = [
        s for s in quotable(results)
        if s.law is not None
        and s.quantity in ("unexposed_strength", "retained_strength", "ratio_of_threshold_doses")
    ]  # fmt: skip
    if not said:
        return None
    rows = [
        (
            s.quantity.replace("_", " "), s.material or "", s.direction or "", s.exposure or "",
            percent(s.fraction),
            _number(s.dose), _of(s), Quote(s.figures(), s), flags_in_words(s),
        )
        for s in said
    ]  # fmt: skip
    control = results.study.question.control
    against = f"; the control is {control}" if control else ""
    return table(
        f"Fitted strengths, and ratios of threshold doses to the control{against}.",
        ("quantity", "material", "direction", "exposure", "left", "at dose", "of", "statement",
         "flags"),
        rows, labels=7,
    )  # fmt: skip


DAYS = {
    "days_to_cover": "Days to cover [d]: whole days of which one may be {a} sure",
    "outdoor_days": "Days outdoors [d]: median, with {l} limits",
}


def days_tables(
    results: Results, *, of: str | None = None, quantities: Sequence[str] = tuple(DAYS)
) -> list[Table]:
    """Days to cover and days outdoors by month of laying, a table each at each site."""
    found = []
    for t in results.translations:
        for quantity in quantities:
            words = DAYS[quantity]
            said = quotable(results).where(quantity=quantity, site=t.site)
            subjects = {_subject(s): s for s in said if of is None or s.of == of}
            months = {(_subject(s), s.month): s for s in said}
            q = results.study.question
            caption = words.format(a=f"{100 * q.assurance:g} %", l=f"{100 * q.level:g} %")
            shown = sorted({s.month for s in said if s.month})
            names = [MONTHS[m - 1][:3] for m in shown]
            rows = []
            for key, s in subjects.items():
                cells = [_month_cell(months.get((key, m))) for m in shown]
                left = percent(s.fraction)
                rows.append((s.material or "", s.direction or "", _of(s), left, *cells))
            if rows:
                found.append(
                    table(
                        f"{t.title}. {caption}, by month of laying.",
                        ("material", "direction", "of", "left", *names),
                        rows, labels=4,
                    )
                )  # fmt: skip
    return found


def _month_cell(s: Statement | None) -> Cell:
    if s is None:
        return ""
    if s.quantity == "days_to_cover":
        return Quote(("≥ " if not_reached(s) else "") + s.numbers()["low"], s)
    return quote(s)
