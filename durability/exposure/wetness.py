"""In which hours is a fabric wet? Rain as measured, dew by the dew point.

An hour is wet with rain where the weather file has any, and with dew where the surface, cooled by
the open sky by a few degrees below what air and sun make it, lies below the dew point. The dew
point is Magnus's (coefficients 17.62 and 243.12 degC, from memory of the WMO guide).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import xarray
    from numpy.typing import ArrayLike, NDArray

    from durability.study.model import Exposure

LEAST_RAIN = 0.1
"""Rain of an hour from which it counts as wet [mm] (common practice, no source)."""


def dew_point(air: ArrayLike, humidity: ArrayLike) -> NDArray:
    """Temperature at which air becomes saturated [degC].

    Parameters
    ----------
    air : temperature [degC].
    humidity : relative, above 0 to 1.

    Examples
    --------
    >>> round(float(dew_point(20.0, 0.5)), 1)
    9.3
    """
    import numpy

    t = numpy.asarray(air, dtype=float)
    gamma = numpy.log(numpy.maximum(humidity, 1e-3)) + 17.62 * t / (243.12 + t)
    return 243.12 * gamma / (17.62 - gamma)


def wet_hours(
    hourly: xarray.Dataset, surface: ArrayLike, *, cooling: float
) -> tuple[NDArray, tuple[str, ...]]:
    """Whether a surface is wet in each hour, 1 or 0, and what the weather file does not say.

    Parameters
    ----------
    hourly : of a `durability.exposure.Site`, with ``rain`` or ``relative_humidity``.
    surface : temperature that air and sun give it (hour,) [degC].
    cooling : by the open sky [K].

    Returns
    -------
    wet : (hour,) 1.0 or 0.0; an hour of which nothing is known is dry.
    missing : among ``"rain"`` and ``"dew"``.

    Raises
    ------
    ValueError : the weather file gives neither rain nor humidity.
    """
    import numpy

    wet = numpy.zeros(hourly.sizes["time"], dtype=bool)
    missing = []
    if "rain" in hourly:
        wet |= numpy.nan_to_num(hourly["rain"].values) >= LEAST_RAIN
    else:
        missing.append("rain")
    if "relative_humidity" in hourly:
        point = dew_point(hourly["temp_air"].values, hourly["relative_humidity"].values)
        wet |= numpy.asarray(surface, dtype=float) - cooling <= point
    else:
        missing.append("dew")
    if len(missing) == 2:
        raise ValueError(
            "the weather file gives neither rain nor humidity, so nobody knows when the fabric is "
            "wet. Leave out wetness = true under [question], or take a fuller weather file"
        )
    return wet.astype(float), tuple(missing)


def wet_year(hourly: xarray.Dataset, sky: xarray.Dataset) -> tuple[NDArray, tuple[str, ...]]:
    """Hours in which a fabric under a sky is wet, (hour,), and what the weather does not say.

    Parameters
    ----------
    hourly : of a `durability.exposure.Site`.
    sky : of its `durability.exposure.sky_exposure`; the fabric is of the median warming.

    Raises
    ------
    ValueError : as `wet_hours`.
    """
    from durability.exposure.assumption import translation_assumptions
    from durability.exposure.temperature import specimen_temperature

    book = translation_assumptions()
    surface = specimen_temperature(
        sky["temp_air"].values.astype(float), sky["poa"].values.astype(float),
        sky["wind_speed"].values.astype(float), absorptance=book["absorptance"].value,
        rise_factor=book["temperature_rise_factor"].value,
    )  # fmt: skip
    return wet_hours(hourly, surface, cooling=book["dew_cooling"].value)


def tells_wetness(hourly: xarray.Dataset) -> bool:
    """Whether weather says when a fabric is wet, by rain or by humidity.

    Examples
    --------
    >>> from durability.exposure import read_site
    >>> [tells_wetness(read_site(name).hourly) for name in ("miami", "tucson")]
    [True, False]
    """
    return "rain" in hourly or "relative_humidity" in hourly


def sprayed_share(exposure: Exposure) -> float:
    """Share of a lamp's lit time with spray, by the cycle as set [1]."""
    from durability.exposure.lamp import read_lamp

    cycle = exposure.cycle or (read_lamp(exposure.lamp).cycle if exposure.lamp else ())
    lit = sum(s.minutes for s in cycle if s.light)
    return sum(s.minutes for s in cycle if s.light and s.spray) / lit if lit > 0 else 0.0


__all__ = ["dew_point", "sprayed_share", "tells_wetness", "wet_hours", "wet_year"]
