"""How many whole days may the fabric lie open, laid in each month? The answer with what bounds it.

Days to cover are those of `cover_statements`. Beside them stand the days that the doses tested bear
out by themselves: the same draws with every threshold dose held at the last dose tested. Where the
first are more than the second, the difference is extrapolation and is called so.
"""

from __future__ import annotations

import html
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from durability.decisions.cover import (
    cover_statements,
    likeliest_reached,
    not_reached,
    soonest,
    worst_month,
)
from durability.decisions.decision import percent
from durability.decisions.rules import RuleVerdict, rule_verdicts
from durability.statement import MONTHS, SUBJECTS, Statement, Statements, Subject

if TYPE_CHECKING:
    from durability.exposure import Site
    from durability.inference import Fit
    from durability.study.model import Caution
    from durability.translation import Translation
    from durability.translation.reading import OpenInterval


class _WithinTest:
    """A fit whose threshold doses are held at the last dose tested; all else is the fit's own."""

    def __init__(self, fit: Any) -> None:
        self._fit = fit

    def __getattr__(self, name: str) -> Any:
        return getattr(self._fit, name)

    def threshold_draws(self, fraction: float | None, **subject: Any) -> Any:
        import numpy as np

        tau = self._fit.threshold_draws(fraction, **subject)
        return np.minimum(tau, self._fit.last_dose(subject["material"], subject["exposure"]))


def held_at_last_dose(fit: Any) -> Any:
    """A fit that knows of no dose beyond the last one tested; all else is the fit's own."""
    return _WithinTest(fit)


def days_tested(borne: Statement) -> Statement:
    """Days to cover of a fit held at its last dose, as the days that the tests bear out."""
    kept = tuple(f for f in borne.flags if f not in ("extrapolated", "beyond_horizon"))
    return replace(
        borne, quantity="days_tested", extrapolated=False, flags=kept, extrapolation_factor=None
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cover:
    """Days to cover at one site, by material, direction and month of laying.

    Parameters
    ----------
    site, title : name and title of the site.
    statements : ``days_to_cover``, and where they are fewer ``days_tested``.
    worst : of each subject the worst month.
    rules, silent : what rules of product standards say, and why some say nothing.
    assurance : probability that the product lasts so long.
    spent, light : time in the open before laying, and the share of the light after it.
    translation : whose draws these are.
    """

    site: str
    title: str
    statements: Statements
    worst: Statements
    rules: tuple[RuleVerdict, ...]
    silent: tuple[str, ...]
    assurance: float
    spent: tuple[OpenInterval, ...]
    light: float
    translation: Translation

    @property
    def cautions(self) -> tuple[Caution, ...]:
        """What is doubtful about site, lamp and plane."""
        return self.translation.cautions

    def table(self, material: str) -> list[tuple[str, str, str]]:
        """(month, days to cover, of which the tests bear out) in the weaker direction.

        ``extrapolated`` stands beside days that the tests alone do not bear out.
        """
        rows = []
        mine = self.statements.where(material=material)
        for month in sorted({s.month for s in mine if s.month}):
            days = mine.where(quantity="days_to_cover", month=month)
            s = min(days, key=soonest)
            tested = mine.where(quantity="days_tested", month=month, direction=s.direction)
            found = f"{s.low:.0f}{' or more' if not_reached(s) else ''}"
            borne = f"{tested[0].low:.0f}" if len(tested) else found
            more = "  extrapolated" if s.extrapolated else ""
            rows.append((MONTHS[month - 1], found + more, borne))
        return rows

    def sentences(self) -> list[str]:
        """The answer in words, a line a material: its worst month in the weaker direction."""
        lines = []
        for material in dict.fromkeys(s.material for s in self.worst):
            s = min(self.worst.where(material=material), key=soonest)
            month = MONTHS[(s.month or 1) - 1]
            days = f"{s.low:.0f} day{'' if s.low == 1 else 's'}"
            where = f" {s.direction} direction" if s.direction else ""
            every = self.translation.laying == "every month"
            on, worst = ("", f" in the worst month, {month}") if every else (
                f" on {self.translation.laying}", ""
            )  # fmt: skip
            left = "the required strength" if s.fraction is None else f"{100 * s.fraction:g} %"
            until = f"cover within {days}{worst}"
            if not_reached(s):
                any_month = ", in whichever month" if every else ""
                on, until = on + any_month, f"enough is left for {days}, all that are counted"
            line = (
                f"{material}{where}, laid at {self.title}{on}: {until} "
                f"({SUBJECTS[s.of or 'mean']}, {left} left, {100 * self.assurance:.3g} % assurance)"
            )
            if s.low == 0:
                line += "; 0 days: cover it on the day of laying"
            tested = self.statements.where(
                quantity="days_tested", material=material, direction=s.direction, month=s.month
            )
            if len(tested):
                line += (
                    f"; this is extrapolated: the doses tested bear out {tested[0].low:.0f} days"
                )
            elif s.extrapolated:
                line += "; this is extrapolated: the threshold lies beyond the largest dose tested"
            lines.append(line + "." + self._chance(s))
        return lines

    def _chance(self, worst: Statement) -> str:
        """How probable it is that strength falls so far in the years counted, where not certain."""
        mine = self.statements.where(material=worst.material, direction=worst.direction)
        likeliest = likeliest_reached(mine)
        if likeliest is None:
            return ""
        years = self.translation.horizon_years
        return (
            f" The probability that too little is left within the {years:g} years counted is "
            f"{percent(likeliest.probability or 0.0)}, laid in {MONTHS[(likeliest.month or 1) - 1]}"
            ", where it is largest."
        )

    def to_dict(self) -> dict[str, Any]:
        """Plain types for JSON."""
        return {
            "site": self.site,
            "title": self.title,
            "assurance": self.assurance,
            "light": self.light,
            "spent": [
                {"from": s.begin.isoformat(), "to": s.end.isoformat(), "light": s.light}
                for s in self.spent
            ],
            "answer": self.sentences(),
            "statements": self.statements.to_list(),
            "worst": [s.id for s in self.worst],
            "rules": [r.to_dict() for r in self.rules],
            "rules_not_applied": list(self.silent),
            "cautions": [c.to_dict() for c in self.cautions],
        }

    def __repr__(self) -> str:
        return "\n".join(["Cover", *(f"  {line}" for line in self.sentences())])

    def _repr_html_(self) -> str:
        return "".join(f"<p>{html.escape(line)}</p>" for line in self.sentences())


def cover(
    fit: Fit,
    *,
    site: str | Path | Site,
    required: float | None = None,
    of: Subject | None = None,
    assurance: float | None = None,
    share: float | None = None,
    laying: str | None = None,
    spent: Sequence[OpenInterval] = (),
    light: float | None = None,
    exposure: str | None = None,
    tilt: float | None = None,
    azimuth: float | None = None,
    on_ground: bool | None = None,
    horizon: float | None = None,
    snow_cover: bool | None = None,
    seed: int | None = None,
) -> Cover:
    """Whole days that the product may lie open, by month of laying.

    Parameters
    ----------
    fit : the posterior.
    site : name of a site, a weather file, or a `Site`.
    required : fraction of the unexposed strength that must be left; None takes the study's
        required strength, else its first threshold.
    of, assurance, share : subject, probability, and share of single strips; None takes the study's.
    laying : ``"every month"`` or a date; None takes the study's.
    spent : time in the open before laying, each interval with its share of the light.
    light : share of the sky's light that reaches the fabric after laying.
    exposure, tilt, azimuth, on_ground, horizon, snow_cover, seed : as `durability.translate`.

    Returns
    -------
    Cover

    Raises
    ------
    TranslationRefused, ValueError : as `durability.translate`.
    """
    from durability.translation import translate

    question = fit.study.question
    assurance = question.assurance if assurance is None else assurance
    if required is None and fit.study.required_strength is None:
        required = fit.study.thresholds[0]
    asked: dict[str, Any] = {
        "site": site, "fractions": (required,), "of": of or question.of, "share": share,
        "laying": laying, "spent": spent, "light": light, "exposure": exposure, "tilt": tilt,
        "azimuth": azimuth, "on_ground": on_ground, "horizon": horizon, "snow_cover": snow_cover,
        "seed": seed,
    }  # fmt: skip
    made = translate(fit, **asked)
    held = translate(held_at_last_dose(fit), **asked)
    subject = of or question.of
    days = cover_statements(made, fit, assurance=assurance).where(
        quantity="days_to_cover", of=subject
    )
    borne = {
        (s.material, s.direction, s.month): s
        for s in cover_statements(held, fit, assurance=assurance).where(
            quantity="days_to_cover", of=subject
        )
    }
    statements: list[Statement] = []
    for s in days:
        tested = borne[s.material, s.direction, s.month]
        if (tested.low or 0.0) < (s.low or 0.0):
            statements.append(
                replace(
                    s, extrapolated=True, flags=tuple(dict.fromkeys((*s.flags, "extrapolated")))
                )
            )
            statements.append(days_tested(tested))
        else:
            statements.append(s)
    rules, silent = rule_verdicts(fit, made.exposures)
    return Cover(
        site=made.site,
        title=made.title,
        statements=Statements(statements),
        worst=worst_month(statements),
        rules=tuple(rules),
        silent=tuple(silent),
        assurance=assurance,
        spent=tuple(spent),
        light=question.light if light is None else light,
        translation=made,
    )


__all__ = ["Cover", "cover"]
