"""What does a study decide? Comparison with its control, days to cover, strips still to be tested.

Everything is read from statements and draws that were made before. Two things are computed anew:
for sites at which days rest on doses beyond the last one tested, the days that the doses tested
bear out by themselves; and what strips to come may teach, where the study lists or asks for them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from durability.decisions.ahead import Ahead, ahead
from durability.decisions.cover import cover_statements, soonest
from durability.decisions.cover_words import cover_decision
from durability.decisions.covering import days_tested, held_at_last_dose
from durability.decisions.decision import Decision
from durability.statement import Statement, Statements

if TYPE_CHECKING:
    from durability.decisions.packages import PackageComparison
    from durability.translation import ThresholdPosterior, Translation


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Decided:
    """The decisions of a study.

    Parameters
    ----------
    decisions : of packages first, then of days to cover, site by site, then of strips to come.
    statements : those that decisions rest on and that the answer does not hold.
    comparison : of the packages, or None where the study names no control.
    ahead : whether strips still out are needed, and which to test next.
    """

    decisions: tuple[Decision, ...] = ()
    statements: Statements = field(default_factory=Statements)
    comparison: PackageComparison | None = None
    ahead: Ahead = field(default_factory=Ahead)


def decided(
    fit: ThresholdPosterior,
    translations: Sequence[Translation],
    said: Statements,
    limits: Statements,
    *,
    sites: Sequence[str | Path] = (),
) -> Decided:
    """What a study decides, for its own subject, first threshold and assurance.

    Parameters
    ----------
    fit : the fit.
    translations : of this fit, one a site.
    said : all that `durability.decisions.answer` says of them.
    limits : `durability.decisions.assured` of them.
    sites : what was translated to, where it is a file and not a name of models/sites.
    """
    from durability.decisions.packages import compare_packages

    study = fit.study
    question = study.question
    comparison = None
    if question.control in fit.materials and len(fit.materials) > 1:
        try:
            comparison = compare_packages(fit)
        except ValueError:  # no exposure is shared with the control
            comparison = None
    decisions = list(comparison.decisions) if comparison else []
    if comparison is not None and len(comparison.materials) == 2:
        decisions = [d for d in decisions if not d.name.startswith("best/")]  # the pair says it
    statements = list(comparison.statements()) if comparison else []
    fraction = study.thresholds[0] if study.thresholds else None
    for t in translations:
        found = said.where(quantity="days_to_cover", site=t.site, of=question.of, fraction=fraction)
        tested = _tested(fit, t, found, fraction, sites)
        statements += tested
        for material in t.exposures:
            mine = found.where(material=material)
            if len(mine):
                decisions.append(_cover(t, mine, said, limits, tested, study, fraction))
    still = ahead(fit)
    decisions += still.decisions()
    if still.plans is not None and still.plans.quoted is not None:
        statements.append(still.plans.quoted)
    known = {s.id for s in said}
    more = {s.id: s for s in statements if s.id not in known}
    return Decided(
        decisions=tuple(decisions), statements=Statements(more.values()), comparison=comparison,
        ahead=still,
    )  # fmt: skip


def _tested(
    fit: ThresholdPosterior,
    t: Translation,
    found: Statements,
    fraction: float | None,
    sites: Sequence[str | Path],
) -> list[Statement]:
    """``days_tested`` of every subject whose days go beyond them; none where none are asked for."""
    if not any(s.extrapolated for s in found):
        return []
    from durability.exposure import read_site
    from durability.translation import translate

    site = next((s for s in sites if read_site(s).name == t.site), t.site)
    held = held_at_last_dose(fit)
    again: Any = translate(
        held, site=site, fractions=(fraction,), of=fit.study.question.of, laying=t.laying,
        tilt=t.tilt, azimuth=t.azimuth, on_ground="on_ground" in t.assumptions, seed=t.seed,
    )  # fmt: skip
    borne = cover_statements(again, held).where(quantity="days_to_cover")
    by = {(s.material, s.direction, s.month): s for s in borne}
    pairs = ((s, by[s.material, s.direction, s.month]) for s in found)
    return [days_tested(b) for s, b in pairs if (b.low or 0.0) < (s.low or 0.0)]


def _cover(
    t: Translation,
    mine: Statements,
    said: Statements,
    limits: Statements,
    tested: Sequence[Statement],
    study: Any,
    fraction: float | None,
) -> Decision:
    import numpy as np

    by_month: dict[int | None, Statement] = {}
    for s in mine:
        known = by_month.get(s.month)
        if known is None or soonest(s) < soonest(known):
            by_month[s.month] = s
    worst = min(by_month.values(), key=soonest)
    best = max(by_month.values(), key=lambda s: (s.low or 0.0, -(s.month or 0)))
    of = worst.of or "mean"
    subject: dict[str, Any] = {
        "material": worst.material, "of": of, "fraction": fraction, "site": t.site,
        "month": worst.month,
    }  # fmt: skip
    days = t.draws(worst.material or "", worst.direction or "", of, fraction)
    drawn = days.sel(month=worst.month).values
    fewer = drawn[drawn < (worst.low or 0.0)]
    typical = said.where(quantity="outdoor_days", direction=worst.direction, **subject)
    here = [s for s in tested if s.direction == worst.direction]
    borne = Statements(here).where(**subject)
    others = limits.where(lambda s: s.level < worst.level, quantity="days_to_cover", **subject)
    laying = str(t.budget["laying"].values[0])
    shares = [
        (name, share) for m, when, name, share in t.budget_rows()
        if (m, when) == (worst.material, laying)
    ]  # fmt: skip
    return cover_decision(
        worst,
        title=t.title,
        left=_left(fraction, study),
        lasts=float((drawn >= (worst.low or 0.0)).mean()),
        if_wrong=float(np.median(fewer)) if fewer.size else None,
        typical=typical[0] if len(typical) else None,
        best=best if len(by_month) > 1 else None,
        tested=borne[0] if len(borne) else None,
        others=sorted(others, key=lambda s: -s.level),
        shares=shares,
    )


def _left(fraction: float | None, study: Any) -> str:
    if fraction is None:
        return f"the required strength of {study.required_strength:g} {study.unit}"
    if fraction == 0.5:
        return "half the unexposed strength"
    return f"{100 * fraction:g} % of the unexposed strength"


__all__ = ["Decided", "decided"]
