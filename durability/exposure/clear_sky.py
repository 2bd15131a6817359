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

from durability.exposure.sky_table import by_table, covers
from durability.exposure.spectral_model import ANGSTROM, band_integral, by_model

if TYPE_CHECKING:
    import numpy
    import xarray
    from numpy.typing import NDArray

    from durability.exposure.site import Site

SUNLIT = 89.0
"""Zenith angle of the sun beyond which no ultraviolet is counted [degrees]."""


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
    month = time.month.to_numpy()[lit]
    day = time.dayofyear.to_numpy()[lit]
    aerosol, water = _atmosphere(site, time)
    pressure = float(pvlib.atmosphere.alt2pres(site.altitude))
    air = {
        "ozone": ozone(site.latitude, site.longitude, day),
        "aerosol": aerosol[month - 1],
        "water": water[month - 1],
        "pressure": pressure,
    }
    spectra = by_table if tabled and covers(**air) else by_model
    light = spectra(zenith[lit], day=day, **air)

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


def _atmosphere(site: Site, time: Any) -> tuple[NDArray, NDArray]:
    """Aerosol optical depth at 500 nm and precipitable water [cm], by month (12,).

    `time` is the site's, as a pandas index.
    """
    import numpy
    import pandas
    import pvlib.atmosphere
    import pvlib.clearsky

    middles = pandas.DatetimeIndex([f"2001-{m:02d}-15" for m in range(1, 13)], tz="UTC")
    linke = pvlib.clearsky.lookup_linke_turbidity(
        middles, site.latitude, site.longitude, interp_turbidity=False
    ).to_numpy()
    if "relative_humidity" in site.hourly:
        humidity = 100 * site.hourly["relative_humidity"].values
    else:
        humidity = numpy.full(time.size, 65.0)
    hourly = pvlib.atmosphere.gueymard94_pw(site.hourly["temp_air"].values, humidity)
    month = time.month.to_numpy()
    water = numpy.array([hourly[month == m].mean() for m in range(1, 13)])
    clean = pvlib.atmosphere.kasten96_lt(2.0, water, 0.0)
    slope = pvlib.atmosphere.kasten96_lt(2.0, water, 1.0) - clean
    at_700 = numpy.maximum((linke - clean) / slope, 0.01)
    return at_700 * (700 / 500) ** ANGSTROM, water
