"""How does a lamp share its ultraviolet out over wavelength, and how much of it does damage?

    m = integral of E(x) A(x) dx / E_band,    290 to 400 nm

is the effective irradiance of a lamp for each unit of its irradiance in the control band, with the
action spectrum A of `durability.exposure.action`. Of most lamps only the shares of three bands are
published, within limits. Then E is a base curve (the reference sun for a daylight filter, a flat
line for a phosphor) times exp(a x + b x^2), which holds the shares exactly; the limits make it
bluer or redder as a whole, by one standard normal number. A user's table of wavelength and
irradiance is better.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from durability import catalogue
from durability.exposure.assumption import assumption
from durability.exposure.bands import read_spectrum
from durability.study.problem import Problem, StudyError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from durability.exposure.action import Action
    from durability.study.model import Exposure, Study

SHORTEST, LONGEST = 290.0, 400.0
"""Wavelengths between which light is counted as doing damage [nm]."""

STEP = 0.5
"""Step of the wavelengths of a lamp [nm]."""

E340 = (335.0, 345.0)
"""What an irradiance at 340 nm is the mean of [nm]: a sensor has a bandwidth, and over 10 nm the
sun's mean is a tenth below its value at 340 nm (computed from ASTM G173 as pvlib carries it)."""

SHARES = ("290-320 nm", "320-360 nm")
"""Shares of the irradiance in 290-400 nm that a file of models/spectra states."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LampLight:
    """A lamp's ultraviolet over wavelength.

    Parameters
    ----------
    name, source : what it is and where it comes from.
    wavelength : (wavelength,) 290 to 400 nm.
    irradiance : (3, wavelength) relative, with the lamp one standard deviation redder than stated,
        as stated, and one bluer.
    log_sd : relative uncertainty of m, where the spectrum was measured; 0 where the three curves
        carry it.
    """

    name: str
    source: str
    wavelength: NDArray
    irradiance: NDArray
    log_sd: float = 0.0

    def log_effectiveness(
        self, action: Action, *, band: str, slope: ArrayLike, bluer: ArrayLike = 0.0
    ) -> NDArray:
        """Log of m for each draw.

        Parameters
        ----------
        action : of the material.
        band : control band, such as ``"340 nm"`` (10 nm wide) or ``"300-400 nm"``.
        slope : of the action spectrum (draw,) [1/nm].
        bluer : standard normal departure of the lamp (draw,) [1].

        Returns
        -------
        array (draw,): log of m [nm for a wavelength, 1 for an interval].

        Examples
        --------
        >>> from durability.exposure.action import Action
        >>> flat = Action(title="all alike")
        >>> xenon = read_lamp_light("xenon-daylight")
        >>> import numpy
        >>> m = xenon.log_effectiveness(flat, band="300-400 nm", slope=[0.0])
        >>> round(float(numpy.exp(m)[0]), 2)
        1.0
        """
        import numpy

        slope = numpy.atleast_1d(numpy.asarray(slope, dtype=float))
        damage = action.weights(self.wavelength, slope)
        whole = trapezoid_weights(self.wavelength)
        effective = numpy.log((damage * whole) @ self.irradiance.T) - numpy.log(self.in_band(band))
        red, middle, blue = effective.T
        z = numpy.broadcast_to(numpy.asarray(bluer, dtype=float), middle.shape)
        curved = (blue + red - 2 * middle) / 2
        return middle + z * ((blue - red) / 2 + self.log_sd) + z**2 * curved

    def in_band(self, band: str) -> NDArray:
        """Irradiance in a control band of each of the three curves; above 0.

        Raises
        ------
        ValueError : the lamp has no light in the band.
        """
        import numpy

        low, high = E340 if band == "340 nm" else _limits(band)
        inside = (self.wavelength >= low) & (self.wavelength <= high)
        light = self.irradiance[:, inside]
        found = numpy.trapezoid(light, self.wavelength[inside], axis=1)
        if not (found > 0).all():
            raise ValueError(f"the spectrum {self.name} holds no light in {band}")
        return found / (high - low) if band == "340 nm" else found

    def __repr__(self) -> str:
        return f"LampLight {self.name}: {self.source}"


def trapezoid_weights(x: NDArray) -> NDArray:
    """Weight of each point of an integral by the trapezoid rule."""
    import numpy

    half = numpy.diff(x) / 2
    return numpy.append(half, 0.0) + numpy.insert(half, 0, 0.0)


def _limits(band: str) -> tuple[float, float]:
    low, high = (float(x) for x in band.removesuffix(" nm").split("-"))
    if high > LONGEST:
        raise ValueError(f"effective dose is counted from a band up to 400 nm; found {band}")
    return low, high


def read_lamp_light(name: str | Path) -> LampLight:
    """A lamp's ultraviolet by its name in models/spectra, or from a user's table.

    Parameters
    ----------
    name : a name of models/spectra whose file states shares, or a .csv file with the columns
        ``wavelength [nm]`` and ``irradiance`` (any unit a nanometre), which reaches from 300 nm or
        below to 400 nm.

    Raises
    ------
    StudyError : a table with faults, without ultraviolet, or too short.
    ValueError : a name of which only ratios of control bands are known.
    LookupError : no such name.
    """
    if isinstance(name, Path) or str(name).lower().endswith((".csv", ".tsv", ".txt")):
        return _measured(Path(name))
    return _published(str(name))


def lamp_light(study: Study, exposure: Exposure) -> LampLight:
    """The ultraviolet of an exposure's lamp: its own spectrum, else that of its lamp file.

    Raises
    ------
    ValueError : nothing says how its ultraviolet lies over wavelength; what mends it.
    StudyError : as `read_lamp_light`.
    """
    named = light_name(exposure)
    if named is None:
        raise ValueError(
            f"nothing says how the ultraviolet of exposure {exposure.name} lies over wavelength, "
            "which an action spectrum needs. Under the exposure write spectrum = a name of "
            "models/spectra, or a table in the study folder"
        )
    return read_lamp_light(named if named in catalogue.names("spectra") else
                           Path(study.folder) / named)  # fmt: skip


def light_name(exposure: Exposure) -> str | None:
    """Name or file of what says how an exposure's light lies over wavelength; None if nothing."""
    from durability.exposure.lamp import read_lamp

    if exposure.spectrum is not None or exposure.lamp in (None, "outdoor"):
        return exposure.spectrum
    return read_lamp(str(exposure.lamp)).spectrum


def _grid() -> NDArray:
    import numpy

    return numpy.arange(SHORTEST, LONGEST + STEP / 2, STEP)


def _measured(file: Path) -> LampLight:
    import numpy

    light = read_spectrum(file)
    assert light.wavelength is not None and light.irradiance is not None
    least, most = float(light.wavelength[0]), float(light.wavelength[-1])
    grid = _grid()
    curve = numpy.interp(grid, light.wavelength, light.irradiance, left=0.0, right=0.0)
    problems = []
    if not numpy.trapezoid(curve, grid) > 0:
        problems.append(
            Problem(file=file.name, column="irradiance",
                    found=f"no irradiance between 290 and 400 nm (the table runs {least:g} to "
                    f"{most:g} nm)",
                    expected="a lamp that sends ultraviolet",
                    mend="A dose of visible light cannot be read as ultraviolet under the sky.")
        )  # fmt: skip
    elif least > 300 or most < LONGEST:
        problems.append(
            Problem(file=file.name, column="wavelength", found=f"{least:g} to {most:g} nm",
                    expected="a spectrum from 300 nm or below to 400 nm",
                    mend="Write rows of irradiance 0 where the lamp sends nothing.")
        )  # fmt: skip
    if problems:
        raise StudyError(problems)
    return LampLight(
        name=file.name, source=light.source, wavelength=grid,
        irradiance=numpy.tile(curve, (3, 1)), log_sd=light.log_sd,
    )  # fmt: skip


@functools.cache
def _published(name: str) -> LampLight:
    """The curve that holds the shares of a file, and the curves a standard deviation to each side.

    The published limits of the shares bound a family of lamps and filters; they are taken to move
    together, which makes the largest difference that they allow.
    """
    import numpy
    from pvlib.spectrum import get_reference_spectra

    table = catalogue.read("spectra", name)
    grid = _grid()
    if "table" in table:
        sun = get_reference_spectra(standard=table["table"])["global"]
        curve = numpy.interp(grid, sun.index.to_numpy(dtype=float), sun.to_numpy(dtype=float))
        spread = assumption("spread", table["spread"])
        return LampLight(
            name=name, source=table["title"], wavelength=grid,
            irradiance=numpy.tile(curve, (3, 1)), log_sd=spread.log_sd or 0.0,
        )  # fmt: skip
    if "shares" not in table:
        raise ValueError(
            f"of the spectrum {name} only ratios of control bands are known, not how its "
            "ultraviolet lies over wavelength. Measure your lamp, and under its exposure write "
            'spectrum = "FILE.csv", with columns wavelength [nm] and irradiance [W/m^2/nm]'
        )
    given = [assumption(band, table["shares"][band]) for band in SHARES]
    base = numpy.ones_like(grid)
    if table["shares"]["base"] == "sun":
        sun = get_reference_spectra(standard="ASTM G173-03")["global"]
        base = numpy.interp(grid, sun.index.to_numpy(dtype=float), sun.to_numpy(dtype=float))
    curves = [shaped(grid, base, *(a.value + z * (a.sd or 0.0) for a in given)) for z in (-1, 0, 1)]
    return LampLight(name=name, source=given[0].source, wavelength=grid,
                     irradiance=numpy.array(curves))  # fmt: skip


def shaped(grid: NDArray, base: NDArray, short: float, middle: float) -> NDArray:
    """The base curve times exp(a x + b x²), so that two shares of 290-400 nm hold exactly.

    Parameters
    ----------
    grid : wavelengths, 290 to 400 nm.
    base : (wavelength,) above 0.
    short, middle : shares in 290-320 and 320-360 nm, each above 0, together below 1.
    """
    import numpy
    from scipy.optimize import root

    x = (grid - 345.0) / 55.0
    whole = trapezoid_weights(grid)
    parts = [_part(grid, low, high) for low, high in ((290.0, 320.0), (320.0, 360.0))]

    def off(q: NDArray) -> list[float]:
        curve = base * numpy.exp(q[0] * x + q[1] * x**2)
        total = float(curve @ whole)
        held = zip(parts, (short, middle), strict=True)
        return [float(curve @ part) / total - share for part, share in held]

    found = root(off, [0.0, 0.0])
    if not found.success:
        raise ValueError(f"no curve holds the shares {short:g} and {middle:g}: {found.message}")
    curve = base * numpy.exp(found.x[0] * x + found.x[1] * x**2)
    return curve / float(curve @ whole)


def _part(grid: NDArray, low: float, high: float) -> NDArray:
    import numpy

    inside = (grid >= low) & (grid <= high)
    weights = numpy.zeros_like(grid)
    weights[inside] = trapezoid_weights(grid[inside])
    return weights


__all__ = [
    "E340",
    "LampLight",
    "lamp_light",
    "light_name",
    "read_lamp_light",
    "shaped",
    "trapezoid_weights",
]
