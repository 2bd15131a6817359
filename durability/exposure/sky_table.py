"""What spectrum does a cloudless sky send down? The spectral model, read from a table.

    ln (E / (D cos z)) at nodes of ln m(z), ozone, aerosol^1/2, pressure

with *z* the zenith angle of the sun, *m* the relative air mass and *D* the distance of the sun as a
factor, which the model only multiplies by; over all wavelengths of sunlight also ln water, which
takes no ultraviolet. In these coordinates the logarithm is smooth, so it is tabulated at the few
Chebyshev points of each and read between them by the polynomial through them all.

The table is ``models/sky/clear-sky.npz``; the note ``clear-sky.toml`` beside it holds its limits
and says how far it departs from the model. This module makes it again:

    python -m durability.exposure.sky_table models/sky/clear-sky.npz

Outside its limits nothing is read from it: see `covers`.
"""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING, Any

from durability import catalogue
from durability.exposure.sky_spectrum import between, chebyshev_points
from durability.exposure.spectral_model import ClearLight, air_mass, by_model

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

NAME = "clear-sky"
"""Of the table and of its note, in models/sky/."""

AXES = ("zenith", "ozone", "aerosol", "pressure", "water")
"""Axes of the table, in order; their limits and numbers of points are in its note."""

DAY = 80.0
"""Day of the year for which the model is run; its distance of the sun is taken out."""


def by_table(
    zenith: ArrayLike,
    *,
    ozone: ArrayLike,
    aerosol: ArrayLike,
    water: ArrayLike,
    pressure: float,
    day: ArrayLike,
) -> ClearLight:
    """The same as `durability.exposure.spectral_model.by_model`, from the table.

    Parameters
    ----------
    zenith, ozone, aerosol, water, day : as `by_model`. Instants that share aerosol and water are
        read together, so few values of them make it fast.
    pressure : of the air at the place [Pa].

    Raises
    ------
    ValueError : inputs beyond the limits of the table, each named.

    Examples
    --------
    >>> here = dict(ozone=0.3, aerosol=0.1, water=1.5, pressure=101325.0, day=80)
    >>> found, exact = by_table([30.0, 80.0], **here), by_model([30.0, 80.0], **here)
    >>> bool(abs(found.whole / exact.whole - 1).max() < 1e-3)
    True
    """
    import numpy

    beyond = _beyond(zenith=zenith, ozone=ozone, aerosol=aerosol, water=water, pressure=pressure)
    if beyond:
        raise ValueError(f"the table of the clear sky does not reach: {'; '.join(beyond)}")
    inputs = numpy.broadcast_arrays(
        *(numpy.atleast_1d(x) for x in (zenith, ozone, aerosol, water, day))
    )
    height, column, depth, wet, of_year = (numpy.array(x, dtype=float) for x in inputs)
    table = _table()
    of_height = between(table["zenith"], _coordinate("zenith", height))
    of_ozone = between(table["ozone"], _coordinate("ozone", column))
    at_pressure = between(table["pressure"], _coordinate("pressure", pressure))[:, 0]
    ultraviolet = table["ultraviolet"] @ at_pressure  # (kind, wavelength, zenith, ozone, aerosol)
    sunlight = numpy.moveaxis(table["sunlight"], 4, -1) @ at_pressure  # (kind, zenith, ..., water)
    kinds, waves = ultraviolet.shape[:2]
    light = numpy.empty((kinds * waves, height.size))
    total = numpy.empty((len(sunlight), height.size))
    for clear, moist in numpy.unique(numpy.column_stack([depth, wet]), axis=0):
        here = numpy.flatnonzero((depth == clear) & (wet == moist))
        of_aerosol = between(table["aerosol"], _coordinate("aerosol", clear))[:, 0]
        of_water = between(table["water"], _coordinate("water", moist))[:, 0]
        both = (of_height[:, None, here] * of_ozone[None, :, here]).reshape(-1, here.size)
        known = (ultraviolet @ of_aerosol).reshape(kinds * waves, -1)
        light[:, here] = numpy.einsum("kb,bn->kn", known, both)  # small: threads of @ only wait
        known = (sunlight @ of_water @ of_aerosol).reshape(len(sunlight), -1)
        total[:, here] = numpy.einsum("kb,bn->kn", known, both)
    numpy.exp(light, out=light)
    light *= _distance(of_year) * numpy.cos(numpy.radians(height))
    whole, beam = light.reshape(kinds, waves, -1)
    ghi, dni = numpy.exp(total) * _distance(of_year)
    return ClearLight(
        wavelength=table["wavelength"], whole=whole, beam=beam,
        ghi=ghi * numpy.cos(numpy.radians(height)), dni=dni,
    )  # fmt: skip


def clear_light(
    zenith: ArrayLike,
    *,
    ozone: ArrayLike,
    aerosol: ArrayLike,
    water: ArrayLike,
    pressure: float,
    day: ArrayLike,
) -> ClearLight:
    """`by_table` where the table holds every instant, else the spectral model itself.

    Examples
    --------
    >>> air = dict(ozone=0.3, aerosol=0.1, water=1.5, day=80)
    >>> high = clear_light([30.0], pressure=35e3, **air)  # 8,000 m
    >>> bool((high.whole == by_model([30.0], pressure=35e3, **air).whole).all())
    True
    """
    air = {"ozone": ozone, "aerosol": aerosol, "water": water, "pressure": pressure}
    read: Any = by_table if covers(zenith=zenith, **air) else by_model
    return read(zenith, day=day, **air)


def covers(**inputs: ArrayLike) -> bool:
    """Whether the table holds all instants of these inputs, by the names of `axes`.

    Examples
    --------
    >>> covers(zenith=30.0, pressure=101325.0), covers(pressure=30e3)
    (True, False)
    """
    return not _beyond(**inputs)


def _beyond(**inputs: ArrayLike) -> list[str]:
    import numpy

    found = []
    for name, values in inputs.items():
        low, high = axes()[name]["low"], axes()[name]["high"]
        given = numpy.asarray(values, dtype=float)
        if given.size and not (given.min() >= low and given.max() <= high):
            found.append(
                f"{name} of {given.min():g} to {given.max():g}; it holds {low:g} to {high:g}"
            )
    return found


def make() -> dict[str, NDArray]:
    """The table's arrays, from the spectral model.

    Returns
    -------
    dict of ``wavelength`` [nm]; the points of each axis, in its coordinate; and natural logs
    ``ultraviolet`` (whole or beam, wavelength, zenith, ozone, aerosol, pressure) and ``sunlight``
    (whole or beam, zenith, ozone, aerosol, pressure, water), over the cosine of the zenith and the
    distance of the sun; the beam of sunlight is across it.
    """
    import numpy

    points = {name: _points(name) for name in AXES}
    grid = numpy.meshgrid(*(_plain(n, points[n]) for n in AXES), indexing="ij")
    zenith, ozone, aerosol, pressure, water = grid
    there = {"ozone": ozone.ravel(), "aerosol": aerosol.ravel(), "water": water.ravel()}
    made = by_model(zenith.ravel(), pressure=pressure.ravel(), day=DAY, **there)
    far = _distance(numpy.array([DAY]))
    cosine = numpy.cos(numpy.radians(zenith))
    whole, beam = (x.reshape(-1, *zenith.shape)[..., 0] for x in (made.whole, made.beam))
    ghi, dni = (x.reshape(zenith.shape) for x in (made.ghi, made.dni))
    return {
        "wavelength": made.wavelength,
        **points,
        "ultraviolet": numpy.log(numpy.stack([whole, beam]) / (cosine[..., 0] * far)).astype("f4"),
        "sunlight": numpy.log(numpy.stack([ghi / cosine, dni]) / far).astype("f4"),
    }


@functools.cache
def axes() -> dict[str, dict[str, Any]]:
    """Each axis of the table: ``low`` and ``high`` in its ``unit``, and its number of ``points``.

    Examples
    --------
    >>> axes()["zenith"]["high"]
    89.0
    """
    noted = catalogue.read("sky", NAME)["axes"]
    return {name: noted[name] for name in AXES}


@functools.cache
def _table() -> dict[str, Any]:
    import numpy

    with numpy.load(catalogue.models_folder() / "sky" / f"{NAME}.npz", allow_pickle=False) as kept:
        return {name: kept[name].astype(float) for name in kept.files}


def _coordinate(axis: str, value: ArrayLike) -> NDArray:
    """Where a value lies on its axis."""
    import numpy

    x = numpy.atleast_1d(numpy.asarray(value, dtype=float))
    if axis == "zenith":
        return numpy.log(air_mass(x))
    return {"aerosol": numpy.sqrt, "water": numpy.log}.get(axis, numpy.asarray)(x)


def _points(axis: str) -> NDArray:
    """Chebyshev points of an axis, in its coordinate."""
    about = axes()[axis]
    low, high = _coordinate(axis, [about["low"], about["high"]])
    return chebyshev_points(low, high, about["points"])


def _plain(axis: str, points: NDArray) -> NDArray:
    """Values at points of an axis; the zenith by bisection."""
    import numpy

    if axis != "zenith":
        return {"aerosol": numpy.square, "water": numpy.exp}.get(axis, numpy.asarray)(points)
    low, high = (numpy.full(points.size, axes()[axis][end]) for end in ("low", "high"))
    for _ in range(60):
        middle = (low + high) / 2
        under = _coordinate(axis, middle) < points
        low, high = numpy.where(under, middle, low), numpy.where(under, high, middle)
    return (low + high) / 2


def _distance(day: NDArray) -> NDArray:
    """Sunlight outside the atmosphere over its mean (Spencer 1971), as the model takes it."""
    import numpy
    import pvlib.irradiance

    found = pvlib.irradiance.get_extra_radiation(day, method="spencer", solar_constant=1.0)
    return numpy.asarray(found, dtype=float)


if __name__ == "__main__":
    import sys

    import numpy

    numpy.savez_compressed(sys.argv[1], **make())  # pyright: ignore[reportArgumentType]

__all__ = ["axes", "by_table", "clear_light", "covers", "make"]
