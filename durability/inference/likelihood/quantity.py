"""Of what is an interval asked? Parameters, functions of them, doses at which a level is met."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from durability.inference.likelihood.mean import SCALE, START, Mean
from durability.inference.likelihood.minimise import minimise
from durability.inference.likelihood.profile import (
    Calibration,
    Condition,
    allowed,
    profile_at,
    profile_limits,
)
from durability.laws import Law

if TYPE_CHECKING:
    import xarray

    from durability.inference.likelihood.result import CurveFit, Interval, Method, What

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

    def condition(theta: np.ndarray, c: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        values = here.parameters(theta[:, : mean.size])
        shape = {k: np.exp(values[k][:, 0]) for k in names}
        u, exists = law.crossings(fraction, shape)
        u = np.broadcast_to(np.where(exists, u, np.nan), c.shape)
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
    return float(
        brentq(one, grid[at], grid[at + 1], xtol=1e-14 * max(1, abs(grid[at])), rtol=1e-15 * 4)
    )


@np.errstate(all="ignore")
def interval_of(
    fit: CurveFit,
    asked: Quantity,
    *,
    level: float,
    method: Method,
    calibration: Calibration,
    log: bool | None = None,
    sides: Literal[1, 2] = 2,
) -> Interval:
    """The interval of a quantity; see `CurveFit.interval`."""
    from durability.inference.likelihood.result import Interval

    if not 0 < level < 1:
        raise ValueError(f"level is {level:g}; it must lie between 0 and 1")
    if method not in ("profile", "wald"):
        raise ValueError(f'method "{method}" is unknown; known: profile, wald')
    if sides == 1 and level <= 0.5:
        raise ValueError(f"level of a one-sided bound is {level:g}; it must be above 0.5")
    both = level if sides == 2 else 2 * level - 1

    def shown(c: float | None) -> float | None:
        return None if c is None else (math.exp(c) if asked.log else c)

    variance = (
        float(asked.slope @ np.nan_to_num(fit.covariance, nan=np.inf) @ asked.slope)
        if (np.isfinite(asked.slope).all())
        else math.nan
    )
    error = math.sqrt(variance) if math.isfinite(variance) and variance > 0 else math.nan
    value = shown(asked.centre)
    shown_error = (
        None
        if not math.isfinite(error) or value is None
        else (error * value if asked.log else error)
    )
    note = ""
    spoiled = [f for f in ("perfect_fit", "constant_response") if f in fit.flags]
    flat = (
        "no_loss_seen" in fit.flags
        and asked.log
        and asked.centre is not None
        and (asked.centre > asked.reach[1] - 3)
    )
    if value is None:
        note = "the fitted curve never reaches it"
    if flat:
        value, shown_error, note = None, None, "the strips show no loss"
    if spoiled:
        note = "no scatter from which limits could be made"
        low = high = None
    elif fit.residual_freedom <= 0:
        low = high = None
        note = "as many parameters as strips: no scatter is left to judge by"
    elif method == "wald":
        low, high = _wald(asked, error, both, fit, calibration, log)
    else:
        low, high = _profile(fit, asked, error, allowed(both, fit.n, fit.parameters, calibration))
        low, high = shown(low), shown(high)
    if flat:
        high = None
    if sides == 1:
        high = None
    return Interval(
        name=asked.name,
        value=value,
        low=low,
        high=high,
        level=level,
        method=method,
        calibration=calibration
        if method == "profile"
        else ("t" if calibration == "F" else "normal"),
        standard_error=shown_error,
        note=note,
    )


def _wald(
    asked: Quantity, error: float, level: float, fit: CurveFit, calibration: str, log: bool | None
) -> tuple[float | None, float | None]:
    from scipy.special import ndtri, stdtrit

    if asked.centre is None or not math.isfinite(error):
        return None, None
    tail = 0.5 + level / 2
    t = float(ndtri(tail) if calibration == "chi2" else stdtrit(fit.residual_freedom, tail))
    value = math.exp(asked.centre) if asked.log else asked.centre
    on_log = asked.wald_log if log is None else log
    if on_log:
        by = t * (error if asked.log else error / abs(value))
        return value * math.exp(-by), value * math.exp(by)
    by = t * (error * value if asked.log else error)
    return value - by, value + by


def _profile(
    fit: CurveFit, asked: Quantity, error: float, deviance: float
) -> tuple[float | None, float | None]:
    for _ in range(3):
        centre, theta = asked.centre, fit.theta
        if centre is None:
            begun = _where_it_exists(fit, asked, deviance)
            if begun is None:
                return None, None
            centre, theta = begun
        flat = asked.log and centre > asked.reach[1] - 3  # at the limit of no loss
        sides = (-1,) if flat or asked.centre is None else (-1, 1)
        width = (
            error
            if math.isfinite(error) and error > 0
            else (1.0 if asked.log else 0.1 * abs(centre) + 1e-3)
        )
        rate = np.nan_to_num(fit.covariance) @ asked.slope / width**2
        found = profile_limits(
            fit.likelihood,
            fit.theta,
            asked.condition,
            centre,
            width,
            asked.solve_for,
            deviance,
            reach=asked.reach,
            sides=sides,
            begin=theta,
            linear=asked.linear,
            rate=None if asked.centre is None or width != error else rate,
        )
        if found.better is None:
            low, high = found.low, found.high if asked.centre is not None else None
            if asked.log and np.isfinite(asked.reach).all():  # limits at the far end are none
                low = None if low is None or low < asked.reach[0] + 3 else low
                high = None if high is None or high > asked.reach[1] - 3 else high
            return low, high
        likelihood = fit.likelihood
        again = minimise(
            likelihood,
            found.better[None, :],
            lower=likelihood.lower,
            upper=likelihood.upper,
            most=500,
            tolerance=1e-10,
        )
        fit = fit.with_theta(again.theta[0])
        asked = asked.rebuild(fit)
    return None, None


def _where_it_exists(
    fit: CurveFit, asked: Quantity, deviance: float
) -> tuple[float, np.ndarray] | None:
    """A value of a threshold that the best fit never reaches, but that the data allow."""
    from durability.inference.likelihood.starts import shape_grid

    law, mean = fit.law, fit.likelihood.mean
    if not isinstance(law, Law):
        return None
    lit = fit.data.x["dose"].max()
    shapes = shape_grid(law)
    theta = np.repeat(fit.theta[None, :], len(shapes), axis=0)
    for i, s in enumerate(law.shapes):
        for block, place in zip(mean.blocks, mean.places, strict=True):
            if block.name == s.name and (block.lower < block.upper).all():
                theta[:, place] = shapes[:, i : i + 1]
    best = float(fit.likelihood(fit.theta[None, :])[0][0])
    for ahead in (3.0, 1.5, 0.5, 0.0):
        c = math.log(lit) + ahead
        value, found = profile_at(
            fit.likelihood,
            asked.condition,
            np.full(len(theta), c),
            theta,
            np.full(len(theta), asked.solve_for),
            asked.linear,
        )
        at = int(np.argmin(value))
        if 2 * (value[at] - best) < deviance:
            return c, found[at]
    return None


@np.errstate(all="ignore")
def profile_curve(fit: CurveFit, asked: Quantity, *, level: float, points: int) -> xarray.Dataset:
    """Deviance and its signed root at values across the interval; see `CurveFit.profile`."""
    import xarray

    if asked.centre is None:
        raise ValueError(f"{asked.name} does not exist at the best fit; it has no profile")
    variance = float(asked.slope @ np.nan_to_num(fit.covariance) @ asked.slope)
    error = math.sqrt(variance) if variance > 0 else 0.1 * (1 + abs(asked.centre))
    bound = allowed(level, fit.n, fit.parameters, "F")
    ends = profile_limits(
        fit.likelihood,
        fit.theta,
        asked.condition,
        asked.centre,
        error,
        asked.solve_for,
        bound,
        reach=asked.reach,
    )
    low = asked.centre - 4 * error if ends.low is None else ends.low
    high = asked.centre + 4 * error if ends.high is None else ends.high
    best = float(fit.likelihood(fit.theta[None, :])[0][0])
    below = np.linspace(asked.centre, low, points // 2 + 1)
    above = np.linspace(asked.centre, high, points // 2 + 1)
    roots = []
    theta = np.repeat(fit.theta[None, :], 2, axis=0)
    for c in np.column_stack([below, above])[1:]:  # both sides outward, from the last point
        value, theta = profile_at(
            fit.likelihood, asked.condition, c, theta, np.full(2, asked.solve_for), asked.linear
        )
        roots.append(np.sqrt(np.maximum(2 * (value - best), 0.0)))
    z = np.array(roots)
    c = np.concatenate([below[:0:-1], [asked.centre], above[1:]])
    root = np.concatenate([-z[::-1, 0], [0.0], z[:, 1]])
    value = np.exp(c) if asked.log else c
    return xarray.Dataset(
        {"root": ("value", root), "deviance": ("value", root**2)},
        coords={"value": value},
        attrs={"of": asked.name},
    )
