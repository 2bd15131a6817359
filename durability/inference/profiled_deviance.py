"""How likely are rows at given relative spreads of groups? The profiled deviance of a mixed model.

For given triangles Λ the coefficients and σ are solved from the normal equations of all rows; what
is left is a function of the triangles alone, with its exact slope.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]

INTERCEPT = "intercept"
BOUNDARY = 1e-5
"""A relative standard deviation below this is at the boundary: its variance is reported as 0."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Grouping:
    """One way in which rows belong together.

    Parameters
    ----------
    name : such as ``"lot"``.
    labels : (row,) the group of each row.
    slopes : name to (row,) numbers: slopes that vary between groups.
    intercept : whether the level varies.
    correlated : whether intercept and slopes have covariances, or variances alone.
    within : (row,) labels of an enclosing grouping where `labels` repeat in each, such as cask
        ``a``, ``b``, ``c`` in every batch; None where labels are unique.
    """

    name: str
    labels: ArrayLike
    slopes: Mapping[str, ArrayLike] = field(default_factory=dict)
    intercept: bool = True
    correlated: bool = True
    within: ArrayLike | None = None


def labels_of(g: Grouping) -> NDArray[Any]:
    labels = np.asarray(g.labels).astype(str)
    if g.within is None:
        return labels
    outer = np.asarray(g.within).astype(str)
    return np.array([f"{a}:{b}" for a, b in zip(outer, labels, strict=True)])


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """One grouping: its columns of Z (group by group, term by term) and its triangle."""

    name: str
    terms: tuple[str, ...]
    groups: tuple[str, ...]
    z: Floats
    rows: NDArray[np.int64]
    columns: NDArray[np.int64]

    @classmethod
    def of(cls, g: Grouping) -> Block:
        known, code = np.unique(labels_of(g), return_inverse=True)
        parts = [np.ones(code.size)] if g.intercept else []
        parts += [np.asarray(v, dtype=float) for v in g.slopes.values()]
        k = len(parts)
        z = np.zeros((code.size, known.size * k))
        for j, part in enumerate(parts):
            z[np.arange(code.size), code * k + j] = part
        rows, columns = np.tril_indices(k) if g.correlated else (np.arange(k), np.arange(k))
        terms = ((INTERCEPT,) if g.intercept else ()) + tuple(g.slopes)
        return cls(g.name, terms, tuple(known.tolist()), z, rows, columns)

    @property
    def start(self) -> Floats:
        # in units of the terms' own size, so that slopes of any unit begin within reach
        size = np.sqrt((self.z**2).sum(0).reshape(len(self.groups), -1).sum(0) / len(self.z))
        return np.where(self.rows == self.columns, 1 / size[self.rows], 0.0)

    @property
    def lower(self) -> Floats:
        return np.where(self.rows == self.columns, 0.0, -np.inf)

    def triangle(self, theta: Floats) -> Floats:
        found = np.zeros((len(self.terms), len(self.terms)))
        found[self.rows, self.columns] = theta
        return found


class Solved(NamedTuple):
    deviance: float
    slope: Floats
    sigma2: float
    beta: Floats
    unscaled: Floats
    effects: Floats


@dataclass(frozen=True, slots=True, eq=False)
class System:
    """The normal equations of all rows, ready for any triangle."""

    blocks: list[Block]
    zz: Floats
    zx: Floats
    zy: Floats
    xx: Floats
    xy: Floats
    yy: float
    n: int
    reml: bool

    @classmethod
    def of(cls, x: Floats, y: Floats, blocks: list[Block], reml: bool) -> System:
        z = np.concatenate([b.z for b in blocks], axis=1)
        return cls(blocks, z.T @ z, z.T @ x, z.T @ y, x.T @ x, x.T @ y, float(y @ y), y.size, reml)

    def factor(self, theta: Floats) -> Floats:
        found, place = np.zeros_like(self.zz), 0
        for b, part in zip(self.blocks, self.split(theta), strict=True):
            size = b.z.shape[1]
            inside = slice(place, place + size)
            found[inside, inside] = np.kron(np.eye(len(b.groups)), b.triangle(part))
            place += size
        return found

    def split(self, theta: Floats) -> list[Floats]:
        return np.split(theta, np.cumsum([b.rows.size for b in self.blocks])[:-1])

    def solve(self, theta: Floats) -> Solved:
        """Everything at given triangles.

        With V = I + Z Λ Λ' Z', e the residuals and C the inverse of X'V⁻¹X, the slope of the
        deviance in an entry of Λ is twice the same entry of
        (Z'V⁻¹Z - f/rest Z'V⁻¹e e'V⁻¹Z - Z'V⁻¹X C X'V⁻¹Z) Λ, the last term for REML only.
        """
        from scipy.linalg import cho_solve, cholesky, solve_triangular

        factor = self.factor(theta)
        half = factor.T @ self.zz
        inner = half @ factor
        inner[np.diag_indices_from(inner)] += 1
        lower = cholesky(inner, lower=True, check_finite=False)
        p = self.xx.shape[0]
        right = np.concatenate([factor.T @ self.zx, (factor.T @ self.zy)[:, None], half], axis=1)
        right = solve_triangular(lower, right, lower=True, check_finite=False)
        rzx, cu, w = right[:, :p], right[:, p], right[:, p + 1 :]
        rx = cholesky(self.xx - rzx.T @ rzx, lower=True)
        cb = solve_triangular(rx, self.xy - rzx.T @ cu, lower=True)
        beta = solve_triangular(rx.T, cb, lower=False)
        unscaled = cho_solve((rx, True), np.eye(p))
        rest = self.yy - cu @ cu - cb @ cb
        free = self.n - p if self.reml else self.n
        log_det = 2 * np.log(np.diag(lower)).sum()
        zvx = self.zx - w.T @ rzx
        zve = self.zy - w.T @ cu - zvx @ beta
        middle = self.zz - w.T @ w - free / rest * np.outer(zve, zve)
        if self.reml:
            log_det += 2 * np.log(np.diag(rx)).sum()
            middle -= zvx @ unscaled @ zvx.T
        deviance = float(log_det + free * (1 + np.log(2 * np.pi * rest / free)))
        u = solve_triangular(lower.T, cu - rzx @ beta, lower=False)
        slope = self._gather(2 * middle @ factor)
        return Solved(deviance, slope, float(rest / free), beta, unscaled, factor @ u)

    def _gather(self, full: Floats) -> Floats:
        """Sums over groups of the entries that one parameter fills."""
        found, place = [], 0
        for b in self.blocks:
            k, m = len(b.terms), len(b.groups)
            part = full[place : place + k * m, place : place + k * m].reshape(m, k, m, k)
            found.append(np.einsum("gigj->ij", part)[b.rows, b.columns])
            place += k * m
        return np.concatenate(found)


def polish(system: System, theta: Floats, lower: Floats) -> tuple[Floats, bool]:
    """Newton steps in the parameters that are not at their bound, and whether they arrived."""
    theta = theta.copy()
    theta[(lower == 0) & (theta < BOUNDARY * max(1.0, np.abs(theta).max()))] = 0.0
    free = np.flatnonzero(~((lower == 0) & (theta == 0)))
    now = system.solve(theta)
    for _ in range(8):
        if free.size == 0:
            return theta, True
        bend = np.empty((free.size, free.size))
        for j, i in enumerate(free):
            e = np.zeros(theta.size)
            e[i] = 1e-4 * max(abs(theta[i]), 1e-2)
            ahead, behind = system.solve(theta + e), system.solve(theta - e)
            bend[j] = (ahead.slope - behind.slope)[free] / (2 * e[i])
        bend = (bend + bend.T) / 2
        if np.linalg.eigvalsh(bend).min() <= 0:
            break
        step = np.zeros(theta.size)
        step[free] = -np.linalg.solve(bend, now.slope[free])
        if (theta + step < lower).any():
            break
        trial = system.solve(theta + step)
        if trial.deviance > now.deviance + 1e-9:
            break
        gain = float(-now.slope @ step)
        theta, now = theta + step, trial
        if gain < 1e-16:
            return theta, True
    return theta, bool(np.abs(now.slope[free]).max(initial=0) < 1e-3)
