"""Which number is asked about, and what of it do the draws of a fit hold? Its draws, and its words.

It is a threshold dose, the days at a site (laid in the month in which they are fewest), or the
ratio of two packages' threshold doses. The chance of the lot is kept apart where it is normal on
the log scale, so that no draw of it blurs what strips would teach.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from durability.decisions.learning import Asked
from durability.decisions.planned_strips import Outlook, assumptions
from durability.statement import MONTHS, SUBJECTS, Subject

if TYPE_CHECKING:
    from durability.exposure import Site
    from durability.inference import Fit
    from durability.study.model import Exposure
    from durability.translation.reading import SkyClock

Wanted = Literal["threshold_dose", "outdoor_days", "ratio_of_threshold_doses"]


def subject_in_words(
    wanted: Wanted, of: Subject, fraction: float | None, material: str, direction: str | None,
    exposure: str, site: str | None, month: int | None, against: str | None,
) -> str:  # fmt: skip
    """A number that is asked about, in words."""
    left = "the required strength"
    if fraction is not None:
        share = "half" if fraction == 0.5 else f"{100 * fraction:g} % of"
        left = f"{share} the unexposed strength"
    way = f" in the {direction} direction" if direction else ""
    who = f"{SUBJECTS[of]} of {material}{way}"
    if wanted == "ratio_of_threshold_doses":
        ratio = f"the ratio of threshold doses of {material} to {against}"
        return f"{ratio} for {left}, for {SUBJECTS[of]}"
    if wanted == "outdoor_days":
        laid = "" if month is None else f", laid in {MONTHS[month - 1]}"
        return f"the days at {site} until {left} is left, for {who}{laid}"
    return f"the threshold dose for {left}, for {who} under {exposure}"


def dose_of(exposure: Exposure, *, hours: float | None = None, dose: float | None = None) -> float:
    """A dose, or that of clock hours under the lamp [canonical unit of the exposure].

    Raises
    ------
    ValueError : both or none are given, or hours are no measure of the exposure.

    Examples
    --------
    >>> from durability.study.model import Exposure
    >>> dose_of(Exposure(name="X1", lamp="xenon-daylight"), hours=500.0)
    630.0
    """
    from durability.exposure import delivery
    from durability.exposure.delivery import HOUR_AXES

    if (hours is None) == (dose is None):
        raise ValueError("give hours or a dose, one of the two")
    if dose is not None:
        return dose
    given = delivery(exposure)
    if given is not None:
        return float(hours or 0.0) * given.dose_per_hour
    if exposure.axis in HOUR_AXES:
        return float(hours or 0.0)
    raise ValueError(
        f"hours are no measure of exposure {exposure.name}; give a dose in "
        f"{exposure.dose_unit or 'its own unit'}"
    )


def required_number(
    fit: Fit, text: str, *, material: str | None = None, site: str | None = None,
    against: str | None = None,
) -> float:  # fmt: skip
    """What a number is held against, from text: days at a site, a ratio, or a dose or hours.

    Parameters
    ----------
    fit : whose exposure turns hours into a dose.
    text : ``"30"`` or ``"30 days"`` at a site, ``"1.2"`` against a package, else ``"500 h"`` or a
        dose in the unit of the exposure.
    material, site, against : as in `about_number`.

    Raises
    ------
    ValueError : text that is no such number.
    """
    from durability.units import UNITS, UnitError, measure

    try:
        number = float(text)
    except ValueError:
        number = None
    if number is None and against is None:
        try:
            read = measure(text)
        except UnitError as error:
            raise ValueError(f"--required {text!r}: {error}") from error
        exposure = fit.study.exposures[fit.exposures(material or fit.materials[0])[0]]
        if read.unit.dimension == "time":
            hours = read.canonical / UNITS["h"].factor
            number = hours / 24 if site is not None else dose_of(exposure, hours=hours)
        elif site is None:
            number = read.canonical / exposure.dose_scale
    if number is None or not (number > 0 and math.isfinite(number)):
        kind = "days, such as '30 days'" if site else (
            "a ratio, such as 1.2" if against else "a dose or hours, such as '500 h'")  # fmt: skip
        raise ValueError(f"--required is {text!r}; expected {kind}")
    return number


def usable(fit: Any) -> None:
    """Refuse a fit from whose draws strips cannot be foretold.

    Raises
    ------
    ValueError : an average over laws, or normal scatter.
    """
    if fit.law == "averaged":
        raise ValueError(
            "strips to come are foretold under one law; name it, such as stretched-exponential"
        )
    if fit.model.errors != "lognormal":
        raise ValueError("strips to come are foretold with lognormal scatter only")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AboutNumber:
    """The number asked about, before anything is required of it.

    Parameters
    ----------
    wanted, material, direction, site, month : the subject.
    outlook : what the draws foretell of strips.
    log_value, spread : of the number, as in `durability.decisions.learning.Asked`.
    left_out : kinds of plan that cannot be made, with the reason.
    rack_days : days after which a rack at the site is last withdrawn.
    """

    wanted: Wanted
    material: str
    direction: str | None
    outlook: Outlook
    log_value: np.ndarray
    spread: np.ndarray
    left_out: dict[str, str]
    site: str | None = None
    month: int | None = None
    rack_days: float | None = None

    def number(self, required: float | None) -> Asked:
        """Held against what is required."""
        return Asked(log_value=self.log_value, spread=self.spread, required=required)

    def subject(self, of: Subject, fraction: float | None, against: str | None) -> str:
        """In words."""
        return subject_in_words(
            self.wanted, of, fraction, self.material, self.direction, self.outlook.exposure,
            self.site, self.month, against,
        )  # fmt: skip

    def unit(self, of_dose: str) -> str:
        """Of the number, where a dose has the unit given."""
        return {"threshold_dose": of_dose, "outdoor_days": "d"}.get(self.wanted, "1")

    def middle(self, material: str) -> float:
        """Median threshold dose of the median lot, finite."""
        fit = self.outlook.fit
        tau = fit.threshold_draws(
            fit.model.fraction if not fit.model.rises else 1 / fit.model.fraction, of="mean",
            material=material, direction=fit.directions(material)[0],
            exposure=self.outlook.exposure,
        )  # fmt: skip
        reached = np.median(np.where(np.isfinite(tau), tau, np.inf))
        last = fit.last_dose(material, self.outlook.exposure)
        return float(min(reached, 10 * last))


def chosen_draws(fit: Fit) -> np.ndarray:
    """Places of the posterior draws that are used."""
    most = int(assumptions()["reading"]["draws"])
    return np.arange(0, fit.n_draws, max(1, -(-fit.n_draws // most)))


def threshold_asked(
    outlook: Outlook, material: str, direction: str, of: Subject, fraction: float | None
) -> tuple[np.ndarray, np.ndarray]:
    """Log threshold dose (draw,) of a subject without its lot's chance, and the sd of that chance.

    Where more than the lot's threshold dose is chance (single strips, a required strength) the
    chance is drawn, and its sd is 0.
    """
    fit = outlook.fit
    apart = of == "new_lot" and fraction is not None
    share = fit.study.question.share if of == "single_specimen" else None
    tau = fit.threshold_draws(
        fraction, of="mean" if apart else of, material=material, direction=direction,
        exposure=outlook.exposure, share=share,
    )  # fmt: skip
    with np.errstate(divide="ignore"):
        log_tau = np.log(tau[outlook.draws])
    if not apart:
        return log_tau, np.zeros_like(log_tau)
    spread = outlook.posterior("lot_spread_of_threshold")
    if material in fit.model.both_ways:
        spread = np.hypot(spread, outlook.posterior("direction_of_lot_spread_of_threshold"))
    return log_tau, spread


def weaker_direction(
    fit: Fit, material: str, of: Subject, fraction: float | None, exposure: str
) -> str:
    """The direction whose threshold dose has the lower median."""
    share = fit.study.question.share if of == "single_specimen" else None

    def middle(direction: str) -> float:
        tau = fit.threshold_draws(
            fraction, of=of, material=material, direction=direction, exposure=exposure, share=share
        )
        return float(np.quantile(tau, 0.5, method="lower"))

    return min(fit.directions(material), key=middle)


def about_number(
    fit: Fit,
    *,
    material: str | None,
    direction: str | None,
    of: Subject,
    fraction: float | None,
    site: str | Path | Site | None,
    against: str | None,
    seed: int,
) -> AboutNumber:
    """The number asked about and what its draws foretell of strips; as in `next_strips`."""
    if site is not None and against is not None:
        raise ValueError("ask for days at a site or against a package, not for both")
    for m in (material, against):
        if m is not None and m not in fit.materials:
            raise ValueError(f'material "{m}" is unknown; known: {", ".join(fit.materials)}')
    draws = chosen_draws(fit)
    if site is not None:
        return _about_days(fit, material, direction, of, fraction, site, draws, seed)
    chosen = material or next(m for m in fit.materials if m != against)
    exposure = fit.exposures(chosen)[0]
    if against is not None:
        exposure = next((x for x in fit.exposures(chosen) if x in fit.exposures(against)), "")
        if not exposure:
            raise ValueError(f"{chosen} and {against} went through no exposure together")
    left_out = {"outdoor_rack": "no site is asked about"} | _not_warmer(fit, exposure)
    outlook = Outlook(fit=fit, exposure=exposure, draws=draws, seed=seed)
    if against is None:
        way = direction or weaker_direction(fit, chosen, of, fraction, exposure)
        if way not in fit.directions(chosen):
            raise ValueError(f'direction "{way}" of {chosen} was not tested')
        log_value, spread = threshold_asked(outlook, chosen, way, of, fraction)
        return AboutNumber(wanted="threshold_dose", material=chosen, direction=way or None,
                      outlook=outlook, log_value=log_value, spread=spread,
                      left_out=left_out)  # fmt: skip
    from durability.decisions.compare import one_package
    from durability.decisions.pooling import pooled_factors

    factors = pooled_factors(fit, fit.materials)
    shared = [d for d in fit.directions(chosen) if d in fit.directions(against)]
    share = fit.study.question.share if of == "single_specimen" else None
    mine, theirs = (
        one_package(fit, m, shared or fit.directions(m), exposure, of, fraction, share=share,
                    pooled=factors).tau[draws]
        for m in (chosen, against)
    )  # fmt: skip
    both = np.isinf(mine) & np.isinf(theirs)
    with np.errstate(divide="ignore", invalid="ignore"):
        log_ratio = np.where(both, 0.0, np.log(mine) - np.log(theirs))
    return AboutNumber(wanted="ratio_of_threshold_doses", material=chosen, direction=None,
                  outlook=outlook, log_value=log_ratio, spread=np.zeros_like(log_ratio),
                  left_out=left_out)  # fmt: skip


def _about_days(
    fit: Fit, material: str | None, direction: str | None, of: Subject, fraction: float | None,
    site: str | Path | Site, draws: np.ndarray, seed: int,
) -> AboutNumber:  # fmt: skip
    from durability.translation.laying import LAYING_HOUR
    from durability.translation.worst_laying import worst_laying

    worst = worst_laying(
        fit, site=site, of=of, fraction=fraction, material=material, direction=direction
    )
    clock: SkyClock = worst.clock
    outlook = Outlook(
        fit=fit, exposure=clock.lamp.exposure, draws=draws, clocks=worst.clocks,
        laid=24.0 * worst.span[0] + LAYING_HOUR, seed=seed,
    )  # fmt: skip
    with np.errstate(divide="ignore"):
        log_days = np.log(worst.days[draws])
    middle = float(np.quantile(worst.days, 0.5, method="lower"))
    return AboutNumber(
        wanted="outdoor_days", material=worst.material, direction=worst.direction or None,
        outlook=outlook, log_value=log_days, spread=np.zeros_like(log_days), left_out={},
        site=worst.site.name, month=worst.month,
        rack_days=min(middle, 730.0) if math.isfinite(middle) else 730.0,
    )  # fmt: skip


def _not_warmer(fit: Fit, exposure: str) -> dict[str, str]:
    """Why the lamp's temperature cannot be read; nothing where it can."""
    from durability.translation import TranslationRefused
    from durability.translation.lamp import lamp_clock

    try:
        lamp_clock(fit.study.exposures[exposure])
    except TranslationRefused as reason:
        return {"second_temperature": str(reason)}
    return {}


__all__ = [
    "AboutNumber",
    "Wanted",
    "about_number",
    "dose_of",
    "required_number",
    "subject_in_words",
    "usable",
]
