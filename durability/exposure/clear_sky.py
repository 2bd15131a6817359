"""How much ultraviolet does a cloudless sky send to a site? The spectral model over its year.

The spectra are those of `durability.exposure.spectral_model`, read from the table of
`durability.exposure.sky_table` wherever its limits hold the site, else from the model itself. The
atmosphere is a climatology: the monthly Linke turbidity map that pvlib ships, turned into aerosol
optical depth by inverting Kasten's pyrheliometric formula at air mass 2 (Ineichen 2008, Solar
Energy 82:1095, as in pvlib.atmosphere.kasten96_lt); ozone by Van Heuklon's formula (1979, Solar
Energy 22:63; coefficients from memory); water vapour from the file's humidity.
"""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING, Any

from durability.exposure.sky_table import clear_light
from durability.exposure.spectral_model import ANGSTROM, band_integral, by_model

if TYPE_CHECKING:
    import numpy
    import xarray
    from numpy.typing import NDArray

    from durability.exposure.site import Site

SUNLIT = 89.0
"""Zenith angle of the sun beyond which no ultraviolet is counted [degrees]."""

USUAL_HUMIDITY = 0.65
"""Relative humidity where the weather tells none [1] (common practice, no source)."""


@functools.lru_cache(maxsize=16)
def clear_sky(site: Site, *, tabled: bool = True) -> xarray.Dataset:
    """Cloudless irradiance on the horizontal, hour by hour.

    Parameters
    ----------
    site : with hourly weather.
    tabled : False runs the spectral model itself, as a check; so does an atmosphere beyond the
        table, such as a place above 6,000 m.

    Returns
    -------
    Dataset along ``time`` of the site, 0 by night: ``e340`` [W/m²/nm], the mean of 335-345 nm,
    ``uv_300_400`` and ``uv_295_385`` [W/m²], each also as ``..._beam``, the part straight from the
    sun; ``ghi``, ``dni`` [W/m²] over the whole spectrum; ``zenith`` (apparent) and ``azimuth``
    of the sun [degrees]; ``spectral`` and ``spectral_beam`` along ``wavelength``, 300 to 400 nm
    [W/m²/nm].
    """
    import numpy
    import pandas
    import pvlib.atmosphere
    import pvlib.solarposition
    import xarray

    time: Any = pandas.DatetimeIndex(site.hourly["time"].values).tz_localize("UTC")
    sun: Any = pvlib.solarposition.get_solarposition(
        time, site.latitude, site.longitude, altitude=site.altitude, temperature=12.0
    )
    zenith = sun["apparent_zenith"].to_numpy()
    lit = zenith < SUNLIT
    month = time.month.to_numpy()
    day = time.dayofyear.to_numpy()[lit]
    aerosol, water = _atmosphere(site, month)
    light = (clear_light if tabled else by_model)(
        zenith[lit],
        ozone=ozone(site.latitude, site.longitude, day),
        aerosol=aerosol[month[lit] - 1],
        water=water[month[lit] - 1],
        pressure=float(pvlib.atmosphere.alt2pres(site.altitude)),
        day=day,
    )

    def filled(values: NDArray) -> NDArray:
        full = numpy.zeros((zenith.size, *values.shape[1:]))
        full[lit] = values
        return full

    variables: dict[str, Any] = {"zenith": zenith, "azimuth": sun["azimuth"].to_numpy()}
    for name, (low, high) in BANDS.items():
        width = high - low if name == "e340" else 1.0
        for kind, spectrum in (("", light.whole), ("_beam", light.beam)):
            band = band_integral(light.wavelength, spectrum, low, high) / width
            variables[name + kind] = filled(band)
    variables |= {"ghi": filled(light.ghi), "dni": filled(light.dni)}
    found = xarray.Dataset(
        {name: ("time", values) for name, values in variables.items()},
        coords={"time": site.hourly["time"], "wavelength": light.wavelength},
    )
    for name, spectrum in (("spectral", light.whole), ("spectral_beam", light.beam)):
        found[name] = (("time", "wavelength"), filled(spectrum.T))
    return found


BANDS: dict[str, tuple[float, float]] = {
    "e340": (335.0, 345.0),
    "uv_300_400": (300.0, 400.0),
    "uv_295_385": (295.0, 385.0),
}
"""Limits of each band [nm]; e340 is the mean over its band, the others integrals."""


def ozone(latitude: float, longitude: float, day: numpy.ndarray) -> numpy.ndarray:
    """Climatological ozone column by Van Heuklon's formula [atm-cm].

    Parameters
    ----------
    latitude, longitude : [degrees].
    day : day of year, 1 to 366.

    Examples
    --------
    >>> import numpy
    >>> 0.25 < float(ozone(40.0, -100.0, numpy.array([100]))[0]) < 0.45
    True
    """
    import numpy

    if latitude >= 0:
        a, beta, c, f, h = 150.0, 1.28, 40.0, -30.0, 3.0
        shift = 20.0 if longitude > 0 else 0.0
    else:
        a, beta, c, f, h, shift = 100.0, 1.5, 30.0, 152.625, 2.0, -75.0
    seasonal = c * numpy.sin(numpy.radians(0.9865 * (day + f)))
    around = 20.0 * numpy.sin(numpy.radians(h * (longitude + shift)))
    return (235.0 + (a + seasonal + around) * numpy.sin(numpy.radians(beta * latitude)) ** 2) / 1e3


def aerosol_of(latitude: float, longitude: float, water: NDArray) -> NDArray:
    """Aerosol optical depth at 500 nm by month (12,), from the map of Linke turbidity.

    Parameters
    ----------
    latitude, longitude : [degrees].
    water : precipitable, by month (12,) [cm].

    Examples
    --------
    >>> import numpy
    >>> aerosol_of(45.0, 8.0, numpy.full(12, 2.0)).shape
    (12,)
    """
    import numpy
    import pandas
    import pvlib.atmosphere
    import pvlib.clearsky

    middles = pandas.DatetimeIndex([f"2001-{m:02d}-15" for m in range(1, 13)], tz="UTC")
    linke = pvlib.clearsky.lookup_linke_turbidity(
        middles, latitude, longitude, interp_turbidity=False
    ).to_numpy()
    clean = pvlib.atmosphere.kasten96_lt(2.0, water, 0.0)
    slope = pvlib.atmosphere.kasten96_lt(2.0, water, 1.0) - clean
    at_700 = numpy.maximum((linke - clean) / slope, 0.01)
    return at_700 * (700 / 500) ** ANGSTROM


def water_of(air: NDArray, humidity: NDArray | float = USUAL_HUMIDITY) -> NDArray:
    """Precipitable water [cm] over air of a temperature [degC] and relative humidity [0 to 1].

    Examples
    --------
    >>> import numpy
    >>> water_of(numpy.array([-20.0, 15.0, 30.0])).round(1)
    array([0.3, 1.8, 4.3])
    """
    import numpy
    import pvlib.atmosphere

    return numpy.asarray(pvlib.atmosphere.gueymard94_pw(air, 100 * numpy.asarray(humidity)))


def _atmosphere(site: Site, month: NDArray) -> tuple[NDArray, NDArray]:
    """Aerosol optical depth at 500 nm and precipitable water [cm], by month (12,).

    `month` is that of each of the site's hours, 1 to 12.
    """
    import numpy

    humidity: Any = USUAL_HUMIDITY
    if "relative_humidity" in site.hourly:
        humidity = site.hourly["relative_humidity"].values
    hourly = water_of(site.hourly["temp_air"].values, humidity)
    water = numpy.array([hourly[month == m].mean() for m in range(1, 13)])
    return aerosol_of(site.latitude, site.longitude, water), water


__all__ = ["BANDS", "SUNLIT", "aerosol_of", "clear_sky", "ozone", "water_of"]
