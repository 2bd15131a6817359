"""In which coordinates is the posterior round? Finds the mode and packs the kernel's buffer.

First the mode at a moderate lot spread, in plain parameters; from its curvature a quadratic
approximation of what each lot says about its own threshold dose and strength. These set the
standardised coordinates y (see `durability.inference.kernel`). Then the mode in y and the Hessian
there, whose inverse is the covariance that makes z nearly standard normal.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from durability.inference import kernel as k
from durability.inference.model import Column, Model, priors, spread_name
from durability.inference.straight import straightened
from durability.inference.tail_rows import tail_of

N_KNOT = 41
N_DENSE = 300  # parameters that are mixed with each other; group effects beyond are scaled apart


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Layout:
    """Where each parameter lies in y and theta."""

    n_beta: int
    n_product: int
    n_shape: int
    n_shape_slot: int
    n_spread_slot: int
    n_reading: int
    n_error: int
    n_family: int
    n_main: int
    n_start: int
    n_effect: int
    start_fixed: bool
    pooled: bool

    @property
    def shape(self) -> slice:
        return slice(self.n_beta, self.n_beta + self.n_shape_slot * self.n_shape)

    @property
    def spread(self) -> slice:
        return slice(self.shape.stop, self.shape.stop + self.n_spread_slot)

    @property
    def reading(self) -> slice:
        return slice(self.spread.stop, self.spread.stop + self.n_reading)

    @property
    def error(self) -> slice:
        """The power of the spread, or the log of the degrees of freedom."""
        return slice(self.reading.stop, self.reading.stop + self.n_error)

    @property
    def scale(self) -> slice:
        """Scores of the spreads of families of effects, lots first."""
        return slice(self.error.stop, self.error.stop + self.n_family)

    @property
    def start_scale(self) -> int | None:
        return None if self.start_fixed else self.scale.stop

    @property
    def pool_scale(self) -> int | None:
        """Score of the spread of products about their line."""
        return self.scale.stop + (not self.start_fixed) if self.pooled else None

    @property
    def main(self) -> slice:
        first = self.scale.stop + (not self.start_fixed) + self.pooled
        return slice(first, first + self.n_main)

    @property
    def start(self) -> slice:
        return slice(self.main.stop, self.main.stop + self.n_start)

    @property
    def effect(self) -> slice:
        """Effects, family by family, lots first."""
        return slice(self.start.stop, self.start.stop + self.n_effect)

    @property
    def size(self) -> int:
        return self.effect.stop


def layout(model: Model) -> Layout:
    """The layout of a model's parameters."""
    fixed = model.start_known is not None
    return Layout(
        n_beta=len(model.columns),
        n_product=len(model.materials),
        n_shape=len(model.law.shapes),
        n_shape_slot=int(model.own_slot[:, 0].max(initial=-1)) + 1,
        n_spread_slot=int(model.own_slot[:, 1].max(initial=-1)) + 1,
        n_reading=int(model.reading_index.max(initial=-1)) + 1,
        n_error=int(model.errors in ("power", "student")),
        n_family=len(model.groups) + len(model.others),
        n_main=len(model.mains),
        n_start=0 if fixed else len(model.starts),
        n_effect=len(model.effects),
        start_fixed=fixed,
        pooled=bool(model.line.size),
    )


def spread_priors(model: Model) -> list[str]:
    """Names of the priors of the spreads that are scores, in their order."""
    names = [spread_name(f) for f in (*model.groups, *model.others)]
    names += [] if model.start_known is not None else [spread_name("start")]
    return names + ([spread_name("product")] if model.line.size else [])


def own_values(model: Model, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Log strip spreads (..., product) and log shapes (..., product, shape) at theta (..., n_y)."""
    lay = layout(model)
    zero = np.zeros((*theta.shape[:-1], 1))
    effect = np.concatenate([theta[..., lay.effect], zero], axis=-1)  # the last serves no effect
    shape = theta[..., lay.shape].reshape(*theta.shape[:-1], lay.n_shape_slot, lay.n_shape)
    shape = shape[..., model.own_slot[:, 0], :] + effect[..., model.own_effect[:, 1:]]
    spread = theta[..., lay.spread][..., model.own_slot[:, 1]] + effect[..., model.own_effect[:, 0]]
    return spread, shape


def bound_table(column: Column) -> np.ndarray:
    """Spline from the normal score of a prior that is cut off to the value, (N_KNOT, 5)."""
    from scipy.interpolate import CubicSpline

    score = np.linspace(-4.5, 4.5, N_KNOT)
    spline = CubicSpline(score, cut_off(column, score))
    last = [0.0, 0.0, float(spline(score[-1], 1)), float(spline(score[-1]))]
    return np.column_stack([score, np.vstack([spline.c.T, [last]])])


def cut_off(column: Column, score: Any) -> np.ndarray:
    """The value of a normal prior, cut off at its limits, that has a normal score."""
    from scipy.special import ndtr, ndtri

    below = ndtr((column.low - column.mean) / column.sd)
    above = ndtr((column.high - column.mean) / column.sd)
    return column.mean + column.sd * ndtri(below + (above - below) * ndtr(np.asarray(score)))


def column_values(model: Model, theta: np.ndarray) -> np.ndarray:
    """Values of the columns (..., n_column) at theta (..., n_y), cut-off scores undone."""
    beta = np.array(theta[..., : len(model.columns)], dtype=float)
    for j, column in enumerate(model.columns):
        if column.bounded:
            table, score = bound_table(column), beta[..., j]
            step = table[1, 0] - table[0, 0]
            row = np.clip(((score - table[0, 0]) / step).astype(int), 0, N_KNOT - 1)
            d = score - table[row, 0]
            bend = np.where((score <= table[0, 0])[..., None], 0.0, table[row, 1:3])
            beta[..., j] = ((bend[..., 0] * d + bend[..., 1]) * d + table[row, 3]) * d
            beta[..., j] += table[row, 4]
    return beta


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Coordinates:
    """Constants of the standardised coordinates; `raw` means that y is theta itself.

    The first entries of y are a triangular mix of those of z (`chol`), the rest are scaled one by
    one (`diagonal`).
    """

    centre: np.ndarray
    chol: np.ndarray
    diagonal: np.ndarray
    effect_hat: np.ndarray
    effect_var: np.ndarray
    series_hat: np.ndarray
    series_var: np.ndarray
    bend_at: np.ndarray  # (n_column,): values about which quadratic terms are taken up
    bends: np.ndarray  # (scores, N_KNOT, 5): splines from a normal score to a spread's prior score
    raw: bool = False

    def y(self, z: np.ndarray) -> np.ndarray:
        """y at z (..., n_y)."""
        dense = self.chol.shape[0]
        head = z[..., :dense] @ self.chol.T
        return self.centre + np.concatenate([head, z[..., dense:] * self.diagonal], axis=-1)


def pack(model: Model, at: Coordinates) -> np.ndarray:
    """The kernel's buffer for a model in the coordinates given: head, whole numbers, numbers."""
    lay = layout(model)
    code, constants = model.law.tape.log().arrays()
    anchor = model.law.half_loss_tape if model.half_loss else model.law.inverse_tape
    inverse, inverse_constants = np.zeros((0, 4), dtype=np.int64), np.zeros(1)
    if anchor is not None:
        inverse, inverse_constants = anchor.arrays()
    node, weight = np.polynomial.hermite_e.hermegauss(model.n_node)
    book = priors()
    n_cell, n_in = model.cell_dose.size, 1 + lay.n_shape
    start_series = np.argsort(model.series_index[:, 1], kind="stable")
    sorted_starts = model.series_index[start_series, 1]
    start_range = np.searchsorted(sorted_starts, np.arange(lay.n_start + 1))
    lot_main = model.effect_index[model.effect_index[:, 0] == 0, 1]
    main_effect = np.searchsorted(lot_main, np.arange(lay.n_main + 1))
    plain_mean, plain_sd = plain_priors(model)
    spread_scale = [book[name]["scale"] for name in spread_priors(model)]
    own = np.stack([_own_places(model, lay), model.own_effect], axis=-1)
    taken = straightened(model, at.bend_at, lay.main.start)
    tail = tail_of(model)
    bounded = [j for j, c in enumerate(model.columns) if c.bounded]
    bound = [bounded.index(j) if j in bounded else -1 for j in range(lay.n_beta)]

    head = np.zeros(k.N_HEADER, dtype=np.int64)
    for place, size in {
        k.N_Y: lay.size, k.N_DENSE: at.chol.shape[0], k.N_BETA: lay.n_beta,
        k.N_PRODUCT: lay.n_product, k.N_SHAPE: lay.n_shape, k.N_READING: lay.n_reading,
        k.N_FAMILY: lay.n_family, k.N_GROUP: len(model.groups), k.N_SCALE: len(spread_scale),
        k.N_SHEAR: len(taken.shear), k.N_GAIN: len(taken.gain),
        k.POOL: -1 if lay.pool_scale is None else lay.pool_scale - lay.scale.start,
        k.N_MAIN: lay.n_main, k.N_START: lay.n_start,
        k.N_EFFECT: lay.n_effect, k.N_SERIES: len(model.series), k.N_CELL: n_cell,
        k.N_CODE: len(code), k.N_INVERSE: len(inverse), k.N_NODE: node.size, k.N_KNOT: N_KNOT,
        k.N_INSPECTED: len(model.inspected_index), k.N_DECLARED: len(model.declared_index),
        k.NORMAL: not model.on_logs, k.POWERED: model.errors == "power",
        k.FIXED: lay.start_fixed, k.RAW: at.raw,
        k.T_SHAPE: lay.shape.start, k.T_SPREAD: lay.spread.start, k.T_READING: lay.reading.start,
        k.T_ERROR: lay.error.start,
        k.T_SCALE: lay.scale.start, k.T_MAIN: lay.main.start,
        k.T_START: lay.start.start, k.T_EFFECT: lay.effect.start,
    }.items():  # fmt: skip
        head[place] = int(size)
    whole = {
        k.I_MAIN: model.main_product,
        k.I_MAIN_EFFECT: np.column_stack([main_effect[:-1], main_effect[1:]]),
        k.I_SINGLE: model.single_lot,
        k.I_READING: model.reading_index,
        k.I_SERIES: model.series_index,
        k.I_START_SERIES: start_series,
        k.I_START_RANGE: np.column_stack([start_range[:-1], start_range[1:]]),
        k.I_SUB: model.sub_range,
        k.I_CELL: model.cell_index,
        k.I_CELL_EFFECT: model.cell_effect,
        k.I_CENSORED: model.censored_index,
        k.I_EFFECT: model.effect_index,
        k.I_CODE: code,
        k.I_INVERSE: inverse,
        k.I_INSPECTED: model.inspected_index,
        k.I_DECLARED: model.declared_index,
        k.I_OWN: own,
        k.I_BOUND: np.array(bound, dtype=np.int64),
        k.I_BOW_RANGE: model.bow_range,
        k.I_BOW: model.bow_index,
        k.I_SHEAR: taken.shear,
        k.I_GAIN: taken.gain,
        k.I_TAIL: tail.head,
        k.I_ROW_RANGE: tail.row_range,
    }
    scalar = np.zeros(k.N_SCALAR)
    scalar[k.LOG_FLOOR] = math.log(model.law.floor)
    scalar[k.START_KNOWN] = model.start_known or 0.0
    scalar[k.LOG_LEAST] = math.log(book["spread_power"]["least_left"])
    numbers = {
        k.F_SCALAR: scalar,
        k.F_CENTRE: at.centre,
        k.F_CHOL: at.chol,
        k.F_DIAGONAL: at.diagonal,
        k.F_MAIN: model.main_prior,
        k.F_START: model.start_prior[: lay.n_start],
        k.F_EFFECT: np.column_stack([at.effect_hat, at.effect_var]),
        k.F_SERIES: np.column_stack([at.series_hat, at.series_var]),
        k.F_BEND: at.bends,
        k.F_PLAIN: np.column_stack([plain_mean, plain_sd]),
        k.F_GROUP_SCALE: np.array(spread_scale),
        k.F_LOG_DOSE: model.log_dose,
        k.F_COUNT: model.count,
        k.F_FREEDOM: model.freedom,
        k.F_MEAN: model.mean,
        k.F_SQUARES: model.squares,
        k.F_EXTRA: model.extra,
        k.F_DESIGN: model.design,
        k.F_LIMIT: model.censored_limit,
        k.F_NODE: np.concatenate([node, weight / weight.sum()]),
        k.F_ANCHOR: np.full(2 * lay.n_product, 0.5)
        if model.half_loss
        else np.concatenate([model.anchor, np.full(lay.n_product, model.fraction)]),
        k.F_CONSTANTS: np.append(constants, 0.0),
        k.F_INVERSE_CONSTANTS: np.append(inverse_constants, 0.0),
        k.F_INSPECTED: model.inspected_number,
        k.F_DECLARED: model.declared_number,
        k.F_LINE: model.line,
        k.F_BOUND: np.array([bound_table(model.columns[j]) for j in bounded]),
        k.F_BOW: model.bow,
        k.F_SHEAR: taken.shear_number,
        k.F_GAIN: taken.gain_number,
        k.F_BEND_AT: at.bend_at,
        k.F_ROW: tail.row,
        k.F_ABSCISSA: tail.abscissa,
    }
    used = k.N_HEADER
    for place, array in (whole | numbers).items():
        head[place] = used
        used += array.size
    registers = n_in + max(len(code), len(inverse))
    work = 0
    for place, size in {
        k.W_Y: lay.size, k.W_THETA: lay.size, k.W_BY: lay.size,
        k.W_SCALE: 2 * len(spread_scale), k.W_BETA: 5 * lay.n_beta,  # these are kernel.from_y's
        k.W_LEVEL: n_cell, k.W_LOG_CURVE: n_cell,
        k.W_PULL: n_cell, k.W_SLOPE: n_in * n_cell, k.W_OWN: lay.n_product * n_in,
        k.W_BY_OWN: lay.n_product * n_in,
        k.W_ROOT: 6 * lay.n_product, k.W_ROOT_SLOPE: 2 * n_in * lay.n_product, k.W_NODE: node.size,
        k.W_SUB: 2 * len(model.sub_range), k.W_VALUE: registers * k.BLOCK,
        k.W_TANGENT: registers * n_in * k.BLOCK, k.W_LOG_U: k.BLOCK,
    }.items():  # fmt: skip
        head[place] = work
        work += size
    head[k.N_WORK] = work
    head[k.TAILED] = tail.address(head)
    floats = np.concatenate([np.ravel(a) for a in numbers.values()]).astype(float)
    integers = np.concatenate([np.ravel(a) for a in whole.values()]).astype(np.int64)
    return np.concatenate([head, integers, floats.view(np.int64)])


def _own_places(model: Model, lay: Layout) -> np.ndarray:
    """Place in theta of each product's log strip spread, then of its log shapes."""
    places = np.empty((lay.n_product, 1 + lay.n_shape), dtype=np.int64)
    places[:, 0] = lay.spread.start + model.own_slot[:, 1]
    places[:, 1:] = lay.shape.start + model.own_slot[:, :1] * lay.n_shape + np.arange(lay.n_shape)
    return places


def error_prior(model: Model) -> list[float]:
    """Mean and sd of the power of the spread, or of the log of the degrees of freedom."""
    if model.errors == "power":
        return [priors()["spread_power"]["mean"], priors()["spread_power"]["sd"]]
    if model.errors == "student":
        of = priors()["tail_freedom"]
        return [math.log(of["median"]), of["sd_log"]]
    return []


def plain_priors(model: Model) -> tuple[np.ndarray, np.ndarray]:
    """Mean and sd of the columns (or their scores), the log shapes and the log spreads."""
    strip, reading = priors()["strip_spread"], priors()["reading_spread"]
    lay = layout(model)
    mean = [0.0 if c.bounded else c.mean for c in model.columns]
    mean += [math.log(s.median) for s in model.law.shapes] * lay.n_shape_slot
    mean += [math.log(strip["median"])] * lay.n_spread_slot
    mean += [math.log(reading["median"])] * lay.n_reading
    mean += error_prior(model)[:1]
    sd = [1.0 if c.bounded else c.sd for c in model.columns]
    sd += [s.sd_log for s in model.law.shapes] * lay.n_shape_slot
    sd += [strip["sd_log"]] * lay.n_spread_slot + [reading["sd_log"]] * lay.n_reading
    sd += error_prior(model)[1:]
    return np.array(mean), np.array(sd)


def spread_of_score(score: Any, prior: str) -> Any:
    """The lot spread (log scale) whose half-normal prior `prior` has this normal score."""
    from scipy.special import erfinv, ndtr

    return priors()[prior]["scale"] * math.sqrt(2) * erfinv(ndtr(np.asarray(score, dtype=float)))


def density(buffer: np.ndarray, y: np.ndarray) -> tuple[float, np.ndarray]:
    """Log posterior density and its gradient; the buffer's coordinates must have z = y."""
    grad = np.empty(y.size)
    return k.log_density(y, grad, buffer), grad


def find(model: Model) -> tuple[Coordinates, np.ndarray]:
    """Coordinates in which the posterior is close to standard normal, and the mode's theta.

    Returns
    -------
    Coordinates, and theta at the mode (n_y,).
    """
    from threadpoolctl import threadpool_limits

    with threadpool_limits(limits=1, user_api="blas"):  # threads only wait on arrays this small
        return _find(model)


def _find(model: Model) -> tuple[Coordinates, np.ndarray]:
    lay = layout(model)
    plain = Coordinates(
        centre=np.zeros(lay.size),
        chol=np.zeros((0, 0)),
        diagonal=np.ones(lay.size),
        effect_hat=np.zeros(lay.n_effect),
        effect_var=np.ones(lay.n_effect),
        series_hat=np.zeros(len(model.series)),
        series_var=np.ones(len(model.series)),
        bend_at=np.array([c.mean for c in model.columns], dtype=float),
        bends=np.zeros((len(spread_priors(model)), N_KNOT, 5)),
        raw=True,
    )
    buffer = pack(model, plain)
    theta = _plain_mode(model, lay, buffer)
    effect_hat, effect_var = _what_groups_say(model, lay, buffer, theta)
    series_hat, series_var = _what_series_say(model, lay, theta)
    for s in np.flatnonzero(model.series_index[:, 9] >= 0):  # a parameter: told as lots are
        effect = model.series_index[s, 9]
        series_hat[s], series_var[s] = effect_hat[effect], effect_var[effect]
    at = replace(
        plain,
        raw=False,
        bend_at=column_values(model, theta),
        effect_hat=effect_hat,
        effect_var=effect_var,
        series_hat=series_hat,
        series_var=series_var,
        bends=_bends(model, effect_hat, effect_var, series_hat, series_var),
    )
    buffer = pack(model, at)
    y = theta.copy()
    y[lay.scale.start : lay.size] = 0.0
    y = _climb(buffer, y, np.ones(lay.size, dtype=bool))
    unit = np.ones(lay.size)
    unit[: lay.n_beta] = plain_priors(model)[1][: lay.n_beta]  # kelvins are not log doses
    chol, diagonal = _shape_at(lay, buffer, y, unit)
    at = replace(at, centre=y, chol=chol, diagonal=diagonal)
    k.from_y(y, buffer, theta)
    return at, theta


def _plain_mode(model: Model, lay: Layout, buffer: np.ndarray) -> np.ndarray:
    """Mode at moderate group spreads, from several starts of threshold dose and spread."""
    free = np.ones(lay.size, dtype=bool)
    theta = np.zeros(lay.size)
    plain_mean, _ = plain_priors(model)
    theta[: lay.scale.start] = plain_mean
    scores = slice(lay.scale.start, lay.main.start)
    free[scores] = False
    theta[scores] = -0.6  # 0.1 on the log scale where the prior's scale is 0.3
    if not lay.start_fixed:
        theta[lay.start] = model.start_prior[:, 0]
    best, best_value = theta, -np.inf
    for shift in (0.0, -1.5, 1.5):
        start = theta.copy()
        start[lay.main] = model.main_prior[:, 0] + shift
        start[lay.spread.start : lay.reading.stop] += 0.7
        found = _climb(buffer, start, free)
        value = density(buffer, found)[0]
        if value > best_value + 1e-6:
            best, best_value = found, value
    return best


def _climb(buffer: np.ndarray, start: np.ndarray, free: np.ndarray) -> np.ndarray:
    from scipy.optimize import minimize

    full = start.copy()

    def descend(part: np.ndarray) -> tuple[float, np.ndarray]:
        full[free] = part
        value, grad = density(buffer, full)
        if not (math.isfinite(value) and np.isfinite(grad).all()):
            return 1e12, np.zeros(part.size)
        return -value, -grad[free]

    options = {"maxiter": 2000, "maxcor": 30, "ftol": 1e-13, "gtol": 1e-6}
    result = minimize(descend, start[free], jac=True, method="L-BFGS-B", options=options)
    full[free] = result.x
    return full


def _slopes(buffer: np.ndarray, y: np.ndarray, move: np.ndarray) -> np.ndarray:
    """Minus the derivative of the gradient along a move, by central differences."""
    step = 1e-4
    up, down = density(buffer, y + step * move)[1], density(buffer, y - step * move)[1]
    return -(up - down) / (2 * step)


def _shape_at(
    lay: Layout, buffer: np.ndarray, y: np.ndarray, unit: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Cholesky factor of the covariance at the mode; scales one by one for many group effects.

    Up to `N_DENSE` parameters all enter the factor. Beyond, group effects are taken as independent
    of each other given the rest (they nearly are in these coordinates): all their curvatures come
    from one move, and the factor is that of the rest with them integrated out.
    """
    n = y.size
    dense = n if n <= N_DENSE else lay.effect.start
    length = np.maximum(unit, 0.1 * np.abs(y))  # longer moves where y is large
    rows = [_slopes(buffer, y, np.eye(1, n, j)[0] * length[j]) / length[j] for j in range(dense)]
    rows = np.array(rows).reshape(dense, n)
    hessian = (rows[:, :dense] + rows[:, :dense].T) / 2
    scales = np.ones(n - dense)
    if dense < n:
        move = np.zeros(n)
        move[dense:] = 1.0
        curvature = np.clip(_slopes(buffer, y, move)[dense:], 0.05, None)
        hessian -= (rows[:, dense:] / curvature) @ rows[:, dense:].T
        scales = 1 / np.sqrt(curvature)
    unit = unit[:dense]
    if not (np.isfinite(hessian).all() and np.isfinite(scales).all()):
        return 0.1 * np.diag(unit), np.full(n - dense, 0.1)
    values, vectors = np.linalg.eigh(hessian * np.outer(unit, unit))
    values = np.clip(values, 0.05, None)  # nothing wider than 4.5 units in these coordinates
    covariance = (vectors / values) @ vectors.T * np.outer(unit, unit)
    return np.linalg.cholesky((covariance + covariance.T) / 2), scales


def _what_groups_say(
    model: Model, lay: Layout, buffer: np.ndarray, theta: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Mean and variance of each group's log threshold dose by its own strips alone.

    Effects of one group do not meet in any strip, so one move gives all their curvatures.
    """
    hat, variance = np.zeros(lay.n_effect), np.full(lay.n_effect, 25.0)
    level = np.append(theta[lay.main.start : lay.start.stop], 0.0)  # the last serves no parent
    for f, family in enumerate((*model.groups, *model.others, "start")):
        mine = model.effect_index[:, 0] == f
        if not mine.any():
            continue
        w2 = float(spread_of_score(theta[lay.scale.start + f], spread_name(family))) ** 2
        move = np.zeros(lay.size)
        move[lay.effect] = mine
        curvature = _slopes(buffer, theta, move)[lay.effect][mine] - 1 / w2
        effect = theta[lay.effect][mine]
        told = curvature > 0.04
        gain = np.where(told, 1 / np.maximum(curvature, 0.04), 0.0)
        parent = model.effect_index[mine, 1]
        hat[mine] = level[parent] + effect + gain * effect / w2
        variance[mine] = np.clip(np.where(told, gain, 25.0), 1e-8, 25.0)
    return hat, variance


def _what_series_say(model: Model, lay: Layout, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Mean and variance of each series' log unexposed strength by its own strips alone."""
    curve = log_curve(model, theta)
    moved = theta.copy()
    lots = model.effect_index[:, 0] == 0
    moved[lay.effect.start + np.flatnonzero(lots)] += 1e-5
    slope = (log_curve(model, moved) - curve) / 1e-5
    w2 = float(spread_of_score(theta[lay.scale.start], "lot_spread_of_threshold")) ** 2
    log_spread, _ = own_values(model, theta)
    effect = np.append(theta[lay.effect], 0.0)  # the last entry serves no effect
    hat, var = np.zeros(len(model.series)), np.full(len(model.series), 25.0)
    for s, row in enumerate(model.series_index):
        product, start, first, end, sub_first, sub_end, _, _, partner, _ = row
        if start < 0 and not lay.start_fixed:
            continue
        if sub_end > sub_first:
            end = model.sub_range[sub_end - 1, 1]
        spread2 = math.exp(2 * log_spread[product])
        n, h = model.count[first:end], curve[first:end]
        mu = model.start_known if lay.start_fixed else theta[lay.start][start]
        if model.on_logs:
            weight, residual, lean = n, model.mean[first:end] - h, slope[first:end]
        else:
            g = np.exp(h)
            weight = n * g * g
            residual = np.log(np.maximum(model.mean[first:end], 1e-12)) - h
            lean = slope[first:end]
        if weight.sum() > 0:
            shared = (weight * lean).sum() ** 2 / ((weight * lean**2).sum() + spread2 / w2)
            hat[s] = np.average(residual, weights=weight) - effect[partner]
            var[s] = spread2 / max(weight.sum() - shared, 1e-3 * weight.sum())
        else:
            hat[s] = mu
    return hat, var


def _bends(
    model: Model,
    effect_hat: np.ndarray,
    effect_var: np.ndarray,
    series_hat: np.ndarray,
    series_var: np.ndarray,
) -> np.ndarray:
    """The spline of each score; a straight line for the spread of products about their line."""
    tables = []
    for f, family in enumerate((*model.groups, *model.others)):
        mine = model.effect_index[:, 0] == f
        nested = (model.effect_index[mine, 1] >= 0).all()
        parent = model.effect_index[mine, 1] if nested else np.zeros(mine.sum(), dtype=int)
        prior = model.main_prior if nested else np.array([[0.0, 1e-6]])  # their mean is 0
        name = spread_name(family)
        tables.append(_bend(effect_hat[mine], effect_var[mine], parent, prior, name))
    if model.start_known is None:
        starts = model.series_index[:, 1]
        told = starts >= 0
        name = spread_name("start")
        tables.append(
            _bend(series_hat[told], series_var[told], starts[told], model.start_prior, name)
        )
    if model.line.size:
        tables.append(_straight())
    return np.array(tables)


def _bend(
    hat: np.ndarray, var: np.ndarray, parent: np.ndarray, prior: np.ndarray, name: str
) -> np.ndarray:
    """Spline from a standard normal score to the prior score of a lot spread.

    With Gaussian approximations ``hat ~ N(centre, var + spread^2)`` and a normal prior on each
    parent's centre, the marginal posterior of the spread is known on a grid; the spline carries
    normal quantiles to its quantiles, so that the spread is close to normal where it is sampled.
    """
    from scipy.interpolate import CubicSpline
    from scipy.special import log_ndtr, ndtri_exp

    score = np.linspace(-9.0, 6.0, 2501)
    spread2 = spread_of_score(score, name) ** 2
    log_density = -0.5 * score**2
    for c in range(prior.shape[0]):
        mine = parent == c
        if not mine.any():
            continue
        weight = 1 / np.maximum(var[mine][:, None] + spread2, 1e-12)
        mean, sd = prior[c]
        precision = weight.sum(0) + 1 / sd**2
        pull = (hat[mine][:, None] * weight).sum(0) + mean / sd**2
        chi = (hat[mine][:, None] ** 2 * weight).sum(0) + mean**2 / sd**2 - pull**2 / precision
        log_density += 0.5 * np.log(weight).sum(0) - 0.5 * np.log(precision) - 0.5 * chi
    density = np.exp(log_density - log_density.max())
    steps = (density[1:] + density[:-1]) / 2
    below = np.concatenate([[0.0], np.cumsum(steps)])
    above = np.concatenate([np.cumsum(steps[::-1])[::-1], [0.0]])
    with np.errstate(divide="ignore"):
        low, high = np.log(below / below[-1]), np.log(above / above[0])
    normal = np.where(low < high, ndtri_exp(low), -ndtri_exp(high))
    knots = np.linspace(-4.5, 4.5, N_KNOT)
    inside = np.isfinite(normal) & (np.abs(log_ndtr(normal)) < 600)
    keep = np.concatenate([[True], np.diff(normal[inside]) > 1e-12])
    x, y = normal[inside][keep], score[inside][keep]
    spline = CubicSpline(knots, np.interp(knots, x, y), bc_type="natural")
    table = np.column_stack(
        [knots, np.vstack([spline.c.T, [[0.0, 0.0, spline(knots[-1], 1), spline(knots[-1])]]])]
    )
    fine = np.linspace(-4.5, 4.5, 1801)
    if not (np.isfinite(table).all() and (spline(fine, 1) > 1e-3).all()):
        return _straight()
    return table


def _straight() -> np.ndarray:
    """The spline that changes nothing."""
    table = np.zeros((N_KNOT, 5))
    table[:, 0] = table[:, 4] = np.linspace(-4.5, 4.5, N_KNOT)
    table[:, 3] = 1.0
    return table


def log_curve(model: Model, theta: np.ndarray) -> np.ndarray:
    """log retained fraction of each cell at theta, by numpy: the kernel's independent check."""
    lay = layout(model)
    lit = np.isfinite(model.log_dose)
    product = model.cell_index[:, 0]
    shapes = np.exp(own_values(model, theta)[1])
    shape: dict[str, Any] = {s.name: shapes[product, i] for i, s in enumerate(model.law.shapes)}
    out = np.zeros(model.cell_dose.size)
    if lit.any():
        effect = np.append(theta[lay.effect], 0.0)  # the last entry serves no effect
        eta = theta[lay.main][model.cell_index[:, 1]] + effect[model.cell_effect].sum(axis=1)
        beta = column_values(model, theta)
        eta = eta + model.design @ beta
        for (first, end), cell in zip(model.bow_range, range(eta.size), strict=True):
            for b in range(first, end):
                eta[cell] -= model.bow[b] * beta[model.bow_index[b]].prod()
        u = np.exp(model.log_dose - eta) * anchor_dose(model, shape, product)
        out[lit] = np.log(model.law.retained(u, shape))[lit]
    return out


def anchor_dose(model: Model, shape: dict[str, Any], product: np.ndarray) -> np.ndarray:
    """Scaled dose whose log the main effects are about, for products given by index."""
    if model.half_loss:
        return np.asarray(model.law.half_loss(shape))
    return np.asarray(model.law.inverse(model.anchor[product], shape))
