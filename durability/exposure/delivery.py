"""How much dose, and at what temperature, does an exposure deliver an hour?

A radiant dose is irradiance times lit time: 1 W/m²/nm for an hour is 3.6 kJ/m²/nm, 1 W/m² is
0.0036 MJ/m². Dark phases count as clock hours and bring no dose.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from durability.exposure.assumption import translation_assumptions
from durability.exposure.lamp import Lamp, light_fraction, read_lamp
from durability.exposure.lamp_temperature import temperature_of_cycle, temperature_of_record
from durability.exposure.record import RecordedDose, recorded_dose
from durability.study.lamps import dose_unit
from durability.study.model import Caution, Exposure

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
    dose_per_hour : dose per clock hour, mean over the cycle [dose_unit].
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
        """Dose after `hours` clock hours [dose_unit]; from the record if there is one.

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


@functools.lru_cache(maxsize=64)
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
    factor = hourly_dose(exposure, band)
    cycle = exposure.cycle or (lamp.cycle if lamp else ())
    lit = light_fraction(cycle)
    nominal = None if irradiance is None else irradiance * factor * lit
    recorded = None
    if exposure.record is not None:
        recorded = recorded_dose(exposure, factor=factor, nominal_rate=nominal)
        irradiance, lit = recorded.irradiance, recorded.light_fraction
    if recorded is not None and recorded.has_panel:
        warmth = temperature_of_record(recorded, lamp)
    else:
        warmth = temperature_of_cycle(cycle, lamp)
    if irradiance is None:
        return None
    notes = [] if recorded is None else list(recorded.cautions)
    if warmth.assumed:
        notes.append(_assumed_temperature(exposure.name, warmth.assumed))
    return Delivery(
        exposure=exposure.name,
        dose_per_hour=irradiance * factor * lit if recorded is None else recorded.mean_rate,
        dose_per_light_hour=irradiance * factor,
        light_fraction=lit,
        irradiance=irradiance,
        band=band,
        dose_unit=exposure.dose_unit or dose_unit(band),
        log_sd=math.hypot(_log_sd(exposure, lamp), recorded.log_sd if recorded else 0.0),
        temperature=warmth.mean,
        temperature_sd=warmth.sd,
        phases=warmth.phases,
        from_record=recorded is not None,
        reaches_below_solar_cut_on=bool(lamp and lamp.reaches_below_solar_cut_on),
        notes=tuple(notes),
        record=recorded,
    )


def hourly_dose(exposure: Exposure, band: str) -> float:
    """Dose that an hour at irradiance 1 delivers in a band [dose_unit of the exposure]."""
    return (INTERVAL if "-" in band else SPECTRAL) / exposure.dose_scale


def hours_of_dose(exposure: Exposure, dose: ArrayLike) -> NDArray:
    """Clock hours, dark phases included, in which the exposure delivers `dose`.

    Parameters
    ----------
    exposure : of a study.
    dose : any shape [dose_unit of the exposure].

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


def _log_sd(exposure: Exposure, lamp: Lamp | None) -> float:
    """Relative uncertainty of the dose: the study's, else the lamp's, else the usual one."""
    if exposure.irradiance_uncertainty is not None:
        return exposure.irradiance_uncertainty
    if lamp is not None:
        return lamp.irradiance_uncertainty
    return translation_assumptions()["lamp_dose"].log_sd or 0.0


def _assumed_temperature(exposure: str, what: str) -> Caution:
    return Caution(
        name="specimen_temperature_assumed",
        text=f"exposure {exposure}: the specimen's temperature under the lamp is assumed ({what}); "
        "state black_panel and air of each phase, or give a chamber record",
    )
