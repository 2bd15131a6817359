"""What went on in the chamber: phases, tolerances, interruptions, drift of the logged light?

The parts of which `durability.exposure.chamber` is made.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from durability.exposure.assumption import chamber_assumptions
from durability.exposure.lamp import Lamp
from durability.exposure.phases import UNKNOWN
from durability.exposure.record import RecordedDose
from durability.study.model import Exposure, Segment

if TYPE_CHECKING:
    from numpy.typing import NDArray

LONGER = 1.25
"""A dark spell longer than this many of the cycle's longest dark phase is an interruption."""

LEAST_BLOCKS = 4
"""Fewer daily means than this give no drift."""

UNITS = {"black_panel": "°C", "air": "°C", "humidity": "%"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Phase:
    """What one phase of the cycle brought, over the whole record.

    Parameters
    ----------
    phase : in words, such as ``"90 min light"``; ``"not told apart"`` for the rest.
    hours : recorded time in it [h].
    dose : [dose_unit of the chamber].
    irradiance : mean [canonical].
    """

    phase: str
    hours: float
    dose: float
    irradiance: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """How well one quantity was kept in one phase.

    Parameters
    ----------
    quantity, phase : which; ``irradiance`` is judged over every lit phase together.
    set_point, tolerance : [unit].
    hours : time judged, settling left out [h].
    hours_out : of these, out of tolerance [h].
    mean, sd, least, most : of the judged readings [unit].
    unit, source : of the numbers, and where the tolerance comes from.
    """

    quantity: str
    phase: str
    set_point: float
    tolerance: float
    hours: float
    hours_out: float
    mean: float
    sd: float
    least: float
    most: float
    unit: str
    source: str

    @property
    def share_out(self) -> float:
        """Share of the judged time out of tolerance."""
        return self.hours_out / self.hours if self.hours else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Interruption:
    """A time without light that the cycle does not ask for, or without record.

    Parameters
    ----------
    start : clock hours after the record began [h].
    hours : length [h].
    kind : ``"no light"``, or ``"no record"`` for a gap.
    """

    start: float
    hours: float
    kind: Literal["no light", "no record"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """How the logged irradiance moved between two checks of the sensor.

    Parameters
    ----------
    start, end : clock hours after the record began [h].
    per_1000_h : relative change in 1000 h, by a straight line through daily means; None where
        there are fewer than four.
    se : its standard error.
    as_found : true irradiance over reading at the end, where a check noted it.
    """

    start: float
    end: float
    per_1000_h: float | None
    se: float | None
    as_found: float | None


def burning(recorded: RecordedDose) -> NDArray:
    """Whether the lamp burned at each reading: on either side of it."""
    import numpy

    after = numpy.append(recorded.lit, recorded.lit[-1])
    before = numpy.insert(recorded.lit, 0, recorded.lit[0])
    gap_after, gap_before = numpy.append(recorded.gap, True), numpy.insert(recorded.gap, 0, True)
    return (after | gap_after) & (before | gap_before) & (after | before)


def interruptions(recorded: RecordedDose, cycle: tuple[Segment, ...]) -> tuple[Interruption, ...]:
    """Gaps of the record, and dark spells longer than the cycle's longest darkness."""
    import numpy

    step = numpy.diff(recorded.clock)
    longest = run = 0.0
    if any(s.light for s in cycle):
        for s in (*cycle, *cycle):  # darkness may run over the end of the cycle
            run = 0.0 if s.light else run + s.minutes / 60
            longest = max(longest, run)
    allowed = LONGER * longest + float(numpy.median(step))
    found = [
        Interruption(start=float(recorded.clock[i]), hours=float(step[i]), kind="no record")
        for i in numpy.flatnonzero(recorded.gap)
    ]
    off = numpy.concatenate([[False], ~recorded.lit & ~recorded.gap, [False]])
    edges = numpy.flatnonzero(off[1:] != off[:-1]).reshape(-1, 2)
    for low, high in edges.tolist():
        hours = float(recorded.clock[high] - recorded.clock[low])
        if hours > allowed:
            found.append(
                Interruption(start=float(recorded.clock[low]), hours=hours, kind="no light")
            )
    return tuple(sorted(found, key=lambda i: i.start))


def stopped(clock: NDArray, stops: tuple[Interruption, ...]) -> NDArray:
    import numpy

    inside = numpy.zeros(clock.size, dtype=bool)
    for stop in stops:
        if stop.kind == "no light":
            low, high = numpy.searchsorted(clock, [stop.start, stop.start + stop.hours])
            inside[low : high + 1] = True
    return inside


def by_phase(
    phase: NDArray, weight: NDArray, dose: NDArray, irradiance: NDArray, cycle: tuple[Segment, ...]
) -> tuple[Phase, ...]:
    found = []
    for i in [*range(len(cycle)), UNKNOWN]:
        mine = phase == i
        hours = float(weight[mine].sum())
        if not mine.any() or not hours:
            continue
        mean = float((weight[mine] * irradiance[mine]).sum()) / hours
        words = "not told apart, or stopped" if i == UNKNOWN else in_words(cycle[i])
        found.append(Phase(phase=words, hours=hours, dose=float(dose[mine].sum()), irradiance=mean))
    return tuple(found)


def in_words(segment: Segment) -> str:
    """A phase in a few words.

    Examples
    --------
    >>> in_words(Segment(minutes=30, light=True, spray=True))
    '30 min light with water'
    """
    light = "light" if segment.light else "dark"
    return f"{segment.minutes:g} min {light}{' with water' if segment.spray else ''}"


def kept_within(
    columns: dict[str, NDArray],
    phase: NDArray,
    weight: NDArray,
    lit: NDArray,
    recorded: RecordedDose,
    cycle: tuple[Segment, ...],
    set_point: float | None,
    band: str,
    lamp: Lamp | None,
) -> tuple[Kept, ...]:
    import numpy

    if lamp is None:
        return ()
    tolerance = dict(lamp.tolerance)
    if "irradiance" in tolerance and lamp.band != band:
        del tolerance["irradiance"]
    settled = _settled(recorded.clock, phase, recorded.gap)
    found = []
    if set_point is not None and "irradiance" in tolerance:
        steady = lit & _settled(recorded.clock, lit, recorded.gap)
        unit = "W/m²" if "-" in band else "W/(m² nm)"
        found.append(
            _judged("irradiance", "light", columns["irradiance"], steady, weight, set_point,
                    tolerance["irradiance"], unit, lamp.tolerance_source)
        )  # fmt: skip
    for quantity in ("black_panel", "air", "humidity"):
        if quantity not in columns or quantity not in tolerance:
            continue
        scale = 100.0 if quantity == "humidity" else 1.0
        for i, segment in enumerate(cycle):
            wanted = getattr(segment, quantity)
            if wanted is not None:
                found.append(
                    _judged(quantity, in_words(segment), scale * columns[quantity],
                            (phase == i) & settled, weight, scale * wanted,
                            scale * tolerance[quantity], UNITS[quantity], lamp.tolerance_source)
                )  # fmt: skip
    return tuple(k for k in found if k is not None and numpy.isfinite(k.mean))


def _settled(clock: NDArray, state: NDArray, gap: NDArray) -> NDArray:
    """Readings at least the settling time after the last change of state, or gap."""
    import numpy

    settling = chamber_assumptions()["settling"].value / 60
    change = numpy.concatenate([[True], (state[1:] != state[:-1]) | gap])
    since = numpy.maximum.accumulate(numpy.where(change, numpy.arange(clock.size), 0))
    return clock - clock[since] >= settling - 1e-9


def _judged(
    quantity: str, phase: str, values: NDArray, mask: NDArray, weight: NDArray, set_point: float,
    tolerance: float, unit: str, source: str,
) -> Kept | None:  # fmt: skip
    import numpy

    mask = mask & numpy.isfinite(values) & (weight > 0)
    hours = float(weight[mask].sum())
    if not hours:
        return None
    x, w = values[mask], weight[mask]
    mean = float((w * x).sum()) / hours
    out = numpy.abs(x - set_point) > tolerance * (1 + 1e-9)
    return Kept(
        quantity=quantity,
        phase=phase,
        set_point=set_point,
        tolerance=tolerance,
        hours=hours,
        hours_out=float(w[out].sum()),
        mean=mean,
        sd=math.sqrt(float((w * (x - mean) ** 2).sum()) / hours),
        least=float(x.min()),
        most=float(x.max()),
        unit=unit,
        source=source,
    )


def drifts(recorded: RecordedDose, exposure: Exposure) -> tuple[Drift, ...]:
    """A line through daily means of the lit irradiance as logged, between checks of the sensor."""
    import numpy

    record = exposure.record
    if record is None:
        return ()
    time = record["time"].values[recorded.usable]
    logged = record["irradiance"].values.astype(float)[recorded.usable]
    bounds: list[tuple[float, float | None]] = []
    if numpy.issubdtype(time.dtype, numpy.datetime64):
        for check in exposure.calibrations:
            hour = (numpy.datetime64(check.time).astype(time.dtype) - time[0]) / numpy.timedelta64(
                1, "h"
            )
            if 0 < hour <= recorded.duration + 24:
                bounds.append((float(hour), check.as_found))
    if not bounds or bounds[-1][0] < recorded.duration:
        bounds.append((recorded.duration, None))
    lit = burning(recorded)
    found, begin = [], 0.0
    for end, as_found in bounds:
        mine = lit & (recorded.clock >= begin) & (recorded.clock <= end)
        day = ((recorded.clock[mine] - begin) // 24).astype(int)
        slope = se = None
        if mine.any() and numpy.unique(day).size >= LEAST_BLOCKS:
            count = numpy.bincount(day)
            enough = count > 0.5 * numpy.median(count[count > 0])
            safe = numpy.maximum(count, 1)
            x = (numpy.bincount(day, recorded.clock[mine]) / safe)[enough]
            y = (numpy.bincount(day, logged[mine]) / safe)[enough]
            if x.size >= LEAST_BLOCKS:
                slope, se = _line(x, y / y.mean())
        found.append(
            Drift(
                start=begin,
                end=end,
                per_1000_h=None if slope is None else 1000 * slope,
                se=None if se is None else 1000 * se,
                as_found=as_found,
            )
        )
        begin = end
    return tuple(found)


def _line(x: NDArray, y: NDArray) -> tuple[float, float]:
    """Slope of a straight line by least squares, and its standard error."""
    centred = x - x.mean()
    square = float((centred**2).sum())
    slope = float((centred * y).sum()) / square
    rest = y - y.mean() - slope * centred
    return slope, math.sqrt(float((rest**2).sum()) / (x.size - 2) / square)
