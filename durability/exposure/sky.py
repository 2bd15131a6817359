"""How much ultraviolet, sunlight and heat does a site send onto a plane, hour by hour?

    UV = UV_clear (GHI / GHI_clear)^b

Cloud takes less ultraviolet than total sunlight, so b < 1. The beam part of the ultraviolet is
the cloudless beam times DNI / DNI_clear; the rest is taken as equally bright over the sky; ground
reflects a few per cent. Computed ultraviolet is 2 to 8 % below the few published annual values:
multiply by the factor of models/translation.toml and carry its spread.
"""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import xarray
    from numpy.typing import NDArray

    from durability.exposure.site import Site

CLEARNESS = (0.02, 1.2)
"""Limits of GHI / GHI_clear: below lies noise at the horizon, above short glints off clouds."""

LOWEST_SUN = 0.05
"""Smallest cosine of the zenith angle by which a beam is turned onto a tilted plane."""


def sky_exposure(
    site: Site, *, tilt: float = 0.0, azimuth: float = 180.0, cloud_power: float = 0.8
) -> xarray.Dataset:
    """What the sky sends onto a plane in each hour of a normal year.

    Parameters
    ----------
    site : with hourly weather.
    tilt : of the plane, 0 horizontal to 90 upright [degrees].
    azimuth : direction the plane faces, 180 south, clockwise from north [degrees].
    cloud_power : b [1].

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
    ValueError : a tilt outside 0 to 90 or a cloud power outside 0 to 2.

    Examples
    --------
    >>> from durability.exposure import read_site
    >>> sky = sky_exposure(read_site("phoenix"))
    >>> 380 < float(sky["uv_300_400"].sum()) * 0.0036 < 420
    True
    """
    if not 0 <= tilt <= 90:
        raise ValueError(f"tilt is {tilt}; it must lie between 0 (horizontal) and 90 (upright)")
    if not 0 <= cloud_power <= 2:
        raise ValueError(f"cloud_power is {cloud_power}; it must lie between 0 and 2")
    return _sky_exposure(site, float(tilt), float(azimuth) % 360, float(cloud_power)).copy(
        deep=True
    )


@functools.lru_cache(maxsize=32)
def _sky_exposure(site: Site, tilt: float, azimuth: float, power: float) -> xarray.Dataset:
    import numpy
    import pvlib.irradiance
    import xarray

    from durability.exposure.assumption import translation_assumptions
    from durability.exposure.clear_sky import clear_sky

    assumed = translation_assumptions()
    albedo_uv = assumed["ground_albedo_uv"].value
    albedo = assumed["ground_albedo"].value
    clear = clear_sky(site)
    weather = site.hourly
    ghi, dni, dhi = (numpy.maximum(weather[n].values, 0.0) for n in ("ghi", "dni", "dhi"))
    zenith = clear["zenith"].values
    ratio = ghi / numpy.maximum(clear["ghi"].values, 1e-9)
    clearness = numpy.clip(ratio, *CLEARNESS)
    log_clearness = numpy.log(clearness)
    dark = (clear["ghi"].values <= 0) | (ghi <= 0)
    seen = numpy.clip(dni / numpy.maximum(clear["dni"].values, 1e-9), 0.0, 1.0)
    cosine = numpy.cos(numpy.radians(zenith))
    incidence = pvlib.irradiance.aoi_projection(tilt, azimuth, zenith, clear["azimuth"].values)
    onto = numpy.maximum(incidence, 0.0) / numpy.maximum(cosine, LOWEST_SUN)
    onto = numpy.where(cosine > 0, onto, 0.0) if tilt else numpy.ones_like(onto)
    sky = (1 + numpy.cos(numpy.radians(tilt))) / 2
    ground = (1 - numpy.cos(numpy.radians(tilt))) / 2 * albedo_uv

    def on_plane(band: str) -> tuple[NDArray, NDArray]:
        """Irradiance on the plane and its derivative in b, over log clearness."""
        flat = numpy.where(dark, 0.0, clear[band].values * clearness**power)
        beam = numpy.minimum(clear[f"{band}_beam"].values * seen, flat)
        return beam * onto + (flat - beam) * sky + flat * ground, flat * (sky + ground)

    e340, _ = on_plane("e340")
    uv, moves = on_plane("uv_300_400")
    narrow, _ = on_plane("uv_295_385")
    slope = log_clearness * numpy.divide(moves, uv, out=numpy.zeros_like(uv), where=uv > 0)
    if tilt:
        poa = pvlib.irradiance.get_total_irradiance(
            tilt, azimuth, zenith, clear["azimuth"].values, dni, ghi, dhi,
            dni_extra=pvlib.irradiance.get_extra_radiation(_day_of_year(weather)),
            albedo=albedo, model="haydavies",
        )["poa_global"]  # fmt: skip
        poa = numpy.maximum(numpy.nan_to_num(numpy.asarray(poa, dtype=float)), 0.0)
    else:
        slope = numpy.where(uv > 0, log_clearness, 0.0)
        poa = ghi
    hours = numpy.arange(weather.sizes["time"])
    units = {"e340": "W/m^2/nm", "uv_300_400": "W/m^2", "uv_295_385": "W/m^2"}
    notes = {
        "e340": "mean over 335-345 nm",
        "uv_300_400": "integral over 300-400 nm",
        "uv_295_385": "integral over 300-385 nm; 295-300 nm is negligible",
    }
    made = {"e340": e340, "uv_300_400": uv, "uv_295_385": narrow}
    variables = {
        name: ("hour", data, {"units": units[name], "band": notes[name]})
        for name, data in made.items()
    }
    variables["log_clearness"] = ("hour", slope, {"units": "1"})
    variables["poa"] = ("hour", poa, {"units": "W/m^2"})
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
