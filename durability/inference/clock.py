"""How do the clocks of the exposures enter the model? Columns, and each cell's dose in them.

Irradiance (reciprocity exponent) and temperature (activation energy) act only here, relative to the
first lamp setting of a family; the dose of each of several exposures carries an uncertain scale, so
that no two chambers are compared as if both were exact. Where an exposure needs more than that (a
sky), `durability.inference.clock_terms` says what.
"""

from __future__ import annotations

import importlib.util
import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from durability import catalogue
from durability.exposure import delivery
from durability.exposure.clock import GAS_CONSTANT, KELVIN
from durability.inference.model import ClockTerms, Column, priors

if TYPE_CHECKING:
    from durability.study import Study

Bow = tuple[int, int, float]


@dataclass(frozen=True, slots=True)
class _Setting:
    """One exposure's lamp setting relative to the first of its family."""

    log_irradiance: float
    inverse_temperature: float  # (1/T - 1/T_first) / R [mol/kJ]
    log_sd: float
    alone: bool


@dataclass(slots=True, kw_only=True, eq=False)
class Clock:
    """Columns of a study, and what a dose of an exposure is in them.

    Parameters
    ----------
    families : exposure to family; those of one family share a threshold dose.
    columns : directions and clock parameters.
    told : parameters of the clock that differ between exposures: ``activation_energy``,
        ``reciprocity_exponent``.
    """

    families: dict[str, str]
    columns: list[Column] = field(default_factory=list)
    told: set[str] = field(default_factory=set)
    _place: dict[tuple[str, str], int] = field(default_factory=dict)
    _settings: dict[str, _Setting] = field(default_factory=dict)
    _polymer: dict[str, str] = field(default_factory=dict)
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
        if terms is not None:
            constant, linear, bows = self._of_terms(terms, exposure, dose)
            for j, coefficient in linear.items():
                entries[j] = entries.get(j, 0.0) - coefficient
            return constant, entries, bows
        setting, offset = self._settings[exposure], 0.0
        polymer = self._polymer[material]
        if (j := self._place.get(("reciprocity_exponent", polymer))) is not None:
            entries[j] = -setting.log_irradiance
            offset -= setting.log_irradiance
        if (j := self._place.get(("activation_energy", polymer))) is not None:
            entries[j] = setting.inverse_temperature
        if (j := self._place.get(("dose_calibration", exposure))) is not None:
            entries[j] = -1.0
        return math.log(dose) + offset, entries, []

    def is_a_factor(self, material: str, exposure: str) -> bool:
        """True where effective dose is dose times a factor, so that a threshold dose can be read
        on the exposure's own conditions; of a sky it is not."""
        terms = self._terms.get(material)
        if terms is None:
            return True
        mine = terms.exposure == exposure
        ratio = terms.constant[mine] - np.log(terms.dose[mine])
        lines = terms.linear[mine]
        return bool(
            np.ptp(ratio) < 1e-9
            and np.ptp(lines, axis=0).max(initial=0.0) < 1e-9
            and not terms.quadratic[mine].any()
        )

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
    clock._polymer = {m: study.materials[m].polymer or "unknown" for m in materials}
    for m in materials:
        if {"machine", "cross"} <= {d for material, _, d, _ in series if material == m}:
            sd = priors()["direction"]["sd_log"]
            clock.add(Column(name="direction", subject=m, mean=0.0, sd=sd))
    if any(study.exposures[x].lamp == "outdoor" for x in present):
        clock._terms = _terms(study, materials)
    for terms in clock._terms.values():
        families |= terms.family
        for parameter in terms.parameters:
            clock.add(parameter)
        clock.told |= {p.name for p in terms.parameters}
    if not clock._terms:
        _lamps(study, clock, materials, present)
    return clock


def _terms(study: Study, materials: list[str]) -> dict[str, ClockTerms]:
    if importlib.util.find_spec("durability.inference.clock_terms") is None:
        return {}
    from durability.inference.clock_terms import clock_terms  # pyright: ignore

    return {m: clock_terms(study, m) for m in materials}


def _lamps(study: Study, clock: Clock, materials: list[str], present: list[str]) -> None:
    """Columns of the lamp settings that differ within a family."""
    first: dict[str, Any] = {}
    members = [clock.families[n] for n in present]
    for name in present:
        got, family = delivery(study.exposures[name]), clock.families[name]
        if got is None:
            clock._settings[name] = _Setting(0.0, 0.0, 0.0, True)
            continue
        base = first.setdefault(family, got)
        clock._settings[name] = _Setting(
            math.log(got.irradiance / base.irradiance),
            (1 / (got.temperature + KELVIN) - 1 / (base.temperature + KELVIN)) / GAS_CONSTANT,
            got.log_sd,
            members.count(family) == 1,
        )
    settings = clock._settings.values()
    if any(abs(s.log_irradiance) > 1e-6 for s in settings):
        clock.told.add("reciprocity_exponent")
    if any(abs(s.inverse_temperature) > 1e-4 for s in settings):
        clock.told.add("activation_energy")
    for polymer in dict.fromkeys(clock._polymer.values()):
        for name in ("reciprocity_exponent", "activation_energy"):
            if name in clock.told:
                clock.add(clock_parameter(name, polymer))
    for x, s in clock._settings.items():
        if not s.alone:
            sd = max(s.log_sd, 1e-3)
            clock.add(Column(name="dose_calibration", subject=x, mean=0.0, sd=sd))


def clock_parameter(name: str, polymer: str) -> Column:
    """Prior of ``activation_energy`` [kJ/mol] or ``reciprocity_exponent`` [1] of a polymer."""
    book = catalogue.read("materials", polymer)[name]
    return Column(
        name=name,
        subject=polymer,
        mean=book["value"],
        sd=book["sd"],
        low=book.get("low", -math.inf),
        high=book.get("high", math.inf),
        unit=book["unit"],
    )
