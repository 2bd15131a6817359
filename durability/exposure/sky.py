"""How much ultraviolet, sunlight and heat does a site send onto a plane, hour by hour?

    UV = UV_clear (GHI / GHI_clear)^b

Cloud takes less ultraviolet than total sunlight, so b < 1. The beam part of the ultraviolet is
the cloudless beam times DNI / DNI_clear; the rest is taken as equally bright over the sky; ground
reflects a few per cent. Computed ultraviolet is 2 to 8 % below the few published annual values:
multiply by the factor of models/translation.toml and carry its spread.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import xarray
    from numpy.typing import NDArray

    from durability.exposure.site import Site

CLEARNESS = (0.02, 1.2)
"""Limits of GHI / GHI_clear: below lies noise at the horizon, above short glints off clouds."""

SNOW_DEPTH = 1.0
"""Depth of snow from which it is taken to cover a fabric [cm] (common practice, no source)."""

BAND_NOTES = {
    "e340": "mean over 335-345 nm",
    "uv_300_400": "integral over 300-400 nm",
    "uv_295_385": "integral over 300-385 nm; 295-300 nm is negligible",
}
"""Band of each variable of `sky_exposure` that is ultraviolet."""

LOWEST_SUN = 0.05
"""Smallest cosine of the zenith angle by which a beam is turned onto a tilted plane."""


def sky_exposure(
    site: Site,
    *,
    tilt: float = 0.0,
    azimuth: float = 180.0,
    cloud_power: float = 0.8,
    horizon: float = 0.0,
    snow_cover: bool = False,
) -> xarray.Dataset:
    """What the sky sends onto a plane in each hour of a normal year.

    Parameters
    ----------
    site : with hourly weather.
    tilt : of the plane, 0 horizontal to 90 upright [degrees].
    azimuth : direction the plane faces, 180 south, clockwise from north [degrees].
    cloud_power : b [1].
    horizon : height above which the sky is open all around [degrees]; a lower sun is hidden, and
        diffuse light is less by the squared cosine of it.
    snow_cover : True where snow that lies covers the plane: such hours are dark. Fabric under snow
        lasts longer, so leave it False where wind or slope may clear it.

    Returns
    -------
    Dataset along ``hour`` (8760, from 1 January 00:00 local standard time), with coordinates
    ``month`` (1 to 12), ``day`` (of the year, 1 to 365) and ``time`` (UTC):

    ==============  ========================================================================
    e340            spectral irradiance at 340 nm, mean over 335-345 nm [W/m²/nm]
    uv_300_400      irradiance in 300-400 nm [W/m²]
    uv_295_385      irradiance in 295-385 nm; computed from 300 nm on [W/m²]
    log_clearness   d ln(UV) / db [1]: for another cloud power multiply the ultraviolet by
                    exp((b - cloud_power) log_clearness); exact on the horizontal, to first
                    order on a tilted plane; 0 by night
    poa             sunlight of all wavelengths on the plane [W/m²]
    temp_air        [degC]
    wind_speed      as in the weather file, usually at 10 m [m/s]
    ==============  ========================================================================

    No calibration factor is applied: see ``uv_factor`` of models/translation.toml.

    Raises
    ------
    ValueError : a tilt outside 0 to 90, a cloud power outside 0 to 2, a horizon outside 0 to 60,
        or snow where the weather file gives no depth of it.

    Examples
    --------
    >>> from durability.exposure import read_site
    >>> sky = sky_exposure(read_site("phoenix"))
    >>> 380 < float(sky["uv_300_400"].sum()) * 0.0036 < 420
    True
    """
    return _sky_exposure(
        site, *_checked(site, tilt, azimuth, cloud_power, horizon, snow_cover)
    ).copy(deep=True)


def sky_spectrum(
    site: Site,
    *,
    tilt: float = 0.0,
    azimuth: float = 180.0,
    cloud_power: float = 0.8,
    horizon: float = 0.0,
    snow_cover: bool = False,
) -> xarray.DataArray:
    """Spectral irradiance of the sky on a plane in each hour of a normal year.

    Parameters
    ----------
    site, tilt, azimuth, cloud_power, horizon, snow_cover : as `sky_exposure`.

    Returns
    -------
    DataArray (hour, wavelength), 300 to 400 nm [W/m²/nm]; cloud takes all wavelengths alike.

    Examples
    --------
    >>> from durability.exposure import read_site
    >>> light = sky_spectrum(read_site("phoenix"))
    >>> light.sizes["hour"], float(light.wavelength[0])
    (8760, 300.0)
    """
    import xarray

    from durability.exposure.clear_sky import clear_sky

    settings = _checked(site, tilt, azimuth, cloud_power, horizon, snow_cover)
    plane, clear = _plane(site, *settings), clear_sky(site)
    found, _ = plane.light(clear["spectral"].values, clear["spectral_beam"].values)
    return xarray.DataArray(
        found, dims=("hour", "wavelength"), coords={"wavelength": clear["wavelength"].values},
        attrs={"units": "W/m^2/nm"},
    )  # fmt: skip


def _checked(
    site: Site, tilt: float, azimuth: float, power: float, horizon: float, snow: bool
) -> tuple[float, float, float, float, bool]:
    if not 0 <= tilt <= 90:
        raise ValueError(f"tilt is {tilt}; it must lie between 0 (horizontal) and 90 (upright)")
    if not 0 <= power <= 2:
        raise ValueError(f"cloud_power is {power}; it must lie between 0 and 2")
    if not 0 <= horizon <= 60:
        raise ValueError(f"horizon is {horizon}; it must lie between 0 (open) and 60 degrees")
    if snow and "snow_depth" not in site.hourly:
        raise ValueError(f"the weather of {site.title} gives no depth of snow, so cover by snow "
                         "cannot be counted")  # fmt: skip
    return float(tilt), float(azimuth) % 360, float(power), float(horizon), bool(snow)


@dataclass(frozen=True, slots=True, eq=False)
class _Plane:
    """How much of a cloudless sky reaches a plane, hour by hour; factors (hour,)."""

    clouded: NDArray
    seen: NDArray
    onto: NDArray
    sky: float
    ground: float
    log_clearness: NDArray
    poa: NDArray

    def light(self, whole: NDArray, beam: NDArray) -> tuple[NDArray, NDArray]:
        """Light on the plane, and its derivative in the cloud power over log clearness.

        Parameters
        ----------
        whole, beam : cloudless on the horizontal, (hour,) or (hour, wavelength).
        """
        import numpy

        def by_hour(x: NDArray) -> NDArray:
            return x if whole.ndim == 1 else x[:, None]

        flat = whole * by_hour(self.clouded)
        direct = numpy.minimum(beam * by_hour(self.seen), flat)
        light = direct * by_hour(self.onto) + (flat - direct) * self.sky + flat * self.ground
        return light, flat * (self.sky + self.ground)


@functools.lru_cache(maxsize=32)
def _plane(
    site: Site, tilt: float, azimuth: float, power: float, horizon: float, snow: bool
) -> _Plane:
    import numpy
    import pvlib.irradiance

    from durability.exposure.assumption import translation_assumptions
    from durability.exposure.clear_sky import clear_sky

    assumed = translation_assumptions()
    clear, weather = clear_sky(site), site.hourly
    ghi, dni, dhi = (numpy.maximum(weather[n].values, 0.0) for n in ("ghi", "dni", "dhi"))
    zenith, facing = clear["zenith"].values, clear["azimuth"].values
    clearness = numpy.clip(ghi / numpy.maximum(clear["ghi"].values, 1e-9), *CLEARNESS)
    dark = (clear["ghi"].values <= 0) | (ghi <= 0)
    hidden = zenith > 90.0 - horizon if horizon else numpy.zeros(zenith.size, dtype=bool)
    if snow:
        dark |= numpy.nan_to_num(weather["snow_depth"].values) >= SNOW_DEPTH
    cosine = numpy.cos(numpy.radians(zenith))
    incidence = pvlib.irradiance.aoi_projection(tilt, azimuth, zenith, facing)
    onto = numpy.maximum(incidence, 0.0) / numpy.maximum(cosine, LOWEST_SUN)
    onto = numpy.where(cosine > 0, onto, 0.0) if tilt else numpy.ones_like(onto)
    open_sky = numpy.cos(numpy.radians(horizon)) ** 2
    sky = (1 + numpy.cos(numpy.radians(tilt))) / 2 * open_sky
    ground = (1 - numpy.cos(numpy.radians(tilt))) / 2
    if tilt:
        beam = numpy.where(hidden, 0.0, dni)
        poa = pvlib.irradiance.get_total_irradiance(
            tilt, azimuth, zenith, facing, beam, ghi, dhi * open_sky,
            dni_extra=pvlib.irradiance.get_extra_radiation(_day_of_year(weather)),
            albedo=assumed["ground_albedo"].value, model="haydavies",
        )["poa_global"]  # fmt: skip
        poa = numpy.maximum(numpy.nan_to_num(numpy.asarray(poa, dtype=float)), 0.0)
    elif horizon:
        poa = numpy.where(hidden, 0.0, numpy.maximum(ghi - dhi, 0.0)) + dhi * open_sky
    else:
        poa = ghi
    if snow:
        poa = numpy.where(dark, 0.0, poa)
    return _Plane(
        clouded=numpy.where(dark, 0.0, clearness**power),
        seen=numpy.clip(dni / numpy.maximum(clear["dni"].values, 1e-9), 0.0, 1.0),
        onto=numpy.where(hidden, 0.0, onto),
        sky=float(sky),
        ground=float(ground * assumed["ground_albedo_uv"].value),
        log_clearness=numpy.log(clearness),
        poa=poa,
    )


@functools.lru_cache(maxsize=32)
def _sky_exposure(
    site: Site, tilt: float, azimuth: float, power: float, horizon: float, snow: bool
) -> xarray.Dataset:
    import numpy
    import xarray

    from durability.exposure.clear_sky import clear_sky

    clear, weather = clear_sky(site), site.hourly
    plane = _plane(site, tilt, azimuth, power, horizon, snow)
    made, moves = {}, numpy.zeros(0)
    for band in BAND_NOTES:
        made[band], moved = plane.light(clear[band].values, clear[f"{band}_beam"].values)
        moves = moved if band == "uv_300_400" else moves
    uv = made["uv_300_400"]
    if tilt or horizon:
        share = numpy.divide(moves, uv, out=numpy.zeros_like(uv), where=uv > 0)
        slope = plane.log_clearness * share
    else:
        slope = numpy.where(uv > 0, plane.log_clearness, 0.0)
    hours = numpy.arange(weather.sizes["time"])
    variables = {
        name: ("hour", data, {"units": "W/m^2/nm" if name == "e340" else "W/m^2",
                              "band": BAND_NOTES[name]})
        for name, data in made.items()
    }  # fmt: skip
    variables["log_clearness"] = ("hour", slope, {"units": "1"})
    variables["poa"] = ("hour", plane.poa, {"units": "W/m^2"})
    variables["temp_air"] = ("hour", weather["temp_air"].values, {"units": "degC"})
    variables["wind_speed"] = ("hour", weather["wind_speed"].values, {"units": "m/s"})
    first = numpy.datetime64("2001-01-01") + (hours // 24).astype("timedelta64[D]")
    coords = {
        "hour": hours,
        "month": ("hour", first.astype("datetime64[M]").astype(int) % 12 + 1),
        "day": ("hour", hours // 24 + 1),
        "time": ("hour", weather["time"].values),
    }
    attrs = {"site": site.name, "tilt": tilt, "azimuth": azimuth, "cloud_power": power}
    return xarray.Dataset(variables, coords=coords, attrs=attrs)


def _day_of_year(weather: xarray.Dataset) -> NDArray:
    return weather["time"].dt.dayofyear.values
