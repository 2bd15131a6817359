"""What is a dose in one control band in another? Reads the ratio off the lamp's own spectrum.

    H_into = H * r,   r = E_into / E_band   of that lamp

There is no constant: r depends on lamp and filter, and no conversion is made without saying which
spectrum was used and how sure its ratio is. Spectra are files of models/spectra (ratios of bands
from published figures, each with its spread), the reference sun, or a user's table of wavelength
and spectral irradiance.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from durability import catalogue
from durability.exposure.assumption import Assumption, assumption
from durability.study.lamps import dose_unit

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

MEASURED_LOG_SD = 0.05
"""Relative standard uncertainty of a ratio of bands from a user's own spectrum (common practice, no
source: a calibrated spectroradiometer is good for a few percent, and lamp and filter age)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Spectrum:
    """A lamp's or the sun's light, as far as ratios of control bands need it.

    Parameters
    ----------
    name, title, source : what it is and where it comes from.
    reference : wavelength to which `ratios` refer, such as ``"340 nm"``.
    ratios : band to its irradiance over that at `reference` [nm for an interval, 1 else].
    wavelength, irradiance : a tabulated spectrum [nm, any unit]; None where only ratios are known.
    log_sd : relative uncertainty of a ratio from the table.
    """

    name: str
    title: str
    source: str
    reference: str
    ratios: dict[str, Assumption]
    wavelength: NDArray | None = None
    irradiance: NDArray | None = None
    log_sd: float = 0.0

    def ratio(self, band: str) -> tuple[float, float, str]:
        """(irradiance in `band` over that at the reference, its relative sd, source).

        Raises
        ------
        ValueError : the spectrum says nothing of the band; the bands it knows are named.
        """
        if band == self.reference:
            return 1.0, 0.0, self.source
        if band in self.ratios:
            a = self.ratios[band]
            return a.value, a.log_sd or (a.sd or 0.0) / a.value, a.source
        if self.wavelength is not None and self.irradiance is not None:
            least, most = float(self.wavelength[0]), float(self.wavelength[-1])
            edges = _edges(band)
            if least <= edges[0] and edges[-1] <= most:
                below = band_irradiance(self.wavelength, self.irradiance, self.reference)
                inside = band_irradiance(self.wavelength, self.irradiance, band)
                if below > 0 and inside > 0:
                    return inside / below, self.log_sd, self.source
        known = ", ".join([self.reference, *self.ratios])
        if self.wavelength is not None:
            known += f", and bands within {self.wavelength[0]:g}-{self.wavelength[-1]:g} nm"
        raise ValueError(
            f"the spectrum {self.name} says nothing of {band}; it knows {known}. Give a measured "
            "spectrum of your lamp: a table with columns wavelength [nm] and irradiance [W/m^2/nm]"
        )

    def __repr__(self) -> str:
        known = ", ".join(f"{b}: {a}" for b, a in self.ratios.items())
        return f"Spectrum {self.name}: {self.title}; over {self.reference}: {known or 'tabulated'}"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Converted:
    """A dose read in another control band.

    Parameters
    ----------
    dose : converted [dose_unit, canonical]; shape of the input.
    dose_unit : unit with its band.
    factor : `dose` over the dose that was given, canonical units.
    log_sd : relative standard uncertainty that the conversion adds.
    spectrum, source : which spectrum was used and where its ratio comes from.
    """

    dose: NDArray
    dose_unit: str
    factor: float
    log_sd: float
    spectrum: str
    source: str

    def to_dict(self) -> dict[str, Any]:
        """Everything as plain types for JSON."""
        import numpy

        return {
            "dose": numpy.asarray(self.dose).tolist(),
            "dose_unit": self.dose_unit,
            "factor": self.factor,
            "relative_sd": self.log_sd,
            "spectrum": self.spectrum,
            "source": self.source,
        }

    def __repr__(self) -> str:
        import numpy

        shown = f"{float(self.dose):.4g}" if numpy.ndim(self.dose) == 0 else f"{self.dose}"
        spread = f"+- {100 * self.log_sd:.2g} %"
        return f"{shown} {self.dose_unit} {spread}, by the spectrum {self.spectrum}"


def convert_dose(
    dose: ArrayLike, *, band: str, into: str, spectrum: str | Path | Spectrum
) -> Converted:
    """A dose in one control band as a dose in another, through a named spectrum.

    Parameters
    ----------
    dose : in `band` [kJ/m²/nm at a wavelength, MJ/m² in an interval].
    band, into : such as ``"340 nm"`` and ``"300-400 nm"``.
    spectrum : a name of models/spectra, a file, or a `Spectrum`; there is no default.

    Raises
    ------
    ValueError : the spectrum does not reach one of the bands.
    LookupError : no such spectrum.

    Examples
    --------
    >>> convert_dose(630.0, band="340 nm", into="300-400 nm", spectrum="xenon-daylight")
    74.34 MJ/m² in 300-400 nm +- 8 %, by the spectrum xenon-daylight
    """
    import numpy

    light = spectrum if isinstance(spectrum, Spectrum) else read_spectrum(spectrum)
    below, below_sd, source = light.ratio(band)
    above, above_sd, other = light.ratio(into)
    if light.wavelength is not None and band not in light.ratios and into not in light.ratios:
        log_sd = 0.0 if band == into else light.log_sd
    else:
        log_sd = 0.0 if band == into else math.hypot(below_sd, above_sd)
    factor = above / below * _scale(band, into)
    source = other if other == source or band == light.reference else f"{source}; {other}"
    return Converted(
        dose=numpy.asarray(dose, dtype=float) * factor,
        dose_unit=dose_unit(into),
        factor=factor,
        log_sd=log_sd,
        spectrum=light.name,
        source=source,
    )


def spectra() -> list[str]:
    """Names of models/spectra."""
    return catalogue.names("spectra")


def read_spectrum(name: str | Path) -> Spectrum:
    """A spectrum by its name in models/spectra, or from a table of wavelength and irradiance.

    Parameters
    ----------
    name : a name, or a .csv file with the columns ``wavelength [nm]`` and ``irradiance`` (any
        unit a nanometre: only ratios are used), ascending.

    Raises
    ------
    LookupError : no such name.
    ValueError : a file that is no such table.
    """
    if isinstance(name, Path) or str(name).lower().endswith((".csv", ".tsv", ".txt")):
        return _from_table(Path(name))
    table = catalogue.read("spectra", str(name))
    ratios = {band: assumption(band, entry) for band, entry in table.get("bands", {}).items()}
    wavelength = irradiance = None
    log_sd, source = 0.0, table["title"]
    if "table" in table:
        wavelength, irradiance = _reference_sun(table["table"])
        spread = assumption("spread", table["spread"])
        log_sd = spread.log_sd or 0.0
    return Spectrum(
        name=table["name"],
        title=table["title"],
        source=source,
        reference=table["reference"],
        ratios=ratios,
        wavelength=wavelength,
        irradiance=irradiance,
        log_sd=log_sd,
    )


def band_irradiance(wavelength: NDArray, irradiance: NDArray, band: str) -> float:
    """Irradiance of a tabulated spectrum in an interval, or at a wavelength (by interpolation).

    The table is taken as straight between its wavelengths.

    Examples
    --------
    >>> import numpy
    >>> band_irradiance(numpy.array([300.0, 400.0]), numpy.array([0.0, 1.0]), "300-400 nm")
    50.0
    """
    import numpy

    edges = _edges(band)
    if len(edges) == 1:
        return float(numpy.interp(edges[0], wavelength, irradiance))
    low, high = edges
    inside = wavelength[(wavelength > low) & (wavelength < high)]
    at = numpy.concatenate([[low], inside, [high]])
    return float(numpy.trapezoid(numpy.interp(at, wavelength, irradiance), at))


def _edges(band: str) -> list[float]:
    match = re.fullmatch(r"(\d+)(?:-(\d+))? nm", band)
    if match is None:
        raise ValueError(f'band is {band!r}; expected a band such as "340 nm" or "300-400 nm"')
    edges = [float(g) for g in match.groups() if g]
    if len(edges) == 2 and edges[0] >= edges[1]:
        raise ValueError(f"band is {band!r}; it must run from the shorter to the longer wavelength")
    return edges


def _scale(band: str, into: str) -> float:
    """Canonical doses: 1 kJ/m²/nm times 1 nm is 0.001 MJ/m²."""
    return {(False, True): 1e-3, (True, False): 1e3}.get(("-" in band, "-" in into), 1.0)


def _reference_sun(standard: str) -> tuple[NDArray, NDArray]:
    from pvlib.spectrum import get_reference_spectra

    table = get_reference_spectra(standard=standard)
    return table.index.to_numpy(dtype=float), table["global"].to_numpy(dtype=float)


def _from_table(file: Path) -> Spectrum:
    """A user's spectrum; every fault is told at once."""
    from durability.exposure.spectrum_table import read_spectrum_table

    wavelength, irradiance = read_spectrum_table(file, column="irradiance")
    reference = "340 nm"
    if not (wavelength[0] <= 340 <= wavelength[-1] and irradiance.max() > 0):
        reference = f"{round(float(wavelength[irradiance.argmax()]))} nm"
    return Spectrum(
        name=file.name,
        title=f"measured spectrum {file.name}",
        source=f"the file {file.name}; spread common practice, no source",
        reference=reference,
        ratios={},
        wavelength=wavelength,
        irradiance=irradiance,
        log_sd=MEASURED_LOG_SD,
    )
