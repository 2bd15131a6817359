"""How many days until a threshold in one cell of a map? The arithmetic of `days_map`.

Three short cuts make a cell fast. Ultraviolet is sunlight times a ratio that depends on latitude
and the height of the sun, tabulated from the spectral model, with the cloud power. The effective
dose of a step of the year is computed at 5 x 5 values of exponent and activation energy (Chebyshev
points) and read between them for each draw, with one exponential a value, since the rate is a
product. Around the medians of cloud power, warming of the fabric and air temperature the log of
that dose is expanded (first order, second for the warming), with the damage as weight.

Monthly means become days of five states of clearness, with the daily swing of `hours_of`.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from durability.exposure.clock import GAS_CONSTANT, KELVIN
from durability.exposure.monthly import (
    STATES_A_MONTH as STATES,
)
from durability.exposure.monthly import (
    SWING,
    WARMEST,
    WIND_SWING,
    clearness_states,
)
from durability.exposure.sky_spectrum import chebyshev
from durability.exposure.temperature import U0, U1

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from durability.exposure import Site
    from durability.exposure.action import Action
    from durability.exposure.lamp_light import LampLight

NODES = 5
STEP_DAYS = 5
MONTH_DAYS = (31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)
WIND = 2.0
"""Wind where the grid has none [m/s] (common practice, no source)."""
LOWEST = 0.02
WARM = 25 + KELVIN
"""Temperature to which doses refer inside, so that they are of ordinary size [K]."""


def reading_of(
    exponent: NDArray[np.float64],
    energy: NDArray[np.float64],
    cloud: NDArray[np.float64],
    heat: NDArray[np.float64],
    warmer: NDArray[np.float64],
) -> dict[str, Any]:
    """What turns the doses of a cell into those of each draw: nodes, medians and weights.

    Parameters
    ----------
    exponent, energy : p [1] and Ea [kJ/mol], (draw,).
    cloud : cloud power [1], (draw,).
    heat : warming of the fabric against a surface of absorptance 0.9 [1], (draw,).
    warmer : true less stated air temperature [K], (draw,).
    """
    import numpy as np

    p_nodes, p_weights = chebyshev(exponent, NODES)
    e_nodes, e_weights = chebyshev(energy, NODES)
    power, middle = float(np.median(cloud)), float(np.median(heat))
    slope, departs = energy / GAS_CONSTANT, heat - middle
    return {
        "p": p_nodes,
        "energy": e_nodes,
        "weights": np.vstack(
            [
                (p_weights[:, None, :] * e_weights[None, :, :]).reshape(-1, exponent.size),
                exponent * (cloud - power),
                slope * warmer,
                slope * departs,
                slope**2 * departs**2 / 2,
                -slope * departs**2,
            ]
        ),
        "cloud": power,
        "heat": middle,
    }


def ratios(places: Sequence[Site], variable: str) -> dict[str, Any]:
    """Cloudless sunlight and ultraviolet over it, by height of the sun, at several latitudes.

    Parameters
    ----------
    places : along a meridian, by latitude.
    variable : ultraviolet of `durability.exposure.sky_exposure`.

    Returns
    -------
    dict of ``latitude`` (place,), ``cosine`` of the zenith (k,), ``light`` (place, k) [W/m²] and
    ``ratio`` (place, k).
    """
    import numpy as np

    from durability.exposure.clear_sky import clear_sky

    edges = np.linspace(LOWEST, 1.0, 41)
    middle = (edges[1:] + edges[:-1]) / 2
    rows_light, rows_ratio = [], []
    for place in places:
        clear = clear_sky(place)
        cosine = np.cos(np.radians(clear["zenith"].values))
        ghi, uv = clear["ghi"].values, clear[variable].values
        at, light, ratio = [], [], []
        for low, high in itertools.pairwise(edges):
            here = (cosine >= low) & (cosine < high) & (ghi > 1)
            if here.any():
                at.append(float(cosine[here].mean()))
                light.append(float(ghi[here].mean()))
                ratio.append(float(uv[here].sum() / ghi[here].sum()))
        # sunlight nearly in proportion to the height of the sun, also beyond what a place sees
        beam = np.interp(middle, at, np.array(light) / np.array(at))
        rows_light.append(beam * middle)
        rows_ratio.append(np.interp(middle, at, ratio))
    latitude = np.array([place.latitude for place in places])
    return {
        "latitude": latitude, "cosine": middle, "light": np.array(rows_light),
        "ratio": np.array(rows_ratio),
    }  # fmt: skip


def by_action(
    places: Sequence[Site],
    ratio: dict[str, Any],
    action: Action,
    lamp: LampLight,
    band: str,
    links: Mapping[str, Any],
) -> tuple[Any, dict[str, Any]]:
    """The ratios of ultraviolet weighted by an action spectrum, and what draws differ in.

    Parameters
    ----------
    places, ratio : as `ratios` takes and makes them.
    action, lamp, band : as `durability.translation.spectral.SpectralLink`.
    links : draws (draw,) of `durability.translation.spectral.LINKS`.

    Returns
    -------
    log_ratio : log of the sky's effective light over the lamp's, all places together, (draw,).
    ratio : with the redder light of a low sun in it, at the median draw.
    """
    import numpy as np

    from durability.exposure.clear_sky import clear_sky
    from durability.translation.spectral import spectral_ratio

    edges = np.linspace(LOWEST, 1.0, ratio["cosine"].size + 1)
    sums, where = [], []
    wavelength = np.zeros(0)
    for i, place in enumerate(places):
        clear = clear_sky(place)
        wavelength = clear["wavelength"].values
        height = np.digitize(np.cos(np.radians(clear["zenith"].values)), edges) - 1
        for k in range(edges.size - 1):
            light = clear["spectral"].values[height == k].sum(axis=0)
            if light.sum() > 0:
                sums.append(light)
                where.append((i, k))
    log_ratio, shape = spectral_ratio(action, lamp, band, wavelength, np.array(sums), links)
    at = np.array(where)
    rows = []
    for i, row in enumerate(ratio["ratio"]):
        mine = at[:, 0] == i
        redder = np.interp(ratio["cosine"], ratio["cosine"][at[mine, 1]], shape[mine])
        rows.append(row * np.exp(redder))
    return log_ratio, ratio | {"ratio": np.array(rows)}


def _clear(latitude: float, cosine: Any, table: dict[str, Any]) -> tuple[Any, Any]:
    """Cloudless sunlight [W/m²] and ultraviolet over it at a latitude."""
    import numpy as np

    known = table["latitude"]
    above = int(np.clip(np.searchsorted(known, latitude), 1, max(known.size - 1, 1)))
    if known.size == 1:
        light, ratio = table["light"][0], table["ratio"][0]
    else:
        part = (latitude - known[above - 1]) / (known[above] - known[above - 1])
        part = min(max(float(part), 0.0), 1.0)
        light, ratio = (
            (1 - part) * table[n][above - 1] + part * table[n][above] for n in ("light", "ratio")
        )
    clear = np.where(cosine > LOWEST, np.interp(cosine, table["cosine"], light), 0.0)
    return clear, np.interp(cosine, table["cosine"], ratio)


def _cosines(latitude: Any, day: Any, solar_hour: Any) -> Any:
    """Cosine of the zenith angle, broadcast (declination after Cooper 1969, from memory)."""
    import numpy as np

    tilt = np.radians(23.45) * np.sin(2 * np.pi * (284 + day) / 365)
    phi = np.radians(latitude)
    turn = np.radians(15 * (solar_hour - 12))
    return np.sin(phi) * np.sin(tilt) + np.cos(phi) * np.cos(tilt) * np.cos(turn)


def block(
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
) -> tuple[Any, Any, Any, Any]:
    """Ultraviolet, log clearness, air [K] and warming [K] of (day or state of a month, 24)."""
    import numpy as np

    if axis == "month":
        day = np.repeat(np.cumsum(MONTH_DAYS) - np.array(MONTH_DAYS) / 2, STATES)[:, None]
        hour = np.arange(24)[None] + 0.5
    else:
        day = np.arange(365)[:, None] + 1.0
        hour = np.arange(24)[None] + 0.5 + longitude / 15
    cosine = _cosines(latitude, day, hour)
    clear, ratio = _clear(latitude, cosine, setting["ratio"])
    if axis == "month":
        mean = cell["ghi"] / np.maximum(clear[::STATES].mean(axis=1), 1e-9)
        clearness = _states(np.clip(mean, 0.0, 1.2), setting["states"])[:, None]
        ghi = clear * clearness
        rise = np.cos(2 * np.pi * (hour - WARMEST) / 24)
        if "temp_range" in cell:
            swing = np.repeat(cell["temp_range"], STATES)[:, None] / 2
        else:
            swing = (SWING[0] + SWING[1] * np.minimum(clearness, 1.0)) / 2
        air = np.repeat(cell["temp_air"], STATES)[:, None] + swing * rise + setting["warming"]
        wind = np.repeat(cell["wind_speed"], STATES)[:, None] if "wind_speed" in cell else WIND
        wind = wind * (1 + WIND_SWING * rise)
        clearness = np.broadcast_to(clearness, clear.shape)
    else:
        ghi = np.maximum(cell["ghi"].reshape(365, 24), 0.0)
        clearness = np.clip(ghi / np.maximum(clear, 1e-9), 0.0, 1.2)
        air = cell["temp_air"].reshape(365, 24)
        wind = cell["wind_speed"].reshape(365, 24) if "wind_speed" in cell else WIND
    log_clearness = np.log(np.maximum(clearness, 1e-3))
    uv = clear * ratio * np.exp(setting["cloud"] * log_clearness)
    uv = np.where(ghi > 0, uv, 0.0)
    return uv, log_clearness, air + KELVIN, ghi / (U0 + U1 * wind)


def state_table() -> Any:
    """Five clearnesses (mean, state) of a month at 121 means of it from 0 to 1.2."""
    import numpy as np

    return np.array([clearness_states(x) for x in np.linspace(0.0, 1.2, 121)])


def _states(mean: Any, table: Any) -> Any:
    """Clearness (month and state,) of each month's mean."""
    import numpy as np

    place = np.clip(mean * 100.0, 0.0, 119.999)
    below = place.astype(int)
    part = (place - below)[:, None]
    return (table[below] * (1 - part) + table[below + 1] * part).ravel()


def _doses(
    uv: Any, log_clearness: Any, air: Any, rise: Any, setting: dict[str, Any], step: int
) -> tuple[Any, Any]:
    """Log of the effective dose of each step for each draw, and the steps' lengths [d]."""
    import numpy as np

    kelvin = air + setting["heat"] * rise
    light = np.where(uv > 0, np.log(np.maximum(uv, 1e-30)), -200.0)
    inverse = (1 / kelvin - 1 / WARM) / GAS_CONSTANT
    a = np.exp(setting["p"][:, None, None] * light)
    b = np.exp(-setting["energy"][:, None, None] * inverse)
    daily = np.matmul(a.transpose(1, 0, 2), b.transpose(1, 2, 0)).reshape(uv.shape[0], -1)
    weight = a[a.shape[0] // 2] * b[b.shape[0] // 2]
    cold = 1 / kelvin
    moves = [log_clearness, cold**2, rise * cold**2, (rise * cold**2) ** 2, rise**2 * cold**3]
    moved = np.stack([weight, *(weight * x for x in moves)], axis=1).sum(axis=2)
    both = np.concatenate([daily, moved], axis=1)
    if step:
        length = np.full(-(-uv.shape[0] // step), float(step))
        both = np.add.reduceat(both, np.arange(0, uv.shape[0], step))
    else:
        length = np.array(MONTH_DAYS, dtype=float)
        both = both.reshape(12, STATES, -1).mean(axis=1) * length[:, None]
    daily, moved = both[:, : daily.shape[1]], both[:, daily.shape[1] :]
    mean = moved[:, 1:] / np.maximum(moved[:, :1], 1e-300)
    mean[:, 3] -= mean[:, 2] ** 2
    columns = np.hstack([np.log(np.maximum(daily, 1e-300)), mean])
    # not by BLAS: its threads cost a hundred times the work of so small a product
    log_dose = np.einsum("sn,nd->sd", columns, setting["weights"])
    log_dose[daily.max(axis=1) <= 0] = -np.inf
    return log_dose, length


def _cell(
    uv: Any, log_clearness: Any, air: Any, rise: Any, setting: dict[str, Any], step: int,
    assurance: float, horizon: float,
) -> Any:  # fmt: skip
    """(laid month, what) of one cell."""
    import numpy as np

    if not (uv > 0).any():
        return np.column_stack([np.full(12, np.nan), np.full(12, np.nan), np.zeros(12)])
    log_dose, length = _doses(uv, log_clearness, air, rise, setting, step)
    gained = np.exp(log_dose)  # (step, draw)
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


__all__ = ["MONTH_DAYS", "STEP_DAYS", "block", "by_action", "ratios", "reading_of", "state_table"]
