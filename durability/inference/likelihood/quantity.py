"""Of what is an interval asked? Parameters, functions of them, doses at which a level is met."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.inference.likelihood.mean import SCALE, START, Mean
from durability.inference.likelihood.profile import Condition
from durability.laws import Law

if TYPE_CHECKING:
    from durability.inference.likelihood.result import CurveFit, What

REACH = 12.0
"""A threshold is sought within exp(-+12) of the doses tested."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Quantity:
    """A quantity as a condition on theta.

    Parameters
    ----------
    name : shown.
    condition : see `profile.Condition`; c is the log of the value where `log`.
    centre : c at the best fit; None where the quantity does not exist there.
    slope : (p,) of c by theta, for the standard error.
    solve_for : entry of theta that the condition is solved for.
    log : c is a log.
    reach : c beyond which a limit counts as not existing.
    wald_log : Wald limits are made on the log scale by default.
    rebuild : the same quantity of another fit.
    linear : the condition is a straight line in the entry that it is solved for.
    """

    name: str
    condition: Condition
    centre: float | None
    slope: np.ndarray
    solve_for: int
    log: bool
    reach: tuple[float, float]
    wald_log: bool
    rebuild: Callable[[CurveFit], Quantity]
    linear: bool = False


def quantity(fit: CurveFit, what: What) -> Quantity:
    """A parameter by name, or a function of the mapping parameter -> value."""
    likelihood = fit.likelihood
    if callable(what):
        return _function(fit, what)
    if what not in likelihood.names:
        known = ", ".join(likelihood.names)
        raise ValueError(f"the fit has no parameter {what!r}; it has: {known}")
    j = likelihood.names.index(what)
    if not likelihood.free[j]:
        raise ValueError(f"{what} was held; it has no interval")
    unit = np.eye(fit.theta.size)[j]

    def condition(theta: np.ndarray, c: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        return theta[:, j] - c, np.broadcast_to(unit, theta.shape)

    log = bool(likelihood.is_log[j])
    return Quantity(
        name=what,
        condition=condition,
        centre=float(fit.theta[j]),
        slope=unit,
        solve_for=j,
        log=log,
        wald_log=log,
        linear=True,
        rebuild=lambda f: quantity(f, what),
        reach=(float(likelihood.lower[j]), float(likelihood.upper[j])),
    )


def _function(fit: CurveFit, function: Callable[[Mapping[str, float]], float]) -> Quantity:
    likelihood = fit.likelihood
    names = likelihood.names

    def value(theta: np.ndarray) -> float:
        natural = likelihood.natural(theta)
        return float(function(dict(zip(names, natural.tolist(), strict=True))))

    free = np.flatnonzero(likelihood.free)
    error = np.sqrt(np.maximum(np.nan_to_num(np.diag(fit.covariance)), 0.0))

    def slopes(theta: np.ndarray) -> np.ndarray:
        found = np.zeros_like(theta)
        for j in free:
            h = 1e-5 * (error[j] or max(abs(theta[j]), 1e-3))
            up, down = theta.copy(), theta.copy()
            up[j] += h
            down[j] -= h
            found[j] = (value(up) - value(down)) / (2 * h)
        return found

    def condition(theta: np.ndarray, c: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        gap = np.array([value(t) for t in theta]) - c
        return gap, np.array([slopes(t) for t in theta])

    slope = slopes(fit.theta)
    name = getattr(function, "__name__", "function")
    return Quantity(
        name="function" if name == "<lambda>" else name,
        condition=condition,
        centre=value(fit.theta),
        slope=slope,
        solve_for=int(np.argmax(np.abs(slope) * error)),
        log=False,
        reach=(-np.inf, np.inf),
        wald_log=False,
        rebuild=lambda f: _function(f, function),
    )


def _row_of(fit: CurveFit, group: str | None) -> int:
    """A row of the data that belongs to the group."""
    labels = [fit.data.groups, *fit.data.partitions.values()]
    if group is not None:
        for label in labels:
            if (label == group).any():
                return int(np.flatnonzero(label == group)[0])
        known = sorted({str(g) for label in labels for g in label if g})
        raise ValueError(f"group {group!r} is unknown; known: {', '.join(known) or 'none'}")
    shared = all(
        b.columns is None or (b.columns == b.columns[0]).all() for b in fit.likelihood.mean.blocks
    )
    if not shared:
        known = sorted({str(g) for label in labels for g in label if g})
        raise ValueError(f"say which group; known: {', '.join(known)}")
    return 0


def mean_at(fit: CurveFit, x: Any, *, group: str | None, at: Mapping[str, float] | None) -> Mean:
    """The fitted mean at other places."""
    names = list(fit.data.x)
    if isinstance(x, Mapping):
        arrays = {k: np.atleast_1d(np.asarray(x[k], dtype=float)) for k in names}
    else:
        arrays = {names[0]: np.atleast_1d(np.asarray(x, dtype=float))}
        for k in names[1:]:
            if at is None or k not in at:
                raise ValueError(f"say at which {k}, with at=")
            arrays[k] = np.full(arrays[names[0]].shape, float(at[k]))
    size = np.broadcast_shapes(*(v.shape for v in arrays.values()))[0]
    arrays = {k: np.broadcast_to(v, (size,)) for k, v in arrays.items()}
    return fit.likelihood.mean.at(arrays, [_row_of(fit, group)] * size)


def _entry(mean: Mean, name: str, row: int) -> int:
    """The entry of theta that sets a parameter of this row."""
    for block, place in zip(mean.blocks, mean.places, strict=True):
        if block.name == name:
            if block.columns is None:
                return place.start
            return place.start + int(np.flatnonzero(block.columns[row])[0])
    raise AssertionError(name)


def _log_reach(fit: CurveFit) -> tuple[float, float]:
    dose = fit.data.x["dose"]
    lit = dose[dose > 0]
    return math.log(lit.min()) - REACH, math.log(lit.max()) + REACH


def threshold(fit: CurveFit, fraction: float, group: str | None) -> Quantity:
    """Dose at which a fraction of the unexposed strength is left: c = log of it."""
    law, mean = fit.law, fit.likelihood.mean
    assert isinstance(law, Law)
    if not 0 < fraction < 10:
        raise ValueError(f"fraction is {fraction:g}; it must be above 0, such as 0.5")
    row = _row_of(fit, group)
    here = mean.at({"dose": np.zeros(1)}, [row])
    names = [s.name for s in law.shapes]
    spots = dict(
        zip([b.name for b in here.blocks], zip(here.blocks, here.places, strict=True), strict=True)
    )
    width = fit.theta.size
    fitted = here.parameters(fit.theta[None, : mean.size])
    near = float(law.crossings(fraction, {k: np.exp(fitted[k][0, 0]) for k in names})[0])

    def condition(theta: np.ndarray, c: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        values = here.parameters(theta[:, : mean.size])
        shape = {k: np.exp(values[k][:, 0]) for k in names}
        u = np.broadcast_to(_falls_to(law, fraction, shape, near), c.shape)
        with np.errstate(all="ignore"):
            _, slope = law.tape.slopes({"u": u, **shape}, ("u", *names))
            slope = np.broadcast_to(slope, (*c.shape, 1 + len(names)))
            gap = values[SCALE][:, 0] + np.log(u) - c
        out = np.zeros((len(theta), width))

        def put(name: str, by: Any) -> None:
            block, place = spots[name]
            columns = np.ones(1) if block.columns is None else block.columns[0]
            out[:, place] = np.asarray(by).reshape(-1, 1) * columns

        put(SCALE, np.ones(len(theta)))
        for i, k in enumerate(names):
            with np.errstate(all="ignore"):
                put(k, -shape[k] * slope[:, i + 1] / (u * slope[:, 0]))
        return gap, out

    gap, slope = condition(fit.theta[None, :], np.zeros(1))
    centre = float(gap[0]) if np.isfinite(gap[0]) else None
    label = f"threshold dose at {100 * fraction:g} %" + (f" of {group}" if group else "")
    return Quantity(
        name=label,
        condition=condition,
        centre=centre,
        slope=slope[0],
        solve_for=_entry(mean, SCALE, row),
        log=True,
        reach=_log_reach(fit),
        wald_log=True,
        linear=True,
        rebuild=lambda f: threshold(f, fraction, group),
    )


def _falls_to(law: Law, fraction: float, shape: dict[str, np.ndarray], near: float) -> np.ndarray:
    """Scaled dose at which the curve is down to a fraction, NaN where it never is.

    Where a falling law has no closed inverse, Newton's steps in log dose from a dose nearby are
    tried before the bracketed search; a curve that never rises has one crossing only.
    """
    if law.inverse_tape is None and law.monotone and law.floor < fraction < 1 and near > 0:
        size = np.broadcast_shapes(*(v.shape for v in shape.values()))
        u = np.full(size, near)
        with np.errstate(all="ignore"):
            for _ in range(12):
                value, slope = law.tape.slopes({"u": u, **shape}, ("u",))
                step = (value - fraction) / (u * slope[..., 0])
                u = u * np.exp(-np.clip(step, -2.0, 2.0))
                if not (np.abs(step) > 1e-14).any():
                    break
        if (np.abs(step) <= 1e-13).all():
            return u
    u, exists = law.crossings(fraction, shape)
    return np.where(exists, u, np.nan)


def crossing(
    fit: CurveFit,
    level: float,
    *,
    group: str | None,
    predictor: str | None,
    at: Mapping[str, float] | None,
) -> Quantity:
    """Place at which the curve meets a level: c is the predictor (its log for a law)."""
    mean = fit.likelihood.mean
    is_law = isinstance(fit.law, Law)
    names = list(fit.data.x)
    along = names[0] if predictor is None else predictor
    if along not in names:
        raise ValueError(f"{fit.law.name} has no predictor {along!r}; it has: {', '.join(names)}")
    row = _row_of(fit, group)
    others = {}
    for k in names:
        if k != along:
            if at is None or k not in at:
                raise ValueError(f"say at which {k}, with at=")
            others[k] = float(at[k])
    goal = math.log(level) if mean.log else level
    width = fit.theta.size

    def curve(theta: np.ndarray, c: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        x = {
            along: (np.exp(c) if is_law else c)[:, None],
            **{k: np.full((len(c), 1), v) for k, v in others.items()},
        }
        value, slope = mean.at(x, [row]).slopes(theta[:, : mean.size])
        out = np.zeros((len(theta), width))
        out[:, : mean.size] = slope[:, 0]
        return value[:, 0] - goal, out

    reach = _log_reach(fit) if is_law else (-np.inf, np.inf)
    centre = _first_root(fit, curve, along, is_law, reach)
    error = np.sqrt(np.maximum(np.nan_to_num(np.diag(fit.covariance)), 0.0))
    slope, solve = np.zeros(width), 0
    if centre is not None:
        _, by = curve(fit.theta[None, :], np.array([centre]))
        h = 1e-6 * (1.0 if is_law else max(abs(centre), 1e-12))
        pair = curve(np.repeat(fit.theta[None, :], 2, axis=0), centre + np.array([h, -h]))[0]
        slope = -by[0] / ((pair[0] - pair[1]) / (2 * h))
        solve = int(np.argmax(np.abs(by[0]) * error))
        start = _entry(mean, START, row) if is_law else None
        if start is not None and fit.likelihood.free[start]:
            solve = start
    label = f"{along} at which {level:g} is left" + (f" of {group}" if group else "")
    return Quantity(
        name=label,
        condition=curve,
        centre=centre,
        slope=slope,
        solve_for=solve,
        log=is_law,
        reach=reach,
        wald_log=is_law,
        rebuild=lambda f: crossing(f, level, group=group, predictor=predictor, at=at),
    )


def _first_root(
    fit: CurveFit, curve: Condition, along: str, is_law: bool, reach: tuple[float, float]
) -> float | None:
    """The first place from the start of the data on at which the curve meets the level."""
    from scipy.optimize import brentq

    seen = fit.data.x[along]
    low, high = float(seen.min()), float(seen.max())
    span = max(high - low, 1e-12 * max(abs(high), 1e-300))
    if is_law:
        grid = np.linspace(reach[0], reach[1], 400)
    else:
        grid = np.concatenate(
            [np.linspace(low, high, 101), high + span * np.geomspace(1e-3, 1e9, 400)]
        )
    theta = np.repeat(fit.theta[None, :], grid.size, axis=0)
    value = curve(theta, grid)[0]
    turn = np.flatnonzero(
        (np.sign(value[1:]) != np.sign(value[:-1]))
        & np.isfinite(value[1:])
        & np.isfinite(value[:-1])
    )
    if not turn.size:
        return None
    at = int(turn[0])

    def one(c: float) -> float:
        return float(curve(fit.theta[None, :], np.array([c]))[0][0])

    if value[at] == 0:
        return float(grid[at])
    root: Any = brentq(
        one, grid[at], grid[at + 1], xtol=1e-14 * max(1, abs(grid[at])), rtol=np.float64(4e-15)
    )
    return float(root)
