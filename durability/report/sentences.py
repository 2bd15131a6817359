"""What may be written? Correct English sentences of statements, and those that come first.

A sentence is made of words and quotes. The text of a quote comes from the statement's own methods
alone, so that no number is rounded twice.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from durability.decisions.cover import not_reached
from durability.report.headline import (
    head_bound_or_dose,
    head_days,
    head_ratios,
    last_tested,
    tested_days,
    threshold_asked,
)
from durability.statement import MONTHS, Statement
from durability.translation.plane import lying_words

if TYPE_CHECKING:
    from durability.report.results import Results

MOST_LINES = 12


@dataclass(frozen=True, slots=True)
class Quote:
    """A number in a sentence or table: its text and the statement it is quoted from."""

    text: str
    statement: Statement

    def __str__(self) -> str:
        return self.text


@dataclass(frozen=True, slots=True)
class Sentence:
    """Words and quotes in order.

    Examples
    --------
    >>> str(Sentence(("Two", " words.")))
    'Two words.'
    """

    parts: tuple[str | Quote, ...]

    def __str__(self) -> str:
        return "".join(str(p) for p in self.parts)


def amount(s: Statement) -> str:
    """Number, unit and interval of a bound without 'at least', else `Statement.figures`.

    Examples
    --------
    >>> amount(Statement(quantity="threshold_dose", unit="cycles", low=166.6, sides=1,
    ...     kind="prediction", of="new_lot"))
    '166 cycles (95 % one-sided prediction lower bound)'
    """
    if not s.is_bound or s.sides == 2:
        return s.figures()
    unit = "" if s.unit == "1" else f" {s.unit}"
    return f"{_limit(s)}{unit} ({s.interval()})"


def short(s: Statement) -> str:
    """The numbers alone, for a table whose head gives unit and level.

    Examples
    --------
    >>> short(Statement(quantity="outdoor_days", unit="d", value=236.0, low=108.0, high=771.0))
    '240 (110 to 770)'
    >>> short(Statement(quantity="outdoor_days", unit="d", low=108.2, sides=1))
    'at least 108'
    """
    n = s.numbers()
    if s.is_bound and s.sides == 2:
        return f"{n['low']} to {n['high']}"
    if s.is_bound:
        return f"at {'least' if s.low is not None else 'most'} {_limit(s)}"
    if s.low is not None and s.high is not None:
        return f"{n['value']} ({n['low']} to {n['high']})"
    if s.low is not None or s.high is not None:
        return f"{n['value']} (at {'least' if s.low is not None else 'most'} {_limit(s)})"
    return n["value"]


def _limit(s: Statement) -> str:
    n = s.numbers()
    return n["low"] if s.low is not None else n["high"]


def join(items: Iterable[str]) -> str:
    """'a', 'a and b', 'a, b and c'."""
    words = list(items)
    return " and ".join([", ".join(words[:-1]), words[-1]]) if len(words) > 1 else "".join(words)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wording:
    """The names that turn statements of one study into sentences.

    Parameters
    ----------
    sites : name of a site to its title.
    dose_units : exposure to the unit of its dose.
    required : the required strength with its unit, where the study names one.
    control : the material that others are compared with.
    """

    sites: Mapping[str, str] = field(default_factory=dict)
    dose_units: Mapping[str, str] = field(default_factory=dict)
    required: str | None = None
    control: str | None = None

    @classmethod
    def of(cls, results: Results) -> Wording:
        """The wording of a study's results."""
        study = results.study
        required = study.required_strength
        return cls(
            sites={t.site: t.title for t in results.translations},
            dose_units={x.name: x.dose_unit for x in study.exposures.values()},
            required=None if required is None else f"{required:g} {study.unit}",
            control=study.question.control,
        )

    def fraction(self, s: Statement) -> str:
        """'half the unexposed strength', or the required strength."""
        if s.fraction is None:
            return f"the required strength of {self.required}" if self.required else "it"
        return strength_at(s.fraction)

    def site(self, name: str | None) -> str:
        """Title of a site, else its name."""
        return self.sites.get(name or "", name or "")

    def subject(self, s: Statement) -> str:
        """'a new lot of A', 'lot A1 of A', '90 % of single strips of a new lot of A'."""
        material = s.material or "the material"
        if s.lot:
            return f"lot {s.lot} of {material}"
        if s.of == "new_lot":
            return f"a new lot of {material}"
        if s.of == "single_specimen":
            share = "" if s.share is None else f"{100 * s.share:g} % of "
            return f"{share}single strips of a new lot of {material}"
        return f"the median lot of {material}" if s.of == "mean" else material

    def dose(self, s: Statement) -> str:
        """The dose of a statement with its unit."""
        unit = self.dose_units.get(s.exposure or "", "")
        return f"{_plain(s.dose or 0.0)} {unit}".strip()

    def sentence(self, s: Statement) -> Sentence:
        """One statement as a sentence.

        Examples
        --------
        >>> s = Statement(quantity="threshold_dose", material="A", direction="machine",
        ...     of="new_lot", exposure="X1", fraction=0.5, value=1219.0, low=934.0, high=1621.0,
        ...     kind="prediction", unit="kJ/(m² nm) at 340 nm")
        >>> print(Wording().sentence(s))  # doctest: +NORMALIZE_WHITESPACE
        The threshold dose for half the unexposed strength, for a new lot of A in the machine
        direction under X1, is 1220 kJ/(m² nm) at 340 nm (95 % prediction interval 930 to 1620).
        """
        return Sentence((*_MAKERS[s.quantity](self, s), _beyond(s), "."))


def strength_at(fraction: float) -> str:
    """A retained fraction in words.

    Examples
    --------
    >>> strength_at(0.5), strength_at(0.8)
    ('half the unexposed strength', '80 % of the unexposed strength')
    """
    if fraction == 0.5:
        return "half the unexposed strength"
    return f"{100 * fraction:g} % of the unexposed strength"


def _plain(number: float) -> str:
    text = f"{number:.4g}"
    return f"{number:.0f}" if "e" in text and abs(number) < 1e7 else text


def _where(s: Statement, *, exposure: bool = True) -> str:
    direction = f" in the {s.direction} direction" if s.direction else ""
    return direction + (f" under {s.exposure}" if exposure and s.exposure else "")


def _beyond(s: Statement) -> str:
    if not s.extrapolated:
        return ""
    if s.extrapolation_factor is None:
        return "; this lies beyond the largest dose tested"
    what = "the bound of the threshold dose" if _rests_on_a_bound(s) else "the threshold dose"
    if s.quantity == "threshold_dose":
        what = "this"
    elif s.quantity in _AFTER_DAYS:
        what = "the dose that does the same under the lamp"
    return f"; {what} is {times_tested(s.extrapolation_factor)}"


def times_tested(factor: float) -> str:
    """How far beyond the strips a dose lies.

    Examples
    --------
    >>> times_tested(1.53), times_tested(1.03)
    ('1.5 times the largest dose tested', 'just beyond the largest dose tested')
    """
    times = f"{factor:.2g}"
    return f"{f'{times} times' if times != '1' else 'just beyond'} the largest dose tested"


_AFTER_DAYS = ("strength_left", "chance_of_holding", "reduction_factor")


def _rests_on_a_bound(s: Statement) -> bool:
    return "lower_bound_only" in s.flags or "upper_bound_only" in s.flags


Parts = tuple[str | Quote, ...]


def _threshold_dose(w: Wording, s: Statement) -> Parts:
    who = f"{w.subject(s)}{_where(s)}"
    if s.is_bound:
        side = "before" if s.low is not None else "after"
        text = f"For {who}, the strength falls to {w.fraction(s)} not {side} "
        return text, Quote(amount(s), s)
    return f"The threshold dose for {w.fraction(s)}, for {who}, is ", Quote(s.figures(), s)


def _threshold_hours(w: Wording, s: Statement) -> Parts:
    side = ("not before " if s.low is not None else "not after ") if s.is_bound else "after "
    return (
        f"Under {s.exposure}, {_falls(w, s)} {side}",
        Quote(amount(s), s),
        " of lamp time, dark phases included",
    )


def _falls(w: Wording, s: Statement) -> str:
    return f"{w.subject(s)}{_where(s, exposure=False)} falls to {w.fraction(s)}"


def _unexposed(w: Wording, s: Statement) -> Parts:
    words = f"The {s.quantity.replace('_', ' ')} of {w.subject(s)}{_where(s)} is "
    return words, Quote(s.figures(), s)


def _retained(w: Wording, s: Statement) -> Parts:
    what = s.quantity.removeprefix("retained_")
    what = f"the fraction left of the unexposed {what}" if s.unit == "1" else f"the {what} left"
    if s.quantity == "strength_against_control":
        what = "the strength, as a fraction of that of strips kept beside them without light,"
    after = f"After {w.dose(s)} under {s.exposure}" if s.exposure else f"After {w.dose(s)}"
    return (
        f"{after}, {what} of {w.subject(s)}{_where(s, exposure=False)} is ",
        Quote(s.figures(), s),
    )


def _ratio(w: Wording, s: Statement) -> Parts:
    who = f"{w.subject(s)}{_where(s)}"
    control = f"the control, {w.control}" if w.control else "the control"
    if s.against is not None and s.against != w.control:
        control = s.against
    return (
        f"The threshold dose for {w.fraction(s)}, for {who}, divided by that of {control}, is ",
        Quote(s.figures(), s),
    )


def _price_of_dose(w: Wording, s: Statement) -> Parts:
    who = f"{w.subject(s)}{_where(s)}"
    return (
        f"The price of a square metre divided by the threshold dose for {w.fraction(s)}, for {who},"
        " is ",
        Quote(s.figures(), s),
    )


def _price_of_day(w: Wording, s: Statement) -> Parts:
    return (
        f"{_laid(w, s)} costs, until {w.fraction(s)} is left, ",
        Quote(s.figures(), s),
    )


def _laid(w: Wording, s: Statement) -> str:
    month = f" in {MONTHS[s.month - 1]}" if s.month else ""
    return f"Laid at {w.site(s.site)}{month}, {w.subject(s)}"


def _outdoor_days(w: Wording, s: Statement) -> Parts:
    side = ("not before " if s.low is not None else "not after ") if s.is_bound else "after "
    return (
        f"{_laid(w, s)} falls to {w.fraction(s)}{_where(s, exposure=False)} {side}",
        Quote(amount(s), s),
        *_reached(s),
    )


def _reached(s: Statement) -> Parts:
    """How probable it is that the threshold is reached at all, where that is not certain."""
    from durability.decisions.decision import percent

    if s.probability is None:
        return ()
    chance = percent(s.probability)
    return (f"; probability that it falls so far within the years counted {chance}",)


def _days_to_cover(w: Wording, s: Statement) -> Parts:
    if not_reached(s):
        return (
            f"{_laid(w, s)} has at least {w.fraction(s)} left{_where(s, exposure=False)} for ",
            Quote(_limit(s), s),
            f" days, all that are counted ({s.interval()})",
            *_reached(s),
        )
    return (
        f"{_laid(w, s)} must be covered within ",
        Quote(_limit(s), s),
        f" {_day(s)}: so long at least {w.fraction(s)} is left{_where(s, exposure=False)}",
        f" ({s.interval()})",
    )


def _day(s: Statement) -> str:
    return "day" if _limit(s) == "1" else "days"


def _days_tested(w: Wording, s: Statement) -> Parts:
    return (
        f"{_laid(w, s)}: the doses tested bear out ",
        Quote(_limit(s), s),
        f" {_day(s)} by themselves, with at least {w.fraction(s)} left"
        f"{_where(s, exposure=False)} ({s.interval()})",
    )


def _outdoor_equivalent(w: Wording, s: Statement) -> Parts:
    month = f", laid in {MONTHS[s.month - 1]}," if s.month else ""
    return (
        f"What {w.dose(s)} under {s.exposure} does to {s.material or 'the material'}, "
        f"{w.site(s.site)}{month} does in ",
        Quote(amount(s), s),
    )


def _lamp_hours_for(w: Wording, s: Statement) -> Parts:
    month = f" from {MONTHS[s.month - 1]} on" if s.month else ""
    return (
        f"What the stated days at {w.site(s.site)}{month} do to {s.material or 'the material'}, "
        f"{s.exposure} does in ",
        Quote(amount(s), s),
        " of lamp time, dark phases included",
    )


def _strength_left(w: Wording, s: Statement) -> Parts:
    return (
        f"After the time in the open at {w.site(s.site)}, the fraction left of the unexposed "
        f"strength of {w.subject(s)}{_where(s, exposure=False)} is ",
        Quote(s.figures(), s),
    )


def _chance_of_holding(w: Wording, s: Statement) -> Parts:
    return (
        f"After the time in the open at {w.site(s.site)}, the probability that at least "
        f"{w.fraction(s)} is left, for {w.subject(s)}{_where(s, exposure=False)}, is ",
        Quote(s.figures(), s),
    )


def _reduction_factor(w: Wording, s: Statement) -> Parts:
    return (
        f"Covered after the time in the open at {w.site(s.site)}, the reduction factor for "
        f"weathering of {w.subject(s)}{_where(s, exposure=False)} is ",
        Quote(s.figures(), s),
    )


_MAKERS = {
    "threshold_dose": _threshold_dose,
    "threshold_hours": _threshold_hours,
    **{f"unexposed_{what}": _unexposed for what in ("strength", "elongation", "stiffness")},
    **{f"retained_{what}": _retained for what in ("strength", "elongation", "stiffness")},
    "strength_against_control": _retained,
    "ratio_of_threshold_doses": _ratio,
    "price_of_dose": _price_of_dose,
    "price_of_day": _price_of_day,
    "outdoor_days": _outdoor_days,
    "days_to_cover": _days_to_cover,
    "days_tested": _days_tested,
    "outdoor_equivalent": _outdoor_equivalent,
    "lamp_hours_for": _lamp_hours_for,
    "strength_left": _strength_left,
    "chance_of_holding": _chance_of_holding,
    "reduction_factor": _reduction_factor,
}


def _cover(
    w: Wording, worst: Statement, best: Statement, tested: Statement | None = None
) -> Sentence:
    """Days to cover of the worst and the best month, and what the doses tested bear out."""
    months = [MONTHS[(s.month or 1) - 1] for s in (worst, best)]
    which = "" if worst.direction is None else " in the worse direction"
    at_least = w.fraction(worst)
    if not_reached(worst):  # in every month
        return Sentence((
            f"At {w.site(worst.site)}, {w.subject(worst)} has at least {at_least} left{which} for ",
            Quote(_limit(worst), worst),
            " days, all that are counted, whichever the month of laying, with "
            f"{100 * worst.level:.3g} % assurance",
            *_reached(worst), _beyond(worst), ".",
        ))  # fmt: skip
    parts: list[str | Quote] = [
        f"At {w.site(worst.site)}, cover {w.subject(worst)} within ",
        Quote(_limit(worst), worst),
    ]
    if worst is best:
        parts.append(f" {_day(worst)}, whichever the month of laying")
    else:
        parts += [
            f" {_day(worst)} if laid in {months[0]} (worst month), ",
            Quote(_limit(best), best),
            f" if laid in {months[1]} (best month)",
        ]
    if worst.low == 0:
        parts.append("; 0 days: cover it on the day of laying")
    parts.append(
        f": so long at least {at_least} is left{which}, with {100 * worst.level:.3g} % assurance"
    )
    parts.append(_beyond(worst))
    if tested is not None:
        parts += [
            "; laid in the worst month, the doses tested bear out " if worst is not best
            else "; the doses tested bear out ",
            Quote(_limit(tested), tested), f" {_day(tested)} by themselves",
        ]  # fmt: skip
    return Sentence((*parts, "."))


def answer_sentences(results: Results) -> list[Sentence]:
    """What the study's question is answered with, in order: doses, days, comparison."""
    return [line for kind in _answers(results) for line in kind]


def _answers(results: Results) -> tuple[list[Sentence], list[Sentence], list[Sentence]]:
    """Sentences on doses, on days, and on how products compare."""
    w = Wording.of(results)
    lines: list[Sentence] = []
    for s in head_bound_or_dose(results):
        if s.is_bound and s.low is not None:
            tested = last_tested(results, s)
            if tested is not None:
                lines.append(w.sentence(tested))
        lines.append(w.sentence(s))
    days = [
        _cover(w, worst, best, tested_days(results, worst)) for worst, best in head_days(results)
    ]
    lies = lying_words(results.study.question)
    if lies and results.translations:
        days.insert(0, Sentence((f"Days are counted for fabric that lies {lies}.",)))
    return lines, days, [w.sentence(s) for s in head_ratios(results)]


def failed_notice(results: Results) -> str | None:
    """Why no number of the fit may be quoted, or None where all may."""
    problems = results.fit.diagnostics.problems()
    if not problems:
        return None
    return f"The fit missed its diagnostics, so no number of it may be quoted: {join(problems)}."


def not_translated(results: Results) -> list[str]:
    """Why there are no days at a site, in words; empty where all were translated."""
    if results.refused:
        return [f"Not read as days at a site: {reason.rstrip('.')}." for reason in results.refused]
    if results.translations:
        return []
    exposures = results.study.exposures.values()
    own = sorted({x.axis for x in exposures if x.axis and x.control is None})
    why = "no site was asked for"
    if own:
        why = (
            f"the study counts exposure in {join(own)}, not as radiant dose in a named band, and no"
            " factor leads from there to days at a site"
        )
    return [f"Not read as days at a site: {why}."]


def beware(results: Results) -> dict[str, str]:
    """Flags of the head-line statements, explained, with the materials where not all bear them.

    All are those of which the same quantity is quoted.
    """
    lines = answer_sentences(results)
    first = [p.statement for line in lines for p in line.parts if isinstance(p, Quote)]
    book = results.explanations()["flags"]
    found: dict[str, str] = {}
    for name in dict.fromkeys(f for s in first for f in s.flags):
        whose = dict.fromkeys(s.material or "" for s in first if name in s.flags)
        quantities = {s.quantity for s in first if name in s.flags}
        every = {s.material or "" for s in first if s.quantity in quantities}
        only = "" if set(whose) == every else f"{join(whose)}: "
        found[name] = only + book[name]
    check = results.last_dose
    if check is not None and check.rows and not check.foretold and (check.bias or 1) < 1:
        found["last_dose_not_foretold"] = (
            "Hidden, the last dose left less strength than the smaller doses foretold, by more than"
            " chance allows: doses and days beyond those tested may be too long."
        )
    return found


def key_sentences(results: Results) -> list[str]:
    """The head-line sentences, at most twelve: what a person must read if nothing else.

    Parameters
    ----------
    results : of a run.

    Returns
    -------
    list of str : for the study's first threshold and subject, the threshold dose or its bound in
        the worse direction, days to cover in the worst and best month at each site, and the ratio
        to the control, of each the first lines; then what to beware. No number at all where the
        fit failed its diagnostics.
    """
    failed = failed_notice(results)
    if failed:
        return [failed]
    kinds = [[str(s) for s in kind] for kind in _answers(results)]
    lines = [line for kind in kinds for line in kind]
    notes = [*not_translated(results), *(f"Beware: {text}" for text in beware(results).values())]
    room = MOST_LINES - min(len(notes), 4)
    if len(lines) > room:
        left = len(lines) - room + 1
        for _ in range(left):  # each kind of answer keeps its first lines
            max(kinds, key=len).pop()
        lines = [line for kind in kinds for line in kind]
        lines.append(f"{left} more lines are in the report.")
    space = MOST_LINES - len(lines)
    if len(notes) > space:
        notes = [*notes[: space - 1], "More to beware is in the report."]
    return lines + notes


__all__ = [
    "Quote", "Sentence", "Wording", "amount", "answer_sentences", "beware", "failed_notice", "join",
    "key_sentences", "not_translated", "short", "strength_at", "threshold_asked", "times_tested",
]  # fmt: skip
