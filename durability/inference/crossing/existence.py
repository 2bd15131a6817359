"""Can the brackets be fitted at all, and if not, what do they still say?

The likelihood has one maximum at a finite place unless some direction of (β/σ, 1/σ) never lowers
it: M. J. Silvapulle and J. Burridge, Existence of maximum likelihood estimates in regression models
for grouped and ungrouped data, J. R. Stat. Soc. B 48 (1986) 100-106 (from memory). Two kinds of
direction matter, and each is a small linear programme:

- one line passes through every bracket: the scatter between units may be nothing;
- a combination of covariates holds units that all held, or that had all crossed: its effect may be
  without limit. With no covariate this is the case in which every unit held, or every unit crossed.

What is left then needs no distribution: with S(dose) the share still holding, each dose at which
units were known to hold, or not, is a binomial test of S.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from durability.inference.crossing.families import Family
from durability.inference.crossing.likelihood import Brackets

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

REASONS: dict[str, str] = {
    "all_held": "Every unit still held when last looked at: only 'not before' can be said.",
    "all_crossed": "Every unit had crossed when first looked at: only 'not after' can be said.",
    "no_scatter": "One dose lies in every bracket, so the brackets do not tell how much units"
    " differ: only limits between looks can be said.",
    "separated": "All units that share a covariate held, or had all crossed, so its effect has no"
    " limit.",
    "too_few_units": "There are fewer units than coefficients.",
    "same_columns": "Covariates repeat each other, so their effects cannot be told apart.",
    "no_trend": "Units had not crossed more often at higher doses than at lower, so their spread"
    " has no limit.",
    "did_not_converge": "The likelihood has no clear maximum.",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class CrossingBound:
    """What holds of a crossing dose whatever its distribution.

    Parameters
    ----------
    p : share of units that have crossed at the dose in question, 0.5 for the median unit.
    low, high : limits [unit of dose]; None where the units do not give one at this level.
    level : probability carried; on one side where only one limit exists, else between both.
    units : that were counted.
    """

    p: float
    low: float | None
    high: float | None
    level: float
    units: float

    def __str__(self) -> str:
        n = f"{self.units:g} unit{'' if self.units == 1 else 's'}"
        share = f"{100 * self.p:g} % of units have crossed"
        if self.low is None and self.high is None:
            return f"no limit at {100 * self.level:g} % from {n}"
        if self.low is not None and self.high is not None:
            words = f"between {self.low:g} and {self.high:g}"
        elif self.low is not None:
            words = f"not before {self.low:g}"
        else:
            words = f"not after {self.high:g}"
        return f"{share} {words} ({100 * self.level:g} % confidence, {n})"


class NoEstimate(ValueError):
    """The brackets have no fit; `reason` is a key of REASONS, `bound` what can still be said."""

    def __init__(self, reason: str, detail: str = "", bound: CrossingBound | None = None) -> None:
        self.reason, self.detail, self.bound = reason, detail, bound
        parts = [REASONS[reason], detail, "" if bound is None else f"What holds: {bound}."]
        super().__init__(" ".join(p for p in parts if p))


def distribution_free(
    low: Floats,
    high: Floats,
    weight: Floats,
    *,
    once: NDArray[np.bool_] | None = None,
    p: float = 0.5,
    level: float = 0.95,
) -> CrossingBound:
    """Limits of the dose at which a share p has crossed, from binomial tests at each look.

    Looks are taken in order of dose and the first that does not reject ends it, so that one level
    holds for all. A unit whose bracket contains the dose counts against the limit. Looks must not
    depend on the units' own state.

    Parameters
    ----------
    low, high : doses (unit,); 0 and inf where there is no limit.
    weight : counts (unit,).
    once : (unit,) True where a unit was looked at once only, such as a strip that breaks. It counts
        at its own dose, and at the next doses only as far as units are needed for a limit at all.
    p, level : as in `CrossingBound`.

    Examples
    --------
    Six units, all seen to hold at 100 and found crossed at 150:

    >>> one = np.ones(6)
    >>> print(distribution_free(100 * one, 150 * one, one))
    50 % of units have crossed between 100 and 150 (95 % confidence, 6 units)
    """
    single = np.zeros(weight.size, dtype=bool) if once is None else once
    held, crossed = (low, weight, single), (-high, weight, single)
    look = np.where(np.isfinite(high), high, low)

    def limits(alpha: float) -> tuple[float | None, float | None]:
        lower = _last_rejected(*held, look, 1 - p, alpha)
        upper = _last_rejected(*crossed, -look, p, alpha)
        return lower, None if upper is None else -upper

    lower, upper = limits((1 - level) / 2)
    if lower is None or upper is None:
        one = limits(1 - level)
        lower, upper = (one[0], None) if one[0] is not None else (None, one[1])
    return CrossingBound(p=p, low=lower, high=upper, level=level, units=float(weight.sum()))


def _last_rejected(
    known: Floats,
    weight: Floats,
    once: NDArray[np.bool_],
    look: Floats,
    chance: float,
    alpha: float,
) -> float | None:
    """The farthest dose at which too many units are known to hold for `chance` to be true.

    Signs are turned by the caller for crossing, so that one loop serves both sides.
    """
    from scipy.special import bdtrc

    needed = math.log(alpha) / math.log(chance)
    found = None
    for dose in np.unique(known[np.isfinite(known) & (known != 0)]):
        pool = ~once
        for ahead in np.unique(look[once & (look >= dose)]):
            if weight[pool].sum() >= needed:
                break
            pool = pool | (once & (look == ahead))
        hold = float(weight[pool & (known >= dose)].sum())
        if hold == 0 or bdtrc(math.ceil(hold) - 1, math.floor(weight[pool].sum()), chance) > alpha:
            break
        found = float(dose)
    return found


def require_estimate(family: Family, data: Brackets, names: tuple[str, ...]) -> None:
    """Raise `NoEstimate` where the likelihood has no maximum at a finite place."""
    x = data.design
    n, k = x.shape
    units = int((data.weight > 0).sum())
    if data.weight.sum() < k:
        raise NoEstimate("too_few_units", f"Found {n} units and {k} coefficients.")
    rank = np.linalg.matrix_rank(x / np.maximum(np.abs(x).max(0), 1e-300))
    if rank < k:
        if units < k:
            raise NoEstimate("too_few_units", f"Found {n} different units and {k} coefficients.")
        raise NoEstimate("same_columns", f"Columns: {', '.join(names)}.")
    right, left = np.isfinite(data.low) & ~np.isfinite(data.high), ~np.isfinite(data.low)
    right = right & ~data.point
    if right.all():
        raise NoEstimate("all_held")
    if left.all():
        raise NoEstimate("all_crossed")
    # without covariates the two cases above are all the separation there is
    direction = _separation(data, right, left) if k > 1 else None
    if direction is not None:
        told = [n for n, d in zip(names, direction, strict=True) if abs(d) > 1e-7]
        raise NoEstimate("separated", f"It is told by: {', '.join(told)}.")
    if not family.fixed_scale and _one_line(data):
        raise NoEstimate("no_scatter")


def _separation(data: Brackets, right: NDArray[np.bool_], left: NDArray[np.bool_]) -> Floats | None:
    """A direction of β along which units that held only rise and those that crossed only fall."""
    from scipy.optimize import linprog

    scale = np.maximum(np.abs(data.design).max(0), 1e-300)
    x = data.design / scale
    fixed = ~right & ~left
    found = linprog(
        -(x[right].sum(0) - x[left].sum(0)),
        A_ub=np.vstack([-x[right], x[left]]) if (right | left).any() else None,
        b_ub=np.zeros(int((right | left).sum())) if (right | left).any() else None,
        A_eq=x[fixed] if fixed.any() else None,
        b_eq=np.zeros(int(fixed.sum())) if fixed.any() else None,
        bounds=(-1, 1),
        method="highs",
    )
    return found.x if found.status == 0 and -found.fun > 1e-7 else None


def _one_line(data: Brackets) -> bool:
    """True where one β lies in every bracket, edges included."""
    from scipy.optimize import linprog

    if data.design.shape[1] == 1:
        return bool(data.low.max() <= np.where(data.point, data.low, data.high).min())
    scale = np.maximum(np.abs(data.design).max(0), 1e-300)
    x = data.design / scale
    has_low, has_high = np.isfinite(data.low), np.isfinite(data.high)
    low, high = data.low, np.where(data.point, data.low, data.high)
    has_high = has_high | data.point
    edge = 1e-9 * (1 + np.abs(np.where(has_low, low, 0)).max())
    found = linprog(
        np.zeros(x.shape[1]),
        A_ub=np.vstack([-x[has_low], x[has_high]]),
        b_ub=np.concatenate([-low[has_low], high[has_high]]) + edge,
        bounds=(None, None),
        method="highs",
    )
    return found.status == 0
