"""How probable did the priors hold the draws to be? Log prior density, one variable a prior.

Only what stands at the top of the hierarchy: the spread between lots has a prior, the effect of a
lot given that spread has none of its own. Densities are of the scale on which each prior is said
(log threshold dose, log shape, log scatter, the spread between lots itself).
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.inference.checking.prior_predictive import changed_book

if TYPE_CHECKING:
    import xarray

    from durability.inference.fitted import Fit

WORDS: dict[str, str] = {
    "threshold_dose": "the prior of the threshold dose",
    "shape": "the prior of the law's shape",
    "strip_spread": "the prior of the scatter of strips",
    "reading_spread": "the prior of the scatter of readings",
    "spread_power": "the prior of how the scatter goes with what is left",
    "tail_freedom": "the prior of how long the tails of the scatter are",
    "lot_spread_of_threshold": "the prior of how lots differ in threshold dose",
    "lot_spread_of_strength": "the prior of how lots differ in unexposed strength",
    "laboratory_spread_of_threshold": "the prior of how laboratories differ",
    "run_spread_of_threshold": "the prior of how runs of a chamber differ",
    "specimen_spread_of_threshold": "the prior of how specimens differ",
    "direction_of_lot_spread_of_threshold": "the prior of how a lot's directions differ",
    "shared_lot_spread_of_strength": "the prior of what a lot's directions share in strength",
    "product_spread_of_threshold": "the prior of how products differ in threshold dose",
    "product_spread_of_shape": "the prior of how products differ in shape",
    "product_spread_of_strip_spread": "the prior of how products differ in scatter",
    "covariate": "the prior of what a covariate does",
    "unexposed_strength": "the prior of the unexposed strength",
    "direction": "the prior of how directions differ",
    "reciprocity_exponent": "the prior of the reciprocity exponent",
    "activation_energy": "the prior of the activation energy",
    "dose_calibration": "the calibration of the lamps",
    "dose_read_off": "the doses read off a figure",
    "lamp_temperature": "the temperature of specimens under the lamp",
    "action_slope": "the slope of the action spectrum",
    "lamp_spectrum": "how much bluer the lamps are than stated",
    "short_wave_factor": "the computed sky below 315 nm",
    "log_uv_factor": "the ultraviolet of the site",
    "log_year": "how far a year departs from the usual one",
    "air_temperature": "the air temperature of the site",
    "specimen_warming": "how much warmer than air specimens lay",
    "log_wetness_factor": "how much faster strips lose strength while wet",
    "ground_contact": "how much hotter the ground is than a rack",
    "lab_to_sky_spread": "the prior of how lamp and sky differ",
    "lab_to_sky_of_material": "the prior of how lamp and sky differ for a material",
    "lab_to_sky_at_site": "the prior of how lamp and sky differ at a site",
}
"""Each prior in words."""


def log_prior(fit: Fit) -> xarray.Dataset:
    """Log prior density (chain, draw) of each prior of a fit, up to constants.

    Parameters
    ----------
    fit : the fit.

    Returns
    -------
    Dataset with a variable for each of `WORDS` that the model has.
    """
    import xarray

    model, post, book = fit.model, fit.posterior, changed_book(fit.model)
    found: dict[str, np.ndarray] = {}

    def add(name: str, value: Any, mean: Any, sd: Any) -> None:
        t = (np.asarray(value) - mean) / sd
        density = -0.5 * t * t
        if density.ndim > 2:
            density = density.sum(axis=tuple(range(2, density.ndim)))
        found[name] = found.get(name, 0.0) + density

    level = "log_half_loss_dose" if model.half_loss else "log_threshold_dose"
    if "product_spread_of_threshold" not in post:  # else products are pooled: their mean has one
        add("threshold_dose", post[level].values, model.main_prior[:, 0], model.main_prior[:, 1])
    for s in model.law.shapes:
        values = _own(post, f"shape_{s.name}")
        add("shape", values, math.log(s.median), s.sd_log)
    for name in ("strip_spread", "reading_spread"):
        if name in post:
            prior = book[name]
            values = _own(post, name)
            add(name, values, math.log(prior["median"]), prior["sd_log"])
    if "spread_power" in post:
        of = book["spread_power"]
        add("spread_power", post["spread_power"].values, of["mean"], of["sd"])
    if "tail_freedom" in post:
        of = book["tail_freedom"]
        add("tail_freedom", np.log(post["tail_freedom"].values), math.log(of["median"]),
            of["sd_log"])  # fmt: skip
    for name in map(str, post.data_vars):
        key = "product_spread_of_shape" if name.startswith("product_spread_of_shape_") else name
        if "scale" in book.get(key, ()):
            add(key, post[name].values, 0.0, book[key]["scale"])
    if "log_unexposed_strength" in post:
        mean, sd = model.start_prior.T
        add("unexposed_strength", post["log_unexposed_strength"].values, mean, sd)
    for j, column in enumerate(model.columns):
        name = "threshold_dose" if column.name == "pooled" else column.name
        add(name, post["linear"].values[..., j], column.mean, column.sd)
    dims = ("chain", "draw")
    coords = {name: post[name].values for name in dims}
    return xarray.Dataset({k: (dims, v) for k, v in found.items()}, coords=coords)


def _own(post: xarray.Dataset, name: str) -> np.ndarray:
    """Logs by product; one where they share it; where they are pooled, their centre."""
    if f"common_{name}" in post:
        return np.log(post[f"common_{name}"].values)
    values = np.log(post[name].values)
    shared = values.shape[-1] > 1 and (values == values[..., :1]).all()
    return values[..., :1] if shared else values
