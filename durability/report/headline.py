"""Which statements come first? Those that answer the study's question, in the worse direction.

Nothing is computed: statements are picked and compared.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from durability.statement import Statement, Statements

if TYPE_CHECKING:
    from durability.report.results import Results


def threshold_asked(results: Results) -> float | None:
    """The fraction asked about first; None stands for the required strength."""
    study = results.study
    return study.thresholds[0] if study.thresholds else None


def thresholds(results: Results) -> list[float | None]:
    """Every fraction asked about, and None where a strength is required."""
    required = results.study.required_strength is not None
    return [*results.study.thresholds, *([None] if required else [])]


def badness(s: Statement) -> tuple[float, float, float]:
    """Sorts the worse first: the lower limit, then the value, then how probable it is at all.

    An upper bound has no lower limit.
    """
    infinite = float("inf")
    low = s.low if s.low is not None else 0.0
    middle = s.value if s.value is not None else s.high if s.high is not None else infinite
    return low, middle, -(1.0 if s.probability is None else s.probability)


def worst(statements: Iterable[Statement]) -> Statement | None:
    """The worst of some statements, None where there are none."""
    found = list(statements)
    return min(found, key=badness) if found else None


def head_bound_or_dose(results: Results, fraction: Any = "asked") -> list[Statement]:
    """Threshold dose of each material and exposure, in the worse direction."""
    q = threshold_asked(results) if fraction == "asked" else fraction
    of = results.study.question.of
    said = results.statements.where(quantity="threshold_dose", of=of, fraction=q)
    found = [
        worst(said.where(material=m, exposure=x))
        for x in results.study.exposures
        for m in results.study.materials
    ]
    return [s for s in found if s is not None]


def last_tested(results: Results, of: Statement) -> Statement | None:
    """What is left at the largest dose tested of a statement's material and exposure.

    From the strips alone where they give limits, else from the fit.
    """
    said = results.statements.where(
        lambda s: s.lot is None and s.dose is not None and (s.low, s.high) != (None, None),
        quantity="retained_strength",
        material=of.material,
        exposure=of.exposure,
    )
    if not len(said):
        return None
    last = max(s.dose or 0.0 for s in said)
    at_last = [s for s in said if s.dose == last]
    return worst([s for s in at_last if s.law is None] or at_last)


def tested_days(results: Results, of: Statement) -> Statement | None:
    """The days that the doses tested bear out by themselves, where days to cover go beyond them."""
    found = results.decided.statements.where(
        quantity="days_tested", material=of.material, direction=of.direction, of=of.of,
        fraction=of.fraction, site=of.site, month=of.month,
    )  # fmt: skip
    return found[0] if len(found) else None


def worst_by_month(said: Statements) -> list[Statement]:
    """Of each month the statement of the worse direction, in order of months."""
    months = sorted({s.month for s in said if s.month is not None})
    found = [worst(said.where(month=m)) for m in months]
    return [s for s in found if s is not None]


def head_days(results: Results, fraction: Any = "asked") -> list[tuple[Statement, Statement]]:
    """(worst month, best month) of days to cover for each site and material."""
    q = threshold_asked(results) if fraction == "asked" else fraction
    of = results.study.question.of
    said = results.statements.where(quantity="days_to_cover", of=of, fraction=q)
    found = []
    for t in results.translations:
        for m in results.study.materials:
            months = worst_by_month(said.where(site=t.site, material=m))
            if months:
                low = min(months, key=lambda s: (s.low or 0.0, s.month or 0))
                high = min(months, key=lambda s: (-(s.low or 0.0), s.month or 0))
                found.append((low, low if low.low == high.low else high))
    return found


def head_ratios(results: Results) -> list[Statement]:
    """Ratio of threshold doses to the control, in the worse direction, for each material."""
    q, of = threshold_asked(results), results.study.question.of
    of = "new_lot" if of == "single_specimen" else of
    said = results.statements.where(quantity="ratio_of_threshold_doses", of=of, fraction=q)
    found = [
        worst(said.where(material=m, exposure=x))
        for m in results.study.materials
        for x in results.study.exposures
    ]
    return [s for s in found if s is not None]
