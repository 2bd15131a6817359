"""Which parameters do these numbers support? Fits a law or a free curve to arrays by likelihood."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from durability.inference.likelihood.data import Strips, gather
from durability.inference.likelihood.errors import ERRORS, Errors, Likelihood
from durability.inference.likelihood.mean import SCALE, Mean, build_mean
from durability.inference.likelihood.minimise import minimise
from durability.inference.likelihood.result import CurveFit
from durability.inference.likelihood.starts import curve_starts, law_starts
from durability.laws import Curve, Law, read_curve, read_law
from durability.study.problem import Problem, StudyError

NO_LOSS_REACH = 12.0
"""A scale is sought within exp(-+12) of the doses tested; at that limit the curve is flat."""


def fit_curve(
    law: str | Path | Law | Curve,
    x: Any,
    y: Any,
    *,
    errors: Errors | None = None,
    n: Any = None,
    sd: Any = None,
    weights: Any = None,
    censored: Any = None,
    groups: Sequence[str] | None = None,
    separate: Sequence[str] | None = None,
    partitions: Mapping[str, Sequence[str]] | None = None,
    effects: Mapping[str, Mapping[str, Any]] | None = None,
    fixed: Mapping[str, float] | None = None,
    start: Mapping[str, float] | None = None,
    starts: int = 8,
    seed: int = 0,
) -> CurveFit:
    """Fit a degradation law or a free curve by maximum likelihood.

    Good starts are found without help; the gradient is exact; the best of several searches is
    kept and refined to rounding.

    Parameters
    ----------
    law : a law's name or file, a `Law`, or a `Curve` (see `durability.laws.read_curve`).
    x : doses (n,) of a law, or predictors of a curve: an array, or a mapping of arrays by name.
    y : strengths (n,), or their means where `n` and `sd` are given.
    errors : ``"lognormal"`` (the default of a law), ``"normal"`` (of a free curve), ``"power"`` or
        ``"student"``; see `durability.inference.likelihood.errors`.
    n, sd : of summaries: strips behind each mean, and their standard deviation.
    weights : a strip's variance is sigma² / weight.
    censored : -1 where the strength is below y, +1 where it is at least y, 0 measured.
    groups : label of each value (material, lot, temperature).
    separate : parameters that every group has of its own; unexposed and scale of a law, all of a
        curve, unless said otherwise. The rest is shared.
    partitions : parameter -> labels of its own, for parameters that go by different groups.
    effects : parameter -> covariate -> values (n,): the parameter changes linearly with it on the
        scale on which it is estimated (log where it is positive).
    fixed : parameter -> known value.
    start : parameter -> value to begin from, tried first.
    starts : searches made.
    seed : of the random places where a free curve without starts is tried.

    Returns
    -------
    CurveFit

    Raises
    ------
    StudyError : the numbers cannot be fitted; every problem at once.

    Examples
    --------
    >>> dose = np.repeat([0.0, 100, 200, 400], 3)
    >>> strength = 20 * np.exp(-dose / 300) * np.tile([0.95, 1.0, 1.05], 4)
    >>> fit = fit_curve("exponential", dose, strength)
    >>> round(fit.estimates["scale"], 6)
    300.0
    """
    the_law = as_law(law)
    is_law = isinstance(the_law, Law)
    family: Errors = errors or ("lognormal" if is_law else "normal")
    if family not in ERRORS:
        raise ValueError(f'errors "{family}" is unknown; known: {", ".join(ERRORS)}')
    log = family == "lognormal"
    predictors = ("dose",) if is_law else the_law.predictors
    if isinstance(x, Mapping):
        missing = [p for p in predictors if p not in x]
        if missing:
            raise ValueError(f"x has no predictor {missing[0]!r}; needed: {', '.join(predictors)}")
        xs = {p: x[p] for p in predictors}
    elif len(predictors) == 1:
        xs = {predictors[0]: x}
    else:
        raise ValueError(f"x must map each predictor to its values: {', '.join(predictors)}")
    strips = gather(
        xs,
        y,
        log=log,
        whole=family == "student",
        n=n,
        sd=sd,
        weights=weights,
        censored=censored,
        groups=groups,
        effects=effects,
        partitions=partitions,
        dose=is_law,
    )
    return fit_strips(
        the_law,
        strips,
        errors=family,
        separate=separate,
        fixed=fixed,
        start=start,
        starts=starts,
        seed=seed,
    )


def as_law(law: str | Path | Law | Curve) -> Law | Curve:
    """A law or curve from whatever names it."""
    if isinstance(law, Law | Curve):
        return law
    text = str(law)
    if text.endswith(".toml"):
        with open(text, "rb") as stream:
            head = stream.read()
        return read_curve(text) if b"predictors" in head else read_law(text)
    return read_law(text)


@np.errstate(all="ignore")
def fit_strips(
    law: Law | Curve,
    strips: Strips,
    *,
    errors: Errors,
    separate: Sequence[str] | None = None,
    fixed: Mapping[str, float] | None = None,
    start: Mapping[str, float] | None = None,
    starts: int = 8,
    seed: int = 0,
) -> CurveFit:
    """Fit what `gather` made; see `fit_curve`."""
    named = None if (strips.groups == "").all() else [str(g) for g in strips.groups]
    options: dict[str, Any] = {
        "log": errors == "lognormal",
        "groups": named,
        "separate": separate,
        "effects": strips.effects,
        "partitions": {k: [str(g) for g in v] for k, v in strips.partitions.items()},
    }
    mean = build_mean(law, strips.x, fixed=fixed, **options)
    flags: list[str] = []
    if isinstance(law, Law):
        held = _held_shapes(law, mean, strips)
        if held:
            flags.append("shape_held")
            mean = build_mean(law, strips.x, fixed={**held, **(fixed or {})}, **options)
        mean = _within_reach(mean, strips)
    likelihood = Likelihood(mean=mean, rows=strips.rows, errors=errors, constant=strips.constant)
    _enough(likelihood, strips)
    begins = _starts(likelihood, start, starts, seed)
    theta, converged, reached = _best(likelihood, begins)
    if not converged:
        flags.append("not_converged")
    return CurveFit.of(
        law=law,
        likelihood=likelihood,
        strips=strips,
        theta=theta,
        flags=flags,
        agreement=reached,
        separate=separate,
    )


def _held_shapes(law: Law, mean: Mean, strips: Strips) -> dict[str, float]:
    """Shapes at their prior's median where there are fewer places than parameters."""
    distinct = len(np.unique(strips.place[strips.rows.freedom > 0]))
    if law.shapes and distinct < int((mean.lower < mean.upper).sum()):
        return {s.name: s.median for s in law.shapes}
    return {}


def _enough(likelihood: Likelihood, strips: Strips) -> None:
    needed = int(likelihood.free[: likelihood.mean.size].sum())
    distinct = len(np.unique(strips.place))
    if distinct < needed:
        name = next(iter(strips.x))
        seen = np.unique(strips.x[name])
        raise StudyError(
            [
                Problem(
                    file="the data",
                    column=name,
                    found=", ".join(f"{v:g}" for v in seen[:6]),
                    expected=f"at least {needed} distinct places for {needed} parameters",
                    mend="What the data still say is the strength at each dose tested; withdraw"
                    " strips at more doses, or hold parameters with fixed=",
                )
            ]
        )


def _within_reach(mean: Mean, strips: Strips) -> Mean:
    """Bounds of log scale: where the curve is flat, or lost at once, over all doses tested."""
    lit = strips.x["dose"][strips.x["dose"] > 0]
    if not lit.size:
        raise StudyError(
            [
                Problem(
                    file="the data",
                    column="dose",
                    found="only dose 0",
                    expected="at least one exposed strip",
                )
            ]
        )
    low, high = np.log(lit.min()) - NO_LOSS_REACH, np.log(lit.max()) + NO_LOSS_REACH
    blocks = []
    for b in mean.blocks:
        if b.name == SCALE:
            open_ = b.natural & (b.lower < b.upper)
            b = replace(
                b, lower=np.where(open_, low, b.lower), upper=np.where(open_, high, b.upper)
            )
        blocks.append(b)
    return replace(mean, blocks=tuple(blocks))


def _starts(
    likelihood: Likelihood, start: Mapping[str, float] | None, starts: int, seed: int
) -> np.ndarray:
    mean = likelihood.mean
    if isinstance(mean.law, Law):
        found = law_starts(mean, likelihood.rows, starts)
    elif start is not None and set(start) >= {b.name for b in mean.blocks} and starts == 1:
        found = np.zeros((0, mean.size))
    else:
        found = curve_starts(likelihood, seed=seed, keep=starts)
    if start is not None:
        unknown = sorted(set(start) - {b.name for b in mean.blocks})
        if unknown:
            raise ValueError(f"start names {unknown[0]!r}, which is no parameter")
        first = found[:1].copy() if len(found) else np.zeros((1, mean.size))
        for block, place in zip(mean.blocks, mean.places, strict=True):
            if block.name in start:
                value = float(start[block.name])
                here = np.log(value) if block.log else value
                first[:, place] = np.where(block.natural, here, 0.0)
        found = np.vstack([first, found]) if starts > 1 or not len(found) else first
    found = np.clip(found, mean.lower, mean.upper)
    if likelihood.simple:
        return found
    return _with_spread(likelihood, found)


def _with_spread(likelihood: Likelihood, found: np.ndarray) -> np.ndarray:
    """Starts of the curve from plain least squares, with the spread that they leave."""
    rows = likelihood.rows
    family: Errors = "lognormal" if likelihood.errors == "lognormal" else "normal"
    plain = Likelihood(mean=likelihood.mean, rows=rows.uncensored(), errors=family)
    reached = minimise(plain, found, lower=plain.lower, upper=plain.upper, most=60)
    theta = np.vstack([reached.theta, found])
    squares = np.maximum(plain.squares(theta) / rows.n, 1e-280)
    log_sigma = 0.5 * np.log(squares)[:, None]
    if likelihood.errors != "power":
        return np.hstack([theta, log_sigma])
    size = np.log(np.maximum(np.abs(likelihood.mean.evaluate(theta)), 1e-300)).mean(1)[:, None]
    powers = [np.hstack([theta, log_sigma - p * size, np.full_like(size, p)]) for p in (0.0, 1.0)]
    return np.vstack(powers)


def _best(likelihood: Likelihood, begins: np.ndarray) -> tuple[np.ndarray, bool, int]:
    """The best end of all searches, refined; how many searches ended there."""
    found = minimise(likelihood, begins, lower=likelihood.lower, upper=likelihood.upper, most=300)
    if not np.isfinite(found.value).any():
        raise StudyError(
            [
                Problem(
                    file="the data",
                    found="no start at which the curve is finite",
                    expected="values that the curve can take",
                    mend="Give start= with a value for every parameter",
                )
            ]
        )
    order = np.argsort(found.value, kind="stable")
    top = found.theta[order[:1]]
    again = minimise(
        likelihood,
        top,
        lower=likelihood.lower,
        upper=likelihood.upper,
        most=1000,
        tolerance=1e-8 if likelihood.simple else 1e-9,
        damping=1e-8,
    )
    theta = again.theta[0]
    if likelihood.simple:
        theta = polish(likelihood, theta)
    value = float(likelihood(theta[None, :])[0][0])
    same = int((found.value <= value + 1e-4 * (1 + abs(value))).sum())
    converged = bool(again.converged[0]) or bool(found.converged[order[0]])
    return theta, converged, same


def polish(likelihood: Likelihood, theta: np.ndarray) -> np.ndarray:
    """Gauss-Newton steps by QR until the sum of squares falls no more (normal errors)."""
    rows, mean = likelihood.rows, likelihood.mean
    root = np.sqrt(rows.count * rows.weight)
    theta = theta.copy()
    expected, jacobian = mean.slopes(theta[None, :])
    residual = root * (rows.mean - expected[0])
    best, shortest = float(residual @ residual), np.inf
    for _ in range(200):
        moving = (theta > likelihood.lower) & (theta < likelihood.upper)
        if not moving.any() or best == 0:
            break
        tall = root[:, None] * jacobian[0][:, moving]
        size = np.linalg.norm(tall, axis=0)
        size[size == 0] = 1.0
        step = np.zeros_like(theta)
        step[moving] = np.linalg.lstsq(tall / size, residual, rcond=1e-13)[0] / size
        for _ in range(8):
            trial = np.clip(theta + step, likelihood.lower, likelihood.upper)
            expected, jacobian_there = mean.slopes(trial[None, :])
            left = root * (rows.mean - expected[0])
            total = float(left @ left)
            if total <= best * (1 + 1e-13):
                break
            step = step / 2
        else:
            break
        moved = float((np.abs(trial - theta) / (np.abs(theta) + 1e-300)).max())
        if moved >= shortest and total >= best:  # steps are rounding now
            break
        shortest = min(shortest, moved)
        theta, residual, jacobian, best = trial, left, jacobian_there, min(total, best)
        if moved < 1e-14:
            break
    return theta
