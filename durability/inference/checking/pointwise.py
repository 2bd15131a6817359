"""How probable is each strip, given the other strips and a draw of the parameters?

For each draw theta of the posterior and each item i (a strip, a summary, the readings of a specimen
at one dose, a censored strip, a look, a data sheet's word)

    log p(y_i | y_rest, theta),

with the unexposed strength of a lot and direction, and the level of a specimen read repeatedly,
integrated out given the other items of the series. The ratio of the posterior without item i to the
posterior is one over this number, so that it serves leave-one-out by importance sampling exactly as
a plain pointwise log likelihood does, with fewer parameters to be moved (integrated importance
sampling: Vehtari et al. 2016, Journal of Machine Learning Research 17:103, from memory).

Measured strips are normal given the curve, so both integrals are closed; with censored strips in
the series the first is done by Gauss-Hermite quadrature, as in `durability.inference.kernel`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.inference.checking.items import CENSORED, LOOK, WORD, Items, items_of
from durability.inference.model import relative_spread

if TYPE_CHECKING:
    import xarray

    from durability.inference.fitted import Fit
    from durability.inference.model import Model

LARGEST = 16_000_000
"""Numbers (draws times items) that are kept at once; beyond, draws are thinned evenly."""
FEWEST = 400


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Parts:
    """Draws of what the density of each item is made of, along (draw, item).

    Parameters
    ----------
    fit : whose draws; `shape` is (chain, draw) of those taken, `step` the thinning.
    level : (draw, cell): log retained fraction, or the fraction itself for normal errors.
    start : (draw, item): log unexposed strength of the product and direction.
    noise : (draw, item): sd of the item's strips or readings [log scale, or share].
    start_variance : (draw,): of a series' unexposed strength about the product's.
    own_variance : (draw, item): of a specimen's level about its series; 0 for strips.
    freedom : (draw,): degrees of freedom of strips; None where they scatter normally.
    weight, residual, lean, alone : (draw, item): precision, distance from the curve, slope by the
        start of the series, and log density at start effect 0.
    """

    fit: Fit
    items: Items
    shape: tuple[int, int]
    step: int
    level: np.ndarray
    start: np.ndarray
    noise: np.ndarray
    start_variance: np.ndarray
    own_variance: np.ndarray
    freedom: np.ndarray | None
    weight: np.ndarray
    residual: np.ndarray
    lean: np.ndarray
    alone: np.ndarray

    def log_below(self, x: np.ndarray) -> np.ndarray:
        """log of the probability that a strip departs by less than x spreads, (draw, ...)."""
        from scipy.special import log_ndtr, stdtr

        if self.freedom is None:
            return log_ndtr(x)
        freedom = self.freedom.reshape(-1, *np.ones(np.ndim(x) - 1, dtype=int))
        return np.log(np.maximum(stdtr(freedom, x), 1e-300))


def taken(fit: Fit, n_item: int) -> int:
    """Every how many-th draw is taken, so that draws times items stay below `LARGEST`."""
    most = max(FEWEST, LARGEST // max(n_item, 1))
    return max(1, math.ceil(fit.n_draws / most))


def draws_of(fit: Fit, name: str, step: int) -> np.ndarray:
    """A posterior variable as (draw over chains, ...), thinned."""
    values = fit.posterior[name].values[:, ::step]
    return values.reshape(values.shape[0] * values.shape[1], *values.shape[2:])


def cell_curves(fit: Fit, step: int) -> np.ndarray:
    """log retained fraction of every cell (draw, cell), for the cell's own lot and conditions."""
    model = fit.model
    if "own_lot_effect" not in fit.posterior:
        raise LookupError("this fit was kept by an earlier version; fit the study again")
    level = "log_half_loss_dose" if model.half_loss else "log_threshold_dose"
    main = draws_of(fit, level, step) + draws_of(fit, "own_lot_effect", step)
    lit = np.flatnonzero(np.isfinite(model.log_dose))
    log_curve = np.zeros((main.shape[0], model.cell_dose.size))
    if not lit.size:
        return log_curve
    eta = main[:, model.cell_index[lit, 1]]
    effect = group_effects(fit, step)
    for f in range(model.cell_effect.shape[1]):
        eta = eta + effect[:, model.cell_effect[lit, f]]
    if model.columns:
        beta = draws_of(fit, "linear", step)
        eta = eta + beta @ model.design[lit].T - _clock_bends(model, beta)[:, lit]
    product = model.cell_index[lit, 0]
    names = [s.name for s in model.law.shapes]
    whole = {n: draws_of(fit, f"shape_{n}", step) for n in names}
    base = model.law.half_loss(whole) if model.half_loss else model.law.inverse(
        model.fraction, whole)  # fmt: skip
    base = np.broadcast_to(base, (main.shape[0], len(model.materials)))[:, product]
    u = np.exp(model.log_dose[lit] - eta) * base
    log_curve[:, lit] = np.log(model.law.retained(u, {n: v[:, product] for n, v in whole.items()}))
    return log_curve


def group_effects(fit: Fit, step: int) -> np.ndarray:
    """Effects of lots and other groups (draw, effect), and a last column of zeros for none."""
    model = fit.model
    families = (*model.groups, *getattr(model, "others", ()))
    draws = fit.posterior.sizes["chain"] * len(range(0, fit.posterior.sizes["draw"], step))
    effect = np.zeros((draws, len(model.effects) + 1))
    for f, group in enumerate(families):
        members = np.flatnonzero(model.effect_index[:, 0] == f)
        if members.size and f"{group}_effect" in fit.posterior:
            effect[:, members] = draws_of(fit, f"{group}_effect", step)
    return effect


def _clock_bends(model: Model, beta: np.ndarray) -> np.ndarray:
    """Quadratic terms of log effective dose (draw, cell) in the clock's parameters."""
    out = np.zeros((beta.shape[0], model.cell_dose.size))
    bow: np.ndarray = getattr(model, "bow", np.zeros(0))
    if bow.size:
        index, ranges = getattr(model, "bow_index"), getattr(model, "bow_range")  # noqa: B009
        terms = bow * beta[:, index[:, 0]] * beta[:, index[:, 1]]
        for cell, (first, end) in enumerate(ranges):
            out[:, cell] = terms[:, first:end].sum(axis=1)
    return out


def parts_of(fit: Fit, *, items: Items | None = None, step: int | None = None) -> Parts:
    """The draws that the density of each item needs.

    Parameters
    ----------
    fit : the fit.
    items : of the model; found when left out.
    step : take every `step`-th draw; chosen by the size when left out.
    """
    model = fit.model
    items = items or items_of(model)
    step = step or taken(fit, len(items))
    normal = not model.on_logs
    curve = cell_curves(fit, step)
    level = np.exp(curve) if normal else curve
    n_draw = level.shape[0]
    spread = draws_of(fit, "strip_spread", step)
    noise = spread[:, items.product]
    read = items.sub >= 0
    own = np.zeros((n_draw, len(items)))
    if read.any():
        of = np.asarray(model.reading_index)[items.product[read]]
        if model.start_known is None:
            own[:, read] = noise[:, read] ** 2
        noise[:, read] = draws_of(fit, "reading_spread", step)[:, of]
    if model.errors == "power":  # the spread of looks is at their limit, see `_independent`
        scaled = items.measured | (items.kind == CENSORED)
        power = draws_of(fit, "spread_power", step)
        noise[:, scaled] *= relative_spread(level[:, items.cell[scaled]], power[:, None])
    if model.start_known is None:
        place = model.series_index[np.maximum(items.series, 0), 1]
        start = draws_of(fit, "log_unexposed_strength", step)[:, np.maximum(place, 0)]
        if model.series_index.shape[1] > 8:  # what both directions of a lot share
            both = model.series_index[np.maximum(items.series, 0), 8]
            start = start + group_effects(fit, step)[:, both]
        start_variance = draws_of(fit, "lot_spread_of_strength", step) ** 2
        if model.start_effects.size:  # drawn with the rest: nothing is left to be integrated out
            apart = np.zeros((n_draw, len(model.effects) + 1))
            apart[:, model.start_effects] = draws_of(fit, "start_effect", step)
            start = start + apart[:, model.series_index[np.maximum(items.series, 0), 9]]
            start_variance = np.zeros(n_draw)
    else:
        start = np.full((n_draw, len(items)), model.start_known)
        start_variance = np.zeros(n_draw)
    h = level[:, items.cell]
    unit = np.exp(-start) if normal else np.ones_like(start)
    weight = items.n / (noise**2 + items.n * items.extra)
    residual = items.mean * unit - h if normal else items.mean - start - h
    lean = h if normal else np.ones_like(h)
    alone = -items.freedom * (np.log(noise) + 0.5 * math.log(2 * math.pi))
    alone -= 0.5 * (weight * residual**2 + items.squares * unit**2 / noise**2)
    shared = items.extra > 0
    alone[:, shared] += 0.5 * np.log(weight * noise**2 / items.n)[:, shared]
    freedom = draws_of(fit, "tail_freedom", step) if model.errors == "student" else None
    if freedom is not None:
        with_long_tails(alone, items, weight, residual, noise, freedom)
    if normal:
        alone -= items.freedom * start
    else:  # density of the strength, not of its logarithm: the same for every law
        alone -= items.freedom * items.mean * (-1.0 if model.rises else 1.0)
    sizes = fit.posterior.sizes
    return Parts(
        fit=fit, items=items, shape=(sizes["chain"], len(range(0, sizes["draw"], step))),
        step=step, level=level, start=start, noise=noise, start_variance=start_variance,
        own_variance=own, freedom=freedom, weight=weight, residual=residual, lean=lean, alone=alone,
    )  # fmt: skip


def with_long_tails(
    alone: np.ndarray,
    items: Items,
    weight: np.ndarray,
    residual: np.ndarray,
    noise: np.ndarray,
    freedom: np.ndarray,
) -> None:
    """Student's log density of strips and summaries in the place of the normal one; the strips of
    a summary depart together (see `durability.inference.tails`)."""
    from scipy.special import gammaln

    mine = np.flatnonzero(items.measured & (items.sub < 0))
    nu, f = freedom[:, None], items.freedom[mine]
    square = weight[:, mine] * residual[:, mine] ** 2 + items.squares[mine] / noise[:, mine] ** 2
    normal = -0.5 * square - 0.5 * f * math.log(2 * math.pi)
    long = gammaln((nu + f) / 2) - gammaln(nu / 2) - 0.5 * f * np.log(nu * math.pi)
    alone[:, mine] += long - 0.5 * (nu + f) * np.log1p(square / nu) - normal


def specimens_in(parts: Parts, mine: np.ndarray) -> list[np.ndarray]:
    """Measured items of a series: its strips, then the readings of each specimen."""
    sub = parts.items.sub[mine]
    return [mine[sub == k] for k in dict.fromkeys(sub.tolist())]


def _gain(w: np.ndarray, r: np.ndarray, variance: np.ndarray) -> np.ndarray:
    """log of E exp(r e - w e^2 / 2) over e ~ normal(0, variance)."""
    spread = 1 + variance * w
    return 0.5 * r * r * variance / spread - 0.5 * np.log(spread)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Sums:
    """What the measured items of a series say of its start effect (draw,)."""

    w: np.ndarray
    r: np.ndarray
    log: np.ndarray


def _series_sums(parts: Parts, mine: np.ndarray) -> _Sums:
    zero = np.zeros(parts.weight.shape[0])
    w, r, log = zero, zero, zero
    for members in specimens_in(parts, mine):
        a = (parts.weight[:, members] * parts.lean[:, members] ** 2).sum(1)
        b = (parts.weight[:, members] * parts.lean[:, members] * parts.residual[:, members]).sum(1)
        own = parts.own_variance[:, members[0]]
        w, r = w + a / (1 + own * a), r + b / (1 + own * a)
        log = log + parts.alone[:, members].sum(1) + _gain(a, b, own)
    return _Sums(w=w, r=r, log=log)


def _censored_logs(parts: Parts, censored: np.ndarray, w: Any, r: Any) -> np.ndarray:
    """log probability of each censored strip (draw, node, strip) about the Gaussian part."""
    variance = parts.start_variance
    shrink = 1 / (1 + variance * w)
    e = (variance * r * shrink)[:, None] + np.sqrt(variance * shrink)[:, None] * _nodes(
        parts.fit.model
    )[0]
    h = parts.level[:, parts.items.cell[censored]][:, None, :]
    start = parts.start[:, censored][:, None, :]
    limit = parts.items.limit[censored]
    if not parts.fit.model.on_logs:
        gap = limit * np.exp(-start) - (1 + e[:, :, None]) * h
    else:
        gap = limit - start - e[:, :, None] - h
    z = -parts.items.sign[censored] * gap / parts.noise[:, censored][:, None, :]
    return parts.log_below(z)


def _nodes(model: Model) -> tuple[np.ndarray, np.ndarray]:
    """Nodes and log weights of the integral over a start."""
    node, weight = np.polynomial.hermite_e.hermegauss(model.n_node)
    return node, np.log(weight / weight.sum())


def _quadrature(logs: np.ndarray, model: Model) -> np.ndarray:
    from scipy.special import logsumexp

    return np.asarray(logsumexp(logs.sum(axis=2) + _nodes(model)[1], axis=1))


def marginal(parts: Parts, keep: np.ndarray | None = None) -> np.ndarray:
    """Log density (draw,) of all kept items together, starts and specimens integrated out.

    Parameters
    ----------
    parts : from `parts_of`.
    keep : (item,) bool; all where left out.
    """
    items, model = parts.items, parts.fit.model
    keep = np.ones(len(items), dtype=bool) if keep is None else keep
    total = _independent(parts)[:, keep].sum(1)
    for s in np.unique(items.series[keep & (items.series >= 0)]):
        mine = np.flatnonzero((items.series == s) & keep & items.measured)
        censored = np.flatnonzero((items.series == s) & keep & (items.kind == CENSORED))
        sums = _series_sums(parts, mine)
        total = total + sums.log + _gain(sums.w, sums.r, parts.start_variance)
        if censored.size:
            total = total + _quadrature(_censored_logs(parts, censored, sums.w, sums.r), model)
    return total


def log_given_rest(parts: Parts) -> np.ndarray:
    """log p(item | all other items, draw): (draw, item)."""
    items, model = parts.items, parts.fit.model
    out = _independent(parts)
    for s in np.unique(items.series[items.series >= 0]):
        mine = np.flatnonzero((items.series == s) & items.measured)
        censored = np.flatnonzero((items.series == s) & (items.kind == CENSORED))
        sums = _series_sums(parts, mine)
        gain = _gain(sums.w, sums.r, parts.start_variance)
        whole = None
        if censored.size:
            logs = _censored_logs(parts, censored, sums.w, sums.r)
            whole = _quadrature(logs, model)
            for j, i in enumerate(censored):
                out[:, i] = whole - _quadrature(np.delete(logs, j, axis=2), model)
        for members in specimens_in(parts, mine):
            each_w = parts.weight[:, members] * parts.lean[:, members] ** 2
            each_r = parts.weight[:, members] * parts.lean[:, members] * parts.residual[:, members]
            a, b = each_w.sum(1, keepdims=True), each_r.sum(1, keepdims=True)
            own = parts.own_variance[:, members[:1]]
            a_less, b_less = np.maximum(a - each_w, 0.0), b - each_r
            w = sums.w[:, None] - a / (1 + own * a) + a_less / (1 + own * a_less)
            r = sums.r[:, None] - b / (1 + own * a) + b_less / (1 + own * a_less)
            out[:, members] = (
                parts.alone[:, members]
                + _gain(a, b, own)
                - _gain(a_less, b_less, own)
                + gain[:, None]
                - _gain(w, r, parts.start_variance[:, None])
            )
            if whole is not None:
                for j, i in enumerate(members):
                    rest = _quadrature(_censored_logs(parts, censored, w[:, j], r[:, j]), model)
                    out[:, i] += whole - rest
    return out


def _independent(parts: Parts) -> np.ndarray:
    """Log density (draw, item) of looks and of a data sheet's words; 0 for other items."""
    from scipy.special import log_ndtr

    model, items = parts.fit.model, parts.items
    out = np.zeros(parts.alone.shape)
    normal = not model.on_logs
    for i in np.flatnonzero(np.isin(items.kind, (LOOK, WORD))):
        row = items.row[i]
        if items.kind[i] == LOOK:
            low, high, who = model.inspected_index[row]
            limit, n = model.inspected_number[row]
            mu = _start_of(parts, who)
            if who >= 0:
                limit = limit * np.exp(-mu) if normal else limit - mu
            noise = parts.noise[:, i]
            if model.errors == "power":
                noise = noise * limit ** draws_of(parts.fit, "spread_power", parts.step)
            far = np.full(noise.size, np.inf)
            a = (parts.level[:, low] - limit) / noise if low >= 0 else far
            b = (parts.level[:, high] - limit) / noise if high >= 0 else -far
            flip = (a > 0) & (b > 0)
            upper, lower = np.where(flip, -b, a), np.where(flip, -a, b)
            top = parts.log_below(upper)
            rest = -np.expm1(np.minimum(parts.log_below(lower) - top, 0.0))
            out[:, i] = n * (top + np.log(np.maximum(rest, 1e-300)))
            continue
        cell, who = model.declared_index[row]
        said, width, skew = model.declared_number[row]
        left = np.log(parts.level[:, cell]) if normal else parts.level[:, cell]
        t = (left - said + _start_of(parts, who)) / width
        out[:, i] = -0.5 * t * t + log_ndtr(skew * t) - math.log(width * math.sqrt(math.pi / 2))
    return out


def _start_of(parts: Parts, who: int) -> Any:
    if who < 0 or parts.fit.model.start_known is not None:
        return 0.0
    return draws_of(parts.fit, "log_unexposed_strength", parts.step)[:, who]


def start_effects(
    parts: Parts, rng: np.random.Generator, given: np.ndarray | None = None
) -> np.ndarray:
    """Draws (draw, series) of each series' start effect given its strips, or those of a mask."""
    items = parts.items
    given = np.ones(len(items), dtype=bool) if given is None else given
    n_draw = parts.weight.shape[0]
    out = np.zeros((n_draw, len(parts.fit.model.series)))
    for s in np.unique(items.series[items.series >= 0]):
        mine = np.flatnonzero((items.series == s) & items.measured & given)
        censored = np.flatnonzero((items.series == s) & (items.kind == CENSORED) & given)
        sums = _series_sums(parts, mine)
        shrink = 1 / (1 + parts.start_variance * sums.w)
        mean = parts.start_variance * sums.r * shrink
        sd = np.sqrt(parts.start_variance * shrink)
        if not censored.size:
            out[:, s] = mean + sd * rng.standard_normal(n_draw)
            continue
        nodes, weight = _nodes(parts.fit.model)
        logs = _censored_logs(parts, censored, sums.w, sums.r).sum(axis=2) + weight
        share = np.exp(logs - logs.max(axis=1, keepdims=True))
        below = np.cumsum(share, axis=1) / share.sum(axis=1, keepdims=True)
        node = (below < rng.random((n_draw, 1))).sum(axis=1)
        out[:, s] = mean + sd * nodes[node]
    return out


def strip_log_likelihood(fit: Fit) -> xarray.DataArray:
    """log p(item | all other items, draw), as ArviZ reads it.

    Parameters
    ----------
    fit : the fit; draws are thinned evenly where draws times items are many.

    Returns
    -------
    DataArray (chain, draw, item) with the material, lot, direction, exposure, dose and kind of
    each item. Densities are of the strength itself, per unit of the study.
    """
    import xarray

    parts = parts_of(fit)
    items = parts.items
    values = log_given_rest(parts).reshape(*parts.shape, len(items))
    labels = ("kind", "material", "lot", "direction", "exposure", "dose")
    return xarray.DataArray(
        values,
        dims=("chain", "draw", "item"),
        coords={
            "chain": fit.posterior["chain"].values,
            "draw": fit.posterior["draw"].values[:: parts.step],
            "item": np.arange(len(items)),
            **{name: ("item", getattr(items, name)) for name in labels},
        },
        name="strips",
    )


def with_log_likelihood(fit: Fit) -> xarray.DataTree:
    """`Fit.to_datatree` with the groups ``log_likelihood`` and ``log_prior``.

    ``arviz.loo`` and ``arviz.psense`` read it. Draws are thinned alike in every group.

    Examples
    --------
    >>> import arviz, durability
    >>> from durability.inference.checking import with_log_likelihood
    >>> fit = durability.fit("examples/uv-cycles", law="exponential", seed=1)
    >>> bool(arviz.loo(with_log_likelihood(fit)).n_data_points == fit.model.n_strips)
    True
    """
    import xarray

    from durability.inference.checking.log_prior import log_prior

    found = strip_log_likelihood(fit)
    tree = fit.to_datatree()
    step = taken(fit, found.sizes["item"])
    groups = {name: node.to_dataset() for name, node in tree.children.items()}
    for name in ("posterior", "sample_stats"):
        groups[name] = groups[name].isel(draw=slice(None, None, step))
    groups["log_likelihood"] = xarray.Dataset({"strips": found})
    groups["log_prior"] = log_prior(fit).isel(draw=slice(None, None, step))
    return xarray.DataTree.from_dict(groups)
