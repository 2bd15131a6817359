"""What did the chamber log? A record of irradiance, temperatures and humidity along time."""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from durability.study.columns import Column, column_unit, name_columns, read_numbers, read_words
from durability.study.columns import report_formulas as _report_formulas
from durability.study.findings import Findings
from durability.study.model import Exposure
from durability.study.tables import Table, read_table
from durability.units import CANONICAL

if TYPE_CHECKING:
    import xarray

COLUMNS = ("time", "irradiance", "black_panel", "air", "humidity", "light")
_LIMITS = {
    "black_panel": (-60.0, 150.0, "a temperature between -60 and 150 °C"),
    "air": (-60.0, 150.0, "a temperature between -60 and 150 °C"),
    "humidity": (0.0, 1.0 + 1e-9, "a relative humidity between 0 and 100 %"),
}
_SWITCH = {"0": 0.0, "1": 1.0, "true": 1.0, "false": 0.0, "on": 1.0, "off": 0.0}


def read_record(
    folder: Path, exposure: Exposure, findings: Findings, inputs: dict[str, str]
) -> xarray.Dataset | None:
    """The chamber record of an exposure in canonical units; None after a problem.

    Returns
    -------
    xarray.Dataset along ``time`` (UTC where the record states a zone, else as written) with
    ``irradiance`` and, where recorded, ``black_panel`` and ``air`` [degC], ``humidity`` [1] and
    ``light`` (0 or 1). nan where a cell is blank. Readings a little below zero in the dark are
    kept as the sensor gave them.
    """
    import xarray

    file = exposure.record_file
    table = read_table(folder, file, findings, inputs) if file else None
    if table is None:
        return None
    before = len(findings.problems)
    columns = name_columns(table, COLUMNS, findings)
    _report_formulas(table, findings)
    for name in ("time", "irradiance"):
        if name not in columns:
            findings.problem(
                table.file,
                f'a column "{name}"',
                found=", ".join(table.headers),
                row=table.header_row,
                column=name,
            )
    times = _times(columns["time"], table, findings) if "time" in columns else None
    spectral = exposure.band is None or "-" not in exposure.band
    dimensions = {
        "irradiance": "spectral irradiance" if spectral else "irradiance",
        "black_panel": "temperature",
        "air": "temperature",
        "humidity": "fraction",
    }
    variables: dict[str, Any] = {}
    for name, dimension in dimensions.items():
        if name in columns:
            values = _readings(columns[name], dimension, table, findings)
            variables[name] = ("time", values, {"units": CANONICAL[dimension]})
    if "light" in columns:
        values = read_words(columns["light"], _SWITCH, table, findings, default=float("nan"))
        variables["light"] = ("time", values, {"units": "1"})
    if times is None or len(findings.problems) > before:
        return None
    record = xarray.Dataset(variables, coords={"time": times})
    record.attrs = {"file": table.file, "band": exposure.band or ""}
    return record


def _times(column: Column, table: Table, findings: Findings) -> Any:
    """The time column as datetime64[ns]; None after a problem."""
    import numpy

    read: list[datetime.datetime | None] = []
    zones: set[bool] = set()
    bad: list[tuple[int, object]] = []
    for row, cell in zip(table.rows.tolist(), column.cells.tolist(), strict=True):
        try:
            time = datetime.datetime.fromisoformat(cell)
            zones.add(time.tzinfo is not None)
            if time.tzinfo is not None:
                time = time.astimezone(datetime.UTC).replace(tzinfo=None)
            if not 1900 < time.year < 2200:
                raise ValueError(cell)
            read.append(time)
        except (ValueError, OverflowError):
            read.append(None)
            bad.append((row, cell))
    findings.cells(
        table.file,
        column.header,
        bad,
        "a time in ISO 8601, such as 2031-05-14T08:30",
    )
    if len(zones) > 1:
        findings.problem(
            table.file,
            "a time zone in every row or in none",
            found="rows with and without a zone",
            column=column.header,
        )
        return None
    if bad:
        return None
    times = numpy.array(read, dtype="datetime64[us]").astype("datetime64[ns]")
    back = (numpy.diff(times) <= numpy.timedelta64(0, "ns")).nonzero()[0] + 1
    findings.cells(
        table.file,
        column.header,
        [
            (int(table.rows[i]), f"{column.cells[i]} after {column.cells[i - 1]}")
            for i in back.tolist()
        ],
        "a later time than in the row before",
        mend="Sort the record; where summer time ends, write times in UTC.",
    )
    if times.size < 2:
        findings.problem(table.file, "at least two rows", found="one row", row=int(table.rows[0]))
        return None
    return None if back.size else times


def _readings(column: Column, dimension: str, table: Table, findings: Findings) -> Any:
    """A column of readings in the canonical unit, within what is possible."""
    import numpy

    numbers = read_numbers(column, table, findings)
    unit = column_unit(column, dimension, None, table, findings)
    if unit is None:
        return numbers.values
    values: Any = unit.to_canonical(numbers.values)
    wrong: Any
    if column.name == "irradiance":
        largest = numpy.nanmax(values, initial=0.0)
        wrong = numpy.less(values, -0.02 * max(largest, 0.0))
        expected = "an irradiance of at least 0"
        if not largest > 0 and not wrong.any() and not numbers.bad.any():
            findings.problem(
                table.file, "some light", found="no irradiance above 0", column=column.header
            )
    else:
        low, high, expected = _LIMITS[column.name]
        wrong = (values < low) | (values > high)
    findings.cells(
        table.file,
        column.header,
        [(int(table.rows[i]), column.cells[i]) for i in wrong.nonzero()[0]],
        expected,
    )
    return values
