"""On which day does a sky, counted as effective dose, reach a target? Compiled and exact.

The year is 8760 hours that repeat. In hour *h* of it a sky delivers effective dose at the rate

    r(h) = scale · exp(p · (ln E(h) + b · ln c(h)) − Ea / (R · T(h)))
    T(h) = T_air(h) + heating · rise(h)

constant within the hour, with *E* the irradiance in the band of the lamp, *c* the clearness of the
sky and *rise* the warming of a reference surface. The cumulative dose of one draw is computed
once; every target and every day of laying is then a binary search in it, so the answer is exact
for a sky that is constant within each hour.

This module imports numba at the top; it is itself imported inside the functions that need it.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numba
import numpy as np

from durability.exposure.clock import GAS_CONSTANT

if TYPE_CHECKING:
    from numpy.typing import NDArray

HOURS = 8760


def days_until(
    hour: NDArray[np.int64],
    log_irradiance: NDArray[np.float64],
    log_clearness: NDArray[np.float64],
    air: NDArray[np.float64],
    rise: NDArray[np.float64],
    *,
    exponent: NDArray[np.float64],
    activation_energy: NDArray[np.float64],
    cloud: NDArray[np.float64],
    heating: NDArray[np.float64],
    scale: NDArray[np.float64],
    targets: NDArray[np.float64],
    starts: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Days from each start until each target, for each draw.

    Parameters
    ----------
    hour : (lit,) index of each lit hour, increasing, 0 to 8759.
    log_irradiance : (lit,) natural log of the irradiance in the band.
    log_clearness : (lit,) natural log of the sky's clearness; multiplied by `cloud`.
    air : (lit,) air temperature [K].
    rise : (lit,) warming of the reference surface [K]; multiplied by `heating`.
    exponent : (draw,) reciprocity exponent *p*.
    activation_energy : (draw,) *Ea* [kJ/mol].
    cloud : (draw,) departure of the cloud power from the one in `log_irradiance`.
    heating : (draw,) factor on `rise`.
    scale : (draw,) all that is constant within a draw [dose per hour].
    targets : (draw, target) effective dose; inf is never reached, 0 at once.
    starts : (draw, start) hour of the year of laying, 0 up to 8760.

    Returns
    -------
    (draw, target, start) days [d]; inf where the target is infinite or the sky is dark.
    """
    draws = exponent.shape[0]
    for name, array in (("targets", targets), ("starts", starts)):
        if array.ndim != 2 or array.shape[0] != draws:
            raise ValueError(f"{name} has shape {array.shape}; expected ({draws}, n)")
    if starts.size and not (starts.min() >= 0 and starts.max() < HOURS):
        raise ValueError(f"starts must lie from 0 to below {HOURS} hours")
    if np.isnan(targets).any():
        raise ValueError("targets holds values that are not numbers")
    next_lit = np.searchsorted(hour, np.arange(HOURS))
    return _days_until(
        hour.astype(np.int64), log_irradiance, log_clearness, air, rise,
        next_lit.astype(np.int64), exponent, activation_energy, cloud, heating, scale,
        targets, starts,
    )  # fmt: skip


def _compiled(function: Callable[..., Any]) -> Callable[..., Any]:
    """Compiled, and kept on disk where a folder can be written."""
    try:
        return numba.njit(cache=True, nogil=True)(function)
    except RuntimeError:  # numba found no folder for its cache
        return numba.njit(nogil=True)(function)


@_compiled
def _days_until(  # pragma: no cover (compiled)
    hour, log_irradiance, log_clearness, air, rise, next_lit,
    exponent, activation_energy, cloud, heating, scale, targets, starts,
):  # fmt: skip
    draws, n_targets = targets.shape
    n_starts = starts.shape[1]
    lit = hour.shape[0]
    days = np.empty((draws, n_targets, n_starts))
    rate = np.empty(lit)
    total = np.empty(lit + 1)
    for d in range(draws):
        p, b, k = exponent[d], cloud[d], heating[d]
        energy = activation_energy[d] / GAS_CONSTANT
        total[0] = 0.0
        for i in range(lit):
            kelvin = air[i] + k * rise[i]
            power = p * (log_irradiance[i] + b * log_clearness[i]) - energy / kelvin
            rate[i] = scale[d] * math.exp(power)
            total[i + 1] = total[i] + rate[i]
        year = total[lit]
        for s in range(n_starts):
            begin = starts[d, s]
            i = next_lit[int(begin)]
            done = total[i]
            if i < lit and hour[i] < begin:
                done += rate[i] * (begin - hour[i])
            for t in range(n_targets):
                target = targets[d, t]
                if target <= 0.0:
                    days[d, t, s] = 0.0
                    continue
                if not math.isfinite(target) or year <= 0.0:
                    days[d, t, s] = np.inf
                    continue
                goal = done + target
                years = math.ceil(goal / year) - 1.0
                rest = min(max(goal - years * year, 0.0), year)
                low, high = 0, lit - 1
                while low < high:
                    middle = (low + high) // 2
                    if total[middle + 1] >= rest:
                        high = middle
                    else:
                        low = middle + 1
                within = 0.0
                if rate[low] > 0.0:
                    within = min(max((rest - total[low]) / rate[low], 0.0), 1.0)
                days[d, t, s] = (years * HOURS + hour[low] + within - begin) / 24.0
    return days
