"""How well is a strip, or a whole dose, foretold by the others? Leave-one-out.

By Pareto-smoothed importance sampling over the draws of one fit (Vehtari, Gelman and Gabry 2017,
Statistics and Computing 27:1413; Vehtari et al. 2024, Journal of Machine Learning Research 25:72;
both as cited in ArviZ, whose estimator is used). Where the Pareto k is above 0.7 the weights cannot
be trusted and the model is fitted again without the item or dose.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.inference.checking.items import (
    CENSORED,
    LOOK,
    WORD,
    Items,
    dose_levels,
    level_of,
)
from durability.inference.checking.pointwise import Parts, log_given_rest, marginal, parts_of
from durability.inference.checking.refit import refit_without

if TYPE_CHECKING:
    from durability.inference.fitted import Fit
    from durability.inference.model import Model

GOOD_K = 0.7
MOST_REFITS = 12


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LeaveOneOut:
    """Each strip foretold by the others.

    Parameters
    ----------
    law : of the fit.
    items : what was left out, one at a time.
    elpd : (item,) log predictive density given the others.
    pareto_k : (item,) of the importance weights; k of a refitted item is the one that asked for it.
    refitted : (item,) bool: fitted again without it.
    """

    law: str
    items: Items
    elpd: np.ndarray
    pareto_k: np.ndarray
    refitted: np.ndarray

    @property
    def total(self) -> float:
        """Sum of the log predictive densities: larger is better."""
        return float(self.elpd.sum())

    @property
    def se(self) -> float:
        """Standard error of `total` over the strips."""
        return float(np.sqrt(self.elpd.size) * self.elpd.std())

    @property
    def doubtful(self) -> int:
        """Items whose weights cannot be trusted and that were not refitted."""
        return int(((self.pareto_k > GOOD_K) & ~self.refitted).sum())

    def rows(self) -> list[tuple[str, str]]:
        """(label, text) pairs of the repr."""
        return [
            ("law", self.law),
            ("strips", str(len(self.items))),
            ("log score", f"{self.total:.1f} ± {self.se:.1f}"),
            ("fitted again", str(int(self.refitted.sum()))),
            ("doubtful", str(self.doubtful)),
        ]

    def __repr__(self) -> str:
        return "LeaveOneOut\n" + "\n".join(f"  {a:<13} {b}" for a, b in self.rows())

    def to_dict(self) -> dict[str, Any]:
        """Plain types for JSON."""
        return {
            "law": self.law, "strips": len(self.items), "log_score": round(self.total, 3),
            "standard_error": round(self.se, 3), "largest_pareto_k": round(
                float(self.pareto_k.max(initial=0.0)), 3),
            "refitted": int(self.refitted.sum()), "doubtful": self.doubtful,
        }  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LeftOutDose:
    """One dose level foretold by the others.

    Parameters
    ----------
    exposure, dose : the level left out, in every material.
    elpd : (group,) log predictive density of the strips of each series together.
    groups : (material, lot, direction) of each.
    pareto_k : of the importance weights; refitted : fitted again without the level.
    largest : it is the largest dose of its exposure.
    """

    exposure: str
    dose: float
    elpd: np.ndarray
    groups: tuple[tuple[str, str, str], ...]
    pareto_k: float
    refitted: bool
    largest: bool

    def to_dict(self) -> dict[str, Any]:
        """Plain types for JSON."""
        return {
            "exposure": self.exposure, "dose": self.dose, "log_score": float(self.elpd.sum()),
            "pareto_k": round(self.pareto_k, 3), "refitted": self.refitted,
            "largest": self.largest,
        }  # fmt: skip


def smoothed(log_density: np.ndarray, shape: tuple[int, int]) -> tuple[np.ndarray, np.ndarray]:
    """Leave-one-out log density and Pareto k of each column of (draw, item) log densities.

    By ArviZ's estimator, draws taken as independent (the sampler's nearly are).
    """
    import arviz_stats.base

    stats: Any = arviz_stats.base.array_stats  # pyright: ignore[reportPrivateImportUsage]
    values = np.moveaxis(log_density.reshape(*shape, -1), -1, 0)
    # the smallest densities are smoothed; where they are all alike no weight can be large
    lowest = np.sort(values.reshape(len(values), -1), axis=1)
    tail = min(lowest.shape[1] - 1, math.ceil(3 * math.sqrt(lowest.shape[1])))
    alike = lowest[:, tail] - lowest[:, 0] < 1e-12
    elpd, k = np.empty(len(values)), np.zeros(len(values))
    elpd[alike] = lowest[alike, 0] - np.log(np.exp(lowest[alike, :1] - lowest[alike]).mean(axis=1))
    if not alike.all():
        elpd[~alike], k[~alike], _ = stats.loo(
            values[~alike], chain_axis=-2, draw_axis=-1, r_eff=1.0
        )
    return elpd, k


def leave_one_out(fit: Fit, *, refit: bool = True) -> LeaveOneOut:
    """Each strip foretold by all others.

    Parameters
    ----------
    fit : the fit.
    refit : fit again without each item whose Pareto k is above 0.7 (at most `MOST_REFITS`, the
        worst first).

    Returns
    -------
    LeaveOneOut
    """
    parts = parts_of(fit)
    elpd, k = smoothed(log_given_rest(parts), parts.shape)
    refitted = np.zeros(k.size, dtype=bool)
    if refit:
        worst = np.argsort(-k)[:MOST_REFITS]
        for i in worst[k[worst] > GOOD_K]:
            alone = np.arange(k.size) == i
            again = of_whole(refit_without(fit, alone, items=parts.items), fit.model)
            fresh = parts_of(again, items=parts.items)
            elpd[i], refitted[i] = log_mean(log_given_rest(fresh)[:, i]), True
    return LeaveOneOut(law=fit.law, items=parts.items, elpd=elpd, pareto_k=k, refitted=refitted)


def of_whole(refitted: Fit, whole: Model) -> Fit:
    """The draws of a fit without some strips, with the model of the whole study."""
    return replace(refitted, model=whole, _draws={})


def forecast_density(parts: Parts, left_out: np.ndarray) -> dict[tuple[str, str, str], np.ndarray]:
    """Log density (draw,) of the left-out items of each series together, given what is kept.

    Parameters
    ----------
    parts : with the draws of a fit without these items, or of the whole fit for weights.
    left_out : (item,) bool.
    """
    items = parts.items
    found: dict[tuple[str, str, str], np.ndarray] = {}
    names = list(zip(items.material.tolist(), items.lot.tolist(), items.direction.tolist(),
                     strict=True))  # fmt: skip
    for key in dict.fromkeys(names[i] for i in np.flatnonzero(left_out)):
        same = np.array([n == key for n in names])
        series = np.isin(items.series, items.series[same & (items.series >= 0)])
        here = (series & (items.series >= 0)) | same
        alone = np.isin(items.kind, (LOOK, WORD))
        kept = marginal(parts, here & ~left_out & ~alone)
        found[key] = marginal(parts, here & (~left_out & ~alone | left_out & same)) - kept
    return found


def leave_one_dose_out(
    fit: Fit, *, largest: int | None = None, refit: bool = True
) -> tuple[LeftOutDose, ...]:
    """Each dose level above 0 foretold by the others, all materials at once.

    Parameters
    ----------
    fit : the fit.
    largest : only this many of the largest doses of each exposure; all where left out.
    refit : fit again where the Pareto k is above 0.7.

    Returns
    -------
    tuple of LeftOutDose, by exposure and dose; empty for an exposure of fewer than three doses.
    """
    parts = parts_of(fit)
    items = parts.items
    found = []
    for exposure, levels in exposure_levels(items).items():
        if len(levels) < 3:
            continue
        for level in levels[-largest:] if largest else levels:
            left_out = at_levels(items, {exposure: level})
            whole = marginal(parts) - marginal(parts, ~left_out)
            _, k = smoothed(whole[:, None], parts.shape)
            use, weights, again = parts, None, bool(k[0] > GOOD_K) and refit
            if again:
                fresh = refit_without(fit, left_out, items=items)
                use = parts_of(of_whole(fresh, fit.model), items=items)
            else:
                weights = _log_weights(whole, parts.shape)
            density = forecast_density(use, left_out)
            found.append(
                LeftOutDose(
                    exposure=exposure, dose=level, groups=tuple(density),
                    elpd=np.array([log_mean(v, weights) for v in density.values()]),
                    pareto_k=float(k[0]), refitted=again, largest=level == levels[-1],
                )
            )  # fmt: skip
    return tuple(found)


def exposure_levels(items: Items) -> dict[str, tuple[float, ...]]:
    """Dose levels above 0 of each exposure, over all materials."""
    seen = (items.dose > 0) & np.isin(items.kind, ("strip", "group", CENSORED))
    return {
        x: dose_levels(items.dose[seen & (items.exposure == x)])
        for x in dict.fromkeys(items.exposure[seen].tolist())
    }


def at_levels(items: Items, chosen: dict[str, float]) -> np.ndarray:
    """(item,) bool: found at the dose level chosen for its exposure."""
    mask = np.zeros(len(items), dtype=bool)
    for exposure, levels in exposure_levels(items).items():
        if exposure in chosen:
            mine = (items.exposure == exposure) & (items.dose > 0)
            mask |= mine & (level_of(items.dose, levels) == chosen[exposure])
    return mask


def _log_weights(log_density: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    import arviz_stats.base

    stats: Any = arviz_stats.base.array_stats  # pyright: ignore[reportPrivateImportUsage]
    log_weights, _ = stats.psislw(log_density.reshape(shape), r_eff=1.0, axis=[0, 1])
    return np.asarray(log_weights, dtype=float).ravel()


def log_mean(log_density: np.ndarray, log_weights: np.ndarray | None = None) -> float:
    """log of the mean density over draws, weighted where weights are given."""
    from scipy.special import logsumexp

    if log_weights is None:
        return float(np.asarray(logsumexp(log_density)) - np.log(log_density.size))
    total = np.asarray(logsumexp(log_density + log_weights))
    return float(total - np.asarray(logsumexp(log_weights)))
