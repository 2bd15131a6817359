"""How long may what lie open where? The questions that the page answers, with blanks to change.

A question is a sentence with blanks. For every choice of them the answer is a statement that was
computed beforehand (`durability.decisions.assured`); it stands in a table of the page, and the
page's script only looks it up. Nothing is computed here.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from durability.report.headline import badness, thresholds, worst
from durability.report.sentences import Quote, Wording, strength_at, times_tested
from durability.report.tables import Table, percent, table
from durability.statement import MONTHS, Statement, Statements

if TYPE_CHECKING:
    from durability.report.results import Results

ANY = "whichever month"
NOT_SAID = "The study does not answer this."
NOTES = {
    "lower_bound_only": "the strips do not reach the threshold, so this leans on law and prior",
    "beyond_horizon": "the threshold is not reached in the years looked at",
    "cover_at_once": "0 days: cover it on the day of laying",
    "before_first_dose": "the threshold lies before the first dose tested",
    "one_dose_level": "one dose level only, so the shape of the law is its prior",
    "one_lot": "one lot only, so the spread between lots is its prior",
    "no_unexposed_strips": "no unexposed strips were tested",
}
"""What is said beside an answer whose statement bears one of these flags."""


@dataclass(frozen=True, slots=True)
class Choice(Quote):
    """A number that answers one choice of the blanks.

    Parameters
    ----------
    keys : the choices that it answers, each the name of the question and the number of each option.
    hint : what to know of it, in words.
    unit : of the number where it is not days.
    """

    keys: tuple[str, ...] = ()
    hint: str = ""
    unit: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Blank:
    """A blank of a question.

    Parameters
    ----------
    name : what is chosen.
    options : (as it reads in the question, as it reads in the answer).
    chosen : number of the option shown first.
    """

    name: str
    options: tuple[tuple[str, str], ...]
    chosen: int = 0

    def __str__(self) -> str:
        return self.options[self.chosen][0]


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """A question with its blanks, and the tables in which its answers stand.

    Parameters
    ----------
    name : short, unique in a page.
    parts : words and blanks of the question.
    answer : of the answer, ``{0}`` the words of the first blank, ``{n}`` the number with its unit.
    tables : of every answer.
    first : the answer to the options shown first, or None.
    """

    name: str
    parts: tuple[str | Blank, ...]
    answer: str
    tables: tuple[Table, ...]
    first: Choice | None

    @property
    def blanks(self) -> tuple[Blank, ...]:
        """The blanks in order."""
        return tuple(p for p in self.parts if isinstance(p, Blank))

    def said(self) -> tuple[str, str]:
        """The answer to the options shown first: the words before its number, and after it."""
        if self.first is None:
            return NOT_SAID, ""
        words = [blank.options[blank.chosen][1] for blank in self.blanks]
        before, after = self.answer.split("{n}")
        return before.format(*words), after.format(*words)


def unit_of(choice: Choice) -> str:
    """Of the number of an answer: its own, or days."""
    return choice.unit or ("day" if choice.text == "1" else "days")


def questions(results: Results) -> list[Question]:
    """The questions that a page answers: days at each site, then doses.

    Parameters
    ----------
    results : of a run; none where its fit may not be quoted.
    """
    if not results.assured:
        return []
    found = [_days(results), _doses(results)]
    return [q for q in found if q is not None]


def _days(results: Results) -> Question | None:
    said = results.assured.where(quantity="days_to_cover")
    if not said:
        return None
    w = Wording.of(results)
    blanks = _common(results, said, w)
    sites = list(dict.fromkeys(s.site or "" for s in said))
    months = sorted({s.month for s in said if s.month is not None})
    dated = results.study.question.laying
    dated = "" if dated == "every month" else dated
    names = [MONTHS[m - 1] for m in months]
    laid = [(n, f"laid in {n}") for n in names]
    if dated:
        laid = [(dated, f"laid on {dated}")]
    elif len(months) > 1:
        laid.append((ANY, "whichever the month of laying"))
    blanks["site"] = Blank(name="site", options=tuple((w.site(s), w.site(s)) for s in sites))
    keyed = {
        (s.material, s.of, s.site, s.fraction, s.level, s.month): s
        for s in said
    }  # fmt: skip
    tables, cells = [], {}
    for k, site in enumerate(sites):
        rows = []
        for (i, m), (j, of), (p, q), (a, level) in _product(results, said):
            here = [keyed.get((m, of, site, q, level, n)) for n in months]
            least = worst(s for s in here if s is not None)
            row = []
            for n, s in enumerate(here):
                keys = [f"days{i}.{j}.{k}.{n}.{p}.{a}"]
                if s is least and not dated:
                    keys.append(f"days{i}.{j}.{k}.{len(months)}.{p}.{a}")
                row.append("" if s is None else _choice(s, keys))
                cells.update({key: row[-1] for key in keys if s is not None})
            if any(row):
                rows.append((m or "", _who(s0, w) if (s0 := least) else "", _left(q), _sure(level),
                             *row))  # fmt: skip
        tables.append(
            table(
                f"{w.site(site)}. Days to cover [d] for each assurance, by month of laying, in the"
                " worse direction.",
                ("material", "of", "left", "assurance", *(n[:3] for n in names)),
                rows, labels=4,
            )
        )  # fmt: skip
    first = [b.chosen for b in (blanks["material"], blanks["of"], blanks["site"])]
    p, a = blanks["left"].chosen, blanks["assurance"].chosen
    lows = [
        (badness(c.statement), n)
        for n in range(len(months))
        if (c := cells.get("days" + ".".join(str(x) for x in (*first, n, p, a)))) is not None
    ]
    month = Blank(name="time of laying", options=tuple(laid), chosen=min(lows)[1] if lows else 0)
    key = "days" + ".".join(str(x) for x in (*first, month.chosen, p, a))
    return Question(
        name="days",
        parts=("How long may ", blanks["material"], ", ", blanks["of"], ", lie open at ",
               blanks["site"], ", laid on " if dated else ", laid in ", month, ", until ",
               blanks["left"], _until(results), ", with ", blanks["assurance"], " assurance?"),
        answer="At {2}, {3}, {1} of {0} must be covered within {n}: so long"
        f"{' {4} is not reached' if _rises(results) else ' at least {4} is left'},"
        " with {5} assurance.",
        tables=tuple(tables),
        first=cells.get(key),
    )  # fmt: skip


def _doses(results: Results) -> Question | None:
    said = results.assured.where(quantity="threshold_dose")
    if not said:
        return None
    w = Wording.of(results)
    blanks = _common(results, said, w)
    exposures = list(dict.fromkeys(s.exposure or "" for s in said))
    blanks["exposure"] = Blank(name="exposure", options=tuple((x, x) for x in exposures))
    keyed = {(s.material, s.of, s.exposure, s.fraction, s.level): s for s in said}
    levels = _levels(said)
    rows, cells = [], {}
    for k, x in enumerate(exposures):
        for (i, m), (j, of), (p, q) in _subjects(results, said):
            here = [keyed.get((m, of, x, q, level)) for level in levels]
            row = []
            for a, s in enumerate(here):
                key = f"dose{i}.{j}.{k}.{p}.{a}"
                row.append("" if s is None else _choice(s, [key], s.unit))
                if s is not None:
                    cells[key] = row[-1]
            known = next((s for s in here if s is not None), None)
            if known is not None:
                rows.append((m or "", x, _who(known, w), _left(q), known.unit, *row))
    order = ("material", "of", "exposure", "left", "assurance")
    key = "dose" + ".".join(str(blanks[n].chosen) for n in order)
    return Question(
        name="dose",
        parts=("What dose may ", blanks["material"], ", ", blanks["of"], ", take under ",
               blanks["exposure"], " until ", blanks["left"], _until(results), ", with ",
               blanks["assurance"], " assurance?"),
        answer=f"At least {{n}}: so much {{1}} of {{0}} takes under {{2}} until {{3}}"
        f"{_until(results)}, with {{4}} assurance.",
        tables=(
            table(
                "Dose that may be taken for each assurance, in the worse direction.",
                ("material", "exposure", "of", "left", "unit", *(_sure(a) for a in levels)),
                rows, labels=5,
            ),
        ),
        first=cells.get(key),
    )  # fmt: skip


def _choice(s: Statement, keys: Iterable[str], unit: str = "") -> Choice:
    direction = f"{s.direction} direction" if s.direction else ""
    beyond = ""
    if s.extrapolated and s.extrapolation_factor is not None:
        bound = "lower_bound_only" in s.flags
        what = "the bound of the threshold dose is" if bound else "the median threshold dose is"
        if s.quantity == "threshold_dose":
            what = "this is"
        beyond = f"{what} {times_tested(s.extrapolation_factor)}"
    notes = [NOTES[f] for f in s.flags if f in NOTES]
    hint = "; ".join(x for x in (s.interval(), direction, beyond, *notes) if x)
    return Choice(s.numbers()["low"], s, tuple(keys), hint, unit)


def _common(results: Results, said: Statements, w: Wording) -> dict[str, Blank]:
    """The blanks that both questions have, set to what the study asks."""
    question = results.study.question
    fractions, levels = _fractions(results, said), _levels(said)
    subjects = list(dict.fromkeys(s.of for s in said))
    materials = [m for m in results.fit.materials if len(said.where(material=m))]
    who = {s.of: _who(s, w) for s in said}
    required = f"the required strength of {w.required}"
    left = [(_left(q), required if q is None else strength_at(q)) for q in fractions]
    return {
        "material": Blank(name="material", options=tuple((m, m) for m in materials)),
        "of": Blank(
            name="of what",
            options=tuple((who[of], who[of]) for of in subjects),
            chosen=subjects.index(question.of) if question.of in subjects else 0,
        ),
        "left": Blank(name="strength left", options=tuple(left)),
        "assurance": Blank(
            name="assurance",
            options=tuple((_sure(a), _sure(a)) for a in levels),
            chosen=levels.index(question.assurance) if question.assurance in levels else 0,
        ),
    }


def _subjects(results: Results, said: Statements) -> Iterable[tuple]:
    from itertools import product

    materials = [m for m in results.fit.materials if len(said.where(material=m))]
    subjects = list(dict.fromkeys(s.of for s in said))
    fractions = _fractions(results, said)
    return product(enumerate(materials), enumerate(subjects), enumerate(fractions))


def _product(results: Results, said: Statements) -> Iterable[tuple]:
    for subject in _subjects(results, said):
        for level in enumerate(_levels(said)):
            yield (*subject, level)


def _fractions(results: Results, said: Statements) -> list[float | None]:
    known = {s.fraction for s in said}
    return [q for q in thresholds(results) if q in known]


def _levels(said: Statements) -> list[float]:
    return sorted({s.level for s in said})


def _who(s: Statement, w: Wording) -> str:
    words = {"mean": "the median lot", "new_lot": "a new lot"}
    share = "" if s.share is None else f"{100 * s.share:g} % of "
    return words.get(s.of or "", f"{share}single strips of a new lot")


def _left(fraction: float | None) -> str:
    return "the required strength" if fraction is None else percent(fraction)


def _sure(level: float) -> str:
    return f"{100 * level:g}\N{NO-BREAK SPACE}%"


def _rises(results: Results) -> bool:
    return results.study.changes == "rises"


def _until(results: Results) -> str:
    return " is reached" if _rises(results) else " is left"


__all__ = ["Blank", "Choice", "Question", "questions", "unit_of"]
