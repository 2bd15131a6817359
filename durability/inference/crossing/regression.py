"""At what dose do units cross, and what moves it? Fits bracketed crossings by likelihood.

    import durability
    fit = durability.fit_crossings(low, high, family="weibull")
    fit.quantile(0.5)

Accelerated-failure-time regression with dose in the place of time:
log dose = intercept + covariates · coefficients + scale · w (`families`).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Literal

import numpy as np

from durability.inference.crossing.brackets import INTERCEPT, checked_brackets
from durability.inference.crossing.existence import (
    NoEstimate,
    distribution_free,
    require_estimate,
)
from durability.inference.crossing.families import Family
from durability.inference.crossing.families import family as family_named
from durability.inference.crossing.likelihood import Brackets, derivatives
from durability.inference.crossing.newton import Top, climb
from durability.inference.crossing.result import CrossingFit
from durability.inference.crossing.starting import Start, lifelines_start, own_start

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]

BOLTZMANN = 8.617333262e-5
"""Boltzmann constant [eV/K], exact since 2019 to the digits given (from memory)."""
GAS = 8.314462618e-3
"""Gas constant [kJ/(mol K)], exact since 2019 to the digits given (from memory)."""


def arrhenius(temperature: ArrayLike, *, unit: Literal["kJ/mol", "eV"] = "kJ/mol") -> Floats:
    """The covariate whose coefficient is an activation energy: 1/(R T).

    Parameters
    ----------
    temperature : [degC].
    unit : in which the coefficient, the activation energy, is to come out.

    Examples
    --------
    >>> float(arrhenius(85.0, unit="eV").round(3))
    32.401
    """
    constant = {"kJ/mol": GAS, "eV": BOLTZMANN}[unit]
    return 1.0 / (constant * (np.asarray(temperature, dtype=float) + 273.15))


def power(x: ArrayLike) -> Floats:
    """The covariate whose coefficient is the exponent of x: its logarithm.

    Examples
    --------
    >>> float(power(1.0))
    0.0
    """
    x = np.asarray(x, dtype=float)
    if not (x > 0).all():
        raise ValueError("a power term needs numbers above 0")
    return np.log(x)


def fit_crossings(
    low: ArrayLike,
    high: ArrayLike,
    *,
    family: str = "weibull",
    covariates: Mapping[str, ArrayLike] | None = None,
    weights: ArrayLike | None = None,
    level: float = 0.95,
    start: Literal["lifelines", "own"] = "lifelines",
) -> CrossingFit:
    """Fit bracketed crossing doses by maximum likelihood.

    Parameters
    ----------
    low, high : (unit,) dose at which a unit last held and dose at which it was first found crossed
        [any unit]. ``low`` 0: crossed before the first look; ``high`` inf: not crossed yet; equal:
        the crossing was seen as it happened.
    family : ``weibull``, ``lognormal``, ``loglogistic``, ``exponential`` or
        ``generalised-gamma``.
    covariates : name to (unit,) numbers, each with a coefficient of log dose; `arrhenius` and
        `power` make those of temperature and irradiance. An intercept is always there.
    weights : (unit,) counts; 1 each by default.
    level : of intervals.
    start : ``lifelines``: begin at its answer where it has the family; ``own``: do without it.
        The end is the same.

    Returns
    -------
    CrossingFit

    Raises
    ------
    ValueError : everything that is wrong with the arrays, at once.
    NoEstimate : the units do not determine a fit; it says why and what bound still holds.
    LookupError : an unknown family.

    Examples
    --------
    Hours to failure of 20 units, ten of which ran to 500 hours (NIST/SEMATECH e-Handbook,
    section 8.4.1.3, which prints scale 606.528, shape 1.7208 and log likelihood -75.135):

    >>> failed = [54, 187, 216, 240, 244, 335, 361, 373, 375, 386]
    >>> fit = fit_crossings([*failed, 500], [*failed, np.inf], weights=[1] * 10 + [10])
    >>> {name: round(number, 4) for name, number in fit.natural.items()}
    {'scale': 606.5276, 'shape': 1.7208}
    >>> round(fit.log_likelihood, 3)
    -75.135
    """
    chosen = family_named(family)
    if not 0 < level < 1:
        raise ValueError(f"level is {level}; it must lie between 0 and 1")
    last, first, weight, columns = checked_brackets(low, high, weights, covariates)
    bounds = (last, first)
    names = (INTERCEPT, *columns)
    design = np.column_stack([np.ones(weight.size), *columns.values()])
    data = Brackets.of(*bounds, weight, design)
    try:
        require_estimate(chosen, data, names)
        return _fitted(chosen, data, names, bounds, level, start)
    except NoEstimate as error:
        if covariates:
            raise
        bound = distribution_free(*bounds, weight, level=level)
        raise NoEstimate(error.reason, error.detail, bound) from None


def _fitted(
    family: Family,
    data: Brackets,
    names: tuple[str, ...],
    bounds: tuple[Floats, Floats],
    level: float,
    start: str,
) -> CrossingFit:
    centred, back = data.centred()
    begun = lifelines_start(family, centred) if start == "lifelines" else None
    top = _top(family, centred, begun or own_start(family, centred))
    log_scale = 0.0 if family.fixed_scale else top.at[len(names)]
    if log_scale > 5:  # a spread of 150 in log dose
        raise NoEstimate("no_trend")
    if not top.converged or log_scale < -14:
        raise NoEstimate("did_not_converge")
    full = np.eye(top.at.size)
    k = len(names)
    full[:k, :k] = back
    inside = np.isfinite(data.low) & np.isfinite(data.high) & ~data.point
    w, right = data.weight, np.isfinite(data.low) & ~np.isfinite(data.high) & ~data.point
    return CrossingFit(
        family=family.name,
        names=names,
        theta=full @ top.at,
        covariance=full @ np.linalg.inv(-top.hessian) @ full.T,
        log_likelihood=top.value,
        data=data,
        low=bounds[0],
        high=bounds[1],
        counts={
            "exact": float(w[data.point].sum()),
            "bracketed": float(w[inside].sum()),
            "held": float(w[right].sum()),
            "crossed": float(w[~np.isfinite(data.low)].sum()),
        },
        level=level,
        started_by=begun.by if begun else "own",
        start_log_likelihood=begun.log_likelihood if begun else None,
        steps=top.steps,
    )


def _top(family: Family, data: Brackets, begin: Start) -> Top:
    if not family.has_shape:
        return climb(lambda t: derivatives(family, data, t), begin.at)
    # the likelihood may have several peaks in λ: climb from each of the families within, too
    tried = []
    normal = climb(lambda t: derivatives(_LOGNORMAL, data, t), begin.at[:-1])
    for at in (begin.at, *(np.append(normal.at, shape) for shape in (0.01, 1.0, -1.0))):
        top = climb(lambda t: derivatives(family, data, t), at, reach=1.0)
        tried.append(top)
    return max(tried, key=lambda t: (t.converged, t.value))


_LOGNORMAL = family_named("lognormal")
