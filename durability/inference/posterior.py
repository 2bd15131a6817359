"""What is kept of the draws? Parameters by name, in a Dataset that a reader can use."""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.inference.coordinates import (
    column_values,
    common_values,
    layout,
    own_values,
    spread_of_score,
    spread_priors,
)
from durability.inference.model import Model, spread_name
from durability.inference.sampling import Sample

if TYPE_CHECKING:
    import xarray


def parameter_names(model: Model) -> list[str]:
    """A name for each entry of theta, in the study's words."""
    lay = layout(model)
    names = [f"{c.name} {c.subject}" for c in model.columns]
    by = model.materials if lay.n_shape_slot == len(model.materials) else ("all",)
    names += [f"shape {s.name} of {m}" for m in by for s in model.law.shapes]
    by = model.materials if lay.n_spread_slot == len(model.materials) else ("all",)
    names += [f"strip spread of {m}" for m in by]
    read = [m for m, i in zip(model.materials, model.reading_index, strict=True) if i >= 0]
    names += [f"reading spread of {m}" for m in read]
    if lay.n_error:
        names.append("power of the spread" if model.errors == "power" else "degrees of freedom")
    names += [n.replace("_", " ") for n in spread_priors(model)]
    names += [f"threshold dose of {m}" for m, _ in model.mains]
    if not lay.start_fixed:
        names += [f"unexposed strength of {' '.join(k).strip()}" for k in model.starts]
    return names + [" ".join(effect) for effect in model.effects]


def _single_lot_effects(
    model: Model, asked: np.ndarray, spread: np.ndarray, seed: int
) -> np.ndarray:
    """Lot effects of products of one lot, drawn given the sum (chain, draw, main)."""
    effect = np.zeros_like(asked)
    rng = np.random.default_rng([seed, 77])
    for p in np.flatnonzero(model.single_lot):
        mine = np.flatnonzero(model.main_product == p)
        precision = 1 / model.main_prior[mine, 1] ** 2
        pull = ((asked[..., mine] - model.main_prior[mine, 0]) * precision).sum(-1)
        damp = 1 / (1 + spread**2 * precision.sum())
        normal = rng.standard_normal(spread.shape)
        effect[..., mine] = (spread**2 * damp * pull + spread * np.sqrt(damp) * normal)[..., None]
    return effect


def posterior_of(model: Model, drawn: Sample, seed: int) -> xarray.Dataset:
    """Draws of what a reader asks for along ``chain`` and ``draw``; lots that stand alone are drawn
    apart from their product."""
    import xarray

    lay = layout(model)
    theta = drawn.theta
    dims = ("chain", "draw")
    log_spread, log_shapes = own_values(model, theta)
    shapes, beta = np.exp(log_shapes), column_values(model, theta)
    shape = {s.name: shapes[..., i] for i, s in enumerate(model.law.shapes)}
    at = np.asarray(model.main_product)
    mine = {k: v[..., at] for k, v in shape.items()}
    asked = theta[..., lay.main]
    if not model.half_loss:
        inverse = functools.partial(model.law.inverse, shape=mine)
        asked = asked + np.log(inverse(model.fraction) / inverse(model.anchor[at]))
    spreads = {
        g: spread_of_score(theta[..., lay.scale][..., f], spread_name(g))
        for f, g in enumerate((*model.groups, *model.others))
    }
    own = _single_lot_effects(model, asked, spreads["lot"], seed)
    asked = asked - own
    level = "log_half_loss_dose" if model.half_loss else "log_threshold_dose"
    variables: dict[str, Any] = {
        level: ((*dims, "product"), asked),
        "own_lot_effect": ((*dims, "product"), own),  # 0 where a product has several lots
        "strip_spread": ((*dims, "material"), np.exp(log_spread)),
        "linear": ((*dims, "term"), beta),
    }
    for f, (group, spread) in enumerate(spreads.items()):
        members = np.flatnonzero(model.effect_index[:, 0] == f)
        of_product = group in model.others and group != "lot_in_both_directions"
        label = f"product_spread_of_{group}" if of_product else spread_name(group)
        variables[label] = (dims, spread)
        if not of_product:  # of each product's own shape and scatter, the sums are kept
            variables[f"{group}_effect"] = ((*dims, group), theta[..., lay.effect][..., members])
    if lay.n_reading:
        variables["reading_spread"] = ((*dims, "read_material"), np.exp(theta[..., lay.reading]))
    for name, values in shape.items():
        variables[f"shape_{name}"] = ((*dims, "material"), values)
    for name, values in common_values(model, theta).items():
        variables[f"common_{name}"] = (dims, np.exp(values))
    if lay.start_scale is not None:
        variables["lot_spread_of_strength"] = (
            dims,
            spread_of_score(theta[..., lay.start_scale], "lot_spread_of_strength"),
        )
        variables["log_unexposed_strength"] = ((*dims, "start"), theta[..., lay.start])
    if lay.pool_scale is not None:
        name = spread_name("product")
        variables[name] = (dims, spread_of_score(theta[..., lay.pool_scale], name))
    if model.errors == "power":
        variables["spread_power"] = (dims, theta[..., lay.error.start])
    elif model.errors == "student":
        variables["tail_freedom"] = (dims, np.exp(theta[..., lay.error.start]))
    if model.start_effects.size:
        of_series = theta[..., lay.effect][..., model.start_effects]
        variables["start_effect"] = ((*dims, "start_series"), of_series)
    for j, column in enumerate(model.columns):
        variables[column.label] = (dims, beta[..., j])
    coords = {
        "chain": np.arange(theta.shape[0]),
        "draw": np.arange(theta.shape[1]),
        "product": [f"{m} | {f}" for m, f in model.mains],
        "lot": [f"{m} | {lot}" for m, lot in model.lots],
        **{
            g: [name for group, name in model.effects if group == g]
            for g in (*model.groups[1:], *model.others)
            if f"{g}_effect" in variables
        },
        "material": list(model.materials),
        "start_series": [model.effects[e][1] for e in model.start_effects],
        "start": [f"{m} | {d}" for m, d in model.starts],
        "term": [c.label for c in model.columns],
    }
    if lay.start_scale is None:
        del coords["start"]
    if "start_effect" not in variables:
        del coords["start_series"]
    nuts = drawn.settings.moves == "no-u-turn"
    attrs = {
        "law": model.law.name,
        "errors": model.errors,
        "structure": model.structure.to_json(),
        "fraction": model.fraction,
        "inference_library": "nutpie" if nuts else "durability",
    }
    return xarray.Dataset(variables, coords=coords, attrs=attrs)
