"""What does a law's formula say? Reads a formula into a tape without running it as Python.

A formula is text such as ``exp(-u**k)``. It is parsed by Python's own grammar and every node must
be on a short list: numbers, the names declared, ``+ - * / **``, comparisons inside ``where`` and
the functions of `FUNCTIONS`. The result is a `Tape`: a list of single operations in which each
operation reads earlier results. One tape is read by three evaluators (numpy here, the sampler's
graph here, the compiled kernel in `durability.inference`), so that a formula is written once.
"""

from __future__ import annotations

import ast
import math
import unicodedata
import warnings
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NoReturn

import numpy as np

# Operation codes; the compiled kernel has its own copy, which a test holds equal.
CONST, ADD, SUB, MUL, DIV, POW, NEG = 0, 1, 2, 3, 4, 5, 6
EXP, LOG, SQRT, EXPM1, LOG1P, TANH, SIN, COS, ATAN, ABS = 7, 8, 9, 10, 11, 12, 13, 14, 15, 16
MIN, MAX, LT, LE, WHERE = 17, 18, 19, 20, 21

FUNCTIONS: dict[str, tuple[int, int]] = {
    "exp": (EXP, 1),
    "log": (LOG, 1),
    "sqrt": (SQRT, 1),
    "expm1": (EXPM1, 1),
    "log1p": (LOG1P, 1),
    "tanh": (TANH, 1),
    "sin": (SIN, 1),
    "cos": (COS, 1),
    "arctan": (ATAN, 1),
    "abs": (ABS, 1),
    "minimum": (MIN, 2),
    "maximum": (MAX, 2),
    "where": (WHERE, 3),
}
_BINARY: dict[type, int] = {ast.Add: ADD, ast.Sub: SUB, ast.Mult: MUL, ast.Div: DIV, ast.Pow: POW}
_LONGEST, _DEEPEST, _LARGEST = 500, 40, 1e15


class ExpressionError(ValueError):
    """A formula that is not allowed; says where (column counted from 1) and what is."""

    def __init__(self, text: str, column: int, message: str) -> None:
        self.column = column
        super().__init__(f"formula {text[:80]!r}, column {column}: {message}")


@dataclass(frozen=True, slots=True)
class Tape:
    """A formula as single operations.

    Parameters
    ----------
    inputs : names of the inputs; they fill the first registers.
    code : (operation, a, b, c) for each later register; a, b, c are register numbers, for
        ``CONST`` a is the place in `constants`.
    constants : numbers of the formula.
    """

    inputs: tuple[str, ...]
    code: tuple[tuple[int, int, int, int], ...]
    constants: tuple[float, ...]

    def evaluate(self, values: Mapping[str, Any]) -> Any:
        """The formula over numpy arrays (or numbers), broadcast together.

        Examples
        --------
        >>> float(parse("exp(-u**k)", ["u", "k"]).evaluate({"u": 1.0, "k": 2.0}).round(6))
        0.367879
        """
        with np.errstate(all="ignore"):
            return self._run([np.asarray(values[n], dtype=float) for n in self.inputs], _numpy())

    def slopes(
        self, values: Mapping[str, Any], wrt: Sequence[str]
    ) -> tuple[np.ndarray, np.ndarray]:
        """The formula and its exact derivatives by the inputs `wrt`: (value, jacobian (..., n)).

        Examples
        --------
        >>> value, jacobian = parse("u**k", ["u", "k"]).slopes({"u": 0.0, "k": 0.5}, ["k"])
        >>> float(value), jacobian.tolist()
        (0.0, [0.0])
        """
        from durability.laws.slopes import slopes

        return slopes(self, values, wrt)

    def graph(self, values: Mapping[str, Any]) -> Any:
        """The formula as a node of PyMC's graph, from symbolic inputs or numbers."""
        # a plain 0.5 would be a constant in single precision there
        given = [np.float64(v) if isinstance(v, float) else v for v in map(values.get, self.inputs)]
        doubles = Tape(self.inputs, self.code, tuple(np.float64(c) for c in self.constants))
        return doubles._run(given, _symbolic())

    def _run(self, registers: list[Any], table: dict[int, Callable[..., Any]]) -> Any:
        for op, a, b, c in self.code:
            if op == CONST:
                registers.append(self.constants[a])
            elif op == WHERE:
                registers.append(table[op](registers[a], registers[b], registers[c]))
            elif op in PAIRS:
                registers.append(table[op](registers[a], registers[b]))
            else:
                registers.append(table[op](registers[a]))
        return registers[-1]

    def log(self) -> Tape:
        """The tape of the logarithm; a last exponential or reciprocal is undone exactly."""
        if self.code:
            op, a, b, _ = self.code[-1]
            first = len(self.inputs)
            if op == EXP and a >= first:
                return Tape(self.inputs, self.code[: a - first + 1], self.constants)
            if op == EXP:
                zero = ((CONST, len(self.constants), 0, 0), (ADD, a, first, 0))
                return Tape(self.inputs, zero, (*self.constants, 0.0))
            if op == DIV and a >= first:
                numerator = self.code[a - first]
                if numerator[0] == CONST and self.constants[numerator[1]] == 1.0:
                    top = first + len(self.code) - 1
                    code = (*self.code[:-1], (LOG, b, 0, 0), (NEG, top, 0, 0))
                    return Tape(self.inputs, code, self.constants)
        last = len(self.inputs) + len(self.code) - 1
        return Tape(self.inputs, (*self.code, (LOG, last, 0, 0)), self.constants)

    def arrays(self) -> tuple[np.ndarray, np.ndarray]:
        """(code, constants) as arrays for the compiled kernel."""
        code = np.array(self.code, dtype=np.int64).reshape(-1, 4)
        return code, np.array(self.constants or (0.0,), dtype=float)


PAIRS = {ADD, SUB, MUL, DIV, POW, MIN, MAX, LT, LE}


def _numpy() -> dict[int, Callable[..., Any]]:
    return {
        ADD: np.add, SUB: np.subtract, MUL: np.multiply, DIV: np.divide, POW: np.power,
        NEG: np.negative, EXP: np.exp, LOG: np.log, SQRT: np.sqrt, EXPM1: np.expm1,
        LOG1P: np.log1p, TANH: np.tanh, SIN: np.sin, COS: np.cos, ATAN: np.arctan,
        ABS: np.abs, MIN: np.minimum, MAX: np.maximum, LT: np.less, LE: np.less_equal,
        WHERE: np.where,
    }  # fmt: skip


def _symbolic() -> dict[int, Callable[..., Any]]:
    import pytensor.tensor as pt

    return {
        ADD: pt.add, SUB: pt.sub, MUL: pt.mul, DIV: pt.true_div, POW: pt.pow, NEG: pt.neg,
        EXP: pt.exp, LOG: pt.log, SQRT: pt.sqrt, EXPM1: pt.expm1, LOG1P: pt.log1p,
        TANH: pt.tanh, SIN: pt.sin, COS: pt.cos, ATAN: pt.arctan, ABS: pt.abs,
        MIN: pt.minimum, MAX: pt.maximum, LT: pt.lt, LE: pt.le, WHERE: pt.switch,
    }  # fmt: skip


def parse(text: str, names: Sequence[str], *, known: Mapping[str, float] | None = None) -> Tape:
    """Read a formula over the names given.

    Parameters
    ----------
    text : the formula, in Python's arithmetic notation. ``pi`` is a number unless it is a name.
    names : inputs that it may use, in the order of the tape's registers.
    known : names that stand for a number, such as ``{"scale": 1.0}``.

    Returns
    -------
    Tape

    Raises
    ------
    ExpressionError : anything not on the list, with the column of the fault.

    Examples
    --------
    >>> parse("1/(1 + u**k)", ["u", "k"]).inputs
    ('u', 'k')
    >>> parse("u.real", ["u"])
    Traceback (most recent call last):
    durability.laws.expression.ExpressionError: formula 'u.real', column 1: attribute access ...
    """
    body, lead = _body(text)
    numbers = {n: v for n, v in {"pi": math.pi, **(known or {})}.items() if n not in names}
    return _Reader(text, tuple(names), numbers, lead).read(body)


def free_names(text: str) -> list[str]:
    """Names in a formula that are neither functions nor ``pi``, in order of first use.

    Raises
    ------
    ExpressionError : the text is no formula, or a name begins with an underscore.

    Examples
    --------
    >>> free_names("b1*(1 - exp(-b2*x))")
    ['b1', 'b2', 'x']
    """
    body, lead = _body(text)
    found = [n for n in ast.walk(body) if isinstance(n, ast.Name)]
    found.sort(key=lambda n: n.col_offset)
    for node in found:
        if node.id.startswith("_"):
            column = node.col_offset + 1 + lead
            raise ExpressionError(text, column, f"the name {node.id!r} begins with an underscore")
    return list(dict.fromkeys(n.id for n in found if n.id not in FUNCTIONS and n.id != "pi"))


def _body(text: str) -> tuple[ast.expr, int]:
    """The syntax tree of a formula, and how many blanks stood before it."""
    if len(text) > _LONGEST:
        raise ExpressionError(text, _LONGEST, f"longer than {_LONGEST} characters")
    odd = next((i for i, ch in enumerate(text) if ord(ch) > 126 or ord(ch) < 32), None)
    if odd is not None:
        name = unicodedata.name(text[odd], "a control character").lower()
        raise ExpressionError(text, odd + 1, f"only plain ASCII is read; found {name}")
    lead = len(text) - len(text.lstrip())
    try:
        with warnings.catch_warnings():  # what Python would warn of is no formula either
            warnings.simplefilter("error")
            tree = ast.parse(text.strip(), mode="eval")
    except (SyntaxError, Warning, ValueError, RecursionError, MemoryError) as error:
        column = (getattr(error, "offset", None) or 1) + lead
        raise ExpressionError(text, column, "not a formula") from None
    return tree.body, lead


class _Reader:
    def __init__(
        self, text: str, names: tuple[str, ...], numbers: Mapping[str, float], lead: int
    ) -> None:
        self.text, self.names, self.numbers, self.lead = text, names, numbers, lead
        self.code: list[tuple[int, int, int, int]] = []
        self.constants: list[float] = []

    def read(self, body: ast.expr) -> Tape:
        last = self.visit(body, 0)
        if last < len(self.names):  # the formula is a bare input: keep it as an operation
            last = self.emit(ADD, last, self.constant(0.0))
        assert last == len(self.names) + len(self.code) - 1
        return Tape(self.names, tuple(self.code), tuple(self.constants))

    def refuse(self, node: ast.AST, message: str) -> NoReturn:
        column = getattr(node, "col_offset", 0) + 1 + self.lead
        allowed = f"numbers, {', '.join(self.names)}, + - * / **, and {', '.join(FUNCTIONS)}"
        raise ExpressionError(self.text, column, f"{message}; allowed: {allowed}")

    def emit(self, op: int, a: int = 0, b: int = 0, c: int = 0) -> int:
        self.code.append((op, a, b, c))
        return len(self.names) + len(self.code) - 1

    def constant(self, value: float) -> int:
        self.constants.append(value)
        return self.emit(CONST, len(self.constants) - 1)

    def visit(self, node: ast.expr, depth: int) -> int:
        if depth > _DEEPEST:
            self.refuse(node, "nested too deeply")
        if isinstance(node, ast.Constant):
            value = node.value
            if isinstance(value, bool) or not isinstance(value, int | float):
                self.refuse(node, f"{value!r} is not a number")
            if not abs(value) <= _LARGEST:  # no float yet: an integer may be too long for one
                self.refuse(node, "the number is too large")
            return self.constant(float(value))
        if isinstance(node, ast.Name):
            if node.id in self.numbers:
                return self.constant(self.numbers[node.id])
            if node.id not in self.names:
                self.refuse(node, f"the name {node.id!r} is not declared")
            return self.names.index(node.id)
        if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub | ast.UAdd):
            inner = self.visit(node.operand, depth + 1)
            return self.emit(NEG, inner) if isinstance(node.op, ast.USub) else inner
        if isinstance(node, ast.BinOp):
            op = _BINARY.get(type(node.op))
            if op is None:
                self.refuse(node, "this operator is not allowed")
            if op == POW:
                self.check_power(node.right)
            left = self.visit(node.left, depth + 1)
            return self.emit(op, left, self.visit(node.right, depth + 1))
        if isinstance(node, ast.Call):
            return self.call(node, depth)
        kinds: dict[type, str] = {
            ast.Attribute: "attribute access", ast.Subscript: "indexing",
            ast.Lambda: "a lambda", ast.Compare: "a comparison outside where()",
            ast.BoolOp: "a logical operator", ast.IfExp: "an if expression",
            ast.JoinedStr: "text", ast.NamedExpr: "an assignment",
        }  # fmt: skip
        kind = kinds.get(type(node), type(node).__name__.lower())
        self.refuse(node, f"{kind} is not allowed")

    def check_power(self, node: ast.expr) -> None:
        inner: Any = node
        while isinstance(inner, ast.UnaryOp):
            inner = inner.operand
        value = inner.value if isinstance(inner, ast.Constant) else None
        if isinstance(value, int | float) and abs(value) > 100:
            self.refuse(node, "the power is larger than 100")
        if isinstance(inner, ast.BinOp) and isinstance(inner.op, ast.Pow):
            self.refuse(node, "a power of a power needs brackets around the base")

    def call(self, node: ast.Call, depth: int) -> int:
        if not isinstance(node.func, ast.Name) or node.func.id not in FUNCTIONS:
            self.refuse(node, "only the listed functions may be called")
        op, count = FUNCTIONS[node.func.id]
        if node.keywords or len(node.args) != count:
            self.refuse(node, f"{node.func.id} takes {count} argument{'s' * (count > 1)}")
        if op == WHERE:
            test = node.args[0]
            if not isinstance(test, ast.Compare) or len(test.ops) != 1:
                self.refuse(test, "where needs one comparison first")
            left, right = (
                self.visit(test.left, depth + 1),
                self.visit(test.comparators[0], depth + 1),
            )
            kind = type(test.ops[0])
            if kind in (ast.Gt, ast.GtE):
                left, right = right, left
            elif kind not in (ast.Lt, ast.LtE):
                self.refuse(test, "only < <= > >= are allowed in where")
            cond = self.emit(LT if kind in (ast.Lt, ast.Gt) else LE, left, right)
            yes = self.visit(node.args[1], depth + 1)
            return self.emit(WHERE, cond, yes, self.visit(node.args[2], depth + 1))
        first = self.visit(node.args[0], depth + 1)
        second = self.visit(node.args[1], depth + 1) if count == 2 else 0
        return self.emit(op, first, second)
