"""By when must the product be covered? Days outdoors, and days that can be assured, by month.

``outdoor_days`` is the median of the days with its two-sided interval. ``days_to_cover`` is the
number of whole days that the product lasts with the probability asked for (assurance): the lower
quantile of the same draws, rounded down. Quantiles are order statistics and never interpolate, so
that draws without an end (threshold not reached) need no special case; the lower one is taken low.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from durability.decisions.bounds import FLAGS, Bound, bound_of
from durability.statement import Statement, Statements, Subject

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from durability.statement import Kind
    from durability.translation import ThresholdPosterior, Translation

DECIDED_HERE = {"extrapolated", *(name for names in FLAGS.values() for name in names)}
"""Flags of the threshold dose that are decided anew for its days."""
SUSPICIOUSLY_NARROW = 1.3
"""Half-width, as a factor, below which a translated interval is flagged."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Ground:
    """What every statement of one subject shares."""

    material: str
    direction: str | None
    of: Subject
    fraction: float | None
    share: float | None
    exposure: str
    site: str
    law: str
    kind: Kind
    assumptions: tuple[str, ...]
    flags: tuple[str, ...]
    bound: Bound | None
    reach: NDArray[np.float64]
    """Threshold draws over the last dose tested, in order of size."""

    def extrapolation(self, level: float) -> float:
        """How far beyond the last dose tested the dose lies that a statement rests on.

        Of a threshold dose its median. Where the strips give only a lower bound no median may be
        spoken of, and days rest on that bound at their own level.
        """
        if self.bound == "lower":
            from durability.inference.threshold import practice

            reach = _quantile(self.reach, 1 - level)
            return reach if math.isfinite(reach) else practice()["extrapolation_limit"]
        return _quantile(self.reach, level if self.bound == "upper" else 0.5)


def cover_statements(
    translation: Translation,
    fit: ThresholdPosterior,
    *,
    assurance: float | None = None,
    level: float | None = None,
) -> Statements:
    """Days outdoors and days to cover for every subject and month of a translation.

    Parameters
    ----------
    translation : of `fit` to a site.
    fit : the fit that was translated.
    assurance : probability that the product lasts the days to cover; None takes the study's.
    level : probability carried by the interval of days outdoors; None takes the study's.

    Returns
    -------
    Statements
        ``outdoor_days`` then ``days_to_cover`` for each material, direction, subject, fraction
        and month. Where the upper limit is not reached within the horizon the lower limit is
        one-sided; where the median is not reached either, only the lower limit is stated.

    Raises
    ------
    ValueError
        When assurance or level does not lie between 0 and 1.
    """
    question = fit.study.question
    assurance = question.assurance if assurance is None else assurance
    level = question.level if level is None else level
    for name, number in (("assurance", assurance), ("level", level)):
        if not 0 < number < 1:
            raise ValueError(f"{name} is {number}; it must lie between 0 and 1")
    statements: list[Statement] = []
    for ground, month, days in _months(translation, fit):
        for make in (
            _outdoor_days(days, ground, month, level, translation.horizon_days),
            _days_to_cover(days, ground, month, assurance, translation.horizon_days),
        ):
            if make is not None:
                statements.append(make)
    return Statements(statements)


def cover_limits(
    translation: Translation, fit: ThresholdPosterior, assurances: Iterable[float]
) -> Statements:
    """Days to cover at several assurances, for every subject and month of a translation.

    Parameters
    ----------
    translation, fit : as in `cover_statements`.
    assurances : probabilities that the product lasts.

    Returns
    -------
    Statements
        ``days_to_cover``, as `cover_statements` gives them one assurance at a time.
    """
    levels = list(assurances)
    return Statements(
        _days_to_cover(days, ground, month, level, translation.horizon_days)
        for ground, month, days in _months(translation, fit)
        for level in levels
    )


def _months(
    translation: Translation, fit: ThresholdPosterior
) -> Iterator[tuple[_Ground, int, NDArray[np.float64]]]:
    """Every subject and month, with the draws of days in order of size."""
    import numpy as np

    said = fit.statements()
    for material, direction, of, fraction in translation.subjects():
        ground = _ground(translation, fit, material, direction, of, fraction, said)
        draws = translation.draws(material, direction, of, fraction)
        ordered = np.sort(draws.values, axis=-1)
        for month, days in zip(draws.month.values, ordered, strict=True):
            yield ground, int(month), days


def _ground(
    translation: Translation,
    fit: ThresholdPosterior,
    material: str,
    direction: str,
    of: Subject,
    fraction: float | None,
    said: Statements,
) -> _Ground:
    """What the fit says of the threshold dose is said of its days too."""
    import numpy as np

    exposure = translation.exposures[material]
    share = translation.share if of == "single_specimen" else None
    tau = fit.threshold_draws(
        fraction, of=of, material=material, direction=direction, exposure=exposure, share=share
    )
    last = float(fit.last_dose(material, exposure))
    bound = bound_of(
        fit,
        fraction,
        of=of,
        material=material,
        direction=direction,
        exposure=exposure,
        share=share,
    )
    of_dose = said.where(
        quantity="threshold_dose",
        material=material,
        direction=direction or None,
        exposure=exposure,
        of=of,
        fraction=fraction,
    )
    flags = [f for s in of_dose for f in s.flags if f not in DECIDED_HERE]
    if bound is not None:
        flags += FLAGS[bound]
    if np.isinf(tau).any():
        flags.append("threshold_may_not_exist")
    assumptions = [a for s in of_dose for a in s.assumptions] + list(translation.assumptions)
    if len(fit.exposures(material)) == 1 and "lab_to_sky_prior" in assumptions:
        assumptions.append("clock_prior")
    return _Ground(
        material=material,
        direction=direction or None,
        of=of,
        fraction=fraction,
        share=share,
        exposure=exposure,
        site=translation.site,
        law=fit.law,
        kind="credible" if of == "mean" else "prediction",
        assumptions=tuple(dict.fromkeys(assumptions)),
        flags=tuple(dict.fromkeys(flags)),
        bound=bound,
        reach=np.sort(tau) / last if last > 0 else np.full(tau.shape, math.inf),
    )


def _quantile(ordered: NDArray[np.float64], probability: float, *, upper: bool = False) -> float:
    """Order statistic at or next below (next above) a probability, of draws in order of size."""
    place = (ordered.size - 1) * probability
    return float(ordered[math.ceil(place) if upper else math.floor(place)])


def _outdoor_days(
    days: NDArray[np.float64], ground: _Ground, month: int, level: float, horizon: float
) -> Statement | None:
    tail = (1 - level) / 2
    flags = list(ground.flags)
    value: float | None = _quantile(days, 0.5)
    low: float | None = _quantile(days, tail)
    high: float | None = _quantile(days, 1 - tail, upper=True)
    sides: Literal[1, 2] = 2
    if ground.bound == "lower" or high == math.inf:
        if high == math.inf:
            flags.append("beyond_horizon")
        low, high, sides = _quantile(days, 1 - level), None, 1
        if ground.bound == "lower" or value == math.inf:
            value = None
        if low == math.inf:
            low = horizon
    if ground.bound == "upper":
        value, low, high, sides = None, None, _quantile(days, level, upper=True), 1
        if high == math.inf:
            return None
    if low and high and high / low < SUSPICIOUSLY_NARROW**2:
        flags.append("narrow")
    reached = float((days < math.inf).mean())
    return _statement(
        "outdoor_days", ground, month, value=value, low=low, high=high, level=level, sides=sides,
        flags=flags, probability=None if reached == 1 else reached,
    )  # fmt: skip


def _days_to_cover(
    days: NDArray[np.float64], ground: _Ground, month: int, assurance: float, horizon: float
) -> Statement:
    flags = list(ground.flags)
    low = _quantile(days, 1 - assurance)
    reached = float((days < math.inf).mean())
    if low == math.inf:
        low = horizon
        flags.append("beyond_horizon")
    low = float(math.floor(low))
    if low == 0:
        flags.append("cover_at_once")
    return _statement(
        "days_to_cover", ground, month, value=None, low=low, high=None, level=assurance, sides=1,
        flags=flags, probability=None if reached == 1 else reached,
    )  # fmt: skip


def _statement(
    quantity: Literal["outdoor_days", "days_to_cover"],
    ground: _Ground,
    month: int,
    *,
    value: float | None,
    low: float | None,
    high: float | None,
    level: float,
    sides: Literal[1, 2],
    flags: list[str],
    probability: float | None,
) -> Statement:
    reach = ground.extrapolation(level)
    beyond = reach > 1
    if beyond:
        flags = [*flags, "extrapolated"]
    return Statement(
        quantity=quantity,
        unit="d",
        of=ground.of,
        value=value,
        low=low,
        high=high,
        level=level,
        kind=ground.kind,
        sides=sides,
        material=ground.material,
        direction=ground.direction,
        exposure=ground.exposure,
        site=ground.site,
        month=month,
        fraction=ground.fraction,
        share=ground.share,
        extrapolated=beyond,
        extrapolation_factor=reach if beyond and math.isfinite(reach) else None,
        law=ground.law,
        assumptions=ground.assumptions,
        flags=tuple(flags),
        probability=probability,
    )


def not_reached(s: Statement) -> bool:
    """Whether days to cover are all the days counted, since the threshold lies beyond them."""
    return s.quantity == "days_to_cover" and "beyond_horizon" in s.flags


def soonest(s: Statement) -> tuple[float, float, int]:
    """Sorts days to cover, the fewest first; of as many, those likelier to be the last."""
    return s.low or 0.0, -(1.0 if s.probability is None else s.probability), s.month or 0


def likeliest_reached(said: Iterable[Statement]) -> Statement | None:
    """Of days to cover those whose threshold is likeliest to be reached in the years counted.

    Parameters
    ----------
    said : of one subject, by month of laying.

    Returns
    -------
    Statement with its ``probability``; None where it is certain in some month.
    """
    of_days = [s for s in said if s.quantity == "days_to_cover"]
    if not of_days or any(s.probability is None for s in of_days):
        return None
    return max(of_days, key=lambda s: s.probability or 0.0)


def best_and_worst_month(statements: Iterable[Statement]) -> Statements:
    """Days to cover of the worst and of the best month of laying, for each subject.

    Parameters
    ----------
    statements : any; those that are not days to cover are passed over.

    Returns
    -------
    Statements
        For each subject the worst month, then the best (the earlier where months tie); one
        statement only where all months give the same.
    """
    groups: dict[tuple[object, ...], list[Statement]] = {}
    for s in statements:
        if s.quantity == "days_to_cover":
            subject = (s.material, s.direction, s.of, s.fraction, s.share, s.site, s.exposure)
            groups.setdefault(subject, []).append(s)
    chosen: list[Statement] = []
    for months in groups.values():
        worst = min(months, key=soonest)
        best = min(months, key=lambda s: (-(s.low or 0.0), s.month or 0))
        chosen += [worst] if worst.low == best.low else [worst, best]
    return Statements(chosen)


def worst_month(statements: Iterable[Statement]) -> Statements:
    """Days to cover of the worst month of laying alone, for each subject."""
    worst: dict[tuple[object, ...], Statement] = {}
    for s in best_and_worst_month(statements):
        subject = (s.material, s.direction, s.of, s.fraction, s.share, s.site, s.exposure)
        worst.setdefault(subject, s)
    return Statements(worst.values())


__all__ = [
    "best_and_worst_month", "cover_statements", "likeliest_reached", "not_reached", "soonest",
    "worst_month",
]  # fmt: skip
