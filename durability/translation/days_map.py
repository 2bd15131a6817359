"""How many days until a threshold, cell by cell of a map? For gridded climates of many cells.

Each cell is read as `translate` reads a site, with three short cuts that make it much faster.
Ultraviolet is the grid's sunlight times a ratio that depends on the height of the sun and on the
clearness of the sky, tabulated once from the spectral model where the sun of the grid is highest.
The effective dose of a step of the year is computed at 5 x 5 values of exponent and activation
energy (Chebyshev points) and read between them for each draw; with one exponential a value, since
the rate is a product. Days are found to the step and in a straight line within it.

What is common to all cells (threshold, lamp, calibration, lab to sky) is drawn as for a site; the
warming of the fabric and the cloud power are held at their medians.
"""

from __future__ import annotations

import itertools
from pathlib import Path
from typing import TYPE_CHECKING, Any

from durability.exposure.clock import GAS_CONSTANT, KELVIN

if TYPE_CHECKING:
    import numpy as np
    import xarray
    from numpy.typing import NDArray

    from durability.statement import Subject
    from durability.translation.lamp import ThresholdPosterior

NODES = 5
STEP_DAYS = 5
MONTH_DAYS = (31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)
WIND = 2.0
"""Wind where the grid has none [m/s] (common practice, no source)."""
DAILY_SWING = 4.0
"""Half the daily range of air temperature where the grid has none [K] (common practice, no
source)."""
LOWEST = 0.02


def days_map(
    fit: ThresholdPosterior,
    climate: xarray.Dataset,
    *,
    material: str | None = None,
    direction: str | None = None,
    of: Subject | None = None,
    fraction: float | None = None,
    assurance: float | None = None,
    draws: int = 400,
    horizon_years: float = 20.0,
    cluster: str | None = None,
    seed: int | None = None,
) -> xarray.Dataset:
    """Days outdoors and days to cover over a grid, by month of laying.

    Parameters
    ----------
    fit : the posterior.
    climate : dims (latitude, longitude, month) with 12 months, or (latitude, longitude, time) with
        8760 hours in UTC; ``ghi`` mean sunlight on the horizontal [W/m²] and ``temp_air`` [degC];
        optional ``wind_speed`` [m/s], and for months ``temp_range`` daily range [K]. Chunks of
        dask are kept and spread.
    material, direction, of, fraction : the subject; None takes the first material and its weaker
        direction, the study's subject and first threshold.
    assurance : of days to cover; None takes the study's.
    draws : of the posterior, evenly picked.
    horizon_years : days beyond are nan; ``reached`` says how probable it is that they are not.
    cluster : address of a dask scheduler; None computes here.
    seed : None takes the fit's.

    Returns
    -------
    Dataset (latitude, longitude, month): ``days`` median and ``cover`` whole days at the
    assurance [d], ``reached`` probability that the threshold is reached within the horizon.

    Raises
    ------
    ValueError
        For a grid without sunlight or temperature, or of another length.
    """
    import numpy as np
    import xarray

    axis, step = _axis(climate)
    question = fit.study.question
    assurance = question.assurance if assurance is None else assurance
    setting = _setting(fit, climate, material, direction, of, fraction, draws, seed)
    names = [n for n in ("ghi", "temp_air", "wind_speed", "temp_range") if n in climate]

    def block(latitude: Any, longitude: Any, *fields: Any) -> Any:
        given = dict(zip(names, fields, strict=True))
        return _block(latitude, longitude, given, setting, axis, step, assurance, horizon_years)

    fields = [climate[n].astype(float) for n in names]
    lazy = any(f.chunks for f in fields)
    if lazy:
        fields = [f.chunk({axis: -1}) for f in fields]
    found = xarray.apply_ufunc(
        block,
        climate["latitude"],
        climate["longitude"],
        *fields,
        input_core_dims=[[], [], *[[axis] for _ in fields]],
        output_core_dims=[["laid", "what"]],
        dask="parallelized" if lazy else "forbidden",
        dask_gufunc_kwargs={"output_sizes": {"laid": 12, "what": 3}},
        output_dtypes=[float],
    )
    if lazy:
        found = _computed(found, cluster)
    found = found.rename(laid="month").assign_coords(month=np.arange(1, 13))
    parts = ("days", "cover", "reached")
    made = xarray.Dataset({n: found.isel(what=i, drop=True) for i, n in enumerate(parts)})
    made["days"].attrs = {"units": "d", "long_name": "days from laying to the threshold, median"}
    made["cover"].attrs = {"units": "d", "long_name": "whole days to cover"}
    made["reached"].attrs = {"units": "1", "long_name": "probability of reaching the threshold"}
    made.attrs = {
        "study": fit.study.title, "material": setting["material"],
        "direction": setting["direction"], "of": setting["of"],
        "fraction": float(setting["fraction"]), "assurance": assurance,
        "horizon_years": horizon_years, "draws": int(setting["target"].size),
        "caution": "Approximate; the cautions of a translation apply in every cell. "
        "Local codes and licensed practice prevail.",
        **({"invented": "yes"} if climate.attrs.get("invented") else {}),
    }  # fmt: skip
    return made.transpose("latitude", "longitude", "month")


def _axis(climate: xarray.Dataset) -> tuple[str, int]:
    problems = [f"no variable {n}" for n in ("ghi", "temp_air") if n not in climate]
    problems += [f"no dimension {n}" for n in ("latitude", "longitude") if n not in climate.dims]
    axis = "month" if "month" in climate.dims else "time" if "time" in climate.dims else ""
    if not axis:
        problems.append("neither a dimension month nor time")
    elif climate.sizes[axis] != {"month": 12, "time": 8760}[axis]:
        problems.append(f"{climate.sizes[axis]} along {axis}; expected 12 months or 8760 hours")
    if problems:
        raise ValueError(f"the climate grid has {'; '.join(problems)}")
    return axis, STEP_DAYS if axis == "time" else 0


def _computed(found: Any, cluster: str | None) -> Any:
    if cluster is None:
        return found.compute(scheduler="threads")
    try:
        from distributed import Client
    except ImportError:
        raise ValueError(
            "a cluster needs the package distributed, which is not installed"
        ) from None
    with Client(cluster):
        return found.compute()


def _setting(
    fit: ThresholdPosterior,
    climate: xarray.Dataset,
    material: str | None,
    direction: str | None,
    of: Subject | None,
    fraction: float | None,
    draws: int,
    seed: int | None,
) -> dict[str, Any]:
    """What all cells share: targets of each draw, Chebyshev weights, ratios of ultraviolet."""
    import numpy as np

    from durability.translation.inputs import draw_links, draw_shared, read_inputs
    from durability.translation.lamp import lamp_clocks
    from durability.translation.sky import heating

    lamps, _ = lamp_clocks(fit)
    chosen = next(iter(lamps)) if material is None else material
    if chosen not in lamps:
        raise ValueError(f'material "{chosen}" cannot be read; known: {", ".join(lamps)}')
    lamp = lamps[chosen]
    question = fit.study.question
    of = of or question.of
    fraction = fit.study.thresholds[0] if fraction is None else fraction
    share = question.share if of == "single_specimen" else None
    tau = {
        d: fit.threshold_draws(
            fraction, of=of, material=chosen, direction=d, exposure=lamp.exposure, share=share
        )
        for d in fit.directions(chosen)
    }
    if direction is None:
        direction = min(tau, key=lambda d: float(np.median(tau[d])))
    n = tau[direction].size
    seed = fit.seed if seed is None else seed
    inputs = read_inputs()
    links = draw_links(
        fit, chosen, lamp, lab_to_sky=inputs["lab_to_sky"],
        shared=draw_shared(inputs, draws=n, seed=seed), draws=n, seed=seed,
    )  # fmt: skip
    pick = np.linspace(0, n - 1, min(draws, n)).astype(int)
    links = {name: values[pick] for name, values in links.items()}
    p, energy = links["reciprocity_exponent"], links["activation_energy"]
    true = lamp.irradiance * links["lamp_dose"]
    scale = lamp.per_hour * true ** (1 - p) * (links["uv_factor"] * links["year_to_year"]) ** p
    # relative to 25 degC, so that the doses at the nodes are of ordinary size
    scale = scale / (
        lamp.arrhenius(energy, links["lamp_temperature"])
        * np.exp(energy / (GAS_CONSTANT * (25 + KELVIN)))
    )
    p_nodes, p_weights = _chebyshev(p)
    e_nodes, e_weights = _chebyshev(energy)
    return {
        "material": str(chosen), "direction": direction, "of": of, "fraction": fraction,
        "target": tau[direction][pick] * links["lamp_dose"] * links["lab_to_sky"] / scale,
        "p": p_nodes, "energy": e_nodes,
        "weights": (p_weights[:, None, :] * e_weights[None, :, :]).reshape(-1, pick.size),
        "heat": float(np.median(heating(links))),
        "cloud": inputs["cloud_power"].value,
        "ratio": _ratios(climate, lamp.variable),
        "warming": _monthly_warming(),
    }  # fmt: skip


def _chebyshev(x: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Nodes, and the weight (node, draw) of each at every draw (barycentric form)."""
    import numpy as np

    low, high = float(x.min()), float(x.max())
    if high - low < 1e-9:
        weights = np.zeros((1, x.size)) + 1.0
        return np.array([low]), weights
    k = np.arange(NODES)
    nodes = (low + high) / 2 - (high - low) / 2 * np.cos(np.pi * (k + 0.5) / NODES)
    weights = np.ones((NODES, x.size))
    for i in range(NODES):
        for j in range(NODES):
            if i != j:
                weights[i] *= (x - nodes[j]) / (nodes[i] - nodes[j])
    return nodes, weights


def _monthly_warming() -> float:
    from durability.exposure import translation_assumptions

    known = translation_assumptions().get("monthly_climate_warming")
    return 0.0 if known is None else known.value


def _ratios(climate: xarray.Dataset, variable: str) -> tuple[Any, Any, Any]:
    """(cosine of the zenith, clear sunlight, ultraviolet over it) where the sun is highest."""
    import numpy as np
    import xarray

    from durability.exposure import Site
    from durability.exposure.clear_sky import clear_sky

    time = np.datetime64("2001-01-01T00:30") + np.arange(8760).astype("timedelta64[h]")
    grid = climate["latitude"].values
    nearest = float(grid[np.argmin(np.abs(grid))])
    air = np.full(8760, float(climate["temp_air"].mean()))
    weather = {"temp_air": ("time", air)}
    place = Site(
        name="grid", title="the grid", latitude=nearest, longitude=0.0, altitude=0.0,
        utc_offset=0.0,
        hourly=xarray.Dataset(weather, coords={"time": time.astype("datetime64[ns]")}),
    )  # fmt: skip
    clear = clear_sky(place)
    cosine = np.cos(np.radians(clear["zenith"].values))
    edges = np.linspace(LOWEST, 1.0, 41)
    ghi, uv = clear["ghi"].values, clear[variable].values
    at, light, ratio = [], [], []
    for low, high in itertools.pairwise(edges):
        here = (cosine >= low) & (cosine < high) & (ghi > 1)
        if here.any():
            at.append(float(cosine[here].mean()))
            light.append(float(ghi[here].mean()))
            ratio.append(float(uv[here].sum() / ghi[here].sum()))
    return np.array(at), np.array(light), np.array(ratio)


def _cosines(latitude: Any, day: Any, solar_hour: Any) -> Any:
    """Cosine of the zenith angle, broadcast (declination after Cooper 1969, from memory)."""
    import numpy as np

    tilt = np.radians(23.45) * np.sin(2 * np.pi * (284 + day) / 365)
    phi = np.radians(latitude)
    turn = np.radians(15 * (solar_hour - 12))
    return np.sin(phi) * np.sin(tilt) + np.cos(phi) * np.cos(tilt) * np.cos(turn)


def _block(
    latitude: Any, longitude: Any, given: dict[str, Any], setting: dict[str, Any], axis: str,
    step: int, assurance: float, horizon_years: float,
) -> Any:  # fmt: skip
    """(…, laid month, what) of a block of cells: days, whole days to cover, probability."""
    import numpy as np

    shape = np.broadcast_shapes(given["ghi"].shape[:-1], np.shape(latitude), np.shape(longitude))
    flat = {n: np.broadcast_to(v, (*shape, v.shape[-1])) for n, v in given.items()}
    flat = {n: v.reshape(-1, v.shape[-1]) for n, v in flat.items()}
    lat = np.broadcast_to(latitude, shape).ravel()
    lon = np.broadcast_to(longitude, shape).ravel()
    out = np.full((lat.size, 12, 3), np.nan)
    for i in range(lat.size):
        cell = {n: v[i] for n, v in flat.items()}
        if not all(np.isfinite(v).all() for v in cell.values()):
            continue
        hours = _hours(lat[i], lon[i], cell, setting, axis)
        out[i] = _cell(*hours, setting, step, assurance, horizon_years)
    return out.reshape(*shape, 12, 3)


def _hours(
    latitude: float, longitude: float, cell: dict[str, Any], setting: dict[str, Any], axis: str
) -> tuple[Any, Any]:
    """Ultraviolet and temperature [K] of the hours: (day or month, 24)."""
    import numpy as np

    cos_at, clear_at, ratio_at = setting["ratio"]
    if axis == "month":
        ends = np.cumsum(MONTH_DAYS)
        day = (ends - np.array(MONTH_DAYS) / 2)[:, None]
        hour = np.arange(24)[None] + 0.5
        cosine = _cosines(latitude, day, hour)
        clear = np.where(cosine > LOWEST, np.interp(cosine, cos_at, clear_at), 0.0)
        mean = np.maximum(clear.mean(axis=1, keepdims=True), 1e-9)
        clearness = np.clip(cell["ghi"][:, None] / mean, 0.0, 1.2)
        ghi = clear * clearness
        swing = cell["temp_range"][:, None] / 2 if "temp_range" in cell else DAILY_SWING
        air = cell["temp_air"][:, None] + swing * np.cos(2 * np.pi * (hour - 15) / 24)
        air = air + setting["warming"]
        wind = cell["wind_speed"][:, None] if "wind_speed" in cell else WIND
    else:
        day = np.arange(365)[:, None] + 1.0
        hour = np.arange(24)[None] + 0.5 + longitude / 15
        cosine = _cosines(latitude, day, hour)
        clear = np.where(cosine > LOWEST, np.interp(cosine, cos_at, clear_at), 0.0)
        ghi = np.maximum(cell["ghi"].reshape(365, 24), 0.0)
        clearness = np.clip(ghi / np.maximum(clear, 1e-9), 0.0, 1.2)
        air = cell["temp_air"].reshape(365, 24)
        wind = cell["wind_speed"].reshape(365, 24) if "wind_speed" in cell else WIND
    clearness = np.maximum(clearness, 1e-3)
    uv = clear * np.interp(cosine, cos_at, ratio_at) * clearness ** setting["cloud"]
    uv = np.where(ghi > 0, uv, 0.0)
    return uv, air + KELVIN + setting["heat"] * ghi / (25.0 + 6.84 * wind)


def _cell(
    uv: Any, kelvin: Any, setting: dict[str, Any], step: int, assurance: float, horizon: float
) -> Any:
    """(laid month, what) of one cell."""
    import numpy as np

    if not (uv > 0).any():
        return np.column_stack([np.full(12, np.nan), np.full(12, np.nan), np.zeros(12)])
    light = np.where(uv > 0, np.log(np.maximum(uv, 1e-30)), -200.0)
    inverse = (1 / kelvin - 1 / (25 + KELVIN)) / GAS_CONSTANT
    a = np.exp(setting["p"][:, None, None] * light)
    b = np.exp(-setting["energy"][:, None, None] * inverse)
    daily = np.matmul(a.transpose(1, 0, 2), b.transpose(1, 2, 0)).reshape(uv.shape[0], -1)
    if step:
        length = np.full(-(-uv.shape[0] // step), float(step))
        daily = np.add.reduceat(daily, np.arange(0, uv.shape[0], step))
    else:
        length = np.array(MONTH_DAYS, dtype=float)
        daily = daily * length[:, None]
    # not by BLAS: its threads cost a hundred times the work of so small a product
    log_dose = np.einsum("sn,nd->sd", np.log(np.maximum(daily, 1e-300)), setting["weights"])
    gained = np.exp(log_dose)  # (step, draw)
    gained[daily.max(axis=1) <= 0] = 0.0
    ends = np.cumsum(length)
    place = np.concatenate([[0.0], ends])
    total = np.vstack([np.zeros(gained.shape[1]), np.cumsum(gained, axis=0)])
    starts = np.cumsum([0, *MONTH_DAYS[:-1]]) + np.array(MONTH_DAYS) / 2
    at = np.searchsorted(place, starts, side="right") - 1
    part = ((starts - place[at]) / (place[at + 1] - place[at]))[:, None]
    goal = total[at] * (1 - part) + total[at + 1] * part + setting["target"]  # (laid, draw)
    year = total[-1]
    with np.errstate(invalid="ignore", divide="ignore"):
        years = np.floor(goal / year)
        rest = goal - years * year
    low = np.zeros(goal.shape, dtype=int)
    column = np.arange(goal.shape[1])
    for jump in (64, 32, 16, 8, 4, 2, 1):  # halving in all draws and months at once
        try_at = np.minimum(low + jump, place.size - 2)
        low = np.where(total[try_at, column] <= rest, try_at, low)
    gain = np.maximum(total[low + 1, column] - total[low, column], 1e-300)
    within = np.clip((rest - total[low, column]) / gain, 0.0, 1.0)
    days = years * 365.0 + place[low] + within * (place[low + 1] - place[low]) - starts[:, None]
    days = np.where(np.isfinite(goal) & (year > 0), days, np.inf)
    days[~(days <= horizon * 365.0)] = np.inf
    reached = np.isfinite(days).mean(axis=1)
    ordered = np.sort(days, axis=1)  # order statistics, as quantiles of the method "lower"
    last = days.shape[1] - 1
    middle = ordered[:, int(0.5 * last)]
    sure = np.floor(ordered[:, int((1 - assurance) * last + 1e-9)])
    return np.column_stack(
        [np.where(np.isfinite(x), x, np.nan) for x in (middle, sure)] + [reached]
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


__all__ = ["days_map", "invented_climate", "read_climate"]
