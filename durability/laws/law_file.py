"""Is this file a law? Reads a law by name or from a file of the user's own, and checks it.

The formula is in ``u``, the scaled dose, or in ``dose`` and ``scale``; in the second case it is
checked that only their quotient matters. What the file declares is tried before use, at shapes over
the prior: 1 at dose 0, finite, falling where it says so, down to zero where it says so, inverse and
half-loss dose in agreement with the curve.
"""

from __future__ import annotations

import dataclasses
import functools
import itertools
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from durability import catalogue
from durability.laws.curve import Curve, is_curve_file, read_curve
from durability.laws.expression import ExpressionError, Tape, free_names, parse
from durability.laws.fields import Faults, LawError, load, name_fault, number_of, text_of
from durability.laws.law import Law, Shape

_TEXT = ("title", "expression", "use", "limits", "source")
_FORMULAS = ("inverse", "half_loss", "plateau")
_HOLDS = ("monotone", "reaches_zero", "smooth_at_zero")
_SHAPE_TEXT, _SHAPE_NUMBER = ("meaning", "unit", "reason"), ("lower", "upper", "median", "sd_log")
_TAKEN = ("u", "q", "dose", "scale", "unexposed")


def laws() -> list[str]:
    """Names of the laws that models/laws holds."""
    return catalogue.names("laws")


def read_law(name: str | Path) -> Law:
    """Read a law by name from models/laws, or from a file of the user's own.

    Parameters
    ----------
    name : a name that `laws` lists, or the path of a ``.toml`` file.

    Returns
    -------
    Law

    Raises
    ------
    LookupError : no such name; near spellings are given.
    LawError : the file is not a usable law; everything wrong with it is listed.

    Examples
    --------
    >>> read_law("exponential").title
    'Exponential'
    """
    text = str(name)
    file = Path(text) if text.endswith(".toml") else catalogue.path("laws", text)
    return _read(file, file.stat().st_mtime_ns if file.exists() else 0)


def read_law_or_curve(name: str | Path) -> Law | Curve:
    """A law by name or file, or a free curve from a file that names predictors."""
    return read_curve(name) if is_curve_file(name) else read_law(name)


@functools.lru_cache(maxsize=64)
def _read(file: Path, changed: int) -> Law:
    return _build(file.stem, load(file))


def _build(name: str, data: dict[str, Any]) -> Law:
    faults = Faults(name)
    if "predictors" in data:
        raise LawError.of(name, ["the file holds a free curve (it names predictors); laws are in u,"
                                 " the scaled dose"])  # fmt: skip
    faults.unknown(data, (*_TEXT, *_FORMULAS, "floor", "holds", "shape"))
    text = {key: text_of(data, key, faults) for key in _TEXT}
    given = {key: text_of(data, key, faults, needed=False) or None for key in _FORMULAS}
    holds, shapes = _holds(data, faults), _shapes(data, faults)
    floor = data.get("floor", 1e-9)
    if isinstance(floor, bool) or not isinstance(floor, int | float) or not 0 < floor < 0.5:
        faults.add('"floor" must be a fraction above 0 and below 0.5')
    if given["half_loss"] is None and not (holds["monotone"] and holds["reaches_zero"]):
        faults.add('"half_loss" is missing: a law that is not monotone or does not reach zero says'
                   " at which u half of its own loss is reached")  # fmt: skip
    faults.stop()
    tape, tapes = _tapes(text["expression"], given, [s.name for s in shapes], faults)
    faults.stop()
    if tapes["half_loss"] is None and holds["reaches_zero"]:
        tapes["half_loss"] = tapes["inverse"]
    law = Law(
        name=name,
        title=text["title"],
        expression=text["expression"],
        inverse_expression=given["inverse"],
        half_loss_expression=given["half_loss"],
        plateau_expression=given["plateau"],
        shapes=tuple(shapes),
        floor=float(floor),
        monotone=holds["monotone"],
        reaches_zero=holds["reaches_zero"],
        smooth_at_zero=holds["smooth_at_zero"],
        use=text["use"],
        limits=text["limits"],
        source=text["source"],
        tape=tape,
        inverse_tape=tapes["inverse"],
        half_loss_tape=tapes["half_loss"],
        plateau_tape=tapes["plateau"],
    )
    _check(law, faults)
    faults.stop()
    return law


def _holds(data: Mapping[str, Any], faults: Faults) -> dict[str, bool]:
    holds = data.get("holds", {})
    if not isinstance(holds, dict):
        faults.add("[holds] and [shape] must be tables")
        return dict.fromkeys(_HOLDS, True)
    faults.unknown(holds, _HOLDS, "holds")
    for key in _HOLDS:
        if not isinstance(holds.get(key), bool):
            faults.add(f'"holds.{key}" must be true or false')
    return {key: holds.get(key) is not False for key in _HOLDS}


def _shapes(data: Mapping[str, Any], faults: Faults) -> list[Shape]:
    tables = data.get("shape", {})
    if not isinstance(tables, dict):
        faults.add("[holds] and [shape] must be tables")
        return []
    shapes = []
    for name, table in tables.items():
        where = f"shape.{name}"
        if name in _TAKEN:
            faults.add(f'"{where}" has the name of the dose or the fraction; rename it')
        elif fault := name_fault(name):
            faults.add(f'"{where}": {fault}')
        if not isinstance(table, dict):
            faults.add(f'"{where}" must be a table, written [{where}]')
            continue
        before = len(faults.found)
        faults.unknown(table, (*_SHAPE_TEXT, *_SHAPE_NUMBER), where)
        meaning, unit, reason = (text_of(table, k, faults, where) for k in _SHAPE_TEXT)
        lower, upper, median, sd_log = (
            number_of(table, k, faults, where, positive=True) or 0.0 for k in _SHAPE_NUMBER
        )
        if len(faults.found) > before:
            continue
        shape = Shape(name=name, meaning=meaning, unit=unit, reason=reason, lower=lower,
                      upper=upper, median=median, sd_log=sd_log)  # fmt: skip
        if not shape.lower < shape.median < shape.upper:
            faults.add(f'"{where}.median" must lie between lower and upper')
        shapes.append(shape)
    return shapes


def _tapes(
    expression: str, given: Mapping[str, str | None], shapes: Sequence[str], faults: Faults
) -> tuple[Tape, dict[str, Tape | None]]:
    """The tapes of the curve and of what else the file gives."""
    empty = Tape((), (), ())

    def read(key: str, text: str, names: Sequence[str], known: Mapping[str, float]) -> Tape:
        try:
            return parse(text, names, known=known)
        except ExpressionError as error:
            faults.add(f'"{key}": {error}', error.column)
            return empty

    try:
        used = free_names(expression)
    except ExpressionError:
        used = list(shapes)  # what is wrong is said where the formula is read
    unscaled = {"dose", "scale"} & set(used)
    for name in shapes:
        if name not in used:
            faults.add(f'"expression" does not use the shape {name!r}')
    if unscaled:
        whole = read("expression", expression, ["dose", "scale", *shapes], {})
        tape = empty
        if whole is not empty:
            tape = parse(expression, ["dose", *shapes], known={"scale": 1.0})
            tape = dataclasses.replace(tape, inputs=("u", *shapes))
            if not _is_scaled(whole, shapes):
                faults.add('"expression" is not dose-scaled: dose and scale may enter only as'
                           " dose/scale")  # fmt: skip
    else:
        tape = read("expression", expression, ["u", *shapes], {})
    others: dict[str, Tape | None] = dict.fromkeys(given)
    for key, text in given.items():
        if text is not None:
            others[key] = read(key, text, [*(["q"] if key == "inverse" else []), *shapes], {})
            if key == "half_loss" and not faults.found:  # the same inputs as the inverse
                others[key] = read(key, text, ["q", *shapes], {})
    return tape, others


def _is_scaled(tape: Tape, shapes: Sequence[str]) -> bool:
    dose = np.geomspace(1e-3, 30, 40)
    shape = {name: np.linspace(0.4, 1.7, 40) for name in shapes}
    one, many = (
        tape.evaluate({"dose": c * dose, "scale": c * np.ones(40), **shape}) for c in (1.0, 37.0)
    )
    return bool(np.allclose(one, many, rtol=1e-9, atol=1e-12, equal_nan=True))


def _check(law: Law, faults: Faults) -> None:
    """The file must keep what it declares, over the prior: two sds either side, each shape."""
    spread = [
        [min(max(s.median * math.exp(z * s.sd_log), s.lower), s.upper) for z in (-2.0, 0.0, 2.0)]
        for s in law.shapes
    ]
    for values in itertools.islice(itertools.product(*spread), 81):
        shape = dict(zip((s.name for s in law.shapes), values, strict=True))
        at = f" (at {', '.join(f'{k} = {v:.3g}' for k, v in shape.items())})" if shape else ""
        fault = _curve_fault(law, shape) or _inverse_fault(law, shape) or _half_fault(law, shape)
        if fault:
            faults.add(fault + at)
            return


_U = np.concatenate([[0.0], np.geomspace(1e-6, 50.0, 200)])
_Q = np.array([0.05, 0.2, 0.35, 0.5, 0.65, 0.8, 0.95])


def _curve_fault(law: Law, shape: Mapping[str, float]) -> str:
    raw = np.broadcast_to(law.tape.evaluate({"u": _U, **law._shape(shape)}), _U.shape)
    if not np.all(np.isfinite(raw)):
        return f'"expression" is not finite at u = {_U[~np.isfinite(raw)][0]:g}'
    if abs(raw[0] - 1) > 1e-12:
        return f'"expression" is {raw[0]:g} at dose 0; a law is 1 there'
    curve = law.retained(_U, shape)
    if law.monotone and np.any(np.diff(curve) > 1e-12):
        return '"expression" rises somewhere, but holds.monotone says that it does not'
    far = float(law.retained(1e12, shape))
    if law.reaches_zero and not far <= max(law.floor, 0.02):
        return '"expression" stays above 0, but holds.reaches_zero says that it does not'
    if law.plateau_tape is not None:
        level = float(law.plateau_tape.evaluate(law._shape(shape)))
        lowest = min(far, float(curve.min()))
        if not abs(level - lowest) <= 1e-6 + 1e-4 * lowest:
            return f'"plateau" is {level:.4g}, but the curve comes down to {lowest:.4g}'
    return ""


def _inverse_fault(law: Law, shape: Mapping[str, float]) -> str:
    if law.inverse_tape is None:
        return ""
    u, exists = law.crossings(_Q, shape)
    reached = np.array([float(law.plateau(shape)) < q for q in _Q])
    if np.any(reached != exists):
        q = _Q[reached != exists][0]
        return f'"inverse" and "expression" disagree whether {q:g} is ever left'
    if not np.allclose(law.retained(u[exists], shape), _Q[exists], rtol=1e-9, atol=0):
        return '"inverse" does not undo "expression"'
    if not all(_is_first(law, shape, x, q) for x, q in zip(u[exists], _Q[exists], strict=True)):
        return '"inverse" is not where the curve first falls to the fraction'
    return ""


def _half_fault(law: Law, shape: Mapping[str, float]) -> str:
    if law.half_loss_expression is None:
        return ""
    half, level = float(law.half_loss(shape)), 0.5 * (1 + float(law.plateau(shape)))
    there = float(law.retained(half, shape)) if half > 0 else math.nan
    if not abs(there - level) <= 1e-6:
        return (
            f'"half_loss" gives u = {half:.4g}, where {there:.4g} is left;'
            f" half of its loss is at {level:.4g}"
        )
    if not _is_first(law, shape, half, level):
        return '"half_loss" is not where the curve first falls to half its loss'
    return ""


def _is_first(law: Law, shape: Mapping[str, float], u: float, level: float) -> bool:
    """Is the curve above the level all the way to u, and below just after?"""
    if law.monotone:
        return True
    before = law.retained(u * np.linspace(0, 1 - 1e-6, 500), shape)
    after = float(law.retained(u * (1 + 1e-5), shape))
    return bool(np.all(before >= level - 1e-9)) and after <= level + 1e-12
