"""What are the mean and spread of crossing dose under a family? Raw moments in closed form."""

from __future__ import annotations

import math


def moment(family: str, scale: float, shape: float | None, r: int) -> float:
    """r-th moment of dose / exp(location)."""
    from scipy.special import gammaln

    t = r * scale
    if family in ("weibull", "exponential"):
        return math.exp(gammaln(1 + t))
    if family == "lognormal" or (shape is not None and abs(shape) < 1e-6):
        return math.exp(t**2 / 2)
    if family == "loglogistic":
        return math.pi * t / math.sin(math.pi * t) if t < 1 else math.inf
    assert shape is not None
    a, power = shape**-2, t / shape
    if a + power <= 0:
        return math.inf
    return math.exp(gammaln(a + power) - gammaln(a) - power * math.log(a))
