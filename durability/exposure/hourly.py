"""How much effective dose has a sky delivered by an hour? The one sum over hours.

In hour *h* of a period that repeats a sky delivers effective dose at the rate

    r(h) = scale · exp(p · (ln E(h) + b · ln c(h)) + Σ w · term(h) − Ea / (R · T(h)))
    T(h) = T_air(h) + warmer + heating · rise(h)

constant within the hour, with *E* the irradiance in the band of the lamp, *c* the clearness of the
sky, *rise* the warming of a reference surface, and any further terms of the logarithm of the rate
(the tilt of the spectrum, wetness) with a weight *w* in each draw.

Strips in the open (`durability.exposure.outdoor`) and translations
(`durability.translation.reading`) count by `dose_between`. What searches for days, in compiled code
and without (`durability.translation.kernel`), takes its rates from here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from durability.exposure.clock import GAS_CONSTANT

if TYPE_CHECKING:
    from numpy.typing import NDArray

HOURS = 8760
"""Hours of a year of weather, which repeats."""

AT_ONCE = 128
"""Draws computed at once in NumPy, which bounds the memory to about 15 MB."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LitHours:
    """What a sky brings to a specimen in the hours with light of a period that repeats.

    Parameters
    ----------
    hour : (lit,) index of each lit hour, increasing, from 0.
    log_irradiance : (lit,) natural log of the irradiance in the band.
    log_clearness : (lit,) natural log of the sky's clearness; multiplied by `RateDraws.cloud`.
    air : (lit,) air temperature [K].
    rise : (lit,) warming of a reference surface, of absorptance 0.9 and rise factor 1 [K];
        multiplied by `RateDraws.heating`.
    wet : (lit,) 1 in hours in which the specimen is wet, else 0; None where wetness does not count.
    hours : after which the sky repeats [h]; 0 for a record that does not.
    """

    hour: NDArray[np.int64]
    log_irradiance: NDArray[np.float64]
    log_clearness: NDArray[np.float64]
    air: NDArray[np.float64]
    rise: NDArray[np.float64]
    wet: NDArray[np.float64] | None = None
    hours: int = HOURS


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RateDraws:
    """What draws make of the hours: all of a rate that is uncertain.

    Parameters
    ----------
    exponent : (draw,) reciprocity exponent *p*.
    activation_energy : (draw,) *Ea* [kJ/mol].
    cloud : (draw,) departure of the cloud power from the one in `LitHours.log_irradiance`.
    heating : (draw,) factor on `LitHours.rise`.
    scale : (draw,) all that is constant within a draw [dose per hour].
    warmer : (draw,) true less stated air temperature [K]; None for none.
    log_wetter : (draw,) log of the rate while wet over that while dry; None for no difference.
    terms, weights : (term, lit) and (draw, term), added to the log of the rate; None for no more.
    """

    exponent: NDArray[np.float64]
    activation_energy: NDArray[np.float64]
    cloud: NDArray[np.float64]
    heating: NDArray[np.float64]
    scale: NDArray[np.float64]
    warmer: NDArray[np.float64] | None = None
    log_wetter: NDArray[np.float64] | None = None
    terms: NDArray[np.float64] | None = None
    weights: NDArray[np.float64] | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HourlyRates:
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

    def within(self, used: NDArray[np.bool_]) -> HourlyRates:
        """The rates of some of the lit hours."""
        return replace(
            self, hour=self.hour[used], terms=self.terms[:, used], air=self.air[used],
            rise=self.rise[used],
        )  # fmt: skip

    def until(self, some: slice, at: NDArray[np.float64], period: int) -> NDArray[np.float64]:
        """Dose (some draws, time) from hour 0 to each time [h]; a period of 0 does not repeat."""
        rate = self.rate(some)
        total = np.zeros((rate.shape[0], self.hour.size + 1))
        np.cumsum(rate, axis=1, out=total[:, 1:])
        times, within = np.divmod(at, period) if period else (np.zeros_like(at), at)
        whole = np.floor(within)
        before = np.searchsorted(self.hour, whole)  # lit hours that are over
        now = np.minimum(before, self.hour.size - 1)
        part = np.where(self.hour[now] == whole, within - whole, 0.0)
        return times * total[:, -1:] + total[:, before] + part * rate[:, now]


def hourly_rates(sky: LitHours, draws: RateDraws) -> HourlyRates:
    """The rates of some draws.

    Terms that do not vary are left out; one heating for all draws makes 1/T a term too.
    """
    energy = draws.activation_energy / GAS_CONSTANT
    heating = draws.heating
    more = np.zeros_like(draws.scale) if draws.warmer is None else draws.warmer
    rows, columns = [sky.log_irradiance], [draws.exponent]
    if draws.cloud.any() and sky.log_clearness.any():
        rows.append(sky.log_clearness)
        columns.append(draws.exponent * draws.cloud)
    others = list(zip(
        () if draws.terms is None else draws.terms,
        () if draws.weights is None else draws.weights.T,
        strict=True,
    ))  # fmt: skip
    if sky.wet is not None and draws.log_wetter is not None:
        others.append((sky.wet, draws.log_wetter))
    for row, column in others:
        if row.any() and column.any():
            rows.append(row)
            columns.append(column)
    alike = np.ptp(more) == 0 and (not sky.rise.any() or np.ptp(heating) == 0)
    if energy.any() and alike:
        rows.append(-1.0 / (sky.air + more[0] + heating[0] * sky.rise))
        columns.append(energy)
        energy = np.zeros_like(energy)
    return HourlyRates(
        hour=np.ascontiguousarray(sky.hour, dtype=np.int64),
        terms=np.ascontiguousarray(rows, dtype=float),
        weights=np.ascontiguousarray(np.column_stack(columns), dtype=float),
        air=np.ascontiguousarray(sky.air, dtype=float),
        rise=np.ascontiguousarray(sky.rise, dtype=float),
        energy=np.ascontiguousarray(energy, dtype=float),
        heating=np.ascontiguousarray(heating, dtype=float),
        warmer=np.ascontiguousarray(more, dtype=float),
        scale=np.ascontiguousarray(draws.scale, dtype=float),
    )


def dose_between(
    sky: LitHours, draws: RateDraws, intervals: Sequence[tuple[float, float]]
) -> NDArray[np.float64]:
    """Effective dose that the sky delivers in each interval, for each draw.

    Parameters
    ----------
    sky, draws : hours and what draws make of them.
    intervals : (from, to) in hours from 1 January of the first year [h], to at or after from.

    Returns
    -------
    (draw, interval) effective dose.

    Raises
    ------
    ValueError
        For an interval that ends before it begins, or begins before the year.

    Examples
    --------
    >>> one, none = np.ones(1), np.zeros(1)
    >>> even = RateDraws(exponent=one, activation_energy=none, cloud=none, heating=none, scale=one)
    >>> always = LitHours(hour=np.arange(8760), log_irradiance=np.zeros(8760),
    ...     log_clearness=np.zeros(8760), air=np.full(8760, 300.0), rise=np.zeros(8760))
    >>> dose_between(always, even, [(6.0, 30.5)]).item()
    24.5
    """
    for low, high in intervals:
        if not 0 <= low <= high:
            raise ValueError(f"interval {low:g} to {high:g} h; it must begin at 0 or after, and "
                             "end after it begins")  # fmt: skip
    rates, period = hourly_rates(sky, draws), sky.hours
    found = np.zeros((rates.scale.size, len(intervals)))
    if not rates.hour.size:
        return found
    low, high = (np.array(ends, dtype=float) for ends in zip(*intervals, strict=True))
    if not period or high.max() < period:  # hours that no interval touches are left out
        used = (rates.hour >= np.floor(low.min())) & (rates.hour <= high.max())
        rates = rates.within(used)
        if not rates.hour.size:
            return found
    for some in rates.batches():
        found[some] = rates.until(some, high, period) - rates.until(some, low, period)
    return found


__all__ = [
    "AT_ONCE", "HOURS", "HourlyRates", "LitHours", "RateDraws", "dose_between", "hourly_rates",
]  # fmt: skip
