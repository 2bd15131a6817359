"""Is the law right, and does one strip decide? Lack of fit, residuals, comparison, prediction."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from durability.inference.likelihood.mean import Mean
from durability.inference.likelihood.minimise import minimise

if TYPE_CHECKING:
    from durability.inference.likelihood.result import CurveFit


@dataclass(frozen=True, slots=True, kw_only=True)
class LackOfFit:
    """Sum of squares of group means about the law, against the scatter of strips within groups.

    ``f`` on ``freedom`` = (groups - parameters, strips - groups); p is None where there are no
    replicates, or no more groups than parameters (``note`` says which).
    """

    f: float | None
    freedom: tuple[int, int]
    p: float | None
    pure_error: float
    note: str = ""

    def __repr__(self) -> str:
        if self.f is None or self.p is None:
            return f"lack of fit: cannot be judged ({self.note})"
        return (
            f"lack of fit: F = {self.f:.4g} on {self.freedom[0]} and {self.freedom[1]}, p ="
            f" {self.p:.3g}"
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Residuals:
    """Of every row.

    Parameters
    ----------
    standardised : (observed - expected) over its standard deviation, leverage allowed for.
    leverage : share of the row's own mean in its fitted value; they sum to the parameters.
    influence : Cook's distance.
    strips : standardised residual of every strip about the curve (empty for summaries).
    normality : p of the Shapiro-Wilk test of ``strips``, nan below 4 strips.
    trend : p of the test that the spread of strips changes with their level (Spearman's rank
        correlation of absolute residual and expected value), nan below 4.
    """

    standardised: np.ndarray
    leverage: np.ndarray
    influence: np.ndarray
    strips: np.ndarray
    normality: float
    trend: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Two nested fits: does the larger one earn its parameters?

    ``chi2`` on ``freedom`` with its p, and for normal errors without censoring the exact ``f``
    with ``f_p`` (None otherwise).
    """

    chi2: float
    freedom: int
    p: float
    f: float | None
    f_freedom: tuple[int, float] | None
    f_p: float | None

    def __repr__(self) -> str:
        text = f"likelihood ratio: chi-square {self.chi2:.4g} on {self.freedom}, p = {self.p:.3g}"
        if self.f is not None and self.f_freedom is not None and self.f_p is not None:
            text += (
                f"; F = {self.f:.4g} on {self.f_freedom[0]} and {self.f_freedom[1]:g},"
                f" p = {self.f_p:.3g}"
            )
        return text


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CrossValidation:
    """Each dose predicted from the others.

    Parameters
    ----------
    score : mean log-density of the left-out means a dose (larger is better).
    root_mean_square : of the prediction error of left-out means (of logs for lognormal errors).
    place : index of the row that each prediction is of; predicted : value there.
    failed : doses without which the law could not be fitted.
    """

    score: float
    root_mean_square: float
    place: np.ndarray
    predicted: np.ndarray
    failed: int


def lack_of_fit(fit: CurveFit) -> LackOfFit:
    """The classical F test; see `LackOfFit`. Censored strips take no part."""
    rows, place = fit.data.rows, fit.data.place
    use = rows.censored == 0
    codes = np.unique(place[use], return_inverse=True)[1]
    w = (rows.count * rows.weight)[use]
    total = np.bincount(codes, w)
    middle = np.bincount(codes, w * rows.mean[use]) / total
    pure = float(
        (rows.weight * rows.squares)[use].sum() + (w * (rows.mean[use] - middle[codes]) ** 2).sum()
    )
    expected = fit.likelihood.mean.evaluate(fit.theta[None, : fit.likelihood.mean.size])[0][use]
    whole = float(
        (rows.weight * rows.squares)[use].sum() + (w * (rows.mean[use] - expected) ** 2).sum()
    )
    groups, n = len(total), float(rows.freedom[use].sum())
    first, second = groups - fit.parameters, int(n - groups)
    if second <= 0 or pure <= 0:
        return LackOfFit(
            f=None,
            freedom=(first, second),
            p=None,
            pure_error=0.0,
            note="no replicates: nothing to judge by",
        )
    spread = math.sqrt(pure / second)
    if first <= 0:
        return LackOfFit(
            f=None,
            freedom=(first, second),
            p=None,
            pure_error=spread,
            note="as many parameters as doses",
        )
    if fit.likelihood.errors == "power":  # strips weighted by the fitted spread
        power = fit.theta[-1]
        mu = np.abs(expected) ** (2 * power)
        pure = float((rows.squares[use] / mu).sum())
        whole = pure + float((rows.count[use] * (rows.mean[use] - expected) ** 2 / mu).sum())
    from scipy.special import fdtrc

    f = max(whole - pure, 0.0) / first / (pure / second)
    return LackOfFit(
        f=float(f), freedom=(first, second), p=float(fdtrc(first, second, f)), pure_error=spread
    )


def residuals(fit: CurveFit) -> Residuals:
    """Standardised residuals, leverage and influence; see `Residuals`."""
    rows, mean, theta = fit.data.rows, fit.likelihood.mean, fit.theta
    expected, jacobian = mean.slopes(theta[None, : mean.size])
    mu = expected[0]
    variance = fit.sigma**2 / rows.weight
    if fit.likelihood.errors == "power":
        variance = variance * np.abs(mu) ** (2 * theta[-1])
    free = fit.likelihood.free[: mean.size]
    tall = jacobian[0][:, free] * np.sqrt(rows.count / variance)[:, None]
    tall = np.where((rows.censored == 0)[:, None], tall, 0.0)
    basis, values, _ = np.linalg.svd(tall, full_matrices=False)
    keep = values > 1e-10 * max(values[0], 1e-300)
    leverage = (basis[:, keep] ** 2).sum(1)
    with np.errstate(all="ignore"):
        z = (rows.mean - mu) * np.sqrt(rows.count / variance)
        standardised = z / np.sqrt(np.maximum(1 - leverage, 1e-12))
        influence = standardised**2 * leverage / np.maximum(1 - leverage, 1e-12) / fit.parameters
    cut = rows.censored != 0
    standardised, influence = np.where(cut, np.nan, standardised), np.where(cut, np.nan, influence)
    row = fit.data.strip_row
    with np.errstate(all="ignore"):
        strips = (fit.data.strip_value - mu[row]) / np.sqrt(variance[row])
    normality = trend = math.nan
    if strips.size > 3 and np.isfinite(strips).all() and np.ptp(strips) > 0:
        from scipy.stats import shapiro, spearmanr

        normality = float(shapiro(strips[:5000]).pvalue)
        if np.ptp(mu[row]) > 0:
            trend = float(spearmanr(np.abs(strips), mu[row]).pvalue)  # type: ignore[union-attr]
    return Residuals(
        standardised=standardised,
        leverage=leverage,
        influence=influence,
        strips=strips,
        normality=normality,
        trend=trend,
    )


def likelihood_ratio(small: CurveFit, large: CurveFit) -> Comparison:
    """Compare a fit with a larger one that contains it (shared against separate parameters).

    Parameters
    ----------
    small, large : of the same strips, with the same errors; `large` has more parameters.

    Examples
    --------
    >>> from durability.inference.likelihood import fit_curve
    >>> dose, y = np.tile([0.0, 100, 200, 400], 4), np.tile([20.0, 15, 11, 6], 4)
    >>> y = y * np.repeat([0.97, 1.03, 0.98, 1.02], 4)
    >>> small = fit_curve("exponential", dose, y)
    >>> large = fit_curve("stretched-exponential", dose, y)
    >>> likelihood_ratio(small, large).freedom
    1
    """
    freedom = large.counted - small.counted
    if freedom <= 0:
        raise ValueError("the second fit must have more parameters than the first")
    if small.n != large.n or small.likelihood.errors != large.likelihood.errors:
        raise ValueError("both fits must be of the same strips, with the same errors")
    from scipy.special import chdtrc, fdtrc

    chi2 = max(2 * (large.log_likelihood - small.log_likelihood), 0.0)
    f = f_p = f_freedom = None
    if small.likelihood.simple and large.likelihood.simple and large.residual_freedom > 0:
        gain = max(small.residual_squares - large.residual_squares, 0.0) / freedom
        f = gain / (large.residual_squares / large.residual_freedom)
        f_freedom = (freedom, large.residual_freedom)
        f_p = float(fdtrc(freedom, large.residual_freedom, f))
    return Comparison(
        chi2=chi2,
        freedom=freedom,
        p=float(chdtrc(freedom, chi2)),
        f=f,
        f_freedom=f_freedom,
        f_p=f_p,
    )


@np.errstate(all="ignore")
def cross_validation(fit: CurveFit) -> CrossValidation:
    """Leave out all strips of a dose (and group) in turn, refit from the whole fit's answer."""
    rows, place, likelihood = fit.data.rows, fit.data.place, fit.likelihood
    spots: Sequence[int] = np.unique(place[rows.censored == 0]).tolist()
    density, errors, predicted, where = [], [], [], []
    failed = 0
    for spot in spots:
        out = (place == spot) & (rows.censored == 0)
        rest = np.flatnonzero(place != spot)
        smaller = replace(likelihood, mean=_part(likelihood.mean, rest), rows=rows.take(rest))
        columns = [b.columns for b in smaller.mean.blocks if b.columns is not None]
        if any(((c != 0).sum(0) == 0).any() for c in columns) or (
            len(np.unique(place[rest])) < fit.parameters
        ):
            failed += 1
            continue
        start = fit.theta[None, :]
        found = minimise(smaller, start, lower=smaller.lower, upper=smaller.upper, most=100)
        if not np.isfinite(found.value[0]):
            failed += 1
            continue
        theta = found.theta
        mu = likelihood.mean.evaluate(theta[:, : likelihood.mean.size])[0][out]
        if smaller.simple:
            spread = math.sqrt(float(smaller.squares(theta)[0]) / max(smaller.rows.n, 1))
        else:
            spread = math.exp(float(theta[0, likelihood.mean.size]))
        sd = spread / np.sqrt(rows.weight[out])
        if likelihood.errors == "power":
            sd = sd * np.abs(mu) ** theta[0, -1]
        gap = rows.mean[out] - mu
        n = rows.freedom[out]
        inner = rows.squares[out] + rows.count[out] * gap**2
        density.append(
            float((-n * np.log(sd * math.sqrt(2 * math.pi)) - inner / (2 * sd**2)).sum() / n.sum())
        )
        errors.append(float(np.average(gap**2, weights=rows.count[out])))
        predicted += mu.tolist()
        where += np.flatnonzero(out).tolist()
    return CrossValidation(
        score=float(np.mean(density)) if density else math.nan,
        root_mean_square=math.sqrt(float(np.mean(errors))) if errors else math.nan,
        place=np.array(where, dtype=int),
        predicted=np.array(predicted),
        failed=failed,
    )


def _part(mean: Mean, rows: np.ndarray) -> Mean:
    return mean.at({k: v[rows] for k, v in mean.x.items()}, rows)
