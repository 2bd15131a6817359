"""Withdraw now, or go on? The probability that strips still exposed would change the verdict.

A verdict is given where the probability that the number exceeds what is required reaches the
assurance, or falls to one less it; else it is open. Each future takes a posterior draw as true,
simulates the strips that are still planned from it, and asks whether the verdict that would then be
given is another one. So the probability of a change is calibrated as far as the posterior is.
"""

from __future__ import annotations

import html
import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from durability.decisions.asked_number import about_number, usable
from durability.decisions.decision import Decision, percent, share_of
from durability.decisions.learning import futures, read_weights
from durability.decisions.planned_strips import PlannedSeries
from durability.decisions.waiting import Waiting, planned_of, waiting_strips
from durability.statement import Subject

if TYPE_CHECKING:
    from durability.exposure import Site
    from durability.inference import Fit

Verdict = Literal["holds", "fails", "open"]
VERDICTS: dict[Verdict, str] = {
    "holds": "it holds",
    "fails": "it does not hold",
    "open": "open",
}
FUTURES = 256
GO_ON = "go on"


@dataclass(frozen=True, slots=True, kw_only=True)
class AfterWithdrawal:
    """What the verdict may be once a withdrawal, and those before it, are tested.

    Parameters
    ----------
    dose, hours : of the withdrawal; hours None where they are not known.
    strips : tested by then, of those that are waiting.
    change : probability that the verdict is then another one than now.
    change_error : its standard error, from the number of futures.
    chances : probability of each verdict.
    """

    dose: float
    hours: float | None
    strips: int
    change: float
    change_error: float
    chances: dict[Verdict, float]

    def to_dict(self) -> dict[str, Any]:
        """Plain types for JSON."""
        return {
            "dose": self.dose, "hours": self.hours, "strips": self.strips, "change": self.change,
            "change_error": self.change_error, "chances": dict(self.chances),
        }  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GoingOn:
    """The verdict now, and what the withdrawals still planned may make of it.

    Parameters
    ----------
    claim : what is judged, as a clause.
    material, direction, exposure, of, fraction, site, against : the subject, as in a statement.
    required : what the number must exceed; unit : of it.
    assurance : that a verdict needs.
    probability : now, that the claim holds.
    verdict : now.
    after : one a withdrawal still planned, each with those before it.
    dose_unit : of the withdrawals.
    left_out : strips that wait and are not counted, and why.
    futures : simulated.
    seed : of the futures.
    """

    claim: str
    material: str
    direction: str | None
    exposure: str
    of: Subject
    fraction: float | None
    site: str | None
    against: str | None
    required: float
    unit: str
    assurance: float
    probability: float
    verdict: Verdict
    after: tuple[AfterWithdrawal, ...]
    dose_unit: str
    left_out: tuple[str, ...]
    futures: int
    seed: int

    @property
    def change(self) -> float:
        """Probability that the verdict is another one once every strip is tested."""
        return self.after[-1].change

    def decision(self) -> Decision:
        """Whether to withdraw now, as a record."""
        strips, settled = self.after[-1].strips, self.change <= 1 - self.assurance
        would = "give one" if self.verdict == "open" else "change it"
        still = (
            f"the {strips} strips that are still out would {would} in"
            f" {share_of(self.change, self.futures)} of futures"
        )
        spent = "chamber hours and strips are spent, and the verdict stays as it is"
        if self.verdict == "open":
            now = "no verdict can be given now"
            what = "going on is unlikely to give one: other strips are needed" if settled else GO_ON
        else:
            now = f"{VERDICTS[self.verdict]} (probability {percent(self._of_verdict())})"
            what = "withdraw now, if the verdict is all that is wanted" if settled else GO_ON
        lost = "a verdict is given, or left open, that the strips would have changed"
        return Decision(
            name=f"going on/{self.material}/{self.of}",
            question=f"Will strips still exposed change the verdict on this: {self.claim}?",
            answer=f"{what}: {now}, and {still}",
            decided=settled,
            assurance=self.assurance,
            wrong_to_act=lost if settled else spent,
            wrong_to_wait=spent if settled else lost,
            would_change=("other strips than those still out: durability plan",),
        )

    def _of_verdict(self) -> float:
        return 1 - self.probability if self.verdict == "fails" else self.probability

    def notes(self) -> list[str]:
        """What to know before strips are withdrawn."""
        return [
            "The strips still out also show whether the law holds beyond the last dose: that is "
            "not counted here.",
            *self.left_out,
        ]

    def to_dict(self) -> dict[str, Any]:
        """Plain types for JSON."""
        names = ("claim", "material", "direction", "exposure", "of", "fraction", "site", "against",
                 "required", "unit", "assurance", "probability", "verdict", "dose_unit",
                 "futures", "seed")  # fmt: skip
        record = {name: getattr(self, name) for name in names}
        return record | {
            "change": self.change,
            "after": [a.to_dict() for a in self.after],
            "decision": self.decision().to_dict(),
            "notes": self.notes(),
        }

    def __repr__(self) -> str:
        return f"GoingOn\n  {self.decision().sentence()}"

    def _repr_html_(self) -> str:
        return f"<p>{html.escape(self.decision().sentence())}</p>"


def going_on(
    fit: Fit,
    waiting: tuple[Waiting, ...] | None = None,
    *,
    required: float | None = None,
    material: str | None = None,
    direction: str | None = None,
    of: Subject | None = None,
    fraction: float | None = None,
    site: str | Path | Site | None = None,
    against: str | None = None,
    assurance: float | None = None,
    seed: int = 0,
    count: int = FUTURES,
) -> GoingOn:
    """The verdict now, and the probability that strips still exposed would change it.

    Parameters
    ----------
    fit : of the strips tested so far, under one law with lognormal scatter.
    waiting : strips still to come; None takes those that the study's table lists without a result.
    required : what the number must exceed: a threshold dose [unit of the exposure], days where a
        site is named, a ratio where a package is. None takes the dose of the last withdrawal
        planned, and 1 for a ratio.
    material, direction, of, fraction, site, against, assurance : as in
        `durability.decisions.next_strips`.
    seed : of the futures; count : how many.

    Returns
    -------
    GoingOn

    Raises
    ------
    ValueError : nothing is waiting, or days without a number required.
    """
    usable(fit)
    waiting = waiting_strips(fit.study) if waiting is None else waiting
    if not waiting:
        raise ValueError(
            "no strips are waiting: list those still exposed in the table of the study, with "
            "blank strengths, or name an earlier withdrawal with --until"
        )
    question = fit.study.question
    of = question.of if of is None else of
    assurance = question.assurance if assurance is None else assurance
    if fraction is None and fit.study.thresholds:
        fraction = fit.study.thresholds[0]
    about = about_number(
        fit, material=material, direction=direction, of=of, fraction=fraction, site=site,
        against=against, seed=seed,
    )  # fmt: skip
    outlook = about.outlook
    exposure = fit.study.exposures[outlook.exposure]
    series, left_out = planned_of(fit, waiting, outlook.exposure)
    if required is None:
        if about.wanted == "outdoor_days":
            raise ValueError("days are held against a number: name it with --required")
        last = max(d for s in series for d in s.doses)
        required = 1.0 if about.wanted == "ratio_of_threshold_doses" else last
    asked = about.number(required)
    even = np.full((1, outlook.draws.size), 1 / outlook.draws.size)
    now = read_weights(even, asked, question.level, np.zeros(1, dtype=int), 0.0)
    verdict = _verdict(now.above, assurance)[0]
    hours = {w.dose: w.hours for w in waiting}
    after = []
    for dose in sorted({d for s in series for d in s.doses}):
        part = tuple(_up_to(s, dose) for s in series if s.doses[0] <= dose)
        found = futures(outlook.blocks(part), asked, level=question.level, seed=seed, count=count)
        verdicts = _verdict(found.above, assurance)
        change = float((verdicts != verdict).mean())
        chances: dict[Verdict, float] = {v: float((verdicts == v).mean()) for v in VERDICTS}
        at = hours.get(dose, math.nan)
        after.append(
            AfterWithdrawal(
                dose=dose, hours=at if math.isfinite(at) else None,
                strips=sum(sum(s.count) for s in part), change=change,
                change_error=math.sqrt(change * (1 - change) / count), chances=chances,
            )
        )  # fmt: skip
    unit = about.unit(exposure.dose_unit)
    return GoingOn(
        claim=_claim(about.subject(of, fraction, against), required, unit), material=about.material,
        direction=about.direction, exposure=outlook.exposure, of=of, fraction=fraction,
        site=about.site, against=against, required=required, unit=unit, assurance=assurance,
        probability=float(now.above[0]), verdict=verdict, after=tuple(after),
        dose_unit=exposure.dose_unit, left_out=left_out, futures=count,
        seed=seed,
    )  # fmt: skip


def _claim(subject: str, required: float, unit: str) -> str:
    number = f"{required:.4g}" + ("" if unit == "1" else f" {'days' if unit == 'd' else unit}")
    return f"{subject}, exceeds {number}"


def _verdict(above: np.ndarray, assurance: float) -> np.ndarray:
    return np.where(above >= assurance, "holds", np.where(above <= 1 - assurance, "fails", "open"))


def _up_to(s: PlannedSeries, dose: float) -> PlannedSeries:
    """The part of a series that is withdrawn by a dose."""
    n = sum(d <= dose for d in s.doses)
    return replace(s, doses=s.doses[:n], strips=s.strips[:n])


__all__ = [
    "VERDICTS",
    "AfterWithdrawal",
    "GoingOn",
    "Verdict",
    "going_on",
]
