"""How does strength fall with dose? A law: a base curve g0(u; shape) in u = dose / scale.

``R = g0(d/s; shape)`` with ``g0(0) = 1``. The threshold dose of a fraction q is
``tau_q = s * g0^-1(q; shape)``, where the curve first falls to q. A law that levels off, or rises
before it falls, may not reach q; the dose of half its own loss always exists.
"""

from __future__ import annotations

import html
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from durability.laws.expression import Tape

_REACH = 60.0
"""Searches go over log u within -+ this."""


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

    def words(self) -> str:
        """Meaning, bounds and prior in one line."""
        unit = "" if self.unit == "1" else f" [{self.unit}]"
        return (
            f"{self.meaning}{unit}; between {self.lower:g} and {self.upper:g}; prior median"
            f" {self.median:g}, sd of log {self.sd_log:g} ({self.reason})"
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Law:
    """A degradation law read from a file.

    The tape of the curve has the inputs ``u`` and the shapes, those of the inverse and of the
    half-loss dose ``q`` and the shapes (the half-loss dose at q = 0.5, or whatever q).

    Examples
    --------
    >>> from durability.laws import read_law
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
    half_loss_expression: str | None
    plateau_expression: str | None
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
    half_loss_tape: Tape | None
    plateau_tape: Tape | None

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
        """Scaled dose at which the curve first falls to the fraction q; NaN where it never does.

        Parameters
        ----------
        q : array_like, fraction of the unexposed strength.
        shape : as in `retained`.
        """
        return self.crossings(q, shape)[0]

    def crossings(
        self, q: Any, shape: Mapping[str, Any] | None = None
    ) -> tuple[np.ndarray, np.ndarray]:
        """Where the curve first falls to q, and whether it does.

        Below the floor nothing is reached: a law stays at its measuring limit. The closed inverse
        is used where the file has one, otherwise a bracketed root.

        Parameters
        ----------
        q : array_like, fraction of the unexposed strength.
        shape : as in `retained`.

        Returns
        -------
        (u, exists) : scaled dose, NaN where there is none, and bool; broadcast over q and shape.

        Examples
        --------
        >>> from durability.laws import read_law
        >>> u, exists = read_law("exponential-plateau").crossings([0.5, 0.1], {"r": 0.25})
        >>> exists.tolist()
        [True, False]
        """
        q = np.asarray(q, dtype=float)
        values = self._shape(shape)
        if self.inverse_tape is None:
            u = self._search(q, values)
        else:
            u = np.asarray(self.inverse_tape.evaluate({"q": q, **values}), dtype=float)
        shape_of = np.broadcast_shapes(q.shape, *(v.shape for v in values.values()))
        possible = (q >= self.floor) & ((q <= 1) | (not self.monotone))
        with np.errstate(invalid="ignore"):
            exists = np.broadcast_to(np.isfinite(u) & (u >= 0) & possible, shape_of)
        return np.where(exists, u, np.nan), np.array(exists)

    def half_loss(self, shape: Mapping[str, Any] | None = None) -> np.ndarray:
        """Scaled dose of half the law's own loss: where it first falls midway to its plateau.

        It exists for every shape. For a law that loses all it is where half the strength is left.

        Examples
        --------
        >>> from durability.laws import read_law
        >>> float(read_law("exponential-plateau").half_loss().round(4))
        0.6931
        """
        values = self._shape(shape)
        if self.half_loss_tape is not None:
            u = np.asarray(self.half_loss_tape.evaluate({"q": 0.5, **values}), dtype=float)
            return np.array(np.broadcast_to(u, np.broadcast_shapes(*(
                v.shape for v in values.values()))))  # fmt: skip
        return self.crossings(0.5 * (1 + self.plateau(shape)), shape)[0]

    def plateau(self, shape: Mapping[str, Any] | None = None) -> np.ndarray:
        """The lowest level that the law comes to, as a fraction; 0 where it loses all.

        A law that loses all is still shown at its floor, which is a limit of measuring.
        """
        values = self._shape(shape)
        size = np.broadcast_shapes(*(v.shape for v in values.values()))
        if self.reaches_zero:
            return np.zeros(size)
        if self.plateau_tape is not None:
            level = self.plateau_tape.evaluate(values)
        else:
            u = np.exp(np.linspace(-_REACH, _REACH, 1201)).reshape(-1, *(1,) * len(size))
            level = self.retained(u, shape).min(axis=0)
        return np.array(np.broadcast_to(level, size), dtype=float)

    def always_reaches(self, q: float) -> bool:
        """Does the curve fall to q (below 1) whatever its shape and scale?

        Examples
        --------
        >>> from durability.laws import read_law
        >>> [read_law(n).always_reaches(0.5) for n in ("linear", "exponential-plateau")]
        [True, False]
        """
        return self.reaches_zero and self.floor <= q < 1

    def _search(self, q: np.ndarray, values: dict[str, np.ndarray]) -> np.ndarray:
        """The first fall to q by a bracketed root in log u."""
        from scipy.optimize import elementwise

        names = list(values)
        arrays = np.broadcast_arrays(q, *values.values())
        size = arrays[0].shape

        def excess(log_u: Any, q: Any, *shape: Any) -> Any:
            inputs = dict(zip(names, shape, strict=True))
            return self.tape.evaluate({"u": np.exp(log_u), **inputs}) - q

        if self.monotone:
            low, high = np.full(size, -_REACH), np.full(size, _REACH)
        else:  # the first step of a fine grid over which the curve comes from above q
            grid = np.linspace(-_REACH, _REACH, 1201)
            first, above = np.zeros(size, dtype=int), excess(grid[0], *arrays) > 0
            for i in range(1, grid.size):
                above, before = excess(grid[i], *arrays) > 0, above
                first = np.where((first == 0) & before & ~above, i, first)
            low, high = np.where(first > 0, grid[first - 1], np.nan), grid[first]
        root = elementwise.find_root(excess, (low, high), args=tuple(arrays))
        found = np.where(np.asarray(root.success), np.asarray(root.x), np.nan)
        return np.where(q == 1, 0.0, np.exp(found)) if self.monotone else np.exp(found)

    def _shape(self, shape: Mapping[str, Any] | None) -> dict[str, np.ndarray]:
        given = dict(shape or {})
        unknown = sorted(set(given) - {s.name for s in self.shapes})
        if unknown:
            known = ", ".join(s.name for s in self.shapes) or "none"
            raise ValueError(f"law {self.name} has no shape {unknown[0]!r}; it has: {known}")
        return {s.name: np.asarray(given.get(s.name, s.median), dtype=float) for s in self.shapes}

    def __repr__(self) -> str:
        return "\n".join(f"{name:<22} {text}" for name, text in self.summary_rows())

    def _repr_html_(self) -> str:
        rows = "".join(
            f"<tr><th>{html.escape(a)}</th><td>{html.escape(b)}</td></tr>"
            for a, b in self.summary_rows()
        )
        return f"<table>{rows}</table>"

    def summary_rows(self) -> list[tuple[str, str]]:
        """Everything about the law in words: (name, text) of each line."""
        half, zero = self.half_loss_expression, self.reaches_zero
        holds = [
            f"never rises: {'yes' if self.monotone else 'no'}",
            f"comes down to any fraction: {'yes' if zero else 'not for every shape'}",
            f"finite slope at dose 0: {'yes' if self.smooth_at_zero else 'not for every shape'}",
        ]
        shapes = [(f"shape {s.name}", s.words()) for s in self.shapes]
        return [
            ("name", self.name),
            ("title", self.title),
            ("retained fraction", self.expression),
            ("dose at fraction q", self.inverse_expression or "by root finding"),
            ("dose of half its loss", half or ("that at q = 0.5" if zero else "by root finding")),
            ("lowest level", self.plateau_expression or ("0" if zero else "by search")),
            ("floor", f"{self.floor:g}"),
            ("holds", "; ".join(holds)),
            *shapes,
            ("use", self.use),
            ("limits", self.limits),
            ("source", self.source),
        ]

    def to_dict(self) -> dict[str, Any]:
        """The law as plain types, under the names of its file."""
        return {
            "name": self.name,
            "title": self.title,
            "expression": self.expression,
            "inverse": self.inverse_expression,
            "half_loss": self.half_loss_expression,
            "plateau": self.plateau_expression,
            "floor": self.floor,
            "holds": {
                "monotone": self.monotone,
                "reaches_zero": self.reaches_zero,
                "smooth_at_zero": self.smooth_at_zero,
            },
            "shape": {s.name: {k: v for k, v in asdict(s).items() if k != "name"}
                      for s in self.shapes},
            "use": self.use,
            "limits": self.limits,
            "source": self.source,
        }  # fmt: skip
