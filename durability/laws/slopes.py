"""How does a formula move with its inputs? Exact derivatives of a tape over arrays.

Forward accumulation: each register carries its derivative by each input asked for, and the chain
rule is applied operation by operation. A derivative that is zero throughout is not carried.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.laws import expression as op

if TYPE_CHECKING:
    from durability.laws.expression import Tape

Slope = Any  # array, or None where the register does not depend on the input
_ONE = np.float64(1.0)


def slopes(
    tape: Tape, values: Mapping[str, Any], wrt: Sequence[str]
) -> tuple[np.ndarray, np.ndarray]:
    """Value of a tape and its derivatives by some of its inputs.

    Where a derivative does not exist at the edge of an operation (a power below 1 or a root of 0,
    the logarithm of 0) zero is passed on, as the compiled kernel does for powers; so nothing is
    NaN at dose 0.

    Parameters
    ----------
    tape : the formula.
    values : number or array of each input, broadcast together.
    wrt : names of the inputs to differentiate by.

    Returns
    -------
    (value (...), jacobian (..., len(wrt)))

    Raises
    ------
    ValueError : a name that is no input of the tape.

    Examples
    --------
    >>> from durability.laws import parse
    >>> value, jacobian = slopes(parse("exp(-k*u)", ["u", "k"]), {"u": [0.0, 1.0], "k": 1.0}, ["k"])
    >>> jacobian.round(4).tolist()
    [[-0.0], [-0.3679]]
    """
    unknown = [n for n in wrt if n not in tape.inputs]
    if unknown:
        raise ValueError(f"the formula has no input {unknown[0]!r}; it has: {tape.inputs}")
    count = len(wrt)
    value: list[Any] = [np.asarray(values[n], dtype=float) for n in tape.inputs]
    slope: list[list[Slope]] = [[_ONE if n == w else None for w in wrt] for n in tape.inputs]
    with np.errstate(all="ignore"):
        for code, a, b, c in tape.code:
            if code == op.CONST:
                value.append(np.float64(tape.constants[a]))
                slope.append([None] * count)
                continue
            if code == op.NEG:  # without a product
                value.append(-value[a])
                slope.append([None if s is None else -s for s in slope[a]])
            elif code == op.WHERE:
                test = value[a]
                value.append(np.where(test, value[b], value[c]))
                slope.append([_pick(test, y, n) for y, n in zip(slope[b], slope[c], strict=True)])
            elif code in op.PAIRS:
                f, made = _pair(code, value[a], value[b], slope[a], slope[b])
                value.append(f)
                slope.append(made)
            else:
                f, d = _single(code, value[a])
                value.append(f)
                slope.append([_times(d, s) for s in slope[a]])
    shape = np.broadcast_shapes(
        np.shape(value[-1]), *(np.shape(s) for s in slope[-1] if s is not None)
    )
    jacobian = np.zeros((*shape, count))
    for i, s in enumerate(slope[-1]):
        if s is not None:
            jacobian[..., i] = s
    last = np.asarray(value[-1])
    return (last if last.shape == shape else np.array(np.broadcast_to(last, shape))), jacobian


def _times(d: Any, s: Slope) -> Slope:
    """d * s, in which nothing times infinity is nothing."""
    if s is None:
        return None
    if s is _ONE:
        return d
    product = d * s
    if np.isnan(np.sum(product)):
        nothing = np.equal(d, 0) | np.equal(s, 0)
        product = np.where(np.isnan(product) & nothing, 0.0, product)
    return product


def _positive(x: Any) -> bool:
    """Are all above 0? Then no edge needs care."""
    return bool(np.min(x, initial=1.0) > 0)


def _plus(s: Slope, t: Slope) -> Slope:
    if s is None or t is None:
        return t if s is None else s
    return s + t


def _pick(test: Any, yes: Slope, no: Slope) -> Slope:
    if yes is None and no is None:
        return None
    return np.where(test, 0.0 if yes is None else yes, 0.0 if no is None else no)


def _pair(
    code: int, a: Any, b: Any, slope_a: list[Slope], slope_b: list[Slope]
) -> tuple[Any, list[Slope]]:
    """An operation on two registers: its value and its derivatives."""
    both = list(zip(slope_a, slope_b, strict=True))
    if code == op.ADD:
        return a + b, [_plus(s, t) for s, t in both]
    if code == op.SUB:
        return a - b, [_plus(s, None if t is None else -t) for s, t in both]
    if code == op.MUL:
        return a * b, [_plus(_times(b, s), _times(a, t)) for s, t in both]
    if code == op.DIV:
        f = a / b
        return f, [_plus(_times(1.0 / b, s), _times(-f / b, t)) for s, t in both]
    if code == op.POW:
        f = np.power(a, b)
        by_a = by_b = None
        plain = _positive(a)
        if any(s is not None for s in slope_a):
            by_a = b * f / a
            by_a = by_a if plain else np.where(a != 0, by_a, np.where(b == 1, 1.0, 0.0))
        if any(t is not None for t in slope_b):
            by_b = f * np.log(a)
            by_b = by_b if plain else np.where(a > 0, by_b, 0.0)
        return f, [_plus(_times(by_a, s), _times(by_b, t)) for s, t in both]
    if code in (op.MIN, op.MAX):
        first = a <= b if code == op.MIN else a >= b
        f = np.minimum(a, b) if code == op.MIN else np.maximum(a, b)
        return f, [_pick(first, s, t) for s, t in both]
    return np.less(a, b) if code == op.LT else np.less_equal(a, b), [None] * len(both)


def _single(code: int, x: Any) -> tuple[Any, Any]:
    """A function of one register and its derivative."""
    if code == op.EXP:
        f = np.exp(x)
        return f, f
    if code == op.LOG:
        return np.log(x), 1.0 / x if _positive(x) else np.where(x > 0, 1.0 / x, 0.0)
    if code == op.SQRT:
        f = np.sqrt(x)
        return f, 0.5 / f if _positive(f) else np.where(f > 0, 0.5 / f, 0.0)
    if code == op.EXPM1:
        return np.expm1(x), np.exp(x)
    if code == op.LOG1P:
        d = 1.0 / (1.0 + x)
        return np.log1p(x), d if _positive(1.0 + x) else np.where(x > -1, d, 0.0)
    if code == op.TANH:
        f = np.tanh(x)
        return f, 1.0 - f * f
    if code == op.SIN:
        return np.sin(x), np.cos(x)
    if code == op.COS:
        return np.cos(x), -np.sin(x)
    if code == op.ATAN:
        return np.arctan(x), 1.0 / (1.0 + x * x)
    return np.abs(x), np.where(x >= 0, 1.0, -1.0)
