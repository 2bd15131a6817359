"""What is the model in PyMC's words? The same priors and likelihood, written strip by strip.

Nothing is integrated out and no coordinate is chosen: this is the plain way, kept to check the
compiled density, to measure what it gains, and for researchers who want to extend the model. The
law's formula comes from its file through the tape, as everywhere.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from durability.inference.model import Model, priors

if TYPE_CHECKING:
    import pymc


def plain_model(
    model: Model, *, parametrisation: Literal["threshold", "rate"] = "threshold"
) -> pymc.Model:
    """A PyMC model of the study.

    Parameters
    ----------
    model : from `durability.inference.model.build_model`.
    parametrisation : ``"threshold"`` samples the log threshold dose of each product; ``"rate"``
        the log of the rate 1/s, with the same prior on the threshold dose.

    Returns
    -------
    pymc.Model with variables ``log_threshold_dose``, ``lot_effect``, ``shape_<name>``,
    ``strip_spread``, ``lot_spread_of_threshold``, ``lot_spread_of_strength``,
    ``log_unexposed_strength`` and ``start_effect`` (of each lot and direction).
    """
    import pymc
    import pytensor.tensor as pt

    pm: Any = pymc
    book = priors()
    law = model.law
    n_product = len(model.materials)
    product_of_series = model.series_index[:, 0]
    series_of_cell = np.repeat(
        np.arange(len(model.series)), model.series_index[:, 3] - model.series_index[:, 2]
    )
    product_of_cell = product_of_series[series_of_cell]
    with pm.Model() as built:
        shape: dict[str, Any] = {}
        for s in law.shapes:
            shape[s.name] = pm.LogNormal(
                f"shape_{s.name}", math.log(s.median), s.sd_log, shape=n_product
            )
        mean, sd = model.main_prior[:, 0], model.main_prior[:, 1]
        mine = {k: v[model.main_product] for k, v in shape.items()}
        inverse = _inverse(model, mine)
        if parametrisation == "threshold":
            log_tau = pm.Normal("log_threshold_dose", mean, sd, shape=len(model.mains))
        else:
            middle = law.inverse(model.fraction) * np.exp(-mean)
            log_rate = pm.Flat("log_rate", shape=len(model.mains), initval=np.log(middle))
            log_tau = pm.Deterministic("log_threshold_dose", pt.log(inverse) - log_rate)
            t = (log_tau - mean) / sd
            pm.Potential("prior_threshold", -0.5 * (t**2).sum())
        spread = pm.LogNormal(
            "strip_spread",
            math.log(book["strip_spread"]["median"]),
            book["strip_spread"]["sd_log"],
            shape=n_product,
        )
        lot_spread = pm.HalfNormal(
            "lot_spread_of_threshold", book["lot_spread_of_threshold"]["scale"]
        )
        single = [model.materials[p] for p in np.flatnonzero(model.single_lot)]
        lots = [*model.lots, *((m, "") for m in single)]
        lot = pm.Normal("lot_effect", 0.0, lot_spread, shape=len(lots))
        lot_of_cell = np.where(
            model.cell_index[:, 1] >= 0,
            model.cell_index[:, 1],
            [
                len(model.lots) + single.index(model.materials[p]) if model.single_lot[p] else 0
                for p in product_of_cell
            ],
        )
        eta = log_tau[model.cell_index[:, 0]] + lot[lot_of_cell]
        if model.columns:
            linear = pm.Normal(
                "linear",
                [c.mean for c in model.columns],
                [c.sd for c in model.columns],
                shape=len(model.columns),
            )
            eta = eta + pt.dot(model.design, linear)
        if model.start_known is None:
            start_spread = pm.HalfNormal(
                "lot_spread_of_strength", book["lot_spread_of_strength"]["scale"]
            )
            start = pm.Normal(
                "log_unexposed_strength",
                model.start_prior[:, 0],
                model.start_prior[:, 1],
                shape=len(model.starts),
            )
            effect = pm.Normal("start_effect", 0.0, start_spread, shape=len(model.series))
            log_start = start[model.series_index[:, 1]]
            if model.errors == "lognormal":
                level = log_start + effect
            else:
                level = pt.exp(log_start) * (1 + effect)
            unit = log_start
        else:
            unit = pt.as_tensor(np.full(len(model.series), model.start_known))
            level = unit if model.errors == "lognormal" else pt.exp(unit)

        # the curve where dose is above 0: at dose 0 a power of the dose has no finite gradient
        lit = np.flatnonzero(np.isfinite(model.log_dose))
        at = {k: v[product_of_cell[lit]] for k, v in shape.items()}
        u = pt.exp(model.log_dose[lit] - eta[lit]) * _inverse(model, at)
        curve = pt.maximum(law.tape.graph({"u": u, **at}), law.floor)
        log_curve: Any = pt.zeros(model.cell_dose.size)
        log_curve = pt.set_subtensor(log_curve[lit], pt.log(curve))  # pyright: ignore
        cell_level = level[series_of_cell]  # pyright: ignore[reportOptionalSubscript]
        if model.errors == "lognormal":
            expected = cell_level + log_curve
            scale = spread[product_of_cell]
        else:
            expected = cell_level * pt.exp(log_curve)
            scale = spread[product_of_cell] * pt.exp(unit[series_of_cell])
        pm.Normal(
            "strips",
            expected[model.strip_cell],
            scale[model.strip_cell],
            observed=model.strip_value,
        )
        _summaries(model, pm, expected, scale)
        if model.censored_limit.size:
            cell, sign = model.censored_index[:, 0], model.censored_index[:, 1]
            z = (model.censored_limit - expected[cell]) / scale[cell]
            below: Any = pm.logcdf(pm.Normal.dist(), -sign * z)
            pm.Potential("censored", below.sum())
    return built


def _inverse(model: Model, shape: dict[str, Any]) -> Any:
    if model.law.inverse_tape is None:
        raise NotImplementedError(f"law {model.law.name} has no closed inverse for the graph")
    return model.law.inverse_tape.graph({"q": model.fraction, **shape})


def _summaries(model: Model, pm: Any, expected: Any, scale: Any) -> None:
    """Terms of groups that came as mean, spread and number instead of strips."""
    from_strips = np.bincount(model.strip_cell, minlength=model.count.size)
    extra = np.flatnonzero((model.count > 0) & (from_strips == 0))
    if not extra.size:
        return
    n, dof, mean = model.count[extra], model.freedom[extra], model.mean[extra]
    sd = scale[extra]
    chi = (n * (mean - expected[extra]) ** 2 + model.squares[extra]) / sd**2
    pm.Potential(
        "summaries", (-dof * (pm.math.log(sd) + 0.5 * math.log(2 * math.pi)) - 0.5 * chi).sum()
    )
