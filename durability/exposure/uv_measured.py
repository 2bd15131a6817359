"""What does a measurement of ultraviolet at a site say of its computed ultraviolet?

    log (measured / computed) = log f + g(b) + error

with *f* the factor on the computed ultraviolet and *g* what another cloud power *b* than the
central one adds to the yearly total. With the prior of models/translation.toml for f (normal in
its logarithm, sd s0) and the error of the measurement (sd s1: the sensor's calibration, and the
years or days that were measured), log f given b is normal with

    mean  m0 + k (log (measured / computed) - g(b) - m0),  variance  k s1^2,  k = s0^2/(s0^2 + s1^2)

*b* keeps its prior: a total says next to nothing of it.
"""

from __future__ import annotations

import functools
import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from durability.exposure.assumption import Assumption
    from durability.exposure.site import Site

BANDS = {"300-400 nm": "uv_300_400", "295-385 nm": "uv_295_385"}
"""Band of a measured total to the variable of `durability.exposure.sky_exposure`."""

FEWEST_DAYS = 30
"""Days of a sensor's series from which it corrects the site (common practice, no source)."""

FAR = 2.5
"""Standard deviations between measured and expected that ask for a second look (common practice, no
source)."""

FORM = '"318 MJ/m^2 in 300-400 nm", and "+- 5 %" or "over 3 years" where they are known'


@dataclass(frozen=True, slots=True, kw_only=True)
class UvTotal:
    """Ultraviolet measured at a site, total of a mean year.

    Parameters
    ----------
    total : [MJ/m²].
    band : ``"300-400 nm"`` or ``"295-385 nm"``.
    log_sd : relative standard uncertainty of the sensor [1]; None takes that of
        models/translation.toml.
    years : number of years measured.
    tilt, azimuth : of the sensor [degrees].
    source : where it comes from.

    Examples
    --------
    >>> UvTotal.read("318 MJ/m^2 in 300-400 nm +- 4 % over 3 years").years
    3.0
    """

    total: float
    band: str
    log_sd: float | None = None
    years: float = 1.0
    tilt: float = 0.0
    azimuth: float = 180.0
    source: str = "stated by the user"

    def __post_init__(self) -> None:
        if self.band not in BANDS:
            raise ValueError(f"measured ultraviolet in {self.band!r}; known: {', '.join(BANDS)}")
        if not 10 < self.total < 2000:
            raise ValueError(f"measured ultraviolet is {self.total:g} MJ/m² a year; it must lie "
                             "between 10 and 2000")  # fmt: skip
        if self.log_sd is not None and not 0 < self.log_sd < 1:
            raise ValueError(f"uncertainty of measured ultraviolet is {self.log_sd:g}; it must lie "
                             "between 0 and 1")  # fmt: skip
        if not self.years > 0:
            raise ValueError(f"years of measured ultraviolet are {self.years:g}; expected above 0")

    @classmethod
    def read(cls, text: str) -> UvTotal:
        """From text such as ``"318 MJ/m^2 in 300-400 nm +- 5 % over 3 years"``."""
        number = r"(\d+(?:\.\d+)?)"
        found = re.fullmatch(
            rf"\s*{number}\s*MJ/m(?:\^2|2|²)\s+in\s+(\d+-\d+)\s*nm"
            rf"(?:\s*(?:\+-|±)\s*{number}\s*%)?(?:\s+over\s+{number}\s+years?)?\s*",
            text,
        )
        if found is None:
            raise ValueError(f'measured ultraviolet: found "{text}"; expected {FORM}')
        total, band, percent, years = found.groups()
        return cls(
            total=float(total), band=f"{band} nm",
            log_sd=None if percent is None else float(percent) / 100,
            years=1.0 if years is None else float(years),
        )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class UvCalibration:
    """The factor on a site's computed ultraviolet, corrected by a measurement.

    Parameters
    ----------
    ratio : measured over computed [1].
    log_sd : standard uncertainty of its logarithm.
    log_mean, log_given_sd : of log f at the central cloud power.
    weight : k.
    slope : dg/db [1].
    deviation : of the ratio from what was expected [standard deviations].
    source : what was measured.
    """

    ratio: float
    log_sd: float
    log_mean: float
    log_given_sd: float
    weight: float
    slope: float
    deviation: float
    source: str

    def factor(self, prior: Assumption) -> Assumption:
        """The factor as an assumption, in place of its prior."""
        import dataclasses

        value = math.exp(self.log_mean)
        return dataclasses.replace(
            prior, value=value, sd=value * self.log_given_sd, low=None, high=None,
            source=f"{self.source}: {self.ratio:.3f} times the computed, with a standard "
            f"uncertainty of {100 * self.log_sd:.1f} %, and before it {prior}",
        )  # fmt: skip

    def given_cloud(self, factor: NDArray, departure: NDArray) -> NDArray:
        """Draws of the factor, given each draw's departure from the central cloud power."""
        import numpy

        return factor * numpy.exp(-self.weight * self.slope * departure)


@functools.lru_cache(maxsize=32)
def uv_calibration(site: Site, prior: Assumption) -> UvCalibration | None:
    """What the site's measured ultraviolet says; None where it has none.

    Parameters
    ----------
    site : with a measured total (``uv_total``), or hours of a sensor (``uv_300_400`` or
        ``uv_295_385``).
    prior : ``uv_factor`` of models/translation.toml.

    Examples
    --------
    >>> import dataclasses
    >>> from durability.exposure import read_site, translation_assumptions
    >>> prior = translation_assumptions()["uv_factor"]
    >>> place = read_site("miami")
    >>> uv_calibration(place, prior) is None
    True
    >>> told = UvTotal.read("347 MJ/m^2 in 300-400 nm +- 4 % over 5 years")
    >>> found = uv_calibration(dataclasses.replace(place, uv_total=told), prior)
    >>> found.ratio < found.factor(prior).value < prior.value
    True
    """
    from durability.exposure.assumption import translation_assumptions

    book = translation_assumptions()
    if site.uv_total is not None:
        found = _of_total(site, book)
    else:
        found = _of_sensor(site, book)
    if found is None:
        return None
    ratio, log_sd, slope, source = found
    return corrected(prior, ratio, log_sd, slope=slope, added=site.uv_log_sd, source=source)


def corrected(
    prior: Assumption, ratio: float, log_sd: float, *, slope: float, added: float = 0.0,
    source: str = "",
) -> UvCalibration:  # fmt: skip
    """The factor given what was measured, by the formulas above.

    Parameters
    ----------
    prior : of the factor.
    ratio, log_sd : measured over computed, and the standard uncertainty of its logarithm.
    slope : d log(computed total) / db at the central cloud power.
    added : what hours made from monthly means add to the prior's relative uncertainty.
    source : in words.
    """
    m0 = math.log(prior.value)
    s0 = math.hypot((prior.sd or 0.0) / prior.value, added)
    weight = s0**2 / (s0**2 + log_sd**2)
    off = math.log(ratio) - m0
    return UvCalibration(
        ratio=ratio, log_sd=log_sd, log_mean=m0 + weight * off,
        log_given_sd=math.sqrt(weight) * log_sd, weight=weight, slope=slope,
        deviation=off / math.hypot(s0, log_sd), source=source,
    )  # fmt: skip


def _of_total(site: Site, book: dict[str, Assumption]) -> tuple[float, float, float, str]:
    from durability.exposure.sky import sky_exposure

    told = site.uv_total
    assert told is not None
    sky = sky_exposure(site, tilt=told.tilt, azimuth=told.azimuth,
                       cloud_power=book["cloud_power"].value)  # fmt: skip
    light = sky[BANDS[told.band]].values
    year = book["year_to_year"].log_sd or 0.0
    sensor = told.log_sd if told.log_sd is not None else book["uv_sensor"].log_sd or 0.0
    text = f"{told.total:g} MJ/m² in {told.band} measured at {site.title} ({told.source})"
    return (
        told.total / (float(light.sum()) * 0.0036),
        math.hypot(sensor, year / math.sqrt(told.years)),
        float((light * sky["log_clearness"].values).sum() / light.sum()),
        text,
    )


def _of_sensor(site: Site, book: dict[str, Assumption]) -> tuple[float, float, float, str] | None:
    """From the days whose hours the sensor saw; their scatter is taken with its persistence."""
    import numpy

    from durability.exposure.sky import sky_exposure

    for variable in ("uv_300_400", "uv_295_385"):
        if variable in site.hourly:
            break
    else:
        return None
    seen = site.hourly[variable].values
    sky = sky_exposure(site, cloud_power=book["cloud_power"].value)
    light = sky[variable].values
    known = numpy.isfinite(seen).reshape(-1, 24).all(axis=1)
    measured = numpy.nan_to_num(seen).reshape(-1, 24).sum(axis=1)
    computed = light.reshape(-1, 24).sum(axis=1)
    used = known & (measured > 0) & (computed > 0.2 * computed.mean())
    if used.sum() < FEWEST_DAYS:
        return None
    ratio = float(measured[used].sum() / computed[used].sum())
    share = computed[used] / computed[used].sum()
    rest = measured[used] / computed[used] / ratio - 1.0
    again = float(numpy.clip(numpy.corrcoef(rest[1:], rest[:-1])[0, 1], 0.0, 0.95))
    error = math.sqrt(float((share**2 * rest**2).sum()) * (1 + again) / (1 - again))
    hours = numpy.repeat(used, 24)
    slope = float((light * sky["log_clearness"].values)[hours].sum() / light[hours].sum())
    sensor = book["uv_sensor"].log_sd or 0.0
    text = f"{int(used.sum())} days of a sensor of ultraviolet at {site.title}"
    return ratio, math.hypot(sensor, error), slope, text


def uv_total_of(entry: dict[str, Any], file: str) -> UvTotal | None:
    """The table ``[uv_measured]`` of a site's file; None where it has none.

    Raises
    ------
    StudyError : a table that cannot be read.
    """
    from durability.study.problem import Problem, StudyError

    table = entry.get("uv_measured")
    if table is None:
        return None
    known = ("total", "tilt", "azimuth", "source")
    problems = [
        Problem(file=file, column=f"uv_measured.{key}", found=str(value),
                expected=f"a key among {', '.join(known)}")
        for key, value in table.items() if key not in known
    ]  # fmt: skip
    if not problems:
        try:
            read = UvTotal.read(str(table.get("total", "")))
            settings = {k: float(table[k]) for k in ("tilt", "azimuth") if k in table}
            return _with(read, source=str(table.get("source", f"the file {file}")), **settings)
        except (ValueError, TypeError) as error:
            problems.append(
                Problem(file=file, column="uv_measured.total", found=str(table.get("total", "")),
                        expected=FORM, mend=str(error))
            )  # fmt: skip
    raise StudyError(problems)


def _with(told: UvTotal, **changed: Any) -> UvTotal:
    import dataclasses

    return dataclasses.replace(told, **changed)


__all__ = ["UvCalibration", "UvTotal", "corrected", "uv_calibration", "uv_total_of"]
