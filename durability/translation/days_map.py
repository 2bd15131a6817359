"""How many days until a threshold, cell by cell of a map? For gridded climates of many cells.

Each cell is read as `translate` reads a site, with the short cuts of `durability.translation.cells`
that make it much faster. What is common to all cells (threshold, lamp, calibration, lab to sky,
cloud power, warming of the fabric, and with monthly means the uncertainty of their air) is drawn
as for a site. Days are found to the step and in a straight line within it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from durability.exposure.clock import GAS_CONSTANT
from durability.translation import cells
from durability.translation.climate_grid import (
    check_values,
    check_wetness,
    climate_axis,
    invented_climate,
    read_climate,
)
from durability.translation.laying import laying_days, laying_hours
from durability.translation.map_record import describe
from durability.translation.plane import as_it_lies

if TYPE_CHECKING:
    import xarray

    from durability.exposure import Site
    from durability.statement import Subject
    from durability.study.model import Question
    from durability.translation.grid_sky import GridSky
    from durability.translation.lamp import ThresholdPosterior


def days_map(
    fit: ThresholdPosterior,
    climate: xarray.Dataset,
    *,
    material: str | None = None,
    direction: str | None = None,
    of: Subject | None = None,
    fraction: float | None = None,
    assurance: float | None = None,
    draws: int = 400,
    laying: str | None = None,
    tilt: float | None = None,
    azimuth: float | None = None,
    on_ground: bool | None = None,
    horizon: float | None = None,
    snow_cover: bool | None = None,
    light: float | None = None,
    horizon_years: float = 20.0,
    cluster: str | None = None,
    seed: int | None = None,
) -> xarray.Dataset:
    """Days outdoors and days to cover over a grid, by month of laying.

    Parameters
    ----------
    fit : the posterior.
    climate : dims (latitude, longitude, month) with 12 months, or (latitude, longitude, time) with
        8760 hours in UTC; ``ghi`` mean sunlight on the horizontal [W/m²] and ``temp_air`` [degC];
        optional ``wind_speed`` [m/s], for months ``temp_range`` daily range [K], for hours
        ``snow_depth`` [cm], ``rain`` [mm] and ``relative_humidity`` [0 to 1], the last two where
        the study counts wetness. Chunks of dask are kept and spread.
    material, direction, of, fraction : the subject; None takes the first material and its weaker
        direction, the study's subject and first threshold.
    assurance : of days to cover; None takes the study's.
    draws : of the posterior, evenly picked.
    laying : ``"every month"`` (on a random day of each) or a date; None takes the study's.
    tilt, azimuth, on_ground, horizon, snow_cover, light : as `durability.translate`; azimuth None
        faces the equator in every cell. Beam and diffuse light are taken apart by a formula.
    horizon_years : days beyond are nan; ``reached`` says how probable it is that they are not.
    cluster : address of a dask scheduler; None computes here.
    seed : None takes the fit's.

    Returns
    -------
    Dataset (latitude, longitude, month): ``days`` median and ``cover`` whole days at the
    assurance [d], ``reached`` probability that the threshold is reached within the horizon. nan
    where the days lie beyond the horizon, or (``reached`` too) where the weather is not known. Its
    attributes follow the CF conventions, and name the files of models/ with their hashes.

    Raises
    ------
    ValueError
        For a grid without sunlight or temperature, or of another length; for what a grid cannot
        tell: wetness, snow by months.
    """
    import numpy as np
    import xarray

    assurance = fit.study.question.assurance if assurance is None else assurance
    question = as_it_lies(
        fit.study.question, laying=laying, light=light, tilt=tilt, azimuth=azimuth,
        horizon=horizon, snow_cover=snow_cover, on_ground=on_ground,
        wrong=_wrong(assurance, horizon_years),
    )  # fmt: skip
    axis = climate_axis(climate, snow=question.snow_cover)
    months, spans = laying_days(question.laying)
    setting = _setting(fit, question, climate, axis, material, direction, of, fraction, draws, seed)
    physics = cells.physics_of(
        axis, setting, tilt=question.slope, azimuth=question.azimuth, horizon=question.horizon
    )
    starts, _ = laying_hours(spans, draws=setting["target"].size, seed=setting["seed"])
    setting |= {
        "physics": physics, "assurance": assurance, "horizon_years": horizon_years,
        "starts": np.ascontiguousarray(starts[:, :-1].T / 24),
    }  # fmt: skip
    unasked = [] if question.snow_cover else ["snow_depth"]
    unasked += [] if setting["wetter"].size else ["rain", "relative_humidity"]
    names = [n for n in cells.FIELDS if n in climate and n not in unasked]

    def block(latitude: Any, longitude: Any, *fields: Any) -> Any:
        given = dict(zip(names, fields, strict=True))
        check_values(given, axis)
        return cells.block(latitude, longitude, given, setting, axis)

    fields = [climate[n].astype(float) for n in names]
    lazy = any(f.chunks for f in fields)
    if lazy:
        fields = [f.chunk({axis: -1}) for f in fields]
    found = xarray.apply_ufunc(
        block,
        climate["latitude"],
        climate["longitude"],
        *fields,
        input_core_dims=[[], [], *[[axis] for _ in fields]],
        output_core_dims=[["laid", "what"]],
        dask="parallelized" if lazy else "forbidden",
        dask_gufunc_kwargs={"output_sizes": {"laid": len(months), "what": 3}},
        output_dtypes=[float],
    )
    if lazy:
        found = _computed(found, cluster)
    found = found.rename(laid="month").assign_coords(month=months)
    parts = ("days", "cover", "reached")
    made = xarray.Dataset({n: found.isel(what=i, drop=True) for i, n in enumerate(parts)})
    describe(
        made, fit, climate, material=setting["material"], direction=setting["direction"],
        of=setting["of"], fraction=setting["fraction"], assurance=assurance,
        horizon_years=horizon_years, draws=setting["target"].size, laying=question.laying,
        plane={"tilt": question.slope, "azimuth": question.azimuth,
               "horizon": question.horizon, "on_ground": question.on_ground,
               "snow_cover": question.snow_cover, "light": question.light},
        lamp=setting["lamp"], spectrum=setting["spectrum"], wetness=setting["wetter"].size > 0,
    )  # fmt: skip
    return made.transpose("latitude", "longitude", "month")


def _wrong(assurance: float, horizon_years: float) -> list[str]:
    """What is wrong with the arguments of a map beside those of fabric in the open."""
    limits = (
        ("assurance", 0 < assurance < 1, "between 0 and 1", assurance),
        ("horizon_years", 0 < horizon_years <= 200, "above 0 and up to 200", horizon_years),
    )
    return [f"{name} is {value:g}; it must lie {words}" for name, good, words, value in limits
            if not good]  # fmt: skip


def _computed(found: Any, cluster: str | None) -> Any:
    if cluster is None:
        return found.compute(scheduler="threads")
    try:
        from distributed import Client  # pyright: ignore[reportMissingImports]
    except ImportError:
        raise ValueError(
            "a cluster needs the package distributed, which is not installed: "
            "pip install distributed"
        ) from None
    with Client(cluster):
        return found.compute()


def _setting(
    fit: ThresholdPosterior,
    question: Question,
    climate: xarray.Dataset,
    axis: str,
    material: str | None,
    direction: str | None,
    of: Subject | None,
    fraction: float | None,
    draws: int,
    seed: int | None,
) -> dict[str, Any]:
    """What all cells share: targets and weights of each draw, and the clear sky."""
    import numpy as np

    from durability.exposure.action import action_of
    from durability.exposure.lamp_light import lamp_light
    from durability.translation.discrepancy import (
        counts_spectrum,
        learned_links,
        learned_sky,
        wetness_taught,
    )
    from durability.translation.grid_sky import by_action
    from durability.translation.inputs import (
        AIR,
        draw_links,
        draw_shared,
        for_site,
        read_inputs,
        split_unexplained,
        stream,
    )
    from durability.translation.lamp import lamp_clocks
    from durability.translation.sky import heating
    from durability.translation.spectral import spectral_draws

    lamps, _ = lamp_clocks(fit)
    chosen = next(iter(lamps)) if material is None else material
    if chosen not in lamps:
        raise ValueError(f'material "{chosen}" cannot be read; known: {", ".join(lamps)}')
    lamp = lamps[chosen]
    of = of or question.of
    fraction = fit.study.thresholds[0] if fraction is None else fraction
    share = question.share if of == "single_specimen" else None
    tau = {
        d: fit.threshold_draws(
            fraction, of=of, material=chosen, direction=d, exposure=lamp.exposure, share=share
        )
        for d in fit.directions(chosen)
    }
    if direction is None:
        direction = min(tau, key=lambda d: float(np.median(tau[d])))
    n = tau[direction].size
    seed = fit.seed if seed is None else seed
    place = _anywhere(axis)
    inputs = for_site(read_inputs(), place, on_ground=question.on_ground)
    learned = learned_links(fit, chosen, lamp, place.name, draws=n, seed=seed)
    links = draw_links(
        fit, chosen, lamp, lab_to_sky=inputs["lab_to_sky"],
        shared=draw_shared(inputs, draws=n, seed=seed) | learned_sky(
            fit, place.name, on_ground=question.on_ground
        ),
        draws=n, seed=seed, learned=learned,
    )  # fmt: skip
    sky = _sky(climate, axis, lamp.variable)
    taught = "lab_to_sky" in learned  # with spectrum and moisture in it where they were not counted
    wetted = wetness_taught(fit) if taught else question.wetness
    if wetted:
        check_wetness(climate, axis)
        links["wetness_factor"] = learned.get(
            "wetness_factor", inputs["wetness_factor"].draws(n, stream(seed, "wetness"))
        )
    action = action_of(fit.study, str(chosen))
    if taught and not counts_spectrum(fit, str(chosen)):
        action = None
    if action is not None:
        own = lamp_light(fit.study, fit.study.exposures[lamp.exposure])
        links |= spectral_draws(
            fit.study, str(chosen), action, own, inputs, draws=n, seed=seed, learned=learned
        )
    if not taught:
        modelled = [name for name, is_so in (("spectrum", action is not None), ("moisture", wetted))
                    if is_so]  # fmt: skip
        links |= split_unexplained(
            links["lab_to_sky"], inputs, material=str(chosen), modelled=modelled, seed=seed
        )
    pick = np.linspace(0, n - 1, min(draws, n)).astype(int)
    links = {name: values[pick] for name, values in links.items()}
    p, energy = links["reciprocity_exponent"], links["activation_energy"]
    true = lamp.irradiance * links["lamp_dose"]
    uv = links["uv_factor"] * links["year_to_year"] * question.light
    scale = lamp.per_hour * true ** (1 - p) * uv**p
    if action is not None:
        log_ratio, sky = by_action(sky, action, own, lamp.band, links)
        scale = scale * np.exp(p * log_ratio)
    warm = lamp.arrhenius(energy, links["lamp_temperature"])
    scale = scale / (warm * np.exp(energy / (GAS_CONSTANT * cells.WARM)))
    wetter = links.get("wetness_factor", np.ones_like(p))
    return {
        "lamp": lamp.exposure, "spectrum": action is not None,
        "material": str(chosen), "direction": direction, "of": of, "fraction": fraction,
        "target": tau[direction][pick] * links["lamp_dose"] * links["lab_to_sky"] / scale * (
            1 + lamp.wet_share * (wetter - 1)),
        "wetter": wetter if wetted else np.empty(0),
        "sky": sky, "seed": seed,
        "states": cells.state_table(),
        **cells.reading_of(
            p, energy, cloud=links["cloud_power"], heat=heating(links),
            warmer=links.get(AIR, np.zeros_like(p)),
        ),
    }  # fmt: skip


APART = 10.0
"""Most degrees of latitude between places at which the clear sky is tabulated."""
ACROSS = 3
"""Cells of a row whose air tells how much water a clear sky holds there."""
MILD = 15.0
"""Air temperature of a row of which nothing is known [degC]."""


def _anywhere(axis: str) -> Site:
    """A place of the grid, with the uncertainty that monthly means add; without weather."""
    import xarray

    from durability.exposure import Site, translation_assumptions

    assumed, monthly = translation_assumptions(), axis == "month"
    return Site(
        name="grid", title="the grid", latitude=0.0, longitude=0.0, altitude=0.0, utc_offset=0.0,
        hourly=xarray.Dataset(), kind="monthly" if monthly else "hourly",
        air_temperature_sd=(assumed["monthly_climate_warming"].sd or 0.0) if monthly else 0.0,
        uv_log_sd=(assumed["monthly_climate_uv"].log_sd or 0.0) if monthly else 0.0,
    )  # fmt: skip


def _sky(climate: xarray.Dataset, axis: str, variable: str) -> GridSky:
    """The clear sky along the grid's middle meridian."""
    import math

    import numpy as np
    import xarray

    from durability.translation.grid_sky import grid_sky

    rows = climate["latitude"].values.astype(float)
    south, north = float(rows.min()), float(rows.max())
    latitude = np.linspace(south, north, 1 + math.ceil((north - south) / APART))
    nearest = np.abs(rows[:, None] - latitude).argmin(axis=0)
    columns = np.unique(np.linspace(0, climate.sizes["longitude"] - 1, ACROSS).astype(int))
    given = climate["temp_air"]
    for dim in ("latitude", "longitude"):  # a grid may leave out what its air does not vary with
        if dim not in given.dims:
            given = given.expand_dims({dim: climate.sizes[dim]})
    sample = given.isel(latitude=xarray.DataArray(nearest, dims="place"), longitude=columns)
    air = sample.transpose("place", "longitude", axis).values.astype(float)
    if axis == "time":
        month = np.repeat(np.arange(12), 24 * np.array(cells.MONTH_DAYS))
        air = np.stack([air[..., month == m].mean(axis=-1) for m in range(12)], axis=-1)
    known = np.isfinite(air)
    whole = np.where(known, air, 0.0).sum(axis=1) / np.maximum(known.sum(axis=1), 1)
    longitude = (float(climate["longitude"].mean()) + 180) % 360 - 180
    return grid_sky(latitude, longitude, np.where(known.any(axis=1), whole, MILD), variable)


__all__ = ["days_map", "invented_climate", "read_climate"]
