"""How were four of the invented studies made? Simulates each from a known truth.

Writes, always the same, into the folder of this script (or the one named on the command line)::

    stabiliser-packages/specimens.csv
    site-cover/specimens.csv
    five-hundred-hours/specimens.csv
    too-early/specimens.csv

Everything is invented: materials, lots, laboratories, readings. (The quarry studies have a script
of their own, ``make_quarry_cover.py``.)

The truth
---------
Strength left after the radiant dose d [kJ/(m² nm) at 340 nm] is R = exp(-ln 2 (d/τ)^k), with the
shape k = 1.5 throughout. τ is the dose of half loss of the median lot, machine direction; it stands
in `STUDIES` below, with the unexposed strength. Cross direction: τ × 0.94, strength × 0.82. Lots:
log τ varies with standard deviation 0.08, log strength with 0.03. Strips: log strength varies with
standard deviation 0.06, width with 0.3 mm. The lamp holds 0.35 W/(m² nm) exactly: a clock hour is
1.26 kJ/(m² nm).

stabiliser-packages has two chambers. Package τ is that of the cooler one. A strip lies 0.6 of the
way from the air's to the black panel's temperature: at 48.2 degC in the cooler, at 61.2 degC in the
warmer. The activation energy is 37.5 kJ/mol, so that the warmer one does the same damage at
1/1.73 of the dose. τ follows the loading to the power 0.6, save that package P3 is 10 % better
than its loading.

Normal deviates are quantiles of `random.random`, whose sequence Python guarantees for a seed.
"""

from __future__ import annotations

import csv
import io
import math
import random
import sys
from dataclasses import dataclass
from pathlib import Path
from statistics import NormalDist

SEED = 4107
SHAPE = 1.5
DOSE_PER_HOUR = 0.35 * 3.6  # [kJ/(m² nm) at 340 nm]
CROSS_TAU, CROSS_STRENGTH = 0.94, 0.82
SMALLEST_FORCE = 15.0  # [N]
LOT_SD_TAU, LOT_SD_STRENGTH, STRIP_SD = 0.08, 0.03, 0.06
ACTIVATION_ENERGY, GAS_CONSTANT = 37.5, 8.314e-3  # [kJ/mol], [kJ/(mol K)]
COOLER, WARMER = 273.15 + 48.2, 273.15 + 61.2  # [K], a strip in the dry light
WARM_FACTOR = math.exp(-ACTIVATION_ENERGY / GAS_CONSTANT * (1 / COOLER - 1 / WARMER))
HEADER = (
    "material", "lot", "direction", "exposure", "hours", "specimen", "peak_force [N]", "width [mm]",
    "censored",
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Truth:
    """What is true of one study.

    Parameters
    ----------
    tau : dose of half loss of the median lot, machine direction, by material [kJ/(m² nm)].
    strength : unexposed, median lot, machine direction, by material [kN/m].
    lots : of each material.
    directions : in which strips were cut.
    exposures : name to factor on tau.
    hours : of the withdrawals.
    strips : at each withdrawal; twice as many unexposed.
    waiting : hours of withdrawals still to come, listed without a result.
    """

    tau: dict[str, float]
    strength: dict[str, float]
    lots: int
    directions: tuple[str, ...]
    exposures: dict[str, float]
    hours: tuple[int, ...]
    strips: int = 5
    waiting: tuple[int, ...] = ()


STUDIES = {
    "stabiliser-packages": Truth(
        tau={
            "P1": 600.0,
            "P2": 600.0 * 2**0.6,  # 909
            "P3": 600.0 * 4**0.6 * 1.1,  # 1516
            "P4": 600.0 * 8**0.6,  # 2089
        },
        strength={"P1": 18.0, "P2": 18.0, "P3": 18.0, "P4": 18.0},
        lots=2,
        directions=("machine",),
        exposures={"cooler": 1.0, "warmer": WARM_FACTOR},
        hours=(400, 800, 1200),
    ),
    "site-cover": Truth(
        tau={"light": 700.0, "heavy": 1500.0},
        strength={"light": 14.0, "heavy": 26.0},
        lots=3,
        directions=("machine", "cross"),
        exposures={"X1": 1.0},
        hours=(300, 600, 1000, 1500),
    ),
    "five-hundred-hours": Truth(
        tau={"F": 900.0},
        strength={"F": 16.0},
        lots=2,
        directions=("machine", "cross"),
        exposures={"X1": 1.0},
        hours=(150, 300, 400, 500),
        waiting=(800,),
    ),
    "too-early": Truth(
        tau={"E": 20_000.0},
        strength={"E": 22.0},
        lots=1,
        directions=("machine",),
        exposures={"X1": 1.0},
        hours=(100, 200),
    ),
}


def left(dose: float, tau: float) -> float:
    """Fraction of the unexposed strength that is left."""
    return math.exp(-math.log(2) * (dose / tau) ** SHAPE)


def normal(draw: random.Random, mean: float, sd: float) -> float:
    """One normal deviate."""
    return NormalDist(mean, sd).inv_cdf(draw.random())


def strips(truth: Truth, draw: random.Random) -> list[tuple[object, ...]]:
    """One row a strip, in the order of `HEADER`."""
    rows: list[tuple[object, ...]] = []
    first = next(iter(truth.exposures))
    places = [(first, 0), *((x, h) for x in truth.exposures for h in truth.hours)]
    for material, tau_median in truth.tau.items():
        for number in range(1, truth.lots + 1):
            tau_lot = tau_median * math.exp(normal(draw, 0, LOT_SD_TAU))
            strength_lot = truth.strength[material] * math.exp(normal(draw, 0, LOT_SD_STRENGTH))
            for direction in truth.directions:
                cross = direction == "cross"
                tau = tau_lot * (CROSS_TAU if cross else 1)
                start = strength_lot * (CROSS_STRENGTH if cross else 1)
                for exposure, hours in places:
                    share = left(hours * DOSE_PER_HOUR, tau * truth.exposures[exposure])
                    for specimen in range(1, truth.strips * (1 if hours else 2) + 1):
                        width = round(normal(draw, 50, 0.3), 1)
                        strength = start * share * math.exp(normal(draw, 0, STRIP_SD))
                        force = round(strength * width, 1)
                        weak = force < SMALLEST_FORCE
                        rows.append(
                            (
                                material, f"{material}-{number}", direction, exposure, hours,
                                specimen, SMALLEST_FORCE if weak else force, width,
                                "below" if weak else "",
                            )
                        )  # fmt: skip
                lot = f"{material}-{number}"
                rows += [
                    (material, lot, direction, first, hours, specimen, "", "", "")
                    for hours in truth.waiting
                    for specimen in range(1, truth.strips + 1)
                ]
    return rows


def write(folder: Path) -> None:
    """Write the table of every study under `folder`."""
    for name, truth in STUDIES.items():
        text = io.StringIO()
        writer = csv.writer(text, lineterminator="\n")
        writer.writerow(HEADER)
        writer.writerows(strips(truth, random.Random(f"{SEED} {name}")))
        (folder / name).mkdir(parents=True, exist_ok=True)
        (folder / name / "specimens.csv").write_text(
            text.getvalue(), encoding="utf-8", newline="\n"
        )


if __name__ == "__main__":
    write(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).resolve().parent)
