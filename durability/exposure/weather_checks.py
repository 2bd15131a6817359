"""Is it a whole year of plausible weather, and do its hours fit the sun?"""

from __future__ import annotations

from typing import TYPE_CHECKING

from durability.statement import MONTHS
from durability.study.model import Caution
from durability.study.problem import Problem

if TYPE_CHECKING:
    import xarray
    from numpy.typing import NDArray

HOURS = 8760
LONGEST_GAP = 24
"""Missing weather longer than this many hours in a row is a problem, not a gap to fill [h]."""

NIGHT_SHARE = 0.005
"""Share of the year's sunlight that may fall when the sun is more than 6 degrees down."""

FROZEN = -2.0
"""Monthly mean air temperature below which snow is taken to lie (common practice, no source)."""

OFFSET = 25.0
"""Time stamps that fit the sun best this far off [min] deserve a caution."""

_RANGES = {
    "ghi": (-10.0, 1600.0, "W/m²"),
    "dni": (-10.0, 1500.0, "W/m²"),
    "dhi": (-10.0, 1200.0, "W/m²"),
    "temp_air": (-75.0, 60.0, "°C"),
    "wind_speed": (0.0, 90.0, "m/s"),
}


ENERGY = (
    "Is it energy over another step? Wh/m² of a whole hour are W/m²; of a quarter hour multiply by "
    "4; kJ/m² of an hour divide by 3.6."
)
"""What mends sunlight in another unit."""


def check_weather(
    hourly: xarray.Dataset, *, file: str, latitude: float, longitude: float
) -> list[Problem]:
    """Everything wrong with one year of hourly weather.

    Parameters
    ----------
    hourly : as in `durability.exposure.Site`, with nan for missing values.
    file : name shown to the user.
    latitude, longitude : [degrees].
    """
    import numpy

    problems = []
    if not (-90 <= latitude <= 90 and -180 <= longitude <= 180):
        found = f"{latitude:g}, {longitude:g}"
        expected = "a latitude from -90 to 90 and a longitude from -180 to 180"
        problems.append(Problem(file=file, column="position", found=found, expected=expected))
        return problems
    time = hourly["time"].values
    size = time.size
    if size != HOURS or (numpy.diff(time) != numpy.timedelta64(1, "h")).any():
        problems.append(_length_problem(time, longitude, file))
    for name, (low, high, unit) in _RANGES.items():
        data = hourly[name].values
        wrong = numpy.isfinite(data) & ((data < low) | (data > high))
        if wrong.any():
            found = f"{data[wrong][0]:g} {unit} ({int(wrong.sum())} such values)"
            expected = f"{low:g} to {high:g} {unit}"
            mend = ENERGY if unit == "W/m²" else ""
            problems.append(
                Problem(file=file, column=name, found=found, expected=expected, mend=mend)
            )
        gap = _longest_gap(numpy.isnan(data))
        if gap > LONGEST_GAP:
            found = f"{gap} hours in a row without a value"
            expected = f"gaps of at most {LONGEST_GAP} hours"
            mend = "Use a complete file."
            problems.append(
                Problem(file=file, column=name, found=found, expected=expected, mend=mend)
            )
    ghi = numpy.nan_to_num(hourly["ghi"].values)
    if size and not ghi.sum() > 0:
        found = "no sunlight in the whole file"
        expected = "global horizontal irradiance above 0 by day"
        problems.append(Problem(file=file, column="ghi", found=found, expected=expected))
    elif size:
        night = solar_cosine(time, latitude, longitude) < -0.105
        share = ghi[night].sum() / ghi.sum()
        if share > NIGHT_SHARE:
            found = f"{100 * share:.2g} % of the sunlight falls at night"
            expected = "sunlight by day only"
            mend = "Check longitude (east positive), time zone and time stamps."
            problems.append(
                Problem(file=file, column="ghi", found=found, expected=expected, mend=mend)
            )
    return problems


def timing_caution(
    hourly: xarray.Dataset, latitude: float, longitude: float, file: str
) -> Caution | None:
    """A caution where the sunlight fits the sun better at another hour.

    The correlation of global irradiance with the cosine of the sun's zenith angle is sought over
    offsets from -90 to 90 min. It is coarse: morning cloud alone moves it by 10 min or more.
    """
    offset = best_offset(hourly, latitude, longitude)
    if abs(offset) < OFFSET:
        return None
    return Caution(
        name="weather_time_doubtful",
        text=f"the sunlight of {file} fits the sun best when its hours are moved by "
        f"{offset:+.0f} min; check time zone and time stamps (lasting morning or evening cloud "
        "can do the same)",
        file=file,
    )


def snow_caution(hourly: xarray.Dataset, longitude: float, file: str) -> Caution | None:
    """A caution where snow may lie: light it throws back is not counted."""
    import numpy

    air = hourly["temp_air"].values
    month = _local_month(hourly["time"].values, longitude)
    cold = [MONTHS[m] for m in range(12) if numpy.mean(air[month == m]) < FROZEN]
    if not cold:
        return None
    return Caution(
        name="snow_not_counted",
        text=f"{file}: snow may lie in {', '.join(cold)}; it throws light back, and the days "
        "computed for those months may be too many",
        file=file,
    )


def best_offset(hourly: xarray.Dataset, latitude: float, longitude: float) -> float:
    """Minutes to add to the time stamps for the best fit of sunlight to the sun [min]."""
    import numpy

    time = hourly["time"].values
    ghi = numpy.nan_to_num(hourly["ghi"].values)
    minutes = numpy.arange(-90, 91, 5)
    fit = []
    for m in minutes:
        up = solar_cosine(time + numpy.timedelta64(int(m), "m"), latitude, longitude)
        fit.append(numpy.corrcoef(numpy.maximum(up, 0.0), ghi)[0, 1])
    return float(minutes[int(numpy.argmax(fit))])


def solar_cosine(time: NDArray, latitude: float, longitude: float) -> NDArray:
    """Cosine of the sun's zenith angle to about 0.01, by Spencer's Fourier series of 1971.

    Parameters
    ----------
    time : datetime64, UTC.
    latitude, longitude : [degrees].

    Notes
    -----
    Coefficients as pvlib gives them for declination and equation of time (Spencer 1971).
    """
    import numpy

    day = time.astype("datetime64[D]")
    hour = (time - day) / numpy.timedelta64(1, "h")
    of_year = (day - day.astype("datetime64[Y]").astype("datetime64[D]")).astype(float)
    b = 2 * numpy.pi * of_year / 365
    declination = (
        0.006918 - 0.399912 * numpy.cos(b) + 0.070257 * numpy.sin(b)
        - 0.006758 * numpy.cos(2 * b) + 0.000907 * numpy.sin(2 * b)
        - 0.002697 * numpy.cos(3 * b) + 0.00148 * numpy.sin(3 * b)
    )  # fmt: skip
    minutes = 229.18 * (
        0.0000075 + 0.001868 * numpy.cos(b) - 0.032077 * numpy.sin(b)
        - 0.014615 * numpy.cos(2 * b) - 0.040849 * numpy.sin(2 * b)
    )  # fmt: skip
    angle = numpy.radians(15 * (hour - 12 + minutes / 60) + longitude)
    lat = numpy.radians(latitude)
    return numpy.sin(lat) * numpy.sin(declination) + numpy.cos(lat) * numpy.cos(
        declination
    ) * numpy.cos(angle)


def haurwitz(up: NDArray) -> NDArray:
    """Cloudless global sunlight [W/m²] by Haurwitz (1945, as pvlib.clearsky.haurwitz has it).

    Parameters
    ----------
    up : cosine of the sun's zenith angle.
    """
    import numpy

    lit = up > 0.0
    found = numpy.zeros(up.size)
    found[lit] = 1098.0 * up[lit] * numpy.exp(-0.059 / up[lit])
    return found


def _length_problem(time: NDArray, longitude: float, file: str) -> Problem:
    import numpy

    months = _local_month(time, longitude)
    hours = numpy.bincount(months, minlength=12) if time.size else numpy.zeros(12)
    missing = [MONTHS[m] for m in range(12) if hours[m] < 24]
    step = numpy.diff(time)
    repeated = int((step == numpy.timedelta64(0, "h")).sum())
    found = f"{time.size} hours"
    if missing and time.size:
        found += f", none in {', '.join(missing)}"
    if repeated:
        found += f", {repeated} of them twice"
    return Problem(
        file=file,
        found=found,
        expected=f"the {HOURS} hours of one year, each once",
        mend="Use a complete file of one year.",
    )


def _local_month(time: NDArray, longitude: float) -> NDArray:
    import numpy

    local = time + numpy.timedelta64(round(4 * longitude), "m")
    return local.astype("datetime64[M]").astype(int) % 12


def _longest_gap(missing: NDArray) -> int:
    import numpy

    edges = numpy.flatnonzero(numpy.diff(numpy.concatenate([[0], missing.astype(int), [0]])))
    return int((edges[1::2] - edges[::2]).max()) if edges.size else 0
