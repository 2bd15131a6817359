"""Which strips stand out of their group? Grubbs' test, reported and never acted upon.

G = largest distance from the mean of the group, in standard deviations. Its critical value is
(n-1)/√n · √(t²/(n-2+t²)), t the quantile of Student's t with n-2 degrees of freedom at
1 - α/(2n) (two-sided) or 1 - α/n (one-sided).

Reference: F. E. Grubbs, Procedures for detecting outlying observations in samples, Technometrics
11 (1969) 1-21 (from memory); checked against printed numbers in tests/outside/test_retention.py.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from durability.retention.groups import group_codes
from durability.retention.strength import strip_rows

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from durability.study.model import Study


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlier:
    """One strip that stands out of its group; it stays in use.

    Parameters
    ----------
    material, lot, direction, exposure, dose, specimen, file, line : the strip.
    strength : [unit of the study].
    n : measured strips of its group.
    statistic : Grubbs' G [1].
    critical : G that is exceeded by chance in a fraction `alpha` of groups of this size.
    p_value : probability of so large a G by chance in this group (an upper bound).
    p_study : the same for the largest of all groups tested (Bonferroni): under some 0.05 even
        a whole study would rarely show it by chance.
    """

    material: str
    lot: str
    direction: str
    exposure: str
    dose: float
    specimen: str
    file: str
    line: int
    strength: float
    n: int
    statistic: float
    critical: float
    p_value: float
    p_study: float


def grubbs_critical(
    n: ArrayLike, alpha: float = 0.05, *, sides: Literal[1, 2] = 2
) -> NDArray[np.float64]:
    """Critical value of Grubbs' G for a group of `n` strips.

    Parameters
    ----------
    n : size of the group, at least 3; any shape.
    alpha : probability of exceeding it by chance.
    sides : 2 for the most distant strip, 1 for the smallest (or the largest) only.

    Returns
    -------
    float array [1]; nan for n < 3.

    Examples
    --------
    >>> round(float(grubbs_critical(5, sides=1)), 3)
    1.671
    """
    from scipy.special import stdtrit

    n = np.asarray(n, dtype=float)
    safe = np.maximum(n, 3)
    t = stdtrit(safe - 2, 1 - alpha / (sides * safe))
    return np.where(n >= 3, (safe - 1) / np.sqrt(safe) * np.sqrt(t**2 / (safe - 2 + t**2)), np.nan)


def grubbs_p(statistic: ArrayLike, n: ArrayLike) -> NDArray[np.float64]:
    """Two-sided probability of a G so large by chance (upper bound, exact where it is small).

    Examples
    --------
    >>> round(float(grubbs_p(grubbs_critical(8), 8)), 6)
    0.05
    """
    from scipy.special import stdtr

    g, n = np.asarray(statistic, dtype=float), np.asarray(n, dtype=float)
    room = np.maximum((n - 1) ** 2 - n * g**2, 1e-300)
    t = np.sqrt(n * (n - 2) * g**2 / room)
    return np.minimum(2 * n * stdtr(n - 2, -t), 1.0)


def outliers(study: Study, *, alpha: float = 0.05) -> tuple[Outlier, ...]:
    """Strips that stand out of their group by Grubbs' two-sided test; none is dropped.

    Groups of three or more strips, all measured, are tested one by one: among many groups about
    a fraction `alpha` shows one by chance, which `Outlier.p_study` allows for.

    Parameters
    ----------
    study : as read.
    alpha : probability of pointing at a strip of a group by chance.

    Returns
    -------
    tuple of Outlier, the least likely first.

    Examples
    --------
    >>> from durability.study import read_study
    >>> found = outliers(read_study("examples/quarry-cover"))  # in a clone
    >>> [(o.lot, o.direction, o.specimen, round(o.p_value, 3)) for o in found][0]
    ('A3', 'cross', '4', 0.038)
    """
    if not 0 < alpha < 1:
        raise ValueError(f"alpha is {alpha}; it must lie between 0 and 1")
    rows = strip_rows(study)
    code, labels = group_codes(rows)
    size = labels["dose"].size
    used = rows["used"].values.astype(bool) & ~rows["summary"].values.astype(bool)
    exact = rows["censored"].values == 0
    whole = np.bincount(code[used & ~exact], minlength=size) == 0
    keep = used & exact & whole[code]
    strength = rows["strength"].values.astype(float)
    n = np.bincount(code[keep], minlength=size)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = np.bincount(code[keep], weights=strength[keep], minlength=size) / n
        off = np.where(keep, strength - mean[code], 0.0)
        sd = np.sqrt(np.bincount(code, weights=off**2, minlength=size) / (n - 1))
        g = np.abs(off) / sd[code]
    tested = (n >= 3) & (sd > 0)
    critical = grubbs_critical(n, alpha)
    hits = np.flatnonzero(keep & tested[code] & (g > critical[code]))
    p = grubbs_p(g[hits], n[code[hits]])

    def label(name: str, i: int) -> str:
        return str(rows[name].values[i])

    return tuple(
        Outlier(
            material=label("material", i),
            lot=label("lot", i),
            direction=label("direction", i),
            exposure=label("exposure", i),
            specimen=label("specimen", i),
            file=label("file", i),
            dose=float(labels["dose"][code[i]]),
            line=int(rows["line"].values[i]),
            strength=float(strength[i]),
            n=int(n[code[i]]),
            statistic=float(g[i]),
            critical=float(critical[code[i]]),
            p_value=float(p[k]),
            p_study=float(min(1.0, p[k] * tested.sum())),
        )
        for k, i in ((int(k), int(hits[k])) for k in np.argsort(p, kind="stable"))
    )
