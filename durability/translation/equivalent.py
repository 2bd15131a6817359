"""Which time in the open does the damage of a lamp dose, and which lamp hours that of a time?

Both are readings of the two clocks of each draw, whatever the strength: the threshold plays no
part. What is uncertain is the translation alone, so the interval says how well lamp and sky can be
compared at all. There is no one factor: it differs by site, month, material and length.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from durability.statement import Statement, Statements
from durability.translation.laying import laying_days, laying_hours
from durability.translation.plane import as_it_lies, plane_assumptions
from durability.translation.reading import SkyClock, count_draws, sky_clocks

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from durability.exposure import Site
    from durability.translation.lamp import ThresholdPosterior


def outdoor_equivalent(
    fit: ThresholdPosterior,
    *,
    site: str | Path | Site,
    dose: float | None = None,
    laying: str | None = None,
    level: float | None = None,
    exposure: str | None = None,
    tilt: float | None = None,
    azimuth: float | None = None,
    on_ground: bool | None = None,
    horizon: float | None = None,
    snow_cover: bool | None = None,
    light: float | None = None,
    horizon_years: float = 20.0,
    seed: int | None = None,
) -> Statements:
    """Days in the open that do the damage of a dose under the lamp, by month of laying.

    Parameters
    ----------
    fit : the posterior; its clocks are read, not its thresholds.
    site : name of a site, a weather file, or a `Site`.
    dose : nominal lamp dose in the exposure's canonical unit; None takes the last dose tested.
    laying : ``"every month"`` or a date; None takes the study's.
    level : of the two-sided interval; None takes the fit's.
    exposure, tilt, azimuth, on_ground, horizon, snow_cover, light, seed : as
        `durability.translate`.
    horizon_years : days beyond are not stated: the limit is left out.

    Returns
    -------
    Statements of ``outdoor_equivalent`` [d], one a material and month.
    """
    import numpy as np

    if dose is not None and not dose > 0:
        raise ValueError(f"dose is {dose:g}; it must lie above 0")
    question = as_it_lies(
        fit.study.question, laying=laying, light=light, horizon=horizon, snow_cover=snow_cover
    )
    clocks, place, level, seed, draws = _clocks(
        fit, site, level, seed, exposure=exposure, tilt=tilt, azimuth=azimuth, on_ground=on_ground,
        horizon=horizon, snow_cover=snow_cover,
    )  # fmt: skip
    assumed = plane_assumptions(question)
    months, spans = laying_days(question.laying)
    starts, _ = laying_hours(spans, draws=draws, seed=seed)
    said = []
    for material, clock in clocks.items():
        asked = fit.last_dose(material, clock.lamp.exposure) if dose is None else dose
        days = clock.days(np.full((draws, 1), asked), starts, light=question.light)[
            :, 0, : len(months)
        ]
        days[days > horizon_years * 365.0] = np.inf
        for month, column in zip(months, days.T, strict=True):
            ground = _ground(fit, clock, place, month, assumed, dose=asked)
            said += _interval("outdoor_equivalent", "d", column, level, ground)
    return Statements(said)


def lamp_hours_for(
    fit: ThresholdPosterior,
    *,
    site: str | Path | Site,
    days: float,
    laying: str | None = None,
    level: float | None = None,
    exposure: str | None = None,
    tilt: float | None = None,
    azimuth: float | None = None,
    on_ground: bool | None = None,
    horizon: float | None = None,
    snow_cover: bool | None = None,
    light: float | None = None,
    seed: int | None = None,
) -> Statements:
    """Lamp hours that do the damage of so many days in the open, by month of laying.

    Parameters
    ----------
    days : in the open, from 6 in the morning of the day of laying [d].
    fit, site, laying, level, exposure, tilt, azimuth, on_ground, horizon, snow_cover, light, seed :
        as `outdoor_equivalent`.

    Returns
    -------
    Statements of ``lamp_hours_for`` [h], dark phases included, one a material and month.
    """
    import numpy as np

    from durability.exposure import hours_of_dose

    if not 0 < days <= 36_500:
        raise ValueError(f"days is {days:g}; it must lie above 0 and up to 36500")
    question = as_it_lies(
        fit.study.question, laying=laying, light=light, horizon=horizon, snow_cover=snow_cover
    )
    clocks, place, level, seed, _ = _clocks(
        fit, site, level, seed, exposure=exposure, tilt=tilt, azimuth=azimuth, on_ground=on_ground,
        horizon=horizon, snow_cover=snow_cover,
    )  # fmt: skip
    assumed = plane_assumptions(question)
    months, spans = laying_days(question.laying)
    said = []
    for clock in clocks.values():
        lamp = fit.study.exposures[clock.lamp.exposure]
        middle = [24.0 * (first + (length - 1) // 2) + 6.0 for first, length in spans]
        dose = clock.lamp_dose([(x, x + 24.0 * days) for x in middle], light=question.light)
        for month, column in zip(months, dose.T, strict=True):
            hours = np.asarray(hours_of_dose(lamp, column), dtype=float)
            ground = _ground(fit, clock, place, month, assumed)
            said += _interval("lamp_hours_for", "h", hours, level, ground)
    return Statements(said)


def _clocks(
    fit: ThresholdPosterior,
    site: str | Path | Site,
    level: float | None,
    seed: int | None,
    **lying: Any,
) -> tuple[dict[str, SkyClock], Site, float, int, int]:
    level = fit.level if level is None else level
    seed = fit.seed if seed is None else seed
    if not 0 < level < 1:
        raise ValueError(f"level is {level}; it must lie between 0 and 1")
    first = fit.materials[0]
    draws = count_draws(fit, first, fit.exposures(first)[0])
    clocks, _, place = sky_clocks(fit, site=site, draws=draws, seed=seed, **lying)
    return clocks, place, level, seed, draws


def _ground(
    fit: ThresholdPosterior, clock: SkyClock, place: Site, month: int, assumed: Sequence[str],
    dose: float | None = None,
) -> Statement:  # fmt: skip
    from durability.translation.discrepancy import learned_from

    learned = learned_from(fit, clock.material, place.name) or "lab_to_sky_prior"
    year = "typical_year" if place.typical_year else "single_year"
    return Statement(
        quantity="outdoor_equivalent", unit="d", value=0.0, kind="prediction",
        material=clock.material, exposure=clock.lamp.exposure, site=place.name, month=month,
        dose=dose, assumptions=("translation_approximate", *clock.assumptions, learned, year,
                            *assumed),
    )  # fmt: skip


def _interval(
    quantity: str, unit: str, draws: NDArray[np.float64], level: float, ground: Statement
) -> list[Statement]:
    """Median and interval; a lower limit alone where the upper lies beyond the horizon."""
    from dataclasses import replace

    import numpy as np

    tail = (1 - level) / 2
    low, middle = (float(np.quantile(draws, q, method="lower")) for q in (tail, 0.5))
    high = float(np.quantile(draws, 1 - tail, method="higher"))
    ground = replace(ground, quantity=quantity, unit=unit, level=level)  # type: ignore[arg-type]
    if np.isfinite(high):
        return [replace(ground, value=middle, low=low, high=high)]
    low = float(np.quantile(draws, 1 - level, method="lower"))
    if not np.isfinite(low):
        return []
    value = middle if np.isfinite(middle) else None
    return [replace(ground, value=value, low=low, high=None, sides=1, flags=("beyond_horizon",))]


__all__ = ["lamp_hours_for", "outdoor_equivalent"]
