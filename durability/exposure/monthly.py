"""Which hours does a table of monthly means stand for? Makes a year of 8760 from twelve months.

Days of a month pass through five states of clearness whose mean is the month's; within a day
sunlight follows the cloudless sky. Beam and diffuse come from global sunlight by Erbs's
correlation (as pvlib has it). Air swings about the month's mean with an amplitude that grows with
clearness, and wind rises by day. Such a year is too cool where damage grows with heat, since real
heat and light come together more closely; the air is warmed by ``monthly_climate_warming`` of
models/translation.toml to make up for it, and its uncertainty goes with the site.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from durability.statement import MONTHS
from durability.study.problem import Problem, StudyError

if TYPE_CHECKING:
    import xarray
    from numpy.typing import NDArray

HOURS = 8760
CLEAREST_DAY = 1.08
"""Sunlight of the clearest day over Haurwitz's cloudless sky [1] (our comparison with hourly
years)."""

SUNNIEST = 1.2
"""Monthly sunlight over Haurwitz's cloudless sky beyond which, and 0.5 MJ/m² a day, it is
refused."""

SPREAD = 0.42
"""Standard deviation of a day's clearness over that of the widest spread its mean allows [1], from
the six hourly years of models/sites (0.32 to 0.56)."""

SWING = (3.0, 8.0)
"""Daily range of air temperature on a dark day, and what a cloudless one adds [K] (our comparison
with the same years: mean ranges of 4 to 13 K)."""

WARMEST, WIND_SWING = 15.0, 0.25
"""Hour of the warmest air and strongest wind [h], and the wind's swing about its mean [1]."""

STATES = (0.1, 0.3, 0.5, 0.7, 0.9)
ORDER = (2, 0, 4, 1, 3)
"""Probabilities of the five states, and their order from day to day."""
STATES_A_MONTH = len(STATES)


@dataclass(frozen=True, slots=True, kw_only=True)
class MonthlyClimate:
    """Twelve monthly means of a place.

    Parameters
    ----------
    latitude, longitude : [degrees].
    altitude : [m].
    utc_offset : local standard time minus UTC [h].
    sunlight : (12,) mean daily global horizontal irradiation [MJ/m²].
    temp_air : (12,) mean air temperature [degC].
    wind_speed : (12,) mean wind at 10 m [m/s].
    """

    latitude: float
    longitude: float
    altitude: float
    utc_offset: float
    sunlight: tuple[float, ...]
    temp_air: tuple[float, ...]
    wind_speed: tuple[float, ...]


_LIMITS = {
    "sunlight": (0.0, 40.0, "MJ/m² a day"),
    "temp_air": (-60.0, 45.0, "°C"),
    "wind_speed": (0.0, 25.0, "m/s"),
}


def read_climate(entry: dict[str, Any], file: str) -> MonthlyClimate:
    """The monthly means in a file of the form of models/sites.

    Parameters
    ----------
    entry : the file's content, with a table ``[monthly]`` of ``sunlight`` [MJ/m² a day],
        ``temp_air`` [degC] and ``wind_speed`` [m/s], twelve numbers each.
    file : name shown to the user.

    Raises
    ------
    StudyError : everything wrong at once.
    """
    problems, columns = [], {}
    for name, (low, high, unit) in _LIMITS.items():
        values = entry.get("monthly", {}).get(name)
        good = isinstance(values, list) and all(isinstance(v, int | float) for v in values)
        if not good or len(values) != 12:
            count = len(values) if isinstance(values, list) else "none"
            problems.append(
                Problem(file=file, column=f"monthly.{name}", found=f"{count} numbers",
                        expected=f"twelve numbers [{unit}], January to December")
            )  # fmt: skip
            continue
        wrong = [v for v in values if not low <= v <= high]
        if wrong:
            mend = "1 kWh/m² is 3.6 MJ/m²." if name == "sunlight" else ""
            problems.append(
                Problem(file=file, column=f"monthly.{name}", found=f"{wrong[0]:g}",
                        expected=f"{low:g} to {high:g} {unit}", mend=mend)
            )  # fmt: skip
        columns[name] = tuple(float(v) for v in values)
    place = {}
    for name, low, high in (
        ("latitude", -90, 90),
        ("longitude", -180, 180),
        ("altitude", -450, 9000),
    ):
        value: Any = entry.get(name)
        if not isinstance(value, int | float) or not low <= value <= high:
            problems.append(
                Problem(file=file, column=name, found="" if value is None else str(value),
                        expected=f"a number from {low} to {high}")
            )  # fmt: skip
        else:
            place[name] = float(value)
    if problems:
        raise StudyError(problems)
    offset: Any = entry.get("utc_offset", round(place["longitude"] / 15))
    return MonthlyClimate(**place, utc_offset=float(offset), **columns)


def hours_of(climate: MonthlyClimate, *, warming: float = 0.0, file: str = "") -> xarray.Dataset:
    """A year of hours whose monthly means are those of the climate.

    Parameters
    ----------
    climate : twelve months.
    warming : added to the air temperature [K].
    file : name shown to the user.

    Returns
    -------
    Dataset as `durability.exposure.Site.hourly`.

    Raises
    ------
    StudyError : more sunlight in a month than a cloudless sky gives.
    """
    import numpy
    import pvlib.irradiance
    import xarray

    from durability.exposure.weather_checks import haurwitz, solar_cosine

    start = numpy.datetime64("2001-01-01") + numpy.arange(HOURS).astype("timedelta64[h]")
    month = start.astype("datetime64[M]").astype(int) % 12
    day, hour = numpy.arange(HOURS) // 24, numpy.arange(HOURS) % 24 + 0.5
    time = start + numpy.timedelta64(round(3600 * (0.5 - climate.utc_offset)), "s")
    up = solar_cosine(time, climate.latitude, climate.longitude)
    cloudless = haurwitz(up) * (1 + 0.00003 * climate.altitude)
    clearness = numpy.zeros(HOURS)
    problems = []
    for m in range(12):
        own = month == m
        days = own.sum() // 24
        most = cloudless[own].sum() * 0.0036 / days
        mean = climate.sunlight[m] / most if most > 0.05 else 0.0
        if climate.sunlight[m] > SUNNIEST * most + 0.5:
            problems.append(
                Problem(file=file, column="monthly.sunlight", found=f"{climate.sunlight[m]:g}",
                        expected=f"at most {SUNNIEST * most + 0.5:.3g} MJ/m² a day in {MONTHS[m]}",
                        mend="Check the unit, the latitude and its sign.")
            )  # fmt: skip
            continue
        states = clearness_states(mean)
        of_day = states[numpy.array(ORDER)[numpy.arange(days) % 5]]
        of_day *= mean / of_day.mean() if of_day.mean() > 0 else 1.0
        clearness[own] = of_day[day[own] - day[own].min()]
    if problems:
        raise StudyError(problems)
    ghi = clearness * cloudless
    of_year = (time.astype("datetime64[D]") - numpy.datetime64("2001-01-01")).astype(int) % 365 + 1
    zenith = numpy.degrees(numpy.arccos(numpy.clip(up, -1, 1)))
    parts: Any = pvlib.irradiance.erbs(ghi, zenith, of_year)
    rise = numpy.cos(2 * numpy.pi * (hour - WARMEST) / 24)
    swing = (SWING[0] + SWING[1] * numpy.minimum(clearness, 1.0)) / 2
    variables = {
        "ghi": (ghi, "W/m^2"),
        "dni": (numpy.nan_to_num(parts["dni"]), "W/m^2"),
        "dhi": (numpy.nan_to_num(parts["dhi"]), "W/m^2"),
        "temp_air": (_smooth(climate.temp_air, day, month) + swing * rise + warming, "degC"),
        "wind_speed": (
            numpy.array(climate.wind_speed)[month] * (1 + WIND_SWING * rise), "m/s",
        ),
    }  # fmt: skip
    return xarray.Dataset(
        {name: ("time", data, {"units": unit}) for name, (data, unit) in variables.items()},
        coords={"time": time.astype("datetime64[ns]")},
    )


def clearness_states(mean: float) -> NDArray:
    """Five clearnesses of the mean, as quantiles of a beta distribution."""
    import numpy
    from scipy.special import betaincinv

    share = min(max(mean / CLEAREST_DAY, 0.0), 0.98)
    if share < 0.02:
        return numpy.full(5, mean)
    strength = 1 / SPREAD**2 - 1
    found = betaincinv(share * strength, (1 - share) * strength, STATES) * CLEAREST_DAY
    return found * mean / found.mean()


def _smooth(monthly: tuple[float, ...], day: NDArray, month: NDArray) -> NDArray:
    """Daily values through the middles of the months, moved so that monthly means are kept."""
    import numpy

    ends = numpy.cumsum([0, 31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
    middle = (ends[1:] + ends[:-1]) / 2
    at = numpy.concatenate([[middle[-1] - 365], middle, [middle[0] + 365]])
    through = numpy.interp(day + 0.5, at, [monthly[-1], *monthly, monthly[0]])
    off = [monthly[m] - through[month == m].mean() for m in range(12)]
    return through + numpy.array(off)[month]
