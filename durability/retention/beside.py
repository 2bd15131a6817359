"""What did the light do, and what the rest? Exposed strips beside controls kept without light.

A control shares heat (and, in the dark, water) with an exposure and gets no light. At the same
hours, with E the exposed strips and C the control's,

    E / unexposed = (E / C) · (C / unexposed):   all of it = light · heat and water

`against_control` states E / C; `retained_strength` states the other two. Where the control was not
withdrawn at the same hours, its strength is read between the withdrawals on either side (the
unexposed strips are the first), straight on log strength against hours; never beyond the last.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from durability.retention.cells import Cells, cells_of
from durability.retention.estimates import Estimate, stated
from durability.retention.groups import groups
from durability.retention.ratios import log_sum_interval
from durability.statement import Statements

if TYPE_CHECKING:
    from durability.study.model import Study

SAME_HOURS = 0.01
"""Hours that differ by less than this share count as the same withdrawal."""


def against_control(study: Study, *, level: float = 0.95) -> Statements:
    """Strength after light as a fraction of that of the control kept beside it without light.

    Parameters
    ----------
    study : as read; its exposures name their controls (``control`` and ``of`` in study.toml).
    level : probability of the intervals, 0 to 1.

    Returns
    -------
    Statements of ``strength_against_control`` [1], one a material, lot, direction, exposure and
    dose that has a control at its hours (in the dark where there is one, else in heat alone), then
    of the lots together. Empty without controls. Below 1 light took strength; near 1 the loss is
    that of heat and water.

    Raises
    ------
    ValueError : for a level outside 0 to 1.
    """
    if not 0 < level < 1:
        raise ValueError(f"level is {level}; it must lie between 0 and 1")
    beside = {x.name: x.control_of for x in study.exposures.values() if x.control_of}
    if not beside:
        return Statements([])
    cells = cells_of(groups(study))
    places: dict[tuple[Any, ...], list[int]] = {}
    for j in np.flatnonzero(cells.bound == 0).tolist():
        places.setdefault(cells.key(j), []).append(j)
    found = []
    for i in np.flatnonzero((cells.dose > 0) & np.isfinite(cells.hours)).tolist():
        controls = [name for name, of in beside.items() if of == cells.exposure[i]]
        # a control in the dark shares the water too, so it comes before one in heat alone
        for name in sorted(controls, key=lambda c: study.exposures[c].control != "dark"):
            assumed = "control_alike" if study.exposures[name].control == "dark" else "control_heat"
            at = np.array(places.get(cells.key(i), []), dtype=int)
            if (e := _against(cells, i, at, name, level, assumed)) is not None:
                found.append(e)
                break
    return Statements(stated(cells, found, "strength_against_control", level))


def _against(
    cells: Cells, i: int, at: Any, control: str, level: float, assumed: str
) -> Estimate | None:
    """One exposed cell against a control at its hours; None where the control has none.

    `at` are the measured cells of its material, lot and direction.
    """
    at = at[(cells.exposure[at] == control) | (cells.dose[at] == 0)]
    at = at[np.argsort(cells.hours[at])]
    hours, here = cells.hours[at], cells.hours[i]
    near = np.flatnonzero(np.abs(hours - here) <= SAME_HOURS * here)
    flags = list(cells.flags(i))
    if near.size:
        weights = {int(at[near[0]]): 1.0}
    else:
        after = int(np.searchsorted(hours, here))
        if after == 0 or after == hours.size:
            return None
        share = (here - hours[after - 1]) / (hours[after] - hours[after - 1])
        weights = {int(at[after - 1]): 1 - share, int(at[after]): share}
        flags.append("control_interpolated")
    side = int(cells.bound[i])
    terms = {i: 1.0, **{j: -w for j, w in weights.items()}}
    places = np.array(list(terms))
    two, one = (
        log_sum_interval(
            np.array(list(terms.values())), cells.mean[places], cells.sd[places],
            cells.n[places], cells.df[places], level, sides=sides,
        )
        for sides in (2, 1)
    )  # fmt: skip
    flags += [f for j in weights for f in cells.flags(j)]
    return Estimate(
        cell=i, unit="1", side=side, value=float(two.value),
        two=(float(two.low), float(two.high)), one=(float(one.low), float(one.high)),
        assumptions=("log_ratio_welch", "strips_independent", assumed),
        flags=tuple(dict.fromkeys(flags)),
    )  # fmt: skip
