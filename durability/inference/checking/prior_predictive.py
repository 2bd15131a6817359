"""What did the model believe before it saw a strip? Curves and numbers drawn from the priors.

On scales that a chemist can judge: strength left against dose, threshold dose, loss per 100 units
of dose, ratio between lots, scatter of strips; beside them, where a fit is given, what it believes
after the strips.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.inference.model import priors

if TYPE_CHECKING:
    from durability.inference.fitted import Fit
    from durability.inference.model import Errors, Model
    from durability.laws import Law
    from durability.study import Study

STEP = 100.0
"""Loss is told for this many units of a radiant dose, for a tenth of the last dose otherwise."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Belief:
    """One quantity before and after the strips.

    Parameters
    ----------
    subject : material, or material and exposure.
    quantity : in words; unit : of all numbers.
    median, low, high : before the strips, with 95 % limits.
    after : (median, low, high) after them, or None.
    reason : of the prior.
    """

    subject: str
    quantity: str
    unit: str
    median: float
    low: float
    high: float
    after: tuple[float, float, float] | None
    reason: str

    def words(self) -> str:
        """In one line."""
        unit = "" if self.unit == "1" else f" {self.unit}"
        text = f"{self.subject}: {self.quantity} {self.median:.3g}{unit}"
        text += f" (95 %: {self.low:.3g} to {self.high:.3g})"
        if self.after is not None:
            middle, low, high = self.after
            text += f"; after the strips {middle:.3g} ({low:.3g} to {high:.3g})"
        return text


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PriorPredictive:
    """What the priors say of a study.

    Parameters
    ----------
    law : of the model; rows : see `Belief`.
    doses : (dose,) of each (material, exposure) [unit of the exposure].
    curves : (draw, dose) fraction left of the median lot of each.
    found : (dose, fraction left) of the strips of each, by their own unexposed strips; empty where
        there are none.
    units : of dose, by exposure.
    """

    law: str
    rows: tuple[Belief, ...]
    doses: dict[tuple[str, str], np.ndarray]
    curves: dict[tuple[str, str], np.ndarray]
    found: dict[tuple[str, str], tuple[np.ndarray, np.ndarray]]
    units: dict[str, str]

    def __repr__(self) -> str:
        return "\n".join(
            [f"PriorPredictive, law {self.law}", *(f"  {r.words()}" for r in self.rows)]
        )

    def to_dict(self) -> dict[str, Any]:
        """Plain types for JSON."""
        return {"law": self.law, "beliefs": [asdict(r) for r in self.rows]}


def prior_predictive(
    study: Study | Fit | str | Path,
    *,
    law: str | Path | Law | None = None,
    errors: Errors | None = None,
    draws: int = 4000,
    seed: int = 0,
) -> PriorPredictive:
    """Draw from the priors of a study's model.

    Parameters
    ----------
    study : a study, the path of its folder, or a fit: then what it believes after the strips stands
        beside.
    law, errors : as in `durability.fit`.
    draws, seed : of the priors.

    Returns
    -------
    PriorPredictive

    Examples
    --------
    >>> from durability.inference.checking import prior_predictive
    >>> belief = prior_predictive("examples/uv-cycles", law="exponential").rows[0]
    >>> belief.low < belief.median < belief.high
    True
    """
    from durability.inference.build import build_model
    from durability.inference.checking.earlier import one_law, taught_by
    from durability.inference.fitted import Fit
    from durability.retention import with_strength
    from durability.study import read_study

    after: Fit | None = None
    if isinstance(study, Fit):
        after, the_study, model = study, study.study, study.model
    else:
        the_study = read_study(study) if isinstance(study, str | Path) else study
        the_study = with_strength(the_study)
        the_law = one_law(the_study, law)
        model = taught_by(the_study, build_model(the_study, the_law, errors=errors))
    book = changed_book(model)
    rng = np.random.default_rng([seed, 4242])
    rows: list[Belief] = []
    doses, curves, found = {}, {}, {}
    seen: set[tuple[str, str]] = set()
    for material, direction, exposure in model.conditions:
        if (material, exposure) in seen:
            continue
        seen.add((material, exposure))
        shape, scale = _drawn(model, material, exposure, draws, rng)
        last = float(model.last_dose[(material, exposure)])
        grid = np.linspace(0, 1.5 * last, 121)
        curve = model.law.retained(grid / scale[:, None], {k: v[:, None] for k, v in shape.items()})
        curve = 1 / curve if model.rises else curve
        doses[material, exposure], curves[material, exposure] = grid, curve
        found[material, exposure] = found_fractions(model, material, exposure)
        unit = the_study.exposures[exposure].dose_unit
        radiant = the_study.exposures[exposure].is_radiant and "nm" in unit.split(" at ")[0]
        step = STEP if radiant and last > STEP else last / 10
        tau = scale * model.law.crossings(model.fraction, shape)[0]
        loss = 1 - model.law.retained(step / scale, shape)
        who = f"{material}, {exposure}"
        where: dict[str, Any] = {"material": material, "direction": direction,
                                 "exposure": exposure, "of": "mean"}  # fmt: skip
        later = later_loss = None
        if after is not None:
            asked = 1 / model.fraction if model.rises else model.fraction
            later = after.threshold_draws(asked, **where)
            left = after.retained_draws(step, **where)[:, 0]
            later_loss = 1 - (1 / left if model.rises else left)
        reason = book["threshold_dose"]["reason"]
        share = f"dose at which {100 * model.fraction:g} % is left"
        rows.append(_belief(who, share, unit, tau, later, reason))
        words = f"loss in the first {step:.3g} {unit}"
        rows.append(_belief(who, words, "%", 100 * loss,
                            None if later_loss is None else 100 * later_loss,
                            "follows from the priors of threshold dose and shape"))  # fmt: skip
    rows += _spreads(model, book, after, draws, rng)
    return PriorPredictive(
        law=model.law.name, rows=tuple(rows), doses=doses, curves=curves, found=found,
        units={n: x.dose_unit for n, x in the_study.exposures.items()},
    )  # fmt: skip


def changed_book(model: Model) -> dict[str, Any]:
    """The priors of a model: models/priors.toml, with what earlier studies changed."""
    with model.own_priors():
        return priors()


def _drawn(
    model: Model, material: str, exposure: str, draws: int, rng: np.random.Generator
) -> tuple[dict[str, np.ndarray], np.ndarray]:
    """Shapes and scale of the median lot, drawn from the priors."""
    main = model.mains.index((material, model.families[exposure]))
    mean, sd = model.main_prior[main]
    level = mean + sd * rng.standard_normal(draws)
    shape = {
        s.name: s.median * np.exp(s.sd_log * rng.standard_normal(draws)) for s in model.law.shapes
    }
    base = model.law.half_loss(shape) if model.half_loss else model.law.inverse(
        model.fraction, shape)  # fmt: skip
    return shape, np.exp(level) / base


def _spreads(
    model: Model, book: dict[str, Any], after: Fit | None, draws: int, rng: np.random.Generator
) -> list[Belief]:
    """Scatter of strips, ratios between lots and the like, and the law's shapes."""
    z = rng.standard_normal(draws)
    post = None if after is None else after.posterior
    rows = []

    def later(name: str, place: int | None = None) -> np.ndarray | None:
        if post is None or name not in post:
            return None
        values = post[name].values
        return (values if place is None else values[..., place]).ravel()

    for i, material in enumerate(model.materials):
        for s in model.law.shapes:
            rows.append(
                _belief(material, f"shape {s.name} ({s.meaning.split(':')[0]})", s.unit,
                        s.median * np.exp(s.sd_log * z), later(f"shape_{s.name}", i), s.reason)
            )  # fmt: skip
        for name, words in (
            ("strip_spread", "coefficient of variation of strips of one lot at one dose"),
            ("reading_spread", "coefficient of variation of readings of one specimen"),
        ):
            if name == "reading_spread" and model.reading_index[i] < 0:
                continue
            p = book[name]
            place = i if name == "strip_spread" else int(model.reading_index[i])
            drawn = p["median"] * np.exp(p["sd_log"] * z)
            told = later(name, place)
            rows.append(_belief(material, words, "%", 100 * drawn,
                                None if told is None else 100 * told, p["reason"]))  # fmt: skip
    for group in model.groups:
        p = book[f"{group}_spread_of_threshold"]
        told = later(f"{group}_spread_of_threshold")
        one = group.replace("_of_", " of a ")
        rows.append(_ratio(f"threshold dose of one {one} over another's", p, z, told))
    if model.start_known is None:
        p = book["lot_spread_of_strength"]
        told = later("lot_spread_of_strength")
        rows.append(_ratio("unexposed strength of one lot over another's", p, z, told))
    return rows


def _ratio(words: str, prior: dict[str, Any], z: np.ndarray, after: np.ndarray | None) -> Belief:
    """The factor that two lots stay within in two cases of three: sqrt(2) spreads, one sd."""
    reach = math.sqrt(2)
    told = None if after is None else np.exp(reach * after)
    return _belief("all materials", f"{words} (within this factor in two pairs of three)", "1",
                   np.exp(reach * prior["scale"] * np.abs(z)), told, prior["reason"])  # fmt: skip


def _belief(
    subject: str, quantity: str, unit: str, before: np.ndarray, after: Any, reason: str
) -> Belief:
    def three(values: Any) -> tuple[float, float, float]:
        known = np.asarray(values, dtype=float)
        known = known[np.isfinite(known)]
        middle, low, high = np.quantile(known, [0.5, 0.025, 0.975]) if known.size else [0.0] * 3
        return float(middle), float(low), float(high)

    middle, low, high = three(before)
    return Belief(
        subject=subject, quantity=quantity, unit=unit, median=middle, low=low, high=high,
        after=None if after is None else three(after), reason=reason,
    )  # fmt: skip


def found_fractions(
    model: Model, material: str, exposure: str, direction: str | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """(dose, fraction left) of strips, by the mean of the unexposed strips of their series."""
    from durability.inference.checking.items import items_of
    from durability.inference.checking.replicate import found_strength

    items = items_of(model)
    strength = found_strength(model, items)
    mine = (items.material == material) & (items.exposure == exposure) & (items.dose > 0)
    if direction is not None:
        mine &= items.direction == direction
    dose, left = [], []
    for i in np.flatnonzero(mine & items.measured):
        bare = (items.series == items.series[i]) & (items.dose == 0) & items.measured
        start = strength[bare].mean() if bare.any() else (
            100.0 if model.start_known is not None else np.nan)  # fmt: skip
        if np.isfinite(start):
            dose.append(items.dose[i])
            left.append(strength[i] / start)
    return np.array(dose), np.array(left)
