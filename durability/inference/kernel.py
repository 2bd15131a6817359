"""How probable are the data, and in which direction more so? The compiled log posterior density.

One function of one structure serves every study: sizes, data and the law's formula (as a tape)
arrive in a single buffer, so that nothing is compiled again for a new study, law or lot. The
unexposed strength of each series is integrated out (exactly for measured strips; with censored
strips by Gauss-Hermite quadrature about the exact Gaussian part), and so is the level of each
specimen that was read repeatedly. Gradients are exact; derivatives of the integrals are posterior
expectations of derivatives of the integrand.

Coordinates. The sampler moves in z. ``y = centre + (chol, then diagonal) @ z`` are coordinates in
which the posterior is close to a standard normal. Spreads of families of effects come first, as
scores; everything linear (effects, main effects, strengths, shapes, most columns) is standardised
there by its conditional mean and covariance *given the current spreads*, from a quadratic
approximation of likelihood and priors made once. That removes the funnel between effects and their
spread whether a lot has many strips or none, whatever is nested in or crosses what. Its constants
only set coordinates; the density itself is exact.

The main effect of a product is the log threshold dose at an *anchor* fraction, near what its own
strips have left, where the data say most; its prior is on the threshold at the fraction asked. A
law that may never fall so far is anchored at the dose of half its own loss, prior included.

Each product's own log shapes and log strip spread are the sum of a common parameter and, where they
are partially pooled, of an effect with a spread of its own; products may share the parameter. Main
effects may be partially pooled about a line in covariates, whose intercept and slopes are columns.
Columns have a normal prior; one that is cut off at limits is sampled as the normal score of its
prior, and a spline gives its value. An exposure whose clock bends in the columns (a sky) brings
quadratic terms of its own. In y they are taken up by a column that this exposure alone has (how
warm its specimens are), else by the main effects and the level that these are pooled about, so that
the likelihood is straight there.

A product of one lot has no lot effect in y: main effect and lot effect only meet as their sum, so
the effect is integrated out here and drawn afterwards from its exact conditional distribution.

Order of y: columns; log shapes; log strip spreads; log reading spreads; the power of the spread or
the log of the degrees of freedom (if errors have one); scores of the spreads of every family of
effects (lots first); score of the lot spread of the unexposed strength (if
sampled); score of the spread of products about their line (if pooled); main effects; mean unexposed
strengths; effects, family by family.

Compiling. Each piece is a C function of pointers, compiled once and called by its symbol: pieces
that are not inlined into each other compile in half the time, and plain pointers compile faster
than arrays. Places and sizes are read from the head of the buffer. What is compiled depends on this
file alone, by whose state it is shipped and kept (`durability.machine_code`).
"""

from __future__ import annotations

import ctypes
import math
from typing import Any

import numba
import numpy as np
from llvmlite import ir
from numba import types
from numba.extending import intrinsic as _intrinsic

from durability.machine_code import Pieces

# Operation codes of `durability.laws.expression`, written again (see above). A test holds them
# equal.
CONST, ADD, SUB, MUL, DIV, POW, NEG = 0, 1, 2, 3, 4, 5, 6
EXP, LOG, SQRT, EXPM1, LOG1P, TANH, SIN, COS, ATAN, ABS = 7, 8, 9, 10, 11, 12, 13, 14, 15, 16
MIN, MAX, LT, LE, WHERE = 17, 18, 19, 20, 21

# The head of the buffer. Sizes and switches:
(
    N_Y, N_DENSE, N_BETA, N_PRODUCT, N_SHAPE, N_READING, N_FAMILY, N_MAIN, N_START, N_EFFECT,
    N_SERIES, N_CELL, N_CODE, N_INVERSE, N_NODE, N_KNOT, N_INSPECTED, N_DECLARED,
    N_GROUP, N_SCALE, N_SHEAR, N_GAIN, N_INNER, N_OUTER, N_TERM, NORMAL, POWERED, TAILED, FIXED,
    RAW, POOL, N_WORK,
    # places in theta, y and the gradient (contrasts lie at 0)
    T_SHAPE, T_SPREAD, T_READING, T_ERROR, T_SCALE, T_MAIN, T_START, T_EFFECT,
    # places of whole numbers
    I_MAIN, I_SINGLE, I_READING, I_SERIES, I_SUB, I_INNER, I_OUTER, I_FIRST, I_TERM, I_ENTRY,
    I_CELL, I_CELL_EFFECT, I_CENSORED, I_EFFECT, I_CODE, I_INVERSE, I_INSPECTED, I_DECLARED, I_OWN,
    I_BOUND, I_BOW_RANGE, I_BOW, I_SHEAR, I_GAIN, I_TAIL, I_ROW_RANGE,
    # places of numbers
    F_SCALAR, F_CENTRE, F_CHOL, F_DIAGONAL, F_MAIN, F_START, F_BEND, F_PLAIN,
    F_ORIGIN, F_OUTER, F_FOLLOW, F_LEAN, F_CURVATURE, F_TERM, F_ENTRY,
    F_GROUP_SCALE, F_LOG_DOSE, F_COUNT, F_FREEDOM, F_MEAN, F_SQUARES, F_EXTRA, F_DESIGN, F_LIMIT,
    F_NODE, F_ANCHOR, F_CONSTANTS, F_INVERSE_CONSTANTS, F_INSPECTED, F_DECLARED, F_LINE, F_BOUND,
    F_BOW, F_SHEAR, F_GAIN, F_BEND_AT, F_ROW, F_ABSCISSA,
    # places in the working memory
    W_Y, W_THETA, W_BY, W_SCALE, W_ROOTS, W_WHITE, W_ENDS, W_LEVEL, W_LOG_CURVE, W_PULL, W_SLOPE,
    W_OWN, W_BY_OWN, W_BETA, W_ROOT, W_ROOT_SLOPE, W_NODE, W_SUB, W_VALUE, W_TANGENT, W_LOG_U,
    W_BY_ROOTS,
) = range(126)  # fmt: skip
N_HEADER = 128
N_SERIES_ENTRY = 10  # whole numbers of a series
LOG_FLOOR, START_KNOWN, LOG_LEAST = 0, 1, 2  # in F_SCALAR
N_SCALAR = 3
BLOCK = 128  # points that go through a tape at once

pieces = Pieces(__file__)
intrinsic: Any = _intrinsic  # its functions are called without their first parameter
_f8, _i8 = types.float64, types.int64
_fp, _ip = types.CPointer(_f8), types.CPointer(_i8)


@intrinsic
def at(typingctx, p, place):
    """The pointer moved on by some elements."""

    def move(context, builder, signature, args):
        return builder.gep(args[0], [args[1]])

    return p(p, _i8), move


@intrinsic
def floats(typingctx, p):
    """The same memory read as floating-point numbers."""

    def cast(context, builder, signature, args):
        return builder.bitcast(args[0], ir.DoubleType().as_pointer())

    return _fp(_ip), cast


@intrinsic
def _as_floats(typingctx, p):
    def cast(context, builder, signature, args):
        return builder.bitcast(args[0], ir.DoubleType().as_pointer())

    return _fp(types.voidptr), cast


@intrinsic
def call_at(typingctx, address, d, w, head):
    """Call a C function known by its address: double f(int64 *, double *, int64 *)."""

    def call(context, builder, signature, args):
        whole, number = ir.IntType(64).as_pointer(), ir.DoubleType().as_pointer()
        kind = ir.FunctionType(ir.DoubleType(), [whole, number, whole])
        return builder.call(builder.inttoptr(args[0], kind.as_pointer()), args[1:])

    return _f8(_i8, _ip, _fp, _ip), call


_malloc = types.ExternalFunction("malloc", types.voidptr(types.uintp))
_free = types.ExternalFunction("free", types.void(types.voidptr))


@numba.njit(cache=True, error_model="numpy")
def bent(x, table, n_knot):
    """Value, slope and second slope of a cubic spline, straight beyond its ends.

    Rows of `table`: knot, then the coefficients of cube, square, line and constant from that knot.
    """
    row = 0
    if x >= table[5 * (n_knot - 1)]:
        row = 5 * (n_knot - 1)
    elif x > table[0]:
        row = 5 * min(int((x - table[0]) / (table[5] - table[0])), n_knot - 2)
    d = x - table[row]
    a, b, c = table[row + 1], table[row + 2], table[row + 3]
    if x <= table[0]:
        a = b = 0.0
        c = table[3]
    return (
        ((a * d + b) * d + c) * d + table[row + 4],
        (3 * a * d + 2 * b) * d + c,
        6 * a * d + 2 * b,
    )


# --- the law -------------------------------------------------------------------------------------

_TAPE = _i8(_ip, _i8, _fp, _i8, _i8, _fp, _fp, _fp)


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
        return f, (0.5 / f if f != 0.0 else 0.0)
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


@pieces.add("durability_tape", _TAPE)
def _tape(code, n_code, constants, n_in, n, value, tangent, log_first):
    """Forward evaluation of a tape with derivatives, at up to BLOCK points at once.

    ``value[r * BLOCK + g]``: register r at point g; the first `n_in` registers hold the inputs.
    ``tangent[(r * n_in + j) * BLOCK + g]``: its derivative by the log of input j; filled for the
        inputs with their own values (on the diagonal) and 0.
    ``log_first[g]``: log of the first input, whose powers then need no logarithm.
    """
    for i in range(n_code):
        op, a, b, c = code[4 * i], code[4 * i + 1], code[4 * i + 2], code[4 * i + 3]
        r = n_in + i
        if op == NEG:  # two frequent ones have loops of their own
            for g in range(n):
                value[r * BLOCK + g] = -value[a * BLOCK + g]
            for j in range(n_in):
                for g in range(n):
                    tangent[(r * n_in + j) * BLOCK + g] = -tangent[(a * n_in + j) * BLOCK + g]
            continue
        if op == POW and a == 0 and 0 < b < n_in:  # of the scaled dose, above 0, by a shape
            for g in range(n):
                k = value[b * BLOCK + g]
                f = math.exp(k * log_first[g])
                value[r * BLOCK + g] = f
                for j in range(1, n_in):
                    tangent[(r * n_in + j) * BLOCK + g] = 0.0
                tangent[r * n_in * BLOCK + g] = k * f
                if f > 0.0:
                    tangent[(r * n_in + b) * BLOCK + g] = f * log_first[g] * k
            continue
        for g in range(n):
            # every operation is f with slopes da, db by at most two operands a, b
            da, db = 0.0, 0.0
            if op == CONST:
                f = constants[a]
            else:
                va, vb = value[a * BLOCK + g], value[b * BLOCK + g]
                if op == ADD:
                    f, da, db = va + vb, 1.0, 1.0
                elif op == SUB:
                    f, da, db = va - vb, 1.0, -1.0
                elif op == MUL:
                    f, da, db = va * vb, vb, va
                elif op == DIV:
                    f = va / vb
                    da, db = 1.0 / vb, -f / vb
                elif op == POW:
                    if va > 0.0:
                        log_va = log_first[g] if a == 0 else math.log(va)
                        f = math.exp(vb * log_va)
                        da, db = vb * f / va, f * log_va
                    else:
                        f = va**vb
                        # at a shoulder (base 0, power below 1) no finite slope exists: pass none
                        da = vb * va ** (vb - 1.0) if vb >= 1.0 else 0.0
                elif op == NEG:
                    f, da = -va, -1.0
                elif op in (MIN, MAX):
                    first = va <= vb if op == MIN else va >= vb
                    f = va if first else vb
                    da = 1.0 if first else 0.0
                    db = 1.0 - da
                elif op in (LT, LE):
                    f = 1.0 if (va < vb or (op == LE and va == vb)) else 0.0
                elif op == WHERE:
                    vc = value[c * BLOCK + g]
                    f = vb if va != 0.0 else vc
                    da = 1.0 if va != 0.0 else 0.0  # of the first choice; the second below
                    db = 1.0 - da
                else:
                    f, da = _one_argument(op, va)
            value[r * BLOCK + g] = f
            left, right = (b, c) if op == WHERE else (a, b)
            for j in range(n_in):
                t = 0.0
                if da != 0.0:  # a constant has no operands: both slopes are 0
                    t += da * tangent[(left * n_in + j) * BLOCK + g]
                if db != 0.0:
                    t += db * tangent[(right * n_in + j) * BLOCK + g]
                tangent[(r * n_in + j) * BLOCK + g] = t
    return 0


_run_tape = types.ExternalFunction("durability_tape", _TAPE)

_PIECE = _f8(_ip, _fp)


@pieces.add("durability_curves", _PIECE)
def _curves(d, w):
    """log g0 of every cell and its slopes by log u and the log shapes, from theta.

    First the scaled doses at the anchor fraction and at the fraction asked, by product.
    """
    x = floats(d)
    theta, own, beta = at(w, d[W_THETA]), at(w, d[W_OWN]), at(w, d[W_BETA])
    value, tangent, log_u = at(w, d[W_VALUE]), at(w, d[W_TANGENT]), at(w, d[W_LOG_U])
    root, root_slope = at(w, d[W_ROOT]), at(w, d[W_ROOT_SLOPE])
    n_product, n_shape, n_code = d[N_PRODUCT], d[N_SHAPE], d[N_CODE]
    n_in = 1 + n_shape
    log_floor = x[d[F_SCALAR] + LOG_FLOOR]
    n_cell, n_beta, n_group = d[N_CELL], d[N_BETA], d[N_GROUP]
    for i in range(n_product * n_in):
        place, effect = d[d[I_OWN] + 2 * i], d[d[I_OWN] + 2 * i + 1]
        own[i] = theta[place] + (theta[d[T_EFFECT] + effect] if effect >= 0 else 0.0)
        if i % n_in > 0:  # log spread, then the shapes
            own[i] = math.exp(own[i])
        own[n_product * n_in + i] = 0.0  # W_BY_OWN
    closed = d[N_INVERSE] > 0
    cell, cell_effect = at(d, d[I_CELL]), at(d, d[I_CELL_EFFECT])
    log_dose, design = at(x, d[F_LOG_DOSE]), at(x, d[F_DESIGN])
    log_curve, slope = at(w, d[W_LOG_CURVE]), at(w, d[W_SLOPE])
    # jobs: fractions to scaled doses (closed, or Newton's steps kept in a bracket and their slopes
    # once they stand still), then the cells
    n_job = 2 if closed else 102
    job = 0
    while job < n_job:
        cells = job == n_job - 1
        moved = 0.0
        total = n_cell if cells else 2 * n_product
        for begin in range(0, total, BLOCK):
            n = min(BLOCK, total - begin)
            for i in range(n):
                g = begin + i
                if cells:
                    p = cell[2 * g]
                    t = log_dose[g]
                    if t > -np.inf:
                        t += root[p] - theta[d[T_MAIN] + cell[2 * g + 1]]
                        for f in range(n_group):
                            k = cell_effect[g * n_group + f]
                            if k >= 0:
                                t -= theta[d[T_EFFECT] + k]
                        for j in range(n_beta):
                            t -= design[g * n_beta + j] * beta[j]
                        for b in range(d[d[I_BOW_RANGE] + 2 * g], d[d[I_BOW_RANGE] + 2 * g + 1]):
                            i1, i2 = d[d[I_BOW] + 2 * b], d[d[I_BOW] + 2 * b + 1]
                            t += x[d[F_BOW] + b] * beta[i1] * beta[i2]
                    else:
                        t = 0.0
                    log_u[i] = t
                    value[i] = math.exp(t)
                else:
                    p = g % n_product
                    if closed:
                        value[i] = x[d[F_ANCHOR] + g]
                        log_u[i] = math.log(value[i])
                    else:  # the bracket lies beside the roots: low, high
                        if job == 0:
                            root[g] = 0.0
                            root[2 * n_product + g], root[4 * n_product + g] = -60.0, 60.0
                        log_u[i] = root[g]
                        value[i] = math.exp(root[g])
                for k in range(n_in):
                    for j in range(n_in):
                        tangent[(k * n_in + j) * BLOCK + i] = 0.0
                tangent[i] = value[i]
                for k in range(n_shape):
                    value[(1 + k) * BLOCK + i] = own[p * n_in + 1 + k]
                    tangent[((1 + k) * n_in + 1 + k) * BLOCK + i] = own[p * n_in + 1 + k]
            if not cells and closed:
                _run_tape(at(d, d[I_INVERSE]), d[N_INVERSE], at(x, d[F_INVERSE_CONSTANTS]),
                          n_in, n, value, tangent, log_u)  # fmt: skip
            else:
                _run_tape(at(d, d[I_CODE]), n_code, at(x, d[F_CONSTANTS]),
                          n_in, n, value, tangent, log_u)  # fmt: skip
            last = n_in + (n_code if cells or not closed else d[N_INVERSE]) - 1
            for i in range(n):
                g = begin + i
                f = value[last * BLOCK + i]
                if cells:
                    above = f > log_floor
                    log_curve[g] = f if above else log_floor
                    for j in range(n_in):
                        slope[g * n_in + j] = (
                            tangent[(last * n_in + j) * BLOCK + i] if above else 0.0
                        )
                elif closed:
                    root[g] = math.log(f)
                    for j in range(1, n_in):
                        root_slope[g * n_in + j] = tangent[(last * n_in + j) * BLOCK + i] / f
                else:
                    by_u = tangent[last * n_in * BLOCK + i]
                    if job < n_job - 2:
                        excess = max(f, log_floor) - math.log(x[d[F_ANCHOR] + g])
                        root[(2 if excess > 0.0 else 4) * n_product + g] = root[g]
                        low, high = root[2 * n_product + g], root[4 * n_product + g]
                        step = root[g] - excess / by_u if by_u < 0.0 else low
                        if not (low < step < high):
                            step = 0.5 * (low + high)
                        moved = max(moved, abs(step - root[g]))
                        root[g] = step
                    for j in range(1, n_in):
                        root_slope[g * n_in + j] = -tangent[(last * n_in + j) * BLOCK + i] / by_u
        job += 1
        if not closed and job < n_job - 2 and moved < 1e-13:
            job = n_job - 2
    return 0.0


_run_curves = types.ExternalFunction("durability_curves", _PIECE)


# --- distributions -------------------------------------------------------------------------------

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


@pieces.add("durability_values", _PIECE)
def _values(d, w):
    """Values of the columns at theta and, after them, their slopes."""
    x = floats(d)
    theta, beta, n_beta = at(w, d[W_THETA]), at(w, d[W_BETA]), d[N_BETA]
    for j in range(n_beta):
        beta[j], beta[n_beta + j] = theta[j], 1.0
        if d[d[I_BOUND] + j] >= 0:
            table = at(x, d[F_BOUND] + 5 * d[N_KNOT] * d[d[I_BOUND] + j])
            beta[j], beta[n_beta + j], _ = bent(theta[j], table, d[N_KNOT])
    return 0.0


_run_values = types.ExternalFunction("durability_values", _PIECE)


# --- what is linear, given the spreads -----------------------------------------------------------
#
# log density ~ lean . v - v C v / 2 + a term of each spread w,   v = x - origin, of everything
# linear. A term is that of an effect, or of a main effect about its line, (a . v - c)^2 / (2 w^2),
# or what integrating the unexposed strength of a series out takes away from C. Columns that bend
# (outer) are known before; what follows them moves the lean and each c. C lies in the envelope of a
# triangular matrix, row by row from its first entry (`durability.inference.quadratic`).


@numba.njit(cache=True, error_model="numpy")
def _term(kind, w2, m):
    """Weight of a term's square and its change with log w."""
    if kind == 0:
        return 1.0 / w2, -2.0 / w2
    t = 1.0 / (1.0 + m * w2)
    return -w2 * t, -2.0 * w2 * t * t


@numba.njit(cache=True, error_model="numpy")
def _moved(c, first, end, entry, value, outer, outer_at, y):
    """A term's c where the outer columns are."""
    for a in range(first, end):
        k = entry[a]
        c -= value[a] * (y[outer[k]] - outer_at[k])
    return c


@pieces.add("durability_given", _PIECE)
def _given(d, w):
    """The triangular root L of the curvature (its diagonal inverted), and L^-1 lean.

    Returns minus the log of the determinant of L.
    """
    x = floats(d)
    scale, root, white = at(w, d[W_SCALE]), at(w, d[W_ROOTS]), at(w, d[W_WHITE])
    span, term, entry = at(d, d[I_FIRST]), at(d, d[I_TERM]), at(d, d[I_ENTRY])
    number, value = at(x, d[F_TERM]), at(x, d[F_ENTRY])
    curvature, n = at(x, d[F_CURVATURE]), d[N_INNER]
    y, outer, outer_at = at(w, d[W_Y]), at(d, d[I_OUTER]), at(x, d[F_OUTER])
    for i in range(n):
        white[i] = x[d[F_LEAN] + i]
        first, base = span[2 * i], span[2 * i + 1]
        for j in range(first, i + 1):
            root[base + j] = curvature[base + j]
    for k in range(d[N_OUTER]):
        follow, move = at(x, d[F_FOLLOW] + k * n), y[outer[k]] - outer_at[k]
        for i in range(n):
            white[i] -= follow[i] * move
    for t in range(d[N_TERM]):
        kind, m = term[5 * t], number[2 * t]
        w2 = scale[2 * term[5 * t + 1]]
        weight, _ = _term(kind, w2, m)
        c = _moved(number[2 * t + 1], term[5 * t + 3], term[5 * t + 4], entry, value, outer,
                   outer_at, y)  # fmt: skip
        for a in range(term[5 * t + 2], term[5 * t + 3]):
            i, v = entry[a], weight * value[a]
            white[i] += v * c
            base = span[2 * i + 1]
            for b in range(term[5 * t + 2], a + 1):
                root[base + entry[b]] += v * value[b]
    log_scale, several = 0.0, 1.0
    for i in range(n):
        first, base = span[2 * i], span[2 * i + 1]
        for j in range(first, i):
            begin, other = max(first, span[2 * j]), span[2 * j + 1]
            t = root[base + j]
            for k in range(begin, j):
                t -= root[base + k] * root[other + k]
            root[base + j] = t * root[other + j]
        rest, t = root[base + i], white[i]
        for k in range(first, i):
            rest -= root[base + k] * root[base + k]
            t -= root[base + k] * white[k]
        root[base + i] = 1.0 / math.sqrt(rest)
        white[i] = t * root[base + i]
        several *= root[base + i]
        if i % 8 == 7 or i == n - 1:  # fewer logarithms
            log_scale += math.log(several)
            several = 1.0
    return log_scale


_run_given = types.ExternalFunction("durability_given", _PIECE)


@pieces.add("durability_ends", _PIECE)
def _ends(d, w):
    """L^-T of what lies in the second part of W_WHITE, into W_ENDS; that part is spent."""
    root, ends, n = at(w, d[W_ROOTS]), at(w, d[W_ENDS]), d[N_INNER]
    rest, span = at(at(w, d[W_WHITE]), n), at(d, d[I_FIRST])
    for back in range(n):
        i = n - 1 - back
        first, base = span[2 * i], span[2 * i + 1]
        v = rest[i] * root[base + i]
        ends[i] = v
        for k in range(first, i):
            rest[k] -= root[base + k] * v
    return 0.0


_run_ends = types.ExternalFunction("durability_ends", _PIECE)


@pieces.add("durability_given_back", _PIECE)
def _given_back(d, w):
    """The gradient by theta becomes that by y, and the spreads get their share: by the product
    rule through the root, in the order that undoes `_given`."""
    x = floats(d)
    y, by, scale = at(w, d[W_Y]), at(w, d[W_BY]), at(w, d[W_SCALE])
    root, by_root, n = at(w, d[W_ROOTS]), at(w, d[W_BY_ROOTS]), d[N_INNER]
    white, ends = at(w, d[W_WHITE]), at(w, d[W_ENDS])
    rest = at(white, n)
    by_white = at(white, 2 * n)
    outer, outer_at = at(d, d[I_OUTER]), at(x, d[F_OUTER])
    by_outer = at(white, 3 * n)
    for k in range(d[N_OUTER]):
        by_outer[k] = 0.0
    inner, span = at(d, d[I_INNER]), at(d, d[I_FIRST])
    term, entry = at(d, d[I_TERM]), at(d, d[I_ENTRY])
    number, value = at(x, d[F_TERM]), at(x, d[F_ENTRY])
    for i in range(n):
        first, base = span[2 * i], span[2 * i + 1]
        t = by[inner[i]]
        for k in range(first, i):
            t -= root[base + k] * by_white[k]
        by_white[i] = t * root[base + i]
        rest[i] = by_white[i]
        for j in range(first, i + 1):
            by_root[base + j] = -ends[i] * by_white[j]
        by_root[base + i] -= root[base + i]
    _run_ends(d, w)  # now the gradient by lean
    for i in range(n):
        first, base = span[2 * i], span[2 * i + 1]
        for j in range(first, i + 1):
            by_root[base + j] -= ends[i] * (white[j] - y[inner[j]])
    for i in range(n):
        by[inner[i]] = by_white[i]
    for back in range(n):
        i = n - 1 - back
        first, base = span[2 * i], span[2 * i + 1]
        t = 0.5 * by_root[base + i] * root[base + i]
        by_root[base + i] = t
        for k in range(first, i):
            by_root[base + k] -= 2.0 * t * root[base + k]
        for back_j in range(i - first):
            j = i - 1 - back_j
            begin, other = max(first, span[2 * j]), span[2 * j + 1]
            t = by_root[base + j] * root[other + j]
            by_root[base + j] = t
            by_root[other + j] -= t * root[base + j]
            for k in range(begin, j):
                by_root[base + k] -= t * root[other + k]
                by_root[other + k] -= t * root[base + k]
    for t in range(d[N_TERM]):
        family = term[5 * t + 1]
        weight, change = _term(term[5 * t], scale[2 * family], number[2 * t])
        c = _moved(number[2 * t + 1], term[5 * t + 3], term[5 * t + 4], entry, value, outer,
                   outer_at, y)  # fmt: skip
        total = by_c = 0.0
        for a in range(term[5 * t + 2], term[5 * t + 3]):
            i = entry[a]
            base, inside = span[2 * i + 1], c * ends[i]
            by_c += weight * value[a] * ends[i]
            for b in range(term[5 * t + 2], a + 1):
                inside += value[b] * by_root[base + entry[b]]
            total += value[a] * inside
        by[d[T_SCALE] + family] += total * change * scale[2 * family + 1]
        for a in range(term[5 * t + 3], term[5 * t + 4]):
            by_outer[entry[a]] -= by_c * value[a]
    for k in range(d[N_OUTER]):
        follow = at(x, d[F_FOLLOW] + k * n)
        for i in range(n):
            by_outer[k] -= follow[i] * ends[i]
    return 0.0


_run_given_back = types.ExternalFunction("durability_given_back", _PIECE)


# --- coordinates ---------------------------------------------------------------------------------


@pieces.add("durability_coordinates", _PIECE)
def _coordinates(d, w):
    """theta from y, and of each spread its square and the slope of its log by its score; the
    result is the log Jacobian."""
    x = floats(d)
    y, theta, scale = at(w, d[W_Y]), at(w, d[W_THETA]), at(w, d[W_SCALE])
    n_knot, raw, n_beta, n_scale = d[N_KNOT], d[RAW], d[N_BETA], d[N_SCALE]
    for i in range(d[N_Y]):
        theta[i] = y[i]
    log_jacobian = 0.0
    _run_values(d, w)
    beta, bend_at, shear = at(w, d[W_BETA]), at(x, d[F_BEND_AT]), at(d, d[I_SHEAR])
    gain, shift, bow = at(beta, 2 * n_beta), at(beta, 3 * n_beta), at(beta, 4 * n_beta)
    if not raw:
        for j in range(n_beta):
            gain[j], shift[j], bow[j] = 1.0, 0.0, 0.0
        for b in range(d[N_GAIN]):
            j, k = d[d[I_GAIN] + 2 * b], d[d[I_GAIN] + 2 * b + 1]
            if j == k:
                bow[j] = x[d[F_GAIN] + b]
            else:
                gain[j] += x[d[F_GAIN] + b] * (beta[k] - bend_at[k])
        for b in range(d[N_SHEAR]):
            j, i1, i2 = shear[4 * b], shear[4 * b + 1], shear[4 * b + 2]
            if shear[4 * b + 3] == 0:
                step = beta[i2] - bend_at[i2] if i2 >= 0 else 1.0
                shift[j] += x[d[F_SHEAR] + b] * (beta[i1] - bend_at[i1]) * step
        for j in range(n_beta):
            if gain[j] != 1.0 or shift[j] != 0.0 or bow[j] != 0.0:
                # bow t^2 + gain t = y; from here on gain is the slope there
                t = theta[j] - bend_at[j] - shift[j]
                slope = math.sqrt(gain[j] * gain[j] + 4.0 * bow[j] * t)
                theta[j] = bend_at[j] + 2.0 * t / (gain[j] + slope)
                gain[j] = slope
                beta[j] = theta[j]
                log_jacobian -= math.log(slope)
    for i in range(n_scale):
        place = d[T_SCALE] + i
        if not raw:
            theta[place], slope, _ = bent(y[place], at(x, d[F_BEND] + 5 * n_knot * i), n_knot)
            log_jacobian += math.log(slope)
        log_x, scale[2 * i + 1] = half_normal_score(theta[place])
        width = x[d[F_GROUP_SCALE] + i] * math.exp(log_x)
        scale[2 * i] = width * width
    if raw:
        return 0.0
    log_jacobian += _run_given(d, w)
    ends = at(w, d[W_ENDS])
    white, n_inner = at(w, d[W_WHITE]), d[N_INNER]
    inner, lean = at(d, d[I_INNER]), at(white, n_inner)
    for i in range(n_inner):
        white[i] += y[inner[i]]
        lean[i] = white[i]
    _run_ends(d, w)
    for i in range(n_inner):
        theta[inner[i]] = x[d[F_ORIGIN] + i] + ends[i]
        if inner[i] < n_beta:
            beta[inner[i]] = theta[inner[i]]
    for b in range(d[N_SHEAR]):  # main effects move with their lots, hence last
        j, i1, i2 = shear[4 * b], shear[4 * b + 1], shear[4 * b + 2]
        if shear[4 * b + 3] == 1:
            step = beta[i2] - bend_at[i2] if i2 >= 0 else 1.0
            theta[j] += x[d[F_SHEAR] + b] * (beta[i1] - bend_at[i1]) * step
    return log_jacobian


_run_coordinates = types.ExternalFunction("durability_coordinates", _PIECE)


@pieces.add("durability_back", _PIECE)
def _back(d, w):
    """The gradient by theta becomes that by y, Jacobian included: `_coordinates` reversed."""
    x = floats(d)
    y, theta, by = at(w, d[W_Y]), at(w, d[W_THETA]), at(w, d[W_BY])
    n_knot, n_beta = d[N_KNOT], d[N_BETA]
    beta, bend_at, shear = at(w, d[W_BETA]), at(x, d[F_BEND_AT]), at(d, d[I_SHEAR])
    slopes, gain = at(beta, n_beta), at(beta, 2 * n_beta)
    for b in range(d[N_SHEAR]):
        j, i1, i2 = shear[4 * b], shear[4 * b + 1], shear[4 * b + 2]
        if shear[4 * b + 3] == 1:
            by_step = by[j] * x[d[F_SHEAR] + b]
            step = beta[i2] - bend_at[i2] if i2 >= 0 else 1.0
            theta[j] -= x[d[F_SHEAR] + b] * (beta[i1] - bend_at[i1]) * step  # as lots know it
            by[i1] += by_step * step * slopes[i1]
            if i2 >= 0:
                by[i2] += by_step * (beta[i1] - bend_at[i1]) * slopes[i2]
    _run_given_back(d, w)
    for i in range(d[N_SCALE]):
        place = d[T_SCALE] + i
        _, slope, second = bent(y[place], at(x, d[F_BEND] + 5 * n_knot * i), n_knot)
        by[place] = by[place] * slope + second / slope
    # a column that takes up others is in no other's terms
    bow = at(beta, 4 * n_beta)
    for j in range(n_beta):  # the slope's logarithm is in the density, and bends with the column
        by[j] -= 2.0 * bow[j] / gain[j]
    for b in range(d[N_GAIN]):
        j, k = d[d[I_GAIN] + 2 * b], d[d[I_GAIN] + 2 * b + 1]
        if j != k:
            by_gain = (-by[j] * (theta[j] - bend_at[j]) - 1.0) / gain[j]
            by[k] += by_gain * x[d[F_GAIN] + b] * slopes[k]
    for b in range(d[N_SHEAR]):
        j, i1, i2 = shear[4 * b], shear[4 * b + 1], shear[4 * b + 2]
        if shear[4 * b + 3] == 0:
            by_step = -by[j] / gain[j] * x[d[F_SHEAR] + b]
            by[i1] += by_step * (beta[i2] - bend_at[i2] if i2 >= 0 else 1.0) * slopes[i1]
            if i2 >= 0:
                by[i2] += by_step * (beta[i1] - bend_at[i1]) * slopes[i2]
    for j in range(n_beta):
        by[j] /= gain[j]
    by_outer = at(w, d[W_WHITE] + 3 * d[N_INNER])  # what follows them follows their y
    for k in range(d[N_OUTER]):
        by[d[d[I_OUTER] + k]] += by_outer[k]
    return 0.0


_run_back = types.ExternalFunction("durability_back", _PIECE)


# --- likelihood and priors -----------------------------------------------------------------------


@pieces.add("durability_strips", _PIECE)
def _strips(d, w):
    """Log likelihood of strips, summaries and readings; pulls on each cell's curve, and the rest of
    the gradient.

    A series holds strips (and summaries) and specimens that were read repeatedly. Its start is
    mu + e (log errors) or exp(mu) (1 + e), e ~ N(0, spread of strength). A specimen read repeatedly
    departs from it as a strip would, and its readings scatter about it by the reading spread.
    With a power, spreads of strips and readings are times (what is left of the product)^power,
    what is left counted as no less than a share (LOG_LEAST).
    Where tails are long, e is a parameter, and strips are left to `durability.inference.tails`.
    """
    x = floats(d)
    theta, by, scale = at(w, d[W_THETA]), at(w, d[W_BY]), at(w, d[W_SCALE])
    level, log_curve, pull = at(w, d[W_LEVEL]), at(w, d[W_LOG_CURVE]), at(w, d[W_PULL])
    node_log, sub_sum = at(w, d[W_NODE]), at(w, d[W_SUB])
    log_own, by_own, n_in = at(w, d[W_OWN]), at(w, d[W_BY_OWN]), 1 + d[N_SHAPE]
    count, freedom = at(x, d[F_COUNT]), at(x, d[F_FREEDOM])
    mean, squares, extra = at(x, d[F_MEAN]), at(x, d[F_SQUARES]), at(x, d[F_EXTRA])
    limit, node = at(x, d[F_LIMIT]), at(x, d[F_NODE])
    series, sub, censored = at(d, d[I_SERIES]), at(d, d[I_SUB]), at(d, d[I_CENSORED])
    normal, fixed, n_node = d[NORMAL], d[FIXED], d[N_NODE]
    powered, tailed = d[POWERED] != 0, d[TAILED] != 0
    power = theta[d[T_ERROR]] if powered else 0.0
    by_power = log_left = 0.0
    log_least = x[d[F_SCALAR] + LOG_LEAST]
    start_var = by_start_score = 0.0
    if not fixed and not tailed:
        start_var, by_start_score = scale[2 * d[N_FAMILY]], scale[2 * d[N_FAMILY] + 1]
    for g in range(d[N_CELL]):
        pull[g] = 0.0
        level[g] = 0.0 if x[d[F_LOG_DOSE] + g] == -np.inf else log_curve[g]
        if normal:
            level[g] = math.exp(level[g])
    logp = 0.0
    for s in range(d[N_SERIES]):
        row = at(series, N_SERIES_ENTRY * s)
        p, start, first, end, sub_first, sub_end = row[0], row[1], row[2], row[3], row[4], row[5]
        c_first, c_end = row[6], row[6] if tailed else row[7]
        shared = row[8]  # effect on strength of the lot, in any direction
        apart = row[9]  # effect on strength of the series, where it is a parameter
        if start < 0 and not fixed:
            continue  # only inspections or a data sheet's word
        sd_log = log_own[p * n_in]
        own = 0.0 if fixed else math.exp(2.0 * sd_log)
        mu = x[d[F_SCALAR] + START_KNOWN] if fixed else theta[d[T_START] + start]
        mu += theta[d[T_EFFECT] + shared] if shared >= 0 else 0.0
        mu += theta[d[T_EFFECT] + apart] if apart >= 0 else 0.0
        unit = math.exp(-mu) if normal else 1.0
        shift = 0.0 if normal else mu
        sum_w = sum_wr = chi = 0.0
        d1 = d2 = grad_mu = 0.0
        # turn 0 sums over the strips, then over each specimen that was read; turn 1 gives slopes
        for turn in range(2):
            if turn == 1:
                shrink = 1.0 / (1.0 + start_var * sum_w)
                d_mean, d_var = start_var * sum_wr * shrink, start_var * shrink
                logp += -0.5 * chi + 0.5 * sum_wr * sum_wr * start_var * shrink
                logp += 0.5 * math.log(shrink)
                d1, d2 = d_mean, d_mean * d_mean + d_var
                if c_end > c_first:
                    # censored strips: quadrature over e about the Gaussian part
                    inv_sd = math.exp(-sd_log)
                    d_sd = math.sqrt(d_var)
                    top, z = -np.inf, 0.0
                    d1 = d2 = 0.0
                    for again in range(2):
                        for j in range(n_node):
                            e = d_mean + d_sd * node[j]
                            share = math.exp(node_log[j] - top) / z if again else 0.0
                            d1 += share * e
                            d2 += share * e * e
                            total_log = math.log(node[n_node + j])
                            for c in range(c_first, c_end):
                                g, sign = censored[2 * c], censored[2 * c + 1]
                                stretch = 1.0 + e if normal else 1.0
                                if powered:
                                    log_left = max(log_least, math.log(level[g]))
                                    inv_sd = math.exp(-sd_log - power * log_left)
                                gap = limit[c] * unit - stretch * level[g] - shift
                                if not normal:
                                    gap -= e
                                a = -sign * gap * inv_sd
                                log_p, slope = log_phi(a)
                                total_log += log_p
                                if again:
                                    slope *= share
                                    lean = slope * sign * inv_sd
                                    pull[g] += lean * stretch
                                    grad_mu += lean * (limit[c] * unit if normal else 1.0)
                                    by_own[p * n_in] -= slope * a
                                    if powered:
                                        by_power -= slope * a * log_left
                                        if log_left > log_least:
                                            pull[g] -= slope * a * power / level[g]
                            node_log[j] = total_log if not again else node_log[j]
                            if not again:
                                top = max(top, total_log)
                        if not again:
                            for j in range(n_node):
                                z += math.exp(node_log[j] - top)
                            logp += top + math.log(z)
            for i in range(sub_first if tailed else sub_first - 1, sub_end):
                strips = i < sub_first
                a, b = (first, end) if strips else (sub[2 * i], sub[2 * i + 1])
                place = d[T_READING] + d[d[I_READING] + p]
                log_spread = sd_log if strips else theta[place]
                log_noise, noise2 = log_spread, math.exp(2.0 * log_spread)
                spread2 = 0.0 if strips else own
                w_i = wr_i = chi_i = grad_noise = 0.0
                e1, e2 = d1, d2
                if turn == 1 and spread2 > 0.0:
                    w_i, wr_i = sub_sum[2 * i], sub_sum[2 * i + 1]
                    t = spread2 / (1.0 + spread2 * w_i)
                    own1 = t * (wr_i - d1 * w_i)
                    own2 = t + t * t * (wr_i * wr_i - 2.0 * wr_i * w_i * d1 + w_i * w_i * d2)
                    e2 = d2 + 2.0 * t * (wr_i * d1 - w_i * d2) + own2
                    e1 = d1 + own1
                    by_own[p * n_in] += own2 / spread2 - 1.0
                for g in range(a, b):
                    n = count[g]
                    if n == 0.0:
                        continue
                    h = level[g]
                    lean = h if normal else 1.0
                    if powered:
                        log_left = max(log_least, math.log(h))
                        log_noise = log_spread + power * log_left
                        noise2 = math.exp(2.0 * log_noise)
                    weight = n / (noise2 + n * extra[g])
                    value = mean[g] * unit - shift
                    inner = squares[g] * unit * unit / noise2
                    if turn == 0:
                        r = value - h
                        w_i += weight * lean * lean
                        wr_i += weight * r * lean
                        chi_i += weight * r * r + inner
                        logp -= freedom[g] * log_noise
                        if extra[g] > 0.0:
                            logp += 0.5 * math.log(weight * noise2 / n)
                        if normal:
                            logp -= freedom[g] * mu
                    else:
                        share = weight * noise2 / n
                        if normal:
                            x1, x2 = 1.0 + e1, 1.0 + 2.0 * e1 + e2
                            q2 = value * value - 2.0 * value * h * x1 + h * h * x2
                            pull[g] += weight * (value * x1 - h * x2)
                            grad_mu += weight * value * (value - h * x1) + inner - freedom[g]
                        else:
                            r = value - h
                            q2 = r * r - 2.0 * r * e1 + e2
                            pull[g] += weight * (r - e1)
                            grad_mu += weight * (r - e1)
                        by_noise = weight * q2 * share + inner - freedom[g] + 1.0 - share
                        grad_noise += by_noise
                        if powered:
                            by_power += by_noise * log_left
                            if log_left > log_least:
                                pull[g] += by_noise * power / h
                if turn == 0:
                    if not strips:
                        sub_sum[2 * i], sub_sum[2 * i + 1] = w_i, wr_i
                    k = 1.0 / (1.0 + spread2 * w_i)
                    sum_w += w_i * k
                    sum_wr += wr_i * k
                    chi += chi_i - spread2 * k * wr_i * wr_i
                    logp += 0.5 * math.log(k)
                elif strips:
                    by_own[p * n_in] += grad_noise
                else:
                    by[place] += grad_noise
        if shared >= 0:
            by[d[T_EFFECT] + shared] += grad_mu
        if apart >= 0:
            by[d[T_EFFECT] + apart] += grad_mu
        if not fixed:
            by[d[T_START] + start] += grad_mu
            if not tailed:
                by[d[T_SCALE] + d[N_FAMILY]] += (d2 / start_var - 1.0) * by_start_score
    if powered:
        by[d[T_ERROR]] += by_power
    return logp


_run_strips = types.ExternalFunction("durability_strips", _PIECE)


@pieces.add("durability_words", _PIECE)
def _words(d, w):
    """Log likelihood of inspections (a crossing lies between two doses) and of a data sheet's word;
    then every pull on a cell's curve is carried to theta."""
    x = floats(d)
    theta, by = at(w, d[W_THETA]), at(w, d[W_BY])
    level, log_curve, pull = at(w, d[W_LEVEL]), at(w, d[W_LOG_CURVE]), at(w, d[W_PULL])
    normal, n_beta, n_group, n_shape = d[NORMAL], d[N_BETA], d[N_GROUP], d[N_SHAPE]
    cell, cell_effect = at(d, d[I_CELL]), at(d, d[I_CELL_EFFECT])
    log_own, by_own, beta = at(w, d[W_OWN]), at(w, d[W_BY_OWN]), at(w, d[W_BETA])
    n_in = 1 + n_shape
    logp = 0.0
    # inspections: P(holds at the low dose) - P(holds at the high dose), each normal, with the
    # spread that strips have at the limit; those of long tails are counted elsewhere
    powered = d[POWERED] != 0
    power = theta[d[T_ERROR]] if powered else 0.0
    for i in range(0 if d[TAILED] != 0 else d[N_INSPECTED]):
        low, high = d[d[I_INSPECTED] + 3 * i], d[d[I_INSPECTED] + 3 * i + 1]
        start = d[d[I_INSPECTED] + 3 * i + 2]
        limit, n = x[d[F_INSPECTED] + 2 * i], x[d[F_INSPECTED] + 2 * i + 1]
        by_start = 0.0
        if start >= 0:  # the limit is a strength, not a fraction
            mu = theta[d[T_START] + start]
            limit = limit * math.exp(-mu) if normal else limit - mu
            by_start = limit if normal else 1.0
        spread = cell[2 * (low if low >= 0 else high)] * n_in
        inv_sd = math.exp(-log_own[spread])
        if powered:
            inv_sd *= math.exp(-power * math.log(limit))
        a = (level[low] - limit) * inv_sd if low >= 0 else np.inf
        b = (level[high] - limit) * inv_sd if high >= 0 else -np.inf
        # log(Phi(a) - Phi(b)) by the tail in which neither is near 1
        flip = a > 0.0 and b > 0.0
        upper, lower = (-b, -a) if flip else (a, b)
        if upper == np.inf:
            log_upper, at_upper = 0.0, 0.0
        else:
            log_upper, at_upper = log_phi(upper)
        if lower == -np.inf:
            ratio, at_lower = 0.0, 0.0
        else:
            log_lower, at_lower = log_phi(lower)
            ratio = math.exp(log_lower - log_upper)
        rest = max(1.0 - ratio, 1e-300)
        logp += n * (log_upper + math.log(rest))
        by_upper, by_lower = n * at_upper / rest, -n * ratio * at_lower / rest
        by_a, by_b = (-by_lower, -by_upper) if flip else (by_upper, by_lower)
        if low >= 0:
            pull[low] += by_a * inv_sd
            by_own[spread] -= by_a * a
        if high >= 0:
            pull[high] += by_b * inv_sd
            by_own[spread] -= by_b * b
        both = (by_a if low >= 0 else 0.0) + (by_b if high >= 0 else 0.0)
        by_noise = (by_a * a if low >= 0 else 0.0) + (by_b * b if high >= 0 else 0.0)
        if powered:
            by[d[T_ERROR]] -= by_noise * math.log(limit)
        if start >= 0:
            by[d[T_START] + start] += both * by_start * inv_sd + power * by_noise
    # a data sheet's word: log of what is left less log of what is said ~ (skew) normal
    for i in range(d[N_DECLARED]):
        g, start = d[d[I_DECLARED] + 2 * i], d[d[I_DECLARED] + 2 * i + 1]
        said, width = x[d[F_DECLARED] + 3 * i], x[d[F_DECLARED] + 3 * i + 1]
        skew = x[d[F_DECLARED] + 3 * i + 2]
        left = 0.0 if x[d[F_LOG_DOSE] + g] == -np.inf else log_curve[g]
        t = (left - said + (theta[d[T_START] + start] if start >= 0 else 0.0)) / width
        log_p, slope = log_phi(skew * t)
        logp += -0.5 * t * t + log_p
        by_left = (-t + skew * slope) / width
        pull[g] += by_left / level[g] if normal else by_left
        if start >= 0:
            by[d[T_START] + start] += by_left
    slopes, root_slope = at(w, d[W_SLOPE]), at(w, d[W_ROOT_SLOPE])
    log_dose, design = at(x, d[F_LOG_DOSE]), at(x, d[F_DESIGN])
    for g in range(d[N_CELL]):
        if log_dose[g] == -np.inf or pull[g] == 0.0:
            continue
        p = cell[2 * g]
        force = pull[g] * level[g] if normal else pull[g]
        by_u = force * slopes[g * n_in]
        by[d[T_MAIN] + cell[2 * g + 1]] -= by_u
        for f in range(n_group):
            k = cell_effect[g * n_group + f]
            if k >= 0:
                by[d[T_EFFECT] + k] -= by_u
        for j in range(n_beta):
            by[j] -= by_u * design[g * n_beta + j] * beta[n_beta + j]
        for b in range(d[d[I_BOW_RANGE] + 2 * g], d[d[I_BOW_RANGE] + 2 * g + 1]):
            i1, i2 = d[d[I_BOW] + 2 * b], d[d[I_BOW] + 2 * b + 1]
            by[i1] += by_u * x[d[F_BOW] + b] * beta[i2] * beta[n_beta + i1]
            by[i2] += by_u * x[d[F_BOW] + b] * beta[i1] * beta[n_beta + i2]
        for k in range(1, n_in):
            by_own[p * n_in + k] += force * slopes[g * n_in + k] + by_u * root_slope[p * n_in + k]
    return logp


_run_words = types.ExternalFunction("durability_words", _PIECE)


@pieces.add("durability_beliefs", _PIECE)
def _beliefs(d, w):
    """Log prior density and its gradient."""
    x = floats(d)
    theta, by, scale = at(w, d[W_THETA]), at(w, d[W_BY]), at(w, d[W_SCALE])
    root, root_slope, by_own = at(w, d[W_ROOT]), at(w, d[W_ROOT_SLOPE]), at(w, d[W_BY_OWN])
    n_product, n_shape, n_main, n_start = d[N_PRODUCT], d[N_SHAPE], d[N_MAIN], d[N_START]
    n_in, n_beta, pool = 1 + n_shape, d[N_BETA], d[POOL]
    logp = 0.0
    n_plain = d[T_SCALE]  # contrasts, shapes and spreads lie before the scores
    for j in range(n_plain + n_start):
        i = j if j < n_plain else d[T_START] + j - n_plain
        place = d[F_PLAIN] + 2 * j if j < n_plain else d[F_START] + 2 * (j - n_plain)
        t = (theta[i] - x[place]) / x[place + 1]
        logp -= 0.5 * t * t
        by[i] -= t / x[place + 1]
    for i in range(d[T_SCALE], d[T_MAIN]):
        logp -= 0.5 * theta[i] ** 2
        by[i] -= theta[i]
    for p in range(n_product):
        # log threshold dose at the asked fraction less that at the anchor
        to_asked = root[n_product + p] - root[p]
        # one lot: its effect is integrated out, the main effects are the lot's own and share it
        shared = scale[0] if d[d[I_SINGLE] + p] else 0.0
        total = spread = chi = 0.0
        n = 0
        for turn in range(2):  # turn 0 sums, turn 1 gives slopes
            damp = 1.0 / (1.0 + shared * spread)
            for c in range(n_main):
                if d[d[I_MAIN] + c] != p:
                    continue
                place = d[F_MAIN] + 2 * c
                gap = theta[d[T_MAIN] + c] + to_asked - x[place]
                precision = 1.0 / x[place + 1] ** 2
                if pool >= 0:
                    precision = 1.0 / scale[2 * pool]
                    for j in range(n_beta):
                        gap -= x[d[F_LINE] + c * n_beta + j] * theta[j]
                if turn == 0:
                    total += gap * precision
                    spread += precision
                    chi += gap * gap * precision
                    n += 1
                    continue
                by_gap = (gap - shared * total * damp) * precision
                by[d[T_MAIN] + c] -= by_gap
                if pool >= 0:
                    for j in range(n_beta):
                        by[j] += by_gap * x[d[F_LINE] + c * n_beta + j]
                for k in range(1, n_in):
                    by_own[p * n_in + k] -= by_gap * (
                        root_slope[(n_product + p) * n_in + k] - root_slope[p * n_in + k]
                    )
        logp += 0.5 * math.log(damp) + 0.5 * shared * total * total * damp - 0.5 * chi
        if d[d[I_SINGLE] + p]:
            by_w2 = -0.5 * spread * damp + 0.5 * (total * damp) ** 2
            by[d[T_SCALE]] += by_w2 * 2.0 * scale[0] * scale[1]
        if pool >= 0:  # where products are pooled, none has a single lot
            logp -= 0.5 * n * math.log(scale[2 * pool])
            by[d[T_SCALE] + pool] += (chi - n) * scale[2 * pool + 1]
    for k in range(d[N_EFFECT]):
        family = d[d[I_EFFECT] + 2 * k]
        w2, e = scale[2 * family], theta[d[T_EFFECT] + k]
        logp -= 0.5 * e * e / w2 + 0.5 * math.log(w2)
        by[d[T_EFFECT] + k] -= e / w2
        by[d[T_SCALE] + family] += (e * e / w2 - 1.0) * scale[2 * family + 1]
    for i in range(n_product * n_in):  # each product's own parameters are sums
        place, effect = d[d[I_OWN] + 2 * i], d[d[I_OWN] + 2 * i + 1]
        by[place] += by_own[i]
        if effect >= 0:
            by[d[T_EFFECT] + effect] += by_own[i]
    return logp


_run_beliefs = types.ExternalFunction("durability_beliefs", _PIECE)


# --- the doors -----------------------------------------------------------------------------------

_C_DENSITY = _i8(types.uint64, _fp, _fp, _fp, _ip)
_WIDEN = _i8(_ip, _fp, _fp)
_C_EXPAND = _i8(types.uint64, types.uint64, _fp, _fp, _ip)


@pieces.add("durability_widen", _WIDEN)
def _widen(d, z, y):
    """y at z: the centre and the factor of the covariance."""
    x = floats(d)
    n, dense = d[N_Y], d[N_DENSE]
    chol = at(x, d[F_CHOL])
    for i in range(n):
        t = x[d[F_CENTRE] + i]
        if i < dense:
            for j in range(i + 1):
                t += chol[i * dense + j] * z[j]
        else:
            t += x[d[F_DIAGONAL] + i - dense] * z[i]
        y[i] = t
    return 0


_run_widen = types.ExternalFunction("durability_widen", _WIDEN)


@pieces.add("durability_density", _C_DENSITY)
def density_callback(dim, z, grad, logp_, d):
    """Log posterior density at z (up to a constant) with its gradient, through C.

    Returns 0, or a code for a point to reject.
    """
    x = floats(d)
    memory = _malloc(8 * d[N_WORK])
    w = _as_floats(memory)
    y, by = at(w, d[W_Y]), at(w, d[W_BY])
    n, dense = d[N_Y], d[N_DENSE]
    chol = at(x, d[F_CHOL])
    for i in range(n):
        by[i] = 0.0
    _run_widen(d, z, y)
    logp = _run_coordinates(d, w)
    _run_curves(d, w)
    logp += _run_strips(d, w)
    if d[TAILED] != 0:  # the address of a function compiled only where it is asked for
        logp += call_at(d[TAILED], d, w, at(d, d[I_TAIL]))
    logp += _run_words(d, w)
    logp += _run_beliefs(d, w)
    if not d[RAW]:
        _run_back(d, w)
    logp_[0] = logp
    bad = 0 if math.isfinite(logp) else 4
    for j in range(n):
        grad[j] = 0.0
    for i in range(n):
        if i < dense:
            for j in range(i + 1):
                grad[j] += chol[i * dense + j] * by[i]
        else:
            grad[i] = x[d[F_DIAGONAL] + i - dense] * by[i]
        if not math.isfinite(by[i]):
            bad = 3
    _free(memory)
    return bad


@pieces.add("durability_expand", _C_EXPAND)
def expand_callback(dim, expanded, z, out, d):
    """The sampler's C interface for stored values: z itself."""
    for j in range(d[N_Y]):
        out[j] = z[j]
    return 0


@pieces.add("durability_thetas", _i8(_i8, _fp, _fp, _ip))
def _thetas(count, z, theta, d):
    """Model parameters of many z."""
    n = d[N_Y]
    memory = _malloc(8 * d[W_LEVEL])
    w = _as_floats(memory)
    y, found = at(w, d[W_Y]), at(w, d[W_THETA])
    for k in range(count):
        _run_widen(d, at(z, k * n), y)
        _run_coordinates(d, w)
        for i in range(n):
            theta[k * n + i] = found[i]
    _free(memory)
    return 0


pieces.link()

_address = ctypes.c_void_p
call_density = ctypes.CFUNCTYPE(ctypes.c_int64, ctypes.c_uint64, *[_address] * 4)(
    density_callback.address
)
_call_coordinates = ctypes.CFUNCTYPE(ctypes.c_double, _address, _address)(_coordinates.address)
_call_thetas = ctypes.CFUNCTYPE(ctypes.c_int64, ctypes.c_int64, *[_address] * 3)(_thetas.address)
_call_given = ctypes.CFUNCTYPE(ctypes.c_double, _address, _address)(_given.address)


def log_density(z: np.ndarray, grad: np.ndarray, buf: np.ndarray) -> float:
    """Log posterior density at z (up to a constant); fills its gradient."""
    value = np.empty(1)
    z = np.ascontiguousarray(z, dtype=float)
    call_density(z.size, z.ctypes.data, grad.ctypes.data, value.ctypes.data, buf.ctypes.data)
    return float(value[0])


def from_y(y: np.ndarray, buf: np.ndarray, theta: np.ndarray) -> float:
    """Model parameters from y (same order); returns the log Jacobian."""
    work = np.empty(int(buf[W_LEVEL]))
    work[buf[W_Y] : buf[W_Y] + y.size] = y
    log_jacobian = _call_coordinates(buf.ctypes.data, work.ctypes.data)
    theta[:] = work[buf[W_THETA] : buf[W_THETA] + y.size]
    return float(log_jacobian)


def log_marginal(spread: np.ndarray, buf: np.ndarray) -> float:
    """Log density of the spreads (log scale) by the quadratic approximation, their prior apart."""
    work = np.empty(int(buf[W_LEVEL]))
    outer = buf[buf[I_OUTER] :][: buf[N_OUTER]]
    work[buf[W_Y] + outer] = buf.view(np.float64)[buf[F_OUTER] :][: outer.size]
    w2 = spread**2
    work[buf[W_SCALE] :][: 2 * spread.size : 2] = w2
    term = buf[buf[I_TERM] :][: 5 * buf[N_TERM]].reshape(-1, 5)
    m, c = buf.view(np.float64)[buf[F_TERM] :][: 2 * buf[N_TERM]].reshape(-1, 2).T
    effect, w2 = term[:, 0] == 0, w2[term[:, 1]]
    weight = np.where(effect, 1 / w2, -w2 / (1 + m * w2))
    value = _call_given(buf.ctypes.data, work.ctypes.data)
    value += 0.5 * (work[buf[W_WHITE] :][: buf[N_INNER]] ** 2).sum() - 0.5 * (weight * c * c).sum()
    return float(value - 0.5 * np.where(effect, np.log(w2), np.log1p(m * w2)).sum())


def to_theta(z: np.ndarray, buf: np.ndarray, theta: np.ndarray) -> None:
    """Model parameters of many draws: z (draw, n_y) to theta (draw, n_y), in rows that follow."""
    _call_thetas(z.shape[0], z.ctypes.data, theta.ctypes.data, buf.ctypes.data)
