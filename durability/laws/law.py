"""How does strength fall with dose? A law: a base curve g0(u; shape) in u = dose / scale.

``R = g0(d/s; shape)`` with ``g0(0) = 1``. The threshold dose of a fraction q is
``tau_q = s * g0^-1(q; shape)``. Laws are files of models/laws; `read_law` reads one by name, or a
file of the user's own by path, and checks it before use.
"""

from __future__ import annotations

import functools
import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from durability import catalogue
from durability.laws.expression import ExpressionError, Tape, parse


class LawError(ValueError):
    """A law file that cannot be used; says which file and what is wrong."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """One shape parameter: its meaning, bounds and prior (normal on the log scale).

    ``median`` and ``sd_log`` are the prior's; 95 % of it lies within
    ``median * exp(-+1.96 * sd_log)``.
    """

    name: str
    meaning: str
    unit: str
    lower: float
    upper: float
    median: float
    sd_log: float
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Law:
    """A degradation law read from a file.

    Examples
    --------
    >>> law = read_law("stretched-exponential")
    >>> float(law.retained(1.0, {"k": 2.0}).round(4))
    0.3679
    >>> float(law.inverse(0.5, {"k": 2.0}).round(4))
    0.8326
    """

    name: str
    title: str
    expression: str
    inverse_expression: str | None
    shapes: tuple[Shape, ...]
    floor: float
    monotone: bool
    reaches_zero: bool
    smooth_at_zero: bool
    use: str
    limits: str
    source: str
    tape: Tape
    inverse_tape: Tape | None

    def retained(self, u: Any, shape: Mapping[str, Any] | None = None) -> Any:
        """Retained fraction at scaled dose u (dose / scale), never below the law's floor.

        Parameters
        ----------
        u : array_like, dimensionless, >= 0.
        shape : value or array of each shape parameter; the prior medians where left out.

        Returns
        -------
        array, broadcast over u and shape.
        """
        values = {"u": np.asarray(u, dtype=float), **self._shape(shape)}
        return np.maximum(self.tape.evaluate(values), self.floor)

    def inverse(self, q: Any, shape: Mapping[str, Any] | None = None) -> Any:
        """Scaled dose at which the fraction q is left; the closed inverse or a bracketed root.

        Parameters
        ----------
        q : array_like, between 0 and 1.
        shape : as in `retained`.
        """
        q = np.asarray(q, dtype=float)
        values = self._shape(shape)
        if self.inverse_tape is not None:
            return self.inverse_tape.evaluate({"q": q, **values})
        from scipy.optimize import elementwise

        names = list(values)
        arrays = np.broadcast_arrays(q, *values.values())

        def excess(log_u: Any, q: Any, *shape: Any) -> Any:
            inputs = dict(zip(names, shape, strict=True))
            return self.tape.evaluate({"u": np.exp(log_u), **inputs}) - q

        lo, hi = np.full(arrays[0].shape, -60.0), np.full(arrays[0].shape, 60.0)
        root = elementwise.find_root(excess, (lo, hi), args=tuple(arrays))
        return np.exp(np.where(root.success, root.x, np.nan))

    def crossings(self, q: Any, shape: Mapping[str, Any] | None = None) -> tuple[Any, Any]:
        """The first scaled dose at which the fraction q is left, and whether there is one."""
        u = np.asarray(self.inverse(q, shape))
        exists = np.isfinite(u)
        return np.where(exists, u, np.inf), exists

    def _shape(self, shape: Mapping[str, Any] | None) -> dict[str, Any]:
        given = dict(shape or {})
        unknown = sorted(set(given) - {s.name for s in self.shapes})
        if unknown:
            known = ", ".join(s.name for s in self.shapes) or "none"
            raise ValueError(f"law {self.name} has no shape {unknown[0]!r}; it has: {known}")
        return {s.name: np.asarray(given.get(s.name, s.median), dtype=float) for s in self.shapes}

    def to_dict(self) -> dict[str, Any]:
        """What `durability laws` shows."""
        return {
            "name": self.name,
            "title": self.title,
            "retained fraction": self.expression,
            "dose at fraction q": self.inverse_expression or "by root finding",
            "shape": {
                s.name: f"{s.meaning}; prior median {s.median:g}, sd of log {s.sd_log:g}"
                for s in self.shapes
            },
            "use": self.use,
            "limits": self.limits,
            "source": self.source,
        }


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
    LawError : the file is not a usable law.

    Examples
    --------
    >>> read_law("exponential").title
    'Exponential'
    """
    text = str(name)
    file = Path(text) if text.endswith(".toml") else catalogue.path("laws", text)
    return _read(file, file.stat().st_mtime_ns if file.exists() else 0)


@functools.lru_cache(maxsize=64)
def _read(file: Path, changed: int) -> Law:
    try:
        with open(file, "rb") as stream:
            data = tomllib.load(stream)
    except FileNotFoundError:
        raise LookupError(f"law file {file.name} does not exist") from None
    except OSError as error:
        raise LawError(f"law file {file.name} cannot be read: {error.strerror}") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise LawError(f"law file {file.name}: {error}") from error
    return _build(file.stem, data)


_TEXT = ("title", "expression", "use", "limits", "source")
_SHAPE_TEXT, _SHAPE_NUMBER = ("meaning", "unit", "reason"), ("lower", "upper", "median", "sd_log")


def _build(name: str, data: dict[str, Any]) -> Law:
    def fail(message: str) -> LawError:
        return LawError(f"law file {name}.toml: {message}")

    for key in _TEXT:
        if not isinstance(data.get(key), str) or not data[key].strip():
            raise fail(f'"{key}" is missing or not text')

    def formula(key: str, names: list[str]) -> Tape:
        try:
            return parse(data[key], names)
        except ExpressionError as error:
            raise fail(f'"{key}": {error}') from error

    holds, tables = data.get("holds", {}), data.get("shape", {})
    if not isinstance(holds, dict) or not isinstance(tables, dict):
        raise fail("[holds] and [shape] must be tables")
    for key in ("monotone", "reaches_zero", "smooth_at_zero"):
        if not isinstance(holds.get(key), bool):
            raise fail(f'"holds.{key}" must be true or false')
    shapes = []
    for shape_name, table in tables.items():
        if shape_name in ("u", "q"):
            raise fail(f'"shape.{shape_name}" has the name of the dose or the fraction; rename it')
        if not isinstance(table, dict):
            raise fail(f'"shape.{shape_name}" must be a table, written [shape.{shape_name}]')
        for key in _SHAPE_TEXT:
            if not isinstance(table.get(key), str):
                raise fail(f'"shape.{shape_name}.{key}" is missing or not text')
        numbers = {}
        for key in _SHAPE_NUMBER:
            value: Any = table.get(key)
            number = isinstance(value, int | float) and not isinstance(value, bool)
            if not number or not 0 < value < math.inf:
                raise fail(f'"shape.{shape_name}.{key}" must be a number above 0')
            numbers[key] = float(value)
        if not numbers["lower"] < numbers["median"] < numbers["upper"]:
            raise fail(f'"shape.{shape_name}.median" must lie between lower and upper')
        text = {key: table[key] for key in _SHAPE_TEXT}
        shapes.append(Shape(name=shape_name, **text, **numbers))
    floor = data.get("floor", 1e-9)
    if not isinstance(floor, int | float) or not 0 < floor < 0.5:
        raise fail('"floor" must be a fraction above 0 and below 0.5')
    names = [s.name for s in shapes]
    inverse = data.get("inverse")
    if inverse is not None and not isinstance(inverse, str):
        raise fail('"inverse" must be text')
    law = Law(
        name=name,
        expression=data["expression"],
        inverse_expression=inverse,
        shapes=tuple(shapes),
        floor=float(floor),
        monotone=holds["monotone"],
        reaches_zero=holds["reaches_zero"],
        smooth_at_zero=holds["smooth_at_zero"],
        title=data["title"],
        use=data["use"],
        limits=data["limits"],
        source=data["source"],
        tape=formula("expression", ["u", *names]),
        inverse_tape=None if inverse is None else formula("inverse", ["q", *names]),
    )
    _check(law, fail)
    return law


def _check(law: Law, fail: Any) -> None:
    """The file must keep what it declares, at the prior's median and two sds either side."""
    u = np.concatenate([[0.0], np.geomspace(1e-6, 50.0, 200)])
    for shift in (-2.0, 0.0, 2.0):
        shape = {
            s.name: min(max(s.median * math.exp(shift * s.sd_log), s.lower), s.upper)
            for s in law.shapes
        }
        raw = np.broadcast_to(law.tape.evaluate({"u": u, **law._shape(shape)}), u.shape)
        if not np.all(np.isfinite(raw)):
            raise fail(f'"expression" is not finite at u = {u[~np.isfinite(raw)][0]:g}')
        if abs(raw[0] - 1) > 1e-12:
            raise fail(f'"expression" is {raw[0]:g} at dose 0; a law is 1 there')
        curve = law.retained(u, shape)
        if law.monotone and np.any(np.diff(curve) > 1e-12):
            raise fail('"expression" rises somewhere, but holds.monotone says that it does not')
        if law.reaches_zero and law.retained(1e12, shape) > max(law.floor, 0.02):
            raise fail('"expression" stays above 0, but holds.reaches_zero says that it does not')
        if law.inverse_tape is not None:
            q = np.array([0.2, 0.5, 0.8, 0.95])
            back = law.retained(law.inverse(q, shape), shape)
            if not np.allclose(back, q, rtol=1e-9, atol=0):
                raise fail('"inverse" does not undo "expression"')
