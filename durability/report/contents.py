"""What does a report hold, in which order? Its tables and lists, for the page and for Word alike.

Everything here is picked from statements, the table of groups, and the files of models/; nothing is
computed. A cell that quotes a statement knows which.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from durability.report.headline import (
    head_bound_or_dose,
    head_days,
    thresholds,
)
from durability.report.sentences import Quote, Wording, join, short, strength_at
from durability.statement import MONTHS, SUBJECTS, Statement, Statements

if TYPE_CHECKING:
    from durability.report.results import Results
    from durability.translation import Translation

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


def _table(
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


def _number(x: float | None, digits: int = 4) -> str:
    if x is None:
        return ""
    text = f"{x:.{digits}g}"
    return f"{x:.0f}" if "e" in text and abs(x) < 1e7 else text


def asked_in_words(results: Results, fraction: float | None) -> str:
    """The threshold in words."""
    w = Wording.of(results)
    return f"the required strength of {w.required}" if fraction is None else strength_at(fraction)


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
            left = "required" if q is None else f"{100 * q:g} %"
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
    """What was measured, one row a group: counts, means, scatter, what is left."""
    from durability.retention import retention_table

    study = results.study
    said = {_group(s): s for s in results.statements if s.law is None}
    rows = []
    for r in retention_table(study, level=study.question.level):
        if not lots and r["lot"] != "all":
            continue
        key = (r["material"], "" if r["lot"] == "all" else r["lot"], r["direction"],
               r["exposure"] if r["dose"] else "", float(r["dose"]))  # fmt: skip
        s = said.get(key)
        cv = r["cv"]
        rows.append((
            r["material"], r["lot"], r["direction"], r["exposure"], _number(r["dose"]),
            _number(r["hours"]), str(r["n"]) if r["n"] else "",
            str(r["not_used"]) if r["not_used"] else "", _number(r["mean"], 3),
            "" if cv is None else f"{100 * cv:.0f}",
            quote(s) if s is not None and s.quantity == "retained_strength" else "",
            quote(s) if s is not None and s.quantity == "unexposed_strength" else "", r["remarks"],
        ))  # fmt: skip
    units = join(dict.fromkeys(x.dose_unit for x in study.exposures.values()))
    level = f"{100 * study.question.level:g} %"
    left = "fraction left" if any(
        s.unit == "1" for s in said.values() if s.quantity == "retained_strength"
    ) else f"strength left [{study.unit}]"  # fmt: skip
    return _table(
        f"What was measured: {study.property}. Of the unexposed strength and of what is left, the"
        f" value with its {level} confidence limits; lot “all” is the mean of the lots, its strips"
        " the number of lots.",
        ("material", "lot", "direction", "exposure", f"dose [{units}]", "hours", "strips",
         "not used", f"mean [{study.unit}]", "scatter [%]", left,
         f"unexposed [{study.unit}]", "remarks"),
        rows, labels=4,
    )  # fmt: skip


def _group(s: Statement) -> tuple[str, str, str, str, float]:
    dose = float(s.dose or 0.0)
    exposure = (s.exposure or "") if dose else ""
    return s.material or "", s.lot or "", s.direction or "", exposure, dose


def threshold_table(results: Results, *, of: str | None = None) -> Table:
    """Threshold doses and lamp hours of every subject."""
    said = quotable(results).where(quantity="threshold_dose")
    hours = {_subject(s): s for s in quotable(results).where(quantity="threshold_hours")}
    level = f"{100 * results.fit.level:g} %"
    rows = [
        (
            s.material or "", s.direction or "", s.exposure or "",
            "required" if s.fraction is None else f"{100 * s.fraction:g} %",
            _of(s), quote(s), s.unit, quote(hours.get(_subject(s))),
            _number(s.extrapolation_factor, 2), flags_in_words(s),
        )
        for s in said if of is None or s.of == of
    ]  # fmt: skip
    return _table(
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
            "" if s.fraction is None else f"{100 * s.fraction:g} %",
            _number(s.dose), _of(s), Quote(s.figures(), s), flags_in_words(s),
        )
        for s in said
    ]  # fmt: skip
    control = results.study.question.control
    against = f"; the control is {control}" if control else ""
    return _table(
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
            rows = []
            for key, s in subjects.items():
                cells = [_month_cell(months.get((key, m))) for m in shown]
                left = "required" if s.fraction is None else f"{100 * s.fraction:g} %"
                rows.append((s.material or "", s.direction or "", _of(s), left, *cells))
            if rows:
                found.append(
                    _table(
                        f"{t.title}. {caption}, by month of laying.",
                        ("material", "direction", "of", "left", *(MONTHS[m - 1][:3] for m in shown)),
                        rows, labels=4,
                    )
                )  # fmt: skip
    return found


def _month_cell(s: Statement | None) -> Cell:
    if s is None:
        return ""
    if s.quantity == "days_to_cover":
        return Quote(s.numbers()["low"], s)
    return quote(s)


def prior_table() -> Table:
    """The priors, as models/priors.toml states them."""
    from durability.inference.model import priors

    rows = []
    for name, p in priors().items():
        spread = "; ".join(
            f"{k.replace('_', ' ')} {v}" for k, v in p.items() if k not in ("reason", "source")
        )
        rows.append((name.replace("_", " "), spread, str(p.get("reason", "")), str(p["source"])))
    return _table("Priors: what is believed before the strips are seen.",
                  ("of", "prior", "why", "source"), rows)  # fmt: skip


def law_rows(results: Results) -> list[tuple[str, str]]:
    """The law with its shape, use, limits and source."""
    law = results.fit.model.law
    rows = [("law", law.title), ("fraction left", law.expression),
            ("dose of a fraction q", law.inverse_expression or "by root finding")]  # fmt: skip
    rows += [
        (f"shape {s.name}",
         f"{s.meaning}; prior median {s.median:g}, sd of log {s.sd_log:g} ({s.reason})")
        for s in law.shapes
    ]  # fmt: skip
    return [*rows, ("use", law.use), ("limits", law.limits), ("source", law.source)]


def sampler_rows(results: Results) -> list[tuple[str, str]]:
    """How the posterior was drawn, and whether it may be quoted."""
    fit, d = results.fit, results.fit.diagnostics
    return [
        ("strips", f"{fit.model.n_strips} that carry information"),
        ("draws", f"{d.draws} kept, in {fit.posterior.sizes['chain']} chains, seed {fit.seed}"),
        ("R-hat, largest", f"{d.rhat:.4f} ({d.rhat_of})"),
        ("effective draws, least",
         f"{d.ess_bulk:.0f} in the bulk ({d.ess_bulk_of}), {d.ess_tail:.0f} in the tails"
         f" ({d.ess_tail_of})"),
        ("divergences", str(d.divergences)),
        ("energy fraction, least", f"{d.energy:.2f}"),
        ("sampled again", "yes, with smaller steps" if d.retried else "no"),
        ("verdict", "may be quoted" if d.ok else "; ".join(d.problems())),
    ]  # fmt: skip


def input_table(results: Results) -> Table | None:
    """The uncertain numbers that translations draw, with their sources."""
    inputs = {(i.name, i.value): i for t in results.translations for i in t.inputs}
    if not inputs:
        return None
    rows = [
        (i.name.replace("_", " "), str(i).replace("+-", "±"), i.why, i.source)
        for i in inputs.values()
    ]
    return _table("Uncertain inputs of the translation: value ± standard deviation.",
                  ("input", "value", "what it does", "source"), rows)  # fmt: skip


def site_rows(t: Translation) -> list[tuple[str, str]]:
    """What a translation says of its site."""
    return [(a, b) for a, b in t.summary_rows() if a not in ("leans on",)]


def budget_sentences(results: Results) -> list[str]:
    """For each site and material, the input that makes the days most uncertain."""
    from durability.translation import BUDGET_INPUTS

    found = []
    for t in results.translations:
        laying = str(t.budget["laying"].values[0])
        largest: dict[str, tuple[str, float]] = {}
        for m, lay, name, share in t.budget_rows():
            if lay == laying and name != "remainder" and m not in largest:
                largest[m] = (name, share)
        for m, (name, share) in largest.items():
            found.append(
                f"At {t.title}, for {m} ({laying}), the largest share of the variance of log days,"
                f" {100 * share:.0f} %, comes from: {BUDGET_INPUTS.get(name, name)}."
            )
    return found


def budget_table(results: Results) -> Table | None:
    """Shares of the variance of log days, one row an input and laying."""
    from durability.report.figures import REST
    from durability.translation import BUDGET_INPUTS

    rows = []
    for t in results.translations:
        shares = {(m, lay, n): s for m, lay, n, s in t.budget_rows()}
        for lay in dict.fromkeys(k[1] for k in shares):
            for n in dict.fromkeys(k[2] for k in shares if k[1] == lay):
                cells = [
                    f"{100 * shares[(m, lay, n)]:.1f}" if (m, lay, n) in shares else ""
                    for m in results.fit.materials
                ]
                rows.append((t.title, lay, BUDGET_INPUTS.get(n, REST), *cells))
    if not rows:
        return None
    return _table("Share of each input in the variance of log days [%].",
                  ("site", "laying", "input", *results.fit.materials), rows, labels=3)  # fmt: skip


def record_rows(results: Results) -> list[tuple[str, str]]:
    """What the run can be repeated and verified by."""
    p = results.provenance
    rows = [("version", f"durability {p['version']}"), ("made", str(p["created"])),
            ("seed", str(p["seed"])), ("law", str(p["law"])), ("errors", str(p["errors"]))]  # fmt: skip
    rows += [(f"sampler, {k}", str(v)) for k, v in p["settings"].items()]
    rows.append(("libraries", ", ".join(f"{k} {v}" for k, v in p["libraries"].items())))
    return rows


def hash_table(results: Results) -> Table:
    """SHA-256 of inputs and model files."""
    p = results.provenance
    rows = [("input", name, h) for name, h in p["inputs"].items()]
    rows += [("models/", name, h) for name, h in p["models"].items()]
    return _table("Files read, with their SHA-256.", ("kind", "file", "SHA-256"), rows, labels=2)


def standing_cautions() -> tuple[str, ...]:
    """The cautions that every report carries."""
    from durability.report.results import CAUTIONS

    return CAUTIONS
