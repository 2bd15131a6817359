"""How do strips scatter about the law? Log-likelihoods with exact gradients.

====================  ===========================================================================
``lognormal``         constant share of the strength: normal on the log
``normal``            constant amount
``power``             spread ``sigma * mean**power`` with the power estimated
``student``           as normal, with long tails (Student's t on `STUDENT_FREEDOM` degrees)
====================  ===========================================================================

Strips of one dose and group are reduced to count, mean and sum of squares where the errors are
normal. Where nothing is censored and the spread is one number it is taken out: the objective is
``N/2 log(sum of squares)``. Otherwise theta ends with ``log sigma`` (and the power).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal, get_args

import numpy as np

from durability.inference.likelihood.mean import Mean

Errors = Literal["lognormal", "normal", "power", "student"]
ERRORS: tuple[str, ...] = get_args(Errors)
STUDENT_FREEDOM = 4.0
"""Degrees of freedom of Student errors. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rows:
    """What was measured, on the scale of the errors (logs for lognormal).

    Parameters
    ----------
    mean : (n_row,) or (n_series, n_row): mean of the strips of the row; the limit if censored.
    count : strips in the row; squares : sum of squares about their mean.
    freedom : degrees of freedom that the row brings (1 for a summary without its spread).
    weight : of each strip: its variance is sigma² / weight.
    censored : int: 0 measured, -1 below the limit, +1 at least the limit.
    """

    mean: np.ndarray
    count: np.ndarray
    squares: np.ndarray
    freedom: np.ndarray
    weight: np.ndarray
    censored: np.ndarray

    @property
    def n(self) -> float:
        """Strips that carry information, censored ones included."""
        return float(self.freedom.sum(axis=-1).max())

    def take(self, rows: np.ndarray) -> Rows:
        """Some of the rows (along the last axis)."""
        return Rows(
            mean=self.mean[..., rows],
            count=self.count[..., rows],
            squares=self.squares[..., rows],
            freedom=self.freedom[..., rows],
            weight=self.weight[..., rows],
            censored=self.censored[..., rows],
        )

    def uncensored(self) -> Rows:
        """Limits taken for values at a third of their weight: to begin a search with."""
        cut = self.censored != 0
        return replace(
            self,
            censored=np.zeros_like(self.censored),
            count=np.where(cut, 0.3 * self.count, self.count),
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Likelihood:
    """Minus log-likelihood of theta; what `minimise` is given.

    Parameters
    ----------
    mean : the curve over the rows.
    rows : the data.
    errors : family.
    constant : log-density of the transformation (minus the sum of logs for lognormal), so that
        log-likelihoods of all families are of the strengths themselves.
    """

    mean: Mean
    rows: Rows
    errors: Errors
    constant: float = 0.0

    @property
    def simple(self) -> bool:
        """True where the spread is taken out in closed form."""
        return self.errors in ("lognormal", "normal") and not self.rows.censored.any()

    @property
    def extra(self) -> tuple[str, ...]:
        """Names of the entries that theta has beyond the curve's."""
        if self.simple:
            return ()
        return ("sigma", "power") if self.errors == "power" else ("sigma",)

    @property
    def names(self) -> tuple[str, ...]:
        return (*self.mean.names, *self.extra)

    @property
    def lower(self) -> np.ndarray:
        return np.concatenate([self.mean.lower, [-np.inf, -5.0][: len(self.extra)]])

    @property
    def upper(self) -> np.ndarray:
        return np.concatenate([self.mean.upper, [np.inf, 5.0][: len(self.extra)]])

    @property
    def free(self) -> np.ndarray:
        """(p,) bool: entries that are estimated."""
        return self.lower < self.upper

    def natural(self, theta: np.ndarray) -> np.ndarray:
        """Theta as people read it (last axis)."""
        width = self.mean.size
        found = np.array(theta, dtype=float)
        found[..., :width] = self.mean.natural(found[..., :width])
        if self.extra:
            found[..., width] = np.exp(found[..., width])
        return found

    @property
    def is_log(self) -> np.ndarray:
        return np.concatenate([self.mean.is_log, [True, False][: len(self.extra)]])

    def __call__(
        self, theta: np.ndarray, index: np.ndarray | None = None
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Value (B,), exact gradient (B, p), positive Hessian (B, p, p)."""
        return self._simple(theta, index) if self.simple else self._general(theta)

    def squares(self, theta: np.ndarray) -> np.ndarray:
        """Weighted residual sum of squares (B,), spread within rows included."""
        expected = self.mean.evaluate(theta[:, : self.mean.size])
        r, w = self.rows, self.rows.count * self.rows.weight
        return (w * (r.mean - expected) ** 2).sum(-1) + (r.weight * r.squares).sum(-1)

    def _simple(
        self, theta: np.ndarray, index: np.ndarray | None
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        r, mean, n = self.rows, self.mean, self.rows.n
        observed, count, within = r.mean, r.count, (r.weight * r.squares).sum(-1)
        if observed.ndim == 2 and index is not None:
            mean, observed, within = mean.series(index), observed[index], within[index]
            count = count[index] if count.ndim == 2 else count
        expected, jacobian = mean.slopes(theta)
        w = count * r.weight
        residual = observed - expected
        weighted = w * residual
        total = np.einsum("bi,bi->b", weighted, residual) + within
        total = np.maximum(total, 1e-280)
        share = n / total
        gradient = np.einsum("bip,bi->bp", jacobian, weighted * -share[:, None])
        jacobian *= np.sqrt(w * share[:, None])[..., None]
        hessian = np.matmul(jacobian.transpose(0, 2, 1), jacobian)
        return 0.5 * n * np.log(total), gradient, hessian

    def _general(self, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        width, r = self.mean.size, self.rows
        mu, jacobian = self.mean.slopes(theta[:, :width])
        log_sd = theta[:, width : width + 1] - 0.5 * np.log(r.weight)
        by_spread = np.zeros((*mu.shape, theta.shape[1]))  # derivative of log sd by theta
        by_spread[..., width] = 1.0
        if self.errors == "power":
            power = theta[:, width + 1 : width + 2]
            size = np.log(np.maximum(np.abs(mu), 1e-300))
            log_sd = log_sd + power * size
            by_spread[..., width + 1] = size
            with np.errstate(all="ignore"):
                by_spread[..., :width] = (power / mu)[..., None] * jacobian
        value, d_mu, d_sd, a, c = self._rows(mu, log_sd)
        by_mean = np.zeros_like(by_spread)
        by_mean[..., :width] = jacobian
        gradient = np.einsum("bi,bip->bp", d_mu, by_mean) + np.einsum("bi,bip->bp", d_sd, by_spread)
        hessian = np.einsum("bi,bip,biq->bpq", a, by_mean, by_mean)
        hessian += np.einsum("bi,bip,biq->bpq", c, by_spread, by_spread)
        return -value.sum(-1), -gradient, hessian

    def _rows(self, mu: np.ndarray, log_sd: np.ndarray) -> tuple[np.ndarray, ...]:
        """Log-likelihood of each row, its slopes by mean and log sd, and information terms."""
        r = self.rows
        with np.errstate(all="ignore"):
            sd = np.exp(log_sd)
            z = (r.mean - mu) / sd
            n = r.count
            if self.errors == "student":
                v = STUDENT_FREEDOM
                weight = (v + 1) / (v + z**2)
                value = n * (_student_constant(v) - log_sd - (v + 1) / 2 * np.log1p(z**2 / v))
                d_mu, d_sd = n * weight * z / sd, n * (weight * z**2 - 1)
                a, c = n * (v + 1) / (v + 3) / sd**2, np.broadcast_to(n * 2 * v / (v + 3), mu.shape)
            else:
                within = r.squares / sd**2
                value = -r.freedom * (log_sd + 0.5 * np.log(2 * np.pi)) - 0.5 * (within + n * z**2)
                d_mu, d_sd = n * z / sd, within + n * z**2 - r.freedom
                a, c = n / sd**2, np.broadcast_to(2 * r.freedom, mu.shape)
            cut = r.censored != 0
            if cut.any():
                sign = np.where(r.censored == 0, -1, r.censored)
                y = -sign * z  # the strip lies where a standard variable is below y
                log_f, log_p, bend = _tail(y, self.errors)
                h = np.exp(log_f - log_p)
                dh = h * (bend - h)
                value = np.where(cut, n * log_p, value)
                d_mu = np.where(cut, n * h * sign / sd, d_mu)
                d_sd = np.where(cut, -n * h * y, d_sd)
                a = np.where(cut, -n * dh / sd**2, a)
                c = np.where(cut, np.maximum(-n * (dh * y**2 + h * y), 0.0), c)
        return value, d_mu, d_sd, a, c


def _tail(y: np.ndarray, errors: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Log density, log probability below, and slope of the log density of a standard variable."""
    if errors == "student":
        from scipy.stats import t

        v = STUDENT_FREEDOM
        return t.logpdf(y, v), t.logcdf(y, v), -(v + 1) * y / (v + y**2)
    from scipy.special import log_ndtr

    return -0.5 * y**2 - 0.5 * np.log(2 * np.pi), log_ndtr(y), -y


def _student_constant(v: float) -> float:
    from math import lgamma, log, pi

    return lgamma((v + 1) / 2) - lgamma(v / 2) - 0.5 * log(v * pi)
