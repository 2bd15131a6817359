"""What are the parameters, in which coordinates are they sampled, and how does the kernel get them?

The layout of parameters, the values that they stand for, and the buffer. The constants of the
coordinates are found by `durability.inference.search` and `durability.inference.quadratic`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.inference import kernel as k
from durability.inference.model import Column, Model, priors, spread_name
from durability.inference.straight import straightened
from durability.inference.tail_rows import tail_of

if TYPE_CHECKING:
    from durability.inference.quadratic import Quadratic

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


def common_values(model: Model, theta: np.ndarray) -> dict[str, np.ndarray]:
    """Logs (...) of the centres of pooled shapes and scatter, by name, at theta (..., n_y)."""
    lay = layout(model)
    names = ["strip_spread", *(f"shape_{s.name}" for s in model.law.shapes)]
    places = [lay.spread.start, *range(lay.shape.start, lay.shape.start + lay.n_shape)]
    pooled = (model.own_effect >= 0).all(axis=0)
    return {n: theta[..., at] for n, at, of in zip(names, places, pooled, strict=True) if of}


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
    given: Quadratic  # of everything linear, at any spreads
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
    given = at.given
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
        k.N_INNER: given.inner.size, k.N_OUTER: given.outer.size, k.N_TERM: len(given.term),
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
        k.I_SINGLE: model.single_lot,
        k.I_READING: model.reading_index,
        k.I_SERIES: model.series_index,
        k.I_INNER: given.inner,
        k.I_OUTER: given.outer,
        k.I_FIRST: np.column_stack([given.first, given.row]),
        k.I_TERM: np.column_stack([given.term, given.term_range]),
        k.I_ENTRY: given.entry,
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
        k.F_ORIGIN: given.origin,
        k.F_OUTER: given.outer_at,
        k.F_FOLLOW: given.follow,
        k.F_LEAN: given.lean,
        k.F_CURVATURE: given.curvature,
        k.F_TERM: given.term_number,
        k.F_ENTRY: given.entry_value,
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
        k.W_SCALE: 2 * len(spread_scale), k.W_BETA: 5 * lay.n_beta,
        k.W_ROOTS: given.curvature.size, k.W_WHITE: 3 * given.inner.size + given.outer.size,
        k.W_ENDS: given.inner.size,  # up to here they are kernel.from_y's
        k.W_LEVEL: n_cell, k.W_LOG_CURVE: n_cell,
        k.W_PULL: n_cell, k.W_SLOPE: n_in * n_cell, k.W_OWN: lay.n_product * n_in,
        k.W_BY_OWN: lay.n_product * n_in,
        k.W_ROOT: 6 * lay.n_product, k.W_ROOT_SLOPE: 2 * n_in * lay.n_product, k.W_NODE: node.size,
        k.W_SUB: 2 * len(model.sub_range), k.W_VALUE: registers * k.BLOCK,
        k.W_TANGENT: registers * n_in * k.BLOCK, k.W_LOG_U: k.BLOCK,
        k.W_BY_ROOTS: given.curvature.size,
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
    """The lot spread (log scale) whose half-normal prior `prior` has this normal score.

    Above the median by the logarithm of the tail: a probability of nearly 1 has no digits left
    from a score of 8 on.
    """
    from scipy.special import erfinv, log_ndtr, ndtr, ndtri_exp

    score = np.asarray(score, dtype=float)
    low = math.sqrt(2) * erfinv(ndtr(np.minimum(score, 0.0)))
    high = -ndtri_exp(log_ndtr(-np.maximum(score, 0.0)) - math.log(2))
    return priors()[prior]["scale"] * np.where(score < 0, low, high)


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
