"""How fast is effective dose delivered at an irradiance and a temperature?

    rate = E_ref (E / E_ref)^p exp(-Ea/R (1/T - 1/T_ref))

so that at the reference conditions the effective dose is the dose itself. The power of irradiance
is the usual departure from reciprocity (Martin, Chin and Nguyen 2003, Progress in Organic Coatings
47:292, abstract); the temperature factor is Arrhenius's.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import xarray
    from numpy.typing import ArrayLike, NDArray

GAS_CONSTANT = 8.314462618e-3
"""Molar gas constant [kJ/(mol K)], exact to the digits given since the 2019 SI."""

KELVIN = 273.15
"""0 degC in kelvin."""


def effective_rate(
    irradiance: ArrayLike | xarray.DataArray,
    temperature: ArrayLike | xarray.DataArray,
    *,
    exponent: ArrayLike | xarray.DataArray,
    activation_energy: ArrayLike | xarray.DataArray,
    reference_irradiance: ArrayLike | xarray.DataArray,
    reference_temperature: ArrayLike | xarray.DataArray,
) -> NDArray | xarray.DataArray:
    """Effective irradiance: what at reference conditions would do the same damage a second.

    Parameters
    ----------
    irradiance : E [W/m²/nm or W/m²], 0 or more; 0 gives 0.
    temperature : T of the specimen [degC].
    exponent : p [1].
    activation_energy : Ea [kJ/mol].
    reference_irradiance : E_ref [unit of `irradiance`], above 0.
    reference_temperature : T_ref [degC].

    Returns
    -------
    array or DataArray [unit of `irradiance`], broadcast over all inputs.

    Examples
    --------
    >>> same = dict(exponent=1.0, activation_energy=30.0, reference_irradiance=0.35,
    ...     reference_temperature=50.0)
    >>> round(float(effective_rate(0.35, 60.0, **same)) / 0.35, 2)
    1.4
    """
    import numpy

    def as_array(x: ArrayLike | xarray.DataArray) -> NDArray | xarray.DataArray:
        return x if hasattr(x, "dims") else numpy.asarray(x, dtype=float)  # type: ignore[return-value]

    e, t = as_array(irradiance), as_array(temperature)
    p, ea = as_array(exponent), as_array(activation_energy)
    e_ref, t_ref = as_array(reference_irradiance), as_array(reference_temperature)
    heat = ea / GAS_CONSTANT * (1 / (t + KELVIN) - 1 / (t_ref + KELVIN))
    return (e / e_ref) ** p * e_ref * numpy.exp(-heat)
