"""What dose did every row receive? Fills `dose` and `hours` of a study, of every kind of data."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING

from durability.exposure.delivery import HOUR_AXES, Delivery, delivery
from durability.study.model import Caution, Exposure, Study
from durability.study.problem import Problem, StudyError

if TYPE_CHECKING:
    import xarray
    from numpy.typing import NDArray

_SIDES = {"inspections": ("_low", "_high")}
"""Suffixes of ``hours`` and ``dose`` where a row has two places."""


def with_dose(study: Study) -> xarray.Dataset:
    """The rows of a study with ``dose`` filled, and ``hours`` where they can be told.

    Parameters
    ----------
    study : as read.

    Returns
    -------
    Dataset along ``row``: a copy of ``study.rows``. ``dose`` is in the canonical unit of each
    row's exposure (kJ/m²/nm, MJ/m² or the study's own axis) and 0 for unexposed rows; ``hours``
    are clock hours [h], nan where unknown; ``dose_sd`` and ``hours_sd`` are filled from each other
    where a place was read off a figure. What this leans on is told by `delivery_cautions`.

    Raises
    ------
    StudyError : rows with hours whose exposure cannot turn them into dose.
    """
    problems: list[Problem] = []
    rows = _filled(study, study.rows, "", problems)
    if problems:
        raise StudyError(problems)
    return rows


def with_doses(study: Study) -> Study:
    """A study whose every kind of data has its dose, and its hours where they can be told.

    Parameters
    ----------
    study : as read.

    Returns
    -------
    Study: a copy with `rows` as `with_dose` gives them, and `readings`, `inspections` (low and
    high; 0 and inf stay) and `declared` likewise.

    Raises
    ------
    StudyError : rows with hours whose exposure cannot turn them into dose, of all kinds at once.

    Examples
    --------
    >>> from durability.study import read_study
    >>> study = with_doses(read_study("examples/data-sheet"))  # in a clone
    >>> study.declared["dose"].values.tolist()
    [0.0, 630.0, 630.0]
    """
    problems: list[Problem] = []
    filled = {"rows": _filled(study, study.rows, "", problems)}
    for kind, table in study.others().items():
        for suffix in _SIDES.get(kind, ("",)):
            table = _filled(study, table, suffix, problems)
        filled[kind] = table
    if problems:
        raise StudyError(problems)
    return dataclasses.replace(study, **filled)


def _filled(
    study: Study, table: xarray.Dataset, suffix: str, problems: list[Problem]
) -> xarray.Dataset:
    """A copy of a table with dose and hours filled; rows without a way to dose are problems."""
    import numpy

    table = table.copy(deep=True)
    hours_name, dose_name = f"hours{suffix}", f"dose{suffix}"
    hours = table[hours_name].values.astype(float)
    dose = table[dose_name].values.astype(float)
    names = table["exposure"].values.astype(str)
    unexposed = (hours == 0) | (dose == 0) | (names == "")
    hours, dose = numpy.where(unexposed, 0.0, hours), numpy.where(unexposed, 0.0, dose)
    never = numpy.isinf(hours) | numpy.isinf(dose)
    hours, dose = numpy.where(never, numpy.inf, hours), numpy.where(never, numpy.inf, dose)
    sd = {
        name: table[name].values.astype(float)
        for name in ("hours_sd", "dose_sd")
        if name in table and not suffix
    }
    for name, exposure in study.exposures.items():
        mine = (names == name) & ~unexposed & ~never
        if not mine.any():
            continue
        needs = mine & numpy.isnan(dose)
        lacks_hours = mine & numpy.isnan(hours)
        if exposure.axis in HOUR_AXES:
            dose = numpy.where(needs, hours, dose)
            hours = numpy.where(lacks_hours, dose, hours)
            _same_error(sd, mine)
            continue
        given = delivery(exposure)
        if given is None:
            if needs.any():
                at = int(numpy.flatnonzero(needs)[0])
                problems.append(_no_dose(study, table, hours_name, name, at))
            continue
        dose[needs] = given.dose(hours[needs])
        hours[lacks_hours] = given.hours(dose[lacks_hours])
        if sd:
            _fill_errors(sd, given, mine, hours, dose)
    for name, values in ((hours_name, hours), (dose_name, dose), *sd.items()):
        table[name] = table[name].copy(data=values)
    return table


def _same_error(sd: dict[str, NDArray], mine: NDArray) -> None:
    """On an axis of hours an error of the one is an error of the other."""
    import numpy

    if sd:
        for name, other in (("dose_sd", "hours_sd"), ("hours_sd", "dose_sd")):
            lacks = mine & numpy.isnan(sd[name])
            sd[name] = numpy.where(lacks, sd[other], sd[name])


def _fill_errors(
    sd: dict[str, NDArray], given: Delivery, mine: NDArray, hours: NDArray, dose: NDArray
) -> None:
    """An error of hours as one of dose and back, by the mean dose an hour over plus and minus it.

    Near the start the lower end stops at 0.
    """
    import numpy

    for known, wanted, place, read in (
        ("hours_sd", "dose_sd", hours, given.dose),
        ("dose_sd", "hours_sd", dose, given.hours),
    ):
        at = mine & numpy.isfinite(sd[known]) & numpy.isnan(sd[wanted])
        if not at.any():
            continue
        error, middle = sd[known][at], place[at]
        low = numpy.maximum(middle - error, 0.0)
        width = middle + error - low
        sd[wanted][at] = error * (read(middle + error) - read(low)) / width


def delivery_cautions(study: Study) -> tuple[Caution, ...]:
    """What the dose of each exposure leans on: record, gaps, assumed temperatures; and where the
    chamber, or the study's settings, left the practice."""
    from durability.exposure.chamber import chamber
    from durability.exposure.departures import departure_cautions

    found: list[Caution] = list(departure_cautions(study))
    for name, exposure in study.exposures.items():
        if exposure.site is not None:
            found.append(_usual_year(exposure))
        given = delivery(exposure)
        if given is not None:
            found += [*given.notes, *_beyond(given, _hours_under(study, name))]
            if given.record is not None:
                found += [c for c in chamber(exposure).cautions if c not in given.notes]
    return tuple(found)


def _usual_year(exposure: Exposure) -> Caution:
    return Caution(
        name="outdoor_weather_of_a_usual_year",
        text=f"exposure {exposure.name}: light and heat are those of the weather of "
        f"{exposure.site} from {exposure.laid} on (its usual year where its file does not hold "
        "those days), not measured where the strips lay; water is not counted, nor ground hotter "
        "than a rack",
    )


def _hours_under(study: Study, exposure: str) -> NDArray:
    """The hours that rows of any kind spent under one exposure; nan where not given."""
    import numpy

    found = []
    for kind, table in {"rows": study.rows, **study.others()}.items():
        mine = table["exposure"].values.astype(str) == exposure
        for suffix in _SIDES.get(kind, ("",)):
            found.append(table[f"hours{suffix}"].values.astype(float)[mine])
    return numpy.concatenate(found)


def _beyond(given: Delivery, hours: NDArray) -> list[Caution]:
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


def _no_dose(study: Study, table: xarray.Dataset, column: str, name: str, at: int) -> Problem:
    exposure = study.exposures[name]
    file = str(table["file"].values[at]) if "file" in table else "the table"
    line = int(table["line"].values[at]) if "line" in table else None
    if not exposure.is_radiant:
        expected = f"a column dose [{exposure.axis}], the axis of exposure {name}"
        mend = f"Write the exposure in {exposure.axis}."
    elif exposure.lamp == "outdoor":
        expected = "a measured dose, since hours under the open sky are not a dose"
        mend = 'Give a column dose, or write axis = "h" for this exposure in study.toml.'
    else:
        expected = f"a dose, or an irradiance for exposure {name} in study.toml"
        mend = f'Write lamp or irradiance under [exposures.{name}], or axis = "h" to stay in hours.'
    found = f"{table[column].values[at]:g} h"
    return Problem(file=file, row=line, column=column, found=found, expected=expected, mend=mend)
