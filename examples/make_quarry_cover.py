"""How were the quarry studies made? Simulates an invented laboratory series from a known truth.

Writes, always the same, into the folder of this script (or the one named on the command line)::

    quarry-cover/specimens.csv, quarry-cover/chamber_X1.csv
    quarry-cover-spreadsheet/strips.xlsx, quarry-cover-spreadsheet/chamber_X1.csv

Everything is invented: materials, lots, laboratory, readings.

The truth
---------
Strength left after the delivered radiant dose d [kJ/(m² nm) at 340 nm] is R = exp(-ln 2 (d/τ)^k),
a stretched exponential of shape k = 1.5 in every lot and direction, with

=========  ============================  ===========================  ==========================
material   τ of the median lot, machine  unexposed strength, machine  cross against machine
=========  ============================  ===========================  ==========================
A          1320                          20.0 kN/m                    τ × 0.94, strength × 0.82
B          660                           18.0 kN/m                    τ × 0.94, strength × 0.82
=========  ============================  ===========================  ==========================

Lots: log τ varies with standard deviation 0.10, log strength with 0.03. Strips: log strength varies
with standard deviation 0.08. The chamber delivers 0.98 times the set 0.35 W/(m² nm), and stood dark
for 14 hours after hour 700; doses are the integral of its record, so 1500 clock hours are not
1500 × 0.35 × 3.6 = 1890 kJ/(m² nm).

Laid over the simulation by hand, as a laboratory would have it: groups of four and of six strips,
one strip excluded for a reason, one jaw break that read low. A force under 15 N cannot be
measured (the strip breaks while it is mounted): one strip of material B falls under it. The seed
was chosen so that it is one.

Normal deviates are quantiles of `random.random`, whose sequence Python guarantees for a seed.
"""

from __future__ import annotations

import csv
import io
import math
import random
import sys
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path
from statistics import NormalDist

SEED = 263
SHAPE = 1.5
TAU = {"A": 1320.0, "B": 660.0}  # [kJ/(m² nm) at 340 nm], median lot, machine direction
STRENGTH = {"A": 20.0, "B": 18.0}  # [kN/m], median lot, machine direction
CROSS_TAU, CROSS_STRENGTH = 0.94, 0.82
LOT_SD_TAU, LOT_SD_STRENGTH, STRIP_SD = 0.10, 0.03, 0.08
LOTS = {"A": ("A1", "A2", "A3"), "B": ("B1", "B2", "B3")}
HOURS = (0, 150, 300, 600, 1000, 1500)
SMALLEST_FORCE = 15.0  # [N]
SET_POINT, DELIVERED = 0.35, 0.98  # [W/(m² nm)], 1
DARK = (700.0, 714.0)  # [h]
COUNTS = {  # strips in groups that have not five
    ("A", "A1", "machine", 0): 6,
    ("A", "A2", "cross", 300): 4,
    ("A", "A3", "machine", 1500): 6,
    ("B", "B1", "cross", 0): 6,
    ("B", "B2", "machine", 600): 4,
    ("B", "B3", "cross", 1000): 4,
}
EXCLUDED = {("A", "A2", "machine", 600, 3): "cut at a slant; edge threads missing"}
JAW_BREAKS = {("B", "B1", "machine", 300, 2): 0.62}  # share of its strength at which it broke
HEADER = (
    "material", "lot", "direction", "exposure", "hours", "specimen", "peak_force [N]",
    "width [mm]", "break_at", "censored", "excluded",
)  # fmt: skip
START = datetime(2025, 1, 13, 8, 0)
NOTE = "Strips of the first series; widths read with a ruler, force cell of 2 kN"


def normal(draw: random.Random, mean: float, sd: float) -> float:
    """One normal deviate."""
    return NormalDist(mean, sd).inv_cdf(draw.random())


def chamber(draw: random.Random) -> list[tuple[datetime, float, float, float, float]]:
    """The log, every 30 min: time, irradiance [W/(m² nm)], panel, air [degC], humidity [%]."""
    rows = []
    for step in range(2 * HOURS[-1] + 1):
        hour = step / 2
        spray = step % 4 == 3
        dark = DARK[0] <= hour < DARK[1]
        panel, air, humidity = (44, 36, 92) if spray else (65, 40, 50)
        if dark:
            panel, air, humidity = 24, 23, 48
        irradiance = 0.0 if dark else normal(draw, SET_POINT * DELIVERED, 0.004)
        rows.append(
            (
                START + timedelta(hours=hour),
                round(irradiance, 4),
                round(normal(draw, panel, 0.7), 1),
                round(normal(draw, air, 0.5), 1),
                round(min(normal(draw, humidity, 1.5), 100.0), 0),
            )
        )
    return rows


def delivered(log: list[tuple[datetime, float, float, float, float]]) -> dict[int, float]:
    """Dose [kJ/(m² nm)] at each of `HOURS`, by the trapezoid rule."""
    doses, total = {0: 0.0}, 0.0
    for (_, before, *_), (now, after, *_) in pairwise(log):
        total += 0.5 * (before + after) / 2 * 3.6
        hour = (now - START).total_seconds() / 3600
        if hour in HOURS:
            doses[int(hour)] = total
    return doses


def strips(draw: random.Random, doses: dict[int, float]) -> list[tuple[object, ...]]:
    """One row a strip, in the order of `HEADER`; None is a blank."""
    rows: list[tuple[object, ...]] = []
    for material, lots in LOTS.items():
        for lot in lots:
            tau_lot = TAU[material] * math.exp(normal(draw, 0, LOT_SD_TAU))
            strength_lot = STRENGTH[material] * math.exp(normal(draw, 0, LOT_SD_STRENGTH))
            for direction in ("machine", "cross"):
                tau = tau_lot * (CROSS_TAU if direction == "cross" else 1)
                start = strength_lot * (CROSS_STRENGTH if direction == "cross" else 1)
                for hours in HOURS:
                    left = math.exp(-math.log(2) * (doses[hours] / tau) ** SHAPE)
                    for specimen in range(1, COUNTS.get((material, lot, direction, hours), 5) + 1):
                        name = (material, lot, direction, hours, specimen)
                        width = round(normal(draw, 50, 0.3), 1)
                        strength = start * left * math.exp(normal(draw, 0, STRIP_SD))
                        force = round(strength * width * JAW_BREAKS.get(name, 1), 2)
                        weak = force < SMALLEST_FORCE
                        rows.append(
                            (
                                material, lot, direction, "X1", hours, specimen,
                                SMALLEST_FORCE if weak else force, width,
                                "jaw" if name in JAW_BREAKS else None,
                                "below" if weak else None,
                                EXCLUDED.get(name),
                            )
                        )  # fmt: skip
    return rows


def as_csv(header: tuple[str, ...], rows: list[tuple[object, ...]]) -> str:
    """Comma-separated text with line feeds."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(header)
    writer.writerows(["" if cell is None else cell for cell in row] for row in rows)
    return text.getvalue()


def write_spreadsheet(file: Path, rows: list[tuple[object, ...]]) -> None:
    """The same strips as typed: widths as text with a decimal comma, a note under the table."""
    import openpyxl

    book = openpyxl.Workbook()
    sheet = book.worksheets[0]
    sheet.title = "strips"
    sheet.append(HEADER)
    for row in rows:
        sheet.append([str(c).replace(".", ",") if i == 7 else c for i, c in enumerate(row)])
    sheet.append([])
    sheet.append([NOTE])
    book.properties.creator = ""
    book.properties.created = START
    book.save(file)


def write(folder: Path) -> None:
    """Write the four files under `folder`."""
    draw = random.Random(SEED)
    log = chamber(draw)
    rows = strips(draw, delivered(log))
    record = as_csv(
        ("time", "irradiance [W/m^2/nm]", "black_panel [degC]", "air [degC]", "humidity [%]"),
        [(t.isoformat(timespec="minutes"), f"{e:.4f}", p, a, f"{h:.0f}") for t, e, p, a, h in log],
    )
    for name in ("quarry-cover", "quarry-cover-spreadsheet"):
        (folder / name).mkdir(parents=True, exist_ok=True)
        (folder / name / "chamber_X1.csv").write_text(record, encoding="utf-8", newline="\n")
    (folder / "quarry-cover" / "specimens.csv").write_text(
        as_csv(HEADER, rows), encoding="utf-8", newline="\n"
    )
    write_spreadsheet(folder / "quarry-cover-spreadsheet" / "strips.xlsx", rows)


if __name__ == "__main__":
    write(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).resolve().parent)
