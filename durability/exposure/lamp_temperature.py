"""How warm is a strip under the lamp? Between the chamber air and the black panel.

    T = T_air + share (T_panel - T_air)

The share is 1 for a black panel and less for a fabric; it, the air where it is not given, and the
temperature under spray are uncertain numbers of the lamp's file.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from durability.exposure.assumption import Assumption, translation_assumptions
from durability.exposure.lamp import Lamp
from durability.study.model import Segment

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from durability.exposure.record import RecordedDose


@dataclass(frozen=True, slots=True, kw_only=True)
class LampTemperature:
    """Specimen temperature while lit.

    Parameters
    ----------
    phases : (share of the dose, temperature [degC]); shares add up to 1.
    sd : standard uncertainty common to the phases [K].
    assumed : what was not stated and had to be assumed, in words; empty if nothing.
    """

    phases: tuple[tuple[float, float], ...]
    sd: float
    assumed: str = ""

    @property
    def mean(self) -> float:
        """Dose-weighted mean [degC]."""
        return sum(weight * celsius for weight, celsius in self.phases)


@dataclass(frozen=True, slots=True)
class _Heat:
    """The uncertain numbers, of the lamp's file or, without a lamp, of the translation's."""

    share: Assumption
    air: Assumption | None
    wet: Assumption
    unstated: Assumption
    above_air: Assumption
    below_panel: Assumption
    reading: float

    @classmethod
    def of(cls, lamp: Lamp | None) -> _Heat:
        general = translation_assumptions()
        own = lamp.temperature if lamp else {}
        return cls(
            share=own.get("panel_share", general["lamp_panel_share"]),
            air=own.get("chamber_air"),
            wet=own.get("wet_specimen", general["lamp_wet_specimen"]),
            unstated=general["lamp_specimen_temperature"],
            above_air=general["lamp_specimen_above_air"],
            below_panel=general["lamp_air_below_panel"],
            reading=general["lamp_panel_reading"].sd or 0.0,
        )

    def chamber(self, panel: float) -> tuple[float, float]:
        """Chamber air where only the panel is known, and its standard uncertainty."""
        if self.air is not None and self.air.value < panel:
            return self.air.value, self.air.sd or 0.0
        return panel - self.below_panel.value, self.below_panel.sd or 0.0

    def spread(self, rise: float, air_sd: float) -> tuple[float, float, float]:
        """Parts of the uncertainty [K]: of the share, of the air and of the panel's reading."""
        share = self.share.value
        return (self.share.sd or 0.0) * rise, abs(1 - share) * air_sd, share * self.reading


def temperature_of_cycle(cycle: tuple[Segment, ...], lamp: Lamp | None) -> LampTemperature:
    """Specimen temperature from what a cycle states; the lamp's file fills in.

    Parameters
    ----------
    cycle : phases; an empty one is light throughout, with nothing stated.
    lamp : its file's temperatures are used where the cycle is silent; None takes wider ones.
    """
    heat = _Heat.of(lamp)
    lit = [s for s in cycle if s.light] or [Segment(minutes=1, light=True)]
    total = sum(s.minutes for s in lit)
    panel_elsewhere = next((s.black_panel for s in lit if s.black_panel is not None), None)
    phases: list[tuple[float, float]] = []
    parts = [0.0] * 4
    assumed: set[str] = set()
    for s in lit:
        weight = s.minutes / total
        panel = s.black_panel
        if panel is None and not s.spray:
            panel = panel_elsewhere
        if panel is None:
            if s.spray:
                base, warm = heat.wet, heat.wet.value if s.air is None else s.air
                assumed.add("under spray")
            else:
                base = heat.unstated if s.air is None else heat.above_air
                warm = base.value + (s.air or 0.0)
                assumed.add("panel temperature not stated")
            phases.append((weight, warm))
            parts[3] += weight * (base.sd or 0.0)
            continue
        air, air_sd = (s.air, heat.reading) if s.air is not None else heat.chamber(panel)
        if s.air is None:
            assumed.add("chamber air not stated")
        phases.append((weight, air + heat.share.value * (panel - air)))
        for i, part in enumerate(heat.spread(abs(panel - air), air_sd)):
            parts[i] += weight * part
    return LampTemperature(
        phases=tuple(phases), sd=_root(parts), assumed=", ".join(sorted(assumed))
    )


def temperature_of_record(record: RecordedDose, lamp: Lamp | None) -> LampTemperature:
    """Specimen temperature from recorded panel and air, in classes of 1 K.

    Under spray the panel is wet like the specimen and already reads low.

    Parameters
    ----------
    record : with a panel temperature (`RecordedDose.has_panel`).
    lamp : its file gives the air where the record does not.
    """
    import numpy

    heat = _Heat.of(lamp)
    known = (record.weight > 0) & numpy.isfinite(record.panel)
    weight, panel, air = record.weight[known], record.panel[known], record.air[known]
    has_air = numpy.isfinite(air)
    guessed, guessed_sd = _chamber(heat, panel)
    air = numpy.where(has_air, air, guessed)
    rise = numpy.maximum(panel - air, 0.0)
    specimen = air + heat.share.value * rise
    weight = weight / weight.sum()
    _, member = numpy.unique(numpy.round(specimen), return_inverse=True)
    shares = numpy.bincount(member, weights=weight)
    means = numpy.bincount(member, weights=weight * specimen) / shares
    phases = tuple(zip(shares.tolist(), means.tolist(), strict=True))
    air_sd = float(weight @ numpy.where(has_air, heat.reading, guessed_sd))
    return LampTemperature(
        phases=phases,
        sd=_root(list(heat.spread(float(weight @ rise), air_sd))),
        assumed="" if has_air.all() else "chamber air not recorded",
    )


def _chamber(heat: _Heat, panel: NDArray) -> tuple[NDArray, NDArray]:
    import numpy

    pairs = numpy.array([heat.chamber(float(p)) for p in numpy.unique(panel)])
    at = numpy.searchsorted(numpy.unique(panel), panel)
    return pairs[at, 0], pairs[at, 1]


def _root(parts: list[float]) -> float:
    return sum(part**2 for part in parts) ** 0.5
