"""What is drawn beside the threshold dose? The uncertain links between a lamp and a sky.

Values, spreads and sources are those of ``models/translation.toml``, of the lamp and of the
posterior's clock. Every input has a stream of random numbers of its own, so that adding one
changes no other.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from durability.exposure import Assumption, Site
    from durability.translation.lamp import LampClock, ThresholdPosterior

PARTS = {"spectrum": "spectrum_mismatch", "moisture": "moisture_mismatch"}
"""Parts of ``lab_to_sky`` that can be computed instead, and the inputs that state their spread."""

MODELLED = ("short_wave_factor", "wetness_factor")
"""Inputs that are drawn where action spectrum or wetness is asked for."""

SHARED = ("uv_factor", "cloud_power", "absorptance", "temperature_rise_factor", "year_to_year")
"""Inputs of the sky and the fabric: one draw serves every material of a translation."""

AIR = "air_temperature"
"""True less stated air temperature [K], common to all hours; only where a site is uncertain of it,
as hours made from monthly means are. Shared like the others."""

GROUND = "ground_contact"
"""Factor on the warming of a fabric that lies on the ground; only where it does."""

WARMING = ("absorptance", "temperature_rise_factor", GROUND)
"""Inputs whose product, over the absorptance of a module, is a fabric's warming by the sun."""


def stream(seed: int, label: str) -> np.random.Generator:
    """The random numbers of one input: independent streams for different labels."""
    import numpy as np

    return np.random.default_rng([seed, zlib.crc32(label.encode())])


def read_inputs() -> dict[str, Assumption]:
    """The entries of ``models/translation.toml`` that a translation draws, by name.

    Raises
    ------
    ValueError
        Naming every entry that is missing.

    Examples
    --------
    >>> read_inputs()["uv_factor"].unit
    '1'
    """
    from durability.exposure import translation_assumptions

    known = translation_assumptions()
    names = (*SHARED, "lab_to_sky")
    missing = [name for name in names if name not in known]
    if missing:
        raise ValueError(f"models/translation.toml has no entry {', '.join(missing)}")
    more = [name for name in (*PARTS.values(), *MODELLED) if name in known]
    return {name: known[name] for name in (*names, *more)}


def for_site(
    inputs: dict[str, Assumption], site: Site, *, on_ground: bool = True
) -> dict[str, Assumption]:
    """The inputs at one site: the spread of its own years, and what its weather data add.

    Ultraviolet measured there corrects the computed one. Several measured years give the spread
    of one year against the next; hours that were made from monthly means make the ultraviolet and
    the air temperature less certain. On the ground a fabric runs hotter than on a rack.
    """
    from dataclasses import replace

    from durability.exposure import Assumption, translation_assumptions, year_to_year
    from durability.exposure.uv_measured import uv_calibration

    found = dict(inputs)
    if len(site.years) > 1:
        found["year_to_year"] = year_to_year(site)
    uv = found["uv_factor"]
    if site.uv_log_sd > 0 and uv.sd is not None:
        found["uv_factor"] = replace(uv, sd=math.hypot(uv.sd, uv.value * site.uv_log_sd))
    measured = uv_calibration(site, uv)
    if measured is not None:
        found["uv_factor"] = measured.factor(uv)
    if site.air_temperature_sd > 0:
        told = translation_assumptions()["monthly_climate_warming"]
        found[AIR] = Assumption(
            name=AIR, value=0.0, sd=site.air_temperature_sd, unit="K", source=told.source,
            why=f"What remains uncertain of the air of {site.title} after its correction.",
        )  # fmt: skip
    if on_ground:
        found[GROUND] = translation_assumptions()[GROUND]
    return found


def draw_shared(
    inputs: dict[str, Assumption], *, draws: int, seed: int
) -> dict[str, NDArray[np.float64]]:
    """Draws (draw,) of the inputs that all materials share, by name."""
    names = (*SHARED, *(name for name in (AIR, GROUND) if name in inputs))
    return {name: inputs[name].draws(draws, stream(seed, name)) for name in names}


def draw_site(
    inputs: dict[str, Assumption], site: Site, *, draws: int, seed: int
) -> dict[str, NDArray[np.float64]]:
    """`draw_shared` at a site: a measurement of its ultraviolet ties factor and cloud power."""
    from durability.exposure.uv_measured import uv_calibration

    shared = draw_shared(inputs, draws=draws, seed=seed)
    measured = uv_calibration(site, read_inputs()["uv_factor"])
    if measured is not None:
        departure = shared["cloud_power"] - inputs["cloud_power"].value
        shared["uv_factor"] = measured.given_cloud(shared["uv_factor"], departure)
    return shared


def draw_links(
    fit: ThresholdPosterior,
    material: str,
    clock: LampClock,
    *,
    lab_to_sky: Assumption,
    shared: dict[str, NDArray[np.float64]],
    draws: int,
    seed: int,
    learned: dict[str, NDArray[np.float64]] | None = None,
) -> dict[str, NDArray[np.float64]]:
    """All that a draw of one material needs beside its threshold dose, by name.

    Parameters
    ----------
    fit : posterior; gives ``reciprocity_exponent`` and ``activation_energy`` [kJ/mol].
    clock : the lamp; gives ``lamp_dose`` (true over nominal dose) and ``lamp_temperature``
        (true less nominal [K]).
    lab_to_sky : factor on the effective dose needed under the sky, independent a material.
    shared : from `draw_shared`.
    draws, seed : number of draws and seed.
    learned : posterior draws that replace what would be drawn from a prior, from
        `durability.translation.discrepancy.learned_links`.

    Returns
    -------
    dict of arrays (draw,), all finite.
    """
    import numpy as np

    posterior = fit.clock_draws(material)
    calibration = stream(seed, f"lamp_dose/{clock.exposure}").standard_normal(draws)
    panel = stream(seed, f"lamp_temperature/{clock.exposure}").standard_normal(draws)
    links = {
        "reciprocity_exponent": np.asarray(posterior["reciprocity_exponent"], dtype=float),
        "activation_energy": np.asarray(posterior["activation_energy"], dtype=float),
        "lamp_dose": np.exp(clock.log_sd * calibration),
        "lamp_temperature": clock.temperature_sd * panel,
        "lab_to_sky": lab_to_sky.draws(draws, stream(seed, f"lab_to_sky/{material}")),
        **shared,
        **(learned or {}),
    }
    for name, values in links.items():
        if values.shape != (draws,) or not np.isfinite(values).all():
            raise ValueError(f"{name} of {material}: expected {draws} finite draws")
    return links


def split_unexplained(
    total: NDArray[np.float64],
    inputs: dict[str, Assumption],
    *,
    material: str,
    modelled: Sequence[str],
    seed: int,
) -> dict[str, NDArray[np.float64]]:
    """What is unexplained between lamp and sky, taken apart: spectrum, moisture and the rest.

    The parts are drawn given their product, so that it stays the draw it was where nothing is
    modelled; a part that is modelled is taken out of it.

    Parameters
    ----------
    total : draws (draw,) of ``lab_to_sky`` from its prior.
    inputs : from `read_inputs`; parts that it does not name are not taken apart.
    material : whose draws they are.
    modelled : among ``"spectrum"`` and ``"moisture"``: what the clock computes.
    seed : of what is drawn.

    Returns
    -------
    ``lab_to_sky`` without the modelled parts, and the draws of each part that it still holds.
    """
    import numpy as np

    spread = inputs["lab_to_sky"].log_sd or 0.0
    names = [n for n in PARTS.values() if n in inputs and spread > 0]
    if not names:
        return {"lab_to_sky": total}
    variance = np.array([(inputs[n].log_sd or 0.0) ** 2 for n in names])
    variance *= min(1.0, spread**2 / variance.sum())
    share = variance / spread**2
    # given the sum, the parts are normal about their shares of it
    given = np.diag(variance) - np.outer(share, variance)
    size, axes = np.linalg.eigh(given)
    root = axes * np.sqrt(np.maximum(size, 0.0))
    noise = stream(seed, f"parts/{material}").standard_normal((total.size, len(names)))
    parts = np.log(total)[:, None] * share + noise @ root.T
    found = dict(zip(names, np.exp(parts).T, strict=True))
    left = total
    for part in modelled:
        left = left / found.pop(PARTS[part], 1.0)
    return {"lab_to_sky": left, **found}


__all__ = [
    "AIR",
    "GROUND",
    "PARTS",
    "SHARED",
    "WARMING",
    "draw_links",
    "draw_shared",
    "draw_site",
    "for_site",
    "read_inputs",
    "split_unexplained",
    "stream",
]
