"""Where does the fit begin? At lifelines' answer where it has the family, else at our own guess.

lifelines stops when its mean log likelihood changes by less than about 1e-10 (Weibull) to 1e-6
(log-logistic), and cuts probabilities at 1e-25, so that its answer holds 3 to 6 digits; `climb`
carries it on with the exact likelihood. lifelines has no exponential regression for brackets. It
has a generalised gamma, but takes seconds for it, and its regression is marked experimental there.
Those begin at our own guess; tests hold the generalised gamma to lifelines.
"""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from durability.inference.crossing.families import Family
from durability.inference.crossing.likelihood import Brackets

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

UNIVARIATE = {
    "weibull": "WeibullFitter",
    "lognormal": "LogNormalFitter",
    "loglogistic": "LogLogisticFitter",
    "exponential": "ExponentialFitter",
}
REGRESSION = {
    "weibull": "WeibullAFTFitter",
    "lognormal": "LogNormalAFTFitter",
    "loglogistic": "LogLogisticAFTFitter",
}


class Start(NamedTuple):
    """A place to begin, who gave it, and lifelines' log likelihood on the scale of dose."""

    at: Floats
    by: str
    log_likelihood: float | None


def own_start(family: Family, data: Brackets) -> Start:
    """Least squares on the middle of each bracket, with a guess beyond open ends."""
    has_low, has_high = np.isfinite(data.low), np.isfinite(data.high)
    ends = np.concatenate([data.low[has_low], data.high[has_high]])
    spread = max(float(np.std(ends)), 0.1)
    low = np.where(has_low, data.low, np.where(has_high, data.high, 0.0) - spread)
    high = np.where(has_high, data.high, low + spread)
    middle = np.where(data.point, low, (low + high) / 2)
    root = np.sqrt(data.weight)
    beta, *_ = np.linalg.lstsq(data.design * root[:, None], middle * root, rcond=None)
    rest = middle - data.design @ beta
    scale = max(float(np.sqrt(np.average(rest**2, weights=data.weight))), 0.1 * spread)
    return Start(_theta(family, beta, scale, 0.5), "own", None)


def _theta(family: Family, beta: Floats, scale: float, shape: float) -> Floats:
    extra = ([] if family.fixed_scale else [np.log(scale)]) + ([shape] if family.has_shape else [])
    return np.concatenate([beta, extra])


def lifelines_start(family: Family, data: Brackets) -> Start | None:
    """lifelines' own fit, in our parameters; None where it has none or does not converge.

    Doses are divided by their geometric mean first, and covariates must be centred by the caller:
    lifelines' optimisers want numbers near 1.
    """
    plain = data.design.shape[1] == 1
    name = (UNIVARIATE if plain else REGRESSION).get(family.name)
    if name is None:
        return None
    import lifelines
    from lifelines.exceptions import ConvergenceError

    ends = np.concatenate([data.low[np.isfinite(data.low)], data.high[np.isfinite(data.high)]])
    centre = float(np.mean(ends))
    with np.errstate(over="ignore"):
        low = np.exp(data.low - centre)
        high = np.where(data.point, low, np.exp(data.high - centre))
    fitter: Any = getattr(lifelines, name)()
    with warnings.catch_warnings(), np.errstate(all="ignore"):
        warnings.simplefilter("ignore")
        try:
            if plain:
                fitter.fit_interval_censoring(low, high, weights=data.weight)
                theta = _from_univariate(family, fitter)
            else:
                theta = _from_regression(family, fitter, data, low, high)
        # it raises errors of many kinds where its optimiser strays
        except (ValueError, ArithmeticError, RuntimeError, TypeError, KeyError,
                np.linalg.LinAlgError, ConvergenceError):  # fmt: skip
            return None
    if not np.isfinite(theta).all():
        return None
    theta[0] += centre
    points = float(data.weight[data.point].sum())
    return Start(theta, "lifelines", float(fitter.log_likelihood_) - centre * points)


def _from_univariate(family: Family, f: Any) -> Floats:
    match family.name:
        case "weibull":
            return np.array([np.log(f.lambda_), -np.log(f.rho_)])
        case "lognormal":
            return np.array([f.mu_, np.log(f.sigma_)])
        case "loglogistic":
            return np.array([np.log(f.alpha_), -np.log(f.beta_)])
        case _:
            return np.array([np.log(f.lambda_)])


def _from_regression(
    family: Family, fitter: Any, data: Brackets, low: Floats, high: Floats
) -> Floats:
    import pandas

    columns = [f"x{i}" for i in range(1, data.design.shape[1])]
    table = pandas.DataFrame(data.design[:, 1:], columns=pandas.Index(columns))
    table["low"], table["high"], table["count"] = np.maximum(low, 1e-12), high, data.weight
    fitter.fit_interval_censoring(table, "low", "high", weights_col="count")
    main, other = fitter._primary_parameter_name, fitter._ancillary_parameter_name
    beta = [fitter.params_[(main, name)] for name in ("Intercept", *columns)]
    ancillary = float(fitter.params_[(other, "Intercept")])
    log_scale = ancillary if family.name == "lognormal" else -ancillary
    return np.array([*beta, log_scale], dtype=float)
