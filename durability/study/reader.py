"""What does a study folder hold? Reads study.toml, the tables and the chamber records.

Everything wrong in the folder is found in one pass and raised as one `StudyError`; what is legal
but unwise is kept as cautions.
"""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import TYPE_CHECKING, Any

from durability.study.findings import Findings
from durability.study.model import Caution, Study
from durability.study.problem import Problem, StudyError

if TYPE_CHECKING:
    import xarray

    from durability.study.toml import Description

_ORDER = (
    "material", "lot", "direction", "exposure", "specimen", "summary", "strength", "sd", "n",
    "censored", "used", "reason", "hours", "dose", "elongation", "laboratory", "run", "file",
    "line",
)  # fmt: skip


def read_study(folder: str | Path) -> Study:
    """Read a study folder and check it.

    Parameters
    ----------
    folder : the folder that holds study.toml.

    Returns
    -------
    Study
        Materials, exposures, question, and one row a strip or summary, in canonical units and the
        study's unit of strength.

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
    tables = _tables(folder, description, findings, inputs)
    exposures = _records(folder, description, findings, inputs)
    if tables and not any(t["used"].any() for t in tables):
        findings.problem(
            str(tables[0]["file"][0]),
            "at least one row that is used",
            found="only rows that are blank or excluded",
        )
    study = description.study
    if findings.problems or study is None or not tables:
        return None, findings
    from durability.study.cautions import look_for_cautions

    variables = _joined(tables)
    look_for_cautions(variables, description, findings)
    measure = description.unit
    return (
        Study(
            folder=folder,
            title=study.title,
            property=study.property,
            unit=str(measure),
            thresholds=study.thresholds,
            rows=_dataset(variables, str(measure)),
            exposures=exposures,
            materials={n: m for n, m in description.materials.items() if m is not None},
            required_strength=description.required_strength,
            question=description.question,
            rules=description.rules,
            inputs=inputs,
            cautions=tuple(findings.cautions),
            invented=study.invented,
            source=study.source,
            laboratory=study.laboratory,
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
) -> list[dict[str, Any]]:
    from durability.study.specimens import specimen_rows
    from durability.study.summaries import summary_rows
    from durability.study.tables import read_table

    tables = []
    for file, read in (
        (description.specimens, specimen_rows),
        (description.summaries, summary_rows),
    ):
        if file is None:
            continue
        table = read_table(folder, file, findings, inputs, sheet=description.sheet)
        rows = read(table, description, findings) if table is not None else None
        if rows is not None:
            tables.append(rows)
    return tables


def _records(
    folder: Path, description: Description, findings: Findings, inputs: dict[str, str]
) -> dict[str, Any]:
    from durability.study.record import read_record

    exposures = {}
    for name, exposure in description.exposures.items():
        if exposure is not None and exposure.record_file is not None:
            record = read_record(folder, exposure, findings, inputs)
            exposure = dataclasses.replace(exposure, record=record)
        if exposure is not None:
            exposures[name] = exposure
    return exposures


def _joined(tables: list[dict[str, Any]]) -> dict[str, Any]:
    import numpy

    from durability.study.rows import LOOKED_AT

    return {
        name: numpy.concatenate([table[name] for table in tables])
        for name in (*_ORDER, *LOOKED_AT)
    }


def _dataset(variables: dict[str, Any], strength_unit: str) -> xarray.Dataset:
    import xarray

    rows = xarray.Dataset({name: ("row", variables[name]) for name in _ORDER})
    for name in ("strength", "sd"):
        rows[name].attrs["units"] = strength_unit
    rows["hours"].attrs["units"] = "h"
    rows["dose"].attrs["units"] = "the dose_unit of each row's exposure"
    rows["elongation"].attrs["units"] = "%"
    return rows
