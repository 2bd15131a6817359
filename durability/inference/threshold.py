"""What may be said of the threshold dose? Turns draws into statements and bounds.

A threshold is stated where the strips speak of it. Far beyond the last dose only a lower bound is,
far before the first dose only an upper bound; the limits are those of models/practice.toml.
"""

from __future__ import annotations

import functools
import tomllib
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from durability import catalogue
from durability.exposure import delivery
from durability.inference.learned import clock_flags
from durability.inference.model import Model
from durability.statement import Statement, Statements, Subject

if TYPE_CHECKING:
    from durability.inference.fitted import Fit

EXPLANATIONS: dict[str, str] = {
    "quick_answer": "A quick answer by weighted draws instead of chains: approximate; not for a"
    " report.",
    "law_form": "The degradation law named has the right form between and beyond the doses tested.",
    "laws_averaged": "The truth is near one of the degradation laws averaged, weighted by how well"
    " each foretold the largest doses when they were hidden.",
    "laws_disagree": "Beyond the last dose the laws that the strips allow part: the answer is"
    " averaged over them.",
    "prior_from_earlier": "Earlier studies stand in the priors, with the weight that is stated.",
    "lots_exchangeable": "Lots not yet made vary as the lots tested do (log-normal, one spread).",
    "lognormal_scatter": "Strips scatter by a constant share of their strength (log-normal).",
    "power_scatter": "Strips scatter by an amount that goes as a power of what is left, estimated.",
    "student_scatter": "Strips scatter by a share of their strength with long tails (Student's t,"
    " degrees of freedom estimated).",
    "normal_scatter": "Strips scatter by a constant amount, whatever strength is left (normal).",
    "prior_of_spread": "Priors of models/priors.toml on spreads and shape stand where data are"
    " few.",
    "products_pooled": "The threshold doses of products are partially pooled about a line in their"
    " covariates, or about a common level.",
    "shape_shared": "One shape of the curve serves all products.",
    "shape_pooled": "The shapes of products are partially pooled about a common shape.",
    "clock_from_prior": "The exposures differ too little, or in too few settings, to say much of"
    " the activation energy or the reciprocity exponent: there the prior speaks.",
    "clock_not_told_apart": "Temperature and irradiance changed together over the exposures: the"
    " data do not tell activation energy and reciprocity exponent apart, their priors do.",
    "lamp_setting": "The dose is read at the lamp setting of this exposure.",
    "cycle_continues": "The lamp runs the stated cycle at its mean irradiance until that dose.",
    "no_unexposed_strips": "No unexposed strips were tested: the retained fraction is relative to a"
    " fitted start, and the interval is wider for it.",
    "one_dose_level": "One dose level only: how the strength falls before and after it is the prior"
    " of the law's shape.",
    "one_lot": "One lot only: the spread between lots is the prior, not data.",
    "unexposed_error_unknown": "The data are percent of an unexposed strength whose own error is"
    " not given.",
    "spread_not_given": "The source gives no spread: scatter is estimated from the fit to the law.",
    "all_censored": "Every strip of this material was censored.",
    "extrapolated": "The value lies beyond the largest dose tested.",
    "lower_bound_only": "The strips do not reach the threshold: only 'not before' can be said. The"
    " bound leans on the law and on the prior of the threshold dose.",
    "before_first_dose": "The threshold lies before the first dose tested: the law carries it"
    " there.",
    "upper_bound_only": "Most was lost before the first dose tested: only 'not after' can be said;"
    " below half that dose no limit is stated.",
    "declared_values": "A data sheet's word counts beside the strips, with the spread that"
    " models/priors.toml gives it.",
    "inspected_only": "Only looks were recorded, no strengths: the scatter of specimens about their"
    " curve is told by the looks and its prior.",
    "rises": "The property rises: one over the law describes it, and the threshold is a multiple of"
    " the unexposed value.",
    "never_reached": "In some draws the law never falls to the threshold.",
    "share_not_met": "In some draws the stated share of strips does not hold even unexposed.",
    "below_required_unexposed": "In some draws the required strength is not met even unexposed.",
    "diagnostics_failed": "The sampler missed its limits: do not quote this number.",
    "sampled_again": "The first run missed a limit of the diagnostics; smaller steps were taken.",
}


@functools.cache
def practice() -> dict[str, float]:
    """The numbers of models/practice.toml."""
    with open(catalogue.models_folder() / "practice.toml", "rb") as stream:
        return {name: table["value"] for name, table in tomllib.load(stream).items()}


def bound_of(
    draws: np.ndarray, model: Model, material: str, exposure: str, level: float
) -> str | None:
    """``"lower"``, ``"upper"`` or None: which bound, if only a bound may be stated.

    Parameters
    ----------
    draws : (draw,) threshold doses; inf where never reached.
    model, material, exposure : for the doses tested.
    level : of the two-sided interval that would be stated.
    """
    rules = practice()
    last, first = model.last_dose[(material, exposure)], model.first_dose[(material, exposure)]
    # percentiles in a form that stands infinite draws
    middle, high = np.quantile(draws, [0.5, 0.5 + level / 2], method="inverted_cdf")
    if 0 < middle < rules["before_first_dose"] * first:
        return "upper"
    if middle > rules["extrapolation_limit"] * last or high > rules["upper_limit_reach"] * last:
        return "lower"
    return None


def _assumptions(fit: Fit, of: Subject | None) -> tuple[str, ...]:
    form = "laws_averaged" if fit.law == "averaged" else "law_form"
    names = [form, f"{fit.model.errors}_scatter", "prior_of_spread"]
    if of in ("new_lot", "single_specimen"):
        names.append("lots_exchangeable")
    if fit.model.line.size:
        names.append("products_pooled")
    if fit.model.structure.shape != "product" and len(fit.model.materials) > 1:
        names.append(f"shape_{fit.model.structure.shape}")
    return tuple(names)


def _base_flags(fit: Fit, material: str) -> list[str]:
    flags = [*fit.model.flags[material], *clock_flags(fit, material)]
    if not fit.diagnostics.ok:
        flags.append("diagnostics_failed")
    if fit.diagnostics.quick:
        flags.append("quick_answer")
    if fit.diagnostics.retried:
        flags.append("sampled_again")
    if "prior_from" in fit.posterior.attrs:
        flags.append("prior_from_earlier")
    if material in fit.laws_part:
        flags.append("laws_disagree")
    return flags


def about(fit: Fit, material: str, of: Subject) -> dict[str, Any]:
    """Assumptions and flags of any statement of a fit about a material."""
    return {"assumptions": _assumptions(fit, of), "flags": tuple(_base_flags(fit, material))}


def threshold_statements(
    fit: Fit,
    *,
    fractions: Sequence[float | None],
    subjects: Sequence[Subject],
    material: str | None = None,
    direction: str | None = None,
    exposure: str | None = None,
    share: float | None = None,
    level: float | None = None,
    hours: bool = False,
) -> Statements:
    """Threshold dose (and hours) for each material, direction, exposure, fraction and subject.

    Parameters
    ----------
    fit : the fit.
    fractions : retained fractions; None stands for the study's required strength.
    subjects : of whom.
    material, direction, exposure : None takes all.
    share, level : as in `Fit.threshold_dose`.
    hours : add lamp hours where the exposure has a lamp.

    Returns
    -------
    Statements
    """
    level = level or fit.level
    found: list[Statement] = []
    for m, d, x in fit.model.conditions:
        wanted = (material, direction, exposure)
        if any(w is not None and w != g for w, g in zip(wanted, (m, d, x), strict=True)):
            continue
        for fraction in fractions:
            for of in subjects:
                found += _one(fit, fraction, of, m, d, x, share, level, hours)
    if not found:
        raise LookupError(f"no strips match {material} {direction} {exposure}")
    return Statements(found)


def _one(
    fit: Fit,
    fraction: float | None,
    of: Subject,
    material: str,
    direction: str,
    exposure: str,
    share: float | None,
    level: float,
    hours: bool,
) -> list[Statement]:
    single = of == "single_specimen"
    share = (fit.study.question.share if share is None else share) if single else None
    draws = fit.threshold_draws(
        fraction, of=of, material=material, direction=direction, exposure=exposure, share=share
    )
    if np.isnan(draws).any():  # a required strength of a product known by fractions only
        return []
    setting = fit.study.exposures[exposure]
    flags = _base_flags(fit, material)
    if np.isinf(draws).any():
        flags.append("never_reached")
    if (draws == 0).any():
        flags.append("below_required_unexposed" if fraction is None else "share_not_met")
    assumptions = [*_assumptions(fit, of), *(["lamp_setting"] if setting.is_radiant else [])]
    common: dict[str, Any] = {
        "quantity": "threshold_dose",
        "unit": setting.dose_unit,
        "of": of,
        "material": material,
        "direction": direction or None,
        "exposure": exposure,
        "fraction": fraction,
        "share": share,
        "level": level,
        "law": fit.law,
        "kind": "credible" if of == "mean" else "prediction",
    }
    last, first = fit.last_dose(material, exposure), fit.model.first_dose[(material, exposure)]
    bound = bound_of(draws, fit.model, material, exposure, level)
    tails = {"lower": [1 - level], "upper": [level], None: [0.5 - level / 2, 0.5 + level / 2]}[
        bound
    ]
    middle, *limits = np.quantile(draws, [0.5, *tails], method="inverted_cdf")
    value = low = high = None
    if bound == "lower":
        # where even the limit is never reached, the farthest dose that may be spoken of bounds it
        farthest = practice()["extrapolation_limit"] * fit.last_dose(material, exposure)
        low = limits[0] if np.isfinite(limits[0]) else farthest
        flags = [*flags, "lower_bound_only"]
    elif bound == "upper":
        # earlier than that the law speaks alone
        soonest = practice()["before_first_dose"] * first
        high, flags = max(limits[0], soonest), [*flags, "upper_bound_only"]
    else:
        value, (low, high) = middle, limits
    reach = low if bound == "lower" else (high if bound == "upper" else value)
    assert reach is not None
    factor = float(reach / last)
    if factor > 1:
        flags.append("extrapolated")
    if bound is None and middle < first:
        flags.append("before_first_dose")
    probability = float(np.isfinite(draws).mean())
    common |= {
        "value": _number(value),
        "low": _number(low),
        "high": _number(high),
        "sides": 1 if bound else 2,
        "extrapolated": factor > 1,
        "extrapolation_factor": round(factor, 4),
        "flags": tuple(dict.fromkeys(flags)),
        "assumptions": tuple(assumptions),
        "probability": probability if bound is None or probability < 1 else None,
    }
    found = [Statement(**common)]
    lamp = delivery(setting) if hours else None
    if lamp is not None:
        rate = lamp.dose_per_hour
        found.append(
            Statement(
                **{
                    **common,
                    "quantity": "threshold_hours",
                    "unit": "h",
                    **{
                        k: None if common[k] is None else common[k] / rate
                        for k in ("value", "low", "high")
                    },
                    "assumptions": (*assumptions, "cycle_continues"),
                }
            )
        )
    return found


def _number(x: Any) -> float | None:
    return None if x is None or not np.isfinite(x) else float(x)


def fit_statements(fit: Fit, *, level: float | None = None) -> Statements:
    """Unexposed strength, retained strength at the last dose, threshold doses and hours.

    Parameters
    ----------
    fit : the fit.
    level : of intervals; the fit's by default.
    """
    level = level or fit.level
    found: list[Statement] = []
    tail = [0.5, 0.5 - level / 2, 0.5 + level / 2]
    if fit.model.start_known is None:
        for material, direction in fit.model.starts:
            value, low, high = np.quantile(fit.unexposed_draws(material, direction), tail)
            found.append(
                Statement(
                    quantity="unexposed_strength",
                    unit=fit.study.unit,
                    of="mean",
                    material=material,
                    direction=direction or None,
                    value=float(value),
                    low=float(low),
                    high=float(high),
                    level=level,
                    law=fit.law,
                    assumptions=_assumptions(fit, "mean"),
                    flags=tuple(_base_flags(fit, material)),
                )
            )
    for material, direction, exposure in fit.model.conditions:
        last = fit.last_dose(material, exposure)
        if fit.model.rises:
            continue
        draws = fit.retained_draws(last, material=material, direction=direction, exposure=exposure)[
            :, 0
        ]
        value, low, high = np.quantile(draws, tail)
        only = fit.bound(
            fit.model.fraction, of="mean", material=material, direction=direction, exposure=exposure
        )
        one_sided = only == "lower"
        found.append(
            Statement(
                quantity="retained_strength",
                unit="1",
                of="mean",
                material=material,
                direction=direction or None,
                exposure=exposure,
                dose=float(last),
                value=None if one_sided else float(value),
                low=float(np.quantile(draws, 1 - level)) if one_sided else float(low),
                high=None if one_sided else float(high),
                sides=1 if one_sided else 2,
                level=level,
                law=fit.law,
                assumptions=_assumptions(fit, "mean"),
                flags=tuple(_base_flags(fit, material)),
            )
        )
    fractions: list[float | None] = list(fit.study.thresholds)
    if fit.study.required_strength is not None:
        fractions.append(None)
    found += threshold_statements(
        fit,
        fractions=fractions,
        subjects=("mean", "new_lot", "single_specimen"),
        level=level,
        hours=True,
    )
    return Statements(found)
