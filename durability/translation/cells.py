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
import math
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
    from durability.translation.cell_sweep import Physics

NODES = 5
STEP_DAYS = 5
MONTH_DAYS = (31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)
WIND = 2.0
"""Wind where the grid has none [m/s] (common practice, no source)."""
LOWEST = 0.02
"""Smallest cosine of the sun's zenith with light."""
FIELDS = (
    "ghi", "temp_air", "wind_speed", "temp_range", "snow_depth", "rain", "relative_humidity",
)  # fmt: skip
"""Weather that a cell is read from, in the order in which compiled code takes it."""
TABLED = ("light", "ratio", "beam", "clear_beam")
"""What `ratios` tabulates, in the order in which compiled code takes it."""
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
    dict of ``latitude`` (place,), ``cosine`` of the zenith (k,), and (place, k): ``light`` [W/m²],
    ``ratio`` of ultraviolet to it, ``beam`` share of ultraviolet straight from the sun, and
    ``clear_beam`` sunlight across the beam [W/m²].
    """
    import numpy as np

    from durability.exposure.clear_sky import clear_sky

    edges = np.linspace(LOWEST, 1.0, 41)
    middle = (edges[1:] + edges[:-1]) / 2
    rows: dict[str, list[Any]] = {name: [] for name in TABLED}
    for place in places:
        clear = clear_sky(place)
        cosine = np.cos(np.radians(clear["zenith"].values))
        ghi, uv, dni = (clear[n].values for n in ("ghi", variable, "dni"))
        straight = clear[f"{variable}_beam"].values
        found = []
        for low, high in itertools.pairwise(edges):
            here = (cosine >= low) & (cosine < high) & (ghi > 1)
            if here.any():
                light = ghi[here].sum()
                found.append([cosine[here].mean(), ghi[here].mean(), uv[here].sum() / light,
                              straight[here].sum() / uv[here].sum(), dni[here].mean()])  # fmt: skip
        at, light, *others = np.array(found).T
        # sunlight nearly in proportion to the height of the sun, also beyond what a place sees
        rows["light"].append(np.interp(middle, at, light / at) * middle)
        for name, values in zip(TABLED[1:], others, strict=True):
            rows[name].append(np.interp(middle, at, values))
    latitude = np.array([place.latitude for place in places])
    return {"latitude": latitude, "cosine": middle, **{n: np.array(v) for n, v in rows.items()}}


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


def block(
    latitude: Any, longitude: Any, given: Mapping[str, Any], setting: Mapping[str, Any], axis: str
) -> NDArray[np.float64]:
    """(…, laid, what) of a block of cells: days, whole days to cover, probability of reaching.

    Parameters
    ----------
    latitude, longitude : [degrees], broadcast against the leading dimensions of the weather.
    given : ``ghi`` [W/m²], ``temp_air`` [degC] and what else `durability.days_map` takes, each
        (…, month or hour).
    setting : from `reading_of`, `ratios`, `physics_of` and `days_map`.
    axis : ``"month"`` or ``"time"``.
    """
    import numpy as np

    from durability.translation.cell_sweep import sweep_cells

    shape = np.broadcast_shapes(given["ghi"].shape[:-1], np.shape(latitude), np.shape(longitude))

    def field(name: str) -> Any:
        if name not in given:
            return np.empty((math.prod(shape), 0))
        whole = np.broadcast_to(given[name], (*shape, given[name].shape[-1]))
        return np.array(whole.reshape(-1, whole.shape[-1]), dtype=float, order="C")

    def place(x: Any) -> Any:
        return np.array(np.broadcast_to(x, shape).ravel(), dtype=float)

    months = np.array(MONTH_DAYS, dtype=float)
    length = months if axis == "month" else np.full(365 // STEP_DAYS, float(STEP_DAYS))
    table, fields = setting["ratio"], [field(n) for n in FIELDS]
    known = np.logical_and.reduce([np.isfinite(x).all(axis=1) for x in fields])
    out = np.full((math.prod(shape), setting["starts"].size, 3), np.nan)
    sweep_cells(
        known, place(latitude), place(longitude), *fields, table["latitude"],
        table["cosine"], np.stack([table[n] for n in TABLED], axis=1), setting["states"],
        setting["physics"], setting["p"], setting["energy"] / GAS_CONSTANT, setting["weights"],
        WARM, setting["wetter"], setting["target"], length, setting["starts"],
        1 - setting["assurance"], setting["horizon_years"] * 365.0, out,
    )  # fmt: skip
    return out.reshape(*shape, -1, 3)


def physics_of(
    axis: str, reading: Mapping[str, Any], *, tilt: float = 0.0,
    azimuth: float | None = None, horizon: float = 0.0,
) -> Physics:  # fmt: skip
    """What all cells share in light and heat.

    Parameters
    ----------
    axis : ``"month"`` or ``"time"``.
    reading : from `reading_of`.
    tilt, azimuth, horizon : of the plane, as `durability.exposure.sky_exposure` [degrees]; azimuth
        None faces the equator.
    """
    from durability.exposure import translation_assumptions
    from durability.exposure.sky import CLEARNESS, LOWEST_SUN, SNOW_DEPTH
    from durability.exposure.wetness import LEAST_RAIN
    from durability.translation.cell_sweep import Physics

    assumed = translation_assumptions()
    return Physics(
        monthly=axis == "month", rows_a_step=STATES if axis == "month" else STEP_DAYS,
        cloud=reading["cloud"], heat=reading["heat"],
        warming=assumed["monthly_climate_warming"].value, wind=WIND, lowest=LOWEST,
        dimmest=CLEARNESS[0], clearest=CLEARNESS[1], swing=SWING[0], swing_clear=SWING[1],
        warmest=WARMEST, wind_swing=WIND_SWING, loss=U0, loss_wind=U1, kelvin=KELVIN,
        snow=SNOW_DEPTH, rain=LEAST_RAIN, cooling=assumed["dew_cooling"].value,
        tilt=math.radians(tilt), azimuth=math.radians(math.nan if azimuth is None else azimuth),
        horizon=math.radians(horizon), lowest_sun=LOWEST_SUN,
        albedo=assumed["ground_albedo"].value, albedo_uv=assumed["ground_albedo_uv"].value,
    )  # fmt: skip


def state_table() -> NDArray[np.float64]:
    """Five clearnesses (mean, state) of a month at 121 means of it from 0 to the clearest."""
    import numpy as np

    from durability.exposure.sky import CLEARNESS

    return np.array([clearness_states(x) for x in np.linspace(0.0, CLEARNESS[1], 121)])


__all__ = [
    "FIELDS", "MONTH_DAYS", "STEP_DAYS", "block", "by_action", "physics_of", "ratios",
    "reading_of", "state_table",
]  # fmt: skip
