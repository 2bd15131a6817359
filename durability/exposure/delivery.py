"""How much dose, and at what temperature, does an exposure deliver an hour?

A radiant dose is irradiance times lit time: 1 W/m²/nm for an hour is 3.6 kJ/m²/nm, 1 W/m² is
0.0036 MJ/m². Dark phases count as clock hours and bring no dose.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from durability.exposure.assumption import Assumption, translation_assumptions
from durability.exposure.lamp import Lamp, light_fraction, read_lamp
from durability.exposure.record import RecordedDose, recorded_dose
from durability.study.model import Caution, Exposure, Segment

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

SPECTRAL = 3.6
INTERVAL = 0.0036


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Delivery:
    """What a lamp exposure delivers.

    Parameters
    ----------
    exposure : name of the exposure.
    dose_per_hour : dose per clock hour, mean over the cycle [kJ/m²/nm, or MJ/m² in an interval].
    dose_per_light_hour : dose per lit hour [same].
    light_fraction : lit share of clock time.
    irradiance : while lit [W/m²/nm, or W/m² in an interval].
    band : ``"340 nm"`` or ``"300-400 nm"``.
    dose_unit : unit of dose with its band.
    log_sd : relative standard uncertainty of the dose, common to all doses of the exposure.
    temperature : dose-weighted mean temperature of the specimen while lit [degC].
    temperature_sd : its standard uncertainty [K].
    phases : (share of the dose, specimen temperature [degC]) of the lit phases.
    from_record : True when a chamber record, not the set point, was integrated.
    reaches_below_solar_cut_on : the lamp emits wavelengths that sunlight lacks.
    notes : cautions.
    """

    exposure: str
    dose_per_hour: float
    dose_per_light_hour: float
    light_fraction: float
    irradiance: float
    band: str
    dose_unit: str
    log_sd: float
    temperature: float
    temperature_sd: float
    phases: tuple[tuple[float, float], ...]
    from_record: bool = False
    reaches_below_solar_cut_on: bool = False
    notes: tuple[Caution, ...] = ()
    record: RecordedDose | None = None

    def dose(self, hours: ArrayLike) -> NDArray:
        """Dose after `hours` clock hours [dose_unit, canonical]; from the record if there is one.

        Examples
        --------
        >>> from durability.study.model import Exposure
        >>> x = Exposure(name="X1", lamp="xenon-daylight", irradiance=0.35, band="340 nm")
        >>> round(float(delivery(x).dose(500.0)), 6)
        630.0
        """
        import numpy

        if self.record is not None:
            return self.record.dose(hours)
        return numpy.asarray(hours, dtype=float) * self.dose_per_hour

    def hours(self, dose: ArrayLike) -> NDArray:
        """Clock hours in which `dose` is delivered [h]; the inverse of `dose`."""
        import numpy

        if self.record is not None:
            return self.record.hours(dose)
        return numpy.asarray(dose, dtype=float) / self.dose_per_hour

    def __repr__(self) -> str:
        how = "from the chamber record" if self.from_record else "from the set point"
        return (
            f"Delivery of {self.exposure}: {self.dose_per_hour:.4g} {self.dose_unit} a clock hour "
            f"({how}, +- {100 * self.log_sd:.2g} %), specimen at {self.temperature:.0f} +- "
            f"{self.temperature_sd:.0f} °C while lit"
        )


def delivery(exposure: Exposure) -> Delivery | None:
    """What an exposure delivers an hour, and at what temperature.

    Parameters
    ----------
    exposure : of a study. Where it is silent, its lamp file speaks.

    Returns
    -------
    Delivery, or None where hours cannot be turned into radiant dose: an axis of the study's own,
    the open sky, or no irradiance stated anywhere.

    Notes
    -----
    The specimen is not the black panel. Its temperature is that of the chamber air plus a share of
    the panel's rise above it; share and air are uncertain numbers of the lamp file. A lit phase
    with spray and no stated temperature takes the lamp file's wet specimen. A chamber record
    replaces set point and cycle; these are then only a check.
    """
    if not exposure.is_radiant or exposure.lamp == "outdoor":
        return None
    lamp = read_lamp(exposure.lamp) if exposure.lamp else None
    band = exposure.band or (lamp.band if lamp else None)
    irradiance = exposure.irradiance
    if irradiance is None and lamp is not None and lamp.band == band:
        irradiance = lamp.irradiance
    if band is None or (irradiance is None and exposure.record is None):
        return None
    factor = INTERVAL if "-" in band else SPECTRAL
    cycle = exposure.cycle or (lamp.cycle if lamp else ())
    share, air, wet, unstated = _thermal(lamp)
    notes: list[Caution] = []
    log_sd = exposure.irradiance_uncertainty
    if log_sd is None:
        log_sd = (
            lamp.irradiance_uncertainty
            if lamp
            else translation_assumptions()["lamp_dose"].log_sd or 0.0
        )
    nominal = None if irradiance is None else irradiance * factor * light_fraction(cycle)
    recorded = None
    if exposure.record is not None:
        recorded = recorded_dose(exposure, factor=factor, nominal_rate=nominal)
        notes += recorded.cautions
        irradiance, lit = recorded.irradiance, recorded.light_fraction
        rate = recorded.mean_rate
        phases = recorded.temperatures(share.value, air) if recorded.has_panel else ()
    else:
        if irradiance is None:
            return None
        lit = light_fraction(cycle)
        rate, phases = irradiance * factor * lit, ()
    spread = 0.0
    if not phases:
        phases, spread, assumed = _phase_temperatures(cycle, share, air, wet, unstated)
        if assumed:
            notes.append(_caution("specimen_temperature_assumed", exposure.name, assumed))
    else:
        rise = recorded.panel_rise(air) if recorded else 0.0
        reading = translation_assumptions()["lamp_panel_reading"].sd or 0.0
        spread = (((share.sd or 0.0) * rise) ** 2 + (share.value * reading) ** 2) ** 0.5
    total = sum(w for w, _ in phases)
    return Delivery(
        exposure=exposure.name,
        dose_per_hour=rate,
        dose_per_light_hour=irradiance * factor,
        light_fraction=lit,
        irradiance=irradiance,
        band=band,
        dose_unit=("MJ/m² in " if "-" in band else "kJ/(m² nm) at ") + band,
        log_sd=log_sd,
        temperature=sum(w * t for w, t in phases) / total,
        temperature_sd=spread,
        phases=tuple((w / total, t) for w, t in phases),
        from_record=recorded is not None,
        reaches_below_solar_cut_on=bool(lamp and lamp.reaches_below_solar_cut_on),
        notes=tuple(notes),
        record=recorded,
    )


def hours_of_dose(exposure: Exposure, dose: ArrayLike) -> NDArray:
    """Clock hours, dark phases included, in which the exposure delivers `dose`.

    Parameters
    ----------
    exposure : of a study.
    dose : any shape [canonical unit of the exposure's dose].

    Returns
    -------
    array of the same shape [h]; nan where hours are unknown (own axis, no irradiance).

    Examples
    --------
    >>> x = Exposure(name="U", lamp="fluorescent-uva-340", irradiance=0.89, band="340 nm")
    >>> round(float(hours_of_dose(x, 3.6 * 0.89 * 2 / 3 * 720)), 6)
    720.0
    """
    import numpy

    if exposure.axis in HOUR_AXES:
        return numpy.asarray(dose, dtype=float)
    given = delivery(exposure)
    if given is None:
        return numpy.full(numpy.shape(dose), numpy.nan)
    return given.hours(dose)


HOUR_AXES = ("h", "hour", "hours")
"""Names of an own axis that is plain clock hours."""


def _thermal(lamp: Lamp | None) -> tuple[Assumption, Assumption | None, Assumption, Assumption]:
    """Panel share, chamber air (None: below the panel), wet specimen, temperature if unstated."""
    t = translation_assumptions()
    unstated = t["lamp_specimen_temperature"]
    if lamp is None:
        return t["lamp_panel_share"], None, t["lamp_wet_specimen"], unstated
    own = lamp.temperature
    return (
        own.get("panel_share", t["lamp_panel_share"]),
        own.get("chamber_air"),
        own.get("wet_specimen", t["lamp_wet_specimen"]),
        unstated,
    )


def _phase_temperatures(
    cycle: tuple[Segment, ...],
    share: Assumption,
    air: Assumption | None,
    wet: Assumption,
    unstated: Assumption,
) -> tuple[tuple[tuple[float, float], ...], float, str]:
    """((minutes, specimen temperature) of lit phases, sd, what was assumed)."""
    below = translation_assumptions()["lamp_air_below_panel"]
    reading = translation_assumptions()["lamp_panel_reading"].sd or 0.0
    lit = [s for s in cycle if s.light] or [Segment(minutes=1, light=True)]
    panel_of_others = next((s.black_panel for s in lit if s.black_panel is not None), None)
    phases, by_share, by_air, by_wet, by_rest, by_panel = [], 0.0, 0.0, 0.0, 0.0, 0.0
    assumed: set[str] = set()
    total = sum(s.minutes for s in lit)
    for s in lit:
        weight = s.minutes / total
        panel = s.black_panel
        if panel is None and s.spray:
            phases.append((weight, wet.value if s.air is None else s.air))
            by_wet += weight * (wet.sd or 0.0)
            assumed.add("under spray")
            continue
        panel = panel_of_others if panel is None else panel
        if panel is None:
            known = s.air is not None
            phases.append((weight, s.air + 5.0 if s.air is not None else unstated.value))
            by_rest += weight * (5.0 if known else unstated.sd or 0.0)
            assumed.add("panel temperature not stated")
            continue
        if s.air is not None:
            chamber, air_sd = s.air, 1.0
        elif air is not None and air.value < panel:
            chamber, air_sd = air.value, air.sd or 0.0
            assumed.add("chamber air not stated")
        else:
            chamber, air_sd = panel - below.value, below.sd or 0.0
            assumed.add("chamber air not stated")
        phases.append((weight, chamber + share.value * (panel - chamber)))
        by_share += weight * abs(panel - chamber) * (share.sd or 0.0)
        by_air += weight * abs(1 - share.value) * air_sd
        by_panel += weight * share.value * reading
    sd = (by_share**2 + by_air**2 + by_wet**2 + by_rest**2 + by_panel**2) ** 0.5
    return tuple(phases), sd, ", ".join(sorted(assumed))


def _caution(name: str, exposure: str, what: str) -> Caution:
    return Caution(
        name=name,
        text=f"exposure {exposure}: the specimen's temperature under the lamp is assumed ({what}); "
        "state black_panel and air of each phase, or give a chamber record",
    )
