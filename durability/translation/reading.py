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
from typing import TYPE_CHECKING

from durability.translation.discrepancy import learned_links, learned_sky
from durability.translation.inputs import (
    AIR,
    GROUND,
    draw_links,
    draw_shared,
    for_site,
    read_inputs,
)
from durability.translation.lamp import LampClock, ThresholdPosterior, lamp_clocks
from durability.translation.laying import LAYING_HOUR, MONTH_LENGTHS

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from durability.exposure import Site
    from durability.translation.sky import SkyYear


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
    year : the sky side, its 8760 hours.
    links : draws (draw,) of every uncertain input, from `draw_links`.
    cloud : cloud power of `year`.
    """

    material: str
    lamp: LampClock
    year: SkyYear
    links: Mapping[str, NDArray[np.float64]]
    cloud: float

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
        return self.links["lamp_dose"] * self.links["lab_to_sky"]

    def days(
        self, dose: NDArray[np.float64], starts: NDArray[np.float64], *, light: float = 1.0
    ) -> NDArray[np.float64]:
        """Days (draw, dose, start) from laying to nominal lamp doses (draw, dose)."""
        from durability.translation.kernel import days_until

        year = self.year
        p, energy, cloud, heat, scale = self._draws(light)
        return days_until(
            year.hour, year.log_irradiance, year.log_clearness, year.air, year.rise,
            exponent=p, activation_energy=energy, cloud=cloud, heating=heat, scale=scale,
            warmer=self.links.get(AIR), targets=dose * self.lamp_factor[:, None], starts=starts,
        )  # fmt: skip

    def lamp_dose(
        self, intervals: Sequence[tuple[float, float]], *, light: float = 1.0
    ) -> NDArray[np.float64]:
        """Nominal lamp dose (draw, interval) that does the damage of hours (from, to) in the open.

        Parameters
        ----------
        intervals : hours from 1 January of the first year [h]; the year repeats.
        light : share of the sky's light.
        """
        from durability.translation.kernel import dose_between

        year = self.year
        p, energy, cloud, heat, scale = self._draws(light)
        found = dose_between(
            year.hour, year.log_irradiance, year.log_clearness, year.air, year.rise,
            exponent=p, activation_energy=energy, cloud=cloud, heating=heat, scale=scale,
            warmer=self.links.get(AIR), intervals=intervals,
        )  # fmt: skip
        return found / self.lamp_factor[:, None]

    def spent(self, intervals: Sequence[OpenInterval]) -> NDArray[np.float64]:
        """Nominal lamp dose (draw,) already spent in several intervals, each with its light."""
        import numpy as np

        dose = np.zeros_like(self.lamp_factor)
        for interval in intervals:
            dose += self.lamp_dose([interval.hours()], light=interval.light)[:, 0]
        return dose

    def _draws(self, light: float) -> tuple[NDArray[np.float64], ...]:
        from durability.translation.sky import heating

        links = self.links
        p, energy = links["reciprocity_exponent"], links["activation_energy"]
        true = self.lamp.irradiance * links["lamp_dose"]
        sky = links["uv_factor"] * links["year_to_year"] * light
        warm = self.lamp.arrhenius(energy, links["lamp_temperature"])
        scale = self.lamp.per_hour * true ** (1 - p) * sky**p / warm
        return p, energy, links["cloud_power"] - self.cloud, heating(dict(links)), scale


def sky_clocks(
    fit: ThresholdPosterior,
    *,
    site: str | Path | Site,
    draws: int,
    exposure: str | None = None,
    tilt: float = 0.0,
    azimuth: float = 180.0,
    on_ground: bool | None = None,
    seed: int | None = None,
) -> tuple[dict[str, SkyClock], dict[str, str], Site]:
    """For each material the clock on which a site is read, drawn jointly with its posterior.

    Parameters
    ----------
    fit : the posterior.
    site : name of a file of models/sites, path of a weather file, or a `Site`.
    draws : number of posterior draws.
    exposure : the exposure whose threshold doses are read; None as `translate`.
    tilt, azimuth : plane of the fabric [degrees].
    on_ground : whether the fabric lies on the ground, where it runs hotter than on a rack; None
        takes the study's.
    seed : of what is drawn beside the posterior; None takes the fit's. The same seed gives the
        draws that `translate` uses.

    Returns
    -------
    clocks : material to `SkyClock`.
    left_out : material to the reason why it has none.
    site : as read.
    """
    from durability.exposure import read_site, sky_exposure
    from durability.translation.sky import sky_year

    lamps, left_out = lamp_clocks(fit, exposure)
    place = read_site(site) if isinstance(site, str | Path) else site
    seed = fit.seed if seed is None else seed
    on_ground = fit.study.question.on_ground if on_ground is None else on_ground
    inputs = for_site(read_inputs(), place, on_ground=on_ground)
    cloud = inputs["cloud_power"].value
    sky = sky_exposure(place, tilt=tilt, azimuth=azimuth, cloud_power=cloud)
    shared = draw_shared(inputs, draws=draws, seed=seed) | learned_sky(fit, place.name)
    clocks = {}
    for material, lamp in lamps.items():
        links = draw_links(
            fit, material, lamp, lab_to_sky=inputs["lab_to_sky"], shared=shared, draws=draws,
            seed=seed,
            learned=learned_links(fit, material, lamp, place.name, draws=draws, seed=seed),
        )  # fmt: skip
        clocks[str(material)] = SkyClock(
            material=str(material), lamp=lamp, year=sky_year(sky, lamp.variable), links=links,
            cloud=cloud,
        )  # fmt: skip
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
