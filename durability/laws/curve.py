"""What if the data follow a formula of one's own? A free curve: any parameters, any predictors.

A curve is a formula in predictors (what was set) and parameters (what is to be found). It need not
begin at 1 nor be written in scaled dose; where it is, a `Law` says more.
"""

from __future__ import annotations

import functools
import math
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from durability.laws.expression import ExpressionError, Tape, free_names, parse
from durability.laws.fields import Faults, LawError, load, name_fault, number_of, text_of


@dataclass(frozen=True, slots=True)
class Parameter:
    """One parameter of a free curve.

    Parameters
    ----------
    name : as the formula spells it.
    lower, upper : bounds; a lower bound of 0 or more makes it positive.
    start : where a search may begin, or None.
    meaning, unit : in words.
    """

    name: str
    lower: float = -math.inf
    upper: float = math.inf
    start: float | None = None
    meaning: str = ""
    unit: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Curve:
    """A free curve.

    Examples
    --------
    >>> curve = read_curve("b1*(1 - exp(-b2*x))")
    >>> [p.name for p in curve.parameters], curve.predictors
    (['b1', 'b2'], ('x',))
    >>> float(curve.value(1.0, [2.0, 0.5]).round(4))
    0.7869
    """

    name: str
    expression: str
    parameters: tuple[Parameter, ...]
    predictors: tuple[str, ...]
    tape: Tape
    title: str = ""
    use: str = ""
    source: str = ""

    def value(self, x: Any, params: Any) -> np.ndarray:
        """The curve at predictors x.

        Parameters
        ----------
        x : array of the one predictor, or a mapping of arrays by name.
        params : mapping of each parameter (numbers or arrays), or a sequence in their order.

        Returns
        -------
        array, broadcast over predictors and parameters.
        """
        return np.asarray(self.tape.evaluate(self._inputs(x, params)))

    def slopes(
        self, x: Any, params: Any, wrt: Sequence[str] | None = None
    ) -> tuple[np.ndarray, np.ndarray]:
        """The curve and its exact derivatives: (value (...), jacobian (..., n)).

        Parameters
        ----------
        x, params : as in `value`.
        wrt : names to differentiate by; all parameters if left out.
        """
        names = [p.name for p in self.parameters] if wrt is None else list(wrt)
        value, jacobian = self.tape.slopes(self._inputs(x, params), names)
        shape = np.broadcast_shapes(*(np.shape(v) for v in self._inputs(x, params).values()))
        return np.broadcast_to(value, shape), np.broadcast_to(jacobian, (*shape, len(names)))

    def _inputs(self, x: Any, params: Any) -> dict[str, Any]:
        if not isinstance(x, Mapping):
            if len(self.predictors) != 1:
                names = ", ".join(self.predictors)
                raise ValueError(f"curve {self.name} has the predictors {names}; give x by name")
            x = {self.predictors[0]: x}
        own = [p.name for p in self.parameters]
        if not isinstance(params, Mapping):
            if len(params) != len(own):
                raise ValueError(
                    f"curve {self.name} has {len(own)} parameters ({', '.join(own)});"
                    f" found {len(params)} values"
                )
            params = dict(zip(own, params, strict=True))
        for given, known, what in ((x, self.predictors, "predictor"), (params, own, "parameter")):
            for name in (*sorted(set(given) - set(known)), *sorted(set(known) - set(given))):
                word = "has no" if name in given else "needs the"
                raise ValueError(f"curve {self.name} {word} {what} {name!r}; it has: {known}")
        return {**x, **params}

    def __repr__(self) -> str:
        inputs = ", ".join(self.predictors)
        lines = [f"{self.name}({inputs}) = {self.expression}"]
        return "\n".join([*lines, *(f"  {p.name:<8} {_words(p)}" for p in self.parameters)])

    def summary_rows(self) -> list[tuple[str, str]]:
        """Everything about the curve in words: (name, text) of each line."""
        return [
            ("name", self.name),
            ("title", self.title or "Free curve"),
            ("value", self.expression),
            ("predictors", ", ".join(self.predictors)),
            *((f"parameter {p.name}", _words(p)) for p in self.parameters),
            ("use", self.use),
            ("source", self.source),
        ]

    def to_dict(self) -> dict[str, Any]:
        """The curve as plain types, under the names of its file; None for a bound that is not."""
        return {
            "name": self.name,
            "title": self.title,
            "expression": self.expression,
            "predictors": list(self.predictors),
            "parameter": {
                p.name: {
                    "lower": p.lower if math.isfinite(p.lower) else None,
                    "upper": p.upper if math.isfinite(p.upper) else None,
                    "start": p.start,
                    "meaning": p.meaning,
                    "unit": p.unit,
                }
                for p in self.parameters
            },
            "use": self.use,
            "source": self.source,
        }


def _words(p: Parameter) -> str:
    said = [p.meaning] if p.meaning else []
    said += [f"[{p.unit}]"] if p.unit else []
    if math.isfinite(p.lower) or math.isfinite(p.upper):
        said.append(f"between {p.lower:g} and {p.upper:g}")
    said += [] if p.start is None else [f"start {p.start:g}"]
    return ", ".join(said) or "free"


def read_curve(
    source: str | Path,
    *,
    predictors: Sequence[str] | None = None,
    parameters: Sequence[str | Parameter] | None = None,
    name: str | None = None,
) -> Curve:
    """A free curve from a formula or from a file.

    Parameters
    ----------
    source : a formula such as ``"b1*(1 - exp(-b2*x))"``, or the path of a ``.toml`` file.
    predictors : names of what was set; ``("x",)`` if left out, or as the file says.
    parameters : names, or `Parameter` with bounds and start; every other name of the formula, in
        order of first use, if left out, or as the file says.
    name : what to call it; the file's name, or "curve".

    Returns
    -------
    Curve

    Raises
    ------
    ExpressionError : a formula that is not allowed, with the column.
    LawError : a file that is no usable curve.
    LookupError : the file does not exist.
    ValueError : a predictor or parameter that the formula does not use, or names that clash.

    Examples
    --------
    >>> read_curve("b1 - b2*x1*exp(-b3*x2)", predictors=["x1", "x2"]).parameters[2].name
    'b3'
    """
    text = str(source)
    if isinstance(source, Path) or text.endswith(".toml"):
        if predictors is not None or parameters is not None:
            raise ValueError("a curve's file says its own predictors and parameters")
        file = Path(text)
        curve = _read(file, file.stat().st_mtime_ns if file.exists() else 0)
        return curve if name is None else _renamed(curve, name)
    chosen = tuple(predictors) if predictors is not None else ("x",)
    found = free_names(text)
    parse(text, found)
    if parameters is None:
        parameters = [n for n in found if n not in chosen]
    own = tuple(p if isinstance(p, Parameter) else Parameter(p) for p in parameters)
    faults = _name_faults(chosen, own, found)
    if faults:
        raise ValueError("; ".join(faults))
    tape = parse(text, [*chosen, *(p.name for p in own)])
    return Curve(name=name or "curve", expression=text, parameters=own, predictors=chosen,
                 tape=tape)  # fmt: skip


def _renamed(curve: Curve, name: str) -> Curve:
    import dataclasses

    return dataclasses.replace(curve, name=name)


def _name_faults(
    predictors: Sequence[str], parameters: Sequence[Parameter], found: Sequence[str]
) -> list[str]:
    faults = []
    own = [p.name for p in parameters]
    declared = [*predictors, *own]
    for name in dict.fromkeys(declared):
        if fault := name_fault(name):
            faults.append(fault)
        elif declared.count(name) > 1:
            faults.append(f"the name {name!r} is declared twice")
        elif name not in found:
            faults.append(f"the formula does not use {name!r}")
    faults += [f"{n!r} is neither predictor nor parameter" for n in found if n not in declared]
    for p in parameters:
        if not p.lower < p.upper:
            faults.append(f"the lower bound of {p.name!r} must lie below the upper")
        elif p.start is not None and not p.lower <= p.start <= p.upper:
            faults.append(f"the start of {p.name!r} must lie within its bounds")
    return faults


@functools.lru_cache(maxsize=64)
def _read(file: Path, changed: int) -> Curve:
    return _build(file.stem, load(file))


_KEYS = ("title", "expression", "predictors", "parameter", "use", "source")
_PARAMETER_KEYS = ("lower", "upper", "start", "meaning", "unit")


def _build(name: str, data: dict[str, Any]) -> Curve:
    faults = Faults(name)
    faults.unknown(data, _KEYS)
    expression = text_of(data, "expression", faults)
    predictors, tables = data.get("predictors"), data.get("parameter", {})
    if not (
        isinstance(predictors, list) and predictors and all(isinstance(p, str) for p in predictors)
    ):
        faults.add('"predictors" must be a list of names, such as ["x"]')
    if not isinstance(tables, dict) or not tables:
        faults.add("a curve needs a table [parameter.NAME] for each parameter")
        tables = {}
    own = []
    for key, table in tables.items():
        where = f"parameter.{key}"
        if not isinstance(table, dict):
            faults.add(f'"{where}" must be a table, written [{where}]')
            continue
        faults.unknown(table, _PARAMETER_KEYS, where)
        number = {k: number_of(table, k, faults, where) for k in ("lower", "upper", "start")}
        lower, upper = number["lower"], number["upper"]
        own.append(
            Parameter(
                key,
                -math.inf if lower is None else lower,
                math.inf if upper is None else upper,
                number["start"],
                text_of(table, "meaning", faults, where, needed=False),
                text_of(table, "unit", faults, where, needed=False),
            )
        )
    faults.stop()
    assert isinstance(predictors, list)
    try:
        tape = parse(expression, [*predictors, *(p.name for p in own)])
        for fault in _name_faults(predictors, own, free_names(expression)):
            faults.add(fault)
    except ExpressionError as error:
        raise LawError.of(name, [f'"expression": {error}'], column=error.column) from error
    faults.stop()
    return Curve(name=name, expression=expression, parameters=tuple(own),
                 predictors=tuple(predictors), tape=tape,
                 title=text_of(data, "title", faults, needed=False),
                 use=text_of(data, "use", faults, needed=False),
                 source=text_of(data, "source", faults, needed=False))  # fmt: skip


def is_curve_file(file: str | Path) -> bool:
    """Does a ``.toml`` file hold a free curve (it names predictors) rather than a law?"""
    try:
        with open(file, "rb") as stream:
            return "predictors" in tomllib.load(stream)
    except (OSError, tomllib.TOMLDecodeError, UnicodeDecodeError):
        return False
