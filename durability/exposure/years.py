"""How much do years differ at a site, and which hours make its typical year?

A series of several years is cut into calendar years in local standard time. The typical year takes
each month from the year whose sunlight in that month is nearest to the mean of all years. What
years differ by is read off their yearly sums, together with the spread taken where nothing is
known: with n years of sample variance s² and a prior variance s0² worth m years,

    variance = (m s0² + (n - 1) s²) / (m + n - 1)
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import xarray

    from durability.exposure.assumption import Assumption
    from durability.exposure.site import Site

HOURS = 8760
PRIOR_YEARS = 4.0
"""Years that the prior spread is worth (common practice, no source)."""

LONGEST_GAP = 24
KNOWN_SHARE = 0.95
"""Share of a calendar year's hours that must be there for the year to be used."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Year:
    """One calendar year of a site's hours, laid on a normal year of 8760 hours.

    Parameters
    ----------
    year : calendar year.
    hourly : as `durability.exposure.Site.hourly`; its time stamps are of the year 2001.
    """

    year: int
    hourly: xarray.Dataset

    def __repr__(self) -> str:
        return f"Year {self.year}: {float(self.hourly['ghi'].sum()) * 0.0036:.0f} MJ/m² of sunlight"


def on_the_hour(frame: Any) -> Any:
    """Means over whole hours of a data frame whose stamps begin a shorter step.

    An hour of which less than half is known is missing. ``rain`` is a rate [mm/h] and stays one.
    """
    step = frame.index.to_series().diff().median().total_seconds() / 3600
    by_hour = frame.resample("1h")
    known = by_hour.count() * min(step, 1.0)
    return by_hour.mean().where(known >= 0.5)


def complete_years(frame: Any) -> tuple[list[int], list[int]]:
    """Calendar years of an hourly frame on a full grid that are whole enough, and the others."""
    whole, broken = [], []
    for year, part in frame.groupby(frame.index.year):
        gap = _longest_gap(part["ghi"].isna().to_numpy()) if len(part) else HOURS
        enough = (
            part["ghi"].notna().sum() >= KNOWN_SHARE * HOURS and len(part) >= HOURS - LONGEST_GAP
        )
        (whole if enough and gap <= LONGEST_GAP else broken).append(int(year))
    return whole, broken


def typical_year(years: tuple[Year, ...]) -> xarray.Dataset:
    """Each month from the year whose sunlight in it is nearest to the mean over the years."""
    import numpy
    import xarray

    first = numpy.datetime64("2001-01-01") + numpy.arange(HOURS).astype("timedelta64[h]")
    month = first.astype("datetime64[M]").astype(int) % 12
    light = numpy.array(
        [[y.hourly["ghi"].values[month == m].sum() for m in range(12)] for y in years]
    )
    chosen = numpy.abs(light - light.mean(axis=0)).argmin(axis=0)
    shared = set.intersection(*({str(n) for n in y.hourly.data_vars} for y in years))
    base = years[0].hourly
    variables = {}
    for name in [str(n) for n in base.data_vars if str(n) in shared]:
        stack = numpy.stack([y.hourly[name].values for y in years])
        picked = stack[chosen[month], numpy.arange(HOURS)]
        variables[name] = ("time", picked, base[name].attrs)
    return xarray.Dataset(variables, coords={"time": base["time"]})


def year_to_year(site: Site) -> Assumption:
    """A given year's ultraviolet against the typical year: a factor of median 1.

    Parameters
    ----------
    site : with or without several years.

    Returns
    -------
    Assumption with ``log_sd``: that of models/translation.toml where the site has one typical year
    or less than two years; else what the years show, drawn towards it.

    Examples
    --------
    >>> from durability.exposure import read_site
    >>> year_to_year(read_site("miami")).log_sd
    0.05
    """
    import dataclasses

    from durability.exposure.assumption import translation_assumptions

    prior = translation_assumptions()["year_to_year"]
    n = len(site.years)
    if n < 2:
        return prior
    before = float(prior.log_sd or 0.05)
    logs = [math.log(float(y.hourly["ghi"].sum())) for y in site.years]
    mean = sum(logs) / n
    squares = sum((x - mean) ** 2 for x in logs)
    spread = math.sqrt((PRIOR_YEARS * before**2 + squares) / (PRIOR_YEARS + n - 1))
    own = math.sqrt(squares / (n - 1))
    return dataclasses.replace(
        prior,
        log_sd=spread,
        source=f"yearly sunlight of {n} years at {site.title} (relative sd {100 * own:.1f} %), "
        f"together with {100 * before:.0f} % where nothing is known ({prior.source}), taken as "
        f"worth {PRIOR_YEARS:g} years",
    )


def _longest_gap(missing: Any) -> int:
    import numpy

    edges = numpy.flatnonzero(numpy.diff(numpy.concatenate([[0], missing.astype(int), [0]])))
    return int((edges[1::2] - edges[::2]).max()) if edges.size else 0
