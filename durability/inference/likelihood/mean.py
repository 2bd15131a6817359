"""What value does a law expect at each dose, and how does it move with the parameters?

A law gives ``mean = unexposed * g0(dose / scale; shape)``; a free curve gives its formula. Each
parameter has a linear predictor over the rows, on the scale on which it is estimated (log where it
must be positive): one column where all rows share it, one a group where they do not, and a column
for each covariate. Everything is evaluated for many parameter vectors at once.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from durability.laws import Curve, Law
from durability.laws.expression import Tape

START, SCALE = "unexposed", "scale"
LOG_LIMIT = 60.0
"""Logs of positive parameters are kept within -+ this of where they started."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Block:
    """One parameter of the curve: its coefficients and the rows they act on.

    Parameters
    ----------
    name : of the parameter.
    log : estimated as a logarithm.
    coefficients : names of the coefficients, such as ``"scale[A]"``.
    columns : (n_row, n_coefficient), or None where one coefficient serves all rows.
    natural : (n_coefficient,) bool: the coefficient is a value of the parameter (not the effect
        of a covariate), so that it is shown on the natural scale.
    lower, upper : (n_coefficient,) on the scale of estimation.
    """

    name: str
    log: bool
    coefficients: tuple[str, ...]
    columns: np.ndarray | None
    natural: np.ndarray
    lower: np.ndarray
    upper: np.ndarray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Mean:
    """Expected value of every row as a function of theta.

    Parameters
    ----------
    law : the law or free curve.
    x : predictors by name, each (n_row,) or (n_series, n_row); a law has ``dose``.
    blocks : one a parameter, in the order of theta.
    log : the log of the mean is returned (lognormal errors).
    """

    law: Law | Curve
    x: dict[str, np.ndarray]
    blocks: tuple[Block, ...]
    log: bool
    tape: Tape
    places: tuple[slice, ...] = field(default=())

    @property
    def names(self) -> tuple[str, ...]:
        """Names of theta's entries."""
        return tuple(c for b in self.blocks for c in b.coefficients)

    @property
    def size(self) -> int:
        return sum(len(b.coefficients) for b in self.blocks)

    @property
    def lower(self) -> np.ndarray:
        return np.concatenate([b.lower for b in self.blocks])

    @property
    def upper(self) -> np.ndarray:
        return np.concatenate([b.upper for b in self.blocks])

    @property
    def is_log(self) -> np.ndarray:
        """(p,) bool: entries of theta that are logs of a value."""
        return np.concatenate([np.where(b.natural, b.log, False) for b in self.blocks])

    def natural(self, theta: np.ndarray) -> np.ndarray:
        """Theta as people read it: logs undone where the entry is a value of a parameter."""
        return np.where(self.is_log, np.exp(np.clip(theta, -700, 700)), theta)

    def parameters(self, theta: np.ndarray) -> dict[str, np.ndarray]:
        """Parameters row by row on the scale of estimation: each (B, 1) or (B, n_row)."""
        found = {}
        for block, place in zip(self.blocks, self.places, strict=True):
            part = theta[:, place]
            found[block.name] = part if block.columns is None else part @ block.columns.T
        return found

    def at(self, x: Mapping[str, np.ndarray], rows: Sequence[int] | np.ndarray) -> Mean:
        """The same curve at other places: row i of the new one belongs with ``rows[i]``."""
        rows = np.asarray(rows, dtype=int)
        blocks = tuple(
            b if b.columns is None else _replace_columns(b, b.columns[rows]) for b in self.blocks
        )
        points = {k: np.asarray(v, dtype=float) for k, v in x.items()}
        return Mean(
            law=self.law, x=points, blocks=blocks, log=self.log, tape=self.tape, places=self.places
        )

    def series(self, index: np.ndarray) -> Mean:
        """The rows of theta that belong to some of the series only."""
        if all(v.ndim == 1 for v in self.x.values()):
            return self
        x = {k: v if v.ndim == 1 else v[index] for k, v in self.x.items()}
        return Mean(
            law=self.law, x=x, blocks=self.blocks, log=self.log, tape=self.tape, places=self.places
        )

    def evaluate(self, theta: np.ndarray) -> np.ndarray:
        """Mean (B, n_row), or its log."""
        values = self.parameters(theta)
        if isinstance(self.law, Law):
            level = values.pop(START)
            with np.errstate(all="ignore"):
                u = self.x["dose"] * np.exp(-values.pop(SCALE))
                shape = {k: np.exp(v) for k, v in values.items()}
                curve = self.tape.evaluate({"u": u, **shape})
                if self.log:
                    floor = np.log(self.law.floor)  # the log of what is below zero is nan
                    return level + np.where(curve > floor, curve, floor)
                return np.exp(level) * np.maximum(curve, self.law.floor)
        inputs = {b.name: np.exp(values[b.name]) if b.log else values[b.name] for b in self.blocks}
        with np.errstate(all="ignore"):
            curve = np.asarray(self.tape.evaluate({**self.x, **inputs}))
            shape = np.broadcast_shapes(curve.shape, (theta.shape[0], self._rows()))
            curve = np.broadcast_to(curve, shape)
            return np.log(curve) if self.log else curve

    def slopes(self, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Mean (B, n_row) or its log, and its derivatives by theta (B, n_row, p)."""
        with np.errstate(all="ignore"):
            value, parts = (
                self._law_parts(theta) if isinstance(self.law, Law) else self._curve_parts(theta)
            )
        jacobian = np.empty((*value.shape, self.size))
        for block, place, part in zip(self.blocks, self.places, parts, strict=True):
            if block.columns is None:
                jacobian[..., place] = part[..., None] if np.ndim(part) else part
            else:
                jacobian[..., place] = np.broadcast_to(part, value.shape)[..., None] * block.columns
        return value, jacobian

    def _law_parts(self, theta: np.ndarray) -> tuple[np.ndarray, list[Any]]:
        law = self.law
        assert isinstance(law, Law)
        values = self.parameters(theta)
        level, dose = values[START], self.x["dose"]
        names = [b.name for b in self.blocks if b.name not in (START, SCALE)]
        shape = {k: np.exp(values[k]) for k in names}
        u = dose * np.exp(-values[SCALE])
        curve, slope = self.tape.slopes({"u": u, **shape}, ("u", *names))
        floor = np.log(law.floor) if self.log else law.floor
        cut = ~(curve > floor) | (u == 0)
        by_scale = np.where(cut, 0.0, -u * slope[..., 0])
        by_shape = [np.where(cut, 0.0, shape[k] * slope[..., i + 1]) for i, k in enumerate(names)]
        curve = np.where(curve > floor, curve, floor)
        if not self.log:
            start = np.exp(level)
            curve = start * curve
            by_scale = start * by_scale
            by_shape = [start * part for part in by_shape]
        else:
            curve = level + curve
        found = {START: np.ones(()) if self.log else curve, SCALE: by_scale}
        found |= dict(zip(names, by_shape, strict=True))
        return curve, [found[b.name] for b in self.blocks]

    def _curve_parts(self, theta: np.ndarray) -> tuple[np.ndarray, list[Any]]:
        values = self.parameters(theta)
        names = [b.name for b in self.blocks]
        inputs = {b.name: np.exp(values[b.name]) if b.log else values[b.name] for b in self.blocks}
        curve, slope = self.tape.slopes({**self.x, **inputs}, names)
        shape = np.broadcast_shapes(np.shape(curve), (theta.shape[0], self._rows()))
        curve = np.broadcast_to(curve, shape)
        slope = np.broadcast_to(slope, (*shape, len(names)))
        parts = [
            slope[..., i] * (inputs[b.name] if b.log else 1.0) for i, b in enumerate(self.blocks)
        ]
        if self.log:
            return np.log(curve), [p / curve for p in parts]
        return curve, parts

    def _rows(self) -> int:
        return np.broadcast_shapes(*(v.shape[-1:] for v in self.x.values()))[0]


def _replace_columns(block: Block, columns: np.ndarray) -> Block:
    return Block(
        name=block.name,
        log=block.log,
        coefficients=block.coefficients,
        columns=columns,
        natural=block.natural,
        lower=block.lower,
        upper=block.upper,
    )


def build_mean(
    law: Law | Curve,
    x: Mapping[str, np.ndarray],
    *,
    log: bool,
    groups: Sequence[str] | None = None,
    separate: Sequence[str] | None = None,
    effects: Mapping[str, Mapping[str, np.ndarray]] | None = None,
    fixed: Mapping[str, float] | None = None,
    partitions: Mapping[str, Sequence[str]] | None = None,
) -> Mean:
    """The mean of every row.

    Parameters
    ----------
    law : a law or a free curve.
    x : predictors by name, each (n_row,).
    log : work with the log of the mean.
    groups : label of each row.
    separate : parameters that each group has of its own; for a law ``unexposed`` and ``scale``
        unless said otherwise, for a free curve all.
    effects : parameter -> name of a covariate -> its value on each row, added on the scale of
        estimation.
    fixed : parameter -> known value.
    partitions : parameter -> a label of each row of its own, where parameters go by different
        groups (strength by lot, scale by product).
    """
    is_law = isinstance(law, Law)
    table: list[tuple[str, bool, float, float]] = []
    if is_law:
        table = [(START, True, -np.inf, np.inf), (SCALE, True, -np.inf, np.inf)]
        table += [
            (s.name, True, float(np.log(s.lower)), float(np.log(s.upper))) for s in law.shapes
        ]
    else:
        for p in law.parameters:
            positive = p.lower >= 0 and np.isfinite(p.lower)
            low = (
                np.log(p.lower) if positive and p.lower > 0 else (-np.inf if positive else p.lower)
            )
            table.append(
                (p.name, positive, float(low), float(np.log(p.upper)) if positive else p.upper)
            )
    names = [t[0] for t in table]
    own = tuple(separate) if separate is not None else ((START, SCALE) if is_law else tuple(names))
    effects, fixed, partitions = effects or {}, fixed or {}, partitions or {}
    for given in (*(separate or ()), *effects, *fixed, *partitions):
        if given not in names:
            raise ValueError(f"{law.name} has no parameter {given!r}; it has: {', '.join(names)}")
    blocks, places, first = [], [], 0
    for name, is_log, low, high in table:
        labels = partitions.get(name, groups if name in own else None)
        columns, coefficients = None, [name]
        if labels is not None:
            order = list(dict.fromkeys(labels))
            if len(order) > 1:
                code = np.array([order.index(g) for g in labels])
                columns = (code[:, None] == np.arange(len(order))).astype(float)
                coefficients = [f"{name}[{g}]" for g in order]
        count = len(coefficients)
        lower, upper = np.full(count, low), np.full(count, high)
        if name in fixed:
            known = np.log(fixed[name]) if is_log else fixed[name]
            lower[:], upper[:] = known, known
        natural = np.ones(count, dtype=bool)
        for covariate, values in effects.get(name, {}).items():
            extra = np.asarray(values, dtype=float)[:, None]
            columns = np.ones((extra.shape[0], 1)) if columns is None else columns
            columns = np.hstack([columns, extra])
            coefficients.append(f"{name}:{covariate}")
            natural = np.append(natural, False)
            lower, upper = np.append(lower, -np.inf), np.append(upper, np.inf)
        blocks.append(
            Block(
                name=name,
                log=is_log,
                coefficients=tuple(coefficients),
                columns=columns,
                natural=natural,
                lower=lower,
                upper=upper,
            )
        )
        places.append(slice(first, first + len(coefficients)))
        first += len(coefficients)
    tape = law.tape.log() if is_law and log else law.tape
    return Mean(
        law=law,
        x={k: np.asarray(v, dtype=float) for k, v in x.items()},
        blocks=tuple(blocks),
        log=log,
        tape=tape,
        places=tuple(places),
    )
