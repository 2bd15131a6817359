"""Would the study have foretold its own last dose? The largest dose left out and predicted.

A threshold beyond the tested doses is a forecast. The nearest thing to a test of it is to hide the
strips of the largest dose of every exposure, fit the others, and hold the hidden strips against
what the fit foretells for them: lot by lot, with the scatter of strips.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.inference.checking.items import CENSORED, GROUP, STRIP, Items, items_of
from durability.inference.checking.leave_out import at_levels, exposure_levels, of_whole
from durability.inference.checking.pointwise import parts_of
from durability.inference.checking.refit import without
from durability.inference.checking.replicate import drawn_again, found_strength
from durability.inference.fit import fit_model
from durability.inference.sampling import Sampler

if TYPE_CHECKING:
    from durability.inference.checking.pointwise import Parts
    from durability.inference.checking.replicate import Again
    from durability.inference.fitted import Fit
    from durability.inference.model import Errors, Model
    from durability.laws import Law
    from durability.study import Study

SHORT = {"draws": 500, "tune": 200, "chains": 2}
"""Chains of a short check: some 400 effective draws, which tell a limit to two digits."""

FEWEST_DOSES = 3
"""Exposed dose levels that an exposure needs before its last is left out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HiddenGroup:
    """Hidden strips of one lot and direction beside what the other doses foretold.

    Parameters
    ----------
    material, lot, direction, exposure, dose : where; dose is the last of the exposure.
    last_kept : largest dose that was fitted.
    strips : how many were hidden (censored ones included).
    found : retained fraction: their mean over the unexposed strength of the lot (of its unexposed
        strips where there are some, else of the fit).
    predicted, low, high : median and limits of what was foretold for that mean.
    inside : share of the single strips inside the limits for a strip.
    below : probability, by the forecast, of a mean below the one found.
    """

    material: str
    lot: str
    direction: str
    exposure: str
    dose: float
    last_kept: float
    strips: int
    found: float
    predicted: float
    low: float
    high: float
    inside: float
    below: float

    @property
    def held(self) -> bool:
        """The mean found lies inside the limits."""
        return self.low <= self.found <= self.high


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LastDose:
    """The last dose of each exposure, hidden and foretold.

    Parameters
    ----------
    law : of the forecast; level : of its limits.
    rows : one a lot and direction.
    bias : found over predicted, geometric mean over the rows; below 1: the forecast was too
        hopeful.
    bias_low, bias_high : limits that the forecast itself gave for it.
    skipped : exposures of fewer than three doses, with how many they have.
    diagnostics : of the fit without these strips, in words.
    """

    law: str
    level: float
    rows: tuple[HiddenGroup, ...]
    bias: float | None
    bias_low: float | None
    bias_high: float | None
    skipped: dict[str, int]
    diagnostics: str

    @property
    def coverage(self) -> float | None:
        """Share of hidden strips inside the limits for a strip."""
        total = sum(r.strips for r in self.rows)
        return sum(r.strips * r.inside for r in self.rows) / total if total else None

    @property
    def groups_held(self) -> int:
        """Groups whose mean lies inside its limits."""
        return sum(r.held for r in self.rows)

    @property
    def foretold(self) -> bool:
        """The common bias lies inside the limits that the forecast gave."""
        if self.bias is None or self.bias_low is None or self.bias_high is None:
            return False
        return self.bias_low <= self.bias <= self.bias_high

    def verdict(self) -> str:
        """What came of it, in sentences."""
        if not self.rows:
            few = ", ".join(f"{x} has {n}" for x, n in self.skipped.items()) or "none was exposed"
            return f"The last dose is left out where an exposure has three or more: {few}."
        assert self.bias is not None and self.bias_low is not None and self.bias_high is not None
        assert self.coverage is not None
        way = "more" if self.bias >= 1 else "less"
        text = (
            f"Law {self.law}, last dose hidden: {100 * abs(self.bias - 1):.1f} % {way} strength was"
            f" found than foretold (the forecast allowed {100 * (self.bias_low - 1):+.0f} to"
            f" {100 * (self.bias_high - 1):+.0f} %); {self.groups_held} of {len(self.rows)} means"
            f" and {100 * self.coverage:.0f} % of the strips lie inside their"
            f" {100 * self.level:.0f} % limits."
        )
        if not self.foretold:
            text += (
                " That is beyond what the forecast allowed: chance does it once in twenty studies,"
                " else the law does not hold beyond the doses tested."
            )
        return text

    def __repr__(self) -> str:
        lines = [f"LastDose\n  {self.verdict()}"]
        for r in self.rows:
            who = " ".join(filter(None, (r.material, r.lot, r.direction)))
            lines.append(
                f"  {who} at {r.exposure} {r.dose:.4g} (fitted to {r.last_kept:.4g}): found"
                f" {100 * r.found:.1f} %, foretold {100 * r.predicted:.1f} % ({100 * r.low:.1f} to"
                f" {100 * r.high:.1f})"
            )
        return "\n".join(lines)

    def to_dict(self) -> dict[str, Any]:
        """Plain types for JSON."""
        return {
            "law": self.law,
            "level": self.level,
            "verdict": self.verdict(),
            "bias": self.bias,
            "bias_limits": None if self.bias_low is None else [self.bias_low, self.bias_high],
            "coverage_of_strips": self.coverage,
            "means_inside": self.groups_held,
            "groups": [asdict(r) | {"inside_limits": r.held} for r in self.rows],
            "fewer_than_three_doses": self.skipped,
            "diagnostics": self.diagnostics,
        }


def last_dose_check(
    study: Study | Fit | str | Path,
    *,
    law: str | Path | Law | None = None,
    errors: Errors | None = None,
    sampler: Sampler | None = None,
    seed: int = 0,
    level: float | None = None,
    short: bool = False,
) -> LastDose:
    """Hide the strips of the largest dose of every exposure and foretell them from the others.

    Parameters
    ----------
    study : a study, the path of its folder, or a fit (whose law, errors and seed are then taken).
    law, errors, sampler, seed, level : as in `durability.fit`.
    short : chains of `SHORT`, not repeated: enough for two digits.

    Returns
    -------
    LastDose, without rows where no exposure has three dose levels above 0.

    Examples
    --------
    >>> from durability.inference.checking import last_dose_check
    >>> check = last_dose_check("examples/uv-cycles", seed=1)
    >>> check.rows[0].last_kept < check.rows[0].dose
    True
    """
    from durability.inference.build import build_model
    from durability.inference.checking.earlier import one_law, taught_by
    from durability.inference.fitted import Fit
    from durability.retention import with_strength
    from durability.study import read_study

    if isinstance(study, Fit):
        level = level or study.level
        whole, the_study, seed, sampler = study.model, study.study, study.seed, study.settings
    else:
        the_study = read_study(study) if isinstance(study, str | Path) else study
        the_study = with_strength(the_study)
        the_law = one_law(the_study, law)
        whole = taught_by(the_study, build_model(the_study, the_law, errors=errors))
        level = level or the_study.question.level
    items = items_of(whole)
    left_out, skipped = last_doses(items)
    if not left_out.any():
        return LastDose(
            law=whole.law.name, level=level, rows=(), bias=None, bias_low=None, bias_high=None,
            skipped=skipped, diagnostics="nothing was fitted",
        )  # fmt: skip
    if short:
        sampler = replace(sampler or Sampler(), **SHORT)
    kept = fit_model(the_study, without(whole, left_out, items=items), sampler=sampler, seed=seed,
                     level=level, retry=not short)  # fmt: skip
    return judged(kept, whole, items, left_out, skipped, level)


def last_doses(items: Items) -> tuple[np.ndarray, dict[str, int]]:
    """Mask of the items at the last dose of each exposure that has three or more levels.

    Also the exposures that have fewer, with how many.
    """
    levels = exposure_levels(items)
    chosen = {x: lv[-1] for x, lv in levels.items() if len(lv) >= FEWEST_DOSES}
    skipped = {x: len(lv) for x, lv in levels.items() if len(lv) < FEWEST_DOSES}
    return at_levels(items, chosen), skipped


def judged(
    kept: Fit,
    whole: Model,
    items: Items,
    left_out: np.ndarray,
    skipped: dict[str, int],
    level: float,
) -> LastDose:
    """Hold the hidden items against a fit of the others.

    Parameters
    ----------
    kept : fit of `without(whole, left_out)`.
    whole : model of the whole study; items : its items.
    left_out : (item,) bool.
    skipped : exposures that have too few doses.
    level : of limits.
    """
    step = max(1, kept.n_draws // 2000)
    parts = parts_of(of_whole(kept, whole), items=items, step=step)
    again = drawn_again(parts, kept.seed, given=~left_out)
    found = found_strength(whole, items)
    tails = [0.5, 0.5 - level / 2, 0.5 + level / 2]
    seen = left_out & np.isin(items.kind, (STRIP, GROUP, CENSORED)) & (items.series >= 0)
    keys = list(zip(items.material.tolist(), items.lot.tolist(), items.direction.tolist(),
                    items.exposure.tolist(), strict=True))  # fmt: skip
    rows, ratios, allowed = [], [], []
    for key in dict.fromkeys(keys[i] for i in np.flatnonzero(seen)):
        mine = np.flatnonzero(seen & np.array([k == key for k in keys]))
        material, lot, direction, exposure = key
        n = items.n[mine]
        unexposed, seen_unexposed = _unexposed(items, again, parts, found, mine[0])
        drawn = again.strength[:, mine]
        weak = mine[(items.kind[mine] == CENSORED) & (items.sign[mine] < 0)]
        if weak.size:  # what could not be measured counts with its limit, drawn or found
            drawn = np.maximum(drawn, found[weak].max())
        share = (drawn * n).sum(1) / n.sum() / unexposed
        here = float((found[mine] * n).sum() / n.sum() / seen_unexposed)
        middle, low, high = (float(x) for x in np.quantile(share, tails))
        limits = np.quantile(drawn, tails[1:], axis=0)
        inside = (found[mine] >= limits[0]) & (found[mine] <= limits[1])
        rows.append(
            HiddenGroup(
                material=material, lot=lot, direction=direction, exposure=exposure,
                dose=float(items.dose[mine].max()),
                last_kept=float(kept.model.last_dose[(material, exposure)]),
                strips=round(float(n.sum())), found=here, predicted=middle, low=low,
                high=high, inside=float((inside * n).sum() / n.sum()),
                below=float((share < here).mean()),
            )
        )  # fmt: skip
        ratios.append(math.log(max(here, 1e-9) / middle))
        allowed.append(np.log(np.maximum(share, 1e-9) / middle))
    spread = np.quantile(np.mean(allowed, axis=0), tails[1:]) if allowed else (0.0, 0.0)
    return LastDose(
        law=whole.law.name, level=level, rows=tuple(rows),
        bias=math.exp(float(np.mean(ratios))) if ratios else None,
        bias_low=math.exp(float(spread[0])) if ratios else None,
        bias_high=math.exp(float(spread[1])) if ratios else None,
        skipped=skipped, diagnostics=str(kept.diagnostics),
    )  # fmt: skip


def _unexposed(
    items: Items, again: Again, parts: Parts, found: np.ndarray, one: int
) -> tuple[Any, float]:
    """Unexposed strength of the lot of one item: what to divide draws by, and what is found by.

    The mean of its own unexposed strips, which were fitted; without them, the fit's.
    """
    bare = (items.series == items.series[one]) & (items.dose == 0) & items.measured
    if bare.any():
        mean = float(np.average(found[bare], weights=items.n[bare]))
        return mean, mean
    model = parts.fit.model
    retained = np.exp(parts.level[:, items.cell[one]]) if model.on_logs else (
        parts.level[:, items.cell[one]])  # fmt: skip
    start = again.centre[:, one] * retained if model.rises else again.centre[:, one] / retained
    return start, float(np.median(start))
