"""Do a year's numbers make sense: unit of irradiance, hemisphere, and parts that add up?"""

from __future__ import annotations

from typing import TYPE_CHECKING

from durability.exposure.weather_checks import ENERGY, haurwitz, solar_cosine
from durability.study.model import Caution
from durability.study.problem import Problem

if TYPE_CHECKING:
    import xarray
    from numpy.typing import NDArray

CLEAREST = (0.6, 1.5)
"""Global sunlight of the clearest hours over that of a cloudless sky; outside, the unit is
wrong."""

PARTS = 0.25
"""Mean departure of beam and diffuse from global sunlight that deserves a caution, relative."""


def sense_problems(
    hourly: xarray.Dataset, *, file: str, latitude: float, longitude: float
) -> list[Problem]:
    """Sunlight in a wrong unit.

    Parameters
    ----------
    hourly : as in `durability.exposure.Site`, with nan for missing values.
    file : name shown to the user.
    latitude, longitude : [degrees].
    """
    import numpy

    time, ghi = hourly["time"].values, numpy.nan_to_num(hourly["ghi"].values)
    if not (abs(latitude) <= 90 and abs(longitude) <= 180 and time.size > 8000 and ghi.sum() > 0):
        return []
    problems: list[Problem] = []
    cloudless = haurwitz(solar_cosine(time, latitude, longitude))
    high = cloudless > 200
    if high.sum() > 100:
        clearest = float(numpy.quantile(ghi[high] / cloudless[high], 0.97))
        if not CLEAREST[0] <= clearest <= CLEAREST[1]:
            problems.append(
                Problem(
                    file=file,
                    column="ghi",
                    found=f"the clearest hours have {clearest:.2g} times the sunlight of a "
                    "cloudless sky",
                    expected=f"{CLEAREST[0]:g} to {CLEAREST[1]:g} times, in W/m²",
                    mend=ENERGY,
                )
            )
    return problems


def hemisphere_problem(
    hourly: xarray.Dataset, *, file: str, latitude: float, longitude: float
) -> Problem | None:
    """A problem where the sunlight has the seasons of the other hemisphere; arguments as above."""
    import numpy

    time, ghi = hourly["time"].values, numpy.nan_to_num(hourly["ghi"].values)
    if not (15 < abs(latitude) <= 90 and abs(longitude) <= 180 and time.size > 8000):
        return None
    here, there = (
        _seasons(ghi, haurwitz(solar_cosine(time, x, longitude))) for x in (latitude, -latitude)
    )
    if there <= here + 0.1:
        return None
    return Problem(
        file=file,
        column="latitude",
        found=f"{latitude:g}, with the seasons of the other hemisphere",
        expected="a latitude that fits the seasons of the sunlight",
        mend="Southern latitudes are negative.",
    )


def parts_caution(
    hourly: xarray.Dataset, latitude: float, longitude: float, file: str
) -> Caution | None:
    """A caution where beam and diffuse do not add up to global sunlight."""
    import numpy

    up = numpy.maximum(solar_cosine(hourly["time"].values, latitude, longitude), 0.0)
    ghi = hourly["ghi"].values
    made = hourly["dhi"].values + hourly["dni"].values * up
    high = up > 0.2
    total = float(ghi[high].sum())
    if not total > 0:
        return None
    apart = float(numpy.abs(made - ghi)[high].sum()) / total
    if apart < PARTS:
        return None
    return Caution(
        name="weather_parts_disagree",
        text=f"beam and diffuse sunlight of {file} depart from global sunlight by "
        f"{100 * apart:.0f} % on average; check which column is which",
        file=file,
    )


def _seasons(ghi: NDArray, cloudless: NDArray) -> float:
    import numpy

    days = ghi.size // 24
    a, b = (x[: 24 * days].reshape(days, 24).sum(axis=1) for x in (ghi, cloudless))
    return float(numpy.corrcoef(a, b)[0, 1]) if a.std() > 0 and b.std() > 0 else 0.0
