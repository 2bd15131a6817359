"""How probable are strips whose scatter has long tails? Student's t, row by row, compiled.

The log likelihood of the strips, summaries, censored strips and looks of a model with Student
errors, with its exact gradient; what it adds to `durability.inference.kernel`, which calls it by
its address. Like the kernel it depends on no other file: the places that it reads in the kernel's
buffer are handed over in a head of its own.

A row holds n strips of one cell that depart together: their spread is that of one strip times one
over the root of a gamma variable of mean 1 that they share, so that mean and squares of a summary
have a closed density. A row of one strip is Student's t. What a source adds to the variance of a
mean (a figure read off a page) is widened with it.

The distribution function of t has no elementary form: the tail beyond x is

    f(x) * integral of f(x + c u) / f(x) c du over u > 0,   u = exp(pi/2 sinh(s)),

by the trapezoidal rule in s, which converges exponentially; its derivative by the degrees of
freedom is the same sum with one factor more. Double exponential formulas: Takahasi and Mori 1974,
Publications of the Research Institute for Mathematical Sciences 9:721 (from memory).
"""

from __future__ import annotations

import math
from typing import Any

import numba
import numpy as np
from llvmlite import ir
from numba import types
from numba.extending import intrinsic as _intrinsic

from durability.machine_code import Pieces

# The head: places in the kernel's buffer and working memory, and sizes.
(
    N_SERIES, N_SERIES_ENTRY, N_SHAPE, N_INSPECTED, N_ABSCISSA, FIXED, T_ERROR, T_START, T_EFFECT,
    I_SERIES, I_ROW_RANGE, I_CENSORED, I_INSPECTED, I_CELL, F_KNOWN, F_ROW, F_LIMIT, F_INSPECTED,
    F_ABSCISSA, W_THETA, W_BY, W_LEVEL, W_PULL, W_OWN, W_BY_OWN,
) = range(25)  # fmt: skip
N_HEAD = 25
N_ROW_ENTRY = 5  # of a row: strips, degrees of freedom, mean, squares, extra variance

pieces = Pieces(__file__)
intrinsic: Any = _intrinsic  # its functions are called without their first parameter
_f8, _i8 = types.float64, types.int64
_fp, _ip = types.CPointer(_f8), types.CPointer(_i8)


@intrinsic
def _at(typingctx, p, place):
    def move(context, builder, signature, args):
        return builder.gep(args[0], [args[1]])

    return p(p, _i8), move


@intrinsic
def _floats(typingctx, p):
    def cast(context, builder, signature, args):
        return builder.bitcast(args[0], ir.DoubleType().as_pointer())

    return _fp(_ip), cast


def abscissas() -> np.ndarray:
    """u and the weight of du at each node of the double exponential rule, (n, 2)."""
    s = np.arange(-34, 55) * 0.1
    u = np.exp(0.5 * math.pi * np.sinh(s))
    return np.column_stack([u, 0.1 * u * 0.5 * math.pi * np.cosh(s)])


@numba.njit(cache=True, error_model="numpy")
def digamma(x):
    """Derivative of the log of the gamma function, x > 0."""
    total = 0.0
    while x < 10.0:
        total -= 1.0 / x
        x += 1.0
    y = 1.0 / (x * x)
    series = y * (1 / 12 - y * (1 / 120 - y * (1 / 252 - y * (1 / 240 - y * (1 / 132)))))
    return total + math.log(x) - 0.5 / x - series


@numba.njit(cache=True, error_model="numpy")
def log_t_below(x, nu, node, n_node):
    """log P(t < x) on nu degrees of freedom, its slope by x, and by nu. `node`: see `abscissas`."""
    far = abs(x)
    constant = math.lgamma(0.5 * (nu + 1)) - math.lgamma(0.5 * nu) - 0.5 * math.log(nu * math.pi)
    by_constant = 0.5 * (digamma(0.5 * (nu + 1)) - digamma(0.5 * nu) - 1.0 / nu)
    base = math.log1p(far * far / nu)
    log_f = constant - 0.5 * (nu + 1) * base
    c = 1.0 / ((nu + 1) * far / (nu + far * far) + 0.7)
    tail = by_nu = 0.0
    for j in range(n_node):
        t = far + c * node[2 * j]
        square = t * t / nu
        bend = math.log1p(square)
        part = math.exp(-0.5 * (nu + 1) * (bend - base)) * node[2 * j + 1]
        tail += part
        if part > 0.0:
            by_nu += part * (
                by_constant - 0.5 * bend + 0.5 * (nu + 1) / nu * square / (1.0 + square)
            )
    log_tail = log_f + math.log(c * tail)
    if x <= 0.0:
        return log_tail, math.exp(log_f - log_tail), by_nu / tail
    beyond = math.exp(log_tail)
    log_p = math.log1p(-beyond)
    return log_p, math.exp(log_f - log_p), -by_nu / tail * beyond / (1.0 - beyond)


@pieces.add("durability_rows", _f8(_ip, _fp, _ip))
def rows_callback(d, w, head):
    """Log likelihood of rows, censored strips and looks; pulls on each cell's curve, and the rest
    of the gradient."""
    x = _floats(d)
    theta, by = _at(w, head[W_THETA]), _at(w, head[W_BY])
    level, pull = _at(w, head[W_LEVEL]), _at(w, head[W_PULL])
    log_own, by_own, n_in = _at(w, head[W_OWN]), _at(w, head[W_BY_OWN]), 1 + head[N_SHAPE]
    row_range, censored = _at(d, head[I_ROW_RANGE]), _at(d, head[I_CENSORED])
    limit, node, n_node = _at(x, head[F_LIMIT]), _at(x, head[F_ABSCISSA]), head[N_ABSCISSA]
    nu = math.exp(theta[head[T_ERROR]])
    logp = by_nu = 0.0
    last = -1.0  # degrees of freedom of the row before
    constant = by_constant = 0.0
    for s in range(head[N_SERIES]):
        series = _at(d, head[I_SERIES] + head[N_SERIES_ENTRY] * s)
        p, start, shared, apart = series[0], series[1], series[8], series[9]
        if start < 0 and head[FIXED] == 0:
            continue
        log_sd = log_own[p * n_in]
        sd2 = math.exp(2.0 * log_sd)
        mu = x[head[F_KNOWN]] if head[FIXED] else theta[head[T_START] + start]
        mu += theta[head[T_EFFECT] + shared] if shared >= 0 else 0.0
        mu += theta[head[T_EFFECT] + apart] if apart >= 0 else 0.0
        by_mu = 0.0
        for g in range(series[2], series[3]):
            for i in range(row_range[2 * g], row_range[2 * g + 1]):
                row = _at(x, head[F_ROW] + N_ROW_ENTRY * i)
                n, freedom = row[0], row[1]
                if freedom != last:
                    last = freedom
                    constant = math.lgamma(0.5 * (nu + last)) - math.lgamma(0.5 * nu)
                    constant -= 0.5 * last * math.log(nu)
                    by_constant = digamma(0.5 * (nu + last)) - digamma(0.5 * nu) - last / nu
                weight = n / (sd2 + n * row[4])
                share = weight * sd2 / n
                r = row[2] - mu - level[g]
                inner = row[3] / sd2
                q = weight * r * r + inner
                bend = math.log1p(q / nu)
                draw = (nu + freedom) / (nu + q)
                logp += constant - freedom * log_sd - 0.5 * (nu + freedom) * bend
                if share < 1.0:
                    logp += 0.5 * math.log(share)
                pull[g] += draw * weight * r
                by_mu += draw * weight * r
                by_own[p * n_in] += draw * (weight * r * r * share + inner) - freedom + 1.0 - share
                by_nu += 0.5 * (by_constant - bend + draw * q / nu)
        for c in range(series[6], series[7]):
            g, sign = censored[2 * c], censored[2 * c + 1]
            inv_sd = math.exp(-log_sd)
            a = -sign * (limit[c] - mu - level[g]) * inv_sd
            log_p, slope, by_freedom = log_t_below(a, nu, node, n_node)
            logp += log_p
            by_nu += by_freedom
            pull[g] += slope * sign * inv_sd
            by_mu += slope * sign * inv_sd
            by_own[p * n_in] -= slope * a
        if shared >= 0:
            by[head[T_EFFECT] + shared] += by_mu
        if apart >= 0:
            by[head[T_EFFECT] + apart] += by_mu
        if head[FIXED] == 0:
            by[head[T_START] + start] += by_mu
    for i in range(head[N_INSPECTED]):
        look = _at(d, head[I_INSPECTED] + 3 * i)
        low, high, start = look[0], look[1], look[2]
        line, n = x[head[F_INSPECTED] + 2 * i], x[head[F_INSPECTED] + 2 * i + 1]
        if start >= 0:  # the limit is a strength, not a fraction
            line -= theta[head[T_START] + start]
        spread = d[head[I_CELL] + 2 * (low if low >= 0 else high)] * n_in
        inv_sd = math.exp(-log_own[spread])
        a = (level[low] - line) * inv_sd if low >= 0 else np.inf
        b = (level[high] - line) * inv_sd if high >= 0 else -np.inf
        flip = a > 0.0 and b > 0.0
        upper, lower = (-b, -a) if flip else (a, b)
        log_upper = at_upper = nu_upper = ratio = at_lower = nu_lower = 0.0
        if upper < np.inf:
            log_upper, at_upper, nu_upper = log_t_below(upper, nu, node, n_node)
        if lower > -np.inf:
            log_lower, at_lower, nu_lower = log_t_below(lower, nu, node, n_node)
            ratio = math.exp(log_lower - log_upper)
        rest = max(1.0 - ratio, 1e-300)
        logp += n * (log_upper + math.log(rest))
        by_upper, by_lower = n * at_upper / rest, -n * ratio * at_lower / rest
        by_nu += n * (nu_upper - ratio * nu_lower) / rest
        by_a, by_b = (-by_lower, -by_upper) if flip else (by_upper, by_lower)
        both = 0.0
        if low >= 0:
            pull[low] += by_a * inv_sd
            by_own[spread] -= by_a * a
            both += by_a * inv_sd
        if high >= 0:
            pull[high] += by_b * inv_sd
            by_own[spread] -= by_b * b
            both += by_b * inv_sd
        if start >= 0:
            by[head[T_START] + start] += both
    by[head[T_ERROR]] += by_nu * nu
    return logp


pieces.link()
