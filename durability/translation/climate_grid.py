"""Which climate is a map drawn from? A grid of months or hours: read, checked, or invented."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import xarray


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
        problems.append(f"{climate.sizes[axis]} along {axis}; expected 12 months or 8760 hours")
    if snow and ("snow_depth" not in climate or axis == "month"):
        problems.append("no hourly snow_depth [cm], by which cover by snow is counted")
    if problems:
        raise ValueError(f"the climate grid has {'; '.join(problems)}")
    return axis


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
