"""How far may a quantity move before the data object? Profile likelihood, by exact roots.

A quantity is a condition ``G(theta, c) = 0``: a parameter itself, a function of the parameters, or
the dose at which the curve meets a level. For each held value c the condition is solved for one
entry of theta and the likelihood is maximised over the others; the limits are the roots of

    deviance(c) = 2 (log-likelihood at the best - at c) = N log(1 + t²/(N - p))        (F)
                                                        = chi-square, 1 degree          (chi2)

For normal errors the first is exactly ``RSS(c) = RSS (1 + t²/(N - p))``. Both sides are followed
together. A limit that the deviance never reaches does not exist and is None.

Reference: Bates and Watts, Nonlinear Regression Analysis and Its Applications (1988), chapter 6,
from memory.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from durability.inference.likelihood.errors import Likelihood
from durability.inference.likelihood.minimise import minimise
from durability.laws import Law

Calibration = Literal["F", "chi2"]
Condition = Callable[[np.ndarray, np.ndarray], tuple[np.ndarray, np.ndarray]]
"""(theta (B, p), c (B,)) -> G (B,), its slopes by theta (B, p)."""


def allowed(level: float, n: float, parameters: int, calibration: Calibration) -> float:
    """Deviance up to which a value belongs to the interval.

    Parameters
    ----------
    level : of the two-sided interval.
    n : strips.
    parameters : of the mean.

    Examples
    --------
    >>> round(allowed(0.95, 30, 3, "chi2"), 3), round(allowed(0.95, 30, 3, "F"), 3)
    (3.841, 4.347)
    """
    from scipy.special import chdtri, stdtrit

    if calibration == "chi2":
        return float(chdtri(1, 1 - level))
    if calibration != "F":
        raise ValueError(f'calibration "{calibration}" is unknown; known: F, chi2')
    freedom = n - parameters
    if freedom <= 0:
        return float("inf")
    t = float(stdtrit(freedom, 0.5 + level / 2))
    return float(n * np.log1p(t**2 / freedom))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Limits:
    """Both ends of a profile interval; None where an end does not exist.

    ``better`` is a theta that fits better than the one given, should the search have found one.
    """

    low: float | None
    high: float | None
    better: np.ndarray | None
    evaluations: int


def held_likelihood(
    likelihood: Likelihood,
    condition: Condition,
    values: np.ndarray,
    solve_for: np.ndarray,
    linear: bool = False,
) -> Callable[[np.ndarray, np.ndarray], tuple[np.ndarray, np.ndarray, np.ndarray]]:
    """The likelihood with row i's entry ``solve_for[i]`` found from the condition at its value."""

    def objective(
        theta: np.ndarray, index: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        full, slope, good = complete(theta, condition, values[index], solve_for[index], linear)
        value, gradient, hessian = likelihood(full, index)
        rows = np.arange(len(full))
        j = solve_for[index]
        with np.errstate(all="ignore"):
            along = -slope / slope[rows, j][:, None]
        along[rows, j] = 0.0
        good &= np.isfinite(along).all(1)
        along = np.where(good[:, None], along, 0.0)
        by = gradient + gradient[rows, j][:, None] * along
        # M'HM for M = I + e_j along'
        column = hessian[rows, :, j]
        corner = hessian[rows, j, j]
        bent = (
            hessian
            + column[:, :, None] * along[:, None, :]
            + along[:, :, None] * column[:, None, :]
        )
        bent = bent + corner[:, None, None] * along[:, :, None] * along[:, None, :]
        by[rows, j] = 0.0
        bent[rows, j, :] = 0.0
        bent[rows, :, j] = 0.0
        bent[rows, j, j] = 1.0
        return np.where(good, value, np.inf), by, bent

    return objective


def complete(
    theta: np.ndarray,
    condition: Condition,
    values: np.ndarray,
    solve_for: np.ndarray,
    linear: bool = False,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Solve the condition for one entry of each row by Newton's method; (theta, slopes, solved)."""
    full = theta.copy()
    rows = np.arange(len(full))
    if linear:
        gap, slope = condition(full, values)
        full[rows, solve_for] -= gap / slope[rows, solve_for]
        return full, slope, np.isfinite(gap)
    slope = np.zeros_like(full)
    error = np.full(len(full), np.inf)
    for _ in range(25):
        gap, slope = condition(full, values)
        with np.errstate(all="ignore"):
            step = gap / slope[rows, solve_for]
        step = np.where(
            np.isfinite(step),
            np.clip(step, -5.0 - abs(full[rows, solve_for]), 5.0 + abs(full[rows, solve_for])),
            np.nan,
        )
        size = 1e-12 + np.abs(full[rows, solve_for])
        error = np.where(gap == 0, 0.0, np.abs(step) / size)
        if not (error > 1e-13).any():
            break
        full[rows, solve_for] -= np.where(np.isfinite(step), step, 0.0)
    return full, slope, error <= 1e-9


def profile_at(
    likelihood: Likelihood,
    condition: Condition,
    values: np.ndarray,
    start: np.ndarray,
    solve_for: np.ndarray,
    linear: bool = False,
) -> tuple[np.ndarray, np.ndarray]:
    """Best value of the likelihood with the quantity held at each value: (value (B,), theta)."""
    objective = held_likelihood(likelihood, condition, values, solve_for, linear)
    lower = np.broadcast_to(likelihood.lower, start.shape).copy()
    upper = np.broadcast_to(likelihood.upper, start.shape).copy()
    rows = np.arange(len(start))
    lower[rows, solve_for], upper[rows, solve_for] = -np.inf, np.inf
    found = minimise(
        objective, start, lower=lower, upper=upper, tolerance=5e-4, most=40, damping=1e-6
    )
    full, _, good = complete(found.theta, condition, values, solve_for, linear)
    outside = (full[rows, solve_for] < likelihood.lower[solve_for] - 1e-9) | (
        full[rows, solve_for] > likelihood.upper[solve_for] + 1e-9
    )
    return np.where(good & ~outside, found.value, np.inf), full


def profile_limits(
    likelihood: Likelihood,
    theta: np.ndarray,
    condition: Condition,
    centre: float,
    width: float,
    solve_for: int,
    deviance: float,
    *,
    reach: tuple[float, float] = (-np.inf, np.inf),
    sides: tuple[int, ...] = (-1, 1),
    begin: np.ndarray | None = None,
    linear: bool = False,
    rate: np.ndarray | None = None,
) -> Limits:
    """Values on both sides of `centre` at which the deviance is what is allowed.

    Parameters
    ----------
    theta : (p,) the best fit.
    condition : what is held.
    centre, width : its value at the best fit, and its standard error (both on the scale in which
        c is given).
    solve_for : entry of theta that the condition is solved for.
    deviance : see `allowed`.
    reach : values beyond these count as not existing.
    sides : which ends are wanted.
    begin : (p,) theta that meets the condition at `centre`, where the best fit does not.
    linear : the condition is a straight line in the entry that it is solved for.
    rate : (p,) how theta moves with c near the best fit, if known.
    """
    best = float(likelihood(theta[None, :])[0][0])
    goal = np.sqrt(deviance)
    count = len(sides)
    sign = np.array(sides, dtype=float)
    inner = np.full(count, centre)  # where the deviance is still allowed
    inner_z = np.zeros(count)
    home = theta if begin is None else begin
    inner_theta = np.repeat(home[None, :], count, axis=0)
    outer = np.full(count, np.nan)
    outer_z = np.full(count, np.nan)
    answer = np.full(count, np.nan)
    exists = np.ones(count, dtype=bool)
    better: np.ndarray | None = None
    step = sign * max(width, 1e-12 * (1 + abs(centre))) * goal
    trial = np.clip(centre + step, *reach)
    before, before_z, before_theta = inner.copy(), inner_z.copy(), inner_theta.copy()
    open_ = np.ones(count, dtype=bool)
    searched = np.zeros(count, dtype=bool)  # other places gave nothing better close to the limit
    evaluations = 0
    law = likelihood.mean.law
    plain = isinstance(law, Law) and law.floor <= 1e-6 and len(law.shapes) < 2
    delicate = not plain or _on_bound(likelihood, home[None, :])
    for turn in range(80):
        at = np.flatnonzero(open_)
        if not at.size:
            break
        start = inner_theta[at].copy()
        moved = inner[at] != before[at]
        if moved.any():  # go on in the direction in which theta was moving
            k = at[moved]
            along = (inner_theta[k] - before_theta[k]) / (inner[k] - before[k])[:, None]
            ahead = np.clip(
                trial[k] - inner[k], -2 * abs(inner[k] - before[k]), 2 * abs(inner[k] - before[k])
            )
            start[moved] += along * ahead[:, None]
        elif turn == 0 and rate is not None:
            start += (trial[at] - inner[at])[:, None] * rate
        solve = np.full(at.size, solve_for)
        value, found = profile_at(likelihood, condition, trial[at], start, solve, linear)
        # a nuisance parameter on a bound or a kink may have held the search back: before a value
        # is taken to be excluded, it is tried from the last allowed point and the best fit too,
        # until that has brought nothing within a hundredth of the limit
        out = np.flatnonzero(~(2 * (value - best) <= deviance) & ~searched[at])
        if out.size and turn and (delicate or _on_bound(likelihood, found[out])):
            k = at[out]
            begins = np.concatenate([inner_theta[k], np.repeat(home[None, :], k.size, axis=0)])
            again, other = profile_at(
                likelihood, condition, np.tile(trial[k], 2), begins,
                np.full(2 * k.size, solve_for), linear,
            )  # fmt: skip
            for i, place in enumerate(out):
                least = min(again[i], again[i + k.size])
                gained = value[place] - least > 1e-6 * deviance
                searched[k[i]] = not gained and 2 * (value[place] - best) <= 1.02 * deviance
                for j in (i, i + k.size):
                    if again[j] < value[place]:
                        value[place], found[place] = again[j], other[j]
        evaluations += 1
        lowest = int(np.argmin(value))
        if value[lowest] < best - 1e-7 * (1 + abs(best)) and np.isfinite(value[lowest]):
            better = found[lowest]
            return Limits(low=None, high=None, better=better, evaluations=evaluations)
        z = np.sqrt(np.maximum(2 * (value - best), 0.0))
        for i, k in enumerate(at):
            c = trial[k]
            if z[i] <= goal:
                before[k], before_z[k], before_theta[k] = inner[k], inner_z[k], inner_theta[k]
                inner[k], inner_z[k], inner_theta[k] = c, z[i], found[i]
            else:
                outer[k], outer_z[k] = c, z[i]
            if abs(z[i] - goal) <= 3e-7 * goal:
                answer[k], open_[k] = c, False
                continue
            if np.isnan(outer[k]):  # not yet beyond the limit
                if c == reach[0] or c == reach[1] or turn > 45:
                    exists[k], open_[k] = False, False
                    continue
                gained = inner_z[k] - before_z[k]
                more = (goal - inner_z[k]) / gained * (c - before[k]) if gained > 1e-9 else np.inf
                longest = 1.0 * abs(c - centre) + abs(width)
                ahead = sign[k] * min(abs(more) * 1.05, longest)
                far = reach[0] if sign[k] < 0 else reach[1]
                # after a few steps ask at the far end whether a limit exists at all
                trial[k] = far if turn == 3 and np.isfinite(far) else np.clip(c + ahead, *reach)
                continue
            gap = outer[k] - inner[k]
            if abs(gap) <= 1e-9 * abs(width) + 1e-14 * abs(inner[k]):
                answer[k], open_[k] = inner[k], False
                continue
            trial[k] = inner[k] + gap * _share(
                inner[k], inner_z[k], outer[k], outer_z[k], before[k], before_z[k], goal, turn
            )
    answer = np.where(open_, inner, answer)
    ends = {int(s): (float(answer[i]) if exists[i] else None) for i, s in enumerate(sides)}
    return Limits(low=ends.get(-1), high=ends.get(1), better=better, evaluations=evaluations)


def _on_bound(likelihood: Likelihood, theta: np.ndarray) -> bool:
    """Whether an estimated entry of any row rests on its bound."""
    rests = (theta <= likelihood.lower) | (theta >= likelihood.upper)
    return bool((rests & likelihood.free).any())


def _share(
    inner: float,
    inner_z: float,
    outer: float,
    outer_z: float,
    before: float,
    before_z: float,
    goal: float,
    turn: int,
) -> float:
    """Share of the way from inner to outer for the next try: inverse interpolation, else half."""
    if not np.isfinite(outer_z) or (turn > 8 and turn % 2 == 0):
        return 0.5
    gap = outer - inner
    line = (goal - inner_z) / (outer_z - inner_z)
    share = line
    if before != inner and before_z < inner_z:  # through three points, c as a function of z
        z0, z1, z2 = before_z, inner_z, outer_z
        c0, c1, c2 = before, inner, outer
        c = (
            c0 * (goal - z1) * (goal - z2) / ((z0 - z1) * (z0 - z2))
            + c1 * (goal - z0) * (goal - z2) / ((z1 - z0) * (z1 - z2))
            + c2 * (goal - z0) * (goal - z1) / ((z2 - z0) * (z2 - z1))
        )
        curved = (c - inner) / gap
        if 0 < curved < 1:
            share = curved
    return float(np.clip(share, 1e-9, 1 - 1e-9))
