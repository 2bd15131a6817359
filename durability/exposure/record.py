"""What did the chamber really deliver? Integrates a chamber record.

Irradiance is integrated over time by the trapezoid rule. A gap longer than three times the usual
interval around it brings no dose: nothing is known of it, and the gap is reported. Past the end of
the record the mean rate goes on, and that is reported too. Where a check of the light sensor noted
how far it read wrong, the readings since the check before are corrected in a straight line.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from durability.study.model import Calibration, Caution, Exposure

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

GAP = 3.0
"""A gap is an interval longer than this many of the usual intervals around it."""

AROUND = 25
"""Intervals among which the usual one is sought."""

DARK = 0.05
"""The lamp is off below this share of the record's high irradiance (its 90th percentile)."""

TOLERATED = 0.05
"""Relative difference between record and set point that passes without a caution."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RecordedDose:
    """Cumulative dose of a chamber record.

    Parameters
    ----------
    clock : hours since the record began (time,) [h].
    cumulative : dose by then (time,) [canonical dose].
    irradiance : mean while lit [canonical irradiance].
    light_fraction : lit share of the recorded time.
    lost_hours : hours that fell in gaps [h].
    weight : dose around each reading (time,), the weight of its temperature.
    panel, air : black panel and chamber air (time,) [degC], nan where not recorded.
    gap : whether the interval after each reading but the last is a gap (time - 1,).
    lit : whether the lamp burned in that interval (time - 1,).
    usable : readings of the record that were used (time of the record,).
    uncertainty : relative standard uncertainty of the whole dose by what causes it: ``sampling``,
        ``gaps`` and ``sensor_correction``; calibration and place in the chamber are not in it.
    cautions : gaps, and a record that differs from the set point.
    """

    clock: NDArray
    cumulative: NDArray
    irradiance: float
    light_fraction: float
    lost_hours: float
    weight: NDArray
    panel: NDArray
    air: NDArray
    gap: NDArray
    lit: NDArray
    usable: NDArray
    uncertainty: dict[str, float] = field(default_factory=dict)
    cautions: tuple[Caution, ...] = ()

    @property
    def duration(self) -> float:
        """Length of the record [h]."""
        return float(self.clock[-1])

    @property
    def mean_rate(self) -> float:
        """Dose per clock hour, mean over the record."""
        return float(self.cumulative[-1]) / self.duration

    @property
    def mean_rate_running(self) -> float:
        """Dose per clock hour outside gaps."""
        return float(self.cumulative[-1]) / (self.duration - self.lost_hours)

    @property
    def log_sd(self) -> float:
        """Relative standard uncertainty of the dose by the causes in `uncertainty` together."""
        return math.sqrt(sum(part**2 for part in self.uncertainty.values()))

    @property
    def has_panel(self) -> bool:
        """True when a panel temperature was recorded while dose was delivered."""
        return bool(((self.weight > 0) & (self.panel == self.panel)).any())

    def dose(self, hours: ArrayLike) -> NDArray:
        """Dose `hours` after the record began; past its end the mean rate goes on."""
        import numpy

        h = numpy.asarray(hours, dtype=float)
        beyond = numpy.maximum(h - self.duration, 0.0) * self.mean_rate
        return numpy.interp(h, self.clock, self.cumulative) + beyond

    def hours(self, dose: ArrayLike) -> NDArray:
        """Hours after the record began at which `dose` was first reached."""
        import numpy

        d = numpy.asarray(dose, dtype=float)
        rising = numpy.concatenate([[True], numpy.diff(self.cumulative) > 0])
        edge = rising | numpy.concatenate([rising[1:], [True]])
        total, clock = self.cumulative[edge], self.clock[edge]
        beyond = numpy.maximum(d - total[-1], 0.0) / self.mean_rate
        at = numpy.clip(numpy.searchsorted(total, d, side="left"), 1, total.size - 1)
        step = total[at] - total[at - 1]
        share = numpy.clip((d - total[at - 1]) / numpy.where(step > 0, step, 1.0), 0.0, 1.0)
        return clock[at - 1] + share * (clock[at] - clock[at - 1]) + beyond


def recorded_dose(
    exposure: Exposure, *, factor: float, nominal_rate: float | None = None
) -> RecordedDose:
    """Integrate the chamber record of an exposure.

    Parameters
    ----------
    exposure : with a record along ``time``: irradiance, and where known black_panel, air, light.
    factor : canonical dose of one unit of irradiance in one hour.
    nominal_rate : dose per clock hour by set point and cycle, as a check.

    Raises
    ------
    StudyError : fewer than two usable readings, or no light in them.
    """
    import numpy

    from durability.study.problem import Problem, StudyError

    record = exposure.record
    if record is None:
        raise ValueError(f"exposure {exposure.name} has no record")
    file = exposure.record_file or "the chamber record"
    clock, start = _hours(record["time"].values)
    irradiance = record["irradiance"].values.astype(float)
    if "light" in record:
        irradiance = numpy.where(record["light"].values == 0, 0.0, irradiance)
    usable = numpy.isfinite(irradiance) & numpy.isfinite(clock)
    clock, irradiance = clock[usable] - start, numpy.maximum(irradiance[usable], 0.0)
    factors = sensor_factors(record["time"].values[usable], exposure.calibrations)
    if factors is not None:
        irradiance = irradiance * factors
    high = numpy.quantile(irradiance, 0.9) if irradiance.size else 0.0
    if clock.size < 2 or not irradiance.max() > 0:
        found = f"{clock.size} readings, none with light" if clock.size else "no readings"
        expected = "at least two readings of irradiance, some of them with the lamp on"
        raise StudyError([Problem(file=file, column="irradiance", found=found, expected=expected)])
    step = numpy.diff(clock)
    gap = step > GAP * _usual(step)
    part = 0.5 * (irradiance[1:] + irradiance[:-1]) * step * factor
    part = numpy.where(gap, 0.0, part)
    lit_step = (0.5 * (irradiance[1:] + irradiance[:-1]) > DARK * max(high, 1e-300)) & ~gap
    lit = float(step[lit_step].sum())
    cumulative = numpy.concatenate([[0.0], numpy.cumsum(part)])
    weight = 0.5 * (numpy.append(part, 0.0) + numpy.insert(part, 0, 0.0))
    nothing = numpy.full(irradiance.size, numpy.nan)
    result = RecordedDose(
        clock=clock,
        cumulative=cumulative,
        irradiance=float(part[lit_step].sum()) / (factor * lit),
        light_fraction=lit / float(step[~gap].sum()),
        lost_hours=float(step[gap].sum()),
        weight=weight,
        panel=record["black_panel"].values.astype(float)[usable]
        if "black_panel" in record
        else nothing,
        air=record["air"].values.astype(float)[usable] if "air" in record else nothing,
        gap=gap,
        lit=lit_step,
        usable=usable,
    )
    result = replace(
        result,
        uncertainty={
            "sampling": _sampling(result, exposure, irradiance) * factor / cumulative[-1],
            "gaps": result.mean_rate_running * result.lost_hours / math.sqrt(3) / cumulative[-1],
            "sensor_correction": _correction(result, factors),
        },
    )
    return replace(result, cautions=_cautions(result, exposure, file, nominal_rate, int(gap.sum())))


def _cautions(
    result: RecordedDose, exposure: Exposure, file: str, nominal: float | None, gaps: int
) -> tuple[Caution, ...]:
    cautions = []
    if gaps:
        cautions.append(
            Caution(
                name="record_has_gaps",
                text=f"exposure {exposure.name}: {gaps} gaps in the chamber record, "
                f"{result.lost_hours:.3g} h in all; they bring no dose",
                file=file,
            )
        )
    if nominal:
        running = result.duration - result.lost_hours
        ratio = float(result.cumulative[-1]) / (nominal * running)
        if abs(ratio - 1) > TOLERATED:
            cautions.append(
                Caution(
                    name="record_differs_from_nominal",
                    text=f"exposure {exposure.name}: the chamber record gives {ratio:.3g} times "
                    "the dose of the set point and cycle; the record is used",
                    file=file,
                )
            )
    return tuple(cautions)


def sensor_factors(time: NDArray, calibrations: tuple[Calibration, ...]) -> NDArray | None:
    """True irradiance over reading at each time; None where no check says anything.

    The sensor is right just after each check and `as_found` just before the next; in between the
    change is taken as a straight line. After the last check, and up to a check that noted nothing,
    it is taken as right. The time before the first check counts from the start of the record.
    """
    import numpy

    noted = [c for c in calibrations if c.as_found is not None]
    if not noted or not numpy.issubdtype(time.dtype, numpy.datetime64):
        return None
    factors = numpy.ones(time.size)
    begin = time[0]
    for check in calibrations:
        end = numpy.datetime64(check.time).astype(time.dtype)
        within = (time >= begin) & (time < end)
        if check.as_found is not None and end > begin:
            share = (time[within] - begin) / (end - begin)
            factors[within] = 1 + (check.as_found - 1) * share
        begin = end
    return factors


def _correction(result: RecordedDose, factors: NDArray | None) -> float:
    """The straight line of a correction may be a step instead: uniform between none and all."""
    if factors is None:
        return 0.0
    weight = result.weight / result.weight.sum()
    return float((weight * abs(factors - 1)).sum()) / math.sqrt(3)


def _usual(step: NDArray) -> NDArray:
    """The usual interval around each: four in five of the `AROUND` nearest are no longer, so that a
    log may change its pace, or have no steady one."""
    import numpy

    if step.size <= AROUND or step.max() <= GAP * numpy.median(step):
        return numpy.full(step.size, numpy.quantile(step, 0.8, method="lower"))
    from scipy.ndimage import percentile_filter

    return percentile_filter(step, 80, size=AROUND, mode="nearest")


def _sampling(result: RecordedDose, exposure: Exposure, irradiance: NDArray) -> float:
    """Standard uncertainty of the integral because only some moments were read [irradiance · h].

    Scatter of the readings, from differences of neighbours, goes through the trapezoid weights.
    Where the lamp goes on or off, the moment is uniform within one interval; these errors repeat
    where the interval divides the cycle, and are independent otherwise.
    """
    import numpy

    step = numpy.diff(result.clock)
    kept = numpy.where(result.gap, 0.0, step)
    weight = 0.5 * (numpy.append(kept, 0.0) + numpy.insert(kept, 0, 0.0))
    high = DARK * max(float(irradiance.max()), 1e-300)
    on = irradiance > high
    both = on[1:] & on[:-1] & ~result.gap
    scatter = numpy.diff(irradiance)[both]
    variance = float((weight[on] ** 2).sum()) * (
        float((scatter**2).mean()) / 2 if scatter.size else 0.0
    )
    edge = (on[1:] != on[:-1]) & ~result.gap
    if edge.any():
        jump = numpy.abs(numpy.diff(irradiance))[edge] * step[edge] / math.sqrt(12)
        whole = sum(s.minutes for s in exposure.cycle) / 60
        turns = whole / float(numpy.median(step)) if whole else 0.5
        if abs(turns - round(turns)) < 0.01 and any(not s.light for s in exposure.cycle):
            variance += float(jump.sum()) ** 2 / 2  # goings-on alike, goings-off alike
        else:
            variance += float((jump**2).sum())
    return math.sqrt(variance)


def _hours(time: NDArray) -> tuple[NDArray, float]:
    """Clock hours of the readings and the hour of the first."""
    import numpy

    if numpy.issubdtype(time.dtype, numpy.datetime64):
        hours = (time - time[0]) / numpy.timedelta64(1, "h")
    else:
        hours = time.astype(float)
    return hours, float(hours[0])
