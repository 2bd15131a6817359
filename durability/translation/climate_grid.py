"""Which climate is a map drawn from? A grid of months or hours: read, checked, or invented."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping

    import xarray

EXPECTED = {
    "ghi": ("W/m^2", -50.0, 1600.0, 480.0),
    "temp_air": ("degC", -95.0, 62.0, 50.0),
    "wind_speed": ("m/s", 0.0, 120.0, 40.0),
    "temp_range": ("K", 0.0, 60.0, 60.0),
    "snow_depth": ("cm", 0.0, 2000.0, 2000.0),
    "rain": ("mm", 0.0, 500.0, 500.0),
    "relative_humidity": ("1", 0.0, 1.2, 1.2),
}
"""Unit of each variable of a grid, its least value, and the largest of an hour and of a month
(common practice, no source)."""
SPELLINGS = {
    "W/m^2": ("w m-2", "watt m-2", "watts m-2", "w m2-1"),
    "degC": ("c", "celsius", "deg c", "degree_celsius", "degrees_celsius", "degree_c"),
    "m/s": ("m s-1", "meter second-1", "metre second-1"),
    "K": ("degc", "celsius", "kelvin"),
    "cm": ("centimeter", "centimetre"),
    "mm": ("mm/h", "mm h-1", "mm hour-1", "kg m-2", "kg/m2"),
    "1": ("", "fraction", "dimensionless"),
}
"""How grids spell these units, without signs of powers."""


def climate_axis(climate: xarray.Dataset, *, snow: bool = False) -> str:
    """``"month"`` or ``"time"``, whichever a grid has; a ValueError names all that is wrong.

    Parameters
    ----------
    climate : the grid.
    snow : whether hourly ``snow_depth`` is asked for.
    """
    problems = [f"no variable {n}" for n in ("ghi", "temp_air") if n not in climate]
    problems += [f"no dimension {n}" for n in ("latitude", "longitude") if n not in climate.dims]
    axis = "month" if "month" in climate.dims else "time" if "time" in climate.dims else ""
    if not axis:
        problems.append("neither a dimension month nor time")
    elif climate.sizes[axis] != {"month": 12, "time": 8760}[axis]:
        mend = {
            12: " (call the dimension of twelve months month, 1 to 12)",
            8784: " (leave out 29 February)",
        }.get(climate.sizes[axis], "")
        problems.append(
            f"{climate.sizes[axis]} along {axis}; expected 12 months or 8760 hours{mend}"
        )
    else:
        problems += _order(climate, axis)
    problems += _units(climate)
    if "latitude" in climate.coords and not (abs(climate["latitude"]) <= 90).all():
        problems.append("a latitude beyond 90 degrees")
    if snow and ("snow_depth" not in climate or axis == "month"):
        problems.append("no hourly snow_depth [cm], by which cover by snow is counted")
    if problems:
        raise ValueError(f"the climate grid has {'; '.join(problems)}")
    return axis


def _order(climate: xarray.Dataset, axis: str) -> list[str]:
    """What is wrong with months or hours that are labelled."""
    import numpy as np

    if axis not in climate.coords:
        return []
    at = climate[axis].values
    if axis == "month":
        good = np.array_equal(at, np.arange(1, 13))
        return [] if good else ["months that are not 1 to 12 in order"]
    if not np.issubdtype(at.dtype, np.datetime64):
        return []
    found = []
    since = (at[0] - at[0].astype("datetime64[Y]")) / np.timedelta64(1, "h")
    if not 0 <= since < 1:
        found.append(f"hours that begin on {str(at[0])[:16]}; expected 1 January 00:00 UTC")
    step = np.diff(at) / np.timedelta64(1, "h")
    if not (np.abs(step - 1) < 1e-6).sum() >= step.size - 1:  # 29 February may be left out
        found.append("hours that are not one apart")
    return found


def _units(climate: xarray.Dataset) -> list[str]:
    """Units that are stated and are others than expected."""
    found = []
    for name, (unit, _, _, _) in EXPECTED.items():
        stated = climate[name].attrs.get("units") if name in climate else None
        if stated is None or _plain(str(stated)) in (_plain(unit), *SPELLINGS[unit]):
            continue
        found.append(f"{name} in {stated}; expected {unit}")
    return found


def _plain(unit: str) -> str:
    """A unit without the signs that people write powers with."""
    for sign, plain in (("**", ""), ("^", ""), ("²", "2"), ("·", " "), ("⁻¹", "-1"), ("°", "deg")):
        unit = unit.replace(sign, plain)
    return " ".join(unit.lower().split())


def check_values(given: Mapping[str, Any], axis: str) -> None:
    """Refuse numbers that no weather has, which mostly are in another unit.

    Parameters
    ----------
    given : arrays by name, as `durability.days_map` takes them.
    axis : ``"month"`` or ``"time"``.
    """
    import numpy as np

    problems = []
    for name, values in given.items():
        unit, low, hours, months = EXPECTED[name]
        high = months if axis == "month" else hours
        least, most = (end.reduce(values, axis=None, initial=np.nan) for end in (np.fmin, np.fmax))
        if np.isinf([least, most]).any():
            known = values[np.isfinite(values)]  # copies, which is slow and keeps Python's lock
            least, most = known.min(initial=np.inf), known.max(initial=-np.inf)
        if least < low or most > high:
            worst = most if most > high else least
            problems.append(f"{name} of {worst:g}; expected {low:g} to {high:g} {unit}")
    if problems:
        raise ValueError(f"the climate grid has {'; '.join(problems)}. Check the units.")


def check_wetness(climate: xarray.Dataset, axis: str) -> None:
    """Refuse a grid that does not tell when fabric is wet."""
    if axis == "month" or not {"rain", "relative_humidity"} & set(climate):
        raise ValueError(
            "the study counts wetness, and the climate grid has neither hourly rain [mm] nor "
            "relative_humidity [0 to 1]; add one, or map without: wetness = false under [question]"
        )


def invented_climate(*, step: float = 5.0, south: float = -40.0, north: float = 55.0) -> Any:
    """A monthly grid from a plain formula, invented, to try a map with.

    Sunlight falls from the equator with a yearly wave that grows with latitude; so does the air
    temperature. No place of the world is meant.
    """
    import numpy as np
    import xarray

    latitude = np.arange(south, north + step / 2, step)
    longitude = np.arange(0.0, 60.0 + step / 2, step)
    phase = np.cos(2 * np.pi * (np.arange(12) - 5.5) / 12)
    lat, lon, wave = np.meshgrid(latitude, longitude, phase, indexing="ij")
    dry = 1 + 0.15 * np.sin(np.radians(6 * lon))
    ghi = np.clip(240 * np.cos(np.radians(lat)) * dry + 1.9 * lat * wave, 15, 330)
    air = 28 - 0.012 * lat**2 + 0.28 * lat * wave
    return xarray.Dataset(
        {
            "ghi": (("latitude", "longitude", "month"), ghi, {"units": "W/m^2"}),
            "temp_air": (("latitude", "longitude", "month"), air, {"units": "degC"}),
        },
        coords={"latitude": latitude, "longitude": longitude, "month": np.arange(1, 13)},
        attrs={"invented": "yes", "title": "invented climate, from a formula"},
    )


def read_climate(file: str | Path) -> xarray.Dataset:
    """A climate grid from a netCDF file, read lazily where dask is installed."""
    import importlib.util

    import xarray

    path = Path(file)
    if not path.is_file():
        raise ValueError(f"{path.name} is no file; expected a netCDF file of a climate grid")
    chunks: Any = "auto" if importlib.util.find_spec("dask") else None
    try:
        grid = xarray.open_dataset(path, engine="h5netcdf", chunks=chunks)
    except (OSError, ValueError) as error:
        raise ValueError(f"{path.name} cannot be read as netCDF ({error})") from error
    return grid.rename({k: v for k, v in {"lat": "latitude", "lon": "longitude"}.items()
                        if k in grid.dims})  # fmt: skip


__all__ = ["check_wetness", "climate_axis", "invented_climate", "read_climate"]
