"""In which month does the product last least in the open? The days of one subject, laid then."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from durability.translation.laying import laying_days, laying_hours
from durability.translation.plane import as_it_lies
from durability.translation.reading import SkyClock, count_draws, sky_clocks

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from durability.exposure import Site
    from durability.statement import Subject
    from durability.translation.lamp import ThresholdPosterior


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WorstLaying:
    """Days of one subject at a site, laid in the month in which they are fewest.

    Parameters
    ----------
    site : as read.
    clocks : material to its clock at the site; `clock` is that of the subject.
    material, direction : of the subject.
    dose, middle : (draw,) threshold dose of the subject and of the median lot [lamp's unit].
    days : (draw,) from laying to the threshold.
    month : 1 to 12.
    span : first day of the year (from 0) and number of days in which it is laid.
    laying_day : (draw,) share of the span that has passed at laying.
    """

    site: Site
    clocks: dict[str, SkyClock]
    material: str
    direction: str
    dose: NDArray[np.float64]
    middle: NDArray[np.float64]
    days: NDArray[np.float64]
    month: int
    span: tuple[int, int]
    laying_day: NDArray[np.float64]

    @property
    def clock(self) -> SkyClock:
        """The clock of the subject."""
        return self.clocks[self.material]


def worst_laying(
    fit: ThresholdPosterior,
    *,
    site: str | Path | Site,
    of: Subject,
    fraction: float | None,
    material: str | None = None,
    direction: str | None = None,
    laying: str | None = None,
    assurance: float | None = None,
    exposure: str | None = None,
    tilt: float | None = None,
    azimuth: float | None = None,
    on_ground: bool | None = None,
    horizon: float | None = None,
    snow_cover: bool | None = None,
    light: float | None = None,
    seed: int | None = None,
) -> WorstLaying:
    """The month in which the assured days are fewest, and the days.

    Parameters
    ----------
    fit : the posterior.
    site : name of a site, a weather file, or a `Site`.
    of, fraction : the subject.
    material, direction : None takes the first material and its weaker direction.
    laying, assurance : None takes the study's.
    exposure, tilt, azimuth, on_ground, horizon, snow_cover, light, seed : as
        `durability.translate`.

    Raises
    ------
    ValueError : an unknown material, or one that cannot be read as days.
    """
    import numpy as np

    question = as_it_lies(fit.study.question, laying=laying, light=light)
    seed = fit.seed if seed is None else seed
    assurance = question.assurance if assurance is None else assurance
    first = fit.materials[0]
    draws = count_draws(fit, first, fit.exposures(first)[0])
    clocks, _, place = sky_clocks(
        fit, site=site, draws=draws, exposure=exposure, tilt=tilt, azimuth=azimuth,
        on_ground=on_ground, horizon=horizon, snow_cover=snow_cover, seed=seed,
    )  # fmt: skip
    chosen = str(next(iter(clocks)) if material is None else material)
    if chosen not in clocks:
        raise ValueError(f'material "{chosen}" cannot be read; known: {", ".join(clocks)}')
    clock = clocks[chosen]
    where: dict[str, Any] = {"material": chosen, "exposure": clock.lamp.exposure}
    share = question.share if of == "single_specimen" else None

    def tau(subject: Subject, way: str) -> NDArray[np.float64]:
        held = share if subject == "single_specimen" else None
        found = fit.threshold_draws(fraction, of=subject, direction=way, share=held, **where)
        return np.asarray(found, dtype=float)

    if direction is None:
        direction = min(fit.directions(chosen), key=lambda d: float(np.median(tau(of, d))))
    months, spans = laying_days(question.laying)
    starts, drawn = laying_hours(spans, draws=draws, seed=seed)
    asked = tau(of, direction)
    days = clock.days(asked[:, None], starts, light=question.light)[:, 0, : len(months)]
    sure = np.quantile(days, 1 - assurance, axis=0, method="lower")
    worst = int(np.argmin(sure))
    return WorstLaying(
        site=place, clocks=clocks, material=chosen, direction=direction, dose=asked,
        middle=tau("mean", direction), days=days[:, worst], month=months[worst],
        span=spans[worst], laying_day=drawn["laying_day"],
    )  # fmt: skip


__all__ = ["WorstLaying", "worst_laying"]
