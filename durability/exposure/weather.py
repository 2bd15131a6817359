"""What does a weather file say? Reads every form into hours of one normal year, or of several.

Every value is labelled by the instant that stands for it, and rows run from 1 January 00:00 local
standard time. What a form's time stamps mean is known to `durability.exposure.weather_forms`.
"""

from __future__ import annotations

import gzip
import io
from dataclasses import dataclass
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from durability.exposure.weather_checks import check_weather, snow_caution, timing_caution
from durability.exposure.weather_forms import FORMS, OPTIONAL, Readings, parse, weather_form
from durability.exposure.weather_sense import hemisphere_problem, parts_caution, sense_problems
from durability.exposure.years import Year, complete_years, on_the_hour, typical_year
from durability.study.model import Caution
from durability.study.problem import Problem, StudyError

if TYPE_CHECKING:
    import xarray

HOURS = 8760
LARGEST_FILE = 50_000_000
"""Weather files are a few megabytes; more than this many bytes, unpacked, is something else [B]."""

MOST_LOST = 24
"""Rows that may be missing from a file and count as gaps; more, and it is no whole year."""

READ = f"an hourly weather file in the form {', '.join(FORMS.values())}"
OWN_TABLE = (
    "For a table of your own, write above it the lines # latitude = 45.10, # longitude = 8.30, "
    '# altitude = 210, # utc_offset = 1 and # stamps = "end" (or "start" or "middle": what a time '
    "labels), and head its columns time,ghi [W/m^2],air_temperature [degC],wind_speed [m/s]."
)
"""How a user makes a plain table readable."""

_COLUMNS = ("ghi", "dni", "dhi", "temp_air", "wind_speed")
_MISSING = {"ghi": 9999, "dni": 9999, "dhi": 9999, "temp_air": 99.9, "wind_speed": 999}
_PLAUSIBLE = {
    "relative_humidity": (0.005, 1.1), "pressure": (3e4, 1.2e5), "rain": (0.0, 400.0),
    "snow_depth": (0.0, 2000.0), "uv_300_400": (-5.0, 120.0), "uv_295_385": (-5.0, 100.0),
    "ozone": (0.1, 0.7), "aerosol": (0.0, 5.0), "water": (0.0, 12.0),
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Weather:
    """A weather file, read and checked; the fields are those of `durability.exposure.Site`."""

    place: str
    latitude: float
    longitude: float
    altitude: float
    utc_offset: float
    typical_year: bool
    hourly: xarray.Dataset
    years: tuple[Year, ...]
    cautions: tuple[Caution, ...]


def read_weather(source: Path | IO[bytes] | IO[str], *, name: str = "") -> Weather:
    """Read a weather file, or a folder of files that make one series.

    Parameters
    ----------
    source : file of a form of `FORMS`, plain or gzip-compressed, in UTF-8 or latin-1; a folder of
        such files (months or days of one station); or an open stream.
    name : shown to the user; by default that of the file.

    Raises
    ------
    StudyError : not such a file, or not a whole year of plausible weather.
    """
    file = name or (source.name if isinstance(source, Path) else "weather stream")
    if isinstance(source, Path) and source.is_dir():
        inside = sorted(p for p in source.iterdir() if p.is_file() and p.name[0] != ".")
        if not inside:
            raise StudyError([Problem(file=file, found="an empty folder", expected=READ)])
        read = _joined([_readings(_text(p, p.name), p.name) for p in inside], file)
    else:
        read = _readings(_text(source, file), file)
    position = {"latitude": read.latitude, "longitude": read.longitude}
    years, notes = _years(read, file)
    problems: list[Problem] = []
    for year in years:
        mirrored = hemisphere_problem(year.hourly, file=file, **position)
        if mirrored is not None:
            problems.append(mirrored)
            continue
        wrong = check_weather(year.hourly, file=file, **position)
        problems += wrong or sense_problems(year.hourly, file=file, **position)
    if problems:
        raise StudyError(dict.fromkeys(problems))
    filled = []
    for year in years:
        hourly, said = _fill(year.hourly)
        filled.append(Year(year=year.year, hourly=hourly))
        notes += said
    hourly = filled[0].hourly if len(filled) == 1 else typical_year(tuple(filled))
    doubts = (
        timing_caution(hourly, read.latitude, read.longitude, file),
        parts_caution(hourly, read.latitude, read.longitude, file),
        snow_caution(hourly, read.longitude, file),
    )
    cautions = [Caution(name=n, text=t, file=file) for n, t in dict.fromkeys([*read.notes, *notes])]
    return Weather(
        place=read.place,
        latitude=read.latitude,
        longitude=read.longitude,
        altitude=read.altitude,
        utc_offset=read.utc_offset,
        typical_year=read.typical or len(filled) > 1,
        hourly=hourly,
        years=() if read.typical else tuple(filled),
        cautions=(*cautions, *(doubt for doubt in doubts if doubt is not None)),
    )


def _text(source: Path | IO[bytes] | IO[str], file: str) -> str:
    """The file unpacked and decoded; latin-1 where it is not UTF-8 (names of places)."""
    try:
        if isinstance(source, Path):
            with open(source, "rb") as stream:
                raw: Any = stream.read(LARGEST_FILE + 1)
        else:
            raw = source.read(LARGEST_FILE + 1)
        if isinstance(raw, str):
            return raw
        if raw[:2] == b"\x1f\x8b":
            with gzip.open(io.BytesIO(raw)) as packed:
                raw = packed.read(LARGEST_FILE + 1)
        if len(raw) > LARGEST_FILE:
            found = f"more than {LARGEST_FILE / 1e6:.0f} MB"
            raise StudyError([Problem(file=file, found=found, expected=READ)])
    except (OSError, EOFError) as error:
        found = f"an unreadable file ({getattr(error, 'strerror', None) or error})"
        raise StudyError([Problem(file=file, found=found, expected=READ)]) from error
    for encoding in ("utf-8-sig", *(("utf-16",) if raw[:2] in (b"\xff\xfe", b"\xfe\xff") else ())):
        try:
            return raw.decode(encoding)
        except UnicodeDecodeError:
            continue
    return raw.decode("latin-1")


def _readings(text: str, file: str) -> Readings:
    form = weather_form(text)
    if form is None:
        first = text.splitlines()[0][:60] if text.strip() else "an empty file"
        raise StudyError([Problem(file=file, row=1, found=first, expected=READ, mend=OWN_TABLE)])
    try:
        read = parse(text, form, file)
        if len(read.frame) == 0:
            raise ValueError("no row of data")
        return read
    except StudyError:
        raise
    except (ValueError, KeyError, IndexError, TypeError, AttributeError, OverflowError) as error:
        found = f"a file that begins like {FORMS[form]} but cannot be read on ({error})"[:200]
        mend = "Download the file again, or save it without changes."
        raise StudyError([Problem(file=file, found=found, expected=READ, mend=mend)]) from error


def _joined(parts: list[Readings], file: str) -> Readings:
    """Files of one station as one series."""
    import dataclasses

    import pandas

    first = parts[0]
    for part in parts[1:]:
        apart = max(abs(part.latitude - first.latitude), abs(part.longitude - first.longitude))
        if part.form != first.form or part.shift != first.shift or apart > 0.02:
            raise StudyError(
                [Problem(file=file, found="files of different forms or places",
                         expected="files of one station and one form in the folder")]
            )  # fmt: skip
    return dataclasses.replace(
        first,
        frame=pandas.concat([p.frame for p in parts]).sort_index(),
        notes=tuple(dict.fromkeys(n for p in parts for n in p.notes)),
    )


def _years(read: Readings, file: str) -> tuple[list[Year], list[tuple[str, str]]]:
    """The years of a file on a normal year, unfilled; a typical one is a single year."""
    frame, shift = read.frame, read.shift
    twice = int(frame.index.duplicated().sum())
    if shift is None and twice:
        found = f"{twice} time stamps twice"
        mend = "Write local standard time throughout, without summer time."
        raise StudyError([Problem(file=file, found=found, expected="each time once", mend=mend)])
    if shift is None:
        frame, shift = on_the_hour(frame[[c for c in frame if c in (*_COLUMNS, *OPTIONAL)]]), 0.5
    span = len(frame) - twice
    if read.typical or twice or span <= HOURS + 24 or read.form == "epw":
        year = int(frame.index.year[len(frame) // 2])
        hourly, notes = _normal_year(frame, read.utc_offset, shift)
        return [Year(year=year, hourly=hourly)], notes
    frame = frame.asfreq("1h")
    whole, broken = complete_years(frame)
    if not whole:  # such as July to June: the last twelve months
        hourly, notes = _normal_year(frame.iloc[-HOURS - 24 :], read.utc_offset, shift)
        return [Year(year=int(frame.index.year[-1]), hourly=hourly)], notes
    notes, years = [], []
    for year in whole:
        part = frame[frame.index.year == year]
        full = _year_grid(year)
        hourly, said = _normal_year(part.reindex(full), read.utc_offset, shift)
        notes += said
        years.append(Year(year=year, hourly=hourly))
    if broken:
        text = f"years that are not whole are left out: {', '.join(map(str, broken))}"
        notes.append(("years_left_out", text))
    return years, notes


def _year_grid(year: int) -> Any:
    import pandas

    return pandas.date_range(f"{year}-01-01", f"{year + 1}-01-01", freq="1h", inclusive="left")


def _span(hours: float) -> Any:
    import numpy

    return numpy.timedelta64(round(3600 * hours), "s")


def _normal_year(
    frame: Any, utc_offset: float, shift: float
) -> tuple[xarray.Dataset, list[tuple[str, str]]]:
    """Rows of `frame` (a data frame) in the order of a normal year, whatever their years."""
    import numpy
    import pandas
    import xarray

    notes = []
    leap = (frame.index.month == 2) & (frame.index.day == 29)
    if leap.any():
        frame = frame[~leap]
        notes.append(("leap_day_dropped", "29 February is left out of the year"))
    stamps: Any = {
        "year": numpy.full(len(frame), 2001),
        "month": frame.index.month,
        "day": frame.index.day,
        "hour": frame.index.hour,
    }
    start = pandas.DatetimeIndex(pandas.to_datetime(stamps))
    grid = _year_grid(2001)
    lost = HOURS - len(start)
    if 0 < lost <= MOST_LOST and not start.has_duplicates and start.isin(grid).all():
        frame = frame.set_axis(start).reindex(grid)
        start = grid
    order = numpy.argsort(start, kind="stable")
    time = start.to_numpy()[order] + _span(shift - utc_offset)
    units = {"ghi": "W/m^2", "dni": "W/m^2", "dhi": "W/m^2", "temp_air": "degC"}
    units |= {"wind_speed": "m/s"} | OPTIONAL
    variables = {}
    for column in (*_COLUMNS, *OPTIONAL):
        if column not in frame:
            if column in _COLUMNS:
                problem = Problem(file="weather", found=f"no column for {column}", expected=READ)
                raise StudyError([problem])
            continue
        numbers: Any = pandas.to_numeric(frame[column], errors="coerce")
        data = numbers.to_numpy(dtype=float)[order]
        missing = ~numpy.isfinite(data) | (data <= -9000)
        if column in _MISSING:
            missing |= data >= _MISSING[column]
        data = numpy.where(missing, numpy.nan, data)
        if column in _PLAUSIBLE:
            low, high = _PLAUSIBLE[column]
            data = numpy.where((data >= low) & (data <= high), data, numpy.nan)
        if column == "relative_humidity":
            data = numpy.minimum(data, 1.0)
        variables[column] = ("time", data, {"units": units[column]})
    return xarray.Dataset(variables, coords={"time": time.astype("datetime64[ns]")}), notes


KEPT = dict.fromkeys(OPTIONAL, 0.9) | {"rain": 0.5, "snow_depth": 0.5} | {
    "uv_300_400": 0.05, "uv_295_385": 0.05
}  # fmt: skip
"""Share of the hours that must be known for a column that is not needed to be kept."""


def _fill(hourly: xarray.Dataset) -> tuple[xarray.Dataset, list[tuple[str, str]]]:
    """Short gaps filled in a line; what is optional and broken is dropped."""
    import numpy

    notes = []
    hours = numpy.arange(hourly.sizes["time"])
    for name in [str(n) for n in hourly.data_vars]:
        data = hourly[name].values
        known = numpy.isfinite(data)
        if known.all():
            continue
        if name not in _COLUMNS:
            if known.mean() < KEPT[name]:
                hourly = hourly.drop_vars(name)
            elif name in ("relative_humidity", "pressure", "ozone", "aerosol", "water"):
                filled = numpy.interp(hours, hours[known], data[known])
                hourly[name] = hourly[name].copy(data=filled)
            continue
        hourly[name] = hourly[name].copy(data=numpy.interp(hours, hours[known], data[known]))
        gaps = int((~known).sum())
        notes.append(("weather_gaps_filled", f"{gaps} missing hours of {name} were filled in"))
    return hourly, notes
