"""How much do lots differ, and what of a lot not yet made? REML on the lots' own thresholds.

Each lot has its own log threshold dose (common shape, own scale) with the covariance of the fit:

    estimates = mean + lot effect + error of estimation,  lot effect ~ normal(0, spread²)

The spread is found by restricted maximum likelihood given that covariance, and the mean by
generalised least squares. Limits use Student's t on lots - 1 degrees of freedom with the scale of
Hartung and Knapp (from memory); where lots are known far better than they differ, the interval of
a new lot is then the classical prediction interval exactly.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from durability.inference.likelihood.result import CurveFit


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RandomLots:
    """Lots as a sample of those that could be made.

    Parameters
    ----------
    lots : names; log_thresholds (n,) and covariance (n, n) of their estimates.
    mean, mean_error : of the log threshold of the median lot.
    spread : standard deviation between lots (of the log); 0 at the boundary.
    """

    lots: tuple[str, ...]
    log_thresholds: np.ndarray
    covariance: np.ndarray
    mean: float
    mean_error: float
    spread: float

    @property
    def freedom(self) -> int:
        """Lots - 1."""
        return len(self.lots) - 1

    def mean_limits(self, level: float = 0.95, sides: int = 2) -> tuple[float, float]:
        """Limits of the threshold dose of the median lot."""
        return self._limits(self.mean_error, level, sides)

    def new_lot_limits(self, level: float = 0.95, sides: int = 2) -> tuple[float, float]:
        """Limits of the threshold dose of one lot not yet made."""
        return self._limits(math.hypot(self.mean_error, self.spread), level, sides)

    def _limits(self, error: float, level: float, sides: int) -> tuple[float, float]:
        from scipy.special import stdtrit

        t = float(stdtrit(self.freedom, 0.5 + level / 2 if sides == 2 else level))
        return math.exp(self.mean - t * error), math.exp(self.mean + t * error)

    def __repr__(self) -> str:
        return (
            f"RandomLots: {len(self.lots)} lots, median {math.exp(self.mean):.5g},"
            f" spread between lots {100 * math.expm1(self.spread):.3g} %"
        )


def reml_spread(values: np.ndarray, covariance: np.ndarray) -> tuple[float, float, float]:
    """(mean, error of the mean, spread) of estimates with known covariance, by REML.

    Parameters
    ----------
    values : (n,) estimates; covariance : (n, n) of their errors.

    Examples
    --------
    >>> mean, error, spread = reml_spread(np.array([1.0, 2.0, 3.0]), np.zeros((3, 3)))
    >>> mean, round(error, 6), round(spread, 6)
    (2.0, 0.57735, 1.0)
    """
    from scipy.optimize import minimize_scalar

    n = values.size
    one = np.ones(n)

    def parts(spread: float) -> tuple[float, float, float]:
        whole = covariance + (spread**2 + 1e-18) * np.eye(n)
        factor = np.linalg.cholesky(whole)
        a, b = np.linalg.solve(factor, one), np.linalg.solve(factor, values)
        weight = float(a @ a)
        mean = float(a @ b) / weight
        gap = b - mean * a
        criterion = 2 * np.log(np.diag(factor)).sum() + math.log(weight) + float(gap @ gap)
        return criterion, mean, weight

    top = max(float(np.std(values, ddof=1)) * 3, 1e-9)
    found: Any = minimize_scalar(
        lambda s: parts(s)[0], bounds=(0.0, top), method="bounded", options={"xatol": 1e-10 * top}
    )
    spread = float(found.x)
    if parts(0.0)[0] <= parts(spread)[0] + 1e-12:
        spread = 0.0
    _, mean, weight = parts(spread)
    whole = covariance + (spread**2 + 1e-18) * np.eye(n)
    gap = values - mean
    scale = float(gap @ np.linalg.solve(whole, gap)) / (n - 1)
    return mean, math.sqrt(max(scale, 1.0) / weight), spread


def random_lots(fit: CurveFit, fraction: float, groups: list[str]) -> RandomLots | None:
    """Lots of a fit with own scales as a random sample; None where one has no threshold.

    Parameters
    ----------
    fit : with ``scale`` separate for each of `groups`.
    fraction : of the threshold dose.
    groups : labels of the lots in the fit.
    """
    from durability.inference.likelihood.quantity import threshold

    made = [threshold(fit, fraction, g) for g in groups]
    centres = [m.centre for m in made]
    if len(groups) < 2 or any(c is None for c in centres):
        return None
    at = np.array([m.solve_for for m in made])  # the scale of each lot
    likelihood = fit.likelihood
    rests = (fit.theta[at] <= likelihood.lower[at]) | (fit.theta[at] >= likelihood.upper[at])
    if rests.any():  # a lot without a loss to be seen has no estimate to join
        return None
    values = np.array(centres, dtype=float)
    slopes = np.array([m.slope for m in made])
    covariance = slopes @ fit.covariance @ slopes.T
    if not np.isfinite(covariance).all():
        return None
    mean, error, spread = reml_spread(values, 0.5 * (covariance + covariance.T))
    return RandomLots(
        lots=tuple(groups),
        log_thresholds=values,
        covariance=covariance,
        mean=mean,
        mean_error=error,
        spread=spread,
    )
