"""Which product lasts longer, and by how much? Ratios of threshold doses to a control's."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from durability.decisions.bounds import FLAGS, Bound, bound_of
from durability.decisions.pooling import pooled_factors
from durability.statement import Statement, Statements, Subject

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from durability.translation import ThresholdPosterior

COMPARED: tuple[Subject, ...] = ("mean", "new_lot")


def compare(
    fit: ThresholdPosterior,
    control: str | None = None,
    *,
    fractions: Sequence[float | None] | None = None,
    level: float | None = None,
) -> Statements:
    """Threshold dose of each material divided by that of the control, same direction and lamp.

    Parameters
    ----------
    fit : a fit of at least two materials.
    control : the material compared with; None takes the study's.
    fractions : retained fractions, or None among them for the study's required strength; by
        default the study's thresholds, and its required strength if it names one.
    level : probability carried by the two-sided interval; None takes the study's.

    Returns
    -------
    Statements
        ``ratio_of_threshold_doses`` for the median lots and for one new lot of each. Where a
        material never reaches the fraction in some draws, the limits that do not exist are None;
        draws in which neither reaches it count as any ratio and so widen both limits. Where
        the data give only a bound of a threshold dose, the ratio is a bound or is left out.
        Packages are pooled first: see `durability.decisions.pooling`.

    Raises
    ------
    ValueError
        When no control is named or it was not fitted.
    """
    question = fit.study.question
    control = question.control if control is None else control
    level = question.level if level is None else level
    if control is None:
        raise ValueError(f"no control is named; known materials: {', '.join(fit.materials)}")
    if control not in fit.materials:
        raise ValueError(f'control "{control}" is unknown; known: {", ".join(fit.materials)}')
    if fractions is None:
        required = fit.study.required_strength is not None
        fractions = (*fit.study.thresholds, *([None] if required else []))
    factors = pooled_factors(fit, fit.materials)
    against = None if control == question.control else control
    statements: list[Statement] = []
    for material in fit.materials:
        exposure = next((e for e in fit.exposures(material) if e in fit.exposures(control)), None)
        if material == control or exposure is None:
            continue
        for direction in fit.directions(material):
            if direction not in fit.directions(control):
                continue
            for of in COMPARED:
                for fraction in fractions:
                    mine, theirs = (
                        one_package(fit, m, (direction,), exposure, of, fraction, pooled=factors)
                        for m in (material, control)
                    )
                    found = ratio_statement(
                        fit, mine, theirs, direction=direction or None, level=level,
                        against=against, pooled=factors is not None,
                    )  # fmt: skip
                    if found is not None:
                        statements.append(found)
    return Statements(statements)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OnePackage:
    """One side of a ratio: threshold draws (draw,) of a material, and what is known of them."""

    material: str
    exposure: str
    of: Subject
    fraction: float | None
    share: float | None
    tau: NDArray[np.float64]
    bound: Bound | None
    extrapolated: bool


def one_package(
    fit: ThresholdPosterior,
    material: str,
    directions: Sequence[str],
    exposure: str,
    of: Subject,
    fraction: float | None,
    *,
    share: float | None = None,
    pooled: Mapping[str, NDArray[np.float64]] | None = None,
) -> OnePackage:
    """Threshold draws of a material, at the worst of the directions, draw by draw.

    Parameters
    ----------
    fit : the fit.
    material, directions, exposure, of, fraction, share : the subject.
    pooled : factors of `durability.decisions.pooling.pooled_factors`.
    """
    import numpy as np

    tau = np.min(
        [
            fit.threshold_draws(
                fraction, of=of, material=material, direction=d, exposure=exposure,
                **({} if share is None else {"share": share}),
            )
            for d in directions
        ],
        axis=0,
    )  # fmt: skip
    bounds = [
        bound_of(
            fit, fraction, of=of, material=material, direction=d, exposure=exposure, share=share
        )
        for d in directions
    ]
    # the worst of several is bounded above by any of them, and below only where all are
    bound: Bound | None = next((b for b in bounds if b == "upper"), None)
    if bound is None and all(b == "lower" for b in bounds):
        bound = "lower"
    tau = tau if pooled is None else tau * pooled[material]
    return OnePackage(
        material=material,
        exposure=exposure,
        of=of,
        fraction=fraction,
        share=share,
        tau=tau,
        bound=bound,
        extrapolated=float(np.median(tau)) > fit.last_dose(material, exposure),
    )


def ratio_statement(
    fit: ThresholdPosterior,
    mine: OnePackage,
    theirs: OnePackage,
    *,
    direction: str | None,
    level: float,
    against: str | None = None,
    pooled: bool = False,
) -> Statement | None:
    """The ratio of two threshold doses as a statement; None where nothing may be said of it.

    Parameters
    ----------
    fit : the fit.
    mine, theirs : numerator and denominator.
    direction : named where both are of one.
    level : probability carried by the interval.
    against : the denominator, named where it is not the study's control.
    pooled : the draws are of pooled packages.
    """
    import numpy as np

    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = mine.tau / theirs.tau
    undefined = np.isnan(ratio)
    least, most = np.where(undefined, 0.0, ratio), np.where(undefined, np.inf, ratio)
    middle = [float(np.quantile(x, 0.5, method="lower")) for x in (least, most)]
    value = middle[0] if middle[0] == middle[1] and math.isfinite(middle[0]) else None
    bounds = (mine.bound, theirs.bound)
    limits = _limits(least, most, level, *bounds)
    if limits is None:
        return None
    low, high, sides = limits
    extrapolated = mine.extrapolated or theirs.extrapolated
    flags = {
        "extrapolated": extrapolated,
        **{name: True for bound in bounds if bound is not None for name in FLAGS[bound]},
        "ratio_undefined_in_part": bool(undefined.any()),
        "threshold_may_not_exist": bool(np.isinf(mine.tau).any() or np.isinf(theirs.tau).any()),
    }
    leans = {
        "ratio_belongs_to_fraction": True,
        "worse_direction": direction is None and len(fit.directions(mine.material)) > 1,
        "packages_pooled": pooled,
    }
    return Statement(
        quantity="ratio_of_threshold_doses",
        unit="1",
        of=mine.of,
        value=None if any(bounds) else value,
        low=low,
        high=high,
        level=level,
        kind="credible" if mine.of == "mean" else "prediction",
        sides=sides,
        material=mine.material,
        direction=direction,
        exposure=mine.exposure,
        fraction=mine.fraction,
        share=mine.share,
        extrapolated=extrapolated,
        law=fit.law,
        assumptions=tuple(name for name, applies in leans.items() if applies),
        flags=tuple(name for name, applies in flags.items() if applies),
        against=against,
    )


def _limits(
    least: NDArray[np.float64],
    most: NDArray[np.float64],
    level: float,
    mine: Bound | None,
    theirs: Bound | None,
) -> tuple[float | None, float | None, Literal[1, 2]] | None:
    """Both limits, or the lower alone at the whole level where the upper does not exist, or None.

    A lower limit of 0 (a control that never gets there) says nothing and is left out likewise. A
    lower bound of mine, or an upper bound of theirs, supports no upper limit, and so in reverse.
    """
    import numpy as np

    no_high = mine == "lower" or theirs == "upper"
    no_low = mine == "upper" or theirs == "lower"

    tail = (1 - level) / 2
    low = float(np.quantile(least, tail, method="lower"))
    high = float(np.quantile(most, 1 - tail, method="higher"))
    if math.isfinite(high) and low > 0 and not (no_low or no_high):
        return low, high, 2
    low = float(np.quantile(least, 1 - level, method="lower"))
    high = float(np.quantile(most, level, method="higher"))
    if math.isfinite(low) and low > 0 and not no_low:
        return low, None, 1
    if math.isfinite(high) and not no_high:
        return None, high, 1
    return None


__all__ = ["OnePackage", "compare", "one_package", "ratio_statement"]
