"""What is the model in PyMC's words? The same priors and likelihood, written strip by strip.

Nothing is integrated out and no coordinate is chosen: this is the plain way, kept to check the
compiled density, to measure what it gains, and for researchers who want to extend the model. The
law's formula comes from its file through the tape, as everywhere.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from durability.inference.model import Column, Model, priors, spread_name
from durability.inference.tail_rows import rows_of

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
    pymc.Model with variables ``log_threshold_dose`` (``log_half_loss_dose`` for a law that may
    never fall to the fraction asked), ``<group>_effect`` and ``<group>_spread_of_threshold`` of
    lots and other groups, ``shape_<name>``, ``strip_spread``, ``reading_spread`` (of a pooled
    shape or spread, ``common_`` and the name, and ``<name>_effect``), ``linear`` (columns;
    ``linear_score`` where a prior is cut off at limits),
    ``lot_spread_of_strength``, ``log_unexposed_strength``, ``start_effect`` (of each lot and
    direction), ``specimen_level`` (of each specimen read repeatedly), ``spread_power`` or
    ``tail_freedom`` where errors have one.

    With Student errors a summary's strips depart together: their spread is divided by the root of
    a gamma variable of mean 1 that they share (``summary_precision``).
    """
    import pymc
    import pytensor.tensor as pt

    pm: Any = pymc
    law = model.law
    product_of_cell = model.cell_index[:, 0]
    normal = not model.on_logs
    series_of_cell, sub_of_cell = _owners(model)
    with model.own_priors(), pm.Model() as built:
        book = priors()
        linear: Any = _columns(model, pm) if model.columns else np.zeros(0)
        shape: dict[str, Any] = {}
        for i, s in enumerate(law.shapes):
            shape[s.name] = _own(model, pm, f"shape_{s.name}", s.median, s.sd_log, 1 + i)
        mean, sd = model.main_prior[:, 0], model.main_prior[:, 1]
        if model.line.size:
            mean = mean + pt.dot(model.line, linear)
            width = spread_name("product")
            sd = pm.HalfNormal(width, book[width]["scale"])
        mine = {k: v[model.main_product] for k, v in shape.items()}
        inverse = _inverse(model, mine)
        name = "log_half_loss_dose" if model.half_loss else "log_threshold_dose"
        if parametrisation == "threshold":
            log_tau = pm.Normal(name, mean, sd, shape=len(model.mains))
        else:
            middle = law.inverse(model.fraction) * np.exp(-mean)
            log_rate = pm.Flat("log_rate", shape=len(model.mains), initval=np.log(middle))
            log_tau = pm.Deterministic(name, pt.log(inverse) - log_rate)
            t = (log_tau - mean) / sd
            pm.Potential("prior_threshold", -0.5 * (t**2).sum())
        of = book["strip_spread"]
        spread = _own(model, pm, "strip_spread", of["median"], of["sd_log"], 0)
        eta = log_tau[model.cell_index[:, 1]]
        for f, group in enumerate(model.groups):
            width = pm.HalfNormal(spread_name(group), book[spread_name(group)]["scale"])
            single = np.flatnonzero(model.single_lot) if group == "lot" else np.zeros(0, dtype=int)
            first = int((model.effect_index[:, 0] < f).sum())
            count = int((model.effect_index[:, 0] == f).sum())
            effect = pm.Normal(f"{group}_effect", 0.0, width, shape=count + single.size)
            where = np.where(model.cell_effect[:, f] >= 0, model.cell_effect[:, f] - first, -1)
            for i, p in enumerate(single):  # the lot of a product that has one
                where[product_of_cell == p] = count + i
            eta = eta + pt.switch(where >= 0, effect[np.maximum(where, 0)], 0.0)
        if model.columns:
            eta = eta + pt.dot(model.design, linear)
        if model.bow.size:
            term = model.bow * linear[model.bow_index[:, 0]] * linear[model.bow_index[:, 1]]
            of_cell = np.zeros((model.cell_dose.size, model.bow.size))
            for g, (first, end) in enumerate(model.bow_range):
                of_cell[g, first:end] = 1.0
            eta = eta - pt.dot(of_cell, term)
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
            told = np.flatnonzero(model.series_index[:, 1] >= 0)
            place = np.searchsorted(told, series_of_cell).clip(max=max(told.size - 1, 0))
            unit: Any = start[np.maximum(model.series_index[series_of_cell, 1], 0)]
            unit = unit + _shared_strength(model, pm, series_of_cell)
            effect: Any = pm.Normal("start_effect", 0.0, start_spread, shape=told.size)[place]
        else:
            unit = pt.as_tensor(np.full(model.cell_dose.size, model.start_known))
            effect = pt.zeros(model.cell_dose.size)
        noise: Any = spread[product_of_cell]
        if model.sub_range.size:
            reading = pm.LogNormal(
                "reading_spread",
                math.log(book["reading_spread"]["median"]),
                book["reading_spread"]["sd_log"],
                shape=int(model.reading_index.max()) + 1,
            )
            read = sub_of_cell >= 0
            if model.start_known is None:
                owner = product_of_cell[model.sub_range[:, 0]]
                own = pm.Normal("specimen_level", 0.0, spread[owner], shape=len(model.sub_range))
                effect = effect + pt.switch(read, own[np.maximum(sub_of_cell, 0)], 0.0)
            each = reading[np.maximum(model.reading_index[product_of_cell], 0)]
            noise = pt.switch(read, each, noise)

        # the curve where dose is above 0: at dose 0 a power of the dose has no finite gradient
        lit = np.flatnonzero(np.isfinite(model.log_dose))
        at = {k: v[product_of_cell[lit]] for k, v in shape.items()}
        u: Any = pt.exp(model.log_dose[lit] - eta[lit]) * _inverse(model, at)
        curve = pt.maximum(law.tape.graph({"u": u, **at}), law.floor)
        log_curve: Any = pt.zeros(model.cell_dose.size)
        log_curve = pt.set_subtensor(log_curve[lit], pt.log(curve))  # pyright: ignore
        if normal:
            expected = pt.exp(unit) * (1 + effect) * pt.exp(log_curve)
            noise = noise * pt.exp(unit)
        else:
            expected = unit + effect + log_curve
        freedom: Any = None
        power: Any = None
        if model.errors == "power":
            of = book["spread_power"]
            power = pm.Normal("spread_power", of["mean"], of["sd"])
            noise = noise * pt.exp(power * pt.maximum(log_curve, math.log(of["least_left"])))
        elif model.errors == "student":
            of = book["tail_freedom"]
            freedom = pm.LogNormal("tail_freedom", math.log(of["median"]), of["sd_log"])
        exact = model.extra[model.strip_cell] == 0
        strips, found = model.strip_cell[exact], model.strip_value[exact]
        if freedom is None:
            pm.Normal("strips", expected[strips], noise[strips], observed=found)
        else:
            pm.StudentT("strips", freedom, mu=expected[strips], sigma=noise[strips], observed=found)
        _groups(model, pm, expected, noise, unit, freedom)
        if model.censored_limit.size:
            cell, sign = model.censored_index[:, 0], model.censored_index[:, 1]
            z = (model.censored_limit - expected[cell]) / noise[cell]
            below = _log_share_below(pm, freedom, -sign * z)
            pm.Potential("censored", below.sum())
        known = model.start_known is not None
        _words(model, pm, log_curve, spread, None if known else start, power, freedom)
    return built


def _log_share_below(pm: Any, freedom: Any, z: Any) -> Any:
    """Log of the share of strips that depart by less than z of their spreads.

    PyMC's own for normal errors is right to 1e-8 only: its root of two is in single precision.
    """
    if freedom is not None:
        return pm.logcdf(pm.StudentT.dist(freedom, mu=0.0, sigma=1.0), z)
    import pytensor.tensor

    pt: Any = pytensor.tensor
    root2 = math.sqrt(2.0)
    far = pt.log(0.5 * pt.erfcx(-pt.minimum(z, -1.0) / root2)) - 0.5 * z**2
    return pt.switch(z < -1.0, far, pt.log1p(-0.5 * pt.erfc(pt.maximum(z, -1.0) / root2)))


def _owners(model: Model) -> tuple[np.ndarray, np.ndarray]:
    """The series of each cell, and the specimen read repeatedly whose cell it is, or -1."""
    series = np.zeros(model.cell_dose.size, dtype=int)
    sub = np.full(model.cell_dose.size, -1)
    for i, (first, end) in enumerate(model.sub_range):
        sub[first:end] = i
    for s, (_, _, first, end, sub_first, sub_end, *_) in enumerate(model.series_index):
        last = model.sub_range[sub_end - 1, 1] if sub_end > sub_first else end
        series[first:last] = s
    return series, sub


def _columns(model: Model, pm: Any) -> Any:
    """Columns of the model; where a prior is cut off at limits, from normal scores."""
    if not any(c.bounded for c in model.columns):
        return pm.Normal(
            "linear",
            [c.mean for c in model.columns],
            [c.sd for c in model.columns],
            shape=len(model.columns),
        )
    bounded = [c.bounded for c in model.columns]
    score = pm.Normal(
        "linear_score",
        np.where(bounded, 0.0, [c.mean for c in model.columns]),
        np.where(bounded, 1.0, [c.sd for c in model.columns]),
        shape=len(model.columns),
    )
    parts = [_cut_off(c, score[j]) if c.bounded else score[j] for j, c in enumerate(model.columns)]
    return pm.Deterministic("linear", pm.math.stack(parts))


def _cut_off(column: Column, score: Any) -> Any:
    """The value of a normal prior, cut off at its limits, that has a normal score."""
    import pytensor.tensor
    from scipy.special import ndtr

    pt: Any = pytensor.tensor

    root2 = math.sqrt(2.0)
    below = float(ndtr((column.low - column.mean) / column.sd))
    above = float(ndtr((column.high - column.mean) / column.sd))
    share: Any = below + (above - below) * 0.5 * pt.erfc(-score / root2)
    return column.mean + column.sd * root2 * pt.erfinv(2 * share - 1)


def _own(model: Model, pm: Any, name: str, median: float, sd_log: float, place: int) -> Any:
    """A positive parameter of each product: its own, one for all, or pooled."""
    n = len(model.materials)
    slot, effect = model.own_slot[:, 0 if place else 1], model.own_effect[:, place]
    if slot.max(initial=0) + 1 == n and (effect < 0).all():
        return pm.LogNormal(name, math.log(median), sd_log, shape=n)
    common = pm.LogNormal(f"common_{name}", math.log(median), sd_log)
    if (effect < 0).all():
        return pm.Deterministic(name, pm.math.stack([common] * n))
    key = spread_name(name)
    width = pm.HalfNormal(f"product_spread_of_{name}", priors()[key]["scale"])
    own = pm.Normal(f"{name}_effect", 0.0, width, shape=n)
    return pm.Deterministic(name, common * pm.math.exp(own))


def _shared_strength(model: Model, pm: Any, series_of_cell: np.ndarray) -> Any:
    """What the unexposed strengths of a lot's directions have in common, by cell."""
    import pytensor.tensor as pt

    family = "lot_in_both_directions"
    if family not in model.others:
        return 0.0
    place = len(model.groups) + model.others.index(family)
    mine = np.flatnonzero(model.effect_index[:, 0] == place)
    key = spread_name(family)
    width = pm.HalfNormal(key, priors()[key]["scale"])
    effect = pm.Normal(f"{family}_effect", 0.0, width, shape=mine.size)
    shared = model.series_index[series_of_cell, 8]
    place = np.maximum(shared - mine[0], 0)
    return pt.switch(shared >= 0, effect[place], 0.0)


def _inverse(model: Model, shape: dict[str, Any]) -> Any:
    tape = model.law.half_loss_tape if model.half_loss else model.law.inverse_tape
    if tape is None:
        raise NotImplementedError(f"law {model.law.name} has no closed inverse for the graph")
    return tape.graph({"q": 0.5 if model.half_loss else model.fraction, **shape})


def _groups(model: Model, pm: Any, expected: Any, noise: Any, unit: Any, freedom: Any) -> None:
    """Terms of rows that are not strips: summaries, readings, figures read off a page."""
    rows = rows_of(model)
    rest = rows.cell[rows.n_strip :]
    if not rest.size:
        return
    import pytensor.tensor

    pt: Any = pytensor.tensor
    n, dof, mean, squares, extra = (
        of[rows.n_strip :] for of in (rows.n, rows.freedom, rows.mean, rows.squares, rows.extra)
    )
    sd = noise[rest]
    scale = 1.0 if model.on_logs else pm.math.exp(unit[rest])
    wide: Any = 1.0
    strips = np.setdiff1d(np.arange(rest.size), _places_read(model, rest))
    if freedom is not None and strips.size:
        precision = pm.Gamma("summary_precision", freedom / 2, freedom / 2, shape=strips.size)
        at = pt.set_subtensor(pt.ones(rest.size)[strips], precision)
        wide = 1 / at
    sd = sd * pm.math.sqrt(wide)
    variance = sd**2 / n + extra * scale**2 * wide
    logp = -0.5 * (mean - expected[rest]) ** 2 / variance - 0.5 * pm.math.log(variance)
    logp += -(dof - 1) * pm.math.log(sd) - 0.5 * squares / sd**2
    pm.Potential("groups", (logp - 0.5 * dof * math.log(2 * math.pi)).sum())


def _places_read(model: Model, cells: np.ndarray) -> np.ndarray:
    """Which of some cells hold readings of a specimen: those scatter normally."""
    return np.flatnonzero(_owners(model)[1][cells] >= 0)


def _words(
    model: Model, pm: Any, log_curve: Any, spread: Any, start: Any, power: Any, freedom: Any
) -> None:
    """Terms of inspections and of a data sheet's word."""
    import pytensor.tensor as pt

    normal = not model.on_logs
    if model.inspected_index.size:
        low, high, who = model.inspected_index.T
        limit, n = model.inspected_number.T
        level: Any = pt.exp(log_curve) if normal else log_curve
        sd = spread[model.cell_index[np.where(low >= 0, low, high), 0]]
        if start is not None:
            mu = start[np.maximum(who, 0)]
            limit = pt.switch(who >= 0, limit * pt.exp(-mu) if normal else limit - mu, limit)
        if power is not None:  # the spread that strips have at the limit
            sd = sd * limit**power
        far = 40.0 if freedom is None else 1e30  # as good as infinite
        a: Any = pt.switch(low >= 0, (level[np.maximum(low, 0)] - limit) / sd, far)
        b: Any = pt.switch(high >= 0, (level[np.maximum(high, 0)] - limit) / sd, -far)
        flip = (a > 0) & (b > 0)
        upper, lower = pt.switch(flip, -b, a), pt.switch(flip, -a, b)
        top = _log_share_below(pm, freedom, upper)
        between = top + pt.log1mexp(_log_share_below(pm, freedom, lower) - top)
        pm.Potential("inspections", (n * between).sum())
    if model.declared_index.size:
        cell, who = model.declared_index.T
        said, width, skew = model.declared_number.T
        left = log_curve[cell]
        if start is not None:
            left = left + pt.switch(who >= 0, start[np.maximum(who, 0)], 0.0)
        t = (left - said) / width
        word: Any = -0.5 * t**2 + _log_share_below(pm, None, skew * t)
        pm.Potential("declared", word.sum())
