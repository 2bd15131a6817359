"""What dose did every row receive? Fills `dose` and `hours` of a study."""

from __future__ import annotations

from typing import TYPE_CHECKING

from durability.exposure.delivery import HOUR_AXES, Delivery, delivery
from durability.study.model import Caution, Study
from durability.study.problem import Problem, StudyError

if TYPE_CHECKING:
    import xarray


def with_dose(study: Study) -> xarray.Dataset:
    """The rows of a study with ``dose`` filled, and ``hours`` where they can be told.

    Parameters
    ----------
    study : as read.

    Returns
    -------
    Dataset along ``row``: a copy of ``study.rows``. ``dose`` is in the canonical unit of each
    row's exposure (kJ/m²/nm, MJ/m² or the study's own axis) and 0 for unexposed rows; ``hours``
    are clock hours [h], nan where unknown. What this leans on is told by `delivery_cautions`.

    Raises
    ------
    StudyError : rows with hours whose exposure cannot turn them into dose.
    """
    import numpy

    rows = study.rows.copy(deep=True)
    hours = rows["hours"].values.astype(float)
    dose = rows["dose"].values.astype(float)
    names = rows["exposure"].values.astype(str)
    unexposed = (hours == 0) | (dose == 0) | (names == "")
    hours, dose = numpy.where(unexposed, 0.0, hours), numpy.where(unexposed, 0.0, dose)
    problems: list[Problem] = []
    for name, exposure in study.exposures.items():
        mine = (names == name) & ~unexposed
        needs = mine & numpy.isnan(dose)
        if exposure.axis in HOUR_AXES:
            dose = numpy.where(needs, hours, dose)
            hours = numpy.where(mine & numpy.isnan(hours), dose, hours)
            continue
        given = delivery(exposure)
        if given is None:
            if needs.any():
                problems.append(_no_dose(study, name, int(numpy.flatnonzero(needs)[0])))
            continue
        lacks_hours = mine & numpy.isnan(hours)
        dose = numpy.where(needs, given.dose(hours), dose)
        hours = numpy.where(lacks_hours, given.hours(dose), hours)
    if problems:
        raise StudyError(problems)
    rows["hours"] = rows["hours"].copy(data=hours)
    rows["dose"] = rows["dose"].copy(data=dose)
    return rows


def delivery_cautions(study: Study) -> tuple[Caution, ...]:
    """What the dose of each exposure leans on: record, gaps, assumed temperatures."""
    found: list[Caution] = []
    names = study.rows["exposure"].values.astype(str)
    hours = study.rows["hours"].values.astype(float)
    for name, exposure in study.exposures.items():
        given = delivery(exposure)
        if given is not None:
            found += [*given.notes, *_beyond(given, hours[names == name])]
    return tuple(found)


def _beyond(given: Delivery, hours) -> list[Caution]:
    import numpy

    if given.record is None:
        return []
    past = hours[numpy.isfinite(hours)] - given.record.duration
    usual = float(numpy.median(numpy.diff(given.record.clock)))
    if not past.size or past.max() <= max(usual, 1.0):
        return []
    return [
        Caution(
            name="record_ends_early",
            text=f"exposure {given.exposure}: strips were withdrawn up to {past.max():.3g} h after "
            "the chamber record ends; its mean rate is carried on",
        )
    ]


def _no_dose(study: Study, name: str, at: int) -> Problem:
    exposure = study.exposures[name]
    file = str(study.rows["file"].values[at]) if "file" in study.rows else "the table"
    line = int(study.rows["line"].values[at]) if "line" in study.rows else None
    if not exposure.is_radiant:
        expected = f"a column dose [{exposure.axis}], the axis of exposure {name}"
        mend = f"Write the exposure in {exposure.axis}."
    elif exposure.lamp == "outdoor":
        expected = "a measured dose, since hours under the open sky are not a dose"
        mend = 'Give a column dose, or write axis = "h" for this exposure in study.toml.'
    else:
        expected = f"a dose, or an irradiance for exposure {name} in study.toml"
        mend = f'Write lamp or irradiance under [exposures.{name}], or axis = "h" to stay in hours.'
    found = f"{study.rows['hours'].values[at]:g} h"
    return Problem(file=file, row=line, column="hours", found=found, expected=expected, mend=mend)
