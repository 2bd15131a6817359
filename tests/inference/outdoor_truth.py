"""Simulated studies of strips under a lamp and in the open, whose truth is known. Invented."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from durability.inference.clock_terms import MaterialClock, material_clock
from durability.study import Study, read_study

LAMP_HOURS = (0, 150, 300, 500, 800)
DAYS = (30, 60, 120, 240)
SITES = {"roof": ("miami", "2031-05-14"), "desert": ("phoenix", "2031-11-01")}
HEAD = """\
[study]
title = "Lamp and roofs"
property = "strip tensile strength"
unit = "kN/m"
thresholds = [0.5]
invented = true
[data]
specimens = "specimens.csv"
[exposures.X1]
lamp = "xenon-daylight"
[materials.A]
polymer = "polypropylene"
"""


@dataclass(frozen=True)
class Simulated:
    """A study, its clock and the truth behind it."""

    study: Study
    clock: MaterialClock
    values: np.ndarray
    threshold: float

    def log_dose(self, exposure: str, dose: list[float]) -> np.ndarray:
        """Log effective dose (dose,) by the true clock."""
        return self.clock.log_dose(exposure, np.array(dose, dtype=float), self.values)[0]


def simulated(
    folder: Path,
    seed: int,
    *,
    threshold: float = 900.0,
    shape: float = 1.2,
    lots: int = 2,
    strips: int = 4,
    lot_spread: float = 0.1,
    scatter: float = 0.06,
    sites: dict[str, tuple[str, str]] | None = None,
    values: dict[str, float] | None = None,
    unknown: float = 0.0,
    wetness: bool = False,
    unseen: tuple[str, ...] = (),
) -> Simulated:
    """A study in a folder: a stretched exponential law, log-normal lots and scatter.

    Parameters
    ----------
    values : parameters of the clock that are not drawn from their priors, by label.
    unknown : added to the log effective dose of every strip in the open.
    wetness : whether the study counts wet hours, and the truth with it.
    unseen : sites whose strips are left out of the study, though the truth knows their clock.
    """
    sites = SITES if sites is None else sites
    rng = np.random.default_rng(seed)
    names = [f"L{i}" for i in range(lots)]
    plan = [(lot, "X1", t) for lot in names for t in LAMP_HOURS]
    plan += [(lot, x, d) for lot in names for x in sites for d in DAYS]
    whole = [(*cell, i, 10.0) for cell in plan for i in range(strips)]
    _write(folder, sites, whole, wetness)
    clock = material_clock(read_study(folder), "A")
    drawn = clock.prior_draws(1, rng)
    for label, number in (values or {}).items():
        drawn[0, [c.label for c in clock.parameters].index(label)] = number
    effect = dict(zip(names, rng.normal(0, lot_spread, lots), strict=True))
    start = dict(zip(names, rng.normal(math.log(20), 0.05, lots), strict=True))
    rows = []
    for lot, x, t in plan:
        log_left = 0.0
        if t:
            dose = 1.26 * t if x == "X1" else float(t)  # 0.35 W/(m² nm) for an hour: 1.26 kJ
            log_dose = clock.log_dose(x, np.array([dose]), drawn)[0, 0]
            log_dose += 0.0 if x == "X1" else unknown
            log_left = -math.log(2) * math.exp(
                shape * (log_dose - math.log(threshold) - effect[lot])
            )
        for i in range(strips):
            rows.append((lot, x, t, i, math.exp(start[lot] + log_left + rng.normal(0, scatter))))
    seen = {name: site for name, site in sites.items() if name not in unseen}
    _write(folder, seen, [row for row in rows if row[1] not in unseen], wetness)
    return Simulated(read_study(folder), clock, drawn, threshold)


def _write(
    folder: Path, sites: dict[str, tuple[str, str]], rows: list[tuple], wetness: bool
) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    text = HEAD + ("[question]\nwetness = true\n" if wetness else "")
    for name, (site, day) in sites.items():
        text += f'[exposures.{name}]\nlamp = "outdoor"\nsite = "{site}"\nlaid = {day}\n'
    (folder / "study.toml").write_text(text)
    lines = ["material,lot,exposure,hours,dose,specimen,strength"]
    for lot, x, t, i, strength in rows:
        place = f"{t}," if x == "X1" else f",{t}"
        lines.append(f"A,{lot},{x},{place},{i},{max(strength, 1e-6):.6g}")
    (folder / "specimens.csv").write_text("\n".join(lines) + "\n")
