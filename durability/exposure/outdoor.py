"""How much effective dose have strips in the open had, so many days after laying?

    D(t) = sum over hours of E_ref (f E_h c_h^b / E_ref)^p exp(-Ea/R (1/T_h - 1/T_ref)) dt
    T_h = T_air + w rise_h

The weather is that of the days themselves where the site's file holds those years, else the site's
year, which repeats; *f* scales its computed ultraviolet, *b* departs from
the cloud power, *w* is the warming of the fabric against a reference surface. Irradiance and
temperature are constant within an hour. In wet hours the rate is larger by an uncertain factor
where the study counts wetness.
"""

from __future__ import annotations

import dataclasses
import datetime
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from durability import catalogue
from durability.exposure.clock import GAS_CONSTANT, KELVIN
from durability.exposure.hourly import LitHours, RateDraws, dose_between

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from durability.exposure.action import Action
    from durability.exposure.assumption import Assumption
    from durability.exposure.site import Site
    from durability.exposure.sky_spectrum import SpectralPatterns
    from durability.study.model import Exposure, Study

LAYING_HOUR = 6.0
"""Hour at which strips are laid and withdrawn, local standard time."""


SKY_BANDS: dict[str, tuple[str, float]] = {
    "340 nm": ("e340", 3.6),
    "300-400 nm": ("uv_300_400", 0.0036),
    "295-385 nm": ("uv_295_385", 0.0036),
}
"""Control band to the sky's variable, and the dose [kJ/(m² nm) or MJ/m²] that one hour at
irradiance 1 [W/(m² nm) or W/m²] delivers."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OutdoorClock(LitHours):
    """What a site delivers to strips from their day of laying on, in its lit hours.

    Parameters
    ----------
    exposure : name of the exposure.
    site, title : name of the site and what a report calls it.
    band : of `log_irradiance` [W/m²/nm or W/m²].
    per_hour : dose that one hour at irradiance 1 delivers.
    laid_hour : hour of laying since the first one counted [h], local standard time.
    measured : whether the weather is that of the calendar years in which the strips lay.
    uv_factor : on the computed ultraviolet, where it was measured there; None takes the prior.
    uv_log_sd, air_temperature_sd : what hours made from monthly means add to the uncertainty of
        light [1] and air temperature [K]; 0 for hourly weather.
    on_ground : whether the strips lie on the ground; then w holds ground contact too.
    wavelength, spectral : [nm] and (lit, wavelength) [W/m²/nm] of the sky; None where not asked.
    """

    exposure: str
    site: str
    title: str
    band: str
    per_hour: float
    laid_hour: float
    measured: bool = False
    uv_log_sd: float = 0.0
    air_temperature_sd: float = 0.0
    uv_factor: Assumption | None = None
    on_ground: bool = False
    wavelength: NDArray | None = None
    spectral: NDArray | None = None

    def patterns(
        self, action: Action, *, slope: ArrayLike, short_wave: ArrayLike
    ) -> SpectralPatterns:
        """Log of effective irradiance a unit in the band, of every lit hour and draw.

        Parameters
        ----------
        action : of the material.
        slope, short_wave : (draw,), as `durability.exposure.sky_spectrum.spectral_patterns`.

        Raises
        ------
        ValueError : a clock that was made without spectra.
        """
        import numpy

        from durability.exposure.sky_spectrum import spectral_patterns

        if self.wavelength is None or self.spectral is None:
            raise ValueError(f"the clock of {self.title} was made without spectra (spectral=True)")
        return spectral_patterns(
            self.wavelength, self.spectral, numpy.exp(self.log_irradiance), action, slope=slope,
            short_wave=short_wave,
        )  # fmt: skip

    def log_effective_dose(
        self,
        days: ArrayLike,
        *,
        exponent: ArrayLike,
        activation_energy: ArrayLike,
        uv_factor: ArrayLike = 1.0,
        cloud: ArrayLike = 0.0,
        warming: ArrayLike = 1.0,
        warmer: ArrayLike = 0.0,
        reference_irradiance: float,
        reference_temperature: float,
        light: SpectralPatterns | None = None,
        log_wetter: ArrayLike = 0.0,
    ) -> NDArray:
        """Log of the effective dose after each number of days, for each draw.

        Parameters
        ----------
        days : (day,) since laying [d], above 0.
        exponent, activation_energy : p [1] and Ea [kJ/mol], (draw,) or a number.
        uv_factor : f [1], true over computed ultraviolet.
        cloud : b [1], departure from the cloud power of models/translation.toml.
        warming : w [1].
        warmer : true less stated air temperature [K].
        reference_irradiance, reference_temperature : E_ref [unit of the band] and T_ref [degC].
        light : log of what each hour's light does, a unit in the band, beside the reference's;
            for as many draws; None takes them as alike.
        log_wetter : log of the rate while wet over that while dry [1].

        Returns
        -------
        array (draw, day): log of dose in the band's unit of dose; -inf where no light has come.
        """
        import numpy

        inputs = [exponent, activation_energy, uv_factor, cloud, warming, warmer, log_wetter]
        p, ea, f, b, w, up, wetter = numpy.broadcast_arrays(*[numpy.atleast_1d(x) for x in inputs])
        warm = ea / (GAS_CONSTANT * (reference_temperature + KELVIN))
        log_scale = numpy.log(reference_irradiance * self.per_hour) + warm
        log_scale = log_scale + p * numpy.log(f / reference_irradiance)
        if light is not None:
            log_scale = log_scale + p * light.level
        draws = RateDraws(
            exponent=p, activation_energy=ea, cloud=b, heating=w, warmer=up, log_wetter=wetter,
            scale=numpy.exp(log_scale), terms=None if light is None else light.rows,
            weights=None if light is None else p[:, None] * light.weights,
        )  # fmt: skip
        end = self.laid_hour + 24.0 * numpy.atleast_1d(numpy.asarray(days, dtype=float))
        found = dose_between(self, draws, [(self.laid_hour, float(x)) for x in end])
        with numpy.errstate(divide="ignore"):
            return numpy.log(numpy.maximum(found, 0.0))


def outdoor_site(study: Study, exposure: Exposure) -> Site:
    """The site of an outdoor exposure: of models/sites, or a weather file of the study folder.

    Raises
    ------
    StudyError : an unknown site, or a file that is no year of weather.
    """
    from durability.exposure.site import read_site

    named = exposure.site or ""
    if named in catalogue.names("sites"):
        return read_site(named)
    return read_site(Path(study.folder) / named)


def outdoor_clock(
    study: Study,
    exposure: Exposure,
    *,
    band: str = "340 nm",
    spectral: bool = False,
    wetness: bool = False,
) -> OutdoorClock:
    """The clock of an outdoor exposure that names its site and day of laying.

    Parameters
    ----------
    study : whose folder may hold the site's weather.
    exposure : with ``site`` and ``laid``.
    band : ``"340 nm"``, ``"300-400 nm"`` or ``"295-385 nm"``.
    spectral : True keeps the spectra of the hours, for `OutdoorClock.patterns`.
    wetness : True finds the hours in which strips are wet.

    Raises
    ------
    ValueError : an exposure without site or day of laying, or another band.
    StudyError : as `outdoor_site`.
    """
    if exposure.site is None or exposure.laid is None:
        raise ValueError(f"exposure {exposure.name} names no site and day of laying")
    if band not in SKY_BANDS:
        raise ValueError(f"the sky is computed in {', '.join(SKY_BANDS)}; found {band!r}")
    site = outdoor_site(study, exposure)
    azimuth = exposure.azimuth
    if azimuth is None:
        azimuth = 180.0 if site.latitude >= 0 else 0.0
    return site_clock(
        site, band=band, laid=exposure.laid, slope=exposure.slope, azimuth=azimuth,
        exposure=exposure.name, spectral=spectral, wetness=wetness,
    )  # fmt: skip


def counts_wetness(study: Study) -> bool:
    """Whether wetness acts on the strips in the open of a study: it is asked for, and the weather
    of every site where strips lay says when they were wet."""
    from durability.exposure.wetness import tells_wetness

    open_air = [x for x in study.exposures.values() if x.site is not None]
    if not study.question.wetness or not open_air:
        return False
    places = [outdoor_site(study, x) for x in open_air]
    return all(tells_wetness(h) for p in places for h in (p.hourly, *(y.hourly for y in p.years)))


def site_clock(
    site: Site,
    *,
    band: str = "340 nm",
    laid: str,
    slope: float = 0.0,
    azimuth: float = 180.0,
    exposure: str = "",
    spectral: bool = False,
    wetness: bool = False,
) -> OutdoorClock:
    """The clock of strips laid at a site on a day.

    Parameters
    ----------
    site : with its year of weather.
    band : as in `outdoor_clock`.
    laid : day of laying, ISO 8601; 29 February counts as the 28th. The weather of the year of
        laying and the following ones is taken where the site's file holds them.
    slope, azimuth : of the strips [degrees].
    exposure : a name for it.
    spectral, wetness : as in `outdoor_clock`.

    Examples
    --------
    >>> from durability.exposure import read_site
    >>> clock = site_clock(read_site("phoenix"), band="300-400 nm", laid="2031-01-01")
    >>> plain = dict(exponent=1.0, activation_energy=0.0, reference_irradiance=1.0,
    ...     reference_temperature=40.0)
    >>> import math
    >>> round(math.exp(clock.log_effective_dose(365, **plain)[0, 0]))  # MJ/m² a year
    399
    """
    import numpy

    from durability.exposure.assumption import translation_assumptions
    from durability.exposure.sky import sky_exposure, sky_spectrum
    from durability.exposure.temperature import MODULE_ABSORPTANCE, specimen_temperature
    from durability.exposure.uv_measured import uv_calibration
    from durability.exposure.wetness import wet_year

    prior = translation_assumptions()["uv_factor"]
    measured = uv_calibration(site, prior)
    variable, per_hour = SKY_BANDS[band]
    day = datetime.date.fromisoformat(laid)
    start = datetime.date(2001, day.month, min(day.day, 28) if day.month == 2 else day.day)
    first = (start - datetime.date(2001, 1, 1)).days
    places = measured_years(site, day.year)
    power = translation_assumptions()["cloud_power"].value
    parts: dict[str, list[NDArray]] = {name: [] for name in ("light", "clear", "air", "rise")}
    over_wavelength, wet = [], []
    for place in places or (site,):
        sky = sky_exposure(place, tilt=slope, azimuth=azimuth, cloud_power=power)
        if spectral:
            over_wavelength.append(
                sky_spectrum(place, tilt=slope, azimuth=azimuth, cloud_power=power)
            )
        air = sky["temp_air"].values.astype(float)
        warmed = specimen_temperature(
            air, sky["poa"].values, sky["wind_speed"].values,
            absorptance=MODULE_ABSORPTANCE, rise_factor=1.0,
        )  # fmt: skip
        if wetness:
            wet.append(wet_year(place.hourly, sky)[0])
        parts["light"].append(sky[variable].values.astype(float))
        parts["clear"].append(sky["log_clearness"].values.astype(float))
        parts["air"].append(air)
        parts["rise"].append(numpy.asarray(warmed) - air)
    light, clear, air, rise = (numpy.concatenate(part) for part in parts.values())
    hour = numpy.flatnonzero(light > 0)
    return OutdoorClock(
        exposure=exposure,
        site=site.name,
        title=site.title,
        band=band,
        per_hour=per_hour,
        laid_hour=first * 24.0 + LAYING_HOUR,
        hour=hour,
        log_irradiance=numpy.log(light[hour]),
        log_clearness=clear[hour],
        air=air[hour] + KELVIN,
        rise=rise[hour],
        hours=light.size,
        measured=bool(places),
        uv_log_sd=site.uv_log_sd,
        uv_factor=None if measured is None else measured.factor(prior),
        air_temperature_sd=site.air_temperature_sd,
        wet=numpy.concatenate(wet)[hour] if wetness else None,
        wavelength=over_wavelength[0]["wavelength"].values if spectral else None,
        spectral=numpy.concatenate([s.values for s in over_wavelength])[hour] if spectral else None,
    )


def measured_years(site: Site, first: int) -> tuple[Site, ...]:
    """The site in each calendar year from `first` on that its file holds without a gap."""
    by_year = {year.year: year.hourly for year in site.years}
    found = []
    while first + len(found) in by_year:
        hourly = by_year[first + len(found)]
        found.append(dataclasses.replace(site, hourly=hourly, years=(), typical_year=False))
    return tuple(found)


__all__ = [
    "SKY_BANDS", "OutdoorClock", "counts_wetness", "outdoor_clock", "outdoor_site", "site_clock",
]  # fmt: skip
