"""What does an hourly weather file say? Reads EPW, TMY3 and PVGIS typical years into one form.

Formats differ in what a time stamp means: TMY3 labels the end of the hour, EPW its start, PVGIS
the instant at which the satellite looked (an offset stands in the header). Here every value is
labelled by the instant that stands for it, and rows run from 1 January 00:00 local standard time.
"""

from __future__ import annotations

import gzip
import io
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from durability.exposure.weather_checks import check_weather, snow_caution, timing_caution
from durability.study.model import Caution
from durability.study.problem import Problem, StudyError

if TYPE_CHECKING:
    import xarray

HOURS = 8760
LARGEST_FILE = 50_000_000
"""Weather files are a few megabytes; more than this many bytes, unpacked, is something else [B]."""

FORMATS = "an hourly weather file in the form EPW, TMY3 or PVGIS typical-year csv"
_COLUMNS = ("ghi", "dni", "dhi", "temp_air", "wind_speed")
_MISSING = {"ghi": 9999, "dni": 9999, "dhi": 9999, "temp_air": 99.9, "wind_speed": 999}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Weather:
    """One hourly file, read and checked; the fields are those of `durability.exposure.Site`."""

    place: str
    latitude: float
    longitude: float
    altitude: float
    utc_offset: float
    typical_year: bool
    hourly: xarray.Dataset
    cautions: tuple[Caution, ...]


def weather_format(text: str) -> str | None:
    """``"epw"``, ``"tmy3"`` or ``"pvgis"`` by the first lines of a file; None for others.

    Examples
    --------
    >>> weather_format("LOCATION,Somewhere,-,-,-,0,45.0,8.0,1.0,250.0")
    'epw'
    """
    lines = [*text.lstrip("\ufeff").splitlines()[:2], "", ""]
    if lines[0].upper().startswith("LOCATION,"):
        return "epw"
    if lines[0].startswith("Latitude (decimal degrees)"):
        return "pvgis"
    if lines[1].startswith("Date (MM/DD/YYYY)"):
        return "tmy3"
    return None


def read_weather(file: Path) -> Weather:
    """Read one hourly file.

    Parameters
    ----------
    file : EPW, TMY3 or PVGIS typical-year csv, plain or gzip-compressed.

    Raises
    ------
    StudyError : not such a file, or not a whole year of plausible weather.
    """
    text = _text(file)
    form = weather_format(text)
    if form is None:
        first = text.splitlines()[0][:60] if text.strip() else "an empty file"
        raise StudyError([Problem(file=file.name, row=1, found=first, expected=FORMATS)])
    try:
        frame, head, shift = _parse(text, form)
    except (ValueError, KeyError, IndexError, TypeError, AttributeError, OverflowError) as error:
        found = f"a file that begins like {form.upper()} but cannot be read on ({error})"[:200]
        mend = "Download the file again, or save it without changes."
        raise StudyError(
            [Problem(file=file.name, found=found, expected=FORMATS, mend=mend)]
        ) from error
    years = int(frame.index.year.nunique())
    hourly, notes = _normal_year(frame, head["utc_offset"], shift)
    problems = check_weather(
        hourly, file=file.name, latitude=head["latitude"], longitude=head["longitude"]
    )
    if problems:
        raise StudyError(problems)
    hourly, filled = _fill(hourly)
    doubts = (
        timing_caution(hourly, head["latitude"], head["longitude"], file.name),
        snow_caution(hourly, head["longitude"], file.name),
    )
    cautions = [Caution(name=n, text=t, file=file.name) for n, t in notes + filled]
    return Weather(
        place=head["place"],
        latitude=head["latitude"],
        longitude=head["longitude"],
        altitude=head["altitude"],
        utc_offset=head["utc_offset"],
        typical_year=form in ("tmy3", "pvgis") or years > 2,
        hourly=hourly,
        cautions=(*cautions, *(doubt for doubt in doubts if doubt is not None)),
    )


def _text(file: Path) -> str:
    """The file unpacked and decoded; latin-1 where it is not UTF-8 (names of places)."""
    try:
        raw = file.read_bytes() if file.stat().st_size <= LARGEST_FILE else b""
        if raw[:2] == b"\x1f\x8b":
            with gzip.open(io.BytesIO(raw)) as packed:
                raw = packed.read(LARGEST_FILE + 1)
        if (not raw and file.stat().st_size) or len(raw) > LARGEST_FILE:
            found = f"more than {LARGEST_FILE / 1e6:.0f} MB"
            raise StudyError([Problem(file=file.name, found=found, expected=FORMATS)])
    except (OSError, EOFError) as error:
        found = f"an unreadable file ({error})"
        raise StudyError([Problem(file=file.name, found=found, expected=FORMATS)]) from error
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        return raw.decode("latin-1")


def _parse(text: str, form: str) -> tuple[Any, dict[str, Any], float]:
    """(data frame in local standard time, place and position, hours from stamp to instant)."""
    from pvlib import iotools

    frame: Any
    place: Any
    if form == "pvgis":
        frame, place = iotools.read_pvgis_tmy(io.BytesIO(text.encode()), pvgis_format="csv")
        place = place["inputs"]
        offset = float(round(place["longitude"] / 15))
        shift = float(place.get("irradiance time offset", 0.0))
        frame.index = frame.index.tz_localize(None) + _span(offset)
        head = {"place": "", "utc_offset": offset, "altitude": float(place["elevation"])}
    else:
        read = iotools.read_epw if form == "epw" else iotools.read_tmy3
        frame, place = read(io.StringIO(text))
        shift = 0.5
        name = place.get("city") or place.get("Name") or ""
        head = {
            "place": str(name).strip().strip('"'),
            "utc_offset": float(place["TZ"]),
            "altitude": float(place["altitude"]),
        }
        frame.index = frame.index.tz_localize(None)
        if form == "tmy3":
            frame.index = frame.index - _span(1.0)
        frame = frame.rename(columns={"atmospheric_pressure": "pressure"})
        if form == "tmy3" and "pressure" in frame:
            frame["pressure"] = frame["pressure"] * 100.0
    head |= {"latitude": float(place["latitude"]), "longitude": float(place["longitude"])}
    return frame, head, shift


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
    order = numpy.argsort(start, kind="stable")
    time = start.to_numpy()[order] + _span(shift - utc_offset)
    units = {"ghi": "W/m^2", "dni": "W/m^2", "dhi": "W/m^2", "temp_air": "degC"}
    units |= {"wind_speed": "m/s", "relative_humidity": "1", "pressure": "Pa"}
    variables = {}
    for column in (*_COLUMNS, "relative_humidity", "pressure"):
        if column not in frame:
            if column in _COLUMNS:
                raise KeyError(f"no column for {column}")
            continue
        numbers: Any = pandas.to_numeric(frame[column], errors="coerce")
        data = numbers.to_numpy(dtype=float)[order]
        missing = ~numpy.isfinite(data) | (data <= -9000)
        if column in _MISSING:
            missing |= data >= _MISSING[column]
        data = numpy.where(missing, numpy.nan, data)
        if column == "relative_humidity":
            data = numpy.where(
                (data > 0) & (data <= 110), numpy.minimum(data, 100) / 100, numpy.nan
            )
        if column == "pressure":
            data = numpy.where((data > 3e4) & (data < 1.2e5), data, numpy.nan)
        variables[column] = ("time", data, {"units": units[column]})
    return xarray.Dataset(variables, coords={"time": time.astype("datetime64[ns]")}), notes


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
            hourly = hourly.drop_vars(name)
            continue
        hourly[name] = hourly[name].copy(data=numpy.interp(hours, hours[known], data[known]))
        gaps = int((~known).sum())
        notes.append(("weather_gaps_filled", f"{gaps} missing hours of {name} were filled in"))
    return hourly, notes
