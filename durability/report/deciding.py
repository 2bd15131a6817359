"""How are decisions shown? Their own words, each number marked with the statement it is from."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from durability.report.coming import plans_table, standing, waiting_table
from durability.report.sentences import Quote, Sentence, Wording
from durability.report.tables import Table, quote, table
from durability.statement import SUBJECTS, Statement

if TYPE_CHECKING:
    from durability.decisions import Decision
    from durability.report.results import Results

LABELS = {
    "wrong_to_act": "If it is acted on and wrong",
    "wrong_to_wait": "If it is not acted on and right",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """A decision as it is shown.

    Parameters
    ----------
    name, question : the decision's own.
    decided : False where it is left open.
    answer : what is decided, with its probability and the assurance asked for.
    costs : (label, text) of being wrong either way.
    changes : what would change it, most effective first.
    """

    name: str
    question: str
    decided: bool
    answer: Sentence
    costs: tuple[tuple[str, Sentence], ...]
    changes: tuple[Sentence, ...]

    @property
    def verdict(self) -> str:
        """The word that stands before the answer."""
        return "Decided" if self.decided else "Left open"


def shown(results: Results) -> list[Shown]:
    """Every decision of a run, numbers marked with the statements they are quoted from."""
    said = {s.id: s for s in results.quotable()}
    return [_shown(d, [said[i] for i in d.statements]) for d in results.decided.decisions]


def _shown(d: Decision, said: list[Statement]) -> Shown:
    return Shown(
        name=d.name,
        question=d.question,
        decided=d.decided,
        answer=marked(d.sentence(), said),
        costs=tuple(
            (label, marked(f"{text[:1].upper()}{text[1:]}.", said))
            for name, label in LABELS.items()
            if (text := getattr(d, name))
        ),
        changes=tuple(marked(f"{c[:1].upper()}{c[1:]}.", said) for c in d.would_change),
    )


def marked(text: str, statements: Iterable[Statement]) -> Sentence:
    """A text with every figure of the statements in it made a quote.

    Parameters
    ----------
    text : words that contain `Statement.figures`, or whole days.
    statements : those that the text quotes.

    Examples
    --------
    >>> s = Statement(quantity="days_to_cover", unit="d", low=84.0, sides=1, level=0.95)
    >>> [str(p) for p in marked("Cover it within 84 days.", [s]).parts]
    ['Cover it within ', '84', ' days.']
    """
    by: dict[str, Statement] = {}
    patterns: dict[str, str] = {}
    for s in statements:
        figures = s.figures()
        by.setdefault(figures, s)
        patterns.setdefault(figures, re.escape(figures))
        if s.quantity in ("days_to_cover", "days_tested"):
            days = s.numbers()["low"]
            by.setdefault(days, s)
            patterns.setdefault(days, rf"(?<![\d.]){re.escape(days)}(?= days?\b)")
    if not by:
        return Sentence((text,))
    either = "|".join(patterns[t] for t in sorted(patterns, key=len, reverse=True))
    parts: list[str | Quote] = []
    end = 0
    for found in re.finditer(either, text):
        parts += [text[end : found.start()], Quote(found[0], by[found[0]])]
        end = found.end()
    return Sentence(tuple(p for p in (*parts, text[end:]) if p))


def pairs_table(results: Results) -> Table | None:
    """Every pair of packages with its ratio and the probabilities that verdicts rest on."""
    from durability.decisions.decision import percent
    from durability.decisions.packages import VERDICTS

    found = results.decided.comparison
    if found is None:
        return None
    left = "the required strength" if found.fraction is None else f"{100 * found.fraction:g} %"
    margin = f"{found.margin:g}"
    rows = [
        (
            f"{p.material} over {p.against}", quote(p.ratio) or "not to be said",
            percent(p.longer), percent(p.longer_by_margin), percent(p.alike),
            percent(p.shorter_by_margin), VERDICTS[p.verdict],
        )
        for p in found.pairs if p.of == found.of
    ]  # fmt: skip
    level = f"{100 * results.study.question.level:g} %"
    return table(
        f"Every pair of packages, for {SUBJECTS[found.of]}, until {left} is left: ratio of"
        f" threshold doses in the worse direction with {level} limits, and the probability that it"
        f" lies where the head says. Alike: within a factor of {margin}. A verdict needs"
        f" {percent(found.assurance)}.",
        ("pair", "ratio", "above 1", f"{margin} or more", "alike", f"1/{margin} or less",
         "verdict"),
        rows,
    )  # fmt: skip


def best_table(results: Results) -> Table | None:
    """How likely each package lasts longest, for each subject."""
    from durability.decisions.decision import percent

    found = results.decided.comparison
    if found is None or len(found.materials) < 3:
        return None
    return table(
        "Probability of lasting longest.",
        ("package", *(SUBJECTS[of] for of in found.best)),
        [(m, *(percent(chances[m]) for chances in found.best.values())) for m in found.materials],
    )


def waiting(results: Results) -> list[tuple[str, Table]]:
    """Each claim that strips still out may change, as it stands, with the table of withdrawals."""
    return [(standing(g), waiting_table(g)) for g in results.decided.ahead.going_on]


def plans(results: Results) -> tuple[str, Table] | None:
    """What is required, as it stands, and the plans of what to test next."""
    found = results.decided.ahead.plans
    return None if found is None else (standing(found), plans_table(found))


def beside(results: Results) -> list[Sentence]:
    """What belongs to a comparison: prices, loadings, and how it was made."""
    found = results.decided.comparison
    if found is None:
        return []
    w = Wording.of(results)
    lines = [w.sentence(s) for s in found.costs]
    lines += [Sentence((effect.sentence(),)) for effect in found.loading]
    return lines + [
        Sentence((note if note.endswith(".") else f"{note}.",)) for note in found.notes()
    ]


__all__ = [
    "LABELS", "Shown", "beside", "best_table", "marked", "pairs_table", "plans", "shown", "waiting",
]  # fmt: skip
