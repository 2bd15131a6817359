"""How are many series fitted at once, fast? The steps of `minimise` for one law, compiled.

The same damped Gauss-Newton as `minimise.minimise`, series by series, with the law's formula as a
tape of operations whose exact derivatives are carried forward. It reads any law, so it is compiled
once a machine and kept. It depends on no other file, since compiled code is kept by the state of
this file alone; a test holds it to the plain way.
"""

from __future__ import annotations

import numba
import numpy as np

# Operation codes of durability.laws.expression, which a test holds equal.
CONST, ADD, SUB, MUL, DIV, POW, NEG = 0, 1, 2, 3, 4, 5, 6
EXP, LOG, SQRT, EXPM1, LOG1P, TANH, SIN, COS, ATAN, ABS = 7, 8, 9, 10, 11, 12, 13, 14, 15, 16
MIN, MAX, LT, LE, WHERE = 17, 18, 19, 20, 21


@numba.njit(cache=True, error_model="numpy")
def _run(code, constants, inputs, value, slope, by_a, by_b):  # type: ignore[no-untyped-def]
    """Fill registers and their derivatives by every input, all doses at once.

    ``value`` (registers, n) and ``slope`` (registers, inputs, n) hold the inputs' own rows already;
    the answer is the last register. ``by_a``, ``by_b`` (n,) are room to work in. Elements are
    written one by one: a row taken as an array of its own costs more than its arithmetic.
    """
    n = value.shape[1]
    for step in range(code.shape[0]):
        op, a, b, c = code[step, 0], code[step, 1], code[step, 2], code[step, 3]
        r = inputs + step
        two = False
        if op == CONST:
            for i in range(n):
                value[r, i] = constants[a]
                for j in range(inputs):
                    slope[r, j, i] = 0.0
            continue
        if op == WHERE:
            for i in range(n):
                pick = b if value[a, i] != 0.0 else c
                value[r, i] = value[pick, i]
                for j in range(inputs):
                    slope[r, j, i] = slope[pick, j, i]
            continue
        if op in (LT, LE):
            for i in range(n):
                yes = value[a, i] < value[b, i] if op == LT else value[a, i] <= value[b, i]
                value[r, i] = 1.0 if yes else 0.0
            for j in range(inputs):
                for i in range(n):
                    slope[r, j, i] = 0.0
            continue
        if op == ADD:
            two = True
            for i in range(n):
                value[r, i], by_a[i], by_b[i] = value[a, i] + value[b, i], 1.0, 1.0
        elif op == SUB:
            two = True
            for i in range(n):
                value[r, i], by_a[i], by_b[i] = value[a, i] - value[b, i], 1.0, -1.0
        elif op == MUL:
            two = True
            for i in range(n):
                value[r, i], by_a[i], by_b[i] = value[a, i] * value[b, i], value[b, i], value[a, i]
        elif op == DIV:
            two = True
            for i in range(n):
                f = value[a, i] / value[b, i]
                value[r, i], by_a[i], by_b[i] = f, 1.0 / value[b, i], -f / value[b, i]
        elif op == POW:
            two = True
            for i in range(n):
                by_a[i], by_b[i] = 0.0, 0.0
                if value[a, i] > 0.0:  # one log and one exponential cost half a power and a log
                    logs = np.log(value[a, i])
                    f = np.exp(value[b, i] * logs)
                    by_a[i], by_b[i] = f * value[b, i] / value[a, i], f * logs
                else:
                    f = value[a, i] ** value[b, i]
                    if value[b, i] == 1.0:
                        by_a[i] = 1.0
                    elif value[a, i] < 0.0:
                        by_a[i] = value[b, i] * value[a, i] ** (value[b, i] - 1.0)
                value[r, i] = f
        elif op == NEG:
            for i in range(n):
                value[r, i], by_a[i] = -value[a, i], -1.0
        elif op == EXP:
            for i in range(n):
                value[r, i] = np.exp(value[a, i])
                by_a[i] = value[r, i]
        elif op == LOG:
            for i in range(n):
                value[r, i] = np.log(value[a, i])
                by_a[i] = 1.0 / value[a, i] if value[a, i] != 0.0 else 0.0
        elif op == SQRT:
            for i in range(n):
                value[r, i] = np.sqrt(value[a, i])
                by_a[i] = 0.5 / value[r, i] if value[a, i] > 0.0 else 0.0
        elif op == EXPM1:
            for i in range(n):
                value[r, i] = np.expm1(value[a, i])
                by_a[i] = value[r, i] + 1.0
        elif op == LOG1P:
            for i in range(n):
                value[r, i] = np.log1p(value[a, i])
                by_a[i] = 1.0 / (1.0 + value[a, i])
        elif op == TANH:
            for i in range(n):
                value[r, i] = np.tanh(value[a, i])
                by_a[i] = 1.0 - value[r, i] ** 2
        elif op == SIN:
            for i in range(n):
                value[r, i], by_a[i] = np.sin(value[a, i]), np.cos(value[a, i])
        elif op == COS:
            for i in range(n):
                value[r, i], by_a[i] = np.cos(value[a, i]), -np.sin(value[a, i])
        elif op == ATAN:
            for i in range(n):
                value[r, i] = np.arctan(value[a, i])
                by_a[i] = 1.0 / (1.0 + value[a, i] * value[a, i])
        elif op == ABS:
            for i in range(n):
                value[r, i], by_a[i] = abs(value[a, i]), 1.0 if value[a, i] >= 0.0 else -1.0
        else:
            two = True
            for i in range(n):
                first = value[a, i] <= value[b, i] if op == MIN else value[a, i] >= value[b, i]
                value[r, i] = value[a, i] if first else value[b, i]
                by_a[i], by_b[i] = (1.0, 0.0) if first else (0.0, 1.0)
        for j in range(inputs):
            for i in range(n):
                total = by_a[i] * slope[a, j, i] if slope[a, j, i] != 0.0 else 0.0
                if two and by_b[i] != 0.0 and slope[b, j, i] != 0.0:
                    total += by_b[i] * slope[b, j, i]
                slope[r, j, i] = total


@numba.njit(cache=True, error_model="numpy")
def _squares(code, constants, least, log, dose, mean, count, theta, gradient, hessian, value,
             slope, by_a, by_b, row):  # type: ignore[no-untyped-def]  # fmt: skip
    """Weighted squares about the law; fills J'Wr and J'WJ (its lower half, then mirrored)."""
    width = theta.size
    inputs = width - 1
    last = inputs + code.shape[0] - 1
    for j in range(width):
        gradient[j] = 0.0
        for k in range(width):
            hessian[j, k] = 0.0
    total = 0.0
    shrink = np.exp(-theta[1])
    start = np.exp(theta[0])
    for j in range(width - 2):
        shape = np.exp(theta[2 + j])
        for i in range(dose.size):
            value[1 + j, i] = shape
    for i in range(dose.size):
        value[0, i] = dose[i] * shrink
    _run(code, constants, inputs, value, slope, by_a, by_b)
    for i in range(dose.size):
        if count[i] == 0.0:
            continue
        u = value[0, i]
        curve = value[last, i]
        for j in range(width):
            row[j] = 0.0
        if not curve > least:
            curve = least
        elif u > 0.0:
            row[1] = -u * slope[last, 0, i]
            for j in range(width - 2):
                row[2 + j] = value[1 + j, i] * slope[last, 1 + j, i]
        if log:
            expected = theta[0] + curve
            row[0] = 1.0
        else:
            expected = start * curve
            for j in range(1, width):
                row[j] *= start
            row[0] = expected
        gap = mean[i] - expected
        total += count[i] * gap * gap
        for j in range(width):
            weighted = count[i] * row[j]
            gradient[j] += weighted * gap
            for k in range(j + 1):
                hessian[j, k] += weighted * row[k]
    for j in range(width):
        for k in range(j):
            hessian[k, j] = hessian[j, k]
    return total


@numba.njit(cache=True, error_model="numpy")
def _step(hessian, gradient, held, lam, factor, move):  # type: ignore[no-untyped-def]
    """Solve (H + lam diag H) move = gradient, held coordinates left; False where it fails."""
    width = gradient.size
    for j in range(width):
        move[j] = 0.0 if held[j] else gradient[j]
        for k in range(j + 1):
            rest = 0.0 if held[j] or held[k] else hessian[j, k]
            if j == k:
                rest = 1.0 if held[j] or rest <= 0.0 else rest * (1.0 + lam)
            for m in range(k):
                rest -= factor[j, m] * factor[k, m]
            if j == k:
                if not rest > 1e-15 * hessian[j, j]:
                    return False
                factor[j, j] = np.sqrt(rest)
            else:
                factor[j, k] = rest / factor[k, k]
    for j in range(width):
        for m in range(j):
            move[j] -= factor[j, m] * move[m]
        move[j] /= factor[j, j]
    for j in range(width - 1, -1, -1):
        for m in range(j + 1, width):
            move[j] -= factor[m, j] * move[m]
        move[j] /= factor[j, j]
    return True


@numba.njit(cache=True, error_model="numpy", nogil=True)
def fit_all(code, constants, floor, log, dose, mean, count, within, size, theta, lower, upper,
            tolerance, most):  # type: ignore[no-untyped-def]  # fmt: skip
    """Fit every series from its row of theta.

    Parameters
    ----------
    code, constants : the tape of the law, of its log where `log`; floor : of the law.
    dose : (n,); mean, count : (n_series, n); within, size : (n_series,) squares within doses and
        number of strips.
    theta : (n_series, p) starts, overwritten with the answers; lower, upper : (p,).
    tolerance, most : as in `minimise`.

    Returns
    -------
    total squares (n_series,), converged (n_series,), J'WJ (n_series, p, p).
    """
    many, width = theta.shape
    least = np.log(floor) if log else floor
    registers = width - 1 + code.shape[0]
    value, slope = np.empty((registers, dose.size)), np.zeros((registers, width - 1, dose.size))
    for j in range(width - 1):
        slope[j, j, :] = 1.0
    by_a, by_b, row = np.empty(dose.size), np.empty(dose.size), np.empty(width)
    gradient, hessian = np.empty(width), np.empty((width, width))
    new_gradient, new_hessian = np.empty(width), np.empty((width, width))
    factor, move, trial = np.zeros((width, width)), np.empty(width), np.empty(width)
    held = np.zeros(width, dtype=np.bool_)
    squares, converged = np.empty(many), np.zeros(many)
    information = np.empty((many, width, width))
    for s in range(many):
        here, seen, weight = theta[s], mean[s], count[s]
        for j in range(width):
            trial[j] = here[j]
        total, level, foreseen = np.inf, np.inf, 0.0
        lam, grow = 1e-3, 2.0
        for turn in range(most):
            new = within[s] + _squares(
                code, constants, least, log, dose, seen, weight, trial, new_gradient, new_hessian,
                value, slope, by_a, by_b, row,
            )  # fmt: skip
            if turn == 0 or new < level:
                if turn > 0:
                    gain = (total - new) / foreseen if foreseen > 0.0 else 1.0
                    gain = min(max(gain, 0.0), 1.0)
                    ease = 0.1 if gain > 0.9 else min(max(1 - (2 * gain - 1) ** 3, 1 / 3), 2.0)
                    lam, grow = max(lam * ease, 1e-15), 2.0
                total = new
                for j in range(width):
                    here[j], gradient[j] = trial[j], new_gradient[j]
                    for k in range(width):
                        hessian[j, k] = new_hessian[j, k]
            else:
                lam, grow = max(lam, 1e-12) * grow, grow * 2.0
            for j in range(width):
                held[j] = (here[j] <= lower[j] and gradient[j] <= 0.0) or (
                    here[j] >= upper[j] and gradient[j] >= 0.0
                )
            while lam <= 1e18 and not _step(hessian, gradient, held, lam, factor, move):
                lam, grow = max(lam, 1e-12) * grow, grow * 2.0
            if lam > 1e18:
                break
            bend, along = 0.0, 0.0
            for j in range(width):
                trial[j] = min(max(here[j] + move[j], lower[j]), upper[j])
                move[j] = trial[j] - here[j]
            for j in range(width):
                along += move[j] * gradient[j]
                for k in range(width):
                    bend += move[j] * hessian[j, k] * move[k]
            if lam < 1.0 and bend * size[s] <= tolerance * tolerance * total:
                for j in range(width):
                    here[j] = trial[j]
                converged[s] = 1.0
                break
            level = total * (1.0 + 1e-14) if bend * size[s] <= 1e-8 * total else total
            foreseen = 2.0 * along - bend
        squares[s] = total
        for j in range(width):
            for k in range(width):
                information[s, j, k] = hessian[j, k]
    return squares, converged, information
