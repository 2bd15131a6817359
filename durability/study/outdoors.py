"""Where, from which day and how did strips lie in the open? Outdoor exposures and their dates.

An outdoor exposure that names its site is counted in days from the day of laying; dose and
temperature need not be recorded, since the site's weather supplies them. Strips laid on different
days have had different weather: each day of laying is an exposure of its own.
"""

from __future__ import annotations

import dataclasses
import datetime
from pathlib import Path
from typing import Any

from durability import catalogue
from durability.study import schema
from durability.study.bench import Bench
from durability.study.checked import FILE, as_written
from durability.study.dates import read_days
from durability.study.findings import Findings, near
from durability.study.model import Exposure
from durability.units import UnitError, unit

OUTDOOR = "outdoor"
OF_A_SITE = frozenset(("site", "laid", "slope", "azimuth", "on_ground"))
_OF_A_LAMP = (
    "protocol", "irradiance", "irradiance_uncertainty", "at", "cycle", "black_panel", "air",
    "humidity", "record", "calibrations", "spectrum",
)  # fmt: skip


def refuse_outdoor_keys(name: str, table: schema.ExposureTable, findings: Findings) -> bool:
    """Note keys of an outdoor exposure under a lamp; True where there are any."""
    given = [key for key in sorted(OF_A_SITE) if key in table.model_fields_set]
    for key in given:
        findings.problem(
            FILE,
            f'{key} only where lamp = "{OUTDOOR}"',
            found=as_written(getattr(table, key)),
            column=f"exposures.{name}.{key}",
            mend=f'Write lamp = "{OUTDOOR}", or remove the line.',
        )
    return bool(given)


def sited_exposure(
    name: str, table: schema.ExposureTable, folder: Path, findings: Findings
) -> Exposure | None:
    """The outdoor exposure of a table [exposures.NAME] that names its site; None after a problem.

    Parameters
    ----------
    folder : the study folder, in which a weather file of the study's own may lie.
    """
    path, before = f"exposures.{name}", len(findings.problems)
    for key in _OF_A_LAMP:
        if key in table.model_fields_set:
            findings.problem(
                FILE,
                f"no {key} beside a site, whose weather supplies light and heat",
                found=as_written(getattr(table, key)),
                column=f"{path}.{key}",
                mend="Remove the line. Where a dose was measured outdoors, leave out the site.",
            )
    if table.site is None:
        key = next(key for key in sorted(OF_A_SITE) if key in table.model_fields_set)
        findings.problem(
            FILE,
            f"a site beside {key}",
            column=f"{path}.site",
            mend='Write site = "NAME": a name of models/sites, or a weather file in the folder.',
        )
        return None
    known = catalogue.names("sites")
    if table.site not in known and not (folder / table.site).is_file():
        findings.problem(
            FILE,
            "a name of models/sites, or a file in the study folder",
            found=table.site,
            column=f"{path}.site",
            mend=near(table.site, known),
        )
    axis = table.axis or "days"
    try:
        unit(axis, "time")
    except UnitError:
        findings.problem(
            FILE,
            "days, or another unit of time",
            found=axis,
            column=f"{path}.axis",
            mend="Strips at a site are counted by the time they lay there.",
        )
    if len(findings.problems) > before:
        return None
    return Exposure(
        name=name,
        lamp=OUTDOOR,
        axis=axis,
        dose_unit=axis,
        site=table.site,
        laid=None if table.laid is None else str(table.laid),
        slope=table.slope,
        azimuth=table.azimuth,
        on_ground=table.on_ground,
    )


def withdrawn_after(bench: Bench, exposures: Any) -> Any:
    """Hours from laying to withdrawal [h] where both are dates; nan where they are not given.

    Dates are whole days; strips withdrawn on the day of laying were not exposed.
    """
    import numpy

    hours = numpy.full(bench.size, numpy.nan)
    if "withdrawn" not in bench.columns:
        return hours
    ends, starts = read_days(bench, "withdrawn"), laid_days(bench, exposures)
    sited = numpy.isin(exposures, list(_sited(bench)))
    bench.refuse(
        (ends != "") & ~sited & (exposures != ""),
        "withdrawn",
        "a date of withdrawal only for an outdoor exposure that names its site",
        mend="Give the hours or the dose.",
    )
    for i in numpy.flatnonzero((ends != "") & (starts != "") & sited):
        day = datetime.date.fromisoformat
        hours[i] = 24.0 * (day(str(ends[i])) - day(str(starts[i]))).days
    bench.refuse(hours < 0, "withdrawn", "a day no earlier than the day of laying")
    return numpy.where(hours < 0, numpy.nan, hours)


def laid_days(bench: Bench, exposures: Any) -> Any:
    """The day of laying of every row in ISO 8601: its column, else its exposure's; else blank."""
    import numpy

    own = read_days(bench, "laid")
    usual = {n: e.laid or "" for n, e in _sited(bench).items()}
    general = numpy.array([usual.get(x, "") for x in exposures.tolist()], dtype="<U10")
    return numpy.where(own != "", own, general)


def by_day_of_laying(bench: Bench, exposures: Any, start: Any) -> Any:
    """The exposure of every row, one for each day of laying; new ones join the description.

    Parameters
    ----------
    exposures : names as written.
    start : rows before any exposure, which need no day of laying.
    """
    import numpy

    described, sited = bench.description.exposures, _sited(bench)
    if not sited and "laid" not in bench.columns:
        return exposures
    names, days = exposures.astype(object), laid_days(bench, exposures)
    mine = numpy.isin(exposures, list(sited))
    bench.refuse(
        (bench.text("laid") != "") & ~mine & (exposures != ""),
        "laid",
        "a day of laying only for an outdoor exposure that names its site",
        mend="Leave it blank under a lamp.",
    )
    for i in numpy.flatnonzero(mine):
        exposure, day = sited[str(exposures[i])], str(days[i])
        if day in ("", exposure.laid):
            continue
        name = f"{exposure.name} laid {day}"
        described.setdefault(name, dataclasses.replace(exposure, name=name, laid=day))
        names[i] = name
    bench.refuse(
        mine & (days == "") & ~start,
        "laid",
        "the day of laying of strips in the open",
        mend='Write laid = "2031-05-14" under the exposure in study.toml, or give a column laid.',
        found=numpy.full(bench.size, ""),
    )
    names[mine & start & (days == "")] = ""
    return numpy.array(names.tolist(), dtype=str)


def leave_out_undated(exposures: dict[str, Exposure]) -> dict[str, Exposure]:
    """Without outdoor exposures whose every row has a day of laying, and so a name, of its own."""
    split = {n.rpartition(" laid ")[0] for n, e in exposures.items() if e.site and e.laid}
    return {n: e for n, e in exposures.items() if not (e.site and e.laid is None and n in split)}


def _sited(bench: Bench) -> dict[str, Exposure]:
    return {n: e for n, e in bench.description.exposures.items() if e is not None and e.site}


__all__ = [
    "OF_A_SITE",
    "OUTDOOR",
    "by_day_of_laying",
    "laid_days",
    "leave_out_undated",
    "refuse_outdoor_keys",
    "sited_exposure",
    "withdrawn_after",
]
