"""How is a posterior read on a sky? One object that turns doses into days and back.

A `SkyClock` holds, for every draw, all that lies between the nominal dose of a lamp and time under
a sky. `SkyClock.days` reads a dose as days from laying; `SkyClock.lamp_dose` reads time in the
open as the nominal dose of the lamp that does the same damage. Both read the same draws, so that a
dose already spent, a dose that is left and a strength found all fit together.

A share of the sky (partial cover, shade) scales the irradiance: light L does L^p of the damage.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from durability.translation.discrepancy import (
    counts_spectrum,
    learned_links,
    learned_sky,
    wetness_taught,
)
from durability.translation.inputs import (
    AIR,
    GROUND,
    draw_links,
    draw_site,
    for_site,
    read_inputs,
    split_unexplained,
    stream,
)
from durability.translation.lamp import LampClock, ThresholdPosterior, lamp_clocks
from durability.translation.laying import LAYING_HOUR, MONTH_LENGTHS
from durability.translation.plane import as_it_lies, place_of, sky_plane

if TYPE_CHECKING:
    import numpy as np
    import xarray
    from numpy.typing import NDArray

    from durability.exposure import Assumption, Site
    from durability.exposure.hourly import LitHours, RateDraws
    from durability.exposure.uv_measured import UvCalibration
    from durability.study.model import Caution
    from durability.translation.spectral import SpectralLink


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenInterval:
    """Time in the open, in the sun or in part of it.

    Parameters
    ----------
    begin, end : days; laid and covered at 6 in the morning, local standard time.
    light : share of the sky's light that reached the fabric, 1 in the open, 0.1 under thin cover.

    Examples
    --------
    >>> OpenInterval.read("2026-03-01 to 2026-03-20 at 0.3")
    OpenInterval(begin=datetime.date(2026, 3, 1), end=datetime.date(2026, 3, 20), light=0.3)
    """

    begin: datetime.date
    end: datetime.date
    light: float = 1.0

    def __post_init__(self) -> None:
        if self.end <= self.begin:
            raise ValueError(f"time in the open from {self.begin} to {self.end}: it must end on a "
                             "later day than it begins")  # fmt: skip
        if not 0 < self.light <= 1:
            raise ValueError(f"light is {self.light:g}; it must lie above 0 and up to 1")

    @classmethod
    def read(cls, text: str) -> OpenInterval:
        """From text such as ``"2026-03-01 to 2026-03-20"``, with ``" at 0.3"`` for part light."""
        form = "2026-03-01 to 2026-03-20, or 2026-03-01 to 2026-03-20 at 0.3 for part of the light"
        days, _, light = text.partition(" at ")
        begin, _, end = days.partition(" to ")
        try:
            first, last = (datetime.date.fromisoformat(x.strip()) for x in (begin, end))
            share = float(light) if light else 1.0
        except ValueError:
            raise ValueError(f'time in the open: found "{text}"; expected {form}') from None
        return cls(begin=first, end=last, light=share)

    @property
    def days(self) -> int:
        """Length [d]."""
        return (self.end - self.begin).days

    def hours(self) -> tuple[float, float]:
        """(from, to) in hours from 1 January of the year in which it begins, without leap days."""
        return (_hour(self.begin, self.begin.year), _hour(self.end, self.begin.year))


def _hour(day: datetime.date, first_year: int) -> float:
    inside = sum(MONTH_LENGTHS[: day.month - 1]) + min(day.day, MONTH_LENGTHS[day.month - 1]) - 1
    return ((day.year - first_year) * 365 + inside) * 24.0 + LAYING_HOUR


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SkyClock:
    """One material's draws between the dose of a lamp and time under a sky.

    Parameters
    ----------
    material : its name.
    lamp : the lamp side.
    year : the sky side, its lit hours.
    links : draws (draw,) of every uncertain input, from `draw_links`.
    cloud : cloud power of `year`.
    spectral : lamp and sky by the action spectrum; None counts the dose in the lamp's band.
    cautions : what is doubtful about spectrum and wetness.
    uv_measured : whether a measurement at the site corrects its computed ultraviolet.
    """

    material: str
    lamp: LampClock
    year: LitHours
    links: Mapping[str, NDArray[np.float64]]
    cloud: float
    spectral: SpectralLink | None = None
    cautions: tuple[Caution, ...] = ()
    uv_measured: bool = False

    @property
    def assumptions(self) -> tuple[str, ...]:
        """What the reading of this clock leans on, by the names of `explain`."""
        return (
            "clock_power_arrhenius",
            "uv_measured" if self.uv_measured else "uv_modelled",
            "specimen_temperature_modelled",
            "action_spectrum" if self.spectral is not None else "dose_in_band",
            "wetness_modelled" if self.year.wet is not None else "moisture_not_modelled",
            "on_ground" if self.on_ground else "on_rack",
        )

    def with_links(self, **changed: NDArray[np.float64]) -> SkyClock:
        """The same clock with draws of some inputs replaced."""
        return replace(self, links={**self.links, **changed})

    @property
    def on_ground(self) -> bool:
        """Whether the fabric is warmed as on the ground."""
        return GROUND in self.links

    @property
    def lamp_factor(self) -> NDArray[np.float64]:
        """Effective dose under the sky that one nominal unit of lamp dose stands for, (draw,)."""
        found = self.links["lamp_dose"] * self.links["lab_to_sky"]
        if "wetness_factor" in self.links:
            found = found * (1 + self.lamp.wet_share * (self.links["wetness_factor"] - 1))
        return found

    def days(
        self, dose: NDArray[np.float64], starts: NDArray[np.float64], *, light: float = 1.0
    ) -> NDArray[np.float64]:
        """Days (draw, dose, start) from laying to nominal lamp doses (draw, dose)."""
        from durability.translation.kernel import days_until

        targets = dose * self.lamp_factor[:, None]
        return days_until(self.year, self._draws(light), targets=targets, starts=starts)

    def lamp_dose(
        self, intervals: Sequence[tuple[float, float]], *, light: float = 1.0
    ) -> NDArray[np.float64]:
        """Nominal lamp dose (draw, interval) that does the damage of hours (from, to) in the open.

        Parameters
        ----------
        intervals : hours from 1 January of the first year [h]; the year repeats.
        light : share of the sky's light.
        """
        from durability.exposure.hourly import dose_between

        return dose_between(self.year, self._draws(light), intervals) / self.lamp_factor[:, None]

    def spent(self, intervals: Sequence[OpenInterval]) -> NDArray[np.float64]:
        """Nominal lamp dose (draw,) already spent in several intervals, each with its light."""
        import numpy as np

        dose = np.zeros_like(self.lamp_factor)
        for interval in intervals:
            dose += self.lamp_dose([interval.hours()], light=interval.light)[:, 0]
        return dose

    def _draws(self, light: float) -> RateDraws:
        """What each draw makes of the year's hours."""
        import numpy as np

        from durability.exposure.hourly import RateDraws
        from durability.translation.sky import heating

        links = self.links
        p, energy = links["reciprocity_exponent"], links["activation_energy"]
        true = self.lamp.irradiance * links["lamp_dose"]
        sky = links["uv_factor"] * links["year_to_year"] * light
        warm = self.lamp.arrhenius(energy, links["lamp_temperature"])
        scale = self.lamp.per_hour * true ** (1 - p) * sky**p / warm
        light_of = None if self.spectral is None else self.spectral.patterns(links)
        if light_of is not None:
            scale = scale * np.exp(p * light_of.level)
        wetter = links.get("wetness_factor")
        return RateDraws(
            exponent=p, activation_energy=energy, cloud=links["cloud_power"] - self.cloud,
            heating=heating(dict(links)), warmer=links.get(AIR), scale=scale,
            log_wetter=None if wetter is None else np.log(wetter),
            terms=None if light_of is None else light_of.rows,
            weights=None if light_of is None else p[:, None] * light_of.weights,
        )  # fmt: skip


def read_clock(
    fit: ThresholdPosterior,
    material: str,
    lamp: LampClock,
    *,
    place: Site,
    sky: xarray.Dataset,
    plane: dict[str, Any],
    inputs: dict[str, Assumption],
    shared: dict[str, NDArray[np.float64]],
    draws: int,
    seed: int,
) -> SkyClock:
    """One material's clock, with every link drawn.

    Parameters
    ----------
    fit, material, lamp : the posterior, and the lamp its threshold doses are read from.
    place : the site.
    sky, plane : from `durability.exposure.sky_exposure`, and the settings it was made with.
    inputs, shared : from `durability.translation.inputs`.
    draws, seed : number of posterior draws, and seed of what is drawn beside them.
    """
    from durability.exposure.uv_measured import uv_calibration
    from durability.exposure.wetness import wet_year
    from durability.translation.sky import sky_year
    from durability.translation.spectral import (
        spectral_cautions,
        spectral_draws,
        spectral_link,
    )

    learned = learned_links(fit, material, lamp, place.name, draws=draws, seed=seed)
    links = draw_links(
        fit, material, lamp, lab_to_sky=inputs["lab_to_sky"], shared=shared, draws=draws,
        seed=seed, learned=learned,
    )  # fmt: skip
    taught = "lab_to_sky" in learned  # with spectrum and moisture in it where they were not counted
    spectrum_in_it = taught and not counts_spectrum(fit, material)
    wetted = wetness_taught(fit) if taught else fit.study.question.wetness
    wet, missing = wet_year(place.hourly, sky) if wetted else (None, ())
    year = sky_year(sky, lamp.variable, wet=wet)
    spectral = (
        None if spectrum_in_it else spectral_link(fit.study, material, lamp, place, year, plane)
    )
    modelled = [name for name, is_so in (("spectrum", spectral is not None), ("moisture", wetted))
                if is_so]  # fmt: skip
    if not taught:
        links |= split_unexplained(
            links["lab_to_sky"], inputs, material=material, modelled=modelled, seed=seed
        )
    if spectral is not None:
        links |= spectral_draws(
            fit.study, material, spectral.action, spectral.lamp, inputs, draws=draws, seed=seed,
            learned=learned,
        )  # fmt: skip
    if wetted:
        links["wetness_factor"] = learned.get(
            "wetness_factor", inputs["wetness_factor"].draws(draws, stream(seed, "wetness"))
        )
    cautions = [*wetness_cautions(place.title, missing)]
    if taught:
        asked = {"wetness": fit.study.question.wetness and not wetted,
                 "the action spectrum": spectrum_in_it
                 and fit.study.materials[material].action_spectrum}  # fmt: skip
        cautions += taught_cautions(material, [name for name, said in asked.items() if said])
        if wetted and not fit.study.question.wetness:
            cautions.append(wetness_kept(material))
    if spectral is not None:
        cautions += spectral_cautions(material, spectral.patterns(links).short_share)
    measured = uv_calibration(place, read_inputs()["uv_factor"])
    if measured is not None:
        cautions += uv_cautions(place.title, measured)
    return SkyClock(
        material=material, lamp=lamp, year=year, links=links, cloud=inputs["cloud_power"].value,
        spectral=spectral, cautions=tuple(cautions), uv_measured=measured is not None,
    )  # fmt: skip


def wetness_cautions(place: str, missing: Sequence[str]) -> tuple[Caution, ...]:
    """What the weather of a site does not say of wetness."""
    from durability.study.model import Caution

    if not missing:
        return ()
    other = {"rain": "dew", "dew": "rain"}[missing[0]]
    text = f"the weather of {place} tells nothing of {missing[0]}; only {other} counts as wet"
    return (Caution(name="wetness_in_part", text=text),)


def uv_cautions(place: str, measured: UvCalibration) -> tuple[Caution, ...]:
    """That measured and computed ultraviolet differ by more than expected."""
    from durability.exposure.uv_measured import FAR
    from durability.study.model import Caution

    if abs(measured.deviation) <= FAR:
        return ()
    text = (f"ultraviolet measured at {place} is {measured.ratio:.2f} times the computed, "
            f"{abs(measured.deviation):.1f} standard deviations from what was expected; check its "
            "band, unit and plane, for one that is too low allows too many days")  # fmt: skip
    return (Caution(name="uv_measured_far", text=text),)


def taught_cautions(material: str, asked: Sequence[str]) -> tuple[Caution, ...]:
    """What is asked for and not counted, since strips in the open taught it with all the rest."""
    from durability.study.model import Caution

    return tuple(
        Caution(
            name="taught_by_strips",
            text=f"{name} of {material} is asked for and not counted: strips in the open have "
            "taught the factor between lamp and sky with it in, and it would count twice",
        )
        for name in asked
    )


def wetness_kept(material: str) -> Caution:
    """That wetness is counted although it is asked not to be."""
    from durability.study.model import Caution

    text = (f"wetness of {material} is counted, though asked not to be: strips in the open have "
            "taught the factor between lamp and sky beside it, and it would be left out wholly; "
            "fit the study with wetness = false to leave it out")  # fmt: skip
    return Caution(name="wetness_kept", text=text)


def sky_clocks(
    fit: ThresholdPosterior,
    *,
    site: str | Path | Site,
    draws: int,
    exposure: str | None = None,
    tilt: float | None = None,
    azimuth: float | None = None,
    on_ground: bool | None = None,
    horizon: float | None = None,
    snow_cover: bool | None = None,
    seed: int | None = None,
) -> tuple[dict[str, SkyClock], dict[str, str], Site]:
    """For each material the clock on which a site is read, drawn jointly with its posterior.

    Parameters
    ----------
    fit : the posterior.
    site : name of a file of models/sites, path of a weather file, or a `Site`.
    draws : number of posterior draws.
    exposure : the exposure whose threshold doses are read; None as `translate`.
    on_ground : whether the fabric lies on the ground, where it runs hotter than on a rack; None
        takes the study's, which is the ground unless it says otherwise.
    tilt, azimuth, horizon, snow_cover : plane of the fabric and what covers it, as
        `durability.translate`.
    seed : of what is drawn beside the posterior; None takes the fit's. The same seed gives the
        draws that `translate` uses.

    Returns
    -------
    clocks : material to `SkyClock`.
    left_out : material to the reason why it has none.
    site : as read.
    """
    from durability.exposure import sky_exposure

    lamps, left_out = lamp_clocks(fit, exposure)
    question = as_it_lies(
        fit.study.question, tilt=tilt, azimuth=azimuth, horizon=horizon, snow_cover=snow_cover,
        on_ground=on_ground,
    )  # fmt: skip
    place = place_of(question, site)
    seed = fit.seed if seed is None else seed
    inputs = for_site(read_inputs(), place, on_ground=question.on_ground)
    plane = sky_plane(inputs, place, question)
    sky = sky_exposure(place, **plane)
    shared = draw_site(inputs, place, draws=draws, seed=seed) | learned_sky(
        fit, place.name, on_ground=question.on_ground
    )
    asked: dict[str, Any] = {
        "place": place, "sky": sky, "plane": plane, "inputs": inputs, "shared": shared,
        "draws": draws, "seed": seed,
    }  # fmt: skip
    clocks = {str(m): read_clock(fit, str(m), lamp, **asked) for m, lamp in lamps.items()}
    return clocks, left_out, place


def count_draws(fit: ThresholdPosterior, material: str, exposure: str) -> int:
    """Posterior draws of a fit."""
    fractions = (*fit.study.thresholds, *([] if fit.study.thresholds else [None]))
    tau = fit.threshold_draws(
        fractions[0], of="mean", material=material, direction=fit.directions(material)[0],
        exposure=exposure,
    )  # fmt: skip
    return int(tau.shape[0])


__all__ = ["OpenInterval", "SkyClock", "count_draws", "sky_clocks"]
