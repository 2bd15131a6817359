"""How much strength is left after each dose? Unexposed and retained strength as statements.

Each lot: ratio of the mean after exposure to the mean of the unexposed strips of that lot and
direction. All lots of a product: geometric mean of the lots, a lot counting once, with the t
interval of their logarithms; with one lot, that of its strips.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np

from durability.retention.cells import Cells, cells_of
from durability.retention.estimates import Estimate, estimate, stated
from durability.retention.groups import groups
from durability.retention.ratios import (
    Interval,
    fieller_interval,
    log_ratio_interval,
    mean_interval,
)
from durability.retention.response import Response, with_response
from durability.retention.unexposed import Unexposed, start_flags, unexposed_of
from durability.statement import Quantity, Statements

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from durability.study.model import Study

Method = Literal["log_ratio", "fieller"]
QUANTITIES: dict[Response, tuple[Quantity, Quantity]] = {
    "strength": ("unexposed_strength", "retained_strength"),
    "elongation": ("unexposed_elongation", "retained_elongation"),
    "stiffness": ("unexposed_stiffness", "retained_stiffness"),
}


def retained_strength(
    study: Study,
    *,
    level: float = 0.95,
    method: Method = "log_ratio",
    response: Response = "strength",
) -> Statements:
    """Unexposed strength, and strength left after every dose, with confidence intervals.

    Parameters
    ----------
    study : as read.
    level : probability of the intervals, 0 to 1.
    method : interval of a ratio of two means: ``log_ratio`` (t interval of the log ratio, Welch)
        or ``fieller``.
    response : ``strength``, or ``elongation`` at peak force or secant ``stiffness`` instead of it.

    Returns
    -------
    Statements : ``unexposed_strength`` [unit of the study] of each material, lot and direction,
        and ``retained_strength`` [1] of each exposure and dose besides; then the same of all lots
        (``of="mean"``, lot None). Where

        - strips are censored, a one-sided bound without a central value;
        - a group has one strip, the interval borrows the material's pooled scatter;
        - there are no unexposed strips, the strength left in the unit of the study, at the
          highest dose as "at least", one-sided;
        - a study is in percent, the percents divided by 100, or by the mean of its unexposed rows
          where these have a spread.

        Each says so under ``flags``; `durability.retention.FLAGS` explains the names.

    Raises
    ------
    ValueError : for a level outside 0 to 1 or an unknown method.

    Examples
    --------
    >>> from durability.study import read_study
    >>> study = read_study("examples/uv-cycles")  # in a clone
    >>> last = retained_strength(study).one(dose=120.0)
    >>> last.figures()
    '580 N, at least 270 (95 % one-sided confidence lower bound)'
    >>> "no_unexposed_strips" in last.flags
    True
    """
    if not 0 < level < 1:
        raise ValueError(f"level is {level}; it must lie between 0 and 1")
    if method not in ("log_ratio", "fieller"):
        raise ValueError(f'method "{method}" is unknown; known: log_ratio, fieller')
    study = with_response(study, response)
    cells = cells_of(groups(study))
    percent = study.unit == "%" and response == "strength"
    unexposed = _strengths(cells, np.flatnonzero(cells.dose == 0), study.unit, level)
    exposed = np.flatnonzero(cells.dose > 0)
    control = unexposed_of(cells, exposed)
    has = control.mean > 0
    if percent:
        # percents already are fractions; unexposed rows serve only to say how much they scatter
        has &= control.own & np.isfinite(control.sd)
    left = _ratios(cells, exposed[has], control.take(has), level, method)
    rest = exposed[~has]
    left += _percents(cells, rest, level) if percent else _strengths(cells, rest, study.unit, level)
    found = [] if percent else stated(cells, unexposed, QUANTITIES[response][0], level)
    return Statements([*found, *stated(cells, left, QUANTITIES[response][1], level)])


def _ratios(
    cells: Cells, at: NDArray[np.int64], control: Unexposed, level: float, method: Method
) -> list[Estimate]:
    """Retained fraction of each cell against its unexposed strips."""
    interval = log_ratio_interval if method == "log_ratio" else fieller_interval
    both: list[Interval] = []
    for sides in (2, 1):
        both.append(
            interval(
                cells.mean[at], cells.sd[at], cells.n[at], control.mean, control.sd, control.n,
                level, df1=cells.df[at], df0=control.df, sides=sides,
            )
        )  # fmt: skip
    two, one = both
    name = "log_ratio_welch" if method == "log_ratio" else "fieller"
    found = []
    for k, i in enumerate(at):
        sides = {int(cells.bound[i]), -int(control.bound[k])} - {0}
        if len(sides) > 1 or not two.value[k] > 0:
            continue  # the strength left is at most, the unexposed at most too: nothing follows
        spread = np.isfinite(cells.sd[i]) and np.isfinite(control.sd[k])
        flags = [*cells.flags(i), *control.flags[k]]
        if method == "fieller" and spread and not np.isfinite(two.low[k]):
            flags.append("fieller_unbounded")
        found.append(
            estimate(
                int(i), "1", sides.pop() if sides else 0, k, two, one,
                (name, "strips_independent"), flags, own_control=bool(control.own[k]),
            )
        )  # fmt: skip
    return found


def _strengths(cells: Cells, at: NDArray[np.int64], unit: str, level: float) -> list[Estimate]:
    """Mean strength of each cell in the unit of the study."""
    mean, sd, n, df = cells.mean[at], cells.sd[at], cells.n[at], cells.df[at]
    two = mean_interval(mean, sd, n, level, df=df)
    one = mean_interval(mean, sd, n, level, df=df, sides=1)
    assumed = ("t_of_mean", "strips_independent")
    found = []
    for k, i in enumerate(at):
        start = cells.dose[i] == 0
        flags = start_flags(cells, i) if start else (*cells.flags(i), "no_unexposed_strips")
        found.append(estimate(int(i), unit, int(cells.bound[i]), k, two, one, assumed, flags))
    return found


def _percents(cells: Cells, at: NDArray[np.int64], level: float) -> list[Estimate]:
    """Retained fractions of a study whose data are percents of the unexposed strength."""
    mean, sd, n, df = cells.mean[at] / 100, cells.sd[at] / 100, cells.n[at], cells.df[at]
    n = np.where(n > 0, n, np.nan)
    two = log_ratio_interval(mean, sd, n, 1.0, 0.0, 1.0, level, df1=df)
    one = log_ratio_interval(mean, sd, n, 1.0, 0.0, 1.0, level, df1=df, sides=1)
    assumed = ("log_ratio_welch", "strips_independent")
    return [
        estimate(
            int(i), "1", int(cells.bound[i]), k, two, one, assumed,
            (*cells.flags(i), "percent_form"),
        )
        for k, i in enumerate(at)
    ]  # fmt: skip
