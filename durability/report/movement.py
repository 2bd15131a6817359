"""Which statements moved between two results, and by how much?

A shift is told in half-widths of the earlier interval: at 1 the new value lies on the edge of what
was said before. Nothing is estimated here; both numbers are read as they were stated.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Literal

from durability.statement import Statement

Kind = Literal["moved", "reworded", "new", "gone"]

_NUMBERS = ("value", "low", "high")
_ABOUT = ("unit", "level", "sides", "kind", "extrapolated", "probability", "assumptions", "flags")


@dataclass(frozen=True, slots=True, kw_only=True)
class Movement:
    """One statement that is not the same in two results.

    Parameters
    ----------
    id : of the statement.
    kind : ``"moved"`` where a number that is quoted differs; ``"reworded"`` where the quoted
        numbers agree and something behind them differs (unrounded digits, an assumption, a flag);
        ``"new"`` or ``"gone"`` where one of the results does not state it.
    before, after : the statement in each, None where it is not stated.
    shift : change of the value in half-widths of the earlier interval; None where one of them has
        no value or the earlier one no interval.
    differs : names of the fields that differ.
    """

    id: str
    kind: Kind
    before: Statement | None
    after: Statement | None
    shift: float | None = None
    differs: tuple[str, ...] = ()

    def words(self) -> str:
        """What happened to it, in one line."""
        if self.before is None or self.after is None:
            said = self.after or self.before
            assert said is not None
            return f"{'only in the second' if self.before is None else 'only in the first'}: " \
                   f"{said.figures()}"  # fmt: skip
        if self.kind == "reworded":
            fields = [f for f in self.differs if f not in _NUMBERS]
            about = ", ".join(fields) if fields else "digits that are not quoted"
            return f"{self.after.figures()}: the same as quoted; {about} differ"
        by = "" if self.shift is None else f", by {self.shift:+.2g} half-widths"
        return f"{self.before.figures()} became {self.after.figures()}{by}"

    def to_dict(self) -> dict[str, Any]:
        """The record as plain types for JSON."""
        return {
            "id": self.id,
            "kind": self.kind,
            "before": None if self.before is None else self.before.to_dict(),
            "after": None if self.after is None else self.after.to_dict(),
            "shift": self.shift,
            "differs": list(self.differs),
        }


def movements(before: Iterable[Statement], after: Iterable[Statement]) -> tuple[Movement, ...]:
    """Statements that differ between two results, by their ids, the largest shift first.

    Examples
    --------
    >>> old = Statement(quantity="threshold_dose", unit="kJ/m²", value=100., low=90., high=110.)
    >>> new = Statement(quantity="threshold_dose", unit="kJ/m²", value=105., low=95., high=116.)
    >>> [(m.kind, m.shift) for m in movements([old], [new])]
    [('moved', 0.5)]
    >>> movements([old], [old])
    ()
    """
    first, second = {s.id: s for s in before}, {s.id: s for s in after}
    found = [
        _movement(name, first.get(name), second.get(name))
        for name in [*first, *(n for n in second if n not in first)]
        if first.get(name) != second.get(name)
    ]
    return tuple(sorted(found, key=_size))


def _size(m: Movement) -> tuple[int, float]:
    order = ("moved", "new", "gone", "reworded")
    return order.index(m.kind), -abs(m.shift or 0.0)


def _movement(name: str, before: Statement | None, after: Statement | None) -> Movement:
    if before is None or after is None:
        return Movement(id=name, kind="new" if before is None else "gone", before=before,
                        after=after)  # fmt: skip
    differs = tuple(f for f in (*_NUMBERS, *_ABOUT) if getattr(before, f) != getattr(after, f))
    same = before.figures() == after.figures()
    return Movement(
        id=name, kind="reworded" if same else "moved", before=before, after=after,
        shift=_shift(before, after), differs=differs,
    )  # fmt: skip


def _shift(before: Statement, after: Statement) -> float | None:
    """Change of the value, or of the one limit of a bound, over half the earlier interval."""
    if before.unit != after.unit or before.value is None or after.value is None:
        return None
    if before.low is not None and before.high is not None:
        half = (before.high - before.low) / 2
    else:
        limit = before.low if before.low is not None else before.high
        half = 0.0 if limit is None else abs(before.value - limit)
    return (after.value - before.value) / half if half > 0 else None
