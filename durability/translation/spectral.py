"""How much more does a lamp's light do than the sky's, by the action spectrum of the material?

    E_eff,sky / E_eff,lamp = (E_sky / E_lamp) m_sky / m_lamp

in the lamp's control band, with *m* the effective irradiance for each unit of irradiance in the
band: of the lamp from its spectrum, of the sky hour by hour. Slope of the action spectrum, colour
of the lamp and the sky below 315 nm are drawn.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from durability.exposure.action import SHORT_SHARE, action_of, slope_subject
from durability.exposure.lamp_light import lamp_light
from durability.study.model import Caution
from durability.translation.inputs import stream

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy as np
    from numpy.typing import NDArray

    from durability.exposure import Assumption, Site
    from durability.exposure.action import Action
    from durability.exposure.hourly import LitHours
    from durability.exposure.lamp_light import LampLight
    from durability.exposure.sky_spectrum import SpectralPatterns
    from durability.study.model import Study
    from durability.translation.lamp import LampClock

LINKS = ("action_slope", "lamp_spectrum", "short_wave_factor")
"""Links that a spectral translation draws: slope [1/nm], how much bluer the lamp is [standard
deviations], and the factor on the computed sky below 315 nm [1]."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SpectralLink:
    """Lamp and sky of one material, weighted by its action spectrum.

    Parameters
    ----------
    action : of the material.
    lamp : spectrum of its lamp.
    band : control band of the lamp.
    wavelength : of `spectral` [nm].
    spectral : (lit, wavelength) of the lit hours of the sky [W/m²/nm].
    irradiance : (lit,) in the control band.
    """

    action: Action
    lamp: LampLight
    band: str
    wavelength: NDArray[np.float64]
    spectral: NDArray[np.float64]
    irradiance: NDArray[np.float64]

    def patterns(self, links: Mapping[str, NDArray[np.float64]]) -> SpectralPatterns:
        """Log of m_sky / m_lamp of each hour and draw; its level holds the lamp's part."""
        from dataclasses import replace

        from durability.exposure.sky_spectrum import spectral_patterns

        found = spectral_patterns(
            self.wavelength, self.spectral, self.irradiance, self.action,
            slope=links["action_slope"], short_wave=links["short_wave_factor"],
        )  # fmt: skip
        lamp = self.lamp.log_effectiveness(
            self.action, band=self.band, slope=links["action_slope"],
            bluer=links["lamp_spectrum"],
        )  # fmt: skip
        return replace(found, level=found.level - lamp)


def spectral_link(
    study: Study,
    material: str,
    clock: LampClock,
    place: Site,
    year: LitHours,
    plane: dict[str, Any],
) -> SpectralLink | None:
    """The spectral side of one material; None where it asks for no action spectrum.

    Parameters
    ----------
    study, material : whose action spectrum is read.
    clock : the lamp side.
    place, plane : the site, and the settings of `durability.exposure.sky_exposure`.
    year : the sky side.
    """
    from durability.exposure.sky import sky_spectrum

    action = action_of(study, material)
    if action is None or year.hour.size == 0:
        return None
    import numpy as np

    light = sky_spectrum(place, **plane)
    return SpectralLink(
        action=action,
        lamp=lamp_light(study, study.exposures[clock.exposure]),
        band=clock.band,
        wavelength=light["wavelength"].values,
        spectral=light.values[year.hour],
        irradiance=np.exp(year.log_irradiance),
    )


def spectral_draws(
    study: Study,
    material: str,
    action: Action,
    lamp: LampLight,
    inputs: Mapping[str, Assumption],
    *,
    draws: int,
    seed: int,
    learned: Mapping[str, NDArray[np.float64]],
) -> dict[str, NDArray[np.float64]]:
    """Draws (draw,) of `LINKS`; what the strips taught of them replaces its prior.

    Materials of one polymer share a slope, exposures of one lamp its colour.
    """
    whose = slope_subject(study, material)
    found = {
        "action_slope": action.slope.draws(draws, stream(seed, f"action_slope/{whose}")),
        "lamp_spectrum": stream(seed, f"lamp_spectrum/{lamp.name}").standard_normal(draws),
        "short_wave_factor": inputs["short_wave_factor"].draws(draws, stream(seed, "short_wave")),
    }
    return {name: learned.get(name, values) for name, values in found.items()}


def spectral_ratio(
    action: Action,
    lamp: LampLight,
    band: str,
    wavelength: NDArray[np.float64],
    spectral: NDArray[np.float64],
    often: NDArray[np.float64],
    links: Mapping[str, NDArray[np.float64]],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The sky's effective light where many cells share one sky, for a map.

    Parameters
    ----------
    action, lamp, band : as `SpectralLink`.
    wavelength, spectral : spectral irradiance of classes of place, month and sun height
        (class, wavelength).
    often : how often each of them is met (class,).
    links : of `LINKS`.

    Returns
    -------
    log_ratio : log of m_sky / m_lamp over all classes, for each draw.
    log_shape : log of m of each class over that, at the median draw; what draws differ in here is
        left out.
    """
    import numpy as np

    from durability.exposure.clear_sky import BANDS
    from durability.exposure.sky_spectrum import spectral_patterns
    from durability.exposure.spectral_model import band_integral

    low, high = (335.0, 345.0) if band == "340 nm" else BANDS[f"uv_{band[:3]}_{band[4:7]}"]
    dose = band_integral(wavelength, spectral.T, low, high) / (10.0 if band == "340 nm" else 1.0)
    found = spectral_patterns(
        wavelength, spectral, dose, action,
        slope=links["action_slope"], short_wave=links["short_wave_factor"],
    )  # fmt: skip
    each = found.level[:, None] + found.weights @ found.rows
    part = dose * often
    whole = np.log(np.exp(each) @ (part / part.sum()))
    ours = lamp.log_effectiveness(
        action, band=band, slope=links["action_slope"], bluer=links["lamp_spectrum"]
    )
    return whole - ours, np.median(each - whole[:, None], axis=0)


def spectral_cautions(material: str, share: float) -> tuple[Caution, ...]:
    """That much of the sky's effective dose lies where its computed light is not to be trusted."""
    if share <= SHORT_SHARE:
        return ()
    return (
        Caution(
            name="short_wave_action",
            text=f"{100 * share:.0f} % of the sky's effective dose for {material} lies below "
            "315 nm, by its action spectrum; computed sunlight is poorest there, and days from it "
            "are rough",
        ),
    )


__all__ = [
    "LINKS",
    "SpectralLink",
    "spectral_cautions",
    "spectral_draws",
    "spectral_link",
    "spectral_ratio",
]
