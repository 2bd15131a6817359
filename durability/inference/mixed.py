"""How much do lots, containers and strips each vary? Linear mixed models by REML or ML.

    y = X β + Z b + e,   b ~ N(0, σ² Λ Λ'),   e ~ N(0, σ²)

with any number of groupings, nested or crossed, each with an intercept and slopes that may be
correlated. Λ is block diagonal in a lower triangle for each grouping (the relative covariance
factor). For given Λ the coefficients and σ are solved exactly, so that the deviance is a function
of the triangles alone; it is minimised with their diagonals at 0 or above, and a variance may be
estimated as nothing.

Method: D. Bates, M. Mächler, B. Bolker and S. Walker, Fitting linear mixed-effects models using
lme4, J. Stat. Softw. 67 (2015) no. 1 (from memory). Matrices are dense: meant for up to some
hundreds of groups. Checked in tests/outside/test_mixed.py against R's lme4.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from durability.inference.profiled_deviance import (
    BOUNDARY,
    INTERCEPT,
    Block,
    Grouping,
    System,
    labels_of,
    polish,
)

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Component:
    """How one grouping varies.

    Parameters
    ----------
    name : of the grouping.
    terms : ``intercept`` and slopes.
    covariance : (term, term) [square of the response's unit per term].
    groups : labels in order.
    effects : (group, term) conditional means of the deviations from the coefficients.
    """

    name: str
    terms: tuple[str, ...]
    covariance: Floats
    groups: tuple[str, ...]
    effects: Floats

    @property
    def sd(self) -> Floats:
        """Standard deviation of each term."""
        return np.sqrt(np.diag(self.covariance))

    @property
    def correlation(self) -> Floats:
        """Correlation of terms; nan where one does not vary."""
        with np.errstate(invalid="ignore", divide="ignore"):
            return self.covariance / np.outer(self.sd, self.sd)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MixedFit:
    """A linear mixed model.

    Parameters
    ----------
    names : of the coefficients.
    coefficients, covariance : (coefficient,) and its covariance.
    components : one a grouping.
    residual_sd : within groups.
    criterion : minus twice the log likelihood, restricted where method is REML.
    method : ``REML`` or ``ML``.
    n : rows.
    at_boundary : groupings of which some variance is estimated as nothing (or some correlation
        as 1).
    converged : whether the slope of the deviance vanishes at the answer.
    """

    names: tuple[str, ...]
    coefficients: Floats
    covariance: Floats
    components: tuple[Component, ...]
    residual_sd: float
    criterion: float
    method: Literal["REML", "ML"]
    n: int
    at_boundary: tuple[str, ...]
    converged: bool

    @property
    def standard_errors(self) -> Floats:
        """Of the coefficients; the error of the variances is not in them."""
        return np.sqrt(np.diag(self.covariance))

    @property
    def log_likelihood(self) -> float:
        """Log likelihood, restricted where the method is REML."""
        return -self.criterion / 2

    def component(self, name: str) -> Component:
        """How one grouping varies."""
        for found in self.components:
            if found.name == name:
                return found
        raise LookupError(
            f'no grouping "{name}"; known: {", ".join(c.name for c in self.components)}'
        )

    def rows(self) -> list[tuple[str, str]]:
        """(label, text) pairs that both reprs show."""
        found = [("method", f"{self.method}, {self.n} rows, criterion {self.criterion:.4f}")]
        found += [
            (n, f"{b:.6g} (se {s:.4g})")
            for n, b, s in zip(self.names, self.coefficients, self.standard_errors, strict=True)
        ]
        for c in self.components:
            sd = ", ".join(f"{t} {s:.5g}" for t, s in zip(c.terms, c.sd, strict=True))
            edge = "  [at the boundary]" if c.name in self.at_boundary else ""
            found.append((f"sd of {c.name}", f"{sd} ({len(c.groups)} groups){edge}"))
        return [*found, ("residual sd", f"{self.residual_sd:.5g}")]

    def __repr__(self) -> str:
        width = max(len(a) for a, _ in self.rows())
        return "MixedFit\n" + "\n".join(f"  {a:<{width}} {b}" for a, b in self.rows())

    def _repr_html_(self) -> str:
        import html

        body = "".join(
            f"<tr><th>{html.escape(a)}</th><td>{html.escape(b)}</td></tr>" for a, b in self.rows()
        )
        return f"<table>{body}</table>"


def fit_mixed(
    response: ArrayLike,
    *,
    fixed: Mapping[str, ArrayLike] | None = None,
    random: Sequence[Grouping],
    method: Literal["REML", "ML"] = "REML",
    intercept: bool = True,
) -> MixedFit:
    """Fit a linear mixed model.

    Parameters
    ----------
    response : (row,) numbers, such as log threshold doses.
    fixed : name to (row,) numbers, each with a coefficient.
    random : groupings.
    method : ``REML`` for variances, ``ML`` where likelihoods of different coefficients are
        compared.
    intercept : whether there is a common level.

    Returns
    -------
    MixedFit

    Raises
    ------
    ValueError : everything that is wrong with the arrays, at once.

    Examples
    --------
    Two containers of each of three lots (numbers invented):

    >>> lot = ["A", "A", "B", "B", "C", "C"]
    >>> fit = fit_mixed([9.0, 11.0, 19.0, 21.0, 29.0, 31.0], random=[Grouping(name="lot",
    ...     labels=lot)])
    >>> float(fit.coefficients[0].round(6)), round(fit.residual_sd, 4)
    (20.0, 1.4142)

    Mean squares are 200 between lots and 2 within, so the variance of lots is (200 - 2)/2 = 99:

    >>> float(fit.component("lot").covariance[0, 0].round(4))
    99.0
    """
    from scipy.optimize import minimize
    from threadpoolctl import threadpool_limits

    if method not in ("REML", "ML"):
        raise ValueError(f'method "{method}" is unknown; known: REML, ML')
    names, x, y = _checked(response, fixed or {}, random, intercept)
    blocks = [Block.of(g) for g in random]
    system = System.of(x, y, blocks, method == "REML")
    start = np.concatenate([b.start for b in blocks])
    lower = np.concatenate([b.lower for b in blocks])
    bounds = [(low, None) for low in lower]
    with threadpool_limits(1, user_api="blas"):  # small matrices: threads only wait for each other
        found = minimize(
            lambda t: system.solve(t)[:2],
            start,
            jac=True,
            method="L-BFGS-B",
            bounds=bounds,
            options={"ftol": 1e-14, "gtol": 1e-8, "maxiter": 500},
        )
        theta, converged = polish(system, np.asarray(found.x), lower)
    return _fit(system, blocks, theta, names, method, converged)


def _checked(
    response: ArrayLike,
    fixed: Mapping[str, ArrayLike],
    random: Sequence[Grouping],
    intercept: bool,
) -> tuple[tuple[str, ...], Floats, Floats]:
    faults: list[str] = []
    y = np.asarray(response, dtype=float)
    if y.ndim != 1:
        raise ValueError(f"response has shape {y.shape}; expected one number a row")
    columns = {INTERCEPT: np.ones(y.size)} if intercept else {}
    columns |= {name: np.asarray(v, dtype=float) for name, v in fixed.items()}
    if not random:
        faults.append("no grouping; expected at least one")
    if not columns:
        faults.append("no coefficient; expected an intercept or a column in fixed")
    slopes = {f"{n} of {g.name}": np.asarray(v, dtype=float)
              for g in random for n, v in g.slopes.items()}  # fmt: skip
    for name, v in {"response": y, **columns, **slopes}.items():
        if v.shape != y.shape:
            faults.append(f"{name} has shape {v.shape}; expected {y.shape}")
        elif not np.isfinite(v).all():
            faults.append(f"{name} has a number that is missing or infinite")
    for g in random:
        labels = np.asarray(g.labels)
        if labels.shape != y.shape:
            faults.append(f"labels of {g.name} have shape {labels.shape}; expected {y.shape}")
        elif np.unique(labels).size < 2 and g.within is None:
            faults.append(f"{g.name} has one group; expected two or more to tell how they vary")
        elif np.unique(labels_of(g)).size == y.size:
            faults.append(f"{g.name} has one row a group; its spread cannot be told from the rest")
        if not g.intercept and not g.slopes:
            faults.append(f"{g.name} has neither intercept nor slopes; expected one")
    if not faults:
        x = np.column_stack(list(columns.values()))
        scaled = x / np.maximum(np.abs(x).max(0), 1e-300)
        if np.linalg.matrix_rank(scaled) < x.shape[1]:
            faults.append(f"columns repeat each other: {', '.join(columns)}")
        elif y.size <= x.shape[1]:
            faults.append(f"{y.size} rows for {x.shape[1]} coefficients; expected more")
        elif np.square(y - x @ np.linalg.lstsq(x, y, rcond=None)[0]).sum() <= 1e-24 * (y @ y):
            faults.append("the response does not vary about its coefficients; nothing to divide")
    if faults:
        raise ValueError("; ".join(faults))
    return tuple(columns), np.column_stack(list(columns.values())), y


def _fit(
    system: System,
    blocks: list[Block],
    theta: Floats,
    names: tuple[str, ...],
    method: Literal["REML", "ML"],
    converged: bool,
) -> MixedFit:
    solved = system.solve(theta)
    components, edge, at, place = [], [], 0, 0
    for b in blocks:
        triangle = b.triangle(theta[at : at + b.rows.size])
        at += b.rows.size
        k, m = len(b.terms), len(b.groups)
        effects = solved.effects[place : place + k * m].reshape(m, k)
        place += k * m
        if (np.abs(np.diag(triangle)) <= BOUNDARY * max(1e-300, np.abs(triangle).max())).any():
            edge.append(b.name)
        components.append(
            Component(
                name=b.name,
                terms=b.terms,
                covariance=solved.sigma2 * triangle @ triangle.T,
                groups=b.groups,
                effects=effects,
            )
        )
    return MixedFit(
        names=names,
        coefficients=solved.beta,
        covariance=solved.sigma2 * solved.unscaled,
        components=tuple(components),
        residual_sd=float(np.sqrt(solved.sigma2)),
        criterion=solved.deviance,
        method=method,
        n=system.n,
        at_boundary=tuple(edge),
        converged=converged,
    )


__all__ = ["Component", "Grouping", "MixedFit", "fit_mixed"]
