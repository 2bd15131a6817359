"""What is a threshold dose in days at a site? Reads the posterior on the clock of a sky.

For each draw of the posterior the day is sought on which the sky has delivered as much effective
dose as the lamp had at the threshold:

    Σ (E/E_lab)^p · E_lab · exp(−Ea/R · (1/T − 1/T_lab)) · Δt  =  τ · s

with *E* the irradiance at the site and *E_lab* under the lamp in the same band, *T* the
temperature of the specimen, *p* the reciprocity exponent (Martin, Chin and Nguyen 2003, Progress
in Organic Coatings 47:292), *Ea* the activation energy and *s* the lab-to-sky factor. A lamp whose
true dose is c times the nominal one has delivered c·τ at irradiance c·E_lab. Every link is drawn
with its uncertainty: see `durability.translation.inputs`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, get_args

from durability.statement import Subject
from durability.study.model import Caution
from durability.translation.discrepancy import learned_from, learned_sky
from durability.translation.inputs import (
    MODELLED,
    PARTS,
    draw_site,
    for_site,
    read_inputs,
)
from durability.translation.lamp import LampClock, ThresholdPosterior, lamp_clocks
from durability.translation.laying import laying_days, laying_hours
from durability.translation.plane import (
    as_it_lies,
    facing_cautions,
    place_of,
    plane_assumptions,
    sky_plane,
)
from durability.translation.reading import OpenInterval, SkyClock, read_clock

if TYPE_CHECKING:
    import numpy as np
    import xarray
    from numpy.typing import NDArray

    from durability.exposure import Assumption, Site
    from durability.translation.result import Translation

SUBJECTS: tuple[Subject, ...] = get_args(Subject)


def translate(
    fit: ThresholdPosterior,
    *,
    site: str | Path | Site,
    fractions: Sequence[float | None] | None = None,
    of: Subject | Sequence[Subject] | None = None,
    exposure: str | None = None,
    share: float | None = None,
    laying: str | None = None,
    tilt: float | None = None,
    azimuth: float | None = None,
    on_ground: bool | None = None,
    horizon: float | None = None,
    snow_cover: bool | None = None,
    horizon_years: float = 20.0,
    spent: Sequence[OpenInterval] = (),
    light: float | None = None,
    seed: int | None = None,
    progress: Callable[[str, float], None] | None = None,
) -> Translation:
    """Days at a site, from laying until each fraction of the unexposed strength is left.

    Parameters
    ----------
    fit : a fit with posterior draws of threshold doses.
    site : name of a file of models/sites, path of a weather file, or a `Site`.
    fractions : retained fractions, 0 to 1, or None among them for the study's required strength;
        by default the study's thresholds, and its required strength if it names one.
    of : ``mean``, ``new_lot``, ``single_specimen``, or several; None takes all three.
    exposure : the exposure whose threshold doses are read; None takes for each material the
        first that a sky can be compared with.
    share : share of strips that still hold, for single strips; None takes the study's.
    laying : ``"every month"`` (on a random day of each) or a date such as ``"2027-05-12"``, of
        which month and day count; None takes the study's, as of all that is said of the fabric.
    tilt, azimuth : plane of the fabric [degrees]; tilt 0 lies flat, azimuth 180 faces south. A
        study that says nothing of it lies flat, or faces the equator.
    on_ground : whether the fabric lies on the ground, where it runs hotter than on a rack; None
        takes the study's, which is the ground unless it says otherwise.
    horizon : height above which the sky is open all around [degrees].
    snow_cover : True where snow that lies is taken to cover the fabric.
    horizon_years : a threshold not reached by then counts as not reached (inf).
    spent : time in the open before laying (storage, partial cover), each with its share of the
        light; the dose it took is no longer there to be spent.
    light : share of the sky's light that reaches the fabric after laying.
    seed : seed of what is drawn beside the posterior; None takes the fit's.
    progress : called as each material is begun, with a line of text and the share done, 0 to 1.

    Returns
    -------
    Translation

    Raises
    ------
    TranslationRefused
        Where no exposure of the study can be compared with a sky: what is missing, what mends it.
    ValueError
        For an argument out of range, naming it.
    """
    import numpy as np
    import xarray

    from durability.exposure import sky_exposure
    from durability.translation.budget import material_budget
    from durability.translation.result import Translation
    from durability.translation.sky import annual_dose, damage_temperature, ground_caution

    question = as_it_lies(
        fit.study.question, laying=laying, light=light, tilt=tilt, azimuth=azimuth,
        horizon=horizon, snow_cover=snow_cover, on_ground=on_ground,
    )  # fmt: skip
    fractions = _fractions(fit, fractions)
    subjects = _subjects(of)
    share = question.share if share is None else share
    seed = fit.seed if seed is None else seed
    _check(share, horizon_years)
    months, spans = laying_days(question.laying)

    clocks, left_out = lamp_clocks(fit, exposure)
    place = place_of(question, site)
    inputs = for_site(read_inputs(), place, on_ground=question.on_ground)
    plane = sky_plane(inputs, place, question)
    cloud = inputs["cloud_power"].value
    sky = sky_exposure(place, **plane)

    draws = _count_draws(fit, clocks, fractions[0])
    starts, laying_drawn = laying_hours(spans, draws=draws, seed=seed)
    shared = draw_site(inputs, place, draws=draws, seed=seed) | learned_sky(
        fit, place.name, on_ground=question.on_ground
    )
    days = _empty_days(fit, tuple(clocks), subjects, fractions, months, draws)
    temperatures, budgets, hotter, read = [], [], [], []
    for done, (material, clock) in enumerate(clocks.items()):
        if progress is not None:
            progress(f"{material}: days at {place.title}", done / len(clocks))
        reading = read_clock(
            fit, material, clock, place=place, sky=sky, plane=plane, inputs=inputs, shared=shared,
            draws=draws, seed=seed,
        )  # fmt: skip
        year, links = reading.year, dict(reading.links)
        read.append(reading)
        tau = _thresholds(fit, material, clock.exposure, subjects, fractions, share, draws)
        columns = np.column_stack(list(tau.values()))
        if spent:
            columns = np.maximum(columns - reading.spent(spent)[:, None], 0.0)
        found = reading.days(columns, starts, light=question.light)
        for i, (direction, subject, fraction) in enumerate(tau):
            cell = {"direction": direction, "of": subject, "material": material}
            days.loc[cell][{"fraction": fractions.index(fraction)}] = found[:, i, : len(months)].T
        temperatures.append(damage_temperature(year, links))
        if question.slope == 0 and not question.on_ground:
            hotter += [c for c in [ground_caution(material, year, links)] if c is not None]
        reference = question.of if question.of in subjects else subjects[0]
        budgets.append(
            material_budget(
                tau,
                found,
                reference,
                fractions[0],
                months,
                links,
                laying_drawn,
                assurance=question.assurance,
            )
        )

    names = list(clocks)
    days = days.sel(of=list(subjects))
    return Translation(
        site=place.name,
        title=place.title,
        exposures={m: c.exposure for m, c in clocks.items()},
        days=days.where(~(days > horizon_years * 365.0), np.inf),
        annual=annual_dose(sky, shared, cloud, fit.level),
        effective_temperature=xarray.DataArray(
            temperatures,
            dims="material",
            coords={"material": names},
            attrs={"units": "degC", "long_name": "effective specimen temperature at the site"},
        ),
        budget=xarray.concat(budgets, "material", join="exact").assign_coords(material=names),
        laying=question.laying,
        tilt=float(question.slope),
        azimuth=plane["azimuth"],
        horizon_years=float(horizon_years),
        share=float(share),
        level=fit.level,
        inputs=_used(inputs, read),
        cautions=(*_cautions(place, read, left_out, plane), *hotter[:1]),
        assumptions=(
            *_assumptions(
                place, question.laying, [learned_from(fit, m, place.name) for m in clocks], read
            ),
            *(["part_spent_before"] if spent else []),
            *plane_assumptions(question),
        ),
        seed=seed,
    )


def _fractions(
    fit: ThresholdPosterior, asked: Sequence[float | None] | None
) -> tuple[float | None, ...]:
    required = fit.study.required_strength is not None
    if asked is None:
        fractions = (*fit.study.thresholds, *([None] if required else []))
    else:
        fractions = tuple(asked)
    if not fractions:
        raise ValueError("the study asks for no retained fraction; name one: fractions=[0.5]")
    if None in fractions and not required:
        raise ValueError("fractions holds None, but the study names no required strength")
    for number in fractions:
        if number is not None and not 0 < number < 1:
            raise ValueError(f"fractions holds {number}; each must lie between 0 and 1")
    if len(set(fractions)) != len(fractions):
        raise ValueError(f"fractions holds a number twice: {fractions}")
    return fractions


def _check(share: float, horizon: float) -> None:
    if not 0 < share < 1:
        raise ValueError(f"share is {share}; it must lie between 0 and 1")
    if not 0 < horizon <= 200:
        raise ValueError(f"horizon_years is {horizon}; it must lie above 0 and up to 200")


def _subjects(of: Subject | Sequence[Subject] | None) -> tuple[Subject, ...]:
    asked = SUBJECTS if of is None else ((of,) if isinstance(of, str) else tuple(of))
    unknown = [o for o in asked if o not in SUBJECTS]
    if unknown or not asked:
        raise ValueError(f"of is {unknown or of!r}; known: {', '.join(SUBJECTS)}")
    return tuple(dict.fromkeys(asked))  # type: ignore[return-value]


def _count_draws(
    fit: ThresholdPosterior, clocks: dict[str, LampClock], fraction: float | None
) -> int:
    material, clock = next(iter(clocks.items()))
    direction = fit.directions(material)[0]
    tau = fit.threshold_draws(
        fraction, of="mean", material=material, direction=direction, exposure=clock.exposure
    )
    return int(tau.shape[0])


def _empty_days(
    fit: ThresholdPosterior,
    materials: tuple[str, ...],
    subjects: tuple[Subject, ...],
    fractions: tuple[float | None, ...],
    months: list[int],
    draws: int,
) -> xarray.DataArray:
    import numpy as np
    import xarray

    coords = {
        "material": list(materials),
        "direction": list(dict.fromkeys(d for m in materials for d in fit.directions(m))),
        "of": list(dict.fromkeys(["mean", *subjects])),
        "fraction": [np.nan if q is None else q for q in fractions],
        "month": months,
    }
    return xarray.DataArray(
        np.full((*(len(c) for c in coords.values()), draws), np.nan),
        dims=(*coords, "draw"),
        coords=coords,
        attrs={"units": "d", "long_name": "days from laying to the threshold dose"},
    )


def _thresholds(
    fit: ThresholdPosterior,
    material: str,
    exposure: str,
    subjects: tuple[Subject, ...],
    fractions: tuple[float | None, ...],
    share: float,
    draws: int,
) -> dict[tuple[str, Subject, float | None], NDArray[np.float64]]:
    """Threshold doses by (direction, subject, fraction); the mean always, for the budget."""
    import numpy as np

    found: dict[tuple[str, Subject, float | None], NDArray[np.float64]] = {}
    for direction in fit.directions(material):
        for of in dict.fromkeys(("mean", *subjects)):
            for fraction in fractions:
                tau = fit.threshold_draws(
                    fraction,
                    of=of,
                    material=material,
                    direction=direction,
                    exposure=exposure,
                    share=share if of == "single_specimen" else None,
                )
                tau = np.asarray(tau, dtype=float)
                if tau.shape != (draws,) or not (tau >= 0).all():
                    raise ValueError(
                        f"threshold draws of {material} {direction} ({of}, {fraction}): expected "
                        f"{draws} numbers from 0 to inf; found shape {tau.shape}, "
                        f"{int((~(tau >= 0)).sum())} negative or not a number"
                    )
                found[direction, of, fraction] = tau
    return found


def _cautions(
    site: Site,
    read: list[SkyClock],
    left_out: dict[str, str],
    plane: dict[str, Any],
) -> tuple[Caution, ...]:
    """What is doubtful about site, lamps and plane, and what was left out; each once."""
    cautions = [
        Caution(name="not_translated", text=f"{material} is not read as days: {reason}")
        for material, reason in left_out.items()
    ]
    cautions += site.cautions
    for clock in read:
        cautions += (*clock.lamp.notes, *clock.cautions)
    cautions += facing_cautions(site, plane["tilt"], plane["azimuth"])
    return tuple({(c.name, c.text): c for c in cautions}.values())


def _used(inputs: dict[str, Assumption], read: list[SkyClock]) -> tuple[Assumption, ...]:
    """The inputs that were drawn, and the slopes of the action spectra."""
    optional = {*PARTS.values(), *MODELLED}
    drawn = {name for clock in read for name in clock.links}
    slopes = {c.spectral.action.title: c.spectral.action.slope for c in read if c.spectral}
    return (
        *(a for name, a in inputs.items() if name not in optional or name in drawn),
        *slopes.values(),
    )


def _assumptions(
    site: Site, laying: str, learned: list[str | None], read: list[SkyClock]
) -> tuple[str, ...]:
    return (
        "translation_approximate",
        *dict.fromkeys(name or "lab_to_sky_prior" for name in learned),
        "typical_year" if site.typical_year else "single_year",
        *dict.fromkeys(name for clock in read for name in clock.assumptions),
        "laid_at_random_day" if laying == "every month" else "laid_on_date",
    )


__all__ = ["translate"]
