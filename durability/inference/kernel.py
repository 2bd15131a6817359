"""How probable are the data, and in which direction more so? The compiled log posterior density.

One function of one structure serves every study: sizes, data and the law's formula (as a tape)
arrive in a single buffer, so that nothing is compiled again for a new study, law or lot. The
unexposed strength of each series is integrated out (exactly for measured strips; with censored
strips by Gauss-Hermite quadrature about the exact Gaussian part). Gradients are exact; derivatives
of the integrals are posterior expectations of derivatives of the integrand.

Coordinates. The sampler moves in z. ``y = centre + chol @ z`` are coordinates in which the
posterior is close to a standard normal; main effects, lot effects and mean unexposed strengths
are standardised there by their conditional mean and spread *given the current lot spread*, taken
from a quadratic approximation of the likelihood made once. That removes the funnel between lot
effects and lot spread whether a lot has many strips or none. Its constants (approximate means and
variances) only set coordinates; the density itself is exact.

The main effect of a product is the log threshold dose at an *anchor* fraction, near what its own
strips have left, where the data say most; its prior is on the threshold at the fraction asked.

A product of one lot has no lot effect in y: main effect and lot effect only meet as their sum, so
the effect is integrated out here and drawn afterwards from its exact conditional distribution.

Order of y: contrasts and clock columns (n_beta); log shapes by product (n_product * n_shape);
log spread by product (n_product); score of the lot spread of the threshold; score of the lot
spread of the unexposed strength (if sampled); main effects (n_main); mean unexposed strengths
(n_start); lot effects.
"""

from __future__ import annotations

import ctypes
import math

import numba
import numpy as np

# Operation codes of `durability.laws.expression`, written again: compiled code is kept on disk by
# this file's state alone, so it must not depend on another file. A test holds them equal.
CONST, ADD, SUB, MUL, DIV, POW, NEG = 0, 1, 2, 3, 4, 5, 6
EXP, LOG, SQRT, EXPM1, LOG1P, TANH, SIN, COS, ATAN, ABS = 7, 8, 9, 10, 11, 12, 13, 14, 15, 16
MIN, MAX, LT, LE, WHERE = 17, 18, 19, 20, 21

(
    N_TOTAL, N_INT, N_Y, N_BETA, N_PRODUCT, N_SHAPE, N_MAIN, N_START, N_LOT, N_SERIES, N_CELL,
    N_CENSORED, NORMAL_ERRORS, START_FIXED, N_CODE, N_INVERSE, N_NODE, RAW, N_KNOT,
) = range(19)  # fmt: skip
N_HEADER = 24

(
    P_LOT_SCALE, P_START_SCALE, LOG_FLOOR, Q,
) = range(4)  # fmt: skip
N_SCALAR = 8


@numba.njit(cache=True, error_model="numpy")
def run_tape(code, constants, n_in, value, slope, log_first):
    """Forward evaluation of a tape with derivatives, at many points at once.

    Parameters
    ----------
    code, constants : of the tape.
    n_in : number of inputs.
    value : (register, point); the first `n_in` registers hold the inputs.
    slope : (register, derivative, point); filled for the inputs.
    log_first : (point,) log of the first input, whose powers then need no logarithm.
    """
    n_der, n = slope.shape[1], value.shape[1]
    for i in range(code.shape[0]):
        op, a, b, c = code[i, 0], code[i, 1], code[i, 2], code[i, 3]
        r = n_in + i
        if op == CONST:
            for g in range(n):
                value[r, g] = constants[a]
            for j in range(n_der):
                for g in range(n):
                    slope[r, j, g] = 0.0
        elif op == ADD:
            for g in range(n):
                value[r, g] = value[a, g] + value[b, g]
            for j in range(n_der):
                for g in range(n):
                    slope[r, j, g] = slope[a, j, g] + slope[b, j, g]
        elif op == SUB:
            for g in range(n):
                value[r, g] = value[a, g] - value[b, g]
            for j in range(n_der):
                for g in range(n):
                    slope[r, j, g] = slope[a, j, g] - slope[b, j, g]
        elif op == MUL:
            for g in range(n):
                value[r, g] = value[a, g] * value[b, g]
            for j in range(n_der):
                for g in range(n):
                    slope[r, j, g] = slope[a, j, g] * value[b, g] + value[a, g] * slope[b, j, g]
        elif op == DIV:
            for g in range(n):
                value[r, g] = value[a, g] / value[b, g]
            for j in range(n_der):
                for g in range(n):
                    slope[r, j, g] = (slope[a, j, g] - value[r, g] * slope[b, j, g]) / value[b, g]
        elif op == POW:
            for g in range(n):
                va, vb = value[a, g], value[b, g]
                if va > 0.0:
                    log_va = log_first[g] if a == 0 else math.log(va)
                    f = math.exp(vb * log_va)
                    da, db = vb * f / va, f * log_va
                else:
                    f = va**vb
                    # at a shoulder (base 0, power below 1) no finite slope exists: pass none
                    da = vb * va ** (vb - 1.0) if vb >= 1.0 else 0.0
                    db = 0.0
                value[r, g] = f
                for j in range(n_der):
                    slope[r, j, g] = da * slope[a, j, g] + db * slope[b, j, g]
        elif op in (WHERE, MIN, MAX):
            for g in range(n):
                if op == WHERE:
                    pick = b if value[a, g] != 0.0 else c
                elif op == MIN:
                    pick = a if value[a, g] <= value[b, g] else b
                else:
                    pick = a if value[a, g] >= value[b, g] else b
                value[r, g] = value[pick, g]
                for j in range(n_der):
                    slope[r, j, g] = slope[pick, j, g]
        elif op in (LT, LE):
            for g in range(n):
                low, high = value[a, g], value[b, g]
                value[r, g] = 1.0 if (low < high or (op == LE and low == high)) else 0.0
                for j in range(n_der):
                    slope[r, j, g] = 0.0
        elif op == NEG:
            for g in range(n):
                value[r, g] = -value[a, g]
            for j in range(n_der):
                for g in range(n):
                    slope[r, j, g] = -slope[a, j, g]
        else:
            for g in range(n):
                f, d = _one_argument(op, value[a, g])
                value[r, g] = f
                for j in range(n_der):
                    slope[r, j, g] = d * slope[a, j, g]


@numba.njit(cache=True, error_model="numpy")
def _one_argument(op, x):
    """A function of one argument and its derivative."""
    if op == EXP:
        f = math.exp(x)
        return f, f
    if op == LOG:
        return (math.log(x), 1.0 / x) if x > 0.0 else (-np.inf, 0.0)
    if op == SQRT:
        f = math.sqrt(x) if x >= 0.0 else np.nan
        return f, 0.5 / f
    if op == EXPM1:
        f = math.expm1(x)
        return f, f + 1.0
    if op == LOG1P:
        return (math.log1p(x), 1.0 / (1.0 + x)) if x > -1.0 else (-np.inf, 0.0)
    if op == TANH:
        f = math.tanh(x)
        return f, 1.0 - f * f
    if op == SIN:
        return math.sin(x), math.cos(x)
    if op == COS:
        return math.cos(x), -math.sin(x)
    if op == ATAN:
        return math.atan(x), 1.0 / (1.0 + x * x)
    return abs(x), (1.0 if x >= 0.0 else -1.0)


@numba.njit(cache=True, error_model="numpy")
def _log_curves(log_u, product, shape, code, constants, log_floor, h, out):
    """Fills h with log g0 at exp(log_u) of each point; out[0] slopes by log u, out[1 + k] by log
    shape k."""
    n, n_der = log_u.size, out.shape[0]
    value = np.empty((n_der + code.shape[0], n))
    slope = np.zeros((n_der + code.shape[0], n_der, n))
    for g in range(n):
        value[0, g] = math.exp(log_u[g])
        slope[0, 0, g] = value[0, g]
        for k in range(n_der - 1):
            value[1 + k, g] = slope[1 + k, 1 + k, g] = shape[product[g], k]
    run_tape(code, constants, n_der, value, slope, log_u)
    last = value.shape[0] - 1
    for g in range(n):
        above = value[last, g] > log_floor
        h[g] = value[last, g] if above else log_floor
        for j in range(n_der):
            out[j, g] = slope[last, j, g] if above else 0.0


@numba.njit(cache=True, error_model="numpy")
def _log_inverses(q, shape, inverse, inverse_constants, code, constants, log_floor, root, out):
    """Fills root with the log of the scaled dose at which q[p] is left; out[1 + k] slopes by the
    log of shape k."""
    n, n_der = q.size, out.shape[0]
    work = np.empty((4, n))
    if inverse.shape[0] > 0:
        value = np.empty((n_der + inverse.shape[0], n))
        slope = np.zeros((n_der + inverse.shape[0], n_der, n))
        for p in range(n):
            value[0, p], work[0, p] = q[p], math.log(q[p])
            for k in range(n_der - 1):
                value[1 + k, p] = slope[1 + k, 1 + k, p] = shape[p, k]
        run_tape(inverse, inverse_constants, n_der, value, slope, work[0])
        last = value.shape[0] - 1
        for p in range(n):
            root[p] = math.log(value[last, p])
            for j in range(n_der):
                out[j, p] = slope[last, j, p] / value[last, p]
        return
    product = np.empty(n, dtype=np.int64)
    for p in range(n):
        product[p], work[0, p], work[1, p] = p, -60.0, 60.0
        root[p] = 0.0
    for step in range(81):
        _log_curves(root, product, shape, code, constants, log_floor, work[2], out)
        for p in range(n):
            if step < 80:
                work[0 if work[2, p] > math.log(q[p]) else 1, p] = root[p]
                root[p] = 0.5 * (work[0, p] + work[1, p])
    for p in range(n):
        for k in range(1, n_der):
            out[k, p] = -out[k, p] / out[0, p]


_SQRT2 = math.sqrt(2.0)
_LOG_SQRT_2PI = 0.5 * math.log(2.0 * math.pi)


@numba.njit(cache=True, error_model="numpy")
def log_phi(x):
    """(log of the standard normal distribution function, its derivative), safe in the far tail."""
    if x > -30.0:
        p = 0.5 * math.erfc(-x / _SQRT2)
        logp = math.log(p)
        return logp, math.exp(-0.5 * x * x - _LOG_SQRT_2PI - logp)
    x2 = x * x
    tail = 1.0 - 1.0 / x2 + 3.0 / (x2 * x2)
    logp = -0.5 * x2 - _LOG_SQRT_2PI - math.log(-x) + math.log(tail)
    return logp, -x / tail


@numba.njit(cache=True, error_model="numpy")
def half_normal_score(score):
    """x with P(half-normal < x) = P(normal < score): (log x, its derivative by score).

    A spread with a half-normal prior is sampled through this score, whose prior is standard
    normal: no long tail towards a spread of zero. Newton's method on the error function, whose
    complement is used where it is the accurate one.
    """
    half = 0.5 * math.erfc(-score / _SQRT2)  # = erf(x / sqrt 2)
    if score < 1.0:
        a = 0.147
        log_term = math.log1p(-half * half)
        t = 2.0 / (math.pi * a) + 0.5 * log_term
        x = _SQRT2 * math.sqrt(math.sqrt(t * t - log_term / a) - t)
        if half < 1e-4:
            x = half * 1.2533141373155003
        for _ in range(4):
            x -= (math.erf(x / _SQRT2) - half) * 1.2533141373155003 * math.exp(0.5 * x * x)
    else:
        other = 0.5 * math.erfc(score / _SQRT2)  # = erfc(x / sqrt 2)
        x = math.sqrt(score * score + 1.0)
        for _ in range(8):
            tail = math.erfc(x / _SQRT2)
            step = (math.log(tail) - math.log(other)) * tail * math.exp(0.5 * x * x)
            x += step * 1.2533141373155003
    slope = 0.5 * math.exp(0.5 * (x * x - score * score))
    return math.log(x), slope / x


@numba.njit(cache=True, error_model="numpy")
def bent(x, table):
    """Value, slope and second slope of a cubic spline, straight beyond its ends.

    `table` rows: knot, then the coefficients of cube, square, line and constant from that knot.
    """
    last = table.shape[0] - 1
    if x <= table[0, 0]:
        return table[0, 4] + table[0, 3] * (x - table[0, 0]), table[0, 3], 0.0
    if x >= table[last, 0]:
        return table[last, 4] + table[last, 3] * (x - table[last, 0]), table[last, 3], 0.0
    step = table[1, 0] - table[0, 0]
    i = min(int((x - table[0, 0]) / step), last - 1)
    d = x - table[i, 0]
    a, b, c = table[i, 1], table[i, 2], table[i, 3]
    return ((a * d + b) * d + c) * d + table[i, 4], (3 * a * d + 2 * b) * d + c, 6 * a * d + 2 * b


@numba.njit(cache=True, error_model="numpy")
def from_y(y, buf, theta):
    """Model parameters from y (same order); returns the log Jacobian."""
    ints = buf[: buf[N_INT]]
    flt = buf[buf[N_INT] :].view(np.float64)
    n_beta, n_product, n_shape = ints[N_BETA], ints[N_PRODUCT], ints[N_SHAPE]
    n_main, n_start, n_lot, n_series = ints[N_MAIN], ints[N_START], ints[N_LOT], ints[N_SERIES]
    fixed, raw = ints[START_FIXED], ints[RAW]
    i_lot_main = N_HEADER
    i_series = i_lot_main + n_lot + n_main + n_product
    o_scale = n_beta + n_product * n_shape + n_product
    o_main = o_scale + 1 + (0 if fixed else 1)
    o_start = o_main + n_main
    o_lot = o_start + n_start
    for i in range(o_main):
        theta[i] = y[i]
    if raw:
        for i in range(o_main, o_lot + n_lot):
            theta[i] = y[i]
        return 0.0
    n_y = ints[N_Y]
    f = N_SCALAR + n_y + n_y * n_y
    main_mean, main_sd = f, f + n_main
    f += 2 * n_main
    start_mean, start_sd = f, f + n_start
    f += 2 * n_start
    lot_hat, lot_var = f, f + n_lot
    f += 2 * n_lot
    ser_hat, ser_var = f, f + n_series
    f += 2 * n_series
    log_jacobian = 0.0
    n_knot = ints[N_KNOT]
    for i in range(1 if fixed else 2):
        table = flt[f : f + 5 * n_knot].reshape((n_knot, 5))
        theta[o_scale + i], slope, _ = bent(y[o_scale + i], table)
        log_jacobian += math.log(slope)
        f += 5 * n_knot
    w2 = (flt[P_LOT_SCALE] * math.exp(half_normal_score(theta[o_scale])[0])) ** 2
    for c in range(n_main):
        precision = 1.0 / flt[main_sd + c] ** 2
        pull = flt[main_mean + c] * precision
        for m in range(n_lot):
            if ints[i_lot_main + m] == c:
                precision += 1.0 / (flt[lot_var + m] + w2)
                pull += flt[lot_hat + m] / (flt[lot_var + m] + w2)
        sd = 1.0 / math.sqrt(precision)
        theta[o_main + c] = pull / precision + sd * y[o_main + c]
        log_jacobian += math.log(sd)
    if not fixed:
        s2 = (flt[P_START_SCALE] * math.exp(half_normal_score(theta[o_scale + 1])[0])) ** 2
        for c in range(n_start):
            precision = 1.0 / flt[start_sd + c] ** 2
            pull = flt[start_mean + c] * precision
            for s in range(n_series):
                if ints[i_series + 4 * s + 1] == c:
                    precision += 1.0 / (flt[ser_var + s] + s2)
                    pull += flt[ser_hat + s] / (flt[ser_var + s] + s2)
            sd = 1.0 / math.sqrt(precision)
            theta[o_start + c] = pull / precision + sd * y[o_start + c]
            log_jacobian += math.log(sd)
    for m in range(n_lot):
        v = flt[lot_var + m]
        var = v * w2 / (v + w2)
        sd = math.sqrt(var)
        a = theta[o_main + ints[i_lot_main + m]]
        theta[o_lot + m] = var / v * (flt[lot_hat + m] - a) + sd * y[o_lot + m]
        log_jacobian += math.log(sd)
    return log_jacobian


@numba.njit(cache=True, error_model="numpy")
def _give(logp, by_y, chol, grad_, logp_):
    """Hands the density and its gradient by z to the caller; 0, or a code for a point to reject."""
    n = by_y.size
    logp_[0] = logp
    bad = 0 if math.isfinite(logp) else 4
    for j in range(n):
        grad_[j] = 0.0
    for i in range(n):
        for j in range(i + 1):
            grad_[j] += chol[i, j] * by_y[i]
        if not math.isfinite(by_y[i]):
            bad = 3
    return bad


_C_DENSITY = numba.types.int64(
    numba.types.uint64,
    numba.types.CPointer(numba.types.double),
    numba.types.CPointer(numba.types.double),
    numba.types.CPointer(numba.types.double),
    numba.types.CPointer(numba.types.int64),
)
_C_EXPAND = numba.types.int64(
    numba.types.uint64,
    numba.types.uint64,
    numba.types.CPointer(numba.types.double),
    numba.types.CPointer(numba.types.double),
    numba.types.CPointer(numba.types.int64),
)


@numba.cfunc(_C_DENSITY, cache=True, error_model="numpy")
def density_callback(dim, z_, grad_, logp_, data_):
    """Log posterior density at z (up to a constant) with its gradient, through C.

    All in one function: each that is split off costs seconds more to compile.
    """
    n_total = data_[0]
    buf = numba.carray(data_, (n_total,))  # pyright: ignore
    ints = buf[: buf[N_INT]]
    flt = buf[buf[N_INT] :].view(np.float64)
    chol = flt[N_SCALAR + buf[N_Y] : N_SCALAR + buf[N_Y] + buf[N_Y] * buf[N_Y]].reshape(
        (buf[N_Y], buf[N_Y])
    )
    y, by_y, theta = np.empty(buf[N_Y]), np.empty(buf[N_Y]), np.empty(buf[N_Y])
    for i in range(buf[N_Y]):
        t = flt[N_SCALAR + i]
        for j in range(i + 1):
            t += chol[i, j] * z_[j]
        y[i] = t
    n_y, n_beta, n_product, n_shape = ints[N_Y], ints[N_BETA], ints[N_PRODUCT], ints[N_SHAPE]
    n_main, n_start, n_lot = ints[N_MAIN], ints[N_START], ints[N_LOT]
    n_series, n_cell, n_censored = ints[N_SERIES], ints[N_CELL], ints[N_CENSORED]
    normal, fixed, raw = ints[NORMAL_ERRORS], ints[START_FIXED], ints[RAW]
    n_code, n_inverse, n_node = ints[N_CODE], ints[N_INVERSE], ints[N_NODE]
    n_knot = ints[N_KNOT]
    i = N_HEADER
    i_lot_main = i
    i += n_lot
    i_main = i  # product
    i += n_main
    i_single = i  # 1 for a product of one lot
    i += n_product
    i_series = i  # product, start, first cell, end cell
    i += 4 * n_series
    i_cens_range = i  # first, end
    i += 2 * n_series
    i_cell = i  # main, lot
    i += 2 * n_cell
    i_cens = i  # cell, sign
    i += 2 * n_censored
    code = ints[i : i + 4 * n_code].reshape((n_code, 4))
    i += 4 * n_code
    inverse = ints[i : i + 4 * n_inverse].reshape((n_inverse, 4))

    log_floor, q = flt[LOG_FLOOR], flt[Q]
    f = N_SCALAR + n_y + n_y * n_y
    main_mean, main_sd = f, f + n_main
    f += 2 * n_main
    start_mean, start_sd = f, f + n_start
    f += 2 * n_start
    lot_hat, lot_var = f, f + n_lot
    f += 2 * n_lot
    ser_hat, ser_var = f, f + n_series
    f += 2 * n_series
    f_bend = f
    f += 10 * n_knot
    beta_mean, beta_sd = f, f + n_beta
    f += 2 * n_beta
    n_plain = n_product * n_shape + n_product
    plain_mean, plain_sd = f, f + n_plain
    f += 2 * n_plain
    log_dose = f
    f += n_cell
    count = f
    f += n_cell
    mean = f
    f += n_cell
    squares = f
    f += n_cell
    freedom = f
    f += n_cell
    design = f
    f += n_cell * n_beta
    limit = f
    f += n_censored
    node, weight = f, f + n_node
    f += 2 * n_node
    start_known = flt[f]
    f += 1
    anchor = flt[f : f + n_product]
    f += n_product
    constants = flt[f : f + n_code + 1]
    f += n_code + 1
    inverse_constants = flt[f : f + n_inverse + 1]

    o_shape = n_beta
    o_spread = o_shape + n_product * n_shape
    o_scale = o_spread + n_product
    o_main = o_scale + 1 + (0 if fixed else 1)
    o_start = o_main + n_main
    o_lot = o_start + n_start

    logp = from_y(y, buf, theta)
    for j in range(n_y):
        by_y[j] = 0.0

    n_der = 1 + n_shape
    shape = np.empty((n_product, n_shape))
    for p in range(n_product):
        for k in range(n_shape):
            shape[p, k] = math.exp(theta[o_shape + p * n_shape + k])
    inverse_slope = np.zeros((n_der, n_product))  # of the anchor fraction
    asked_slope = np.zeros((n_der, n_product))
    log_inverse, to_asked, asked = np.empty(n_product), np.empty(n_product), np.empty(n_product)
    for p in range(n_product):
        asked[p] = q
    _log_inverses(anchor, shape, inverse, inverse_constants, code, constants, log_floor,
                  log_inverse, inverse_slope)  # fmt: skip
    _log_inverses(asked, shape, inverse, inverse_constants, code, constants, log_floor,
                  to_asked, asked_slope)  # fmt: skip
    # log threshold dose at the asked fraction less that at the anchor
    for p in range(n_product):
        to_asked[p] -= log_inverse[p]
        for k in range(n_shape):
            asked_slope[1 + k, p] -= inverse_slope[1 + k, p]

    log_u = np.zeros(n_cell)
    product = np.empty(n_cell, dtype=np.int64)
    for s in range(n_series):
        p = ints[i_series + 4 * s]
        for g in range(ints[i_series + 4 * s + 2], ints[i_series + 4 * s + 3]):
            product[g] = p
            if flt[log_dose + g] > -np.inf:
                t = flt[log_dose + g] + log_inverse[p] - theta[o_main + ints[i_cell + 2 * g]]
                if ints[i_cell + 2 * g + 1] >= 0:
                    t -= theta[o_lot + ints[i_cell + 2 * g + 1]]
                for j in range(n_beta):
                    t -= flt[design + g * n_beta + j] * theta[j]
                log_u[g] = t
    curve_slope = np.empty((n_der, n_cell))
    curve = np.empty(n_cell)
    _log_curves(log_u, product, shape, code, constants, log_floor, curve, curve_slope)

    start_var = by_start_score = 0.0
    if not fixed:
        log_x, by_start_score = half_normal_score(theta[o_scale + 1])
        start_var = (flt[P_START_SCALE] * math.exp(log_x)) ** 2
    pull = np.empty(n_cell)  # derivative of logp by the log curve of each cell
    node_log = np.empty(n_node)
    for s in range(n_series):
        p = ints[i_series + 4 * s]
        start = ints[i_series + 4 * s + 1]
        first, end = ints[i_series + 4 * s + 2], ints[i_series + 4 * s + 3]
        sd_log = theta[o_spread + p]
        precision = math.exp(-2.0 * sd_log)
        mu = start_known if fixed else theta[o_start + start]
        scale = math.exp(-mu) if normal else 1.0
        w = wr = chi = total = 0.0
        for g in range(first, end):
            h = curve[g] if flt[log_dose + g] > -np.inf else 0.0
            n = flt[count + g]
            if normal:
                h = math.exp(h)
                r = flt[mean + g] * scale - h
                w += n * h * h
                wr += n * r * h
                chi += n * r * r + flt[squares + g] * scale * scale
            else:
                r = flt[mean + g] - h - mu
                w += n
                wr += n * r
                chi += n * r * r + flt[squares + g]
            total += flt[freedom + g]
            curve[g] = h
        w *= precision
        wr *= precision
        chi *= precision
        # the start of the series is mu + d (log) or exp(mu) * (1 + d): d ~ N(0, start_var)
        shrink = 1.0 / (1.0 + start_var * w)
        d_mean, d_var = start_var * wr * shrink, start_var * shrink
        logp += -total * sd_log - 0.5 * chi + 0.5 * wr * wr * start_var * shrink
        logp += 0.5 * math.log(shrink)
        if normal:
            logp -= total * mu
        d1, d2 = d_mean, d_mean * d_mean + d_var
        c_first, c_end = ints[i_cens_range + 2 * s], ints[i_cens_range + 2 * s + 1]
        for g in range(first, end):
            pull[g] = 0.0
        grad_spread = 0.0
        grad_mu = 0.0
        if c_end > c_first:
            inv_sd = math.exp(-sd_log)
            d_sd = math.sqrt(d_var)
            top = -np.inf
            for j in range(n_node):
                d = d_mean + d_sd * flt[node + j]
                total_log = math.log(flt[weight + j])
                for c in range(c_first, c_end):
                    g, sign = ints[i_cens + 2 * c], ints[i_cens + 2 * c + 1]
                    if normal:
                        x = -sign * (flt[limit + c] * scale - (1.0 + d) * curve[g]) * inv_sd
                    else:
                        x = -sign * (flt[limit + c] - curve[g] - mu - d) * inv_sd
                    total_log += log_phi(x)[0]
                node_log[j] = total_log
                top = max(top, total_log)
            z = 0.0
            for j in range(n_node):
                node_log[j] = math.exp(node_log[j] - top)
                z += node_log[j]
            logp += top + math.log(z)
            d1 = d2 = 0.0
            for j in range(n_node):
                share = node_log[j] / z
                d = d_mean + d_sd * flt[node + j]
                d1 += share * d
                d2 += share * d * d
                for c in range(c_first, c_end):
                    g, sign = ints[i_cens + 2 * c], ints[i_cens + 2 * c + 1]
                    if normal:
                        gap = flt[limit + c] * scale - (1.0 + d) * curve[g]
                    else:
                        gap = flt[limit + c] - curve[g] - mu - d
                    x = -sign * gap * inv_sd
                    slope_x = share * log_phi(x)[1]
                    if normal:
                        pull[g] += slope_x * sign * (1.0 + d) * inv_sd
                        grad_mu += slope_x * sign * flt[limit + c] * scale * inv_sd
                    else:
                        pull[g] += slope_x * sign * inv_sd
                        grad_mu += slope_x * sign * inv_sd
                    grad_spread -= slope_x * x
        grad_spread -= total
        for g in range(first, end):
            n = flt[count + g]
            if n > 0.0:
                if normal:
                    y_g = flt[mean + g] * scale
                    h = curve[g]
                    x1, x2 = 1.0 + d1, 1.0 + 2.0 * d1 + d2
                    pull[g] += precision * n * (y_g * x1 - h * x2)
                    grad_spread += precision * (
                        n * (y_g * y_g - 2.0 * y_g * h * x1 + h * h * x2)
                        + flt[squares + g] * scale * scale
                    )
                    grad_mu += (
                        precision * (n * y_g * (y_g - h * x1) + flt[squares + g] * scale * scale)
                        - flt[freedom + g]
                    )
                else:
                    r = flt[mean + g] - curve[g] - mu
                    pull[g] += precision * n * (r - d1)
                    grad_spread += precision * (n * (r * r - 2.0 * r * d1 + d2) + flt[squares + g])
                    grad_mu += precision * n * (r - d1)
        by_y[o_spread + p] += grad_spread
        if not fixed:
            by_y[o_start + start] += grad_mu
            by_y[o_scale + 1] += (d2 / start_var - 1.0) * by_start_score
        for g in range(first, end):
            if flt[log_dose + g] == -np.inf:
                continue
            force = pull[g] * curve[g] if normal else pull[g]
            by_u = force * curve_slope[0, g]
            by_y[o_main + ints[i_cell + 2 * g]] -= by_u
            if ints[i_cell + 2 * g + 1] >= 0:
                by_y[o_lot + ints[i_cell + 2 * g + 1]] -= by_u
            for j in range(n_beta):
                by_y[j] -= by_u * flt[design + g * n_beta + j]
            for k in range(n_shape):
                by_y[o_shape + p * n_shape + k] += (
                    force * curve_slope[1 + k, g] + by_u * inverse_slope[1 + k, p]
                )

    # priors
    for j in range(n_beta):
        t = (theta[j] - flt[beta_mean + j]) / flt[beta_sd + j]
        logp -= 0.5 * t * t
        by_y[j] -= t / flt[beta_sd + j]
    for j in range(n_plain):
        t = (theta[o_shape + j] - flt[plain_mean + j]) / flt[plain_sd + j]
        logp -= 0.5 * t * t
        by_y[o_shape + j] -= t / flt[plain_sd + j]
    log_x, by_score = half_normal_score(theta[o_scale])
    log_w = math.log(flt[P_LOT_SCALE]) + log_x
    w2 = math.exp(2.0 * log_w)
    logp -= 0.5 * theta[o_scale] ** 2
    by_y[o_scale] -= theta[o_scale]
    if not fixed:
        logp -= 0.5 * theta[o_scale + 1] ** 2
        by_y[o_scale + 1] -= theta[o_scale + 1]
        for c in range(n_start):
            t = (theta[o_start + c] - flt[start_mean + c]) / flt[start_sd + c]
            logp -= 0.5 * t * t
            by_y[o_start + c] -= t / flt[start_sd + c]
    for p in range(n_product):
        # one lot: its effect is integrated out, the main effects are the lot's own and share it
        shared = w2 if ints[i_single + p] else 0.0
        total = spread = 0.0
        for c in range(n_main):
            if ints[i_main + c] == p:
                total += (theta[o_main + c] + to_asked[p] - flt[main_mean + c]) / flt[
                    main_sd + c
                ] ** 2
                spread += 1.0 / flt[main_sd + c] ** 2
        damp = 1.0 / (1.0 + shared * spread)
        logp += 0.5 * math.log(damp) + 0.5 * shared * total * total * damp
        if ints[i_single + p]:
            by_w2 = -0.5 * spread * damp + 0.5 * (total * damp) ** 2
            by_y[o_scale] += by_w2 * 2.0 * w2 * by_score
        for c in range(n_main):
            if ints[i_main + c] != p:
                continue
            t = (theta[o_main + c] + to_asked[p] - flt[main_mean + c]) / flt[main_sd + c]
            logp -= 0.5 * t * t
            by_t = t / flt[main_sd + c] - shared * total * damp / flt[main_sd + c] ** 2
            by_y[o_main + c] -= by_t
            for k in range(n_shape):
                by_y[o_shape + p * n_shape + k] -= by_t * asked_slope[1 + k, p]
    for m in range(n_lot):
        e = theta[o_lot + m]
        logp -= 0.5 * e * e / w2 + log_w
        by_y[o_lot + m] -= e / w2
        by_y[o_scale] += (e * e / w2 - 1.0) * by_score
    if raw:
        return _give(logp, by_y, chol, grad_, logp_)

    # back through the standardised coordinates, in reverse order of from_y
    by_scale = 0.0
    for m in range(n_lot):
        v = flt[lot_var + m]
        var = v * w2 / (v + w2)
        sd = math.sqrt(var)
        c = ints[i_lot_main + m]
        by_e = by_y[o_lot + m]
        by_y[o_main + c] -= by_e * var / v
        gap = flt[lot_hat + m] - theta[o_main + c]
        by_scale += by_e * (2.0 * var * var / (w2 * v) * gap + sd * var / w2 * y[o_lot + m])
        by_scale += var / w2
        by_y[o_lot + m] = by_e * sd
    for c in range(n_main):
        precision = 1.0 / flt[main_sd + c] ** 2
        total_pull = flt[main_mean + c] * precision
        d_precision = d_pull = 0.0
        for m in range(n_lot):
            if ints[i_lot_main + m] == c:
                t = 1.0 / (flt[lot_var + m] + w2)
                precision += t
                total_pull += flt[lot_hat + m] * t
                d_precision -= 2.0 * w2 * t * t
                d_pull -= 2.0 * w2 * t * t * flt[lot_hat + m]
        sd = 1.0 / math.sqrt(precision)
        centre = total_pull / precision
        d_log_sd = -0.5 * d_precision / precision
        by_a = by_y[o_main + c]
        by_scale += by_a * (
            (d_pull - centre * d_precision) / precision + sd * d_log_sd * y[o_main + c]
        )
        by_scale += d_log_sd
        by_y[o_main + c] = by_a * sd
    by_y[o_scale] += by_scale * by_score
    if not fixed:
        by_scale = 0.0
        for c in range(n_start):
            precision = 1.0 / flt[start_sd + c] ** 2
            total_pull = flt[start_mean + c] * precision
            d_precision = d_pull = 0.0
            for s in range(n_series):
                if ints[i_series + 4 * s + 1] == c:
                    t = 1.0 / (flt[ser_var + s] + start_var)
                    precision += t
                    total_pull += flt[ser_hat + s] * t
                    d_precision -= 2.0 * start_var * t * t
                    d_pull -= 2.0 * start_var * t * t * flt[ser_hat + s]
            sd = 1.0 / math.sqrt(precision)
            centre = total_pull / precision
            d_log_sd = -0.5 * d_precision / precision
            by_a = by_y[o_start + c]
            by_scale += by_a * (
                (d_pull - centre * d_precision) / precision + sd * d_log_sd * y[o_start + c]
            )
            by_scale += d_log_sd
            by_y[o_start + c] = by_a * sd
        by_y[o_scale + 1] += by_scale * by_start_score
    for i in range(1 if fixed else 2):
        table = flt[f_bend : f_bend + 5 * n_knot].reshape((n_knot, 5))
        _, first_slope, second_slope = bent(y[o_scale + i], table)
        by_y[o_scale + i] = by_y[o_scale + i] * first_slope + second_slope / first_slope
        f_bend += 5 * n_knot
    return _give(logp, by_y, chol, grad_, logp_)


@numba.cfunc(_C_EXPAND, cache=True)
def expand_callback(dim, expanded, x_, out_, data_):
    """The sampler's C interface for stored values: z itself."""
    for j in range(dim):
        out_[j] = x_[j]
    return 0


_address = ctypes.c_void_p
_function = ctypes.CFUNCTYPE(ctypes.c_int64, ctypes.c_uint64, *[_address] * 4)
_call = _function(density_callback.address)  # pyright: ignore


def log_density(z: np.ndarray, grad: np.ndarray, buf: np.ndarray) -> float:
    """Log posterior density at z (up to a constant); fills its gradient."""
    value = np.empty(1)
    z = np.ascontiguousarray(z, dtype=float)
    _call(z.size, z.ctypes.data, grad.ctypes.data, value.ctypes.data, buf.ctypes.data)
    return float(value[0])


def to_theta(z: np.ndarray, buf: np.ndarray, theta: np.ndarray) -> None:
    """Model parameters of many draws: z (draw, n_y) to theta (draw, n_y)."""
    n_y = int(buf[N_Y])
    flt = buf[buf[N_INT] :].view(np.float64)[N_SCALAR:]
    y = flt[:n_y] + z @ flt[n_y : n_y + n_y * n_y].reshape(n_y, n_y).T
    for d in range(z.shape[0]):
        from_y(y[d], buf, theta[d])
