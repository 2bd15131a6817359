"""Between which limits does a stated share of the strips lie, and how sure? Tolerance factors.

For n normal strips of mean m and standard deviation s, ``m - k s`` is a strength that at least the
share p of all strips holds, with confidence γ, where

    k = t'(γ; n - 1, √n z_p) / √n        (t' a quantile of noncentral t)

and ``m ± k s`` holds at least the share p between them where k solves

    ∫ P(χ²_{n-1} > (n - 1) r(z)² / k²) φ(z; 0, 1/√n) dz = γ,   Φ(z + r) - Φ(z - r) = p.

Both are exact. Reference: G. J. Hahn and W. Q. Meeker, Statistical intervals (1991), from memory;
checked against printed and independently computed tables in tests/outside/test_tolerance.py.
"""

from __future__ import annotations

import functools
import math
from typing import Any, Literal


def tolerance_factor(
    n: int, content: float, confidence: float = 0.95, *, sides: Literal[1, 2] = 1
) -> float:
    """How many standard deviations from the mean a tolerance limit lies.

    Parameters
    ----------
    n : number of strips, at least 2.
    content : share of the strips that the limits are to hold, 0 to 1.
    confidence : probability that they do, 0 to 1.
    sides : 1 for one limit, 2 for limits on both sides of the mean.

    Returns
    -------
    float : k, to be multiplied by the standard deviation of the strips.

    Raises
    ------
    ValueError : for fewer than two strips, or probabilities outside 0 to 1.

    Examples
    --------
    >>> round(tolerance_factor(5, 0.95), 3), round(tolerance_factor(10, 0.9, sides=2), 3)
    (4.203, 2.856)
    """
    if n < 2:
        raise ValueError(f"n is {n}; a tolerance limit needs at least 2 strips")
    for name, p in (("content", content), ("confidence", confidence)):
        if not 0 < p < 1:
            raise ValueError(f"{name} is {p}; it must lie between 0 and 1")
    if sides not in (1, 2):
        raise ValueError(f"sides is {sides}; it must be 1 or 2")
    return (_one_sided if sides == 1 else _two_sided)(n, content, confidence)


def _one_sided(n: int, content: float, confidence: float) -> float:
    from scipy.special import nctdtrit, ndtri

    return float(nctdtrit(n - 1, math.sqrt(n) * ndtri(content), confidence)) / math.sqrt(n)


@functools.lru_cache(maxsize=256)
def _two_sided(n: int, content: float, confidence: float) -> float:
    import numpy as np
    from scipy.optimize import brentq
    from scipy.special import gdtrc, ndtr, ndtri

    # z = error of the mean in standard deviations; 10 standard errors hold all of it
    node, weight = np.polynomial.legendre.leggauss(120)
    z = 5 / math.sqrt(n) * (node + 1)
    density = np.exp(-n * z**2 / 2) * math.sqrt(n / (2 * math.pi)) * weight * 10 / math.sqrt(n)
    near, far = np.zeros_like(z), z + ndtri(0.5 + content / 2)
    for _ in range(60):
        reach = (near + far) / 2
        enough = ndtr(z + reach) - ndtr(z - reach) > content
        near, far = np.where(enough, near, reach), np.where(enough, reach, far)

    def short(k: float) -> float:
        # chi-square survival with n - 1 degrees of freedom
        held = gdtrc(0.5, (n - 1) / 2, (n - 1) * (reach / k) ** 2)
        return float((density * held).sum()) - confidence

    high = 2.0
    while short(high) < 0:
        high *= 2
    found: Any = brentq(short, 1e-6, high, xtol=1e-12)
    return float(found)


def share_that_holds(mean: float, sd: float, n: int, required: float, share: float) -> float:
    """Confidence that at least `share` of all strips hold the required strength.

    Parameters
    ----------
    mean, sd, n : of the strips tested, normal scatter [any unit].
    required : strength [same unit].
    share : of single strips, 0 to 1.

    Returns
    -------
    float : the confidence at which the lower tolerance limit equals `required`.

    Examples
    --------
    >>> k = tolerance_factor(10, 0.9)
    >>> round(share_that_holds(20.0, 1.0, 10, 20.0 - k, 0.9), 6)
    0.95
    """
    from scipy.special import nctdtr, ndtri

    root = math.sqrt(n)
    return float(nctdtr(n - 1, root * ndtri(share), root * (mean - required) / sd))
