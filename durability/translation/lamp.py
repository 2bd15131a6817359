"""Can this exposure be read on the clock of a sky? Picks the exposure of each material, or refuses.

A threshold dose can be read as days outdoors when it is a radiant dose in a band that the sky
delivers too, under a lamp whose setting is known and whose light the sun could have sent. For
anything else the refusal says what is missing and what would mend it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from durability.exposure.outdoor import SKY_BANDS

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from durability.exposure import Delivery
    from durability.statement import Statements, Subject
    from durability.study.model import Caution, Exposure, Study


class TranslationRefused(ValueError):
    """The study's exposure cannot be read as days outdoors; the text says why and what mends it."""


class ThresholdPosterior(Protocol):
    """What a translation reads of a fit: posterior draws of threshold doses and clocks."""

    @property
    def study(self) -> Study: ...
    @property
    def law(self) -> str: ...
    @property
    def level(self) -> float: ...
    @property
    def seed(self) -> int: ...
    @property
    def materials(self) -> tuple[str, ...]: ...

    def directions(self, material: str) -> tuple[str, ...]: ...
    def exposures(self, material: str) -> tuple[str, ...]: ...
    def threshold_draws(
        self,
        fraction: float | None,
        *,
        of: Subject,
        material: str,
        direction: str,
        exposure: str,
        share: float | None = None,
    ) -> NDArray[np.float64]: ...
    def clock_draws(self, material: str) -> dict[str, NDArray[np.float64]]: ...
    def last_dose(self, material: str, exposure: str) -> float: ...
    def statements(self) -> Statements: ...


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LampClock:
    """The lamp side of a translation: the setting at which a threshold dose was measured.

    Parameters
    ----------
    exposure : name of the exposure in the study.
    variable : variable of `durability.exposure.sky_exposure` in the same band.
    per_hour : dose that one hour at irradiance 1 delivers [dose_unit of the exposure].
    irradiance : lamp's irradiance while lit, canonical unit.
    log_sd : standard deviation of the log of the delivered dose.
    phases : (share of the dose, specimen temperature [degC]) of the lit phases.
    temperature_sd : standard uncertainty common to the phases' temperatures [K].
    notes : what is doubtful about them.
    band : control band.
    wet_share : share of the lit time with spray.
    """

    exposure: str
    variable: str
    per_hour: float
    irradiance: float
    log_sd: float
    phases: tuple[tuple[float, float], ...]
    temperature_sd: float
    notes: tuple[Caution, ...] = ()
    band: str = ""
    wet_share: float = 0.0

    def arrhenius(
        self, activation_energy: NDArray[np.float64], departure: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Dose-weighted mean of exp(−Ea/(R T)) over the lit phases, for each draw.

        Parameters
        ----------
        activation_energy : (draw,) [kJ/mol].
        departure : (draw,) true less nominal temperature [K].
        """
        import numpy as np

        from durability.exposure.clock import GAS_CONSTANT, KELVIN

        mean = np.zeros_like(activation_energy)
        for weight, celsius in self.phases:
            kelvin = celsius + departure + KELVIN
            mean += weight * np.exp(-activation_energy / (GAS_CONSTANT * kelvin))
        return mean


def lamp_clock(exposure: Exposure) -> LampClock:
    """The lamp side of one exposure.

    Raises
    ------
    TranslationRefused
        With what is missing and what would mend it.
    """
    from durability.exposure import delivery
    from durability.exposure.wetness import sprayed_share

    obstacle = _obstacle(exposure)
    if obstacle:
        raise TranslationRefused(f"exposure {exposure.name}: {obstacle}")
    found: Delivery | None = delivery(exposure)
    if found is None:
        raise TranslationRefused(
            f"exposure {exposure.name}: the dose that the lamp delivers is not known. Name the "
            "lamp, or state its irradiance and band in study.toml"
        )
    if found.band not in SKY_BANDS:
        raise TranslationRefused(
            f"exposure {exposure.name}: its dose is counted in the band {found.band}, and the sky "
            f"is computed in {', '.join(SKY_BANDS)} only. State the irradiance in one of these "
            "bands, as measured in the chamber; no fixed factor leads from one band to another"
        )
    variable, per_hour = SKY_BANDS[found.band]
    return LampClock(
        exposure=exposure.name,
        variable=variable,
        per_hour=per_hour / exposure.dose_scale,
        irradiance=found.irradiance,
        log_sd=found.log_sd,
        phases=merged_phases(found.phases or ((1.0, found.temperature),)),
        temperature_sd=found.temperature_sd,
        notes=found.notes,
        band=found.band,
        wet_share=sprayed_share(exposure),
    )


def merged_phases(
    phases: tuple[tuple[float, float], ...], most: int = 32
) -> tuple[tuple[float, float], ...]:
    """At most `most` phases of equal dose instead of the many of a chamber record.

    Examples
    --------
    >>> merged_phases(((0.5, 40.0), (0.25, 50.0), (0.25, 52.0)), most=2)
    ((0.5, 40.0), (0.5, 51.0))
    """
    if len(phases) <= most:
        return phases
    import numpy as np

    weight, celsius = np.array(sorted(phases, key=lambda phase: phase[1])).T
    middle = (np.cumsum(weight) - weight / 2) / weight.sum()
    group = np.minimum((middle * most).astype(int), most - 1)
    share = np.bincount(group, weight, minlength=most)
    heat = np.bincount(group, weight * celsius, minlength=most)
    return tuple(
        (float(w / weight.sum()), float(h / w)) for w, h in zip(share, heat, strict=True) if w > 0
    )


def _obstacle(exposure: Exposure) -> str:
    """Why a dose of this exposure means nothing under the sky; empty where it does."""
    if exposure.lamp == "outdoor":
        return (
            "its strips hung outdoors, so there is no lamp setting to compare a sky with. "
            "Translate from a laboratory exposure of the same materials"
        )
    if exposure.axis is not None:
        return (
            f"its axis is {exposure.axis!r}, not a radiant dose, so nothing says how much of it a "
            "day outdoors brings. State the lamp, its irradiance and the hours of each withdrawal"
        )
    lamp = _lamp_file(exposure.lamp)
    if lamp.get("reaches_below_solar_cut_on"):
        return (
            f"the lamp {exposure.lamp} emits below the shortest wavelength of sunlight (near "
            "295 nm) and can break bonds that no sun breaks. Expose strips to a xenon lamp with a "
            "daylight filter or to a UVA-340 lamp"
        )
    if "window" in str(lamp.get("filter", "")):
        return (
            f"the lamp {exposure.lamp} stands behind a window-glass filter; the open sky sends "
            "shorter, more harmful wavelengths too, so days read from it would be too many. "
            "Expose strips behind a daylight filter"
        )
    return ""


def _lamp_file(name: str | None) -> dict[str, object]:
    from durability import catalogue

    if name is None or name not in catalogue.names("lamps"):
        return {}
    return catalogue.read("lamps", name)


def lamp_clocks(
    fit: ThresholdPosterior, exposure: str | None = None
) -> tuple[dict[str, LampClock], dict[str, str]]:
    """For each material the exposure it is read from, and why the others cannot be read.

    Parameters
    ----------
    fit : the posterior.
    exposure : name of an exposure; None takes for each material the first that can be read.

    Returns
    -------
    clocks : material to `LampClock`.
    left_out : material to the reason why it has none.

    Raises
    ------
    TranslationRefused
        When no material can be read, with every reason.
    """
    if exposure is not None and exposure not in fit.study.exposures:
        known = ", ".join(fit.study.exposures)
        raise TranslationRefused(f'exposure "{exposure}" is not in the study. Known: {known}')
    from durability.exposure.lamp_light import lamp_light

    clocks: dict[str, LampClock] = {}
    left_out: dict[str, str] = {}
    for material in fit.materials:
        tried = [e for e in fit.exposures(material) if exposure in (None, e)]
        reasons = []
        for name in tried:
            try:
                found = lamp_clock(fit.study.exposures[name])
                if fit.study.materials[material].action_spectrum is not None:
                    lamp_light(fit.study, fit.study.exposures[name]).in_band(found.band)
            except TranslationRefused as refused:
                reasons.append(str(refused))
            except ValueError as refused:
                reasons.append(f"exposure {name}: {refused}")
            else:
                clocks[material] = found
                break
        else:
            left_out[material] = "; ".join(reasons) or f"it was not exposed in {exposure}"
    if not clocks:
        reasons = list(dict.fromkeys(left_out.values())) or ["the fit holds no material"]
        raise TranslationRefused(
            "No threshold dose of this study can be read as days outdoors. "
            + " ".join(f"{reason.rstrip('.')}." for reason in reasons)
        )
    return clocks, left_out


__all__ = ["LampClock", "ThresholdPosterior", "TranslationRefused", "lamp_clocks"]
