"""Do the crossing view and the degradation model say the same? Pairs of statements, compared."""

from __future__ import annotations

import math
from dataclasses import dataclass

from durability.statement import Statement, Statements

SUBJECT = ("quantity", "material", "lot", "direction", "exposure", "of", "fraction", "unit")


@dataclass(frozen=True, slots=True, kw_only=True)
class Disagreement:
    """Two statements of one thing that do not fit together.

    Parameters
    ----------
    first, second : the statements.
    flag : ``views_disagree`` where their intervals share no dose, ``views_apart`` where they
        overlap but the value of one lies outside the interval of the other; explained in `FLAGS`.
    """

    first: Statement
    second: Statement
    flag: str

    def __str__(self) -> str:
        s = self.first
        who = ", ".join(x for x in (s.material, s.lot, s.direction, s.exposure) if x)
        word = "excludes" if self.flag == "views_disagree" else "lies apart from"
        return f"{who}: {s.figures()} {word} {self.second.figures()}"


def disagreement(a: Statements, b: Statements) -> tuple[Disagreement, ...]:
    """The pairs of statements about one thing that do not fit together; none where all do.

    Both views come from the same strips, so intervals that exclude each other are no accident of
    the draw. A bound excludes only what lies wholly beyond it.

    Parameters
    ----------
    a, b : statements, such as `fit_study` and ``Fit.threshold_dose`` give; those of one material,
        lot, direction, exposure, subject and fraction are compared.

    Examples
    --------
    >>> one = Statement(quantity="threshold_dose", unit="h", of="mean", material="A", value=100.0,
    ...     low=80.0, high=120.0)
    >>> two = Statement(quantity="threshold_dose", unit="h", of="mean", material="A", value=150.0,
    ...     low=130.0, high=180.0, kind="confidence")
    >>> [d.flag for d in disagreement(Statements([one]), Statements([two]))]
    ['views_disagree']
    """
    known = {_subject(s): s for s in b if s.quantity == "threshold_dose"}
    found = []
    for first in a:
        second = known.get(_subject(first))
        if second is None:
            continue
        (low1, high1), (low2, high2) = _interval(first), _interval(second)
        if high1 < low2 or high2 < low1:
            found.append(Disagreement(first=first, second=second, flag="views_disagree"))
        elif _outside(first.value, low2, high2) or _outside(second.value, low1, high1):
            found.append(Disagreement(first=first, second=second, flag="views_apart"))
    return tuple(found)


def _subject(s: Statement) -> tuple:
    return tuple(getattr(s, name) for name in SUBJECT)


def _interval(s: Statement) -> tuple[float, float]:
    return (0.0 if s.low is None else s.low, math.inf if s.high is None else s.high)


def _outside(value: float | None, low: float, high: float) -> bool:
    return value is not None and not low <= value <= high
