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

    from durability.inference.fit import Fit

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
    "unexposed_strength": "the prior of the unexposed strength",
    "direction": "the prior of how directions differ",
    "reciprocity_exponent": "the prior of the reciprocity exponent",
    "activation_energy": "the prior of the activation energy",
    "dose_calibration": "the calibration of the lamps",
    "dose_read_off": "the doses read off a figure",
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
        values = _own(np.log(post[f"shape_{s.name}"].values), post, "shape")
        add("shape", values, math.log(s.median), s.sd_log)
    for name in ("strip_spread", "reading_spread"):
        if name in post:
            prior = book[name]
            values = _own(np.log(post[name].values), post, name)
            add(name, values, math.log(prior["median"]), prior["sd_log"])
    if "spread_power" in post:
        of = book["spread_power"]
        add("spread_power", post["spread_power"].values, of["mean"], of["sd"])
    if "tail_freedom" in post:
        of = book["tail_freedom"]
        add("tail_freedom", np.log(post["tail_freedom"].values), math.log(of["median"]),
            of["sd_log"])  # fmt: skip
    for name in map(str, post.data_vars):
        if "scale" in book.get(name, ()):
            add(name, post[name].values, 0.0, book[name]["scale"])
    if "log_unexposed_strength" in post:
        mean, sd = model.start_prior.T
        add("unexposed_strength", post["log_unexposed_strength"].values, mean, sd)
    for j, column in enumerate(model.columns):
        add(column.name, post["linear"].values[..., j], column.mean, column.sd)
    dims = ("chain", "draw")
    coords = {name: post[name].values for name in dims}
    return xarray.Dataset({k: (dims, v) for k, v in found.items()}, coords=coords)


def _own(values: np.ndarray, post: xarray.Dataset, name: str) -> np.ndarray:
    """Values by product; one where all products share it, their mean where they are pooled."""
    if values.shape[-1] > 1 and (values == values[..., :1]).all():
        return values[..., :1]
    pooled = any(str(v).startswith(f"product_spread_of_{name}") for v in post.data_vars)
    return values.mean(axis=-1, keepdims=True) if pooled else values
