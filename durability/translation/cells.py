"""How many days until a threshold in one cell of a map? The arithmetic of `days_map`.

Three short cuts make a cell fast. Ultraviolet is sunlight times a ratio that depends on latitude,
month and the height of the sun (`durability.translation.grid_sky`), with the cloud power. The
effective dose of a step of the year is computed at 5 x 5 values of exponent and activation energy
(Chebyshev points) and read between them for each draw, with one exponential a value, since the rate
is a product. Around the medians of cloud power, warming of the fabric and air temperature the log
of that dose is expanded (first order, second for the warming), with the damage as weight.

Monthly means become days of five states of clearness, with the daily swing of `hours_of`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
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

    from durability.translation.cell_sweep import Physics

NODES = 5
STEP_DAYS = 5
MONTH_DAYS = (31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)
WIND = 2.0
"""Wind where the grid has none [m/s] (common practice, no source)."""
FIELDS = (
    "ghi", "temp_air", "wind_speed", "temp_range", "snow_depth", "rain", "relative_humidity",
)  # fmt: skip
"""Weather that a cell is read from, in the order in which compiled code takes it."""
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


def block(
    latitude: Any, longitude: Any, given: Mapping[str, Any], setting: Mapping[str, Any], axis: str
) -> NDArray[np.float64]:
    """(…, laid, what) of a block of cells: days, whole days to cover, probability of reaching.

    Parameters
    ----------
    latitude, longitude : [degrees], broadcast against the leading dimensions of the weather.
    given : ``ghi`` [W/m²], ``temp_air`` [degC] and what else `durability.days_map` takes, each
        (…, month or hour).
    setting : from `reading_of`, `physics_of`, `grid_sky` and `days_map`.
    axis : ``"month"`` or ``"time"``.
    """
    import numpy as np

    from durability.translation.cell_sweep import sweep_cells

    shape = np.broadcast_shapes(given["ghi"].shape[:-1], np.shape(latitude), np.shape(longitude))

    def field(name: str) -> Any:
        if name not in given:
            return np.empty((math.prod(shape), 0))
        whole = given[name]
        if whole.shape[:-1] != shape:
            whole = np.broadcast_to(whole, (*shape, whole.shape[-1]))
        return np.require(whole.reshape(-1, whole.shape[-1]), float, ["C", "W"])

    def place(x: Any) -> Any:
        return np.array(np.broadcast_to(x, shape).ravel(), dtype=float)

    months = np.array(MONTH_DAYS, dtype=float)
    length = months if axis == "month" else np.full(365 // STEP_DAYS, float(STEP_DAYS))
    sky, fields = setting["sky"], [field(n) for n in FIELDS]
    known = np.logical_and.reduce([np.isfinite(x).all(axis=1) for x in fields])
    out = np.full((math.prod(shape), len(setting["starts"]), 3), np.nan)
    sweep_cells(
        known, place(latitude), place(longitude), *fields, sky.latitude,
        sky.cosine, sky.table(), setting["states"],
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
    from durability.translation.grid_sky import LOWEST

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
    "FIELDS", "MONTH_DAYS", "STEP_DAYS", "block", "physics_of", "reading_of", "state_table",
]  # fmt: skip
