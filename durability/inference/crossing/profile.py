"""How far may a quantile move before the brackets object? Limits by profile likelihood.

The intercept is written as log quantile - covariates · coefficients - scale · w(p), so that the log
quantile is a parameter; the likelihood is maximised over the others at each trial value, and the
limits are the exact roots of 2 (top - profile) = quantile of chi-square or F.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from durability.inference.crossing.families import Family
from durability.inference.crossing.likelihood import Brackets, derivatives, log_likelihood
from durability.inference.crossing.newton import climb

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

FARTHEST = 40.0
"""A limit farther than this in log dose (a factor of 10¹⁷) is none."""


def limits(
    family: Family,
    data: Brackets,
    theta: Floats,
    covariance: Floats,
    x: Floats,
    p: float,
    critical: float,
) -> tuple[float, float]:
    """Lower and upper limit of the log quantile; -inf or inf where the likelihood sets none.

    Parameters
    ----------
    family, data : as fitted.
    theta, covariance : at the maximum.
    x : (coefficient,) covariates of the quantile, 1 first.
    p : share crossed.
    critical : rise of twice the log likelihood that is allowed.
    """
    k = x.size
    centred, back = data.centred()
    x = back.T @ x  # so that x · coefficients stays the same
    full = np.eye(theta.size)
    full[:k, :k] = np.linalg.inv(back)
    theta = full @ theta
    covariance = full @ covariance @ full.T
    quantile = _Quantile(family, x, p)
    best = quantile.of(theta)
    top = log_likelihood(family, data=centred, theta=theta)
    gradient = quantile.gradient(theta)
    se = float(np.sqrt(gradient @ covariance @ gradient))
    found = []
    for side in (-1.0, 1.0):
        warm = [theta[1:]]

        def fall(x: float, side: float = side, warm: list[Floats] = warm) -> tuple[float, float]:
            value, slope, warm[0] = _profile(family, centred, quantile, best + side * x, warm[0])
            return 2 * (top - value), -2 * side * slope

        found.append(best + side * _distance(fall, critical, se * np.sqrt(critical)))
    return found[0], found[1]


def _distance(fall: Callable[[float], tuple[float, float]], critical: float, x: float) -> float:
    """How far from the top twice the log likelihood has fallen by `critical`; inf if it never does.

    The root of the fall is nearly straight in the distance, so Newton's method on it needs few
    steps; bisection takes over where a step leaves what is known to hold the answer.
    """
    near, far = 0.0, np.inf
    for _ in range(100):
        fallen, slope = fall(x)
        if abs(fallen - critical) < 1e-9 or far - near < 1e-12:
            break
        near, far = (x, far) if fallen < critical else (near, x)
        root = np.sqrt(max(fallen, 1e-300))
        step = (np.sqrt(critical) - root) * 2 * root / slope if slope > 0 else np.inf
        x = min(x + step, 2.5 * x) if np.isinf(far) else x + step
        if not near < x < far:
            x = 2.5 * near if np.isinf(far) else (near + far) / 2
        if x > FARTHEST:
            return np.inf
    return x


class _Quantile:
    """The log quantile as a function of theta, and the intercept as a function of it."""

    def __init__(self, family: Family, x: Floats, p: float) -> None:
        self.family, self.x, self.p = family, x, np.array([p])
        self.k = x.size

    def w(self, shape: float) -> float:
        return float(self.family.standard(shape).quantile(self.p)[0])

    def w_slopes(self, shape: float) -> tuple[float, float]:
        h = 2e-3 * max(1.0, abs(shape))
        a, b, c, d = (self.w(shape + i * h) for i in (-2, -1, 1, 2))
        return (
            (a - 8 * b + 8 * c - d) / (12 * h),
            (-a + 16 * b - 30 * self.w(shape) + 16 * c - d) / (12 * h**2),
        )

    def _ends(self, theta: Floats) -> tuple[float, float]:
        scale = 1.0 if self.family.fixed_scale else float(np.exp(theta[self.k]))
        return scale, theta[-1] if self.family.has_shape else 0.0

    def of(self, theta: Floats) -> float:
        scale, shape = self._ends(theta)
        return float(self.x @ theta[: self.k] + scale * self.w(shape))

    def gradient(self, theta: Floats) -> Floats:
        scale, shape = self._ends(theta)
        found = np.zeros(theta.size)
        found[: self.k] = self.x
        if not self.family.fixed_scale:
            found[self.k] = scale * self.w(shape)
        if self.family.has_shape:
            found[-1] = scale * self.w_slopes(shape)[0]
        return found

    def theta(self, c: float, rest: Floats) -> Floats:
        trial = np.concatenate([[0.0], rest])
        trial[0] = c - self.of(trial)
        return trial

    def bends(self, theta: Floats) -> Floats:
        """Second derivatives of the intercept in the other parameters."""
        found = np.zeros((theta.size - 1, theta.size - 1))
        if self.family.fixed_scale:
            return found
        scale, shape = self._ends(theta)
        s = self.k - 1
        found[s, s] = -scale * self.w(shape)
        if self.family.has_shape:
            slope, curve = self.w_slopes(shape)
            found[s, -1] = found[-1, s] = -scale * slope
            found[-1, -1] = -scale * curve
        return found


def _profile(
    family: Family, data: Brackets, quantile: _Quantile, c: float, rest: Floats
) -> tuple[float, float, Floats]:
    """The highest log likelihood with the log quantile at c, its slope in c, and the others there.

    The slope is that in the intercept, since the others are at their best.
    """
    if rest.size == 0:
        value, gradient, _ = derivatives(family, data, quantile.theta(c, rest))
        return value, float(gradient[0]), rest

    def at(rest: Floats) -> tuple[float, Floats, Floats]:
        theta = quantile.theta(c, rest)
        value, gradient, hessian = derivatives(family, data, theta)
        jacobian = np.vstack([-quantile.gradient(theta)[1:], np.eye(rest.size)])
        return (
            value,
            jacobian.T @ gradient,
            jacobian.T @ hessian @ jacobian + gradient[0] * quantile.bends(theta),
        )

    top = climb(at, rest, reach=1.0)
    slope = derivatives(family, data, quantile.theta(c, top.at))[1][0]
    return top.value, float(slope), top.at


def delta(
    family: Family, theta: Floats, covariance: Floats, x: Floats, p: float
) -> tuple[float, float]:
    """The log quantile and its standard error by the delta method."""
    quantile = _Quantile(family, x, p)
    gradient = quantile.gradient(theta)
    return quantile.of(theta), float(np.sqrt(gradient @ covariance @ gradient))
