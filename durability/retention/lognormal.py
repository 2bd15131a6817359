"""How strong is the mean strip where scatter is lognormal? Exact limits of a lognormal mean.

With n logarithms of mean y and standard deviation s, the hypothesis that the mean exp(μ + σ²/2) is
exp(η) is tested by the distribution of d = y - η given w² = n d² + (n - 1) s², which is free of σ:

    density ∝ exp(-n d/2) (w² - n d²)^((n - 3)/2),   |d| < w/√n

The limit is the η that the test just does not reject.

Reference: C. E. Land, Confidence intervals for linear functions of the normal mean and variance,
Ann. Math. Stat. 42 (1971) 1187-1205 (from memory; checked in tests/outside/test_intervals.py).
"""

from __future__ import annotations

import math
from typing import Any, Literal


def lognormal_mean_limit(
    mean_log: float, sd_log: float, n: int, level: float = 0.95, *,
    side: Literal["low", "high"] = "low",
) -> float:  # fmt: skip
    """One-sided exact confidence limit of the mean of a lognormal strength.

    Parameters
    ----------
    mean_log, sd_log, n : mean and standard deviation of the logarithms of n strengths, 3 or more.
    level : probability that the mean is not beyond the limit.
    side : ``low``: the mean is at least the limit; ``high``: at most.

    Returns
    -------
    float [the unit of the strengths].

    Raises
    ------
    ValueError : fewer than three strips, no scatter, or a level outside 0 to 1.

    Examples
    --------
    >>> round(lognormal_mean_limit(2.0767, 0.4272, 15, side="high"), 2)
    10.97
    """
    import numpy as np
    from scipy.optimize import brentq

    if n < 3 or not sd_log > 0:
        raise ValueError("an exact limit needs three strips that differ")
    if not 0 < level < 1:
        raise ValueError(f"level is {level}; it must lie between 0 and 1")
    # d = w/√n · sin(a) takes the density to one without a steep end
    node, weight = np.polynomial.legendre.leggauss(200)

    def below(eta: float) -> float:
        """Probability of a mean of logs no larger than the one found, if the mean is exp(eta)."""
        d = mean_log - eta
        w = math.sqrt(n * d**2 + (n - 1) * sd_log**2)
        reach, found = w / math.sqrt(n), math.asin(max(-1.0, min(1.0, d * math.sqrt(n) / w)))

        def mass(low: float, high: float, top: float) -> float:
            a = (high - low) / 2 * node + (high + low) / 2
            log = -n * reach * np.sin(a) / 2 + (n - 2) * np.log(np.cos(a))
            return float((weight * np.exp(log - top)).sum() * (high - low) / 2)

        grid = np.linspace(-math.pi / 2, math.pi / 2, 401)[1:-1]
        top = float((-n * reach * np.sin(grid) / 2 + (n - 2) * np.log(np.cos(grid))).max())
        left, right = mass(-math.pi / 2, found, top), mass(found, math.pi / 2, top)
        return left / (left + right)

    wanted = 1 - level if side == "high" else level
    centre, width = mean_log + sd_log**2 / 2, sd_log
    low, high = centre - width, centre + width
    while below(high) > wanted:
        high += width
    while below(low) < wanted:
        low -= width
    eta: Any = brentq(lambda x: below(x) - wanted, low, high, xtol=1e-12)
    return math.exp(float(eta))
