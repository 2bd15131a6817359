"""What did the chamber really deliver? Integrates a chamber record.

Irradiance is integrated over time by the trapezoid rule. A gap longer than three times the usual
interval brings no dose: nothing is known of it, and the gap is reported. Past the end of the
record the mean rate goes on, and that is reported too.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from durability.study.model import Caution, Exposure

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

GAP = 3.0
"""A gap is an interval longer than this many median intervals."""

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
    high = numpy.quantile(irradiance, 0.9) if irradiance.size else 0.0
    if clock.size < 2 or not irradiance.max() > 0:
        found = f"{clock.size} readings, none with light" if clock.size else "no readings"
        expected = "at least two readings of irradiance, some of them with the lamp on"
        raise StudyError([Problem(file=file, column="irradiance", found=found, expected=expected)])
    step = numpy.diff(clock)
    usual = numpy.median(step)
    gap = step > GAP * usual
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


def _hours(time: NDArray) -> tuple[NDArray, float]:
    """Clock hours of the readings and the hour of the first."""
    import numpy

    if numpy.issubdtype(time.dtype, numpy.datetime64):
        hours = (time - time[0]) / numpy.timedelta64(1, "h")
    else:
        hours = time.astype(float)
    return hours, float(hours[0])
