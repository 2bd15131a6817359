"""What do the brackets say without a family? The curve of highest likelihood (Turnbull's).

Probability can lie only where a left end is followed by a right end among all ends in order; how it
is spread inside such a region the data do not tell. Masses are those of highest likelihood: no
move of mass between regions raises it, which is checked: with P_i the probability of bracket i,
the sum over brackets that contain a region of weight_i / P_i is the total weight where the region
has mass, and no more elsewhere.

Sources: B. W. Turnbull, The empirical distribution function with arbitrarily grouped, censored and
truncated data, J. R. Stat. Soc. B 38 (1976) 290-295; Y. Wang, On fast computation of the
non-parametric maximum likelihood estimate of a mixing distribution, J. R. Stat. Soc. B 69 (2007)
185-198, for the steps (both from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import xarray
    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]

NEAR_BEST = 1e-7
"""Largest relative gain from moving mass at which the curve counts as the best one."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TurnbullCurve:
    """The nonparametric curve of bracketed crossings.

    Parameters
    ----------
    left, right : (region,) ends of the regions that have mass; a region is (left, right], or one
        dose where both are equal; right is inf where the last units never crossed.
    mass : (region,) share of units that cross in each; they sum to 1.
    log_likelihood : at the masses.
    gap : largest relative gain in likelihood from moving mass: 0 at the best curve.
    converged : whether the gap is small enough.
    unique : whether no other masses on the same regions are as likely.
    steps : taken.
    """

    left: Floats
    right: Floats
    mass: Floats
    log_likelihood: float
    gap: float
    converged: bool
    unique: bool
    steps: int

    def holding(self, doses: ArrayLike) -> xarray.Dataset:
        """The share still holding at each dose; a range inside a region.

        Returns
        -------
        Dataset along ``dose``: low, high [1]; equal where the data determine the share.
        """
        import xarray

        dose = np.atleast_1d(np.asarray(doses, dtype=float))
        sure = (self.right[None, :] <= dose[:, None]) @ self.mass
        point = self.left == self.right
        begun = (dose[:, None] > self.left[None, :]) | point & (dose[:, None] >= self.left)
        return xarray.Dataset(
            {
                "low": ("dose", np.clip(1 - begun @ self.mass, 0, 1)),
                "high": ("dose", np.clip(1 - sure, 0, 1)),
            },
            coords={"dose": dose},
        )

    def quantile(self, p: float) -> tuple[float, float]:
        """The region in which a share p has crossed: (left, right) [unit of dose].

        Where the curve lies at exactly 1 - p between two regions, the gap between them.
        """
        if not 0 < p < 1:
            raise ValueError(f"p is {p}; it must lie between 0 and 1")
        total = np.cumsum(self.mass)
        i = int(np.searchsorted(total, p - 1e-9))
        if abs(total[i] - p) < 1e-9 and i + 1 < total.size:
            return float(self.right[i]), float(self.left[i + 1])
        return float(self.left[i]), float(self.right[i])

    def rows(self) -> list[tuple[str, str]]:
        """(region, share) pairs that both reprs show."""
        return [
            (f"{a:g}" if a == b else f"{a:g} to {b:g}", f"{100 * m:.4g} %")
            for a, b, m in zip(self.left, self.right, self.mass, strict=True)
        ]

    def __repr__(self) -> str:
        rows = self.rows()
        width = max(len(a) for a, _ in rows)
        body = "\n".join(f"  {a:<{width}}  {b}" for a, b in rows)
        word = "" if self.converged else f"  [not converged, gap {self.gap:.1g}]"
        return f"TurnbullCurve: share of units that cross in each region{word}\n{body}"

    def _repr_html_(self) -> str:
        body = "".join(f"<tr><th>{a}</th><td>{b}</td></tr>" for a, b in self.rows())
        return f"<table>{body}</table>"


def turnbull(
    low: ArrayLike, high: ArrayLike, weights: ArrayLike | None = None, *, limit: int = 500
) -> TurnbullCurve:
    """The nonparametric curve of highest likelihood.

    Parameters
    ----------
    low, high : (unit,) as in `fit_crossings`: a unit crossed after low and by high.
    weights : (unit,) counts.
    limit : of steps.

    Raises
    ------
    ValueError : everything that is wrong with the arrays, at once.

    Examples
    --------
    >>> curve = turnbull([0, 2, 2, 4], [2, 4, 6, float("inf")])
    >>> curve.rows()
    [('0 to 2', '25 %'), ('2 to 4', '37.5 %'), ('4 to 6', '37.5 %')]
    """
    from durability.inference.crossing.brackets import checked_brackets

    a, b, w, _ = checked_brackets(low, high, weights)
    left, right, inside = _regions(a, b)
    # brackets that contain the same regions are one
    inside, code = np.unique(inside, axis=0, return_inverse=True)
    w = np.bincount(code.ravel(), weights=w)
    mass, steps = _climb(inside.astype(float), w, limit)
    gap = _gap(inside, w, mass)
    keep = mass > 0
    seen = inside[:, keep].astype(float)
    return TurnbullCurve(
        left=left[keep],
        right=right[keep],
        mass=mass[keep],
        log_likelihood=float(w @ np.log(inside @ mass)),
        gap=gap,
        converged=gap < NEAR_BEST,
        unique=bool(np.linalg.matrix_rank(seen) == keep.sum()),
        steps=steps,
    )


def _regions(low: Floats, high: Floats) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Where mass may lie, and which brackets contain it."""
    exact = low == high
    # at one dose: exact crossings begin, brackets end, brackets begin after it
    ends = [(x, 0 if e else 2, True) for x, e in zip(low, exact, strict=True)]
    ends += [(x, 1, False) for x in high]
    ends = sorted(set(ends))
    pairs = [(p, q) for p, q in pairwise(ends) if p[2] and not q[2]]
    left = np.array([p[0] for p, _ in pairs])
    right = np.array([q[0] for _, q in pairs])
    point = np.array([p[1] == 0 for p, _ in pairs])
    right = np.where(point, left, right)
    begins = (low[:, None] < left) | (low[:, None] == left) & (exact[:, None] == point)
    begins |= (low[:, None] == left) & exact[:, None] & point
    return left, right, begins & (right <= high[:, None])


def _climb(inside: Floats, w: Floats, limit: int) -> tuple[Floats, int]:
    from scipy.optimize import nnls

    n, size = float(w.sum()), inside.shape[1]
    mass = np.full(size, 1 / size)
    for _ in range(30):  # self-consistent steps first: slow at the end, safe at the start
        mass = mass * (inside.T @ (w / (inside @ mass))) / n
    for step in range(1, limit + 1):
        if _gap(inside, w, mass) < NEAR_BEST / 100:
            return _without_dust(inside, w, mass), step
        scaled = inside / (inside @ mass)[:, None]
        # the second-order fit of the log likelihood over shares: least squares with shares >= 0
        root = np.sqrt(w / n)[:, None]
        stacked = np.vstack([root * (scaled - 2), np.ones(size)])
        aim, _ = nnls(stacked, np.append(np.zeros(w.size), 1.0), maxiter=50 * size)
        aim = aim / aim.sum()
        value, share = w @ np.log(inside @ mass), 1.0
        slope = float((w @ scaled) @ (aim - mass))
        while True:
            trial = mass + share * (aim - mass)
            chance = inside @ trial
            if (chance > 0).all() and w @ np.log(chance) >= value + 0.3 * share * slope:
                break
            share /= 2
            if share < 1e-9:  # rounding: a self-consistent step never goes down
                trial = mass * (inside.T @ (w / (inside @ mass))) / n
                break
        mass = np.maximum(trial, 0) / np.maximum(trial, 0).sum()
    return _without_dust(inside, w, mass), limit


def _without_dust(inside: Floats, w: Floats, mass: Floats) -> Floats:
    """Masses of rounding size put to nothing where the likelihood does not miss them."""
    kept = np.where(mass > 1e-9, mass, 0.0)
    kept = kept / kept.sum()
    chance = inside @ kept
    if (chance <= 0).any() or w @ np.log(chance) < w @ np.log(inside @ mass) - 1e-7:
        return mass
    return kept


def _gap(inside: NDArray, w: Floats, mass: Floats) -> float:
    """Largest relative gain: max over regions of mean(1 / P of the brackets around it) - 1."""
    return float((inside.T @ (w / (inside @ mass))).max() / w.sum() - 1)
