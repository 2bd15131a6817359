"""Where does the product lie, and what is the weather there? Sites and their hourly years."""

from __future__ import annotations

import functools
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from durability import catalogue
from durability.study.model import Caution

if TYPE_CHECKING:
    import xarray


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

    def __repr__(self) -> str:
        year = "typical year" if self.typical_year else "one year"
        ghi = float(self.hourly["ghi"].sum()) * 0.0036
        return (
            f"Site {self.name}: {self.title}; {_angle(self.latitude, 'NS')} "
            f"{_angle(self.longitude, 'EW')}, {self.altitude:g} m; {year}, {ghi:.0f} MJ/m² of "
            f"sunlight, mean air {float(self.hourly['temp_air'].mean()):.1f} °C"
        )


def _angle(degrees: float, ends: str) -> str:
    return f"{abs(degrees):.2f} {ends[0] if degrees >= 0 else ends[1]}"


def read_site(name_or_path: str | Path) -> Site:
    """A site of models/sites by name, or an hourly weather file of the user's own.

    Parameters
    ----------
    name_or_path : a name such as ``"miami"``, or the path of a weather file: EPW, TMY3 or the csv
        of a PVGIS typical year, plain or gzip-compressed. The format is told from the content.

    Raises
    ------
    StudyError : an unknown name, or a file that is not a year of plausible weather; everything
        wrong with it at once.

    Examples
    --------
    >>> read_site("miami").latitude
    25.817
    """
    from durability.study.problem import Problem, StudyError

    text = str(name_or_path)
    names = catalogue.names("sites")
    if text in names:
        entry = catalogue.read("sites", text)
        file = catalogue.models_folder() / "sites" / entry["hourly"]
        return _read(file, text, _stamp(file))
    file = Path(name_or_path).expanduser()
    if file.is_file():
        return _read(file.resolve(), None, _stamp(file))
    import difflib

    near = difflib.get_close_matches(text, names, n=1, cutoff=0.5)
    hint = f'Did you mean "{near[0]}"? ' if near else ""
    raise StudyError(
        [
            Problem(
                file=text,
                found="no site and no file of that name",
                expected=f"one of {', '.join(names)}, or the path of an hourly weather file",
                mend=f"{hint}Weather files are read in the forms EPW, TMY3 and PVGIS csv.",
            )
        ]
    )


def sites() -> list[dict[str, Any]]:
    """What models/sites holds, one record a site: name, title, position, climate, source, licence.

    Examples
    --------
    >>> [s["name"] for s in sites()]
    ['miami', 'northway', 'phoenix', 'po-valley']
    """
    keys = (
        "name", "title", "latitude", "longitude", "altitude", "climate", "typical_year",
        "source", "licence",
    )  # fmt: skip
    entries = (catalogue.read("sites", name) for name in catalogue.names("sites"))
    return [{key: entry[key] for key in keys} for entry in entries]


def _stamp(file: Path) -> tuple[int, int]:
    status = file.stat()
    return status.st_mtime_ns, status.st_size


@functools.lru_cache(maxsize=32)
def _read(file: Path, name: str | None, stamp: tuple[int, int]) -> Site:
    """Read once for each state of the file; `stamp` changes when the file does."""
    from durability.exposure.weather import read_weather

    weather = read_weather(file)
    entry = catalogue.read("sites", name) if name else {}
    return Site(
        name=name or file.name,
        title=entry.get("title") or weather.place or file.name,
        latitude=weather.latitude,
        longitude=weather.longitude,
        altitude=weather.altitude,
        utc_offset=weather.utc_offset,
        hourly=weather.hourly,
        source=entry.get("source", f"hourly weather file {file.name}"),
        licence=entry.get("licence", ""),
        typical_year=bool(entry.get("typical_year", weather.typical_year)),
        file=file.name,
        cautions=weather.cautions,
    )
