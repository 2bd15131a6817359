"""Which files hold the data, and in which units? The tables [data] and [units] of study.toml."""

from __future__ import annotations

from typing import Any

from durability.study import schema
from durability.study.checked import FILE, as_written, checked
from durability.study.findings import Findings, near
from durability.units import UnitError, unit


def read_data(raw: Any, findings: Findings) -> dict[str, tuple[str, str | None]]:
    """[data]: kind of data to its file and sheet."""
    sheets: dict[str, str] = {}
    if isinstance(raw, dict):
        raw = dict(raw)
        for kind in schema.KINDS:
            if isinstance(raw.get(kind), dict):
                one = checked(schema.SheetTable, raw.pop(kind), f"data.{kind}", findings)
                if one is not None:
                    raw[kind], sheets[kind] = one.file, one.sheet
    else:
        raw = {} if raw is None else raw
    before = len(findings.problems)
    data = checked(schema.DataTable, raw, "data", findings, required=True)
    if data is None:
        return {}
    files = {kind: file for kind in schema.KINDS if (file := getattr(data, kind)) is not None}
    if not files and len(findings.problems) == before and not sheets:
        findings.problem(
            FILE,
            'specimens = "…" or another kind of data',
            column="data",
            mend=f"Kinds: {', '.join(schema.KINDS)}.",
        )
    for kind, sheet in sheets.items():
        if not files[kind].lower().endswith(".xlsx"):
            _refuse_sheet(sheet, f"data.{kind}.sheet", findings)
    books = [k for k, file in files.items() if file.lower().endswith(".xlsx") and k not in sheets]
    if data.sheet is not None and not books:
        _refuse_sheet(data.sheet, "data.sheet", findings)
    return {k: (file, sheets.get(k, data.sheet)) for k, file in files.items()}


def _refuse_sheet(sheet: str, column: str, findings: Findings) -> None:
    findings.problem(
        FILE,
        "a sheet only where a table is a spreadsheet (.xlsx)",
        found=sheet,
        column=column,
        mend="Remove the line.",
    )


def read_units(raw: Any, findings: Findings) -> dict[str, str]:
    """[units]: column to unit. A dose may be in a unit of the study's own axis."""
    from durability.study.bench import NUMBER_COLUMNS

    if raw is None:
        return {}
    if not isinstance(raw, dict):
        findings.problem(FILE, "a table [units]", found=raw, column="units")
        return {}
    units: dict[str, str] = {}
    for key, text in raw.items():
        name, path = key.casefold(), f"units.{key}"
        if name not in NUMBER_COLUMNS:
            findings.problem(
                FILE,
                "the name of a column of numbers",
                found=key,
                column=path,
                mend=near(name, sorted(NUMBER_COLUMNS)),
            )
        elif not isinstance(text, str):
            findings.problem(FILE, "a unit as text", found=as_written(text), column=path)
        else:
            if not name.startswith("dose"):
                try:
                    unit(text)
                except UnitError as error:
                    findings.problem(
                        FILE, "a known unit", found=text, column=path, mend=_sentence(error)
                    )
                    continue
            units[name] = text
    return units


def _sentence(error: Exception) -> str:
    text = str(error)
    return text[:1].upper() + text[1:] + "."
