"""Where should the search begin? Starts from the law's own limits, or from none at all.

A law is tried on a grid: doses of its half loss from below the first dose to far beyond the last,
and the shape at its prior's median and either side; the unexposed strength that fits best follows.
A free curve without starts is tried at many random places: parameters that enter linearly are found
by least squares, the others are drawn over magnitudes that the predictors suggest.
"""

from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np

from durability.inference.likelihood.errors import Errors, Likelihood, Rows
from durability.inference.likelihood.mean import START, Mean
from durability.inference.likelihood.minimise import minimise
from durability.laws import Curve, Law

SMALL = 1e-3
"""Added to the scaled normal equations of linear parameters when places are tried. Two terms that
nearly coincide then do not win by huge amounts of opposite sign, from which a search finds no way
out. Only starts depend on it."""


def shape_grid(law: Law, steps: tuple[float, ...] = (-1.5, 0.0, 1.5)) -> np.ndarray:
    """(n, n_shape) logs of shape values to begin from: prior's median and steps either side."""
    if not law.shapes:
        return np.zeros((1, 0))
    sides = []
    for s in law.shapes:
        low, high = math.log(s.lower), math.log(s.upper)
        steps = steps if len(law.shapes) < 3 else (-1.0, 1.0)
        sides.append(
            [
                min(
                    max(math.log(s.median) + step * s.sd_log, low + 0.02 * (high - low)),
                    high - 0.02 * (high - low),
                )
                for step in steps
            ]
        )
    return np.array(list(itertools.product(*sides)))


def law_grid(law: Law, dose: np.ndarray, *, fine: bool = True) -> np.ndarray:
    """(n, 1 + n_shape): log scale and log shapes to begin from, for doses (n_row,).

    A law that stays at a floor has a kink there, and many local optima: its doses lie closer.
    """
    lit = dose[dose > 0]
    close = fine and len(law.shapes) < 2
    shapes = shape_grid(law, tuple(np.arange(-2.0, 2.1, 0.5)) if close else (-1.5, 0.0, 1.5))
    values = {s.name: np.exp(shapes[:, i]) for i, s in enumerate(law.shapes)}
    half = np.log(np.broadcast_to(law.half_loss(values), (len(shapes),)))
    half = np.where(np.isfinite(half), half, 0.0)
    reach = np.log(lit.max()) if lit.size else 0.0
    first = np.log(lit.min()) if lit.size else 0.0
    many = 80 if law.floor > 1e-6 and fine else 14 if close else 6
    far = reach + np.array([0.7, 1.4, 2.5])
    places = np.concatenate([np.linspace(first - 0.7, reach + 0.3, many), far])
    rows = [np.column_stack([place - half, shapes]) for place in places]
    return np.concatenate(rows)


def law_starts(mean: Mean, rows: Rows, keep: int) -> np.ndarray:
    """(keep, p) starts of a law: the grid's best, with the best unexposed strength of each.

    Groups are begun alike; where they differ much, each takes the best grid point of its own rows.
    """
    law = mean.law
    assert isinstance(law, Law)
    grid = law_grid(law, mean.x["dose"])
    shapes = {s.name: np.exp(grid[:, i + 1])[:, None] for i, s in enumerate(law.shapes)}
    with np.errstate(all="ignore"):
        curve = law.retained(mean.x["dose"] * np.exp(-grid[:, :1]), shapes)
        value = np.log(curve) if mean.log else curve
    weight = rows.count * rows.weight
    blocks = {b.name: (b, p) for b, p in zip(mean.blocks, mean.places, strict=True)}
    start, place = blocks[START]
    columns = np.ones((weight.size, 1)) if start.columns is None else start.columns
    members = [columns[:, j] > 0 for j in range(columns.shape[1]) if start.natural[j]]
    levels, score = [], np.zeros(len(grid))
    for j, mine in enumerate(members):
        w, y, g = weight[mine], rows.mean[mine], value[:, mine]
        if start.lower[j] == start.upper[j]:
            level = np.full(len(grid), start.lower[j])
        elif mean.log:
            level = ((y - g) @ w) / w.sum()
        else:
            level = np.log(np.maximum((g * y) @ w / np.maximum((g * g) @ w, 1e-300), 1e-300))
        fitted = level[:, None] + g if mean.log else np.exp(level)[:, None] * g
        levels.append(level)
        score += ((y - fitted) ** 2) @ w
    order = np.argsort(np.where(np.isfinite(score), score, np.inf), kind="stable")
    picked = _spread_out(grid, order, keep)
    theta = np.zeros((len(picked), mean.size))
    for i, at in enumerate(picked):
        for k, level in enumerate(levels):
            theta[i, place.start + k] = level[at]
        for k, block in enumerate(b for b in mean.blocks if b.name != START):
            block_place = blocks[block.name][1]
            here = theta[i, block_place]
            here[block.natural] = grid[at, k]
    return theta


def _spread_out(grid: np.ndarray, order: np.ndarray, keep: int) -> list[int]:
    """The best points that are not neighbours of better ones."""
    picked: list[int] = []
    for at in order:
        if all(np.abs(grid[at] - grid[i]).max() > 1e-9 for i in picked):
            picked.append(int(at))
        if len(picked) == keep:
            break
    return picked


def curve_starts(
    likelihood: Likelihood, *, seed: int = 0, tries: int = 20_000, keep: int = 12
) -> np.ndarray:
    """(keep, p) starts of a free curve: those given, else the best of many random places."""
    mean, rows = likelihood.mean, likelihood.rows
    law = mean.law
    assert isinstance(law, Curve)
    given = [p.start for p in law.parameters]
    if all(s is not None for s in given):
        return _with_groups(mean, np.array([given], dtype=float))
    rng = np.random.default_rng(seed)
    few = np.sort(rng.permutation(rows.mean.size)[:60])
    coarse, fewer = mean.at({k: v[few] for k, v in mean.x.items()}, few), rows.take(few)
    family: Errors = "lognormal" if mean.log else "normal"
    screen = Likelihood(mean=coarse, rows=fewer, errors=family)
    linear = _linear(mean, rng)
    drawn = _draw(mean, law, linear, tries, rng)
    for i, s in enumerate(given):
        if s is not None:
            drawn[:, i] = s
    theta = _with_groups(mean, _solve_linear(coarse, fewer, drawn, linear))
    score = np.concatenate(
        [screen.squares(part) for part in np.array_split(theta, 1 + tries // 2000)]
    )
    order = np.argsort(np.where(np.isfinite(score), score, np.inf), kind="stable")
    short = minimise(screen, theta[order[:240]], lower=screen.lower, upper=screen.upper, most=25)
    order = np.argsort(short.value, kind="stable")
    full = Likelihood(mean=mean, rows=rows.uncensored(), errors=family)
    longer = minimise(
        full, short.theta[order[: 4 * keep]], lower=full.lower, upper=full.upper, most=60
    )
    order = np.argsort(longer.value, kind="stable")
    return longer.theta[order[:keep]]


def _with_groups(mean: Mean, values: np.ndarray) -> np.ndarray:
    """Natural values (B, n_parameter) as theta, the same for every group."""
    theta = np.zeros((len(values), mean.size))
    for i, (block, place) in enumerate(zip(mean.blocks, mean.places, strict=True)):
        with np.errstate(all="ignore"):
            value = np.log(np.maximum(values[:, i], 1e-300)) if block.log else values[:, i]
        theta[:, place] = np.where(block.natural, value[:, None], 0.0)
    return theta


def _linear(mean: Mean, rng: np.random.Generator) -> list[int]:
    """Parameters in which the formula is a straight line, found by their slopes at random places.

    The slope by a linear parameter does not depend on it, nor on any other one of the set.
    """
    law = mean.law
    names = [p.name for p in law.parameters]  # type: ignore[union-attr]
    base = _draw(mean, law, [], 200, rng)  # type: ignore[arg-type]

    def slopes(point: np.ndarray) -> np.ndarray:
        inputs: dict[str, Any] = {n: point[:, i : i + 1] for i, n in enumerate(names)}
        with np.errstate(all="ignore"):
            return law.tape.slopes({**mean.x, **inputs}, names)[1]

    at = slopes(base)
    chosen: list[int] = []
    for i in range(len(names)):
        moved = base.copy()
        moved[:, [*chosen, i]] *= rng.uniform(1.5, 3.0, (len(base), len(chosen) + 1))
        there = slopes(moved)[..., [*chosen, i]]
        here = at[..., [*chosen, i]]
        good = np.isfinite(here) & np.isfinite(there) & ((here != 0) | (there != 0))
        if good.any() and np.allclose(here[good], there[good], rtol=1e-8, atol=0):
            chosen.append(i)
    return chosen


def _draw(
    mean: Mean, law: Curve, linear: list[int], tries: int, rng: np.random.Generator
) -> np.ndarray:
    """(tries, n_parameter) random natural values within the bounds."""
    xs = np.concatenate([np.ravel(v) for v in mean.x.values()])
    span = max(float(np.abs(xs).max()), 1e-300)
    count = len(law.parameters)
    drawn = np.ones((tries, count))
    for i, p in enumerate(law.parameters):
        if i in linear:
            continue
        place = rng.uniform(xs.min(), xs.max(), tries)
        size = 10.0 ** rng.uniform(-2.0, 1.5, tries)
        power = rng.choice([1.0, 0.0, -1.0, -2.0, -3.0], tries, p=[0.2, 0.3, 0.4, 0.05, 0.05])
        sign = rng.choice([-1.0, 1.0], tries, p=[0.25, 0.75])
        value = np.where(rng.random(tries) < 0.35, place, sign * size * span**power)
        drawn[:, i] = np.clip(value, p.lower, p.upper)
        if np.isfinite(p.lower) and np.isfinite(p.upper):
            inside = rng.random(tries) < 0.5
            drawn[inside, i] = rng.uniform(p.lower, p.upper, int(inside.sum()))
    return drawn


def _solve_linear(mean: Mean, rows: Rows, drawn: np.ndarray, linear: list[int]) -> np.ndarray:
    """Linear parameters by least squares at each draw of the others (plain errors only)."""
    if not linear or mean.log or any(b.columns is not None for b in mean.blocks):
        return drawn
    law = mean.law
    names = [p.name for p in law.parameters]  # type: ignore[union-attr]
    solved = drawn.copy()
    root = np.sqrt(rows.count * rows.weight)
    for first in range(0, len(drawn), 1000):
        part = solved[first : first + 1000]
        inputs: dict[str, Any] = {n: part[:, i : i + 1] for i, n in enumerate(names)}
        with np.errstate(all="ignore"):
            value, slope = law.tape.slopes({**mean.x, **inputs}, names)
            value = np.broadcast_to(value, (len(part), root.size))
            design = np.broadcast_to(slope, (len(part), root.size, len(names)))[..., linear]
            now = np.einsum("bik,bk->bi", design, part[:, linear])
            target = (rows.mean - value + now) * root
            tall = design * root[:, None]
        good = np.isfinite(tall).all((1, 2)) & np.isfinite(target).all(1)
        size = np.maximum(np.sqrt((tall**2).sum(1)), 1e-300)
        good &= np.isfinite(size).all(1) & (size < 1e140).all(1) & (size > 1e-140).all(1)
        unit = np.where(good[:, None, None], tall / size[:, None, :], 0.0)
        normal = unit.transpose(0, 2, 1) @ unit + SMALL * np.eye(len(linear))
        right = np.einsum("bik,bi->bk", unit, np.where(good[:, None], target, 0.0))
        answer = np.linalg.solve(normal, right[..., None])[..., 0] / size
        part[:, linear] = np.where(good[:, None], answer, np.nan)
    lower = np.array([p.lower for p in law.parameters])  # type: ignore[union-attr]
    upper = np.array([p.upper for p in law.parameters])  # type: ignore[union-attr]
    return np.clip(solved, lower, upper)
