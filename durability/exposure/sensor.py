"""What did a site's own sensors record? Reads a plain csv table with units in its headers.

    # latitude = 45.10
    # longitude = 8.30
    # altitude = 210
    # utc_offset = 1
    # stamps = "end"
    time,ghi [W/m^2],air_temperature [degC],wind_speed [m/s],relative_humidity [%]
    2026-01-01 01:00,0,2.1,1.4,88

Lines that begin with # say where the sensor stands and what a time stamp labels: the ``start``,
``middle`` or ``end`` of its step. Only global sunlight and air temperature are needed.
"""

from __future__ import annotations

import csv
import math
import tomllib
from typing import Any

from durability.exposure.weather_forms import CALM, Readings
from durability.study.problem import Problem, StudyError
from durability.units import UnitError, header, unit

COLUMNS: dict[str, tuple[str, str]] = {
    "ghi": ("ghi", "irradiance"),
    "dni": ("dni", "irradiance"),
    "dhi": ("dhi", "irradiance"),
    "air_temperature": ("temp_air", "temperature"),
    "wind_speed": ("wind_speed", "speed"),
    "relative_humidity": ("relative_humidity", "fraction"),
    "pressure": ("pressure", "pressure"),
    "rain": ("rain", "length"),
    "snow_depth": ("snow_depth", "length"),
    "uv_300_400": ("uv_300_400", "irradiance"),
    "uv_295_385": ("uv_295_385", "irradiance"),
}
"""Column of the table: name here and dimension of its unit."""

_OWN_UNITS = {
    "speed": {"m/s": 1.0, "km/h": 1 / 3.6, "kn": 0.514444},
    "pressure": {"Pa": 1.0, "hPa": 100.0, "mbar": 100.0, "kPa": 1000.0},
}
STAMPS = ("start", "middle", "end")
MOST_PROBLEMS = 20
"""Faulty cells listed one by one; the rest is counted."""


def parse_sensor(text: str, file: str) -> Readings:
    """Read a table of a site's own sensors.

    Parameters
    ----------
    text : the whole file.
    file : name shown to the user.

    Returns
    -------
    Readings; where only ``ghi`` is measured, beam and diffuse are estimated from it by Erbs's
    correlation (as pvlib has it), and a light breeze is taken where wind is missing.

    Raises
    ------
    StudyError : everything wrong with the table at once.
    """
    import pandas

    lines = text.lstrip("\ufeff").splitlines()
    head, problems = _head([x.lstrip()[1:].strip() for x in lines if x.lstrip()[:1] == "#"], file)
    rows = [(i, x) for i, x in enumerate(lines, 1) if x.strip() and x.lstrip()[:1] != "#"]
    delimiter = ";" if ";" in rows[0][1] else "\t" if "\t" in rows[0][1] else ","
    cells = [(i, next(csv.reader([x], delimiter=delimiter))) for i, x in rows]
    names, scales = _columns(cells[0][1], cells[0][0], file, problems)
    if problems:
        raise StudyError(problems)
    times: list[Any] = []
    values: dict[str, list[float]] = {n: [] for n in names if n}
    for row, line in cells[1:]:
        stamp = _time(line[0])
        if stamp is None:
            problems.append(
                Problem(file=file, row=row, column="time", found=line[0][:30],
                        expected="a time such as 2026-05-03 14:00, in local standard time")
            )  # fmt: skip
        times.append(stamp)
        for at, name in enumerate(names):
            if not name:
                continue
            text_of = line[at].strip() if at < len(line) else ""
            number = _number(text_of)
            if number is None:
                problems.append(
                    Problem(file=file, row=row, column=cells[0][1][at], found=text_of[:30],
                            expected="a number with a decimal point, or an empty cell")
                )  # fmt: skip
                number = math.nan
            factor, offset = scales[name]
            values[name].append(number * factor + offset)
    if problems:
        more = len(problems) - MOST_PROBLEMS
        if more > 0:
            problems = problems[:MOST_PROBLEMS]
            problems.append(Problem(file=file, expected="cells that can be read",
                                    found=f"{more} more such cells"))  # fmt: skip
        raise StudyError(problems)
    if len(times) < 2:
        raise StudyError([Problem(file=file, expected="a year of rows", found="no two rows")])
    frame = pandas.DataFrame(values, index=pandas.DatetimeIndex(times))
    step = frame.index.to_series().diff().median()
    back = {"start": 0.0, "middle": 0.5, "end": 1.0}[head["stamps"]]
    frame.index = frame.index - step * back
    notes = _completed(frame, head, step)
    return Readings(
        form="sensor", frame=frame, shift=None, latitude=head["latitude"],
        longitude=head["longitude"], altitude=head["altitude"], utc_offset=head["utc_offset"],
        place=head["place"], notes=notes,
    )  # fmt: skip


def _head(lines: list[str], file: str) -> tuple[dict[str, Any], list[Problem]]:
    problems: list[Problem] = []
    found: dict[str, Any] = {}
    for line in lines:
        if "=" in line:
            try:
                found |= tomllib.loads(line)
            except tomllib.TOMLDecodeError:
                problems.append(
                    Problem(file=file, found=line[:60], expected="a line such as # latitude = 45.1")
                )
    head: dict[str, Any] = {"place": str(found.get("place", ""))}
    for key, low, high in (
        ("latitude", -90, 90), ("longitude", -180, 180), ("altitude", -450, 9000),
        ("utc_offset", -12, 14),
    ):  # fmt: skip
        value = found.get(key)
        if not isinstance(value, int | float) or not low <= value <= high:
            problems.append(
                Problem(file=file, column=key, found="" if value is None else str(value),
                        expected=f"a line # {key} = a number from {low} to {high}")
            )  # fmt: skip
        else:
            head[key] = float(value)
    head["stamps"] = found.get("stamps", "")
    if head["stamps"] not in STAMPS:
        problems.append(
            Problem(file=file, column="stamps", found=str(head["stamps"]),
                    expected='a line # stamps = "start", "middle" or "end"',
                    mend="Say which part of its step a time stamp labels; most loggers: its end.")
        )  # fmt: skip
    return head, problems


def _columns(
    cells: list[str], row: int, file: str, problems: list[Problem]
) -> tuple[list[str], dict[str, tuple[float, float]]]:
    """Name here of each column ("" for one that is not used), and factor and offset of its unit."""
    names: list[str] = []
    scales: dict[str, tuple[float, float]] = {}
    for cell in cells:
        name, written = header(cell)
        if name.casefold() not in COLUMNS:
            names.append("")
            continue
        here, dimension = COLUMNS[name.casefold()]
        names.append(here)
        scale = _scale(written or "", dimension)
        if scale is None:
            own = _OWN_UNITS.get(dimension)
            expected = (
                f"one of {', '.join(own)}"
                if own
                else {"irradiance": "W/m^2 (energy of an hour in Wh/m^2 is the same number)",
                      "temperature": "degC, degF or K", "length": "mm, cm or m",
                      "fraction": "1 or %"}[dimension]
            )  # fmt: skip
            problems.append(
                Problem(file=file, row=row, column=cell, found=written or "no unit",
                        expected=f"a unit in square brackets: {expected}")
            )  # fmt: skip
            scale = (1.0, 0.0)
        scales[here] = scale
    for needed in ("ghi", "air_temperature"):
        if COLUMNS[needed][0] not in names:
            problems.append(
                Problem(file=file, row=row, expected=f"a column {needed}", found=", ".join(cells))
            )
    return names, scales


def _scale(written: str, dimension: str) -> tuple[float, float] | None:
    if dimension in _OWN_UNITS:
        factor = _OWN_UNITS[dimension].get(written)
        return None if factor is None else (factor, 0.0)
    if dimension != "fraction" and not written:
        return None
    try:
        u = unit(written, dimension)
    except UnitError:
        return None
    return u.factor, u.offset


def _time(text: str) -> Any:
    import datetime

    try:
        stamp = datetime.datetime.fromisoformat(text.strip())
    except ValueError:
        return None
    return None if stamp.tzinfo is not None else stamp


def _number(text: str) -> float | None:
    if text == "" or text.casefold() in ("nan", "na"):
        return math.nan
    try:
        value = float(text)
    except ValueError:
        return None
    return value if math.isfinite(value) and "_" not in text else None


def _completed(frame: Any, head: dict[str, Any], step: Any) -> tuple[tuple[str, str], ...]:
    """Adds to `frame` what was not measured; says what was added."""
    import numpy
    import pandas
    import pvlib.irradiance
    import pvlib.solarposition

    notes = []
    if "snow_depth" in frame:
        frame["snow_depth"] = frame["snow_depth"] / 10.0
    if "rain" in frame:
        frame["rain"] = frame["rain"] * (pandas.Timedelta(hours=1) / step)
    if "wind_speed" not in frame:
        frame["wind_speed"] = CALM
        notes.append(("wind_assumed", f"no wind was measured; {CALM:g} m/s is taken"))
    if "dni" not in frame or "dhi" not in frame:
        middle = frame.index + step / 2 - pandas.Timedelta(hours=head["utc_offset"])
        sun: Any = pvlib.solarposition.get_solarposition(
            middle.tz_localize("UTC"), head["latitude"], head["longitude"],
            altitude=head["altitude"],
        )  # fmt: skip
        zenith = sun["zenith"].to_numpy()
        parts: Any = pvlib.irradiance.erbs(frame["ghi"].to_numpy(), zenith, middle)
        frame["dni"], frame["dhi"] = (numpy.asarray(parts[n], dtype=float) for n in ("dni", "dhi"))
        notes.append(
            ("beam_estimated", "beam and diffuse sunlight are estimated from global sunlight")
        )
    return tuple(notes)
