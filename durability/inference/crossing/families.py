"""How may crossing doses scatter? Log dose = location + scale · w, with w of a standard shape.

======================  ================================================================
weibull, exponential    w smallest extreme value: S(w) = exp(-exp(w)); exponential has scale 1
lognormal               w standard normal
loglogistic             w standard logistic
generalised-gamma       S(w) = Q(λ⁻², λ⁻² exp(λ w)) for λ > 0, P of the same for λ < 0, the
                        normal at λ = 0; λ = 1 is the Weibull
======================  ================================================================

P and Q are the regularised incomplete gamma functions. The form of the generalised gamma is that of
R. L. Prentice, A log gamma model and its maximum likelihood estimation, Biometrika 61 (1974)
539-544 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

HALF_LOG_2PI = 0.5 * np.log(2 * np.pi)
TOP = 600.0
"""Exponents are cut here, far beyond any observation, so that nothing overflows."""
NORMAL_BELOW = 1e-6
"""A generalised gamma whose shape is nearer to 0 than this is computed as the normal."""


class Shape(Protocol):
    """Logarithms of survival, distribution and density of w, and slopes of the last."""

    def log_survival(self, w: Floats) -> Floats: ...
    def log_distribution(self, w: Floats) -> Floats: ...
    def log_density(self, w: Floats) -> Floats: ...
    def slope(self, w: Floats) -> Floats: ...
    def curvature(self, w: Floats) -> Floats: ...
    def quantile(self, p: Floats) -> Floats: ...


class Extreme:
    """Smallest extreme value."""

    def log_survival(self, w: Floats) -> Floats:
        return -np.exp(np.minimum(w, TOP))

    def log_distribution(self, w: Floats) -> Floats:
        with np.errstate(divide="ignore"):
            full = np.log(-np.expm1(self.log_survival(w)))
        return np.where(w < -36, w, full)

    def log_density(self, w: Floats) -> Floats:
        return w - np.exp(np.minimum(w, TOP))

    def slope(self, w: Floats) -> Floats:
        return 1 - np.exp(np.minimum(w, TOP))

    def curvature(self, w: Floats) -> Floats:
        return -np.exp(np.minimum(w, TOP))

    def quantile(self, p: Floats) -> Floats:
        return np.log(-np.log1p(-p))


class Normal:
    """Standard normal."""

    def log_survival(self, w: Floats) -> Floats:
        from scipy.special import log_ndtr

        return log_ndtr(-w)

    def log_distribution(self, w: Floats) -> Floats:
        from scipy.special import log_ndtr

        return log_ndtr(w)

    def log_density(self, w: Floats) -> Floats:
        return -0.5 * w**2 - HALF_LOG_2PI

    def slope(self, w: Floats) -> Floats:
        return -w

    def curvature(self, w: Floats) -> Floats:
        return -np.ones_like(w)

    def quantile(self, p: Floats) -> Floats:
        from scipy.special import ndtri

        return ndtri(p)


class Logistic:
    """Standard logistic."""

    def log_survival(self, w: Floats) -> Floats:
        return -np.logaddexp(0, w)

    def log_distribution(self, w: Floats) -> Floats:
        return -np.logaddexp(0, -w)

    def log_density(self, w: Floats) -> Floats:
        return w - 2 * np.logaddexp(0, w)

    def slope(self, w: Floats) -> Floats:
        return -np.tanh(w / 2)

    def curvature(self, w: Floats) -> Floats:
        return -0.5 / np.cosh(np.clip(w, -TOP, TOP) / 2) ** 2

    def quantile(self, p: Floats) -> Floats:
        return np.log(p) - np.log1p(-p)


@dataclass(frozen=True)
class LogGamma:
    """Logarithm of a gamma variable, standardised so that the normal is its limit at 0."""

    shape: float

    @property
    def _a(self) -> float:
        return self.shape**-2

    def _z(self, w: Floats) -> Floats:
        return np.clip(self.shape * w, -TOP, TOP)

    def log_survival(self, w: Floats) -> Floats:
        upper = _log_upper if self.shape > 0 else _log_lower
        return upper(self._a, self._z(w))

    def log_distribution(self, w: Floats) -> Floats:
        lower = _log_lower if self.shape > 0 else _log_upper
        return lower(self._a, self._z(w))

    def log_density(self, w: Floats) -> Floats:
        return -HALF_LOG_2PI - _stirling(self._a) - self._a * _excess(self._z(w))

    def slope(self, w: Floats) -> Floats:
        return -np.expm1(self._z(w)) / self.shape

    def curvature(self, w: Floats) -> Floats:
        return -np.exp(self._z(w))

    def quantile(self, p: Floats) -> Floats:
        from scipy.special import gammainccinv, gammaincinv

        inverse = gammaincinv if self.shape > 0 else gammainccinv
        return np.log(inverse(self._a, p) / self._a) / self.shape


def _excess(z: Floats) -> Floats:
    """exp(z) - 1 - z without loss near 0."""
    small = np.abs(z) < 0.05
    s = np.where(small, z, 0.0)
    series = s**2 / 2 * (1 + s / 3 * (1 + s / 4 * (1 + s / 5 * (1 + s / 6 * (1 + s / 7)))))
    return np.where(small, series, np.expm1(z) - z)


def _stirling(a: float) -> float:
    """What Stirling's formula leaves of log Γ(a)."""
    from scipy.special import gammaln

    if a > 100:
        return 1 / (12 * a) - 1 / (360 * a**3) + 1 / (1260 * a**5)
    return float(gammaln(a) - ((a - 0.5) * np.log(a) - a + HALF_LOG_2PI))


def _log_term(a: float, z: Floats) -> Floats:
    """log of x^a exp(-x) / Γ(a), at x = a exp(z)."""
    return -a * _excess(z) - _stirling(a) + 0.5 * np.log(a) - HALF_LOG_2PI


def _log_upper(a: float, z: Floats) -> Floats:
    """log Q(a, a exp(z)); far out by the continued fraction."""
    from scipy.special import gammaincc

    x = a * np.exp(z)
    q = gammaincc(a, x)
    far = q < 1e-280
    with np.errstate(divide="ignore"):
        found = np.log(q)
    if far.any():
        xf = x[far]
        value = np.zeros_like(xf)
        for k in range(60, 0, -1):  # Legendre's continued fraction, from its far end
            value = k * (a - k) / (xf + 2 * k + 1 - a + value)
        found[far] = _log_term(a, z[far]) - np.log(xf + 1 - a + value)
    return found


def _log_lower(a: float, z: Floats) -> Floats:
    """log P(a, a exp(z)); far out by the power series."""
    from scipy.special import gammainc

    x = a * np.exp(z)
    p = gammainc(a, x)
    far = p < 1e-280
    with np.errstate(divide="ignore"):
        found = np.log(p)
    if far.any():
        xf = x[far]
        total = np.ones_like(xf)
        for k in range(200, 0, -1):
            total = 1 + total * xf / (a + k)
        found[far] = _log_term(a, z[far]) + np.log(total) - np.log(a)
    return found


@dataclass(frozen=True, slots=True)
class Family:
    """One family: its name, whether its scale is fixed at 1 and whether it has a shape λ."""

    name: str
    fixed_scale: bool = False
    has_shape: bool = False

    def standard(self, shape: float = 0.0) -> Shape:
        """The distribution of w; `shape` counts for the generalised gamma alone."""
        if self.has_shape:
            return Normal() if abs(shape) < NORMAL_BELOW else LogGamma(shape)
        return _SHAPES[self.name]


_SHAPES: dict[str, Any] = {
    "weibull": Extreme(),
    "exponential": Extreme(),
    "lognormal": Normal(),
    "loglogistic": Logistic(),
}
FAMILIES: dict[str, Family] = {
    "weibull": Family("weibull"),
    "lognormal": Family("lognormal"),
    "loglogistic": Family("loglogistic"),
    "exponential": Family("exponential", fixed_scale=True),
    "generalised-gamma": Family("generalised-gamma", has_shape=True),
}


def family(name: str) -> Family:
    """The family of a name.

    Raises
    ------
    LookupError : with the names known and the nearest.
    """
    import difflib

    if name not in FAMILIES:
        near = difflib.get_close_matches(name, FAMILIES, n=1, cutoff=0.5)
        hint = f'; did you mean "{near[0]}"?' if near else "."
        raise LookupError(f'family "{name}" is unknown{hint} Known: {", ".join(FAMILIES)}')
    return FAMILIES[name]
