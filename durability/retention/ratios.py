"""How sure is a mean, or a ratio of two means? Interval formulas over arrays.

Log ratio (Welch): with v = cv²/n of each mean, ``ratio · exp(± t √(v1 + v0))`` where t has
``(v1 + v0)² / (v1²/df1 + v0²/df0)`` degrees of freedom.

Fieller: the ratios r for which ``(mean1 - r mean0)² ≤ t² (se1² + r² se0²)``.

References: E. C. Fieller, Some problems in interval estimation, J. R. Stat. Soc. B 16 (1954)
175-185 (from memory); B. L. Welch, Biometrika 34 (1947) 28-35 (from memory). The numbers are
checked against printed examples in tests/outside/test_retention.py.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]


class Interval(NamedTuple):
    """Value, limits and degrees of freedom, arrays of one shape; nan where there is no limit."""

    value: Floats
    low: Floats
    high: Floats
    df: Floats


def t_quantile(level: float, df: ArrayLike, sides: Literal[1, 2] = 2) -> Floats:
    """Quantile of Student's t so that `level` lies within (two sides) or on one side.

    Examples
    --------
    >>> round(float(t_quantile(0.95, 8)), 3)
    2.306
    """
    from scipy.special import stdtrit

    df = np.asarray(df, dtype=float)
    p = 0.5 + level / 2 if sides == 2 else level
    safe = np.where(df > 0, df, 1.0)
    return np.where(df > 0, stdtrit(safe, p), np.nan)


def welch_df(v1: ArrayLike, df1: ArrayLike, v0: ArrayLike, df0: ArrayLike) -> Floats:
    """Degrees of freedom of a sum of two variances of means; a variance of 0 brings none."""
    v1, df1 = np.asarray(v1, dtype=float), np.asarray(df1, dtype=float)
    v0, df0 = np.asarray(v0, dtype=float), np.asarray(df0, dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        brought = np.where(v1 == 0, 0.0, v1**2 / df1) + np.where(v0 == 0, 0.0, v0**2 / df0)
        return (v1 + v0) ** 2 / brought


def mean_interval(
    mean: ArrayLike,
    sd: ArrayLike,
    n: ArrayLike,
    level: float = 0.95,
    *,
    df: ArrayLike | None = None,
    sides: Literal[1, 2] = 2,
) -> Interval:
    """The t interval of a mean of strengths; a lower limit under 0 is put at 0.

    Parameters
    ----------
    mean, sd, n : mean [any unit], standard deviation [same] and number of strips; broadcast.
    level : probability carried, 0 to 1.
    df : degrees of freedom of `sd`; ``n - 1`` unless given.
    sides : 2, or 1 for limits each of which holds alone.

    Examples
    --------
    >>> found = mean_interval(20.0, 1.0, 5)
    >>> round(float(found.low), 2), round(float(found.high), 2)
    (18.76, 21.24)
    """
    mean, sd, n = (np.asarray(a, dtype=float) for a in (mean, sd, n))
    free = n - 1 if df is None else np.asarray(df, dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        half = t_quantile(level, free, sides) * sd / np.sqrt(n)
    return Interval(mean, np.maximum(mean - half, 0.0), mean + half, free)


def log_ratio_interval(
    mean1: ArrayLike,
    sd1: ArrayLike,
    n1: ArrayLike,
    mean0: ArrayLike,
    sd0: ArrayLike,
    n0: ArrayLike,
    level: float = 0.95,
    *,
    df1: ArrayLike | None = None,
    df0: ArrayLike | None = None,
    sides: Literal[1, 2] = 2,
) -> Interval:
    """Ratio of two means with the t interval of its logarithm, unequal scatter (Welch).

    Parameters
    ----------
    mean1, sd1, n1 : mean, standard deviation and number of the exposed strips; any shape.
    mean0, sd0, n0 : the same of the unexposed strips, in the same unit; broadcast.
    level : probability carried, 0 to 1.
    df1, df0 : degrees of freedom of the standard deviations; ``n - 1`` unless given.
    sides : 2, or 1 for limits each of which holds alone.

    Returns
    -------
    Interval : value, low, high [1] and degrees of freedom; nan where a mean is not above 0 or a
        spread is missing.

    Examples
    --------
    Five strips each, coefficient of variation 8 %: the factor is 1.12.

    >>> found = log_ratio_interval(10.0, 0.8, 5, 20.0, 1.6, 5)
    >>> round(float(found.value), 3), round(float(found.high / found.value), 2)
    (0.5, 1.12)
    """
    mean1, sd1, n1 = (np.asarray(a, dtype=float) for a in (mean1, sd1, n1))
    mean0, sd0, n0 = (np.asarray(a, dtype=float) for a in (mean0, sd0, n0))
    with np.errstate(divide="ignore", invalid="ignore"):
        positive = (mean1 > 0) & (mean0 > 0)
        value = np.where(positive, mean1 / mean0, np.nan)
        v1, v0 = (sd1 / mean1) ** 2 / n1, (sd0 / mean0) ** 2 / n0
        free = welch_df(v1, n1 - 1 if df1 is None else df1, v0, n0 - 1 if df0 is None else df0)
        factor = np.exp(t_quantile(level, free, sides) * np.sqrt(v1 + v0))
    return Interval(value, value / factor, value * factor, free)


def log_sum_interval(
    weight: ArrayLike,
    mean: ArrayLike,
    sd: ArrayLike,
    n: ArrayLike,
    df: ArrayLike,
    level: float = 0.95,
    *,
    sides: Literal[1, 2] = 2,
) -> Interval:
    """A product of powers of independent means with the t interval of its logarithm.

    Weights 1 and -1 are the ratio of `log_ratio_interval`, of which this is the general form:
    ``exp(Σ w log mean ± t √(Σ w² cv²/n))`` with Satterthwaite's degrees of freedom.

    Parameters
    ----------
    weight, mean, sd, n, df : along the last axis the means: power, mean, standard deviation, number
        of strips and degrees of freedom of each.
    level, sides : as in `log_ratio_interval`.

    Examples
    --------
    >>> one = log_sum_interval([1, -1], [10, 20], [0.8, 1.6], 5, 4)
    >>> round(float(one.low), 6) == round(float(log_ratio_interval(10, 0.8, 5, 20, 1.6, 5).low), 6)
    True
    """
    weight, mean, sd, n, df = (np.asarray(a, dtype=float) for a in (weight, mean, sd, n, df))
    with np.errstate(divide="ignore", invalid="ignore"):
        variance = (weight * sd / mean) ** 2 / n
        total = variance.sum(axis=-1)
        free = total**2 / np.where(variance == 0, 0.0, variance**2 / df).sum(axis=-1)
        value = np.exp((weight * np.log(mean)).sum(axis=-1))
        factor = np.exp(t_quantile(level, free, sides) * np.sqrt(total))
    return Interval(value, value / factor, value * factor, free)


def fieller_limits(
    mean1: ArrayLike, se1: ArrayLike, mean0: ArrayLike, se0: ArrayLike, t: ArrayLike
) -> tuple[Floats, Floats]:
    """Fieller's limits of mean1/mean0 from two independent estimates and a t quantile.

    Parameters
    ----------
    mean1, mean0 : the estimates, one unit; any shape.
    se1, se0 : their standard errors.
    t : quantile of Student's t for the level wanted.

    Returns
    -------
    (low, high) : nan where the set has no end (mean0 is not different from 0 at that level).

    Examples
    --------
    >>> low, high = fieller_limits(14.0, 3.0, 7.0, 2.0, 1.812461)
    >>> round(float(low), 4), round(float(high), 4)
    (1.0514, 4.4143)
    """
    mean1, se1, mean0, se0, t = (np.asarray(a, dtype=float) for a in (mean1, se1, mean0, se0, t))
    a = mean0**2 - t**2 * se0**2
    b = mean1 * mean0
    c = mean1**2 - t**2 * se1**2
    with np.errstate(divide="ignore", invalid="ignore"):
        root = np.sqrt(b**2 - a * c)
        low, high = (b - root) / a, (b + root) / a
    bounded = a > 0
    return np.where(bounded, low, np.nan), np.where(bounded, high, np.nan)


def fieller_interval(
    mean1: ArrayLike,
    sd1: ArrayLike,
    n1: ArrayLike,
    mean0: ArrayLike,
    sd0: ArrayLike,
    n0: ArrayLike,
    level: float = 0.95,
    *,
    spread: Literal["own", "pooled"] = "own",
    df1: ArrayLike | None = None,
    df0: ArrayLike | None = None,
    sides: Literal[1, 2] = 2,
) -> Interval:
    """Ratio of two means with Fieller's interval.

    Parameters
    ----------
    mean1, sd1, n1, mean0, sd0, n0, level, df1, df0, sides : as in `log_ratio_interval`.
    spread : ``own``: each group has its own standard deviation, with Satterthwaite's degrees of
        freedom at the estimated ratio; ``pooled``: both share one.

    Returns
    -------
    Interval : nan limits where the interval has no end.

    Examples
    --------
    >>> found = fieller_interval(10.0, 0.8, 5, 20.0, 1.6, 5)
    >>> round(float(found.low), 3), round(float(found.high), 3)
    (0.445, 0.562)
    """
    mean1, sd1, n1 = (np.asarray(a, dtype=float) for a in (mean1, sd1, n1))
    mean0, sd0, n0 = (np.asarray(a, dtype=float) for a in (mean0, sd0, n0))
    free1 = n1 - 1 if df1 is None else np.asarray(df1, dtype=float)
    free0 = n0 - 1 if df0 is None else np.asarray(df0, dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where((mean1 > 0) & (mean0 > 0), mean1 / mean0, np.nan)
        if spread == "pooled":
            free = free1 + free0
            sd1 = sd0 = np.sqrt((free1 * sd1**2 + free0 * sd0**2) / free)
        else:
            free = welch_df(sd1**2 / n1, free1, ratio**2 * sd0**2 / n0, free0)
        t = t_quantile(level, free, sides)
        low, high = fieller_limits(mean1, sd1 / np.sqrt(n1), mean0, sd0 / np.sqrt(n0), t)
    return Interval(ratio, low, high, free)
