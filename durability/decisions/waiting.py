"""Which strips are still out? Those listed without a result, or of a later withdrawal."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.decisions.planned_strips import PlannedSeries

if TYPE_CHECKING:
    from durability.inference import Fit
    from durability.study import Study


@dataclass(frozen=True, slots=True, kw_only=True)
class Waiting:
    """Strips that are planned and not tested yet.

    Parameters
    ----------
    material, lot, direction, exposure : whose.
    dose : of their withdrawal [canonical unit of the exposure]; 0 for unexposed strips.
    hours : clock hours of it; nan where not given.
    strips : how many.
    """

    material: str
    lot: str
    direction: str
    exposure: str
    dose: float
    hours: float
    strips: int


def waiting_strips(study: Study) -> tuple[Waiting, ...]:
    """Strips of a study that its table lists and that have no result yet.

    Parameters
    ----------
    study : as read; the caution ``not_tested_yet`` names them.
    """
    lines = {
        (c.file, line)
        for c in study.cautions
        if c.name == "not_tested_yet"
        for line in (c.rows or ((c.row,) if c.row is not None else ()))
    }
    rows = study.rows
    at = [
        i
        for i, key in enumerate(
            zip(rows["file"].values.tolist(), rows["line"].values.tolist(), strict=True)
        )
        if (str(key[0]), int(key[1])) in lines
    ] if lines else []  # fmt: skip
    return _grouped(study, at)


def until(
    study: Study, *, hours: float | None = None, dose: float | None = None
) -> tuple[Study, tuple[Waiting, ...]]:
    """The study as it stood after a withdrawal, and the strips that were then still out.

    Parameters
    ----------
    study : as read.
    hours, dose : the withdrawal [h, or canonical unit of the exposure].

    Returns
    -------
    (study, waiting) : strips of later withdrawals are not used, and wait.

    Raises
    ------
    ValueError : no strip, or every strip, is from later.
    """
    from durability.exposure import with_dose

    if (hours is None) == (dose is None):
        raise ValueError("name one withdrawal: hours or dose")
    rows = with_dose(study)
    axis = rows["hours"].values if hours is not None else rows["dose"].values
    limit = float(hours if hours is not None else dose or 0.0) * 1.001
    used = rows["used"].values.astype(bool)
    late = used & (axis > limit)
    if not late.any() or not (used & ~late & (rows["dose"].values > 0)).any():
        raise ValueError(f"the study has no withdrawal both up to {limit / 1.001:g} and after it")
    reason = np.where(late, "blank", rows["reason"].values.astype(object))
    kept = study.rows.assign(used=("row", used & ~late), reason=("row", reason))
    waiting = (*waiting_strips(study), *_grouped(study, np.flatnonzero(late).tolist()))
    return replace(study, rows=kept), waiting


def _grouped(study: Study, at: list[int]) -> tuple[Waiting, ...]:
    """Rows as groups of strips, by dose."""
    from durability.exposure import delivery, with_dose

    if not at:
        return ()
    rows = with_dose(study)
    dose, hours = rows["dose"].values.astype(float), rows["hours"].values.astype(float)
    text = {k: rows[k].values.astype(str) for k in ("material", "lot", "direction", "exposure")}
    counted: dict[tuple[Any, ...], int] = {}
    for i in at:
        place = float(dose[i])
        given = delivery(study.exposures[text["exposure"][i]]) if text["exposure"][i] else None
        if given is not None and math.isfinite(hours[i]) and hours[i] > 0:
            place = float(hours[i]) * given.dose_per_hour  # a record may not reach so far yet
        key = (*(text[k][i] for k in text), place, float(hours[i]))
        counted[key] = counted.get(key, 0) + max(int(rows["n"].values[i]), 1)
    found = [
        Waiting(material=m, lot=lot, direction=d, exposure=x, dose=place, hours=h, strips=n)
        for (m, lot, d, x, place, h), n in counted.items()
    ]
    return tuple(sorted(found, key=lambda w: w.dose))


def planned_of(
    fit: Fit, waiting: tuple[Waiting, ...], exposure: str
) -> tuple[tuple[PlannedSeries, ...], tuple[str, ...]]:
    """Series of the strips that wait, and what of them is not counted.

    Parameters
    ----------
    fit : of the strips tested so far.
    waiting : strips still to come.
    exposure : in whose dose everything is counted.

    Raises
    ------
    ValueError : none of them can be foretold.
    """
    model = fit.model
    tested = {k[:2] for k in model.series}
    series: dict[tuple[str, ...], list[Waiting]] = {}
    unexposed: dict[tuple[str, ...], int] = {}
    left_out = []
    for w in waiting:
        key = (w.material, w.lot, w.direction, w.exposure)
        if w.dose == 0:
            unexposed[key[:3]] = unexposed.get(key[:3], 0) + w.strips
        elif key[::3] not in {k[::2] for k in model.conditions} or (
            w.direction not in fit.directions(w.material)
            or model.families[w.exposure] != model.families[exposure]
        ):
            left_out.append(
                f"{w.strips} strips of {' '.join(filter(None, key))} are not counted: no strip like"
                " them under a lamp was tested yet."
            )
        else:
            series.setdefault(key, []).append(w)
    found = []
    for key, group in series.items():
        by_dose = sorted(group, key=lambda w: w.dose)
        found.append(
            PlannedSeries(
                material=key[0], lot=key[1], direction=key[2], exposure=key[3],
                new=key[:2] not in tested, doses=tuple(w.dose for w in by_dose),
                strips=tuple(w.strips for w in by_dose), unexposed=unexposed.pop(key[:3], 0),
            )
        )  # fmt: skip
    if not found:
        raise ValueError("none of the strips that wait can be foretold: " + " ".join(left_out))
    return tuple(found), tuple(dict.fromkeys(left_out))


__all__ = ["Waiting", "planned_of", "until", "waiting_strips"]
