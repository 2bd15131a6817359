"""How warm does a specimen get in the sun?

    T = T_air + (alpha / 0.9) k G / (U0 + U1 v)

Faiman's heat balance of a photovoltaic module (U0 25 W/(m² K), U1 6.84 W/(m² K) per m/s; Faiman
2008, Progress in Photovoltaics 16:307, as pvlib documents it), scaled by absorptance and by k for
a thin panel. A fabric lying on the ground loses less heat and is not validated.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import xarray
    from numpy.typing import ArrayLike, NDArray

U0 = 25.0
"""Heat loss in still air [W/(m² K)]; also loss_constant in models/translation.toml."""

U1 = 6.84
"""Further loss a unit of wind speed [W/(m² K) per m/s]; also loss_wind there."""

MODULE_ABSORPTANCE = 0.9
"""Absorptance of the module that U0 and U1 describe."""


def specimen_temperature(
    temp_air: ArrayLike | xarray.DataArray,
    poa: ArrayLike | xarray.DataArray,
    wind_speed: ArrayLike | xarray.DataArray,
    *,
    absorptance: ArrayLike | xarray.DataArray,
    rise_factor: ArrayLike | xarray.DataArray,
) -> NDArray | xarray.DataArray:
    """Temperature of a specimen in the open, broadcast over all inputs.

    Parameters
    ----------
    temp_air : air [degC].
    poa : sunlight on the specimen's plane [W/m²].
    wind_speed : as the weather file gives it, usually at 10 m [m/s].
    absorptance : share of sunlight turned into heat [1].
    rise_factor : k, the specimen's rise against a module's of the same absorptance [1].

    Returns
    -------
    array or DataArray [degC].

    Examples
    --------
    >>> float(specimen_temperature(20.0, 800.0, 0.0, absorptance=0.9, rise_factor=1.0))
    52.0
    """
    import numpy

    def as_array(x: ArrayLike | xarray.DataArray) -> NDArray | xarray.DataArray:
        return x if hasattr(x, "dims") else numpy.asarray(x, dtype=float)  # type: ignore[return-value]

    air, light, wind = as_array(temp_air), as_array(poa), as_array(wind_speed)
    scale = as_array(absorptance) / MODULE_ABSORPTANCE * as_array(rise_factor)
    return air + scale * light / (U0 + U1 * wind)


def effective_temperature(
    temperature: ArrayLike, weight: ArrayLike, *, activation_energy: float
) -> float:
    """The constant temperature at which the same light would do the same damage.

    exp(-Ea/R/T_eff) is the mean of exp(-Ea/R/T), weighted by irradiance.

    Parameters
    ----------
    temperature : of the specimen or the air, any shape [degC].
    weight : irradiance, same shape [any unit].
    activation_energy : Ea [kJ/mol]; 0 gives the weighted mean.

    Returns
    -------
    float [degC].

    Examples
    --------
    >>> effective_temperature([20.0, 20.0], [1.0, 3.0], activation_energy=30.0)
    20.0
    """
    import numpy

    from durability.exposure.clock import GAS_CONSTANT, KELVIN

    t, w = numpy.asarray(temperature, dtype=float), numpy.asarray(weight, dtype=float)
    if activation_energy == 0:
        return float(numpy.average(t, weights=w))
    slope = activation_energy / GAS_CONSTANT
    centre = float(numpy.average(t, weights=w)) + KELVIN
    rate = numpy.average(numpy.exp(-slope * (1 / (t + KELVIN) - 1 / centre)), weights=w)
    return round(float(1 / (1 / centre - numpy.log(rate) / slope)) - KELVIN, 9)
