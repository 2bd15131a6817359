"""Between which doses did each lot, strip or specimen of a study cross the fraction?

A lot's bracket runs from the highest dose whose group still holds the fraction to the lowest whose
group does not. Where a group holds at a higher dose than one that does not, the bracket is widened
to contain both. The limits of this: a group's mean has an error, which the bracket does not know;
and a lot crosses somewhere between withdrawals, wherever they were set.

A strip breaks once: it held at its dose (crossed later) or it did not (crossed before).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from durability.retention import groups
from durability.retention.cells import Cells, cells_of
from durability.study import Problem, StudyError

if TYPE_CHECKING:
    import xarray

    from durability.study import Study

Unit = Literal["lot", "strip"]
TEXT = ("material", "lot", "direction", "exposure", "specimen", "source", "remark")
FLOATS = ("fraction", "low", "high", "n")


def crossings_of(
    study: Study, fraction: float | None = None, *, unit: Unit | str = "lot"
) -> xarray.Dataset:
    """Brackets of crossing dose, one a lot, strip or inspected specimen.

    Parameters
    ----------
    study : as read.
    fraction : of the unexposed value; None takes the study's required strength, or else its first
        threshold.
    unit : ``lot``: a bracket for each material, lot, direction and exposure, from means of groups;
        ``strip``: one for each strip. Specimens of an inspections table come with both.

    Returns
    -------
    Dataset along ``unit``

        ====================  ==================================================================
        material, lot,        text
        direction, exposure
        specimen              text; ``""`` for a lot
        low, high             float [dose unit of the exposure]; 0 and inf where not bracketed
        n                     float; specimens in that state, 1 for a lot or strip
        source                text: ``groups``, ``strips`` or ``inspections``
        remark                text: names of `FLAGS` and of `durability.retention.FLAGS`
        ====================  ==================================================================

        with the fraction (nan for a required strength) and the rule as attributes. Lots and strips
        that say nothing (no group decided, no unexposed strips) are left out.

    Raises
    ------
    StudyError : nothing in the study brackets this crossing.
    """
    import xarray

    from durability.exposure import with_doses

    if unit not in ("lot", "strip"):
        raise ValueError(f'unit "{unit}" is unknown; known: lot, strip')
    if fraction is None and study.required_strength is None:
        fraction = study.thresholds[0]
    if fraction is not None and not fraction > 0:
        raise ValueError(f"fraction is {fraction}; it must lie above 0")
    study = with_doses(study)
    cells = cells_of(groups(study)) if study.rows.sizes.get("row", 0) else None
    found = _inspected(study, fraction)
    if cells is not None:
        limits = _Limits(study, cells, fraction)
        found = (_lots(cells, limits) if unit == "lot" else _strips(study, limits)) + found
    if not found:
        raise StudyError([_nothing(study, fraction, unit)])
    variables: dict[str, Any] = {
        name: ("unit", np.array([r[name] for r in found], dtype=object)) for name in TEXT
    }
    variables |= {
        name: ("unit", np.array([r[name] for r in found], dtype=float))
        for name in FLOATS
        if name != "fraction"
    }
    return xarray.Dataset(
        variables,
        attrs={
            "fraction": np.nan if fraction is None else fraction,
            "rule": "highest dose whose group holds, lowest whose group does not"
            if unit == "lot"
            else "each strip holds at its dose or does not",
        },
    )


class _Limits:
    """The value at which each material, lot and direction crosses, and whether values hold."""

    def __init__(self, study: Study, cells: Cells, fraction: float | None) -> None:
        self.fraction, self.required = fraction, study.required_strength
        self.falls = study.changes == "falls"
        self.percent = study.unit == "%"
        self.of_lot: dict[tuple[str, ...], float] = {}
        for i in np.flatnonzero((cells.dose == 0) & (cells.bound == 0) & (cells.mean > 0)):
            self.of_lot[tuple(map(str, cells.key(int(i))))] = float(cells.mean[i])

    def limit(self, key: tuple[str, ...]) -> tuple[float | None, str]:
        """The limit of a (material, lot, direction), and a remark; None where there is none."""
        if self.fraction is None:
            return self.required, ""
        if key in self.of_lot:
            return self.fraction * self.of_lot[key], ""
        kin = [v for k, v in self.of_lot.items() if (k[0], k[2]) == (key[0], key[2])]
        if kin:
            return self.fraction * float(np.exp(np.mean(np.log(kin)))), "unexposed_borrowed"
        return (self.fraction * 100, "percent_form") if self.percent else (None, "")

    def holds(self, value: float, bound: int, limit: float) -> bool | None:
        """Whether a value holds; None where a censored one does not tell."""
        good = value >= limit if self.falls else value <= limit
        # a value known only to be lower (-1) or higher (+1) decides on one side
        worse = -1 if self.falls else 1
        if bound == 0 or (bound == worse and not good) or (bound == -worse and good):
            return bool(good)
        return None


def _lots(cells: Cells, limits: _Limits) -> list[dict[str, Any]]:
    exposed = np.flatnonzero(cells.dose > 0)
    keys: dict[tuple[str, ...], list[int]] = {}
    for i in exposed:
        keys.setdefault((*map(str, cells.key(int(i))), str(cells.exposure[i])), []).append(int(i))
    found = []
    for (*key, exposure), at in keys.items():
        limit, remark = limits.limit(tuple(key))
        if limit is None:
            continue
        state = {
            float(cells.dose[i]): limits.holds(float(cells.mean[i]), int(cells.bound[i]), limit)
            for i in at
        }
        hold = [d for d, s in state.items() if s is True]
        fail = [d for d, s in state.items() if s is False]
        if not hold and not fail:
            continue
        low = max((d for d in hold if d < min(fail, default=np.inf)), default=0.0)
        high = min((d for d in fail if d > max(hold, default=0.0)), default=np.inf)
        if low == 0 and np.isinf(high):
            continue
        mixed = bool(hold and fail and max(hold) > min(fail))
        remarks = [remark] * bool(remark) + ["not_monotone"] * mixed
        found.append(_record(tuple(key), exposure, "", low, high, 1.0, "groups", remarks))
    return found


def _strips(study: Study, limits: _Limits) -> list[dict[str, Any]]:
    rows = study.rows
    usable = rows["used"].values & ~rows["summary"].values & (rows["dose"].values > 0)
    usable &= np.isfinite(rows["strength"].values)
    columns = [rows[n].values[usable] for n in ("material", "lot", "direction")]
    table = zip(
        *columns, *(rows[n].values[usable] for n in ("exposure", "specimen", "dose", "strength",
                                                     "censored")),
        strict=True,
    )  # fmt: skip
    found = []
    for material, lot, direction, exposure, specimen, dose, strength, censored in table:
        key = (str(material), str(lot), str(direction))
        limit, remark = limits.limit(key)
        if limit is None:
            continue
        state = limits.holds(float(strength), int(censored), limit)
        if state is None:
            continue
        low, high = (float(dose), np.inf) if state else (0.0, float(dose))
        remarks = [remark] if remark else []
        found.append(_record(key, str(exposure), str(specimen), low, high, 1.0, "strips", remarks))
    return found


def _inspected(study: Study, fraction: float | None) -> list[dict[str, Any]]:
    table = getattr(study, "inspections", None)
    if table is None:
        return []
    asked = table["fraction"].values.astype(float)
    mine = np.isnan(asked) if fraction is None else np.isclose(asked, fraction, rtol=1e-9)
    mine &= table["used"].values.astype(bool)
    low, high = table["dose_low"].values.astype(float), table["dose_high"].values.astype(float)
    mine &= np.isfinite(low) & ~np.isnan(high) & ((low > 0) | np.isfinite(high)) & (high > 0)
    text = [table[n].values.astype(str) for n in ("material", "lot", "direction", "exposure")]
    names, n = table["specimen"].values.astype(str), table["n"].values.astype(float)
    return [
        _record(
            (text[0][i], text[1][i], text[2][i]), text[3][i], names[i], low[i], high[i],
            max(n[i], 1.0), "inspections", [],
        )
        for i in np.flatnonzero(mine)
    ]  # fmt: skip


def _record(
    key: tuple[str, ...],
    exposure: str,
    specimen: str,
    low: float,
    high: float,
    n: float,
    source: str,
    remarks: list[str],
) -> dict[str, Any]:
    return {
        "material": key[0], "lot": key[1], "direction": key[2], "exposure": exposure,
        "specimen": specimen, "low": low, "high": high, "n": n, "source": source,
        "remark": " ".join(remarks),
    }  # fmt: skip


def _nothing(study: Study, fraction: float | None, unit: str) -> Problem:
    what = "the required strength" if fraction is None else f"{100 * fraction:g} % left"
    if unit == "strip" and study.rows.sizes.get("row", 0) and study.rows["summary"].values.all():
        return Problem(
            file="study.toml", expected=f"single strips that held or did not hold {what}",
            found="summaries of groups only", mend="Ask by lot, or give the strips.",
        )  # fmt: skip
    return Problem(
        file="study.toml",
        expected=f"exposed strips with unexposed ones to compare, or inspections, about {what}",
        mend="Add unexposed strips (hours = 0), or an inspections table.",
    )
