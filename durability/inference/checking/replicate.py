"""What would the laboratory have found if the model were true? Strips drawn again."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from durability.inference.checking.items import CENSORED, GROUP, STRIP, Items
from durability.inference.checking.pointwise import Parts, specimens_in, start_effects

if TYPE_CHECKING:
    from durability.inference.model import Model

SHOWN = 1000
"""Draws that are enough for predictive limits."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Again:
    """Strengths drawn again (draw, item) for strips, groups and censored strips.

    Parameters
    ----------
    centre : median strength of the item's strips, lot and specimen effects included [unit].
    strength : one strip again; the mean of a group's strips [unit].
    spread : relative sd of the strips of the item.
    freedom : (draw,) degrees of freedom, where tails are long.
    """

    items: Items
    centre: np.ndarray
    strength: np.ndarray
    spread: np.ndarray
    freedom: np.ndarray | None = None


def drawn_again(parts: Parts, seed: int, *, given: np.ndarray | None = None) -> Again:
    """Strips of the same lots at the same doses, drawn once a posterior draw.

    Parameters
    ----------
    parts : of the fit.
    seed : of these draws.
    given : (item,) bool: the effect of each series and specimen is drawn given these; all items
        where left out.
    """
    rng = np.random.default_rng([seed, 5150])
    items, model = parts.items, parts.fit.model
    given = np.ones(len(items), dtype=bool) if given is None else given
    effect = start_effects(parts, rng, given)[:, np.maximum(items.series, 0)]
    effect = effect + _specimen_effects(parts, effect, rng, given)
    h = parts.level[:, items.cell]
    z = rng.standard_normal(h.shape)
    if parts.freedom is not None:  # readings have no long tails
        strips = items.sub < 0
        wide = np.sqrt(parts.freedom / rng.chisquare(parts.freedom, (len(items), len(h)))).T
        z = np.where(strips, z * wide, z)
    shared = np.sqrt(parts.noise**2 / np.maximum(items.n, 1.0) + items.extra)
    each = np.where(items.kind == GROUP, shared, parts.noise)
    if not model.on_logs:
        scale = np.exp(parts.start)
        centre = scale * (1 + effect) * h
        strength = centre + scale * each * z
        spread = scale * parts.noise / np.maximum(np.abs(centre), 1e-12)
    else:
        sign = -1.0 if model.rises else 1.0
        log_centre = parts.start + effect + h
        centre = np.exp(sign * log_centre)
        strength = np.exp(sign * (log_centre + each * z))
        spread = parts.noise
    return Again(
        items=items, centre=centre, strength=strength, spread=spread, freedom=parts.freedom
    )


def _specimen_effects(
    parts: Parts, effect: np.ndarray, rng: np.random.Generator, given: np.ndarray
) -> np.ndarray:
    """Level of each specimen read repeatedly about its series (draw, item); 0 for strips."""
    out = np.zeros(effect.shape)
    items = parts.items
    for members in specimens_in(parts, np.flatnonzero((items.series >= 0) & (items.sub >= 0))):
        told = members[given[members]]
        w = parts.weight[:, told] * parts.lean[:, told] ** 2
        r = parts.weight[:, told] * parts.lean[:, told] * parts.residual[:, told]
        own, a = parts.own_variance[:, members[0]], w.sum(1)
        mean = own * (r.sum(1) - effect[:, members[0]] * a) / (1 + own * a)
        sd = np.sqrt(own / (1 + own * a))
        out[:, members] = (mean + sd * rng.standard_normal(sd.size))[:, None]
    return out


def found_strength(model: Model, items: Items) -> np.ndarray:
    """(item,) strength found [unit]; the limit of a censored strip, nan for looks and words."""
    value = np.where(items.kind == CENSORED, items.limit, items.mean)
    if model.on_logs:
        value = np.exp(np.where(model.rises, -1.0, 1.0) * value)
    return np.where(np.isin(items.kind, (STRIP, GROUP, CENSORED)), value, np.nan)
