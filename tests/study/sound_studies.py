"""Simulated sound studies: what strips of undamaged tables look like, for the rates of the screens.

Invented throughout: 1 to 3 materials, 1 to 4 lots, 1 or 2 directions, 3 to 7 exposures, 3 to 10
strips a group, a relative scatter of 3 to 12 % at the start that doubles until a quarter is left,
lots that differ, forces written to 0.01, 0.1, 1 or 5 N, and 0 to 2 % of strips blank at random.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

STEPS = (0.01, 0.1, 1.0, 5.0)


@dataclass(frozen=True)
class Sound:
    """One row a strip."""

    material: NDArray
    lot: NDArray
    direction: NDArray
    place: NDArray
    force: NDArray
    text: list[str]
    width: NDArray
    elongation: NDArray
    blank: NDArray
    scatter: float
    step: float

    @property
    def series(self) -> NDArray:
        """Material, lot and direction as one whole number."""
        return (self.material * 100 + self.lot) * 10 + self.direction

    @property
    def group(self) -> NDArray:
        """Series and place as one whole number."""
        _, level = np.unique(self.place, return_inverse=True)
        return self.series * 100 + level


def sound_study(rng: np.random.Generator) -> Sound:
    """One study drawn at random."""
    materials, lots = rng.integers(1, 4), rng.integers(1, 5)
    directions, levels = rng.integers(1, 3), rng.integers(3, 8)
    strips = rng.integers(3, 11)
    shape = (materials, lots, directions, levels, strips)
    index = np.indices(shape).reshape(5, -1)
    material, lot, direction, level, _ = index
    doses = np.concatenate([[0.0], np.sort(rng.choice(np.arange(1, 40), levels - 1, False))]) * 50
    place = doses[level]
    scale = doses[-1] * rng.uniform(0.3, 2.0, materials)[material]
    kept = np.exp(-((place / scale) ** rng.uniform(0.8, 2.5)))
    start = rng.uniform(300, 1500, (materials, directions))[material, direction]
    lot_effect = np.exp(rng.normal(0, 0.06, (materials, lots)))[material, lot]
    scatter = rng.uniform(0.03, 0.12)
    sd = scatter * (1 + np.clip((1 - kept) / 0.75, 0, 1))
    step = float(rng.choice(STEPS))
    force = start * lot_effect * kept * np.exp(rng.normal(0, 1, kept.size) * sd)
    force = np.round(force / step) * step
    places = max(0, round(-np.log10(step)))
    blank = rng.uniform(size=force.size) < rng.uniform(0, 0.02)
    keep = force >= 10 * min(step, 1.0)  # weaker strips would be censored
    width = np.round(rng.normal(50, 0.3, force.size), 1)
    elongation = np.round(40 * np.sqrt(kept) * np.exp(rng.normal(0, 0.1, force.size)), 1)
    text = [f"{v:.{places}f}" for v in force[keep]]
    return Sound(
        material[keep], lot[keep], direction[keep], place[keep], force[keep], text, width[keep],
        elongation[keep], blank[keep], scatter, step,
    )  # fmt: skip
