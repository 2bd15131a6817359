"""What did the chamber log? A record of irradiance, temperatures and humidity along time."""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from durability.study.columns import Column, column_unit, name_columns, read_numbers, read_words
from durability.study.columns import report_formulas as _report_formulas
from durability.study.dates import mend_date
from durability.study.findings import Findings
from durability.study.long_log import read_long_log
from durability.study.model import Exposure
from durability.study.tables import Table, read_bytes, read_table
from durability.units import CANONICAL

if TYPE_CHECKING:
    import xarray

COLUMNS = ("time", "irradiance", "black_panel", "air", "humidity", "light", "spray")
_LIMITS = {
    "black_panel": (-60.0, 150.0, "a temperature between -60 and 150 °C"),
    "air": (-60.0, 150.0, "a temperature between -60 and 150 °C"),
    "humidity": (0.0, 1.0 + 1e-9, "a relative humidity between 0 and 100 %"),
}
_SWITCHES = ("light", "spray")
_SWITCH = {"0": 0.0, "1": 1.0, "true": 1.0, "false": 0.0, "on": 1.0, "off": 0.0}


def read_record(
    folder: Path, exposure: Exposure, findings: Findings, inputs: dict[str, str]
) -> xarray.Dataset | None:
    """The chamber record of an exposure in canonical units; None after a problem.

    Returns
    -------
    xarray.Dataset along ``time`` (UTC where the record states a zone, else as written) with
    ``irradiance`` and, where recorded, ``black_panel`` and ``air`` [degC], ``humidity`` [1],
    ``light`` and ``spray`` (0 or 1). nan where a cell is blank. Readings a little below zero in the
    dark are kept as the sensor gave them.
    """
    file = exposure.record_file
    if file is None:
        return None
    quick = _quick(folder, file, exposure, inputs)
    if quick is not None:
        return quick
    table = read_table(folder, file, findings, inputs)
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
    values: dict[str, Any] = {}
    for name, dimension in _dimensions(exposure).items():
        if name in columns:
            values[name] = _readings(columns[name], dimension, table, findings)
    for name in _SWITCHES:
        if name in columns:
            nothing = float("nan")
            values[name] = read_words(columns[name], _SWITCH, table, findings, default=nothing)
    if times is None or len(findings.problems) > before:
        return None
    return _dataset(times, values, exposure, table.file)


def _dimensions(exposure: Exposure) -> dict[str, str]:
    spectral = exposure.band is None or "-" not in exposure.band
    return {
        "irradiance": "spectral irradiance" if spectral else "irradiance",
        "black_panel": "temperature",
        "air": "temperature",
        "humidity": "fraction",
    }


def _dataset(times: Any, values: dict[str, Any], exposure: Exposure, file: str) -> xarray.Dataset:
    import xarray

    units = {name: CANONICAL[dimension] for name, dimension in _dimensions(exposure).items()}
    record = xarray.Dataset(
        {n: ("time", v, {"units": units.get(n, "1")}) for n, v in values.items()},
        coords={"time": times},
    )
    record.attrs = {"file": file, "band": exposure.band or ""}
    return record


def _quick(
    folder: Path, file: str, exposure: Exposure, inputs: dict[str, str]
) -> xarray.Dataset | None:
    """The record where nothing at all is wrong with it; None where the careful way is needed."""
    import numpy

    scratch = Findings()
    data = None if file.lower().endswith(".xlsx") else read_bytes(folder, file, scratch, inputs)
    log = read_long_log(data) if data is not None else None
    if log is None or log.times.size < 2:
        return None
    empty = numpy.zeros(0, dtype=numpy.dtypes.StringDType())
    table = Table(file, log.headers, 1, (empty,) * len(log.headers), empty, decimal_comma=False)
    columns = name_columns(table, COLUMNS, scratch)
    values: dict[str, Any] = {}
    for name, dimension in _dimensions(exposure).items():
        if name not in columns:
            continue
        unit = column_unit(columns[name], dimension, None, table, scratch)
        if unit is None:
            return None
        values[name] = unit.to_canonical(log.numbers[columns[name].place])
        if _impossible(name, values[name]).any():
            return None
    for name in _SWITCHES:
        if name in columns:
            values[name] = log.numbers[columns[name].place]
            known = numpy.isnan(values[name]) | numpy.isin(values[name], (0.0, 1.0))
            if not known.all():
                return None
    lit = "irradiance" in values and numpy.nanmax(values["irradiance"], initial=0.0) > 0
    rising = (numpy.diff(log.times) > numpy.timedelta64(0, "ns")).all()
    years = log.times[[0, -1]].astype("datetime64[Y]").astype(int) + 1970
    if scratch.problems or not lit or not rising or years[0] <= 1900 or years[1] >= 2200:
        return None
    return _dataset(log.times, values, exposure, file)


def _impossible(name: str, values: Any) -> Any:
    """Which readings cannot be: light below zero, or a value outside `_LIMITS`."""
    import numpy

    if name == "irradiance":
        return numpy.less(values, -0.02 * max(numpy.nanmax(values, initial=0.0), 0.0))
    low, high, _ = _LIMITS[name]
    return (values < low) | (values > high)


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
        mend=f"For row {bad[0][0]}: {mend_date(str(bad[0][1]))}" if bad else "",
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
    wrong = _impossible(column.name, values)
    if column.name == "irradiance":
        largest = numpy.nanmax(values, initial=0.0)
        expected = "an irradiance of at least 0"
        if not largest > 0 and not wrong.any() and not numbers.bad.any():
            findings.problem(
                table.file, "some light", found="no irradiance above 0", column=column.header
            )
    else:
        expected = _LIMITS[column.name][2]
    findings.cells(
        table.file,
        column.header,
        [(int(table.rows[i]), column.cells[i]) for i in wrong.nonzero()[0]],
        expected,
    )
    return values
