"""How likely are the brackets? The exact log likelihood, its gradient and its second derivatives.

An exact dose contributes the log density of dose (not of log dose), a bracket the log of its
probability, each times its count. With u = (log low - x·β)/σ, v = (log high - x·β)/σ:

    exact      log f(u) - log σ - log dose
    bracket    log(S(u) - S(v))
    right      log S(u)        (held at the last look)
    left       log F(v)        (crossed before the first look)

Parameters are β, log σ and, for the generalised gamma, λ.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from durability.inference.crossing.families import Family

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

NARROW = 1e-5
"""A bracket narrower than this in log dose counts as a dose with its width (error below 1e-9)."""
STEP = 2e-3
"""Step of the five-point differences in the shape of the generalised gamma."""


@dataclass(frozen=True, slots=True, eq=False)
class Brackets:
    """Brackets ready for the likelihood.

    Parameters
    ----------
    low, high : log doses (unit,); -inf and inf where there is no limit.
    point : (unit,) bool: an exact dose; `low` holds its log.
    offset : (unit,) what a point adds to the log likelihood whatever the parameters.
    weight : (unit,) counts.
    design : (unit, coefficient), the intercept first.
    """

    low: Floats
    high: Floats
    point: NDArray[np.bool_]
    offset: Floats
    weight: Floats
    design: Floats

    @classmethod
    def of(cls, low: Floats, high: Floats, weight: Floats, design: Floats) -> Brackets:
        """From doses; ``low == high`` is an exact dose."""
        with np.errstate(divide="ignore"):
            a, b = np.log(low), np.log(high)
        with np.errstate(invalid="ignore"):
            width = b - a
        exact = low == high
        narrow = ~exact & (width < NARROW)
        with np.errstate(invalid="ignore", divide="ignore"):
            offset = np.where(exact, -a, np.where(narrow, np.log(width), 0.0))
            a = np.where(narrow, (a + b) / 2, a)
        return cls(a, b, exact | narrow, offset, weight, design)

    def centred(self) -> tuple[Brackets, Floats]:
        """Covariates with mean 0 and spread 1, and the matrix that brings coefficients back."""
        middle, spread = self.design.mean(0), self.design.std(0)
        middle[0], spread[0] = 0.0, 1.0
        spread = np.where(spread > 0, spread, 1.0)
        back = np.diag(1 / spread)
        back[0, 1:] = -middle[1:] / spread[1:]
        return replace(self, design=(self.design - middle) / spread), back


def log_likelihood(family: Family, data: Brackets, theta: Floats) -> float:
    """The log likelihood alone."""
    return float(_units(family, data, theta)[0] @ data.weight)


def derivatives(family: Family, data: Brackets, theta: Floats) -> tuple[float, Floats, Floats]:
    """Log likelihood, gradient (parameter,) and second derivatives (parameter, parameter)."""
    value, gradient, hessian = _location_scale(family, data, theta)
    if not family.has_shape:
        return value, gradient, hessian
    nodes = np.array([-2.0, -1.0, 1.0, 2.0])
    h = STEP * max(1.0, abs(theta[-1]))
    at = [_location_scale(family, data, np.append(theta[:-1], theta[-1] + k * h)) for k in nodes]
    first = np.array([1, -8, 8, -1]) / (12 * h)
    values = np.array([a[0] for a in at])
    slope = float(first @ values)
    curve = float((-values[0] + 16 * values[1] - 30 * value + 16 * values[2] - values[3])
                  / (12 * h**2))  # fmt: skip
    cross = first @ np.array([a[1] for a in at])
    return (
        value,
        np.append(gradient, slope),
        np.block([[hessian, cross[:, None]], [cross[None, :], np.array([[curve]])]]),
    )


def _parts(family: Family, data: Brackets, theta: Floats) -> tuple[Floats, Floats, Floats, float]:
    p = data.design.shape[1]
    scale = 1.0 if family.fixed_scale else float(np.exp(theta[p]))
    eta = data.design @ theta[:p]
    with np.errstate(invalid="ignore"):
        return eta, (data.low - eta) / scale, (data.high - eta) / scale, scale


def _units(
    family: Family, data: Brackets, theta: Floats
) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """Log likelihood of each unit, with u, v and the ratios f(u)/D and f(v)/D."""
    standard = family.standard(theta[-1] if family.has_shape else 0.0)
    _, u, v, scale = _parts(family, data, theta)
    has_low, has_high = np.isfinite(data.low), np.isfinite(data.high) & ~data.point
    u, v = np.where(has_low, u, 0.0), np.where(has_high, v, 0.0)
    below = np.where(has_low, standard.log_survival(u), 0.0)
    log_f_u, log_f_v = standard.log_density(u), standard.log_density(v)
    value = below.copy()  # right
    left = ~has_low & has_high
    value[left] = standard.log_distribution(v[left])
    both = has_low & has_high
    value[both] = _log_between(standard, u[both], v[both])
    value[data.point] = log_f_u[data.point] - np.log(scale)
    with np.errstate(over="ignore", invalid="ignore"):
        ratio_u = np.where(has_low & ~data.point, np.exp(log_f_u - value), 0.0)
        ratio_v = np.where(has_high, np.exp(log_f_v - value), 0.0)
    return value + data.offset, u, v, ratio_u, ratio_v


def _log_between(standard, u: Floats, v: Floats) -> Floats:
    """log(S(u) - S(v)), from the tail in which both are small."""
    upper = (standard.log_survival(u), standard.log_survival(v))
    lower = (standard.log_distribution(v), standard.log_distribution(u))
    use_upper = upper[0] < lower[0]
    large = np.where(use_upper, upper[0], lower[0])
    small = np.where(use_upper, upper[1], lower[1])
    with np.errstate(divide="ignore", invalid="ignore"):
        return large + np.log(-np.expm1(small - large))


def _location_scale(family: Family, data: Brackets, theta: Floats) -> tuple[float, Floats, Floats]:
    """Value, gradient and second derivatives in β and log σ, λ held."""
    standard = family.standard(theta[-1] if family.has_shape else 0.0)
    p = data.design.shape[1]
    scale = 1.0 if family.fixed_scale else float(np.exp(theta[p]))
    value, u, v, ratio_u, ratio_v = _units(family, data, theta)
    d_u, d_v = -ratio_u, ratio_v
    with np.errstate(over="ignore", invalid="ignore"):
        d_uu = -ratio_u * standard.slope(u) - ratio_u**2
        d_vv = ratio_v * standard.slope(v) - ratio_v**2
        d_uv = ratio_u * ratio_v
    point = data.point
    d_u = np.where(point, standard.slope(u), d_u)
    d_uu = np.where(point, standard.curvature(u), d_uu)
    w = data.weight
    d_eta = -(d_u + d_v) / scale
    d_eta_eta = (d_uu + 2 * d_uv + d_vv) / scale**2
    x = data.design
    gradient, hessian = x.T @ (w * d_eta), (x * (w * d_eta_eta)[:, None]).T @ x
    total = float(value @ w)
    if family.fixed_scale:
        return total, gradient, hessian
    d_s = -(u * d_u + v * d_v) - point
    d_eta_s = (u * d_uu + (u + v) * d_uv + v * d_vv + d_u + d_v) / scale
    d_s_s = u**2 * d_uu + 2 * u * v * d_uv + v**2 * d_vv + u * d_u + v * d_v
    cross = x.T @ (w * d_eta_s)
    return (
        total,
        np.append(gradient, w @ d_s),
        np.block([[hessian, cross[:, None]], [cross[None, :], np.array([[w @ d_s_s]])]]),
    )
