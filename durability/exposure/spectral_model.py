"""What spectrum does a cloudless sky send down? Bird's simple spectral model, as it stands.

The spectra are pvlib's spectrl2 (Bird and Riordan 1984, report TR-215-2436), horizontal, over a
ground of albedo 0.2. They begin at 300 nm in steps of 5 nm, so a band from 295 nm loses a
negligible part. Against the published formula of the erythemal index they are 17 to 25 % low:
nothing that leans on wavelengths below 315 nm may use them.

`durability.exposure.sky_table` gives the same numbers from a table, which is what everything else
reads; this is what the table is made from and checked against.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

ANGSTROM = 1.3
"""Exponent of aerosol optical depth against wavelength [1]."""

ALBEDO = 0.2
"""Of the ground, from which light returns to the sky [1]."""

LONGEST = 400.0
"""Wavelength up to which spectra are kept [nm]."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ClearLight:
    """Cloudless light on the horizontal at some instants.

    Parameters
    ----------
    wavelength : 300 to 400 nm (wavelength,) [nm].
    whole, beam : spectral irradiance, and its part straight from the sun (wavelength, instant)
        [W/m²/nm].
    ghi, dni : irradiance over the whole spectrum, on the horizontal and across the beam (instant,)
        [W/m²].
    """

    wavelength: NDArray
    whole: NDArray
    beam: NDArray
    ghi: NDArray
    dni: NDArray


def by_model(
    zenith: ArrayLike,
    *,
    ozone: ArrayLike,
    aerosol: ArrayLike,
    water: ArrayLike,
    pressure: ArrayLike,
    day: ArrayLike,
) -> ClearLight:
    """The spectral model itself, at instants whose inputs are broadcast against each other.

    Parameters
    ----------
    zenith : apparent angle of the sun, below 90 [degrees].
    ozone : column [atm-cm].
    aerosol : optical depth at 500 nm [1].
    water : precipitable [cm].
    pressure : of the air [Pa].
    day : of the year, for the distance of the sun.

    Examples
    --------
    >>> sky = by_model([30.0], ozone=0.3, aerosol=0.1, water=1.5, pressure=101325.0, day=80)
    >>> 800 < float(sky.ghi[0]) < 1000
    True
    """
    import numpy
    import pvlib.spectrum

    inputs = numpy.broadcast_arrays(
        *(numpy.atleast_1d(x) for x in (zenith, ozone, aerosol, water, pressure, day))
    )
    height, column, depth, wet, air, of_year = (numpy.array(x, dtype=float) for x in inputs)
    spectra = pvlib.spectrum.spectrl2(
        apparent_zenith=height,
        aoi=height,
        surface_tilt=0,
        ground_albedo=ALBEDO,
        surface_pressure=air,
        relative_airmass=air_mass(height),
        precipitable_water=wet,
        ozone=column,
        aerosol_turbidity_500nm=depth,
        dayofyear=of_year,
        alpha=ANGSTROM,
    )
    grid = spectra["wavelength"]
    beam = spectra["dni"] * numpy.cos(numpy.radians(height))
    whole = beam + spectra["dhi"]
    short = grid <= LONGEST
    return ClearLight(
        wavelength=grid[short],
        whole=whole[short],
        beam=beam[short],
        ghi=band_integral(grid, whole, grid[0], grid[-1]),
        dni=band_integral(grid, spectra["dni"], grid[0], grid[-1]),
    )


def air_mass(zenith: ArrayLike) -> NDArray:
    """Air that a beam passes, as a multiple of the vertical (Kasten and Young 1989) [1].

    Examples
    --------
    >>> air_mass([0.0, 60.0]).round(2)
    array([1.  , 1.99])
    """
    import numpy
    import pvlib.atmosphere

    at = numpy.asarray(zenith, dtype=float)
    return numpy.asarray(pvlib.atmosphere.get_relative_airmass(at, model="kastenyoung1989"))


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


__all__ = ["ClearLight", "air_mass", "band_integral", "by_model"]
