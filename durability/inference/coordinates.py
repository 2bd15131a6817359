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
from durability.inference.model import Model, priors

N_KNOT = 41
N_NODE = 15  # Gauss-Hermite nodes for censored strips


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Layout:
    """Where each parameter lies in y and theta."""

    n_beta: int
    n_product: int
    n_shape: int
    n_main: int
    n_start: int
    n_lot: int
    start_fixed: bool

    @property
    def shape(self) -> slice:
        return slice(self.n_beta, self.n_beta + self.n_product * self.n_shape)

    @property
    def spread(self) -> slice:
        return slice(self.shape.stop, self.shape.stop + self.n_product)

    @property
    def lot_scale(self) -> int:
        return self.spread.stop

    @property
    def start_scale(self) -> int | None:
        return None if self.start_fixed else self.spread.stop + 1

    @property
    def main(self) -> slice:
        first = self.spread.stop + (1 if self.start_fixed else 2)
        return slice(first, first + self.n_main)

    @property
    def start(self) -> slice:
        return slice(self.main.stop, self.main.stop + self.n_start)

    @property
    def lot(self) -> slice:
        return slice(self.start.stop, self.start.stop + self.n_lot)

    @property
    def size(self) -> int:
        return self.lot.stop


def layout(model: Model) -> Layout:
    """The layout of a model's parameters."""
    fixed = model.start_known is not None
    return Layout(
        n_beta=len(model.columns),
        n_product=len(model.materials),
        n_shape=len(model.law.shapes),
        n_main=len(model.mains),
        n_start=0 if fixed else len(model.starts),
        n_lot=len(model.lots),
        start_fixed=fixed,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Coordinates:
    """Constants of the standardised coordinates; `raw` means that y is theta itself."""

    centre: np.ndarray
    chol: np.ndarray
    lot_hat: np.ndarray
    lot_var: np.ndarray
    series_hat: np.ndarray
    series_var: np.ndarray
    lot_bend: np.ndarray  # (N_KNOT, 5): spline from a normal score to the prior score of the spread
    start_bend: np.ndarray
    raw: bool = False


def pack(model: Model, at: Coordinates) -> np.ndarray:
    """The kernel's buffer for a model in the coordinates given."""
    lay = layout(model)
    code, constants = model.law.tape.log().arrays()
    if model.law.inverse_tape is None:
        inverse, inverse_constants = np.zeros((0, 4), dtype=np.int64), np.zeros(1)
    else:
        inverse, inverse_constants = model.law.inverse_tape.arrays()
    node, weight = np.polynomial.hermite_e.hermegauss(N_NODE)
    head = np.zeros(k.N_HEADER, dtype=np.int64)
    sizes = {
        k.N_Y: lay.size,
        k.N_BETA: lay.n_beta,
        k.N_PRODUCT: lay.n_product,
        k.N_SHAPE: lay.n_shape,
        k.N_MAIN: lay.n_main,
        k.N_START: lay.n_start,
        k.N_LOT: lay.n_lot,
        k.N_SERIES: len(model.series),
        k.N_CELL: model.cell_dose.size,
        k.N_CENSORED: model.censored_limit.size,
        k.NORMAL_ERRORS: model.errors == "normal",
        k.START_FIXED: lay.start_fixed,
        k.N_CODE: len(code),
        k.N_INVERSE: len(inverse),
        k.N_NODE: N_NODE,
        k.RAW: at.raw,
        k.N_KNOT: N_KNOT,
    }
    for place, size in sizes.items():
        head[place] = int(size)
    ints = np.concatenate(
        [
            head,
            model.lot_main,
            model.main_product,
            model.single_lot,
            model.series_index.ravel(),
            model.censored_range.ravel(),
            model.cell_index.ravel(),
            model.censored_index.ravel(),
            code.ravel(),
            inverse.ravel(),
        ]
    ).astype(np.int64)

    book = priors()
    scalar = np.zeros(k.N_SCALAR)
    scalar[k.P_LOT_SCALE] = book["lot_spread_of_threshold"]["scale"]
    scalar[k.P_START_SCALE] = book["lot_spread_of_strength"]["scale"]
    scalar[k.LOG_FLOOR] = math.log(model.law.floor)
    scalar[k.Q] = model.fraction
    plain_mean, plain_sd = plain_priors(model)
    start_prior = np.zeros((0, 2)) if lay.start_fixed else model.start_prior
    floats = np.concatenate(
        [
            scalar,
            at.centre,
            at.chol.ravel(),
            model.main_prior.T.ravel(),
            start_prior.T.ravel(),
            at.lot_hat,
            at.lot_var,
            at.series_hat,
            at.series_var,
            at.lot_bend.ravel(),
            at.start_bend.ravel(),
            [c.mean for c in model.columns],
            [c.sd for c in model.columns],
            plain_mean,
            plain_sd,
            model.log_dose,
            model.count,
            model.mean,
            model.squares,
            model.freedom,
            model.design.ravel(),
            model.censored_limit,
            node,
            weight / weight.sum(),
            [model.start_known or 0.0],
            model.anchor,
            _padded(constants, len(code) + 1),
            _padded(inverse_constants, len(inverse) + 1),
        ]
    ).astype(float)
    buffer = np.concatenate([ints, floats.view(np.int64)])
    buffer[k.N_TOTAL], buffer[k.N_INT] = buffer.size, ints.size
    return buffer


def _padded(values: np.ndarray, size: int) -> np.ndarray:
    out = np.zeros(size)
    out[: min(values.size, size)] = values[:size]
    return out


def plain_priors(model: Model) -> tuple[np.ndarray, np.ndarray]:
    """Mean and sd of the log shapes (product by product), then of the log spreads."""
    book = priors()["strip_spread"]
    n = len(model.materials)
    mean = [math.log(s.median) for s in model.law.shapes] * n + [math.log(book["median"])] * n
    sd = [s.sd_log for s in model.law.shapes] * n + [book["sd_log"]] * n
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
        chol=np.eye(lay.size),
        lot_hat=np.zeros(lay.n_lot),
        lot_var=np.ones(lay.n_lot),
        series_hat=np.zeros(len(model.series)),
        series_var=np.ones(len(model.series)),
        lot_bend=np.zeros((N_KNOT, 5)),
        start_bend=np.zeros((N_KNOT, 5)),
        raw=True,
    )
    buffer = pack(model, plain)
    theta = _plain_mode(model, lay, buffer)
    lot_hat, lot_var = _what_lots_say(model, lay, buffer, theta)
    series_hat, series_var = _what_series_say(model, lay, theta)
    at = replace(
        plain,
        raw=False,
        lot_hat=lot_hat,
        lot_var=lot_var,
        series_hat=series_hat,
        series_var=series_var,
        lot_bend=_bend(
            lot_hat, lot_var, model.lot_main, model.main_prior, "lot_spread_of_threshold"
        ),
        start_bend=_bend(
            series_hat,
            series_var,
            model.series_index[:, 1],
            model.start_prior,
            "lot_spread_of_strength",
        ),
    )
    buffer = pack(model, at)
    y = theta.copy()
    y[lay.lot_scale : lay.size] = 0.0
    y = _climb(buffer, y, np.ones(lay.size, dtype=bool))
    covariance = _covariance(buffer, y)
    at = replace(at, centre=y, chol=np.linalg.cholesky(covariance))
    k.from_y(y, buffer, theta)
    return at, theta


def _plain_mode(model: Model, lay: Layout, buffer: np.ndarray) -> np.ndarray:
    """Mode at a moderate lot spread, from several starts of threshold dose and spread."""
    free = np.ones(lay.size, dtype=bool)
    free[lay.lot_scale] = False
    theta = np.zeros(lay.size)
    theta[: lay.n_beta] = [c.mean for c in model.columns]
    plain_mean, _ = plain_priors(model)
    theta[lay.shape.start : lay.spread.stop] = plain_mean
    theta[lay.lot_scale] = -0.6  # 0.1 on the log scale where the prior's scale is 0.3
    if lay.start_scale is not None:
        free[lay.start_scale] = False
        theta[lay.start_scale] = -0.6
        theta[lay.start] = model.start_prior[:, 0]
    best, best_value = theta, -np.inf
    for shift in (0.0, -1.5, 1.5):
        start = theta.copy()
        start[lay.main] = model.main_prior[:, 0] + shift
        start[lay.spread] += 0.7
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


def _hessian(buffer: np.ndarray, y: np.ndarray, places: np.ndarray | None = None) -> np.ndarray:
    """Minus the second derivatives of the log density by central differences of the gradient."""
    chosen = np.arange(y.size) if places is None else places
    rows = np.empty((chosen.size, y.size))
    for i, j in enumerate(chosen):
        step = 1e-4 * max(1.0, abs(y[j]) * 0.1)
        up, down = y.copy(), y.copy()
        up[j] += step
        down[j] -= step
        rows[i] = -(density(buffer, up)[1] - density(buffer, down)[1]) / (2 * step)
    return rows


def _covariance(buffer: np.ndarray, y: np.ndarray) -> np.ndarray:
    hessian = _hessian(buffer, y)
    hessian = (hessian + hessian.T) / 2
    if not np.isfinite(hessian).all():
        return np.eye(y.size) * 0.01
    values, vectors = np.linalg.eigh(hessian)
    values = np.clip(values, 0.05, None)  # nothing wider than sd 4.5 in these coordinates
    covariance = (vectors / values) @ vectors.T
    return (covariance + covariance.T) / 2


def _what_lots_say(
    model: Model, lay: Layout, buffer: np.ndarray, theta: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Mean and variance of each lot's log threshold dose by its own strips alone."""
    w2 = float(spread_of_score(theta[lay.lot_scale], "lot_spread_of_threshold")) ** 2
    places = np.arange(lay.lot.start, lay.lot.stop)
    rows = _hessian(buffer, theta, places)
    curvature = rows[np.arange(places.size), places] - 1 / w2
    effect = theta[lay.lot]
    variance = np.where(curvature > 0.04, 1 / np.maximum(curvature, 0.04), 25.0)
    gain = np.where(curvature > 0.04, variance, 0.0)
    centre = theta[lay.main][model.lot_main] if lay.n_main else np.zeros(lay.n_lot)
    return centre + effect + gain * effect / w2, np.clip(variance, 1e-8, 25.0)


def _what_series_say(model: Model, lay: Layout, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Mean and variance of each series' log unexposed strength by its own strips alone."""
    curve = log_curve(model, theta)
    moved = theta.copy()
    moved[lay.lot] += 1e-5
    slope = (log_curve(model, moved) - curve) / 1e-5
    w2 = float(spread_of_score(theta[lay.lot_scale], "lot_spread_of_threshold")) ** 2
    hat, var = np.zeros(len(model.series)), np.full(len(model.series), 25.0)
    for s, (product, start, first, end) in enumerate(model.series_index):
        spread2 = math.exp(2 * theta[lay.spread][product])
        n, h = model.count[first:end], curve[first:end]
        mu = model.start_known if lay.start_fixed else theta[lay.start][start]
        if model.errors == "lognormal":
            weight, residual, lean = n, model.mean[first:end] - h, slope[first:end]
        else:
            g = np.exp(h)
            weight = n * g * g
            residual = np.log(np.maximum(model.mean[first:end], 1e-12)) - h
            lean = slope[first:end]
        if weight.sum() > 0:
            shared = (weight * lean).sum() ** 2 / ((weight * lean**2).sum() + spread2 / w2)
            hat[s] = np.average(residual, weights=weight)
            var[s] = spread2 / max(weight.sum() - shared, 1e-3 * weight.sum())
        else:
            hat[s] = mu
    return hat, var


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
        table = np.zeros((N_KNOT, 5))
        table[:, 0] = table[:, 4] = knots
        table[:, 3] = 1.0
    return table


def log_curve(model: Model, theta: np.ndarray) -> np.ndarray:
    """log retained fraction of each cell at theta, by numpy: the kernel's independent check."""
    lay = layout(model)
    lit = np.isfinite(model.log_dose)
    product = np.empty(model.cell_dose.size, dtype=int)
    for p, _, first, end in model.series_index:
        product[first:end] = p
    shapes = np.exp(theta[lay.shape]).reshape(lay.n_product, lay.n_shape)
    shape: dict[str, Any] = {s.name: shapes[product, i] for i, s in enumerate(model.law.shapes)}
    out = np.zeros(model.cell_dose.size)
    if lit.any():
        lot = np.append(theta[lay.lot], 0.0)  # the last entry serves products of one lot
        eta = theta[lay.main][model.cell_index[:, 0]] + lot[model.cell_index[:, 1]]
        eta = eta + model.design @ theta[: lay.n_beta]
        scale = model.law.inverse(model.anchor[product], shape)
        u = np.exp(model.log_dose - eta) * scale
        out[lit] = np.log(model.law.retained(u, shape))[lit]
    return out
