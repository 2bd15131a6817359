"""Where is a likelihood highest? Damped Gauss-Newton (Levenberg-Marquardt) for many fits at once.

Every fit is a row of an array, so that a thousand series, all starts of one series and both ends
of an interval run through the same few array operations. The objective gives its value, its exact
gradient and a positive matrix close to its Hessian; a step solves ``(H + lam D) step = -g`` with
``D = diag(H)`` and is kept when the value falls. Bounds are a box: a coordinate that rests on a
bound with the gradient pointing outward is held.

References
----------
Levenberg (1944), Marquardt (1963); the rule for ``lam`` is Nielsen's (1999): from memory.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

Objective = Callable[[np.ndarray, np.ndarray], tuple[np.ndarray, np.ndarray, np.ndarray]]
"""(theta (B, p), index (B,) of the rows of the whole) -> value (B,), gradient, Hessian."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Minimum:
    """What was reached from each start.

    Parameters
    ----------
    theta : (B, p).
    value : (B,); inf where a start could not be evaluated.
    converged : (B,); the last step was below the tolerance.
    hessian : (B, p, p) where the last step began.
    iterations : steps taken by the slowest.
    """

    theta: np.ndarray
    value: np.ndarray
    converged: np.ndarray
    hessian: np.ndarray
    iterations: int


@np.errstate(all="ignore")
def minimise(
    objective: Objective,
    start: np.ndarray,
    *,
    lower: np.ndarray,
    upper: np.ndarray,
    tolerance: float = 1e-7,
    most: int = 200,
    damping: float = 1e-3,
) -> Minimum:
    """Minimise from every row of `start`.

    Parameters
    ----------
    objective : see `Objective`; a value that is not finite counts as infinite.
    start : (B, p).
    lower, upper : (p,) or (B, p); equal where a coordinate is fixed.
    tolerance : a fit has converged when its next step is shorter than this in units of standard
        errors (the objective is minus a log-likelihood).
    most : steps at most.
    damping : first ``lam``, as a share of the diagonal.

    Returns
    -------
    Minimum

    Examples
    --------
    >>> def bowl(theta, index):
    ...     H = np.broadcast_to(np.eye(2), (len(theta), 2, 2))
    ...     return 0.5 * (theta**2).sum(1), theta, H
    >>> far = np.array([[3.0, 4.0]])
    >>> bool(minimise(bowl, far, lower=-9 * np.ones(2), upper=9 * np.ones(2)).converged[0])
    True
    """
    lower, upper = np.broadcast_to(lower, start.shape), np.broadcast_to(upper, start.shape)
    theta = np.clip(start, lower, upper)
    count, width = theta.shape
    best = np.full(count, np.inf)
    converged = np.zeros(count, dtype=bool)
    curvature = np.zeros((count, width, width))
    index = np.arange(count)
    here = theta.copy()
    value, gradient, hessian = _clean(*objective(here, index))
    lam, grow = np.full(count, damping), np.full(count, 2.0)
    done = 0
    eye = np.eye(width, dtype=bool)
    for _ in range(most):
        done += 1
        low, high = lower[index], upper[index]
        g, h, scale = _off_the_edges(here, gradient, hessian, low, high, eye)
        trial, move, bend, sound = _next(here, g, h, scale, lam, low, high)
        arrived = _arrived(here, move, bend, sound & (lam < 1.0), tolerance)
        ended: np.ndarray = arrived | (lam > 1e18)
        if ended.any():
            # the last step is taken without looking: it is smaller than the tolerance
            theta[index[ended]] = np.where(arrived[:, None], trial, here)[ended]
            best[index[ended]] = value[ended]
            curvature[index[ended]] = hessian[ended]
            converged[index[ended]] = arrived[ended] & np.isfinite(value[ended])
            index, here, value, gradient, hessian, lam, grow = _those(
                ~ended, index, here, value, gradient, hessian, lam, grow
            )
            g, sound, trial, move, bend = _those(~ended, g, sound, trial, move, bend)
        if not index.size:
            break
        new = _clean(*objective(trial, index))
        predicted = -((g * move).sum(1) + 0.5 * bend)
        better, lam, grow = _weigh(value, new[0], predicted, bend, sound, lam, grow)
        here, value, gradient, hessian = _moved(
            better, (here, value, gradient, hessian), (trial, *new)
        )
    theta[index], best[index], curvature[index] = here, value, hessian
    return Minimum(theta=theta, value=best, converged=converged, hessian=curvature, iterations=done)


def _off_the_edges(
    here: np.ndarray,
    gradient: np.ndarray,
    hessian: np.ndarray,
    low: np.ndarray,
    high: np.ndarray,
    eye: np.ndarray,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Gradient, Hessian and its diagonal, with coordinates pressed against a bound held still."""
    scale = np.einsum("bii->bi", hessian)
    if not ((here <= low) | (here >= high)).any():
        return gradient, hessian, scale
    held = ((here <= low) & (gradient >= 0)) | ((here >= high) & (gradient <= 0))
    g = np.where(held, 0.0, gradient)
    h = np.where((held[:, :, None] | held[:, None, :]) & ~eye, 0.0, hessian)
    return g, np.where(held[:, :, None] & eye, 1.0, h), np.where(held, 1.0, scale)


def _next(
    here: np.ndarray,
    g: np.ndarray,
    h: np.ndarray,
    scale: np.ndarray,
    lam: np.ndarray,
    low: np.ndarray,
    high: np.ndarray,
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """The damped step from here: where it leads, the move, its bend, and whether it is sound."""
    root = 1.0 / np.sqrt(np.where(scale > 0, scale, 1.0))
    scaled = h * (root[:, :, None] * root[:, None, :])
    np.einsum("bii->bi", scaled)[...] += lam[:, None]
    step, sound = solve_positive(scaled, -g * root)
    trial = np.clip(here + step * root, low, high)
    move = trial - here
    bend = (np.matmul(h, move[:, :, None])[..., 0] * move).sum(1)
    return trial, move, bend, sound


def _arrived(
    here: np.ndarray, move: np.ndarray, bend: np.ndarray, free: np.ndarray, tolerance: float
) -> np.ndarray:
    """Is the next step shorter than the tolerance, or than rounding?"""
    arrived = free & (bend <= tolerance**2)
    if not arrived.all():
        arrived |= free & (np.abs(move) <= 1e-13 * (np.abs(here) + 1e-13)).all(axis=1)
    return arrived


def _weigh(
    value: np.ndarray,
    new: np.ndarray,
    predicted: np.ndarray,
    bend: np.ndarray,
    sound: np.ndarray,
    lam: np.ndarray,
    grow: np.ndarray,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Is the new point better, and how is the next step damped?"""
    gain = np.where(predicted > 0, (value - new) / np.where(predicted > 0, predicted, 1), 0.0)
    # at rounding level a step that changes nothing is as good as a fall
    level = np.where(bend <= 1e-8, value + 1e-14 * (1 + np.abs(value)), value)
    better = sound & np.isfinite(new) & ((new < value) | (new < level))
    eased = lam * np.clip(1 - (2 * np.clip(gain, 0, 1) - 1) ** 3, 1 / 3, 2)
    eased = np.where(gain > 0.9, lam * 0.1, eased)
    return (
        better,
        np.where(better, np.maximum(eased, 1e-15), np.maximum(lam, 1e-12) * grow),
        np.where(better, 2.0, grow * 2),
    )


def _those(which: np.ndarray, *arrays: np.ndarray) -> list[np.ndarray]:
    return [array[which] for array in arrays]


def _moved(
    better: np.ndarray, old: tuple[np.ndarray, ...], new: tuple[np.ndarray, ...]
) -> tuple[np.ndarray, ...]:
    """Each fit's new point where it is better, its old one elsewhere."""
    if better.all():
        return new
    shaped = (better[:, None], better, better[:, None], better[:, None, None])
    return tuple(np.where(b, n, o) for b, n, o in zip(shaped, new, old, strict=True))


def solve_positive(matrix: np.ndarray, right: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Solve many small symmetric positive systems by Cholesky, all at once.

    Parameters
    ----------
    matrix : (B, p, p).
    right : (B, p).

    Returns
    -------
    solution (B, p), and (B,) whether the matrix was positive definite.
    """
    count, width = right.shape
    if count < 8 and width > 3:
        return _one_by_one(matrix, right)
    sound = np.ones(count, dtype=bool)
    factor: list[list[np.ndarray]] = [[] for _ in range(width)]
    forward: list[np.ndarray] = []
    for i in range(width):
        for j in range(i + 1):
            rest = matrix[:, i, j]
            for k in range(j):
                rest = rest - factor[i][k] * factor[j][k]
            if i == j:
                bad = ~(rest > 1e-15)
                if bad.any():
                    sound &= ~bad
                    rest = np.where(bad, 1.0, rest)
                factor[i].append(np.sqrt(rest))
            else:
                factor[i].append(rest / factor[j][j])
        rest = right[:, i]
        for k in range(i):
            rest = rest - factor[i][k] * forward[k]
        forward.append(rest / factor[i][i])
    solution = np.empty_like(right)
    for i in reversed(range(width)):
        rest = forward[i]
        for k in range(i + 1, width):
            rest = rest - factor[k][i] * solution[:, k]
        solution[:, i] = rest / factor[i][i]
    return solution, sound


def _one_by_one(matrix: np.ndarray, right: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    from scipy.linalg.lapack import dposv  # pyright: ignore

    solution, sound = np.zeros_like(right), np.zeros(right.shape[0], dtype=bool)
    for i in range(right.shape[0]):
        if not np.all(np.isfinite(matrix[i])):
            continue
        _, x, info = dposv(matrix[i], right[i], lower=1)
        if info == 0:
            solution[i], sound[i] = x, True
    return solution, sound


def _clean(
    value: np.ndarray, gradient: np.ndarray, hessian: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    good = np.isfinite(value)
    if good.all():
        good = np.isfinite(gradient).all(axis=1)
        if good.all():
            return value, gradient, hessian
    good &= np.isfinite(gradient).all(axis=1) & np.isfinite(hessian).all(axis=(1, 2))
    return (
        np.where(good, value, np.inf),
        np.where(good[:, None], gradient, 0.0),
        np.where(good[:, None, None], hessian, np.eye(gradient.shape[1])),
    )
