"""How strong is a cloudless sky over a map, by latitude, month and height of the sun?

A map's cells share one sky: the shipped table of the spectral model
(`durability.exposure.sky_table`) with the ozone, turbidity and water vapour of places along the
map's middle meridian, at sea level. A cell reads it between the two places nearest in latitude, in
each month, at the height of its sun.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from durability.exposure.action import Action
    from durability.exposure.lamp_light import LampLight

LOWEST = 0.02
"""Smallest cosine of the sun's zenith with light."""
HEIGHTS = 41
"""Cosines of the zenith, evenly spaced, between which cells read in straight lines."""
MIDDLES = (15, 46, 74, 105, 135, 166, 196, 227, 258, 288, 319, 349)
"""Day of the year in the middle of each month."""
TURNS = 96
"""Times of a day at which it is asked how high the sun stands."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GridSky:
    """A cloudless sky at places along a meridian, in each month, by height of the sun.

    Parameters
    ----------
    latitude : (place,), rising [degrees].
    cosine : of the zenith (height,), rising.
    light : sunlight on the horizontal (place, month, height) [W/m²].
    ratio : of ultraviolet in the lamp's band, by the material's action spectrum where it has one,
        to `light`; so shaped, as all that follow.
    beam : share of the ultraviolet straight from the sun.
    clear_beam : sunlight across the beam [W/m²].
    often : how often the sun stands so high.
    wavelength, spectral : [nm], and (wavelength, place, month, height) [W/m²/nm].
    """

    latitude: NDArray[np.float64]
    cosine: NDArray[np.float64]
    light: NDArray[np.float64]
    ratio: NDArray[np.float64]
    beam: NDArray[np.float64]
    clear_beam: NDArray[np.float64]
    often: NDArray[np.float64]
    wavelength: NDArray[np.float64]
    spectral: NDArray[np.float64]

    def table(self) -> NDArray[np.float64]:
        """(place, month, what, height): light, ratio, beam, clear_beam, as compiled code reads."""
        import numpy as np

        return np.stack([self.light, self.ratio, self.beam, self.clear_beam], axis=2)


def grid_sky(
    latitude: NDArray[np.float64], longitude: float, air: NDArray[np.float64], variable: str
) -> GridSky:
    """The sky of a map.

    Parameters
    ----------
    latitude : of places, rising (place,) [degrees].
    longitude : of all of them, -180 to 180 [degrees].
    air : temperature by month, from which water vapour is taken (place, 12) [degC].
    variable : ultraviolet of `durability.exposure.sky_exposure`.

    Examples
    --------
    >>> import numpy
    >>> sky = grid_sky(numpy.array([45.0]), 8.0, numpy.full((1, 12), 12.0), "uv_300_400")
    >>> sky.light.shape, bool(sky.light[0, 5, -1] > 900)
    ((1, 12, 41), True)
    """
    import numpy as np

    from durability.exposure.clear_sky import BANDS, aerosol_of, ozone, water_of
    from durability.exposure.sky_table import clear_light
    from durability.exposure.spectral_model import band_integral

    cosine = np.linspace(LOWEST, 1.0, HEIGHTS)
    day = np.array(MIDDLES)
    water = water_of(air)
    aerosol = np.array([aerosol_of(x, longitude, w) for x, w in zip(latitude, water, strict=True)])
    column = np.array([ozone(float(x), longitude, day) for x in latitude])
    shape = (latitude.size, 12, HEIGHTS)

    def every(x: Any) -> Any:
        return np.broadcast_to(x, shape).ravel()

    made = clear_light(
        every(np.degrees(np.arccos(cosine))), ozone=every(column[:, :, None]),
        aerosol=every(aerosol[:, :, None]), water=every(water[:, :, None]), pressure=SEA_LEVEL,
        day=every(day[:, None]),
    )  # fmt: skip
    low, high = BANDS[variable]
    width = high - low if variable == "e340" else 1.0
    whole, straight = (
        band_integral(made.wavelength, x, low, high) / width for x in (made.whole, made.beam)
    )
    return GridSky(
        latitude=latitude, cosine=cosine, light=made.ghi.reshape(shape),
        ratio=(whole / made.ghi).reshape(shape), beam=(straight / whole).reshape(shape),
        clear_beam=made.dni.reshape(shape), often=_often(latitude, cosine),
        wavelength=made.wavelength, spectral=made.whole.reshape(-1, *shape),
    )  # fmt: skip


SEA_LEVEL = 101325.0
"""Pressure of the air that all cells share [Pa]."""


def _often(latitude: NDArray[np.float64], cosine: NDArray[np.float64]) -> NDArray[np.float64]:
    """Share of the times of the year at which the sun is nearest to each height."""
    import numpy as np

    from durability.exposure.weather_checks import solar_cosine

    middle = np.datetime64("2001-01-01") + np.array(MIDDLES).astype("timedelta64[D]")
    turn = (np.arange(TURNS) * 86400 // TURNS).astype("timedelta64[s]")
    time = (middle[:, None] + turn).ravel()
    found = np.zeros((latitude.size, 12, cosine.size))
    month = np.repeat(np.arange(12), TURNS)
    for place, north in enumerate(latitude):
        up = solar_cosine(time, float(north), 0.0)
        near = np.rint((up - cosine[0]) / (cosine[1] - cosine[0])).astype(int)
        lit = up > LOWEST
        np.add.at(found[place], (month[lit], near[lit]), 1.0)
    return found / found.sum()


def by_action(
    sky: GridSky, action: Action, lamp: LampLight, band: str, links: Mapping[str, Any]
) -> tuple[NDArray[np.float64], GridSky]:
    """The sky weighted by an action spectrum, and what draws differ in.

    Parameters
    ----------
    sky : from `grid_sky`.
    action, lamp, band : as `durability.translation.spectral.SpectralLink`.
    links : draws (draw,) of `durability.translation.spectral.LINKS`.

    Returns
    -------
    log_ratio : log of the sky's effective light over the lamp's, all places together, (draw,).
    sky : with the redder light of a low sun in its `ratio`, at the median draw.
    """
    import numpy as np

    from durability.translation.spectral import spectral_ratio

    spectra = sky.spectral.reshape(sky.wavelength.size, -1).T
    log_ratio, shape = spectral_ratio(
        action, lamp, band, sky.wavelength, spectra, sky.often.ravel(), links
    )
    return log_ratio, replace(sky, ratio=sky.ratio * np.exp(shape.reshape(sky.ratio.shape)))


__all__ = ["LOWEST", "GridSky", "by_action", "grid_sky"]
