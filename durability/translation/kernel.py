"""On which day does a sky, counted as effective dose, reach a target? Exact, for every draw.

The year is 8760 hours that repeat; the rate within each hour is that of
`durability.exposure.hourly`. The cumulative dose of one draw is computed once; every target and
every hour of laying is then a search in it, so the answer is exact for a sky that is constant
within each hour.

`days_until` runs compiled code on two threads where the compiler can be used, and the same sums in
NumPy where it cannot.
"""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING

import numpy as np

from durability.exposure.hourly import HOURS, HourlyRates, LitHours, RateDraws, hourly_rates

if TYPE_CHECKING:
    from numpy.typing import NDArray

WORTH_A_THREAD = 1_000_000
"""Draws times lit hours from which a second thread is started."""


def days_until(
    sky: LitHours,
    draws: RateDraws,
    *,
    targets: NDArray[np.float64],
    starts: NDArray[np.float64],
    compiled: bool | None = None,
    threads: int | None = None,
) -> NDArray[np.float64]:
    """Days from each start until each target, for each draw.

    Parameters
    ----------
    sky, draws : hours of one year, and what draws make of them.
    targets : (draw, target) effective dose; inf is never reached, 0 at once.
    starts : (draw, start) hour of the year of laying, 0 up to 8760; fastest in rising order.
    compiled : False computes in NumPy; None compiles where numba can be imported.
    threads : of compiled code; None takes two where the work is worth it.

    Returns
    -------
    (draw, target, start) days [d]; inf where the target is infinite or the sky is dark.

    Raises
    ------
    ValueError
        For shapes that do not fit, starts outside the year, targets that are no numbers.

    Examples
    --------
    >>> one, none = np.ones(1), np.zeros(1)
    >>> even = RateDraws(exponent=one, activation_energy=none, cloud=none, heating=none, scale=one)
    >>> always = LitHours(hour=np.arange(8760), log_irradiance=np.zeros(8760),
    ...     log_clearness=np.zeros(8760), air=np.full(8760, 300.0), rise=np.zeros(8760))
    >>> days_until(always, even, targets=np.array([[48.0]]), starts=np.array([[6.0]])).item()
    2.0
    """
    count = draws.exponent.shape[0]
    for name, array in (("targets", targets), ("starts", starts)):
        if array.ndim != 2 or array.shape[0] != count:
            raise ValueError(f"{name} has shape {array.shape}; expected ({count}, n)")
    if starts.size and not (starts.min() >= 0 and starts.max() < HOURS):
        raise ValueError(f"starts must lie from 0 to below {HOURS} hours")
    if np.isnan(targets).any():
        raise ValueError("targets holds values that are not numbers")
    rates = hourly_rates(sky, draws)
    goals = np.ascontiguousarray(targets, dtype=float)
    begins = np.ascontiguousarray(starts, dtype=float)
    if compiled is not False and _can_compile():
        return _compiled_days(rates, goals, begins, threads)
    if compiled:
        raise ValueError("compiled is True, but numba cannot be imported here")
    return _plain_days(rates, goals, begins)


def _can_compile() -> bool:
    import importlib.util

    return importlib.util.find_spec("numba") is not None


def _compiled_days(
    rates: HourlyRates,
    targets: NDArray[np.float64],
    starts: NDArray[np.float64],
    threads: int | None,
) -> NDArray[np.float64]:
    """Draws shared by threads; the compiled code runs without Python's lock."""
    from durability.translation.sweep import sweep

    draws = rates.scale.size
    days = np.empty((draws, targets.shape[1], starts.shape[1]))
    if rates.hour.size == 0:
        return _in_the_dark(targets, days)
    next_lit = np.searchsorted(rates.hour, np.arange(HOURS)).astype(np.int64)
    if threads is None:
        threads = min(2, os.cpu_count() or 1)
        threads = threads if draws * rates.hour.size >= WORTH_A_THREAD else 1

    def run(some: slice) -> None:
        sweep(
            rates.hour, next_lit, rates.terms, rates.weights[some], rates.air, rates.rise,
            rates.energy[some], rates.heating[some], rates.warmer[some], rates.scale[some],
            targets[some], starts[some], days[some],
        )  # fmt: skip

    if threads == 1:
        run(slice(None))
        return days
    size = -(-draws // (4 * threads))
    parts = [slice(i, i + size) for i in range(0, draws, size)]
    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(run, parts))
    return days


def _in_the_dark(targets: NDArray[np.float64], days: NDArray[np.float64]) -> NDArray[np.float64]:
    days[:] = np.where(targets <= 0, 0.0, np.inf)[:, :, None]
    return days


def _plain_days(
    rates: HourlyRates, targets: NDArray[np.float64], starts: NDArray[np.float64]
) -> NDArray[np.float64]:
    """The same in NumPy: running sums, and a search in them for each draw."""
    hour = rates.hour
    lit = hour.size
    days = np.empty((rates.scale.size, targets.shape[1], starts.shape[1]))
    if lit == 0:
        return _in_the_dark(targets, days)
    next_lit = np.searchsorted(hour, np.arange(HOURS))

    def run(some: slice) -> None:
        days[some] = _search(rates.rate(some), hour, next_lit, targets[some], starts[some])

    with ThreadPoolExecutor(min(2, os.cpu_count() or 1)) as pool:  # NumPy releases Python's lock
        list(pool.map(run, rates.batches()))
    return days


def _search(
    rate: NDArray[np.float64],
    hour: NDArray[np.int64],
    next_lit: NDArray[np.int64],
    targets: NDArray[np.float64],
    starts: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Days (draw, target, start) from the rates (draw, lit) of some draws."""
    draws, lit = rate.shape
    total = np.zeros((draws, lit + 1))
    np.cumsum(rate, axis=1, out=total[:, 1:])
    padded = np.append(hour, HOURS)
    row = np.arange(draws)[:, None]
    at = next_lit[starts.astype(np.int64)]
    into = starts - padded[at]
    np.maximum(into, 0.0, out=into)
    done = total.ravel()[row * (lit + 1) + at]
    if into.any():
        done += into * rate[row, np.minimum(at, lit - 1)]
    year = total[:, -1][:, None, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        goal = done[:, None, :] + targets[:, :, None]
        years = np.ceil(goal / year) - 1.0
        rest = np.clip(np.nan_to_num(goal - years * year, posinf=0.0), 0.0, year)
        place = np.stack([np.searchsorted(t, r) for t, r in zip(total, rest, strict=True)])
        place = np.clip(place - 1, 0, lit - 1)
        deep = row[:, :, None]
        rest -= total.ravel()[deep * (lit + 1) + place]
        rest /= rate.ravel()[deep * lit + place]
        within = np.nan_to_num(np.clip(rest, 0.0, 1.0))
        found = (years * HOURS + (hour[place] + within - starts[:, None, :])) / 24.0
        found[~(np.isfinite(goal) & (year > 0))] = np.inf
    found[np.broadcast_to(targets[:, :, None] <= 0, found.shape)] = 0.0
    return found


__all__ = ["HOURS", "days_until"]
