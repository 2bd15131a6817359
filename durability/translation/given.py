"""What if a threshold dose is given, not fitted? Draws of it, in the shape a translation reads.

A published threshold dose, or one that is assumed, can be read at a site or over a map as the
posterior of a study is.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from durability.statement import Statements

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from durability.study.model import Exposure, Study


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GivenThreshold:
    """Draws of one product's threshold dose under one lamp, whatever the subject.

    Parameters
    ----------
    study : from `given_study`, or any other of one material and one exposure.
    threshold : (draw,) dose in the exposure's unit at which the study's fraction is left.
    exponent : (draw,) reciprocity exponent [1].
    energy : (draw,) activation energy [kJ/mol].
    last : the last dose tested, in the exposure's unit.
    law, level, seed : as of a fit.

    Examples
    --------
    >>> import numpy as np
    >>> from durability.study.model import Exposure
    >>> from durability.translation import translate
    >>> lamp = Exposure(name="X", lamp="xenon-daylight", irradiance=0.35, band="340 nm",
    ...     dose_unit="kJ/(m² nm) at 340 nm")
    >>> told = GivenThreshold(study=given_study(lamp), threshold=np.full(100, 600.0),
    ...     exponent=np.full(100, 0.9), energy=np.full(100, 30.0))
    >>> days = translate(told, site="phoenix", of="mean").days
    >>> days.sizes["month"], days.sizes["draw"]
    (12, 100)
    """

    study: Study
    threshold: NDArray[np.float64]
    exponent: NDArray[np.float64]
    energy: NDArray[np.float64]
    last: float = 0.0
    law: str = "given"
    level: float = 0.95
    seed: int = 1

    @property
    def materials(self) -> tuple[str, ...]:
        """The product's name."""
        return tuple(self.study.materials)

    def directions(self, material: str) -> tuple[str, ...]:
        """One, without a name."""
        return ("",)

    def exposures(self, material: str) -> tuple[str, ...]:
        """The lamp's name."""
        return tuple(self.study.exposures)

    def threshold_draws(self, fraction: float | None, **subject: object) -> NDArray[np.float64]:
        """The draws that were given."""
        if fraction not in self.study.thresholds:
            given = ", ".join(f"{x:g}" for x in self.study.thresholds)
            raise ValueError(f"fraction is {fraction}; a threshold is given for {given} alone")
        return self.threshold

    def clock_draws(self, material: str) -> dict[str, NDArray[np.float64]]:
        """Exponent and energy that were given."""
        return {"reciprocity_exponent": self.exponent, "activation_energy": self.energy}

    def last_dose(self, material: str, exposure: str) -> float:
        """The last dose tested."""
        return self.last

    def statements(self) -> Statements:
        """None: nothing was fitted."""
        return Statements()


def given_study(
    exposure: Exposure, *, title: str = "given", polymer: str | None = None, fraction: float = 0.5,
    invented: bool = False,
) -> Study:  # fmt: skip
    """A study of one product ``"A"`` under one lamp, without strips.

    Parameters
    ----------
    exposure : the lamp.
    title : of the study.
    polymer : a file of models/materials, for its action spectrum.
    fraction : that is left at the threshold dose.
    invented : whether all of it is invented.
    """
    import xarray

    from durability.study.model import Material, Question, Study

    return Study(
        folder=Path(), title=title, property="strip tensile strength", unit="kN/m",
        thresholds=(fraction,), rows=xarray.Dataset(), exposures={exposure.name: exposure},
        materials={"A": Material(name="A", polymer=polymer)}, question=Question(),
        invented=invented,
    )  # fmt: skip


__all__ = ["GivenThreshold", "given_study"]
