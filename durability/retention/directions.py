"""How much is left in machine and cross direction together? One number of both, and the worse.

Together: the geometric mean of the two fractions left, each against the unexposed strips of its own
direction, with the t interval of its logarithm. It is a summary: a fabric is as good as its worse
direction, which `worse_direction` names.
"""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.retention.cells import cells_of
from durability.retention.estimates import Estimate, stated
from durability.retention.groups import groups
from durability.retention.ratios import log_sum_interval
from durability.retention.response import Response, with_response
from durability.retention.retained import QUANTITIES, retained_strength
from durability.statement import Statement, Statements

if TYPE_CHECKING:
    from durability.study.model import Study


def directions_together(
    study: Study, *, level: float = 0.95, response: Response = "strength"
) -> Statements:
    """Fraction left in machine and cross direction together, with confidence intervals.

    Parameters
    ----------
    study : as read.
    level : probability of the intervals, 0 to 1.
    response : ``strength``, ``elongation`` or ``stiffness``.

    Returns
    -------
    Statements of the fraction left [1] without a direction, one a material, lot, exposure and dose
    at which both directions were measured and have unexposed strips of their own; then of the lots
    together.

    Raises
    ------
    ValueError : for a level outside 0 to 1.
    """
    if not 0 < level < 1:
        raise ValueError(f"level is {level}; it must lie between 0 and 1")
    cells = cells_of(groups(with_response(study, response)))
    place: dict[tuple[Any, ...], int] = {}
    for i in range(len(cells)):
        exposure = cells.exposure[i] if cells.dose[i] else ""
        place[(cells.material[i], cells.lot[i], exposure, cells.dose[i], cells.direction[i])] = i
    found = []
    for (material, lot, exposure, dose, direction), i in place.items():
        if direction != "machine" or not dose:
            continue
        four = [
            place.get((material, lot, x, d, way))
            for way in ("machine", "cross")
            for x, d in ((exposure, dose), ("", 0.0))
        ]
        at = np.array([j for j in four if j is not None])
        if at.size < 4 or cells.bound[at].any():
            continue
        signs = np.array([0.5, -0.5, 0.5, -0.5])
        two, one = (
            log_sum_interval(
                signs, cells.mean[at], cells.sd[at], cells.n[at], cells.df[at], level, sides=s
            )
            for s in (2, 1)
        )
        flags = dict.fromkeys(f for j in at.tolist() for f in cells.flags(j))
        found.append(
            Estimate(
                cell=i, unit="1", side=0, value=float(two.value),
                two=(float(two.low), float(two.high)), one=(float(one.low), float(one.high)),
                assumptions=("directions_together", "strips_independent"), flags=tuple(flags),
            )
        )  # fmt: skip
    plain = dataclasses.replace(cells, direction=np.full(len(cells), "", dtype=object))
    return Statements(stated(plain, found, QUANTITIES[response][1], level))


def worse_direction(study: Study, *, level: float = 0.95) -> tuple[Statement, ...]:
    """Of each material, exposure and dose, the statement of the direction with less left.

    Parameters
    ----------
    study : as read.
    level : probability of the intervals.

    Returns
    -------
    tuple of Statement : mean of the lots (or the one lot) where both directions have a value.
    """
    by_place: dict[tuple[Any, ...], list[Statement]] = {}
    for s in retained_strength(study, level=level).where(of="mean", unit="1"):
        if s.value is not None and s.direction:
            by_place.setdefault((s.material, s.exposure, s.dose), []).append(s)
    both = [pair for pair in by_place.values() if len(pair) > 1]
    return tuple(min(pair, key=lambda s: s.value or 0.0) for pair in both)
