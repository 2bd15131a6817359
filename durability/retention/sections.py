"""What else does a technician ask under the table? Directions, controls, jaw breaks, the practice.

Each section is a title, column heads and rows of text, made of the statements and records of this
room; the terminal and the report print it as it stands.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from durability.retention.beside import against_control
from durability.retention.directions import directions_together
from durability.retention.groups import groups
from durability.retention.jaw import jaw_breaks, jaw_effect
from durability.retention.methods import method_departures, read_method
from durability.retention.response import Response, with_response
from durability.retention.sample_size import interval_factor, strips_needed
from durability.retention.strength import strip_curves
from durability.retention.table import left_in_words

if TYPE_CHECKING:
    from durability.statement import Statement
    from durability.study.model import Study


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """One small table under the table of retained strength.

    Parameters
    ----------
    name : key in the JSON document.
    title : what it answers, in words.
    columns, rows : text.
    """

    name: str
    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]

    def to_dict(self) -> dict[str, Any]:
        """The section as plain types for JSON."""
        return {
            "title": self.title,
            "rows": [dict(zip(self.columns, row, strict=True)) for row in self.rows],
        }


def sections(
    study: Study,
    *,
    level: float = 0.95,
    response: Response = "strength",
    within: float | None = None,
) -> tuple[Section, ...]:
    """The sections that a study gives cause for.

    Parameters
    ----------
    study : as read.
    level : probability of the intervals.
    response : for which property directions are put together.
    within : also how many strips each group would need for an interval ×/÷ this factor.

    Returns
    -------
    tuple of Section; those without rows are left out.
    """
    found = [
        _together(study, level, response),
        _light(study, level),
        _jaw_strips(study),
        _jaw(study, level),
        _curves(study),
        _practice(study),
    ]
    if within is not None:
        found.append(_needed(study, level, within, response))
    return tuple(s for s in found if s.rows)


def _place(study: Study, s: Statement) -> tuple[str, ...]:
    unit = study.exposures[s.exposure].dose_unit if s.exposure in study.exposures else ""
    dose = f"{s.dose:.4g} {unit}".strip() if s.dose else "unexposed"
    return s.material or "", s.lot or "all", s.exposure or "", dose


def _together(study: Study, level: float, response: Response) -> Section:
    rows = [
        (*_place(study, s), left_in_words(s))
        for s in directions_together(study, level=level, response=response)
    ]
    return Section(
        name="together", title="Machine and cross direction together (geometric mean)",
        columns=("material", "lot", "exposure", "dose", "left"), rows=tuple(rows),
    )  # fmt: skip


def _light(study: Study, level: float) -> Section:
    rows = [
        (*_place(study, s), s.direction or "", left_in_words(s),
         "control read between withdrawals" if "control_interpolated" in s.flags else "")
        for s in against_control(study, level=level)
    ]  # fmt: skip
    return Section(
        name="against_control",
        title="What light left, of what strips kept beside it without light held at the same hours",
        columns=("material", "lot", "exposure", "dose", "direction", "left by light", "remarks"),
        rows=tuple(rows),
    )


def _jaw_strips(study: Study) -> Section:
    rows = tuple(
        (
            b.material, b.lot, b.direction, b.exposure, b.specimen,
            "slipped" if b.how == "slip" else "jaw", f"{b.strength:.4g} {study.unit}",
            f"{100 * b.share_of_others:.3g} %" if b.share_of_others > 0 else "",
            "low" if b.is_low else "not low: many laboratories would keep it",
        )
        for b in jaw_breaks(study)
    )  # fmt: skip
    rule = "left out" if study.rules.jaw_breaks == "exclude" else "kept as bounds"
    return Section(
        name="jaw_breaks",
        title=f"Strips that broke at the jaw or slipped in it ({rule}, as study.toml says)",
        columns=("material", "lot", "direction", "exposure", "strip", "break", "read",
                 "of the others", "remarks"),
        rows=rows,
    )  # fmt: skip


def _jaw(study: Study, level: float) -> Section:
    rows = tuple(
        (
            *_place(study, e.subject), e.subject.direction or "",
            *("" if s is None else left_in_words(s) for s in (e.excluded, e.at_least, e.as_read)),
        )
        for e in jaw_effect(study, level=level)
    )  # fmt: skip
    return Section(
        name="jaw_effect", title="What each rule on such strips makes of what is left",
        columns=("material", "lot", "exposure", "dose", "direction", "left out", "kept as bounds",
                 "as read"),
        rows=rows,
    )  # fmt: skip


def _curves(study: Study) -> Section:
    rows = []
    for c in strip_curves(study):
        s = c.strip
        strain = f"{100 * s.strain_at_peak:.3g} %" if s.strain_at_peak > 0 else ""
        stiffness = ", ".join(f"{k:.4g} at {100 * e:g} %" for e, k in s.stiffness.items())
        rows.append(
            (c.specimen or s.name, c.path, f"{s.peak_force:g} N", f"{s.extension_at_peak:g} mm",
             strain, f"{s.energy_to_peak:.4g} J", f"{s.slack:.3g} mm", f"{s.zero:.3g} N", stiffness,
             ", ".join(s.flags).replace("_", " "))
        )  # fmt: skip
    return Section(
        name="curves", title="Curves",
        columns=("strip", "curve", "peak", "at", "strain", "energy", "slack", "zero", "stiffness",
                 "remarks"),
        rows=tuple(rows),
    )  # fmt: skip


def _practice(study: Study) -> Section:
    name = study.tensile.method
    title = "" if name is None else read_method(name).title
    rows = tuple((d.what, d.done, d.asked, d.source) for d in method_departures(study))
    return Section(
        name="practice", title=f"Departures from the practice ({title})",
        columns=("what", "done", "asked", "source"), rows=rows,
    )  # fmt: skip


def _needed(study: Study, level: float, within: float, response: Response) -> Section:
    """Strips that each exposed group would need at its scatter, with as many unexposed ones."""
    table = groups(with_response(study, response))
    columns = {n: table[n].values.tolist() for n in table.data_vars}
    starts = {
        tuple(columns[k][g] for k in ("material", "lot", "direction")): (columns["cv"][g],
                                                                      columns["n"][g])
        for g in range(table.sizes["group"]) if columns["dose"][g] == 0
    }  # fmt: skip
    rows = []
    for g in range(table.sizes["group"]):
        key = tuple(columns[k][g] for k in ("material", "lot", "direction"))
        cv, n, dose = columns["cv"][g], columns["n"][g], columns["dose"][g]
        cv0, n0 = starts.get(key, (0.0, 0))
        if not dose or not (cv > 0 and cv0 > 0 and n > 1 and n0 > 1):
            continue
        unit = study.exposures[columns["exposure"][g]].dose_unit
        now = interval_factor(cv, n, cv0, n0, level=level)
        need = strips_needed(cv, within, cv_unexposed=cv0, level=level)
        sure = strips_needed(cv, within, cv_unexposed=cv0, level=level, assurance=0.9)
        rows.append(
            (*(str(k) for k in key), columns["exposure"][g], f"{dose:.4g} {unit}", str(n),
             f"×/÷ {now:.3f}", str(need), str(sure))
        )  # fmt: skip
    return Section(
        name="strips_needed",
        title=f"Strips of each group, and as many unexposed, for an interval within ×/÷ {within:g}",
        columns=("material", "lot", "direction", "exposure", "dose", "n", "interval now", "needed",
                 "needed at 90 % assurance"),
        rows=tuple(rows),
    )  # fmt: skip
