"""How much more does one exposure's light do than another's, by a material's action spectrum?

    log D gains p (log m - log m_base)

with *m* the effective irradiance for each unit in the control band, of a lamp by its spectrum
(`durability.exposure.lamp_light`), of a sky hour by hour (`durability.exposure.sky_spectrum`), and
m_base that of the lamp at whose conditions the family's dose is counted. Uncertain are the slope of
the action spectrum, how much bluer each lamp is than stated, and the computed sky below 315 nm.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from durability.exposure import translation_assumptions
from durability.exposure.action import Action, action_of, slope_subject
from durability.exposure.lamp_light import LampLight, lamp_light, light_name
from durability.exposure.outdoor import SKY_BANDS
from durability.inference.model import Column

if TYPE_CHECKING:
    from durability.exposure import Assumption, Delivery
    from durability.exposure.outdoor import OutdoorClock
    from durability.exposure.sky_spectrum import SpectralPatterns
    from durability.study import Study


def counted(*, spectrum: bool, wetness: bool) -> str:
    """Subject of a spread between lamp and sky, by what is counted and so no longer in it.

    Examples
    --------
    >>> counted(spectrum=True, wetness=False), counted(spectrum=False, wetness=False)
    ('spectrum counted', '')
    """
    names = [n for n, is_so in (("spectrum", spectrum), ("wetness", wetness)) if is_so]
    return f"{' and '.join(names)} counted" if names else ""


Get = Callable[[str, str, float], np.ndarray]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ClockLight:
    """The light of one material's exposures over wavelength.

    Parameters
    ----------
    action : of the material.
    whose : subject of its slope.
    lamps : exposure to the light of its lamp.
    """

    action: Action
    whose: str
    lamps: dict[str, LampLight]

    def keys(self, exposure: str, base: str) -> list[tuple[str, str]]:
        """Name and subject of the parameters on which an exposure's light depends."""
        found = [("action_slope", self.whose), ("lamp_spectrum", self.lamps[base].name)]
        if exposure not in self.lamps:
            return [*found, ("short_wave_factor", "sky")]
        other = self.lamps[exposure].name
        return [*found, ("lamp_spectrum", other)] if other != self.lamps[base].name else []

    def columns(self, exposure: str, base: str) -> list[Column]:
        """Those parameters with their priors."""
        priors = {
            "action_slope": self.action.slope,
            "short_wave_factor": translation_assumptions()["short_wave_factor"],
        }
        return [
            column_of(name, whose, priors[name])
            if name in priors
            else Column(name=name, subject=whose, mean=0.0, sd=1.0)
            for name, whose in self.keys(exposure, base)
        ]

    def lamp(self, exposure: str, base: str, band: str, get: Get) -> np.ndarray:
        """log m - log m_base of a lamp, (draw,)."""
        if self.lamps[exposure].name == self.lamps[base].name:
            return np.zeros_like(get("action_slope", self.whose, 0.0))
        return self._log_m(exposure, band, get) - self._log_m(base, band, get)

    def sky(self, clock: OutdoorClock, base: str, get: Get) -> SpectralPatterns:
        """log m - log m_base of every lit hour and draw."""
        from dataclasses import replace

        found = clock.patterns(
            self.action, slope=get("action_slope", self.whose, self.action.slope.value),
            short_wave=get("short_wave_factor", "sky", 1.0),
        )  # fmt: skip
        return replace(found, level=found.level - self._log_m(base, clock.band, get))

    def _log_m(self, exposure: str, band: str, get: Get) -> np.ndarray:
        light = self.lamps[exposure]
        return light.log_effectiveness(
            self.action, band=band, slope=get("action_slope", self.whose, self.action.slope.value),
            bluer=get("lamp_spectrum", light.name, 0.0),
        )  # fmt: skip


def clock_light(
    study: Study,
    material: str,
    family: dict[str, str],
    lamps: dict[str, Delivery],
    skies: dict[str, OutdoorClock],
) -> ClockLight | None:
    """The light of a material's exposures; None where no action spectrum is asked for, or where
    the exposures that share a threshold dose all lie under one kind of lamp.

    Parameters
    ----------
    study, material : whose.
    family : exposure to family.
    lamps, skies : as `durability.inference.clock_terms.MaterialClock`.

    Raises
    ------
    ValueError : a lamp whose light over wavelength is not known; what mends it.
    StudyError : a table with faults.
    """
    action = action_of(study, material)
    if action is None:
        return None
    members: dict[str, list[str]] = {}
    for x, delivered in lamps.items():
        if delivered.band in SKY_BANDS:
            members.setdefault(family[x], []).append(x)
    outdoors = {family[x] for x in skies}
    lit = {}
    for name, group in members.items():
        if name in outdoors or len({light_name(study.exposures[x]) for x in group}) > 1:
            lit |= {x: lamp_light(study, study.exposures[x]) for x in group}
    if not lit:
        return None
    return ClockLight(action=action, whose=slope_subject(study, material), lamps=lit)


def column_of(name: str, subject: str, prior: Assumption) -> Column:
    """A parameter with the normal prior of an assumption."""
    return Column(
        name=name,
        subject=subject,
        mean=prior.value,
        sd=prior.sd or 1e-6,
        low=-np.inf if prior.low is None else prior.low,
        high=np.inf if prior.high is None else prior.high,
        unit=prior.unit,
    )


__all__ = ["ClockLight", "clock_light", "column_of", "counted"]
