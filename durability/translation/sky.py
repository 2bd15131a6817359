"""What does the sky bring in the band of the lamp? A year of hours, made ready to be counted."""

from __future__ import annotations

from typing import TYPE_CHECKING

from durability.exposure.clock import KELVIN
from durability.exposure.hourly import LitHours
from durability.translation.inputs import AIR, GROUND

if TYPE_CHECKING:
    import numpy as np
    import xarray
    from numpy.typing import NDArray

    from durability.study.model import Caution

REFERENCE_ABSORPTANCE = 0.9
"""Absorptance of the surface whose warming `LitHours` hold."""


def sky_year(
    sky: xarray.Dataset, variable: str, *, wet: NDArray[np.float64] | None = None
) -> LitHours:
    """The lit hours of `durability.exposure.sky_exposure`'s dataset in one band.

    Parameters
    ----------
    sky : of 8760 hours.
    variable : the band.
    wet : (8760,) 1 in wet hours, or None.

    Raises
    ------
    ValueError
        When the variable is missing, or is not 8760 finite hours.
    """
    import numpy as np

    from durability.exposure import specimen_temperature

    if variable not in sky:
        raise ValueError(f"the sky has no variable {variable}; it has {', '.join(map(str, sky))}")
    irradiance = sky[variable].values.astype(float)
    if irradiance.shape != (8760,) or not np.isfinite(irradiance).all():
        raise ValueError(f"the sky's {variable} must hold 8760 finite hours")
    air = sky["temp_air"].values.astype(float)
    warmed = specimen_temperature(
        air,
        sky["poa"].values.astype(float),
        sky["wind_speed"].values.astype(float),
        absorptance=REFERENCE_ABSORPTANCE,
        rise_factor=1.0,
    )
    hour = np.flatnonzero(irradiance > 0)
    return LitHours(
        hour=hour,
        log_irradiance=np.log(irradiance[hour]),
        log_clearness=sky["log_clearness"].values.astype(float)[hour],
        air=air[hour] + KELVIN,
        rise=(np.asarray(warmed, dtype=float) - air)[hour],
        wet=None if wet is None else wet[hour],
    )


def heating(links: dict[str, NDArray[np.float64]]) -> NDArray[np.float64]:
    """Factor on `LitHours.rise` of each draw: absorptance, rise factor and ground contact."""
    on_rack = links["absorptance"] / REFERENCE_ABSORPTANCE * links["temperature_rise_factor"]
    return on_rack * links[GROUND] if GROUND in links else on_rack


def damage_temperature(year: LitHours, links: dict[str, NDArray[np.float64]]) -> float:
    """Constant temperature [degC] at which the year's light would do the same damage.

    At the median inputs; nan where the sky is dark all year. See
    `durability.exposure.effective_temperature`.
    """
    import numpy as np

    from durability.exposure import effective_temperature

    if year.hour.size == 0:
        return float("nan")
    celsius = year.air - KELVIN + float(np.median(heating(links))) * year.rise
    celsius += float(np.median(links.get(AIR, 0.0)))
    weight = np.exp(float(np.median(links["reciprocity_exponent"])) * year.log_irradiance)
    energy = float(np.median(links["activation_energy"]))
    return effective_temperature(celsius, weight, activation_energy=energy)


def ground_caution(
    material: str, year: LitHours, links: dict[str, NDArray[np.float64]]
) -> Caution | None:
    """How much hotter than on a rack a fabric on the ground may run, and what that would do.

    None where it would make less than half a per cent of difference.
    """
    import numpy as np

    from durability.exposure import translation_assumptions
    from durability.exposure.clock import GAS_CONSTANT
    from durability.study.model import Caution

    factor = translation_assumptions()[GROUND].value
    rack = damage_temperature(year, links)
    ground = damage_temperature(year, links | {GROUND: np.full_like(links["absorptance"], factor)})
    energy = float(np.median(links["activation_energy"])) / GAS_CONSTANT
    faster = np.exp(energy * (1 / (rack + KELVIN) - 1 / (ground + KELVIN)))
    if not faster > 1.005:  # also where the sky is dark
        return None
    return Caution(
        name="warmed_as_on_a_rack",
        text=f"As asked, the fabric is warmed as on a rack. On the ground {material} would run "
        f"at an effective {ground:.0f} °C instead of {rack:.0f} °C and lose strength "
        f"{100 * (faster - 1):.0f} % faster, so the days would be fewer: on_ground "
        "(--on-ground) counts that.",
    )


def yearly_draws(
    sky: xarray.Dataset, name: str, shared: dict[str, NDArray[np.float64]], cloud: float
) -> NDArray[np.float64]:
    """Sum of a band's irradiance over the year's hours for each draw of factor, clouds and year."""
    import numpy as np

    departure = shared["cloud_power"] - cloud
    grid = np.linspace(departure.min(), departure.max(), 25)
    lit = sky[name].values > 0
    irradiance, clear = sky[name].values[lit], sky["log_clearness"].values[lit]
    sums = [float((irradiance * np.exp(b * clear)).sum()) for b in grid]
    return np.interp(departure, grid, sums) * shared["uv_factor"] * shared["year_to_year"]


def annual_dose(
    sky: xarray.Dataset, shared: dict[str, NDArray[np.float64]], cloud: float, level: float
) -> xarray.Dataset:
    """Yearly ultraviolet on the plane with its interval, calibration and clouds included."""
    import numpy as np
    import xarray

    tail = (1 - level) / 2
    variables = {}
    for name, per_hour, unit in (
        ("uv_300_400", 0.0036, "MJ/m² in 300-400 nm"),
        ("e340", 3.6, "kJ/(m² nm) at 340 nm"),
    ):
        dose = per_hour * yearly_draws(sky, name, shared, cloud)
        variables[name] = ("limit", np.quantile(dose, [tail, 0.5, 1 - tail]), {"units": unit})
    return xarray.Dataset(variables, coords={"limit": ["low", "median", "high"]})


__all__ = [
    "annual_dose",
    "damage_temperature",
    "ground_caution",
    "heating",
    "sky_year",
    "yearly_draws",
]
