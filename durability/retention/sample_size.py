"""How many strips give an interval as narrow as wanted? For the fraction left, by the log ratio.

With n exposed and n0 unexposed strips of coefficients of variation cv and cv0 the interval is
×/÷ exp(t √(cv²/n + cv0²/n0)), t with Welch's degrees of freedom. The scatter of the strips that
will be cut is itself chance: with an assurance the number is such that the interval will be no
wider with that probability, over the chi-square distributions of both variances.
"""

from __future__ import annotations

import functools

MOST, GRID = 5_000, 60


def interval_factor(
    cv: float,
    n: int,
    cv_unexposed: float,
    n_unexposed: int,
    *,
    level: float = 0.95,
    assurance: float | None = None,
) -> float:
    """The factor f of the interval ×/÷ f of a fraction left.

    Parameters
    ----------
    cv, n : coefficient of variation [1] and number of the exposed strips.
    cv_unexposed, n_unexposed : of the unexposed strips.
    level : probability of the interval.
    assurance : None for the factor at exactly these scatters; else the factor that is not passed
        with this probability, over the chance of the strips' scatter.

    Examples
    --------
    >>> round(interval_factor(0.08, 5, 0.08, 5), 2), round(interval_factor(0.12, 5, 0.12, 5), 2)
    (1.12, 1.19)
    """
    _check(cv=cv, cv_unexposed=cv_unexposed, level=level, assurance=assurance)
    if n < 2 or n_unexposed < 2:
        raise ValueError("a group of fewer than 2 strips has no scatter of its own")
    return _factor(cv, n, cv_unexposed, n_unexposed, level, assurance)


@functools.lru_cache(maxsize=4096)
def _factor(cv: float, n: int, cv0: float, n0: int, level: float, assurance: float | None) -> float:
    import numpy as np
    from scipy.special import chdtri, stdtrit

    v1, v0 = cv**2 / n, cv0**2 / n0
    if assurance is not None:
        # variances that chance may give, at the middles of equal probabilities
        p = (np.arange(GRID) + 0.5) / GRID
        v1 = (v1 * chdtri(n - 1, 1 - p) / (n - 1))[:, None]
        v0 = v0 * chdtri(n0 - 1, 1 - p) / (n0 - 1)
    df = (v1 + v0) ** 2 / (v1**2 / (n - 1) + v0**2 / (n0 - 1))
    half = stdtrit(df, 0.5 + level / 2) * np.sqrt(v1 + v0)
    return float(np.exp(half if assurance is None else np.quantile(half, assurance)))


def strips_needed(
    cv: float,
    factor: float,
    *,
    cv_unexposed: float | None = None,
    n_unexposed: int | None = None,
    level: float = 0.95,
    assurance: float | None = None,
) -> int:
    """Strips of each exposed group for an interval of the fraction left no wider than ×/÷ factor.

    Parameters
    ----------
    cv : coefficient of variation of the exposed strips [1], 0.08 for 8 %.
    factor : upper limit over value, such as 1.1.
    cv_unexposed : of the unexposed strips; `cv` if left out.
    n_unexposed : number of unexposed strips; as many as of each exposed group if left out.
    level, assurance : as in `interval_factor`.

    Returns
    -------
    int : strips of each exposed group.

    Raises
    ------
    ValueError : where no number of exposed strips is enough, since the unexposed ones are too few.

    Examples
    --------
    >>> strips_needed(0.08, 1.13), strips_needed(0.08, 1.05)
    (5, 22)
    >>> strips_needed(0.08, 1.13, assurance=0.9)
    7
    """
    if not factor > 1:
        raise ValueError(f"factor is {factor}; it must be above 1: 1.1 for ×/÷ 1.1")
    start = cv if cv_unexposed is None else cv_unexposed
    _check(cv=cv, cv_unexposed=start, level=level, assurance=assurance)

    def wide(n: int) -> bool:
        n0 = n if n_unexposed is None else n_unexposed
        return interval_factor(cv, n, start, n0, level=level, assurance=assurance) > factor

    # not monotone: more exposed strips also shift the degrees of freedom to the unexposed ones
    for n in range(2, MOST + 1):
        if not wide(n):
            return n
    raise ValueError(
        f"no number of exposed strips up to {MOST} gives ×/÷ {factor:g}; test more unexposed ones"
    )


def _check(*, cv: float, cv_unexposed: float, level: float, assurance: float | None) -> None:
    for name, value in (("cv", cv), ("cv_unexposed", cv_unexposed)):
        if not value > 0:
            raise ValueError(f"{name} is {value}; it must be above 0: 0.08 for 8 %")
    for name, value in (("level", level), ("assurance", assurance)):
        if value is not None and not 0 < value < 1:
            raise ValueError(f"{name} is {value}; it must lie between 0 and 1")
