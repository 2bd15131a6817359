"""What does a study folder hold? Reads study.toml, the tables and the chamber records.

Everything wrong in the folder is found in one pass and raised as one `StudyError`; what is legal
but unwise is kept as cautions.
"""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import TYPE_CHECKING, Any

from durability.study.findings import Findings
from durability.study.model import OTHER_KINDS, Caution, Study
from durability.study.problem import Problem, StudyError

if TYPE_CHECKING:
    import xarray

    from durability.study.entered import Entered
    from durability.study.toml import Description

_SUBJECT = ("material", "lot", "direction", "exposure")
_WHERE = ("laboratory", "run", "file", "line")
_ORDER: dict[str, tuple[str, ...]] = {
    "rows": (
        *_SUBJECT, "specimen", "kind", "summary", "strength", "sd", "n", "censored", "used",
        "reason", "hours", "dose", "elongation", "dose_sd", "hours_sd", "value_sd", "machine",
        "tested_on", "break_at", "curve", "width", "stiffness", *_WHERE,
    ),
    "readings": (
        *_SUBJECT, "specimen", "hours", "dose", "value", "dose_sd", "hours_sd", "value_sd",
        "censored", "used", "reason", *_WHERE,
    ),
    "inspections": (
        *_SUBJECT, "specimen", "fraction", "dose_low", "dose_high", "hours_low", "hours_high", "n",
        "used", "reason", *_WHERE,
    ),
    "declared": (
        *_SUBJECT, "hours", "dose", "retained", "strength", "sense", "n", "file", "line",
    ),
}  # fmt: skip
"""Variables of each table of a `Study`, in order."""


def read_study(folder: str | Path) -> Study:
    """Read a study folder and check it.

    Parameters
    ----------
    folder : the folder that holds study.toml.

    Returns
    -------
    Study
        Materials, exposures, question and every kind of data that the folder holds, in canonical
        units and the study's unit of strength.

    Raises
    ------
    StudyError
        With every problem of the folder, each a `Problem` with file, row, column, what was found
        and what was expected.

    Examples
    --------
    >>> try:
    ...     read_study("no such folder")
    ... except StudyError as error:
    ...     print(error.problems[0].expected)
    a folder that holds study.toml
    """
    study, findings = _read(Path(folder))
    if study is None or findings.problems:
        raise StudyError(findings.problems)
    return study


def check_study(folder: str | Path) -> tuple[list[Problem], list[Caution]]:
    """Everything that is wrong in a study folder, and everything legal but unwise.

    Never raises for bad input: an empty first list means that `read_study` will succeed.

    Examples
    --------
    >>> problems, cautions = check_study("no such folder")
    >>> len(problems), cautions
    (1, [])
    """
    _, findings = _read(Path(folder))
    return findings.problems, findings.cautions


def _read(folder: Path) -> tuple[Study | None, Findings]:
    from durability.study.toml import read_description

    findings = Findings()
    inputs: dict[str, str] = {}
    try:
        is_folder = folder.is_dir()
    except (OSError, ValueError):
        is_folder = False
    if not is_folder:
        findings.problem(
            str(folder),
            "a folder that holds study.toml",
            found="a file" if folder.name and _is_file(folder) else "no such folder",
            mend="Name the folder itself, not a file in it." if _is_file(folder) else "",
        )
        return None, findings
    description = read_description(folder, findings, inputs)
    if description is None:
        return None, findings
    kinds, entered = _tables(folder, description, findings, inputs)
    exposures = _records(folder, description, findings, inputs)
    used = {k: t for k, t in kinds.items() if k == "declared" or t["used"].any()}
    if kinds and not used:
        findings.problem(
            str(next(iter(kinds.values()))["file"][0]),
            "at least one row that is used",
            found="only rows that are blank or excluded",
            mend="Fill in what was measured; rows of withdrawals still to come may stay blank.",
        )
    study = description.study
    if findings.problems or study is None or not kinds:
        return None, findings
    from durability.study.cautions import look_for_cautions
    from durability.study.entered import entered_dataset

    rows = _joined([kinds[k] for k in ("specimens", "summaries") if k in kinds])
    others = {name: kinds[name] for name in OTHER_KINDS if name in kinds}
    look_for_cautions(rows, description, findings, others)
    unit = str(description.unit) or "1"
    return (
        Study(
            folder=folder,
            title=study.title,
            property=study.property,
            unit=unit,
            changes=study.changes,
            thresholds=study.thresholds,
            rows=_dataset("rows", rows, unit),
            readings=_other("readings", others, unit),
            inspections=_other("inspections", others, unit),
            declared=_other("declared", others, unit),
            entered=entered_dataset([*description.entered, *entered]),
            exposures=exposures,
            materials={n: m for n, m in description.materials.items() if m is not None},
            required_strength=description.required_strength,
            question=description.question,
            rules=description.rules,
            tensile=description.tensile,
            inputs=inputs,
            cautions=tuple(findings.cautions),
            invented=study.invented,
            source=study.source,
            laboratory=study.laboratory,
            front=description.front,
            choices=description.choices,
            further=description.further,
        ),
        findings,
    )


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except (OSError, ValueError):
        return False


def _tables(
    folder: Path, description: Description, findings: Findings, inputs: dict[str, str]
) -> tuple[dict[str, dict[str, Any]], list[Entered]]:
    """Variables of each kind of data that could be read, and the cells that were converted."""
    from durability.study import declared, inspections, readings, specimens, summaries
    from durability.study.bench import lay_out
    from durability.study.tables import read_table

    readers = {
        "specimens": (specimens.COLUMNS, specimens.specimen_rows),
        "summaries": (summaries.COLUMNS, summaries.summary_rows),
        "readings": (readings.COLUMNS, readings.reading_rows),
        "inspections": (inspections.COLUMNS, inspections.inspection_rows),
        "declared": (declared.COLUMNS, declared.declared_rows),
    }
    kinds: dict[str, dict[str, Any]] = {}
    entered: list[Entered] = []
    met: set[str] = set()
    for kind, (file, sheet) in description.tables.items():
        known, read = readers[kind]
        table = read_table(folder, file, findings, inputs, sheet=sheet)
        bench = lay_out(table, known, description, findings) if table is not None else None
        if bench is not None:
            kinds[kind] = read(bench)
            entered += bench.entered
            met.update(bench.columns)
    for name in description.units:
        if name not in met and not findings.problems:
            text = f"study.toml gives a unit for {name}, and no table has such a column"
            findings.caution("units_not_used", text, file="study.toml")
    return kinds, entered


def _records(
    folder: Path, description: Description, findings: Findings, inputs: dict[str, str]
) -> dict[str, Any]:
    from durability.study.outdoors import leave_out_undated
    from durability.study.record import read_record

    exposures = {}
    for name, exposure in description.exposures.items():
        if exposure is not None and exposure.record_file is not None:
            record = read_record(folder, exposure, findings, inputs)
            exposure = dataclasses.replace(exposure, record=record)
        if exposure is not None:
            exposures[name] = exposure
    return leave_out_undated(exposures)


def _joined(tables: list[dict[str, Any]]) -> dict[str, Any]:
    """Strips and summaries as one; arrays of length 0 where there are neither."""
    import numpy

    from durability.study.rows import LOOKED_AT

    names = (*_ORDER["rows"], *LOOKED_AT)
    if not tables:
        whole = ("n", "censored", "line")
        real = ("strength", "sd", "hours", "dose", "elongation", "dose_sd", "hours_sd", "value_sd",
                "width", "stiffness")  # fmt: skip
        flags = ("summary", "used", "jaw")
        types: dict[str, Any] = {n: numpy.int64 for n in whole}
        types |= dict.fromkeys(real, float) | dict.fromkeys(flags, bool)
        return {name: numpy.zeros(0, dtype=types.get(name, "<U1")) for name in names}
    return {name: numpy.concatenate([table[name] for table in tables]) for name in names}


_UNITS = {
    "hours": "h", "hours_sd": "h", "hours_low": "h", "hours_high": "h",
    "dose": "the dose_unit of each row's exposure",
    "dose_sd": "the dose_unit of each row's exposure",
    "dose_low": "the dose_unit of each row's exposure",
    "dose_high": "the dose_unit of each row's exposure",
    "elongation": "%", "fraction": "1", "retained": "1", "width": "mm",
}  # fmt: skip


def _dataset(kind: str, variables: dict[str, Any], strength_unit: str) -> xarray.Dataset:
    import xarray

    dimension = OTHER_KINDS.get(kind, "row")
    table = xarray.Dataset({name: (dimension, variables[name]) for name in _ORDER[kind]})
    units = _UNITS | dict.fromkeys(("strength", "sd", "value", "value_sd"), strength_unit)
    for name in table:
        if name in units:
            table[name].attrs["units"] = units[str(name)]
    return table


def _other(
    kind: str, others: dict[str, dict[str, Any]], strength_unit: str
) -> xarray.Dataset | None:
    return _dataset(kind, others[kind], strength_unit) if kind in others else None
