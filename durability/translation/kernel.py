"""On which day does a sky, counted as effective dose, reach a target? Exact, for every draw.

The year is 8760 hours that repeat. In hour *h* of it a sky delivers effective dose at the rate

    r(h) = scale · exp(p · (ln E(h) + b · ln c(h)) + Σ w · term(h) − Ea / (R · T(h)))
    T(h) = T_air(h) + warmer + heating · rise(h)

constant within the hour, with *E* the irradiance in the band of the lamp, *c* the clearness of the
sky, *rise* the warming of a reference surface, and any further terms of the logarithm of the rate
(the tilt of the spectrum, wetness) with a weight *w* in each draw. The cumulative dose of one draw
is computed once; every target and every hour of laying is then a search in it, so the answer is
exact for a sky that is constant within each hour.

`days_until` runs compiled code on two threads where the compiler can be used, and the same sums in
NumPy where it cannot. `dose_between` gives the effective dose of intervals, for the reverse
question.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from durability.exposure.clock import GAS_CONSTANT

if TYPE_CHECKING:
    from numpy.typing import NDArray

HOURS = 8760
AT_ONCE = 128
"""Draws computed at once without the compiler, which bounds the memory to about 15 MB."""
WORTH_A_THREAD = 1_000_000
"""Draws times lit hours from which a second thread is started."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Rates:
    """The rate as both ways of computing it need it: exp(weights @ terms − energy / kelvin)."""

    hour: NDArray[np.int64]
    terms: NDArray[np.float64]
    weights: NDArray[np.float64]
    air: NDArray[np.float64]
    rise: NDArray[np.float64]
    energy: NDArray[np.float64]
    heating: NDArray[np.float64]
    warmer: NDArray[np.float64]
    scale: NDArray[np.float64]

    def batches(self) -> list[slice]:
        """Draws to compute at once."""
        return [slice(i, i + AT_ONCE) for i in range(0, self.scale.size, AT_ONCE)]

    def rate(self, some: slice) -> NDArray[np.float64]:
        """Rates (some draws, lit)."""
        power = self.weights[some] @ self.terms
        if self.energy.any():
            kelvin = self.air + self.warmer[some, None] + self.heating[some, None] * self.rise
            power -= np.divide(self.energy[some, None], kelvin, out=kelvin)
        np.maximum(power, -700.0, out=power)
        np.exp(power, out=power)
        power *= self.scale[some, None]
        return power


def _rates(
    hour: NDArray[np.int64],
    log_irradiance: NDArray[np.float64],
    log_clearness: NDArray[np.float64],
    air: NDArray[np.float64],
    rise: NDArray[np.float64],
    exponent: NDArray[np.float64],
    activation_energy: NDArray[np.float64],
    cloud: NDArray[np.float64],
    heating: NDArray[np.float64],
    scale: NDArray[np.float64],
    warmer: NDArray[np.float64] | None,
    terms: NDArray[np.float64] | None,
    weights: NDArray[np.float64] | None,
) -> _Rates:
    """Terms that do not vary are left out; one heating for all draws makes 1/T a term too."""
    energy = activation_energy / GAS_CONSTANT
    more = np.zeros_like(scale) if warmer is None else warmer
    rows, columns = [log_irradiance], [exponent]
    if cloud.any() and log_clearness.any():
        rows.append(log_clearness)
        columns.append(exponent * cloud)
    for row, column in zip(
        () if terms is None else terms, () if weights is None else weights.T, strict=True
    ):
        if row.any() and column.any():
            rows.append(row)
            columns.append(column)
    alike = np.ptp(more) == 0 and (not rise.any() or np.ptp(heating) == 0)
    if energy.any() and alike:
        rows.append(-1.0 / (air + more[0] + heating[0] * rise))
        columns.append(energy)
        energy = np.zeros_like(energy)
    return _Rates(
        hour=np.ascontiguousarray(hour, dtype=np.int64),
        terms=np.ascontiguousarray(rows, dtype=float),
        weights=np.ascontiguousarray(np.column_stack(columns), dtype=float),
        air=np.ascontiguousarray(air, dtype=float),
        rise=np.ascontiguousarray(rise, dtype=float),
        energy=np.ascontiguousarray(energy, dtype=float),
        heating=np.ascontiguousarray(heating, dtype=float),
        warmer=np.ascontiguousarray(more, dtype=float),
        scale=np.ascontiguousarray(scale, dtype=float),
    )


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
    warmer: NDArray[np.float64] | None = None,
    terms: NDArray[np.float64] | None = None,
    weights: NDArray[np.float64] | None = None,
    compiled: bool | None = None,
    threads: int | None = None,
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
    starts : (draw, start) hour of the year of laying, 0 up to 8760; fastest in rising order.
    warmer : (draw,) true less stated air temperature [K]; None for none.
    terms, weights : (term, lit) and (draw, term), added to the log of the rate; None for no more.
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
    >>> always, one = np.arange(8760), np.ones(1)
    >>> even = dict(exponent=one, activation_energy=0 * one, cloud=0 * one, heating=0 * one)
    >>> days_until(always, np.zeros(8760), np.zeros(8760), np.full(8760, 300.0), np.zeros(8760),
    ...     scale=one, targets=np.array([[48.0]]), starts=np.array([[6.0]]), **even).item()
    2.0
    """
    draws = exponent.shape[0]
    for name, array in (("targets", targets), ("starts", starts)):
        if array.ndim != 2 or array.shape[0] != draws:
            raise ValueError(f"{name} has shape {array.shape}; expected ({draws}, n)")
    if starts.size and not (starts.min() >= 0 and starts.max() < HOURS):
        raise ValueError(f"starts must lie from 0 to below {HOURS} hours")
    if np.isnan(targets).any():
        raise ValueError("targets holds values that are not numbers")
    rates = _rates(
        hour, log_irradiance, log_clearness, air, rise, exponent, activation_energy, cloud, heating,
        scale, warmer, terms, weights,
    )  # fmt: skip
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
    rates: _Rates,
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
    rates: _Rates, targets: NDArray[np.float64], starts: NDArray[np.float64]
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


def dose_between(
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
    intervals: Sequence[tuple[float, float]],
    warmer: NDArray[np.float64] | None = None,
    terms: NDArray[np.float64] | None = None,
    weights: NDArray[np.float64] | None = None,
    period: int = HOURS,
) -> NDArray[np.float64]:
    """Effective dose that the sky delivers in each interval, for each draw.

    Parameters
    ----------
    hour, ... weights : as `days_until`.
    intervals : (from, to) in hours from 1 January of the first year [h], to at or after from. The
        year repeats.
    period : hours after which the sky repeats; 0 for a record that does not.

    Returns
    -------
    (draw, interval) effective dose.

    Raises
    ------
    ValueError
        For an interval that ends before it begins, or begins before the year.
    """
    for low, high in intervals:
        if not 0 <= low <= high:
            raise ValueError(f"interval {low:g} to {high:g} h; it must begin at 0 or after, and "
                             "end after it begins")  # fmt: skip
    rates = _rates(
        hour, log_irradiance, log_clearness, air, rise, exponent, activation_energy, cloud, heating,
        scale, warmer, terms, weights,
    )  # fmt: skip
    share = np.zeros((len(intervals), rates.hour.size))
    for i, (low, high) in enumerate(intervals):
        repeats = range(int(high // period) + 1) if period else range(1)
        for year in repeats:
            start = rates.hour + year * period
            share[i] += np.clip(np.minimum(start + 1, high) - np.maximum(start, low), 0.0, 1.0)
    used = share.any(axis=0)
    found = np.empty((rates.scale.size, len(intervals)))
    kept = _Rates(
        hour=rates.hour[used], terms=rates.terms[:, used], weights=rates.weights,
        air=rates.air[used], rise=rates.rise[used], energy=rates.energy, heating=rates.heating,
        warmer=rates.warmer, scale=rates.scale,
    )  # fmt: skip
    for some in kept.batches():
        found[some] = kept.rate(some) @ share[:, used].T
    return found


__all__ = ["HOURS", "days_until", "dose_between"]
