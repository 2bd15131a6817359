"""Where is the mode, and which coordinates make the posterior round there?

First the mode at a moderate spread of lots, in plain parameters, and a quadratic approximation of
everything linear about it (`durability.inference.quadratic`). It gives the conditional mean and
spread of the rest at any spreads, and the marginal density of the spreads, each of which is sampled
as the normal score of it. Then the mode in these coordinates and the Hessian there, whose inverse
is the covariance that makes z nearly standard normal.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from durability.inference import kernel as k
from durability.inference.coordinates import (
    N_DENSE,
    N_KNOT,
    Coordinates,
    Layout,
    column_values,
    layout,
    pack,
    plain_priors,
    spread_of_score,
    spread_priors,
)
from durability.inference.model import Model
from durability.inference.quadratic import nothing, outer_columns, quadratic
from durability.inference.straight import straightened

LOW, HIGH = -5.0, 6.0  # prior scores of a spread that are looked at
N_LOOK = 61


def density(buffer: np.ndarray, y: np.ndarray) -> tuple[float, np.ndarray]:
    """Log posterior density and its gradient; the buffer's coordinates must have z = y."""
    grad = np.empty(y.size)
    return k.log_density(y, grad, buffer), grad


def find(model: Model) -> tuple[Coordinates, np.ndarray]:
    """Coordinates in which the posterior is close to standard normal, and the mode's theta.

    Returns
    -------
    Coordinates, and theta at the mode (n_y,).
    """
    from threadpoolctl import threadpool_limits

    with threadpool_limits(limits=1, user_api="blas"):  # threads only wait on arrays this small
        return _find(model)


def _find(model: Model) -> tuple[Coordinates, np.ndarray]:
    lay = layout(model)
    plain = Coordinates(
        centre=np.zeros(lay.size),
        chol=np.zeros((0, 0)),
        diagonal=np.ones(lay.size),
        given=nothing(),
        bend_at=np.array([c.mean for c in model.columns], dtype=float),
        bends=np.zeros((len(spread_priors(model)), N_KNOT, 5)),
        raw=True,
    )
    theta = _plain_mode(model, lay, pack(model, plain))
    bend_at = column_values(model, theta)
    taken = straightened(model, bend_at, lay.main.start)
    at = replace(plain, raw=False, bend_at=bend_at, given=quadratic(model, taken, theta))
    at = replace(at, bends=_bends(model, lay, pack(model, at), theta))
    buffer = pack(model, at)
    outer = np.flatnonzero(outer_columns(model, taken))
    y = np.zeros(lay.size)
    y[outer] = theta[outer]
    between = slice(lay.reading.start, lay.error.stop)
    y[between] = theta[between]
    y = _climb(buffer, y, np.ones(lay.size, dtype=bool))
    unit = np.ones(lay.size)
    unit[outer] = plain_priors(model)[1][outer]  # kelvins are not log doses
    chol, diagonal = _shape_at(lay, buffer, y, unit)
    at = replace(at, centre=y, chol=chol, diagonal=diagonal)
    k.from_y(y, buffer, theta)
    return at, theta


def _plain_mode(model: Model, lay: Layout, buffer: np.ndarray) -> np.ndarray:
    """Mode at moderate group spreads, from several starts of threshold dose and spread."""
    free = np.ones(lay.size, dtype=bool)
    theta = np.zeros(lay.size)
    plain_mean, _ = plain_priors(model)
    theta[: lay.scale.start] = plain_mean
    scores = slice(lay.scale.start, lay.main.start)
    free[scores] = False
    theta[scores] = -0.6  # 0.1 on the log scale where the prior's scale is 0.3
    if not lay.start_fixed:
        theta[lay.start] = model.start_prior[:, 0]
    # where there are many effects, a look from each start, and on from the best, less exactly: the
    # mode is only where coordinates are made, and is climbed again in them
    look, rough = (2000, 1e-13) if lay.size <= N_DENSE else (40, 1e-9)
    best, best_value = theta, -np.inf
    for shift in (0.0, -1.5, 1.5):
        start = theta.copy()
        start[lay.main] = model.main_prior[:, 0] + shift
        start[lay.spread.start : lay.reading.stop] += 0.7
        found = _climb(buffer, start, free, most=look, exact=rough)
        value = density(buffer, found)[0]
        if value > best_value + 1e-6:
            best, best_value = found, value
    return best if lay.size <= N_DENSE else _climb(buffer, best, free, exact=rough)


def _climb(
    buffer: np.ndarray,
    start: np.ndarray,
    free: np.ndarray,
    *,
    most: int = 2000,
    exact: float = 1e-13,
) -> np.ndarray:
    """The mode over the `free` entries, by at most so many steps and until little is gained."""
    from scipy.optimize import minimize

    full = start.copy()

    def descend(part: np.ndarray) -> tuple[float, np.ndarray]:
        full[free] = part
        value, grad = density(buffer, full)
        if not (math.isfinite(value) and np.isfinite(grad).all()):
            return 1e12, np.zeros(part.size)
        return -value, -grad[free]

    options = {"maxiter": most, "maxcor": 30, "ftol": exact, "gtol": 1e-6}
    result = minimize(descend, start[free], jac=True, method="L-BFGS-B", options=options)
    full[free] = result.x
    return full


def _slopes(buffer: np.ndarray, y: np.ndarray, move: np.ndarray) -> np.ndarray:
    """Minus the derivative of the gradient along a move, by central differences."""
    step = 1e-4
    up, down = density(buffer, y + step * move)[1], density(buffer, y - step * move)[1]
    return -(up - down) / (2 * step)


def _shape_at(
    lay: Layout, buffer: np.ndarray, y: np.ndarray, unit: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Cholesky factor of the covariance at the mode; scales one by one for many group effects.

    Up to `N_DENSE` parameters all enter the factor. Beyond, group effects are taken as independent
    of each other given the rest (they nearly are in these coordinates): all their curvatures come
    from one move, and the factor is that of the rest with them integrated out.
    """
    n = y.size
    dense = n if n <= N_DENSE else lay.effect.start
    length = np.maximum(unit, 0.1 * np.abs(y))  # longer moves where y is large
    rows = [_slopes(buffer, y, np.eye(1, n, j)[0] * length[j]) / length[j] for j in range(dense)]
    rows = np.array(rows).reshape(dense, n)
    hessian = (rows[:, :dense] + rows[:, :dense].T) / 2
    scales = np.ones(n - dense)
    if dense < n:
        move = np.zeros(n)
        move[dense:] = 1.0
        curvature = np.clip(_slopes(buffer, y, move)[dense:], 0.05, None)
        hessian -= (rows[:, dense:] / curvature) @ rows[:, dense:].T
        scales = 1 / np.sqrt(curvature)
    unit = unit[:dense]
    if not (np.isfinite(hessian).all() and np.isfinite(scales).all()):
        return 0.1 * np.diag(unit), np.full(n - dense, 0.1)
    values, vectors = np.linalg.eigh(hessian * np.outer(unit, unit))
    values = np.clip(values, 0.05, None)  # nothing wider than 4.5 units in these coordinates
    covariance = (vectors / values) @ vectors.T * np.outer(unit, unit)
    return np.linalg.cholesky((covariance + covariance.T) / 2), scales


def _bends(model: Model, lay: Layout, buffer: np.ndarray, theta: np.ndarray) -> np.ndarray:
    """Of each spread, the spline from a standard normal score to the score of its prior.

    The marginal posterior of the spreads is known in the quadratic approximation. Of each it is
    laid on a grid, the others where their means are; the spline carries normal quantiles to its
    quantiles, so that the spread is close to normal where it is sampled.
    """
    names = spread_priors(model)
    score = theta[lay.scale.start : lay.main.start].copy()
    look = np.linspace(LOW, HIGH, N_LOOK)
    spread = np.array([float(spread_of_score(s, n)) for s, n in zip(score, names, strict=True)])
    tables = np.zeros((len(names), N_KNOT, 5))
    for turn in range(3):
        for f, name in enumerate(names):
            there = spread_of_score(look, name)
            values = np.empty(N_LOOK)
            for i in range(N_LOOK):
                spread[f] = there[i]
                values[i] = k.log_marginal(spread, buffer)
            values -= 0.5 * look**2
            if turn == 2:
                tables[f] = _bend(look, values)
            values = np.exp(values - values.max())
            score[f] = (values * look).sum() / values.sum()
            spread[f] = float(spread_of_score(score[f], name))
    return tables


def _bend(look: np.ndarray, log_density: np.ndarray) -> np.ndarray:
    """Spline from a standard normal score to a score with this log density."""
    from scipy.interpolate import CubicSpline
    from scipy.special import log_ndtr, ndtri_exp

    score = np.linspace(LOW, HIGH, 2501)
    density = CubicSpline(look, log_density)(score)
    density = np.exp(density - density.max())
    steps = (density[1:] + density[:-1]) / 2
    below = np.concatenate([[0.0], np.cumsum(steps)])
    above = np.concatenate([np.cumsum(steps[::-1])[::-1], [0.0]])
    with np.errstate(divide="ignore"):
        low, high = np.log(below / below[-1]), np.log(above / above[0])
    normal = np.where(low < high, ndtri_exp(low), -ndtri_exp(high))
    knots = np.linspace(-4.5, 4.5, N_KNOT)
    inside = np.isfinite(normal) & (np.abs(log_ndtr(normal)) < 600)
    keep = np.concatenate([[True], np.diff(normal[inside]) > 1e-12])
    x, y = normal[inside][keep], score[inside][keep]
    spline = CubicSpline(knots, np.interp(knots, x, y), bc_type="natural")
    table = np.column_stack(
        [knots, np.vstack([spline.c.T, [[0.0, 0.0, spline(knots[-1], 1), spline(knots[-1])]]])]
    )
    fine = np.linspace(-4.5, 4.5, 1801)
    if not (np.isfinite(table).all() and (spline(fine, 1) > 1e-3).all()):
        return _straight()
    return table


def _straight() -> np.ndarray:
    """The spline that changes nothing."""
    table = np.zeros((N_KNOT, 5))
    table[:, 0] = table[:, 4] = np.linspace(-4.5, 4.5, N_KNOT)
    table[:, 3] = 1.0
    return table
