"""Which strips should be tested next? Plans within a budget, by what each is expected to teach.

What is asked about is one number: the threshold dose, the days at a site, or the ratio of two
packages' threshold doses. Each plan is followed into futures that the present posterior thinks
likely (`durability.decisions.learning`); its interval, and the chance of a clear verdict against
what is required, are averaged over them. Plans of one study face the same truths.
"""

from __future__ import annotations

import html
import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.decisions.asked_number import (
    AboutNumber,
    Wanted,
    about_number,
    dose_of,
    subject_in_words,
    usable,
)
from durability.decisions.candidates import KINDS, Budget, SoFar, StripPlan, candidates
from durability.decisions.decision import Decision, share_of
from durability.decisions.learning import Asked, Futures, Method, futures, read_weights
from durability.decisions.planned_strips import assumptions
from durability.statement import Statement, Subject

if TYPE_CHECKING:
    from durability.exposure import Site
    from durability.inference import Fit


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlanValue:
    """What one plan is expected to teach.

    Parameters
    ----------
    plan : the strips.
    hours : clock hours of its largest dose; None in the open air and where they are not known.
    factor : expected half-width of the interval, as a factor either way: the limits lie at about
        the value divided by it and times it (geometric mean over futures).
    factor_error : standard error of its logarithm, from the number of futures.
    clear : share of futures with a clear verdict; None where nothing is required.
    stated : share of futures in which the threshold dose, not only a bound, may be stated; None for
        other numbers.
    effective : draws that keep weight in the median future.
    method : how the posterior was updated.
    rough : few draws of the fit agree with a future.
    """

    plan: StripPlan
    hours: float | None
    factor: float
    factor_error: float
    clear: float | None
    stated: float | None
    effective: float
    method: Method
    rough: bool

    def to_dict(self) -> dict[str, Any]:
        """Plain types for JSON."""
        strips, unexposed = self.plan.each
        return {
            "kind": self.plan.kind, "means": KINDS[self.plan.kind], "where": self.plan.way,
            "new_lots": self.plan.lots, "doses": list(self.plan.doses), "hours": self.hours,
            "strips_each": strips, "unexposed_each": unexposed, "strips": self.plan.strips,
            "factor": self.factor, "factor_error": self.factor_error, "clear": self.clear,
            "stated": self.stated, "effective_draws": self.effective, "method": self.method,
            "rough": self.rough,
            "series": [
                {"material": s.material, "lot": s.lot, "direction": s.direction or None,
                 "new_lot": s.new, "doses": list(s.doses), "strips": list(s.strips),
                 "unexposed": s.unexposed}
                for s in self.plan.series
            ],
        }  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NextStrips:
    """Plans of what to test next, the one that teaches most first.

    Parameters
    ----------
    wanted : the number asked about.
    material, direction, exposure, of, fraction, site, month, against : the subject, as in a
        statement.
    unit : of the number; dose_unit : of the plans' doses under the lamp.
    level, assurance : of the interval, and that a verdict needs.
    required : what the number is held against, or None.
    value, factor : its median and the half-width of its interval now, as in `PlanValue`.
    above : probability now that it lies above what is required, or None.
    quoted : the statement of it as it stands, where the fit states one.
    budget : what may be spent.
    values : every plan, best first.
    left_out : kinds of plan that could not be made, with the reason.
    futures : simulated of each plan.
    seed : of the futures.
    """

    wanted: Wanted
    material: str
    direction: str | None
    exposure: str
    of: Subject
    fraction: float | None
    site: str | None
    month: int | None
    against: str | None
    unit: str
    dose_unit: str
    level: float
    assurance: float
    required: float | None
    value: float | None
    factor: float
    above: float | None
    quoted: Statement | None
    budget: Budget
    values: tuple[PlanValue, ...]
    left_out: dict[str, str]
    futures: int
    seed: int

    @property
    def settled(self) -> bool:
        """A verdict can be given already."""
        return self.above is not None and not (1 - self.assurance < self.above < self.assurance)

    def best_of_each(self) -> list[PlanValue]:
        """The best plan of each kind, best first."""
        kept: dict[str, PlanValue] = {}
        for v in self.values:
            kept.setdefault(v.plan.kind, v)
        return list(kept.values())

    @property
    def best(self) -> PlanValue:
        """The plan that is expected to teach most."""
        return self.values[0]

    def subject(self) -> str:
        """What is asked about, in words."""
        return subject_in_words(
            self.wanted, self.of, self.fraction, self.material, self.direction, self.exposure,
            self.site, self.month, self.against,
        )  # fmt: skip

    def decision(self) -> Decision:
        """What to test next, as a record."""
        best = self.best
        others = [v for v in self.best_of_each() if v.plan.kind != best.plan.kind]
        gain = (
            f"the interval, now a factor of {self.factor:.3g} either way, would be about"
            f" {best.factor:.3g}"
        )
        if best.clear is not None:
            gain += (
                f", and a clear verdict comes in {share_of(best.clear, self.futures)} of futures"
            )
        return Decision(
            name=f"next strips/{self.material}/{self.of}",
            question=f"What should be tested next to know {self.subject()}?",
            answer=f"test {KINDS[best.plan.kind]} ({self.in_words(best)}): {gain}",
            decided=math.log(best.factor) < 0.99 * math.log(self.factor),
            assurance=self.assurance,
            wrong_to_act="the strips are spent, and the interval may come out wider than expected: "
            "futures differ",
            wrong_to_wait=f"the interval stays at a factor of {self.factor:.3g} either way",
            would_change=tuple(
                f"{KINDS[v.plan.kind]}: a factor of {v.factor:.3g}" for v in others[:3]
            ),
            statements=() if self.quoted is None else (self.quoted.id,),
        )

    def in_words(self, value: PlanValue) -> str:
        """Lots, withdrawals and strips of a plan."""
        strips, unexposed = value.plan.each
        doses = ", ".join(f"{d:.4g}" for d in value.plan.doses)
        unit = "days" if value.plan.way == "open air" else self.dose_unit
        start = f", {unexposed} unexposed" if unexposed else ""
        return (f"{value.plan.lots_in_words()}, {value.plan.where()}, withdrawn at {doses} {unit}; "
                f"{strips} strips a group{start}, {value.plan.strips} in all")  # fmt: skip

    def notes(self) -> list[str]:
        """What to know before a plan is chosen."""
        lines = [
            "Each plan was followed into futures drawn from the present posterior: they hold if "
            "the law and the priors do. A plan that could show the law wrong is worth more than "
            "is counted here.",
            f"So many futures ({self.futures}) give a factor to about "
            f"{100 * max(v.factor_error for v in self.values):.0f} %: plans that differ by less "
            "are alike. Refits gave intervals a little wider than these: by a tenth on the log "
            "scale for the median lot, by a twentieth for a new lot (benchmarks/planning.py).",
        ]
        if self.settled:
            lines.append(
                "A verdict can be given already: plans stand in the order of their intervals, and"
                " a clear verdict then may be the other one."
            )
        if any(v.plan.kind == "second_temperature" for v in self.values):
            warmer = assumptions()["warmer_by"]["value"]
            lines.append(f"The second temperature is {warmer:g} K above that of the lamp as set.")
        if any(v.rough for v in self.values):
            lines.append(
                "Plans marked rough teach so much that few draws of the fit agree with a future: "
                "their interval may be a tenth off, or much too wide."
            )
        return lines + [f"not a plan: {KINDS[k]}: {why}" for k, why in self.left_out.items()]

    def to_dict(self) -> dict[str, Any]:
        """Plain types for JSON."""
        return {
            "asked": self.subject(), "quantity": self.wanted, "material": self.material,
            "direction": self.direction, "exposure": self.exposure, "of": self.of,
            "fraction": self.fraction, "site": self.site, "month": self.month,
            "against": self.against, "unit": self.unit, "dose_unit": self.dose_unit,
            "level": self.level, "assurance": self.assurance, "required": self.required,
            "value": self.value, "factor": self.factor, "above": self.above,
            "statement": None if self.quoted is None else self.quoted.to_dict(),
            "budget": {"strips": self.budget.strips, "dose": self.budget.dose,
                       "withdrawals": self.budget.withdrawals, "lots": self.budget.lots},
            "futures": self.futures, "plans": [v.to_dict() for v in self.values],
            "decision": self.decision().to_dict(), "notes": self.notes(), "seed": self.seed,
        }  # fmt: skip

    def __repr__(self) -> str:
        lines = [f"NextStrips: {self.subject()}; now a factor of {self.factor:.3g} either way"]
        lines += [
            f"  {v.factor:.3f}  {KINDS[v.plan.kind]}: {self.in_words(v)}"
            for v in self.best_of_each()
        ]
        return "\n".join(lines)

    def _repr_html_(self) -> str:
        body = "".join(
            f"<tr><td>{html.escape(KINDS[v.plan.kind])}</td>"
            f"<td>{html.escape(self.in_words(v))}</td><td>{v.factor:.3g}</td></tr>"
            for v in self.best_of_each()
        )
        return f"<p>{html.escape(self.subject())}</p><table>{body}</table>"


def next_strips(
    fit: Fit,
    *,
    strips: int,
    hours: float | None = None,
    dose: float | None = None,
    withdrawals: int = 3,
    lots: int = 12,
    material: str | None = None,
    direction: str | None = None,
    of: Subject | None = None,
    fraction: float | None = None,
    site: str | Path | Site | None = None,
    against: str | None = None,
    required: float | None = None,
    level: float | None = None,
    assurance: float | None = None,
    seed: int = 0,
    progress: Callable[[str, float], None] | None = None,
) -> NextStrips:
    """Plans of what to test next, by what each is expected to teach of one number.

    Parameters
    ----------
    fit : of one law, with lognormal scatter.
    strips : that may be broken.
    hours : longest exposure under the lamp, dark phases included [h]; or
    dose : the largest dose [canonical unit of the exposure]. None of both takes the last one
        tested.
    withdrawals, lots : most times at which strips are taken out, most new lots.
    material, direction : None takes the first material and its weaker direction.
    of, fraction, level, assurance : None takes the study's.
    site : the number is days there, laid in the month in which they are fewest; or
    against : the number is the ratio to this package, at the worse direction.
    required : what the number must exceed: a dose, days, or a ratio (1 by default).
    seed : same seed, same futures.
    progress : called with a word and the share done.

    Returns
    -------
    NextStrips

    Raises
    ------
    ValueError : a fit averaged over laws or with normal scatter, hours of an exposure whose dose
        is not known, strips too few for any plan, or an unknown material.
    """
    question = fit.study.question
    of = question.of if of is None else of
    level = question.level if level is None else level
    assurance = question.assurance if assurance is None else assurance
    if fraction is None and fit.study.thresholds:
        fraction = fit.study.thresholds[0]
    usable(fit)
    about = about_number(
        fit, material=material, direction=direction, of=of, fraction=fraction, site=site,
        against=against, seed=seed,
    )  # fmt: skip
    if against is not None and required is None:
        required = 1.0
    outlook, asked = about.outlook, about.number(required)
    exposure = fit.study.exposures[outlook.exposure]
    last = fit.last_dose(about.material, outlook.exposure)
    most = last if dose is None and hours is None else dose_of(exposure, hours=hours, dose=dose)
    budget = Budget(strips=strips, dose=most, withdrawals=withdrawals, lots=lots)
    materials = [about.material, *([against] if against else [])]
    tested = tuple(_tested(fit, m, outlook.exposure, about.middle(m)) for m in materials)
    left_out = dict(about.left_out)
    warmer = "second_temperature" not in left_out
    practice = _practice_dose(exposure)
    if practice is None:
        left_out["usual_practice"] = "hours are no measure of this exposure"
    plans = candidates(
        tested, budget, practice_dose=practice, warmer=warmer, rack_days=about.rack_days
    )
    if all(p.kind == "usual_practice" for p in plans):
        raise ValueError(
            f"{strips} strips are too few: two of each group of every lot and direction are the "
            "least; give more, or name fewer withdrawals"
        )
    values = []
    for i, plan in enumerate(plans):
        if progress is not None:
            progress("following plans", i / len(plans))
        found = futures(outlook.blocks(plan.series), asked, level=level, seed=seed)
        reach = max([last, *(d for s in plan.series for d in s.doses if s.way == "lamp")])
        values.append(_value(found, plan, about, exposure, reach, assurance, asked))
    even = np.full((1, outlook.draws.size), 1 / outlook.draws.size)
    now = read_weights(even, asked, level, np.zeros(1, dtype=int), float(outlook.draws.size))
    found = NextStrips(
        wanted=about.wanted, material=about.material, direction=about.direction,
        exposure=outlook.exposure, of=of, fraction=fraction, site=about.site, month=about.month,
        against=against, unit=about.unit(exposure.dose_unit), dose_unit=exposure.dose_unit,
        level=level, assurance=assurance, required=required, value=float(np.exp(now.middle[0])),
        factor=float(np.exp(now.half_width[0])),
        above=None if required is None else float(now.above[0]),
        quoted=_quoted(fit, about, of, fraction, level), budget=budget, values=(),
        left_out=left_out, futures=int(assumptions()["reading"]["futures"]), seed=seed,
    )  # fmt: skip
    return replace(found, values=_ordered(values, found.above is not None and not found.settled))


def _ordered(values: list[PlanValue], by_verdict: bool) -> tuple[PlanValue, ...]:
    """By interval; where a verdict is wanted, by the chance of one in steps of a tenth first, which
    is about what so many futures tell apart."""
    if not by_verdict:
        return tuple(sorted(values, key=lambda v: v.factor))
    return tuple(sorted(values, key=lambda v: (-round(10 * (v.clear or 0.0)), v.factor)))


def _tested(fit: Fit, material: str, exposure: str, middle: float) -> SoFar:
    model = fit.model
    mine = [k for k in model.series if k[0] == material]
    lots = tuple(dict.fromkeys(k[1] for k in mine if k[1] != "\x1f"))
    places = [i for i, k in enumerate(model.series) if k[0] == material]
    doses, start = set(), set()
    for i in places:
        for c in range(*model.series_index[i, 2:4]):
            if model.cell_exposure[c] == exposure:
                doses.add(float(model.cell_dose[c]))
            if model.cell_dose[c] == 0 and model.count[c]:
                start.add(model.series[i])
    return SoFar(
        material=material, lots=lots, directions=fit.directions(material),
        doses=tuple(sorted(doses)) or (fit.last_dose(material, exposure),), threshold=middle,
        has_unexposed=model.start_known is None and start >= set(mine),
    )  # fmt: skip


def _practice_dose(exposure: Any) -> float | None:
    try:
        return dose_of(exposure, hours=assumptions()["usual_practice"]["hours"])
    except ValueError:
        return None


def _value(
    found: Futures, plan: StripPlan, about: AboutNumber, exposure: Any, reach: float,
    assurance: float, asked: Asked,
) -> PlanValue:  # fmt: skip
    from durability.exposure import delivery
    from durability.inference.threshold import practice

    clear = stated = None
    if asked.required is not None:
        clear = float(((found.above >= assurance) | (found.above <= 1 - assurance)).mean())
    if about.wanted == "threshold_dose":
        rules = practice()
        far = found.middle > math.log(rules["extrapolation_limit"] * reach)
        far |= found.high > math.log(rules["upper_limit_reach"] * reach)
        stated = float((~far).mean())
    given = None if plan.way == "open air" else delivery(exposure)
    hours = None if given is None else plan.doses[-1] / given.dose_per_hour
    width = found.half_width
    return PlanValue(
        plan=plan, hours=hours,
        factor=float(np.exp(width.mean())),
        factor_error=float(width.std(ddof=1) / math.sqrt(width.size)), clear=clear, stated=stated,
        effective=found.effective, method=found.method, rough=found.rough,
    )  # fmt: skip


def _quoted(
    fit: Fit, about: AboutNumber, of: Subject, fraction: float | None, level: float
) -> Statement | None:
    """The threshold dose as the fit states it."""
    if about.wanted != "threshold_dose":
        return None
    from durability.inference.threshold import threshold_statements

    said = threshold_statements(
        fit, fractions=(fraction,), subjects=(of,), material=about.material,
        direction=about.direction or "", exposure=about.outlook.exposure, level=level,
    )  # fmt: skip
    return next(iter(said), None)


__all__ = ["NextStrips", "PlanValue", "next_strips"]
