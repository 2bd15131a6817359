"""How does a map grow? Cells a second over one and two workers, and memory as the map grows.

    uv run --extra spread python benchmarks/map_workers.py
    uv run --extra spread --with distributed python benchmarks/map_workers.py cluster

An invented climate of hours or months, made chunk by chunk, 400 draws x 12 days of laying. Each
run is a process of its own, so that its largest memory is its own. Two workers are judged by the
clock, so run it on an idle machine; the load is printed. ``cluster`` starts a local cluster and
hands its address to the same call.
"""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
import xarray

from durability.statement import Statements
from durability.study.model import Exposure, Material, Question, Segment, Study
from durability.translation.days_map import days_map

DRAWS = 400
HOURS_A_CHUNK, MONTHS_A_CHUNK = 25, 250
"""Cells in a chunk."""


class InventedFit:
    """Posterior draws given by hand, in the shape in which a translation reads a fit."""

    law, level, seed, materials = "stretched-exponential", 0.95, 1, ("A",)

    def __init__(self) -> None:
        lamp = Exposure(
            name="X1", irradiance=0.35, band="340 nm", irradiance_uncertainty=0.05,
            dose_unit="kJ/(m² nm) at 340 nm",
            cycle=(Segment(minutes=90, light=True, black_panel=65.0, air=40.0),),
        )  # fmt: skip
        self.study = Study(
            folder=Path(), title="invented", property="strip tensile strength", unit="kN/m",
            thresholds=(0.5,), rows=xarray.Dataset(), exposures={"X1": lamp},
            materials={"A": Material(name="A")}, question=Question(), invented=True,
        )  # fmt: skip
        rng = np.random.default_rng(1)
        self.tau = 900 * np.exp(0.2 * rng.standard_normal(DRAWS))
        self.clock = {
            "reciprocity_exponent": rng.uniform(0.7, 1.0, DRAWS),
            "activation_energy": rng.normal(35, 8, DRAWS),
        }

    def directions(self, material: str) -> tuple[str, ...]:
        return ("machine",)

    def exposures(self, material: str) -> tuple[str, ...]:
        return ("X1",)

    def threshold_draws(self, fraction: float | None, **subject: object) -> np.ndarray:
        return self.tau

    def clock_draws(self, material: str) -> dict[str, np.ndarray]:
        return self.clock

    def last_dose(self, material: str, exposure: str) -> float:
        return 630.0

    def statements(self) -> Statements:
        return Statements()


def climate(axis: str, cells: int) -> xarray.Dataset:
    """An invented grid of chunks that are made when they are asked for."""
    import dask.array as da

    steps = {"time": 8760, "month": 12}[axis]
    chunk = HOURS_A_CHUNK if axis == "time" else MONTHS_A_CHUNK
    columns = chunk
    rows = max(1, cells // columns)

    def light(block_info: Any = None) -> np.ndarray:
        shape = block_info[None]["chunk-shape"]
        at = np.arange(steps)
        if axis == "month":
            one = 200 + 60 * np.cos(2 * np.pi * (at - 5.5) / 12)
        else:
            up = np.maximum(np.sin(2 * np.pi * (at % 24 - 6) / 24), 0.0)
            one = 600 * up * (1 + 0.3 * np.cos(2 * np.pi * (at / 8760 - 0.47)))
        return np.broadcast_to(one, shape).copy()

    chunks = ((1,) * rows, (columns,), (steps,))
    ghi = da.map_blocks(light, chunks=chunks, dtype=float)
    air = da.full((rows, columns, steps), 15.0, chunks=chunks)
    dims = ("latitude", "longitude", axis)
    return xarray.Dataset(
        {"ghi": (dims, ghi), "temp_air": (dims, air)},
        coords={
            "latitude": np.linspace(-40, 55, rows),
            "longitude": np.linspace(0, 60, columns),
        },
    )


def one(axis: str, cells: int, workers: int, cluster: str = "") -> None:
    """Draw one map and print what it took."""
    import dask

    fit, grid = InventedFit(), climate(axis, cells)
    days_map(fit, climate(axis, 1).isel(latitude=[0]).load(), draws=DRAWS)  # warm
    wall, cpu = time.perf_counter(), time.process_time()
    with dask.config.set(num_workers=workers):
        found = days_map(fit, grid, draws=DRAWS, cluster=cluster or None)
    wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(json.dumps({
        "cells": int(found["days"].size / 12), "wall": wall, "cpu": cpu, "peak": peak,
        "days": float(found["days"].median()),
    }))  # fmt: skip


def run(axis: str, cells: int, workers: int, cluster: str = "") -> dict[str, Any]:
    """`one` in a process of its own."""
    made = subprocess.run(
        [sys.executable, __file__, "one", axis, str(cells), str(workers), cluster],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    return json.loads(made.stdout)


def show(label: str, x: dict[str, Any]) -> None:
    """One line."""
    print(f"{label:<34} {x['cells']:>7} cells {x['wall']:7.1f} s {x['cells'] / x['wall']:6.0f} a "
          f"second, {x['cells'] / max(x['cpu'], 1e-9):6.0f} a second of processor, largest memory "
          f"{x['peak']:.0f} MB, load {os.getloadavg()[0]:.1f}", flush=True)  # fmt: skip


def main() -> None:
    """Workers, then growth."""
    for axis, cells in (("month", 6000), ("time", 3000)):
        speed = []
        for workers in (1, 2):
            x = run(axis, cells, workers)
            speed.append(x["cells"] / x["wall"])
            show(f"cells by {axis}, {workers} worker(s)", x)
        print(f"  efficiency from one to two: {100 * speed[1] / speed[0] / 2:.0f} %")
    for axis, sizes in (("month", (2000, 8000, 32000)), ("time", (500, 2000, 8000))):
        for cells in sizes:
            show(f"growing, cells by {axis}", run(axis, cells, 2))


def clustered() -> None:
    """The same call with the address of a scheduler."""
    from distributed import LocalCluster  # pyright: ignore[reportMissingImports]

    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as workers:
        here = run("month", 2000, 2)
        there = run("month", 2000, 2, workers.scheduler_address)
    show("cells by month, here", here)
    show("cells by month, local cluster", there)
    print(f"same median of days: {here['days'] == there['days']}")


if __name__ == "__main__":
    if sys.argv[1:2] == ["one"]:
        axis, cells, workers = sys.argv[2:5]
        one(axis, int(cells), int(workers), *sys.argv[5:])
    elif sys.argv[1:2] == ["cluster"]:
        clustered()
    else:
        main()
