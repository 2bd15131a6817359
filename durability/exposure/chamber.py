"""Did the chamber do what was asked of it? Dose, tolerances, interruptions, drift, temperature.

A record is integrated (`durability.exposure.record`), laid against the cycle
(`durability.exposure.phases`) and compared, quantity by quantity, with the set points of the
exposure and the tolerances of the practice that its lamp follows.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

from durability.exposure.assumption import chamber_assumptions, material_assumptions
from durability.exposure.bands import Converted, convert_dose
from durability.exposure.chamber_parts import (
    Drift,
    Interruption,
    Kept,
    Phase,
    burning,
    by_phase,
    drifts,
    interruptions,
    kept_within,
    stopped,
)
from durability.exposure.delivery import delivery, hourly_dose
from durability.exposure.lamp import light_fraction, read_lamp
from durability.exposure.phases import UNKNOWN, phase_of
from durability.exposure.record import sensor_factors
from durability.exposure.temperature import effective_temperature
from durability.study.model import Caution, Exposure, Segment, Study

if TYPE_CHECKING:
    from numpy.typing import NDArray

OUT = 0.05
"""Share of the judged time out of tolerance that passes without a caution."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Chamber:
    """What a chamber record says.

    Parameters
    ----------
    exposure, file, band, dose_unit : which record, and the unit of every dose.
    hours, recorded_hours, light_hours : clock time, less gaps, and of that lit [h].
    dose : radiant dose [dose_unit].
    nominal_dose : set point and cycle over all clock hours [same]; None without a set point.
    uncertainty : relative standard uncertainty of the dose by cause.
    phases, kept, interruptions, drift : see their types.
    panel_effective, specimen_effective : constant temperature that would do as much damage by the
        same light [degC]; None where the panel was not recorded.
    activation_energy : with which that was found [kJ/mol].
    cautions : what is legal but unwise.
    """

    exposure: str
    file: str
    band: str
    dose_unit: str
    hours: float
    recorded_hours: float
    light_hours: float
    dose: float
    nominal_dose: float | None
    uncertainty: dict[str, float]
    phases: tuple[Phase, ...]
    kept: tuple[Kept, ...]
    interruptions: tuple[Interruption, ...]
    drift: tuple[Drift, ...]
    panel_effective: float | None
    specimen_effective: float
    activation_energy: float
    cautions: tuple[Caution, ...] = ()

    @property
    def log_sd(self) -> float:
        """Relative standard uncertainty of the dose, all causes together."""
        return math.sqrt(sum(part**2 for part in self.uncertainty.values()))

    @property
    def of_nominal(self) -> float | None:
        """Recorded over nominal dose; None without a set point."""
        return None if not self.nominal_dose else self.dose / self.nominal_dose

    def to_dict(self) -> dict[str, Any]:
        """Everything as plain types for JSON."""
        return {
            **asdict(self),
            "relative_sd": self.log_sd,
            "of_nominal": self.of_nominal,
            "kept": [{**asdict(k), "share_out": k.share_out} for k in self.kept],
        }

    def summary_rows(self) -> list[tuple[str, str]]:
        """(label, text) pairs that the repr and the terminal show."""
        parts = ", ".join(f"{k.replace('_', ' ')} {100 * v:.2g} %" for k, v in
                          self.uncertainty.items() if v >= 5e-4)  # fmt: skip
        rows = [
            ("record", f"{self.file}, {self.hours:.5g} h, of which {self.light_hours:.5g} h lit"),
            ("dose", f"{self.dose:.4g} {self.dose_unit} +- {100 * self.log_sd:.2g} % ({parts})"),
        ]
        if self.nominal_dose:
            rows.append(
                ("set point", f"{self.nominal_dose:.4g}; the record gives "
                 f"{100 * (self.of_nominal or 0):.1f} % of it")
            )  # fmt: skip
        warm = "panel not recorded" if self.panel_effective is None else (
            f"black panel {self.panel_effective:.1f} °C"
        )  # fmt: skip
        rows.append(
            ("effective", f"{warm}, specimen {self.specimen_effective:.1f} °C, by light and "
             f"Arrhenius at {self.activation_energy:g} kJ/mol")
        )  # fmt: skip
        lost = sum(i.hours for i in self.interruptions)
        hours = f", {lost:.3g} h in all" if self.interruptions else ""
        rows.append(("interrupted", _times(len(self.interruptions)) + hours))
        for d in self.drift:
            if d.per_1000_h is not None and d.se is not None:
                found = "" if d.as_found is None else f"; sensor as found {d.as_found:g}"
                rows.append(
                    ("drift", f"{d.start:.4g} to {d.end:.4g} h: {100 * d.per_1000_h:+.2g} +- "
                     f"{100 * d.se:.1g} % in 1000 h{found}")
                )  # fmt: skip
        return rows

    def __repr__(self) -> str:
        head = f"Chamber of {self.exposure}, at {self.band}"
        return "\n".join([head, *(f"  {a:<11} {b}" for a, b in self.summary_rows())])


def chamber(exposure: Exposure, *, polymer: str | None = None) -> Chamber:
    """What the chamber record of an exposure says.

    Parameters
    ----------
    exposure : of a study, with a record and a radiant dose.
    polymer : name of a file of models/materials, for the effective temperature.

    Raises
    ------
    ValueError : no record, or no radiant dose.

    Notes
    -----
    A quantity is judged once it has settled after a change of phase (models/chamber.toml), against
    the set point of the exposure and the tolerance in the lamp's file. Where phases cannot be told
    apart in the record, the quantities that depend on them are not judged. An interruption shorter
    than a dark phase of the cycle is not found.
    """
    import numpy

    given = delivery(exposure) if exposure.record is not None else None
    if given is None or given.record is None or exposure.record is None:
        raise ValueError(f"exposure {exposure.name} has no chamber record of a radiant dose")
    recorded = given.record
    lamp = read_lamp(exposure.lamp) if exposure.lamp else None
    cycle = exposure.cycle or (lamp.cycle if lamp else ()) or (Segment(minutes=120, light=True),)
    gap = recorded.gap
    weight = _hours_of(recorded.clock, gap)
    lit = burning(recorded)
    stops = interruptions(recorded, cycle)
    breaks = numpy.concatenate([[False], gap])
    for stop in stops:
        breaks[min(int(numpy.searchsorted(recorded.clock, stop.start + stop.hours)),
                   breaks.size - 1)] = True  # fmt: skip
    columns = {
        n: exposure.record[n].values.astype(float)[recorded.usable]
        for n in ("irradiance", "black_panel", "air", "humidity", "spray")
        if n in exposure.record
    }
    factors = sensor_factors(exposure.record["time"].values[recorded.usable], exposure.calibrations)
    if factors is not None:
        columns["irradiance"] = columns["irradiance"] * factors
    phase = phase_of(
        recorded.clock, lit, recorded.panel, cycle, breaks=breaks, spray=columns.get("spray"),
        told_apart=chamber_assumptions()["told_apart"].value,
    )  # fmt: skip
    phase[stopped(recorded.clock, stops)] = UNKNOWN
    heat = material_assumptions(polymer)["activation_energy"].value
    known = numpy.isfinite(recorded.panel) & (recorded.weight > 0)
    shares, temperatures = zip(*given.phases, strict=True)
    set_point = exposure.irradiance or (
        lamp.irradiance if lamp and lamp.band == given.band else None
    )
    factor = hourly_dose(exposure, given.band)
    base = {"calibration_and_position": _base(given.log_sd, recorded.log_sd)}
    kept = kept_within(columns, phase, weight, lit, recorded, cycle, set_point, given.band, lamp)
    drift = drifts(recorded, exposure)
    lost_light = [s for s in stops if s.kind == "no light"]
    return Chamber(
        exposure=exposure.name,
        file=exposure.record_file or "",
        band=given.band,
        dose_unit=given.dose_unit,
        hours=recorded.duration,
        recorded_hours=recorded.duration - recorded.lost_hours,
        light_hours=float(numpy.diff(recorded.clock)[recorded.lit].sum()),
        dose=float(recorded.cumulative[-1]),
        nominal_dose=None if set_point is None
        else set_point * factor * light_fraction(cycle) * recorded.duration,
        uncertainty={**base, **recorded.uncertainty},
        phases=by_phase(phase, weight, recorded.weight, columns["irradiance"], cycle),
        kept=kept,
        interruptions=stops,
        drift=drift,
        panel_effective=effective_temperature(
            recorded.panel[known], recorded.weight[known], activation_energy=heat
        ) if known.any() else None,
        specimen_effective=effective_temperature(temperatures, shares, activation_energy=heat),
        activation_energy=heat,
        cautions=(*recorded.cautions, *_cautions(exposure, kept, lost_light, drift)),
    )  # fmt: skip


def chambers(study: Study) -> list[Chamber]:
    """The record of every exposure of a study that has one and counts a radiant dose."""
    polymers = {m.polymer for m in study.materials.values()}
    polymer = next(iter(polymers)) if len(polymers) == 1 else None
    return [
        chamber(x, polymer=polymer)
        for x in study.exposures.values()
        if x.record is not None and delivery(x) is not None
    ]


def read_in_band(
    said: Chamber, exposure: Exposure, band: str, spectrum: str | None = None
) -> Converted:
    """The dose of a chamber record in another control band.

    Parameters
    ----------
    said, exposure : the record and its exposure.
    band : such as ``"300-400 nm"``.
    spectrum : name or file; None takes the spectrum that the lamp's file names.

    Returns
    -------
    Converted : its ``log_sd`` is that of dose and conversion together.

    Raises
    ------
    ValueError : no spectrum is known, or it does not reach the band.
    """
    from durability.study.schema import normal_band

    named = spectrum
    if named is None and exposure.lamp:
        named = read_lamp(exposure.lamp).spectrum
    if named is None:
        raise ValueError(f"exposure {exposure.name} names no lamp with a spectrum; name a spectrum")
    found = convert_dose(
        said.dose * exposure.dose_scale, band=said.band, into=normal_band(band), spectrum=named
    )
    return replace(found, log_sd=math.hypot(found.log_sd, said.log_sd))


def _base(whole: float, of_record: float) -> float:
    return math.sqrt(max(whole**2 - of_record**2, 0.0))


def _hours_of(clock: NDArray, gap: NDArray) -> NDArray:
    """Clock time that each reading stands for [h]."""
    import numpy

    step = numpy.where(gap, 0.0, numpy.diff(clock))
    return 0.5 * (numpy.append(step, 0.0) + numpy.insert(step, 0, 0.0))


def _cautions(
    exposure: Exposure,
    kept: tuple[Kept, ...],
    stops: list[Interruption],
    drift: tuple[Drift, ...],
) -> list[Caution]:
    file, head = exposure.record_file or "", f"exposure {exposure.name}: "
    found = [
        Caution(
            name="out_of_tolerance",
            text=f"{head}{k.quantity.replace('_', ' ')} was out of tolerance ({k.set_point:g} +- "
            f"{k.tolerance:g} {k.unit}) for {100 * k.share_out:.0f} % of {k.hours:.4g} h judged "
            f"({k.phase})",
            file=file,
        )
        for k in kept
        if k.share_out > OUT
    ]
    if stops:
        found.append(
            Caution(
                name="chamber_interrupted",
                text=f"{head}the light failed {_times(len(stops))}, "
                f"{sum(s.hours for s in stops):.3g} h in all, where the cycle asks for light",
                file=file,
            )
        )
    for d in drift:
        moved = None if d.per_1000_h is None else d.per_1000_h * (d.end - d.start) / 1000
        if moved is not None and d.se and abs(d.per_1000_h or 0) > 3 * d.se and abs(moved) > 0.02:
            found.append(
                Caution(
                    name="irradiance_drifts",
                    text=f"{head}the logged irradiance moved by {100 * moved:+.2g} % between "
                    f"{d.start:.4g} and {d.end:.4g} h",
                    file=file,
                )
            )
    return found


def _times(n: int) -> str:
    return {0: "never", 1: "once"}.get(n, f"{n} times")
