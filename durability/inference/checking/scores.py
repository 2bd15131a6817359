"""How well does each law foretell what it has not seen? Strips left out, and the largest doses."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np

from durability import catalogue
from durability.inference.checking.items import Items, level_of
from durability.inference.checking.leave_out import (
    LeaveOneOut,
    exposure_levels,
    forecast_density,
    leave_one_out,
    log_mean,
    of_whole,
)
from durability.inference.checking.pointwise import parts_of
from durability.inference.checking.refit import refit_without
from durability.inference.checking.stacking import stacking_weights

if TYPE_CHECKING:
    from durability.inference.fitted import Fit

HIDDEN_DOSES = (1, 2)
"""Forecasts are scored with this many of the largest doses hidden."""


@cache
def rules() -> dict[str, Any]:
    """The content of models/averaging.toml."""
    with open(catalogue.models_folder() / "averaging.toml", "rb") as stream:
        return tomllib.load(stream)


@dataclass(frozen=True, slots=True, kw_only=True)
class LawScore:
    """One law's line.

    Parameters
    ----------
    law, title : of the law.
    leave_one_out : sum of the log predictive densities of strips left out one by one.
    behind, behind_se : how far below the best law, and the standard error of that difference.
    forecast : sum of the log predictive densities of the hidden largest doses; None where no
        exposure has three doses.
    weight : in the averaged answer, from the forecast (from leave-one-out where there is none).
    weight_leave_one_out : by leave-one-out stacking alone.
    left_out : why the law has no weight, in words; "" where it may have.
    doubtful : strips whose leave-one-out weights cannot be trusted.
    """

    law: str
    title: str
    leave_one_out: float | None = None
    behind: float | None = None
    behind_se: float | None = None
    forecast: float | None = None
    weight: float = 0.0
    weight_leave_one_out: float = 0.0
    left_out: str = ""
    doubtful: int = 0

    def to_dict(self) -> dict[str, Any]:
        """Plain types for JSON."""
        from dataclasses import asdict

        return asdict(self)


def hidden_mask(items: Items, number: int) -> np.ndarray:
    """(item,) bool: at the `number` largest doses of exposures that keep at least two others."""
    mask = np.zeros(len(items), dtype=bool)
    for exposure, levels in exposure_levels(items).items():
        if len(levels) < number + 2:
            continue
        mine = (items.exposure == exposure) & (items.dose > 0)
        mask |= mine & (level_of(items.dose, levels) >= levels[-number])
    return mask


def forecast_scores(fit: Fit, items: Items) -> list[np.ndarray]:
    """Log density of the hidden strips of each series, one array a number of hidden doses."""
    found = []
    for number in HIDDEN_DOSES:
        left_out = hidden_mask(items, number)
        if not left_out.any():
            continue
        lighter = replace(fit, settings=replace(fit.settings, draws=500))
        kept = of_whole(refit_without(lighter, left_out, items=items), fit.model)
        density = forecast_density(parts_of(kept, items=items), left_out)
        found.append(np.array([log_mean(v) for v in density.values()]))
    return found


def score_laws(
    fits: Sequence[Fit],
    *,
    forecasts: bool = True,
    strict: bool = True,
    progress: Callable[[str, float], None] | None = None,
) -> tuple[LawScore, ...]:
    """Scores and weights of laws fitted to the same study.

    Parameters
    ----------
    fits : one a law, of one study with the same errors.
    forecasts : hide the largest doses too; by leave-one-out alone otherwise.
    strict : fits that missed their diagnostics get no weight.
    progress : called with a word and the share done.

    Returns
    -------
    tuple of LawScore in the order of the fits.
    """
    rule = rules()
    good = [i for i, f in enumerate(fits) if f.diagnostics.ok or not strict]
    why = {i: f"the sampler missed its limits ({'; '.join(f.diagnostics.problems())})"
           for i, f in enumerate(fits) if i not in good}  # fmt: skip
    loo = {i: leave_one_out(fits[i], refit=False) for i in good}
    best = max(good, key=lambda i: loo[i].total, default=None)
    gaps = {i: _behind(loo[best], loo[i]) for i in good} if best is not None else {}
    for i, (behind, se) in gaps.items():
        if behind > rule["ruled_out"]["value"] and behind > 2 * se:
            why[i] = f"the strips speak against it (log score {behind:.1f} ± {se:.1f} below)"
    stay = [i for i in good if i not in why]
    hidden: dict[int, list[np.ndarray]] = {}
    for i in stay if forecasts else ():
        if progress is not None:
            progress(f"hiding the last doses from {fits[i].law}", i / len(fits))
        hidden[i] = forecast_scores(fits[i], loo[i].items)
    pseudo = rule["pseudo_observations"]["value"]
    plain, weight = np.zeros(len(fits)), np.zeros(len(fits))
    if stay:
        plain[stay] = stacking_weights(np.column_stack([loo[i].elpd for i in stay]), pseudo=pseudo)
        weight[stay] = plain[stay]
        if hidden.get(stay[0]):
            table = [np.column_stack([hidden[i][j] for i in stay])
                     for j in range(len(hidden[stay[0]]))]  # fmt: skip
            weight[stay] = stacking_weights(np.vstack(table), pseudo=pseudo)
    return tuple(
        LawScore(
            law=f.law, title=f.model.law.title,
            leave_one_out=loo[i].total if i in loo else None,
            behind=gaps[i][0] if i in gaps else None,
            behind_se=gaps[i][1] if i in gaps else None,
            forecast=float(sum(a.sum() for a in hidden[i])) if hidden.get(i) else None,
            weight=float(weight[i]), weight_leave_one_out=float(plain[i]),
            left_out=why.get(i, ""), doubtful=loo[i].doubtful if i in loo else 0,
        )
        for i, f in enumerate(fits)
    )  # fmt: skip


def _behind(best: LeaveOneOut, other: LeaveOneOut) -> tuple[float, float]:
    gap = best.elpd - other.elpd
    return float(gap.sum()), float(np.sqrt(gap.size) * gap.std())
