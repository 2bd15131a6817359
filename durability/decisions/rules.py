"""What would a product standard's rule say of this fabric? For comparison with computed days.

Rules are data (``models/cover_rules.toml``): so much left after so much of a lamp gives a class,
and a class gives days. They know no site, no month and no spread.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from durability import catalogue
from durability.decisions.decision import percent

if TYPE_CHECKING:
    from durability.inference import Fit


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleVerdict:
    """What one rule says of one material in its weaker direction.

    Parameters
    ----------
    rule, title, source : name, title and source of the rule.
    material, direction : the subject.
    dose, dose_unit : at which the rule looks.
    left : median fraction left of the median lot at that dose, as fitted.
    words, days : what the class asks; None where the rule names no days.
    probability : that the median lot is of that class.
    """

    rule: str
    title: str
    source: str
    material: str
    direction: str
    dose: float
    dose_unit: str
    left: float
    words: str
    days: int | None
    probability: float

    def to_dict(self) -> dict[str, Any]:
        """Plain types for JSON."""
        from dataclasses import asdict

        return asdict(self)

    def __str__(self) -> str:
        where = " ".join(x for x in (self.material, self.direction) if x)
        return (
            f"{self.title}: {where} {self.words}, with probability {percent(self.probability)} "
            f"({100 * self.left:.0f} % left at {self.dose:.4g} {self.dose_unit}). "
            f"Source: {self.source}."
        )


def read_rules() -> dict[str, dict[str, Any]]:
    """The tables of ``models/cover_rules.toml``, by name.

    Examples
    --------
    >>> sorted(read_rules())
    ['annex-other-uses', 'annex-reinforcement', 'pass-500-hours']
    """
    with open(catalogue.models_folder() / "cover_rules.toml", "rb") as stream:
        tables = tomllib.load(stream)
    rules = {name: table for name, table in tables.items() if isinstance(table, dict)}
    for name, rule in rules.items():
        missing = [k for k in ("title", "lamp", "classes", "source") if k not in rule]
        if missing:
            raise ValueError(f"cover_rules.toml: the rule {name} has no {' and no '.join(missing)}")
    return rules


def rule_verdicts(fit: Fit, exposures: dict[str, str]) -> tuple[list[RuleVerdict], list[str]]:
    """What each rule says of each material, and why a rule says nothing.

    Parameters
    ----------
    fit : the posterior.
    exposures : material to the exposure it is read from.
    """
    import numpy as np

    found, silent = [], []
    for name, rule in read_rules().items():
        for material, exposure in exposures.items():
            dose, unit, reason = _dose_of(fit, rule, exposure)
            if dose is not None:
                last = fit.last_dose(material, exposure)
                if last < dose * (1 - float(rule.get("tolerance", 0.0))):
                    reason = f"{material} was tested to {last:.4g}, not to {dose:.4g} {unit}"
                    dose = None
            if dose is None:
                silent.append(f"{rule['title']}: not applied, {reason}")
                continue
            weakest: tuple[float, str, Any] | None = None
            for direction in fit.directions(material):
                left = fit.retained_draws(
                    dose, of="mean", material=material, direction=direction, exposure=exposure
                )[:, 0]
                middle = float(np.median(left))
                if weakest is None or middle < weakest[0]:
                    weakest = middle, direction, left
            assert weakest is not None
            middle, direction, left = weakest
            classes = sorted(rule["classes"], key=lambda c: -c["above"])
            at = next(i for i, c in enumerate(classes) if middle > c["above"] or c["above"] == 0)
            top = classes[at - 1]["above"] if at else float("inf")
            inside = (left > classes[at]["above"]) & (left <= top)
            found.append(
                RuleVerdict(
                    rule=name, title=rule["title"], source=rule["source"], material=material,
                    direction=direction, dose=dose, dose_unit=unit, left=middle,
                    words=classes[at]["words"], days=classes[at].get("days"),
                    probability=float(inside.mean()),
                )
            )  # fmt: skip
    return found, list(dict.fromkeys(silent))


def _dose_of(fit: Fit, rule: dict[str, Any], exposure: str) -> tuple[float | None, str, str]:
    """The rule's dose on the study's own axis, its unit, or None and why."""
    from durability.exposure import convert_dose, delivery, read_lamp

    asked = fit.study.exposures[exposure]
    given = delivery(asked)
    lamp = read_lamp(asked.lamp) if asked.lamp else None
    if given is None or lamp is None:
        return None, "", f"the lamp of {exposure} is not known"
    if lamp.light_source != rule["lamp"]:
        return None, "", f"it asks for {rule['lamp']} light and {exposure} is {lamp.light_source}"
    if "hours" in rule:
        return float(given.dose(rule["hours"])), given.dose_unit, ""
    dose = float(rule["dose"]) / asked.dose_scale
    if given.band != rule["band"]:
        if not lamp.spectrum:
            return None, "", f"no spectrum of {exposure} leads from {rule['band']} to {given.band}"
        dose = float(
            convert_dose(dose, band=rule["band"], into=given.band, spectrum=lamp.spectrum).dose
        )
    return dose, given.dose_unit, ""


__all__ = ["RuleVerdict", "read_rules", "rule_verdicts"]
