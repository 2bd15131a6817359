"""Where does the product lie, and what is the weather there? Sites and their hourly years."""

from __future__ import annotations

import functools
from dataclasses import dataclass
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from durability import catalogue
from durability.exposure.uv_measured import UvTotal, uv_total_of
from durability.study.model import Caution

if TYPE_CHECKING:
    import xarray

    from durability.exposure.weather import Weather
    from durability.exposure.years import Year


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Site:
    """A place with one year of hourly weather.

    Parameters
    ----------
    name, title : short name and what a report calls it.
    latitude, longitude : [degrees], north and east positive.
    altitude : above sea level [m].
    utc_offset : local standard time minus UTC [h].
    hourly : Dataset along ``time`` (8760 hours of one normal year from 1 January 00:00 local
        standard time; ``time`` is UTC, at the instant that stands for the hour: its middle, or
        the satellite's instant): ``ghi``, ``dni``, ``dhi`` [W/m²] on the horizontal, towards the
        sun and from the sky, ``temp_air`` [degC], ``wind_speed`` [m/s], and where the file gives
        them ``relative_humidity`` [0 to 1] and ``pressure`` [Pa].
    source, licence : of the weather data.
    typical_year : True where months of several years were put together.
    cautions : what is doubtful about the file.
    years : calendar years of a measured series, each as `hourly`; empty for a typical year. With
        two or more, `hourly` is put together from them.
    kind : ``"hourly"``, or ``"monthly"`` where the hours were made from monthly means.
    air_temperature_sd : standard uncertainty of the air temperature, common to all hours [K];
        0 for hourly weather.
    uv_log_sd : relative standard uncertainty of the yearly ultraviolet that the making of hours
        adds; 0 for hourly weather.
    uv_total : ultraviolet measured there, which corrects the computed one; None where nobody did.
    """

    name: str
    title: str
    latitude: float
    longitude: float
    altitude: float
    utc_offset: float
    hourly: xarray.Dataset
    source: str = ""
    licence: str = ""
    typical_year: bool = True
    file: str = ""
    cautions: tuple[Caution, ...] = ()
    years: tuple[Year, ...] = ()
    kind: str = "hourly"
    air_temperature_sd: float = 0.0
    uv_log_sd: float = 0.0
    uv_total: UvTotal | None = None

    def __repr__(self) -> str:
        year = "typical year" if self.typical_year else "one year"
        if len(self.years) > 1:
            year = f"typical year of {len(self.years)}"
        if self.kind == "monthly":
            year = "hours made from monthly means"
        ghi = float(self.hourly["ghi"].sum()) * 0.0036
        return (
            f"Site {self.name}: {self.title}; {_angle(self.latitude, 'NS')} "
            f"{_angle(self.longitude, 'EW')}, {self.altitude:g} m; {year}, {ghi:.0f} MJ/m² of "
            f"sunlight, mean air {float(self.hourly['temp_air'].mean()):.1f} °C"
        )


def _angle(degrees: float, ends: str) -> str:
    return f"{abs(degrees):.2f} {ends[0] if degrees >= 0 else ends[1]}"


def read_site(name_or_path: str | Path | IO[bytes] | IO[str]) -> Site:
    """A site of models/sites by name, or weather of the user's own.

    Parameters
    ----------
    name_or_path : a name such as ``"miami"``; the path of an hourly weather file (EPW, TMY2, TMY3,
        PVGIS typical year or series as csv or json, NSRDB, BSRN, SURFRAD, or a csv of the site's
        own sensors), plain or gzip-compressed; a folder of such files that make one series; a
        ``.toml`` file of the form of models/sites, which may hold monthly means or name an hourly
        file beside it; or an open stream of an hourly file. The form is told from the content.

    Raises
    ------
    StudyError : an unknown name, or a file that is not a year of plausible weather; everything
        wrong with it at once.

    Examples
    --------
    >>> read_site("miami").latitude
    25.817
    >>> read_site("tucson").kind
    'monthly'
    """
    from durability.study.problem import Problem, StudyError

    if not isinstance(name_or_path, str | Path):
        from durability.exposure.weather import read_weather

        name = str(getattr(name_or_path, "name", "") or "weather stream")
        return _of_weather(read_weather(name_or_path, name=Path(name).name), Path(name).name, {})
    text = str(name_or_path)
    names = catalogue.names("sites")
    if text in names:
        file = catalogue.path("sites", text)
        return _read(file, _stamp(file))
    file = Path(name_or_path).expanduser()
    if file.is_file() or file.is_dir():
        return _read(file.resolve(), _stamp(file))
    import difflib

    near = difflib.get_close_matches(text, names, n=1, cutoff=0.5)
    hint = f'Did you mean "{near[0]}"? ' if near else ""
    raise StudyError(
        [
            Problem(
                file=text,
                found="no site and no file of that name",
                expected=f"one of {', '.join(names)}, or the path of an hourly weather file",
                mend=f"{hint}Weather files are read in the forms EPW, TMY2, TMY3, PVGIS, NSRDB, "
                "BSRN, SURFRAD and a csv of your own sensors.",
            )
        ]
    )


def sites() -> list[dict[str, Any]]:
    """What models/sites holds, one record a site: name, title, position, climate, source, licence.

    Examples
    --------
    >>> len(sites()), sites()[0]["name"]
    (16, 'atlanta')
    """
    keys = (
        "name", "title", "latitude", "longitude", "altitude", "climate", "typical_year",
        "source", "licence",
    )  # fmt: skip
    entries = (catalogue.read("sites", name) for name in catalogue.names("sites"))
    return [
        {key: entry[key] for key in keys}
        | {"weather": "monthly means" if "monthly" in entry else "hourly"}
        for entry in entries
    ]


def _stamp(file: Path) -> tuple[tuple[int, int], ...]:
    """Changes when the file, what it names or what a folder holds does."""
    files = [file]
    if file.is_dir():
        files = sorted(p for p in file.iterdir() if p.is_file())
    elif file.suffix == ".toml":
        files += sorted(file.parent.glob("*"))
    return tuple((s.st_mtime_ns, s.st_size) for s in (f.stat() for f in files))


@functools.lru_cache(maxsize=32)
def _read(file: Path, stamp: tuple[tuple[int, int], ...]) -> Site:
    """Read once for each state of the file; `stamp` changes when the file does."""
    from durability.exposure.weather import read_weather

    if file.suffix.lower() != ".toml":
        return _of_weather(read_weather(file), file.name, {})
    entry = _entry(file)
    if "monthly" in entry:
        return _of_months(file, entry)
    if "library_file" in entry:
        import pvlib

        hourly = Path(pvlib.__file__).parent / "data" / entry["library_file"]
    else:
        hourly = file.parent / str(entry["hourly"])
    return _of_weather(read_weather(hourly), hourly.name, entry | {"name": file.stem})


def _entry(file: Path) -> dict[str, Any]:
    import tomllib

    from durability.study.problem import Problem, StudyError

    try:
        entry = tomllib.loads(file.read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        problem = Problem(file=file.name, found=str(error)[:120], expected="a TOML file in UTF-8")
        raise StudyError([problem]) from error
    if not {"monthly", "hourly", "library_file"} & set(entry):
        expected = "a table [monthly], or hourly = the name of a weather file beside this one"
        raise StudyError([Problem(file=file.name, expected=expected)])
    return entry


def _of_months(file: Path, entry: dict[str, Any]) -> Site:
    from durability.exposure.assumption import translation_assumptions
    from durability.exposure.monthly import hours_of, read_climate
    from durability.exposure.weather_checks import snow_caution

    climate = read_climate(entry, file.name)
    assumed = translation_assumptions()
    warming, light = assumed["monthly_climate_warming"], assumed["monthly_climate_uv"]
    text = (
        f"the hours of {entry.get('title', file.stem)} are made from monthly means; the air is "
        f"warmed by {warming.value:g} K to make up for their bias, with a standard uncertainty of "
        f"{warming.sd or 0:g} K"
    )
    hourly = hours_of(climate, warming=warming.value, file=file.name)
    snow = snow_caution(hourly, climate.longitude, file.name)
    return Site(
        name=file.stem,
        title=str(entry.get("title", file.stem)),
        latitude=climate.latitude,
        longitude=climate.longitude,
        altitude=climate.altitude,
        utc_offset=climate.utc_offset,
        hourly=hourly,
        source=str(entry.get("source", f"monthly means in {file.name}")),
        licence=str(entry.get("licence", "")),
        file=file.name,
        cautions=(
            Caution(name="monthly_climate", text=text, file=file.name),
            *([snow] if snow is not None else []),
        ),
        kind="monthly",
        air_temperature_sd=warming.sd or 0.0,
        uv_log_sd=light.log_sd or 0.0,
        uv_total=uv_total_of(entry, file.name),
    )


def _of_weather(weather: Weather, file: str, entry: dict[str, Any]) -> Site:
    return Site(
        name=entry.get("name", file),
        title=entry.get("title") or weather.place or file,
        latitude=weather.latitude,
        longitude=weather.longitude,
        altitude=weather.altitude,
        utc_offset=weather.utc_offset,
        hourly=weather.hourly,
        source=entry.get("source", f"hourly weather file {file}"),
        licence=entry.get("licence", ""),
        typical_year=bool(entry.get("typical_year", weather.typical_year)),
        file=file,
        cautions=weather.cautions,
        years=weather.years,
        uv_total=uv_total_of(entry, file),
    )
