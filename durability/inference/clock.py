"""How do the clocks of the exposures enter the model? Columns, and each cell's dose in them.

Irradiance (reciprocity exponent) and temperature (activation energy) act only here, relative to
conditions that the exposures of a family share; the dose of each of several exposures carries an
uncertain scale, so that no two chambers are compared as if both were exact. What each exposure
delivers, and what of it is uncertain, is said by `durability.inference.clock_terms`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.inference.model import ClockTerms, Column, priors

if TYPE_CHECKING:
    from durability.study import Study

Bow = tuple[int, int, float]


@dataclass(slots=True, kw_only=True, eq=False)
class Clock:
    """Columns of a study, and what a dose of an exposure is in them.

    Parameters
    ----------
    families : exposure to family; those of one family share a threshold dose.
    columns : directions and clock parameters.
    """

    families: dict[str, str]
    columns: list[Column] = field(default_factory=list)
    _place: dict[tuple[str, str], int] = field(default_factory=dict)
    _terms: dict[str, ClockTerms] = field(default_factory=dict)

    def add(self, column: Column) -> int:
        """The place of a column, added where it is new."""
        key = (column.name, column.subject)
        if key not in self._place:
            self._place[key] = len(self.columns)
            self.columns.append(column)
        return self._place[key]

    def dose(
        self, material: str, direction: str, exposure: str, dose: float
    ) -> tuple[float, dict[int, float], list[Bow]]:
        """Log dose with the constant part of the clock; column to coefficient of log threshold
        dose; quadratic terms (column, column, coefficient) of log effective dose."""
        entries: dict[int, float] = {}
        if (j := self._place.get(("direction", material))) is not None and direction:
            entries[j] = 0.5 if direction == "machine" else -0.5
        terms = self._terms.get(material)
        if terms is None:
            return math.log(dose), entries, []
        constant, linear, bows = self._of_terms(terms, exposure, dose)
        for j, coefficient in linear.items():
            entries[j] = entries.get(j, 0.0) - coefficient
        return constant, entries, bows

    def is_a_factor(self, material: str, exposure: str) -> bool:
        """True where effective dose is dose times a factor, so that a threshold dose can be read
        on the exposure's own conditions; of a sky it is not."""
        terms = self._terms.get(material)
        if terms is None:
            return True
        mine = terms.exposure == exposure
        ratio = terms.constant[mine] - np.log(terms.dose[mine])
        slopes = [np.ptp(x[mine], axis=0).max(initial=0.0) for x in (terms.linear, terms.quadratic)]
        return bool(np.ptp(ratio) < 1e-9 and max(slopes) < 1e-9)

    def _of_terms(
        self, terms: ClockTerms, exposure: str, dose: float
    ) -> tuple[float, dict[int, float], list[Bow]]:
        """Terms of a cell in the values of the parameters, not in their standard scores."""
        mine = np.flatnonzero((terms.exposure == exposure) & np.isclose(terms.dose, dose))
        if not mine.size:
            raise LookupError(f"the clock of exposure {exposure} does not know the dose {dose:g}")
        i = mine[0]
        place = [self._place[(p.name, p.subject)] for p in terms.parameters]
        mean = np.array([p.mean for p in terms.parameters])
        sd = np.array([p.sd for p in terms.parameters])
        linear = terms.linear[i] / sd
        bend = terms.quadratic[i] / np.outer(sd, sd)
        constant = float(terms.constant[i] - linear @ mean + 0.5 * mean @ bend @ mean)
        slopes = linear - bend @ mean
        found = {j: float(b) for j, b in zip(place, slopes, strict=True) if b}
        bows = [
            (place[a], place[b], float(bend[a, b] * (0.5 if a == b else 1.0)))
            for a, b in zip(*np.nonzero(np.triu(bend)), strict=True)
        ]
        return constant, found, bows


def clock_of(
    study: Study, materials: list[str], series: list[Any], exposure_of: np.ndarray, dose: np.ndarray
) -> Clock:
    """The clock of a study's exposures.

    Parameters
    ----------
    study : the study, doses filled.
    materials : in the model.
    series : (material, lot, direction, laboratory) tuples.
    exposure_of, dose : (row,) of everything found.
    """
    lit = {x for x, d in zip(exposure_of, dose, strict=True) if d > 0 and x}
    present = [name for name in study.exposures if name in lit]
    families = {n: x.dose_unit if x.is_radiant else n for n, x in study.exposures.items()}
    clock = Clock(families=families)
    for m in materials:
        if {"machine", "cross"} <= {d for material, _, d, _ in series if material == m}:
            sd = priors()["direction"]["sd_log"]
            clock.add(Column(name="direction", subject=m, mean=0.0, sd=sd))
    family = [families[x] for x in present]
    if len(set(family)) < len(family) or any(study.exposures[x].site for x in present):
        clock._terms = _terms(study, materials)
    for terms in clock._terms.values():
        families |= terms.family
        for parameter in terms.parameters:
            clock.add(parameter)
    return clock


def _terms(study: Study, materials: list[str]) -> dict[str, ClockTerms]:
    from durability.inference.clock_terms import clock_terms

    return {m: clock_terms(study, m) for m in materials}
