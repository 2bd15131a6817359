"""How much damage does light of each wavelength do? The action spectrum of a material.

    A(x) = T(x) exp(-b (x - 340 nm)),    290 to 400 nm

with *T* = 1 and a slope *b* of the polymer (models/materials), or *T* a table of the user's and *b*
its tilt, 0 give or take. Formulation, criterion of damage and way of reading change an action
spectrum (Environmental effects of ozone depletion: 1994 assessment, chapter 7, abstract), so the
spread of *b* is wide. Light beyond 400 nm is counted as harmless.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from durability.exposure.assumption import (
    Assumption,
    material_assumptions,
    translation_assumptions,
)

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from durability.study.model import Material, Study

REFERENCE = 340.0
"""Wavelength at which an exponential action spectrum is 1 [nm]."""

EXPONENTIAL = "exponential"
"""What study.toml writes for the slope of the polymer's file."""

SHORT_WAVE = 315.0
"""Wavelength below which the computed ultraviolet of the sky is not to be trusted [nm]."""

SHORT_SHARE = 0.2
"""Share of the sky's effective dose below `SHORT_WAVE` that is flagged [1]."""

NO_SLOPE = Assumption(name="slope", value=0.0, sd=0.0, unit="1/nm", source="none asked for")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Action:
    """An action spectrum.

    Parameters
    ----------
    title : what it is, in words.
    slope : *b* with its spread [1/nm].
    wavelength, response : a user's table; None for an exponential.
    """

    title: str
    slope: Assumption = NO_SLOPE
    wavelength: NDArray | None = None
    response: NDArray | None = None

    def weights(self, wavelength: ArrayLike, slope: ArrayLike) -> NDArray:
        """A (slope, wavelength), whatever its unit.

        Examples
        --------
        >>> Action(title="steep").weights([320.0, 340.0], [0.05]).round(3)
        array([[2.718, 1.   ]])
        """
        import numpy

        x = numpy.asarray(wavelength, dtype=float)
        b = numpy.atleast_1d(numpy.asarray(slope, dtype=float))
        found = numpy.exp(-b[:, None] * (x - REFERENCE))
        if self.wavelength is not None and self.response is not None:
            found = found * numpy.interp(x, self.wavelength, self.response, left=0.0, right=0.0)
        return found

    def __repr__(self) -> str:
        return f"Action: {self.title}; slope {self.slope}"


def action_of(study: Study, material: str) -> Action | None:
    """The action spectrum of a material of a study; None where it asks for none.

    Raises
    ------
    StudyError : a table with faults, or without response in the ultraviolet.
    """
    return read_action(study.materials[material], Path(study.folder))


def slope_subject(study: Study, material: str) -> str:
    """Whose the slope is: the polymer's, or the material's where it has a table of its own."""
    found = study.materials[material]
    own = found.action_spectrum not in (None, EXPONENTIAL)
    return material if own else found.polymer or "unknown"


def read_action(material: Material, folder: Path) -> Action | None:
    """The action spectrum that a material names; None where it names none.

    Parameters
    ----------
    material : whose ``action_spectrum`` is ``"exponential"``, or a file in `folder` with the
        columns ``wavelength [nm]`` and ``response``.

    Examples
    --------
    >>> from durability.study.model import Material
    >>> material = Material(name="A", polymer="polyester", action_spectrum="exponential")
    >>> read_action(material, Path()).slope.unit
    '1/nm'
    """
    import numpy

    from durability.exposure.spectrum_table import read_spectrum_table
    from durability.study.problem import Problem, StudyError

    named = material.action_spectrum
    if named is None:
        return None
    if named == EXPONENTIAL:
        slope = material_assumptions(material.polymer)["action_slope"]
        return Action(title=f"exponential, of {material.polymer or 'unknown'}", slope=slope)
    file = folder / named
    wavelength, response = read_spectrum_table(file, column="response", what="action spectrum")
    inside = (wavelength >= 290) & (wavelength <= 400)
    if wavelength[0] > 300 or wavelength[-1] < 380 or not response[inside].max(initial=0) > 0:
        raise StudyError(
            [
                Problem(
                    file=file.name,
                    column="wavelength",
                    found=f"{wavelength[0]:g} to {wavelength[-1]:g} nm, largest response "
                    f"{response[inside].max(initial=0):g} in 290-400 nm",
                    expected="a response above 0, from 300 nm or below to 380 nm or beyond",
                    mend="Write rows of response 0 where light does no damage.",
                )
            ]
        )
    return Action(
        title=f"table {file.name}",
        slope=translation_assumptions()["action_table_tilt"],
        wavelength=numpy.asarray(wavelength),
        response=numpy.asarray(response),
    )


__all__ = [
    "EXPONENTIAL",
    "SHORT_SHARE",
    "SHORT_WAVE",
    "Action",
    "action_of",
    "read_action",
    "slope_subject",
]
