"""How much ultraviolet does a cloudless sky send? Bird's simple spectral model over a year.

The spectra are pvlib's spectrl2 (Bird and Riordan 1984, report TR-215-2436), horizontal. The
atmosphere is a climatology: the monthly Linke turbidity map that pvlib ships, turned into aerosol
optical depth by inverting Kasten's pyrheliometric formula at air mass 2 (Ineichen 2008, Solar
Energy 82:1095, as in pvlib.atmosphere.kasten96_lt); ozone by Van Heuklon's formula (1979, Solar
Energy 22:63; coefficients from memory); water vapour from the file's humidity.

Spectra begin at 300 nm in steps of 5 nm, so a band from 295 nm loses a negligible part. Against
the published formula of the erythemal index these spectra are 17 to 25 % low: nothing that leans
on wavelengths below 315 nm may use them.
"""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import numpy
    import xarray
    from numpy.typing import NDArray

    from durability.exposure.site import Site

ANGSTROM = 1.3
"""Exponent of aerosol optical depth against wavelength, used in both directions [1]."""

SUNLIT = 89.0
"""Zenith angle of the sun beyond which no ultraviolet is counted [degrees]."""


@functools.lru_cache(maxsize=16)
def clear_sky(site: Site) -> xarray.Dataset:
    """Cloudless irradiance on the horizontal, hour by hour.

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
    import pvlib.spectrum
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
    spectra = pvlib.spectrum.spectrl2(
        apparent_zenith=zenith[lit],
        aoi=zenith[lit],
        surface_tilt=0,
        ground_albedo=0.2,
        surface_pressure=pvlib.atmosphere.alt2pres(site.altitude),
        relative_airmass=pvlib.atmosphere.get_relative_airmass(
            zenith[lit], model="kastenyoung1989"
        ),
        precipitable_water=water[month - 1],
        ozone=ozone(site.latitude, site.longitude, day),
        aerosol_turbidity_500nm=aerosol[month - 1],
        dayofyear=day,
        alpha=ANGSTROM,
    )
    grid = spectra["wavelength"]
    cosine = numpy.cos(numpy.radians(zenith[lit]))
    beam = spectra["dni"] * cosine
    whole = beam + spectra["dhi"]

    def filled(values: NDArray) -> tuple[str, NDArray]:
        full = numpy.zeros(zenith.size)
        full[lit] = values
        return "time", full

    variables = {"zenith": ("time", zenith), "azimuth": ("time", sun["azimuth"].to_numpy())}
    for name, (low, high) in BANDS.items():
        width = high - low if name == "e340" else 1.0
        variables[name] = filled(band_integral(grid, whole, low, high) / width)
        variables[f"{name}_beam"] = filled(band_integral(grid, beam, low, high) / width)
    variables["ghi"] = filled(band_integral(grid, whole, grid[0], grid[-1]))
    variables["dni"] = filled(band_integral(grid, spectra["dni"], grid[0], grid[-1]))
    found = xarray.Dataset(variables, coords={"time": site.hourly["time"]})
    short = grid <= 400.0
    for name, values in (("spectral", whole), ("spectral_beam", beam)):
        full = numpy.zeros((zenith.size, int(short.sum())))
        full[lit] = values[short].T
        found[name] = (("time", "wavelength"), full)
    return found.assign_coords(wavelength=grid[short])


BANDS: dict[str, tuple[float, float]] = {
    "e340": (335.0, 345.0),
    "uv_300_400": (300.0, 400.0),
    "uv_295_385": (295.0, 385.0),
}
"""Limits of each band [nm]; e340 is the mean over its band, the others integrals."""


def band_integral(grid: NDArray, spectrum: NDArray, low: float, high: float) -> NDArray:
    """Integral of spectra between two wavelengths, by the trapezoid rule.

    Parameters
    ----------
    grid : wavelengths, rising (wavelength,) [nm].
    spectrum : (wavelength, ...) [W/m²/nm].
    low, high : limits [nm]; outside the grid nothing is added.

    Returns
    -------
    array (...) [W/m²].

    Examples
    --------
    >>> import numpy
    >>> float(band_integral(numpy.array([300., 310., 320.]), numpy.ones(3), 305.0, 320.0))
    15.0
    """
    import numpy

    low, high = max(low, float(grid[0])), min(high, float(grid[-1]))
    inside = (grid > low) & (grid < high)
    nodes = numpy.concatenate([[low], grid[inside], [high]])
    ends = [_at(grid, spectrum, x) for x in (low, high)]
    values = numpy.concatenate([ends[0][None], spectrum[inside], ends[1][None]])
    return numpy.trapezoid(values, nodes, axis=0)


def _at(grid: NDArray, spectrum: NDArray, x: float) -> NDArray:
    import numpy

    i = int(numpy.clip(numpy.searchsorted(grid, x), 1, grid.size - 1))
    share = (x - grid[i - 1]) / (grid[i] - grid[i - 1])
    return numpy.asarray(spectrum[i - 1] + share * (spectrum[i] - spectrum[i - 1]))


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
