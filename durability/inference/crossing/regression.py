"""At what dose do units cross, and what moves it? Fits bracketed crossings by likelihood.

    import durability
    fit = durability.fit_crossings(low, high, family="weibull")
    fit.quantile(0.5)

Accelerated-failure-time regression with dose in the place of time:
log dose = intercept + covariates · coefficients + scale · w (`families`).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from durability.inference.crossing.existence import (
    NoEstimate,
    distribution_free,
    require_estimate,
)
from durability.inference.crossing.families import Family
from durability.inference.crossing.families import family as family_named
from durability.inference.crossing.likelihood import Brackets, derivatives
from durability.inference.crossing.newton import Top, climb
from durability.inference.crossing.result import INTERCEPT, CrossingFit
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
    names, design, bounds, weight = _checked(low, high, covariates, weights, level)
    data = Brackets.of(bounds[0], bounds[1], weight, design)
    try:
        require_estimate(chosen, data, names)
        return _fitted(chosen, data, names, bounds, level, start)
    except NoEstimate as error:
        if covariates:
            raise
        detail = str(error).removeprefix(_reason(error)).strip()
        bound = distribution_free(*bounds, weight, level=level)
        raise NoEstimate(error.reason, detail, bound) from None


def _reason(error: NoEstimate) -> str:
    from durability.inference.crossing.existence import REASONS

    return REASONS[error.reason]


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
    if not top.converged or (not family.fixed_scale and abs(top.at[len(names)]) > 14):
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


def _checked(
    low: ArrayLike,
    high: ArrayLike,
    covariates: Mapping[str, ArrayLike] | None,
    weights: ArrayLike | None,
    level: float,
) -> tuple[tuple[str, ...], Floats, tuple[Floats, Floats], Floats]:
    faults: list[str] = []
    a, b = (np.atleast_1d(np.asarray(x, dtype=float)) for x in (low, high))
    if a.ndim != 1 or a.shape != b.shape:
        raise ValueError(f"low has shape {a.shape} and high {b.shape}; expected one length")
    if a.size == 0:
        raise ValueError("there are no units; expected at least one bracket")
    w = np.ones(a.size) if weights is None else np.asarray(weights, dtype=float)
    columns = {n: np.asarray(x, dtype=float) for n, x in (covariates or {}).items()}

    def tell(bad: Any, what: str, expected: str) -> None:
        at = np.flatnonzero(bad)
        if at.size:
            where = ", ".join(str(i) for i in at[:5]) + (" and more" if at.size > 5 else "")
            faults.append(f"{what} at unit {where}; expected {expected}")

    tell(np.isnan(a) | np.isnan(b), "a dose that is not a number", "numbers, inf where not crossed")
    tell((a < 0) | (b < 0), "a dose below 0", "doses of 0 or more")
    tell(a > b, "low above high", "the last dose that held first")
    tell((b == 0) | np.isinf(a), "a crossing at dose 0 or inf", "high above 0 and a finite low")
    tell((a == 0) & np.isposinf(b), "a bracket from 0 to inf, which says nothing", "it left out")
    for name, x in {"weights": w, **columns}.items():
        if x.shape != a.shape:
            faults.append(f"{name} has shape {x.shape}; expected {a.shape}")
        else:
            tell(~np.isfinite(x), f"{name} that is not a number", "finite numbers")
    if w.shape == a.shape:
        tell(w <= 0, "weights of 0 or less", "counts above 0")
    if INTERCEPT in columns:
        faults.append(f'a covariate named "{INTERCEPT}"; expected another name: it is always there')
    if not 0 < level < 1:
        faults.append(f"level {level}; expected a number between 0 and 1")
    if faults:
        raise ValueError("; ".join(faults))
    design = np.column_stack([np.ones(a.size), *columns.values()])
    return (INTERCEPT, *columns), design, (a, b), w
