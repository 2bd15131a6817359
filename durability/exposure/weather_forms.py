"""In which form is a weather file, and what do its columns and time stamps mean?

Forms differ in what a time stamp labels: TMY3 the end of the hour, EPW and TMY2 its start, PVGIS
the instant at which the satellite looked, NSRDB the middle of its step, BSRN and SURFRAD the start
of a minute. Each form is read here into one: local standard time and what must be added to a stamp
to reach the instant that stands for it. The parsing is pvlib's.
"""

from __future__ import annotations

import io
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

FORMS: dict[str, str] = {
    "epw": "EPW",
    "tmy3": "TMY3",
    "tmy2": "TMY2",
    "pvgis": "PVGIS typical year (csv)",
    "pvgis-json": "PVGIS typical year (json)",
    "pvgis-series": "PVGIS hourly series (csv)",
    "pvgis-series-json": "PVGIS hourly series (json)",
    "nsrdb": "NSRDB (csv)",
    "bsrn": "BSRN station-to-archive",
    "surfrad": "SURFRAD daily file",
    "sensor": "a csv of a site's own sensors",
}
"""Forms that are read, and what they are called."""

TYPICAL = ("tmy3", "tmy2", "pvgis", "pvgis-json", "epw")
"""Forms whose months may come from different years and make one year all the same."""

OPTIONAL = {
    "relative_humidity": "1", "pressure": "Pa", "rain": "mm", "snow_depth": "cm",
    "uv_300_400": "W/m^2", "uv_295_385": "W/m^2", "ozone": "atm-cm", "aerosol": "1", "water": "cm",
}  # fmt: skip
"""What a file may hold beside sunlight, air temperature and wind, with its unit here."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Readings:
    """A weather file as it stands, in one form.

    Parameters
    ----------
    form : key of `FORMS`.
    frame : data frame indexed by local standard time without a zone, with columns ``ghi``,
        ``dni``, ``dhi`` [W/m²], ``temp_air`` [degC], ``wind_speed`` [m/s] and those of `OPTIONAL`
        that the file has, in their units; nan or the form's own mark where missing.
    shift : hours from a stamp to the instant that stands for it; None: stamps begin a step of any
        length, and hours are to be made by averaging.
    latitude, longitude : [degrees].
    altitude : [m].
    utc_offset : local standard time minus UTC [h].
    place : name in the file's head, or empty.
    typical : the form says it is a typical year.
    notes : (name of a flag, text) for what had to be assumed.
    """

    form: str
    frame: Any
    shift: float | None
    latitude: float
    longitude: float
    altitude: float
    utc_offset: float
    place: str = ""
    typical: bool = False
    notes: tuple[tuple[str, str], ...] = ()


def weather_form(text: str) -> str | None:
    """The form of a file by its first lines, a key of `FORMS`; None for others.

    Examples
    --------
    >>> weather_form("LOCATION,Somewhere,-,-,-,0,45.0,8.0,1.0,250.0")
    'epw'
    """
    lines = [*text.lstrip("\ufeff").splitlines()[:30], "", ""]
    first, second = lines[0], lines[1]
    if first.upper().startswith("LOCATION,"):
        return "epw"
    if first.startswith("Latitude (decimal degrees)"):
        return "pvgis-series" if any(x.startswith("time,") for x in lines) else "pvgis"
    if second.startswith("Date (MM/DD/YYYY)"):
        return "tmy3"
    if first.lstrip().startswith("{"):
        if '"tmy_hourly"' in text:
            return "pvgis-json"
        return "pvgis-series-json" if '"outputs"' in text and '"hourly"' in text else None
    if "Source" in first and "Local Time Zone" in first:
        return "nsrdb"
    if first.startswith("*") and first[1:6].strip().endswith("0001"):
        return "bsrn"
    if second.strip().endswith(("version 1", "version 2")):
        return "surfrad"
    cells = first.split()
    if len(cells) >= 10 and len(second) > 120 and (cells[0] + second.strip()[:8]).isdigit():
        return "tmy2"
    heads = next((x for x in lines if x.strip() and not x.lstrip().startswith("#")), "")
    return "sensor" if heads.split(",")[0].split(";")[0].strip().casefold() == "time" else None


def parse(text: str, form: str, file: str) -> Readings:
    """Read one file of a known form.

    Parameters
    ----------
    text : the whole file.
    form : key of `FORMS`.
    file : name shown to the user.

    Raises
    ------
    StudyError : a sensor table with faults, all at once.
    ValueError, KeyError, IndexError, TypeError, AttributeError : the file breaks off or is not of
        the form.
    """
    if form == "sensor":
        from durability.exposure.sensor import parse_sensor

        return parse_sensor(text, file)
    return _PARSERS[form](text, form)


def _hours(span: float) -> Any:
    import numpy

    return numpy.timedelta64(round(3600 * span), "s")


def _epw(text: str, form: str) -> Readings:
    from pvlib import iotools

    frame: Any
    frame, place = iotools.read_epw(io.StringIO(text))
    frame = frame.rename(
        columns={"atmospheric_pressure": "pressure", "liquid_precipitation_depth": "rain"}
    )
    frame["rain"] = _without(frame["rain"], 999)
    frame["snow_depth"] = _without(frame["snow_depth"], 999)
    frame["relative_humidity"] = frame["relative_humidity"] / 100
    frame.index = frame.index.tz_localize(None)
    return Readings(
        form=form, frame=frame, shift=0.5, latitude=float(place["latitude"]),
        longitude=float(place["longitude"]), altitude=float(place["altitude"]),
        utc_offset=float(place["TZ"]), place=str(place.get("city", "")).strip(),
        typical=int(frame.index.year.nunique()) > 2,
    )  # fmt: skip


def _tmy3(text: str, form: str) -> Readings:
    from pvlib import iotools

    frame: Any
    frame, place = iotools.read_tmy3(io.StringIO(text))
    frame = frame.rename(columns={"Lprecip depth (mm)": "rain"})
    if "rain" in frame:
        frame["rain"] = frame["rain"].where(frame["rain"] >= 0)
    frame["pressure"] = frame["pressure"] * 100.0
    frame["relative_humidity"] = frame["relative_humidity"] / 100
    index: Any = frame.index.tz_localize(None) - _hours(1)
    leap = (index.month == 2) & (index.day == 29)
    if leap.sum() == 1:  # pvlib ends the February of a leap year on the 29th
        index = index.where(~leap, index - _hours(24))
    frame.index = index
    return Readings(
        form=form, frame=frame, shift=0.5, latitude=float(place["latitude"]),
        longitude=float(place["longitude"]), altitude=float(place["altitude"]),
        utc_offset=float(place["TZ"]), place=str(place.get("Name", "")).strip().strip('"'),
        typical=True,
    )  # fmt: skip


def _tmy2(text: str, form: str) -> Readings:
    from pvlib import iotools

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "year.tm2"
        path.write_text(text, encoding="latin-1", errors="replace")
        raw, place = iotools.read_tmy2(str(path))
    frame: Any = raw.rename(columns={"GHI": "ghi", "DNI": "dni", "DHI": "dhi"})
    frame = frame[["ghi", "dni", "dhi"]].copy()
    frame["temp_air"] = _without(raw["DryBulb"], 9999) / 10
    frame["wind_speed"] = _without(raw["Wspd"], 999) / 10
    frame["pressure"] = _without(raw["Pressure"], 9999) * 100.0
    frame["relative_humidity"] = _without(raw["RHum"], 999) / 100
    frame["snow_depth"] = _without(raw["SnowDepth"], 999)
    frame.index = frame.index.tz_localize(None)
    return Readings(
        form=form, frame=frame, shift=0.5, latitude=float(place["latitude"]),
        longitude=float(place["longitude"]), altitude=float(place["altitude"]),
        utc_offset=float(place["TZ"]), place=str(place.get("City", "")).strip().title(),
        typical=True,
    )  # fmt: skip


def _pvgis(text: str, form: str) -> Readings:
    from pvlib import iotools

    series = form.startswith("pvgis-series")
    style = "json" if form.endswith("json") else "csv"
    source: Any = io.StringIO(text)
    frame: Any
    if series:
        frame, head = iotools.read_pvgis_hourly(source, pvgis_format=style)
        if "ghi" not in frame:
            parts = ("poa_direct", "poa_sky_diffuse")
            slope = _slope(head)
            if slope != 0 or not all(p in frame for p in parts):
                raise ValueError(
                    "a PVGIS series must be asked for on the horizontal (slope 0) with its "
                    "components, beam and diffuse"
                )
            frame["dhi"] = frame["poa_sky_diffuse"]
            frame["ghi"] = frame["poa_direct"] + frame["dhi"]
            up = _cosine(frame["solar_elevation"])
            frame["dni"] = (frame["poa_direct"] / up.clip(lower=0.03)).clip(upper=1300.0)
        shift = 0.0
    else:
        if style == "csv":
            source = io.BytesIO(text.encode())
        frame, head = iotools.read_pvgis_tmy(source, pvgis_format=style)
        shift = float(_find(head, ("irradiance time offset", "irradiance_time_offset"), 0.0))
    longitude = float(_find(head, ("longitude",)))
    offset = float(round(longitude / 15))
    for name, scale in (("relative_humidity", 0.01), ("pressure", 1.0)):
        if name in frame:
            frame[name] = frame[name] * scale
    frame.index = frame.index.tz_localize(None) + _hours(offset)
    if series:  # stamps such as 00:10 name the instant of the hour's only look
        minute = float(frame.index.minute[0]) / 60
        frame.index, shift = frame.index.floor("h"), minute
    return Readings(
        form=form, frame=frame, shift=shift, latitude=float(_find(head, ("latitude",))),
        longitude=longitude, altitude=float(_find(head, ("elevation",), 0.0)),
        utc_offset=offset, typical=not series,
    )  # fmt: skip


def _nsrdb(text: str, form: str) -> Readings:
    from pvlib import iotools

    lines = text.splitlines()
    frame: Any
    frame, head = iotools.read_nsrdb_psm4(io.StringIO("\n".join(lines) + "\n"))
    names = {"Ozone": "ozone", "Aerosol Optical Depth": "aerosol", "precipitable_water": "water"}
    frame = frame.rename(columns=names)
    if "pressure" in frame:
        frame["pressure"] = frame["pressure"] * 100.0
    if "relative_humidity" in frame:
        frame["relative_humidity"] = frame["relative_humidity"] / 100
    if "aerosol" in frame:  # at 550 nm in these files
        frame["aerosol"] = frame["aerosol"] * (550 / 500) ** 1.3
    frame.index = frame.index.tz_localize(None)
    offset = float(head["Time Zone"])
    local = float(head.get("Local Time Zone", offset))
    frame.index = frame.index + _hours(local - offset)
    step = (frame.index[1] - frame.index[0]).total_seconds() / 3600
    shift = float(frame.index.minute[0]) / 60
    if step < 0.99:
        frame.index, shift = frame.index - _hours(shift), None
    else:
        frame.index = frame.index.floor("h")
    return Readings(
        form=form, frame=frame, shift=shift, latitude=float(head["latitude"]),
        longitude=float(head["longitude"]), altitude=float(head["altitude"]), utc_offset=local,
        place=str(head.get("City", "")).strip(" -"), typical="tmy" in str(head.get("Source", "")),
    )  # fmt: skip


def _bsrn(text: str, form: str) -> Readings:
    from pvlib import iotools

    stream: Any = io.StringIO(text)
    frame, head = iotools.read_bsrn(stream)
    return _minutes(frame, head, form, altitude=float(head["altitude"]))


def _surfrad(text: str, form: str) -> Readings:
    from pvlib import iotools

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "day.dat"
        path.write_text(text, encoding="latin-1", errors="replace")
        frame, head = iotools.read_surfrad(str(path))
    return _minutes(frame, head, form, altitude=float(head["elevation"]))


def _minutes(frame: Any, head: dict[str, Any], form: str, *, altitude: float) -> Readings:
    """A minute record in UTC, with pressure in hPa and humidity in percent."""
    longitude = float(head["longitude"])
    offset = float(round(longitude / 15))
    frame = frame.copy()
    frame["pressure"] = frame["pressure"] * 100.0
    frame["relative_humidity"] = frame["relative_humidity"] / 100
    notes: tuple[tuple[str, str], ...] = ()
    if "wind_speed" not in frame:
        frame["wind_speed"] = CALM
        notes = (("wind_assumed", f"no wind in the file; {CALM:g} m/s is taken, a light breeze"),)
    frame.index = frame.index.tz_localize(None) + _hours(offset)
    return Readings(
        form=form, frame=frame, shift=None, latitude=float(head["latitude"]),
        longitude=longitude, altitude=altitude, utc_offset=offset,
        place=str(head.get("name", "")), notes=notes,
    )  # fmt: skip


CALM = 1.0
"""Wind where a file has none [m/s] (common practice, no source): low, so that fabric runs warm."""

_PARSERS: dict[str, Callable[[str, str], Readings]] = {
    "epw": _epw, "tmy3": _tmy3, "tmy2": _tmy2, "pvgis": _pvgis, "pvgis-json": _pvgis,
    "pvgis-series": _pvgis, "pvgis-series-json": _pvgis, "nsrdb": _nsrdb, "bsrn": _bsrn,
    "surfrad": _surfrad,
}  # fmt: skip


def _without(values: Any, mark: float) -> Any:
    return values.astype(float).where(values.astype(float) < mark)


def _cosine(elevation: Any) -> Any:
    import numpy

    return numpy.sin(numpy.radians(elevation.astype(float)))


def _slope(head: dict[str, Any]) -> float:
    found: Any = _find(head, ("Slope", "slope"), 0.0)
    if isinstance(found, dict):
        found = found.get("value", 0.0)
    return float(str(found).split()[0].removesuffix("°").removesuffix("deg."))


def _find(head: Any, keys: tuple[str, ...], default: Any = None) -> Any:
    """The first value under one of `keys`, at any depth."""
    if isinstance(head, dict):
        for key in keys:
            if key in head and not (isinstance(head[key], dict) and "description" in head[key]):
                return head[key]
        for value in head.values():
            found = _find(value, keys)
            if found is not None:
                return found
    return default
