"""What would other strips have said? Parametric and case bootstrap, all refits at once."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from durability.inference.likelihood.errors import STUDENT_FREEDOM, Rows
from durability.inference.likelihood.minimise import minimise

if TYPE_CHECKING:
    from durability.inference.likelihood.result import CurveFit

CHUNK = 20_000
"""Refits made together; sets the peak of memory, not the answer."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bootstrap:
    """Refits of simulated or resampled strips.

    Parameters
    ----------
    fit : the fit that was repeated.
    theta : (draws, p); kind : ``parametric`` or ``case``.
    converged : share of refits that settled.
    """

    fit: CurveFit
    theta: np.ndarray
    kind: str
    converged: float

    def parameter(self, name: str) -> np.ndarray:
        """(draws,) values of a parameter."""
        names = self.fit.likelihood.names
        return self.fit.likelihood.natural(self.theta)[:, names.index(name)]

    def threshold_dose(self, fraction: float = 0.5, *, group: str | None = None) -> np.ndarray:
        """(draws,) threshold doses; inf where a refit never reaches it."""
        from durability.inference.likelihood.quantity import threshold

        with np.errstate(all="ignore"):
            gap, _ = threshold(self.fit, fraction, group).condition(
                self.theta, np.zeros(len(self.theta))
            )
            return np.where(np.isfinite(gap), np.exp(gap), np.inf)

    def interval(self, draws: np.ndarray, *, level: float = 0.95) -> tuple[float, float | None]:
        """Percentile interval of draws; the upper limit is None where it is not finite."""
        tails = [0.5 - level / 2, 0.5 + level / 2]
        low, high = np.quantile(draws, tails, method="inverted_cdf")
        return float(low), float(high) if np.isfinite(high) else None

    def __repr__(self) -> str:
        return (
            f"Bootstrap: {len(self.theta)} {self.kind} refits, {100 * self.converged:.4g} % settled"
        )


@np.errstate(all="ignore")
def bootstrap(
    fit: CurveFit, *, draws: int, kind: Literal["parametric", "case"], seed: int
) -> Bootstrap:
    """Refit many data sets.

    Parameters
    ----------
    fit : the fit to repeat.
    draws : data sets.
    kind : ``parametric`` draws strips from the fitted law and scatter; ``case`` draws the strips
        of each dose and group anew, with replacement.
    seed : same seed, same draws.

    Notes
    -----
    For normal and lognormal errors the means and sums of squares are drawn, not the strips: the
    mean is normal, the sum of squares chi-square, exactly.
    """
    if draws < 1:
        raise ValueError(f"draws is {draws}; it must be 1 or more")
    if kind not in ("parametric", "case"):
        raise ValueError(f'kind "{kind}" is unknown; known: parametric, case')
    if kind == "case" and fit.data.strip_row.size < fit.n:
        raise ValueError(
            "a case bootstrap needs strips; these data have summaries or censored ones"
        )
    rng = np.random.default_rng(seed)
    likelihood, size = fit.likelihood, fit.likelihood.mean.size
    simple = likelihood.simple
    many = CHUNK if simple else 500
    parts, settled = [], 0
    for first in range(0, draws, many):
        count = min(many, draws - first)
        start = np.repeat(fit.theta[None, :], count, axis=0)
        if simple:
            rows = _drawn_rows(fit, count, kind, rng)
            again = replace(likelihood, rows=rows)
            found = minimise(
                again,
                start,
                lower=likelihood.lower,
                upper=likelihood.upper,
                most=60,
                tolerance=1e-4,
                damping=1e-6,
            )
            parts.append(found.theta)
            settled += int(found.converged.sum())
            continue
        for theta in start:
            again = replace(likelihood, rows=_one_sample(fit, kind, rng))
            found = minimise(
                again,
                theta[None, :],
                lower=likelihood.lower,
                upper=likelihood.upper,
                most=60,
                tolerance=1e-4,
            )
            parts.append(found.theta)
            settled += int(found.converged[0])
    theta = np.concatenate(parts)
    assert theta.shape[1] == size + len(likelihood.extra)
    return Bootstrap(fit=fit, theta=theta, kind=kind, converged=settled / draws)


def _drawn_rows(fit: CurveFit, count: int, kind: str, rng: np.random.Generator) -> Rows:
    rows, mean = fit.data.rows, fit.likelihood.mean
    if kind == "parametric":
        mu = mean.evaluate(fit.theta[None, :])[0]
        sd = fit.sigma / np.sqrt(rows.weight)
        value = mu + sd / np.sqrt(rows.count) * rng.standard_normal((count, mu.size))
        inner = np.maximum(rows.freedom - 1, 0)
        squares = sd**2 * np.where(
            inner > 0, rng.chisquare(np.maximum(inner, 1), (count, mu.size)), 0.0
        )
        return replace(rows, mean=value, squares=squares)
    order = np.argsort(fit.data.strip_row, kind="stable")
    row, value = fit.data.strip_row[order], fit.data.strip_value[order]
    n = np.bincount(row, minlength=rows.mean.size)
    first = np.concatenate([[0], np.cumsum(n)[:-1]])
    drawn = value[(first[row] + rng.random((count, row.size)) * n[row]).astype(int)]
    total = np.add.reduceat(drawn, first, axis=1)
    middle = total / n
    squares = np.add.reduceat((drawn - middle[:, row]) ** 2, first, axis=1)
    return replace(rows, mean=middle, squares=squares)


def _one_sample(fit: CurveFit, kind: str, rng: np.random.Generator) -> Rows:
    """One sample for errors that have no sufficient statistics in closed form."""
    rows, likelihood = fit.data.rows, fit.likelihood
    size = likelihood.mean.size
    if kind == "case":
        drawn = _drawn_rows(fit, 1, "case", rng)
        return replace(rows, mean=drawn.mean[0], squares=drawn.squares[0])
    mu = likelihood.mean.evaluate(fit.theta[None, :size])[0]
    sd = fit.sigma / np.sqrt(rows.weight)
    if likelihood.errors == "power":
        sd = sd * np.abs(mu) ** fit.theta[-1]

    def draw(n: int) -> np.ndarray:
        if likelihood.errors == "student":
            return rng.standard_t(STUDENT_FREEDOM, n)
        return rng.standard_normal(n)

    mean, squares, censored = rows.mean.copy(), rows.squares.copy(), rows.censored.copy()
    for i in range(mean.size):
        strips = mu[i] + sd[i] * draw(int(rows.count[i]))
        if rows.censored[i] and (rows.mean[i] - strips[0]) * -rows.censored[i] > 0:
            continue  # still beyond the limit
        censored[i] = 0
        mean[i], squares[i] = strips.mean(), ((strips - strips.mean()) ** 2).sum()
    return replace(rows, mean=mean, squares=squares, censored=censored)
