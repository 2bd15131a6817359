"""Where is a smooth log likelihood largest? Newton's method with damping, to the last digits."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Derivatives = Callable[[Floats], tuple[float, Floats, Floats]]


class Top(NamedTuple):
    """The maximum: place, value, second derivatives there, steps taken and whether it is one."""

    at: Floats
    value: float
    hessian: Floats
    steps: int
    converged: bool


def climb(derivatives: Derivatives, start: Floats, *, reach: float = 2.0, limit: int = 200) -> Top:
    """Climb from `start` until a Newton step gains less than rounding.

    Parameters
    ----------
    derivatives : value, gradient and second derivatives at a place.
    start : where to begin; the value there must be finite.
    reach : the longest step in any parameter.
    limit : of steps.
    """
    at = np.asarray(start, dtype=float)
    value, gradient, hessian = derivatives(at)
    for step in range(1, limit + 1):
        values, vectors = np.linalg.eigh(-hessian)
        floor = max(values.max(), 1e-8) * 1e-10
        move = vectors @ ((vectors.T @ gradient) / np.maximum(np.abs(values), floor))
        move *= min(1.0, reach / max(np.abs(move).max(), 1e-300))
        gain = float(gradient @ move)
        share, ahead = 1.0, derivatives(at + move)
        while not (np.isfinite(ahead[0]) and np.isfinite(ahead[2]).all()) or (
            ahead[0] < value + 1e-4 * share * gain and abs(gain) > 1e-9 * (1 + abs(value))
        ):
            share /= 2
            if share < 1e-10:
                return Top(at, value, hessian, step, False)
            ahead = derivatives(at + share * move)
        at, (value, gradient, hessian) = at + share * move, ahead
        if gain < 1e-15 * (1 + abs(value)):
            peak = bool((np.linalg.eigvalsh(-hessian) > 0).all())
            return Top(at, value, hessian, step, peak)
    return Top(at, value, hessian, limit, False)
