"""How does a map grow? Cells a second over one and two workers, and memory as the map grows.

    uv run --extra spread python benchmarks/map_workers.py [times]
    uv run --extra spread --with distributed python benchmarks/map_workers.py cluster

An invented climate of hours or months, made chunk by chunk, 400 draws x 12 days of laying. Each
run is a process of its own, so that its largest memory is its own. One worker and two are run in
turn, so many times, and beside each plain NumPy in one process and in two: what two workers make of
the machine is to be held against what two processes make of it that share nothing, at the load that
is printed. ``cluster`` starts a local cluster and hands its address to the same call.
"""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
import time
from typing import Any

import numpy as np
import xarray

from durability.study.model import Exposure, Segment
from durability.translation.days_map import days_map
from durability.translation.given import GivenThreshold, given_study

DRAWS = 400
HOURS_A_CHUNK, MONTHS_A_CHUNK = 50, 500
"""Cells in a chunk."""


def invented() -> GivenThreshold:
    """Invented draws of a threshold dose and of its clock."""
    lamp = Exposure(
        name="X1", irradiance=0.35, band="340 nm", irradiance_uncertainty=0.05,
        dose_unit="kJ/(m² nm) at 340 nm",
        cycle=(Segment(minutes=90, light=True, black_panel=65.0, air=40.0),),
    )  # fmt: skip
    rng = np.random.default_rng(1)
    return GivenThreshold(
        study=given_study(lamp, title="invented", invented=True),
        threshold=900 * np.exp(0.2 * rng.standard_normal(DRAWS)),
        exponent=rng.uniform(0.7, 1.0, DRAWS), energy=rng.normal(35, 8, DRAWS),
    )  # fmt: skip


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

    fit, grid = invented(), climate(axis, cells)
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


PLAIN = """
import time, numpy as np
x, start = np.linspace(0, 1, 20_000), time.perf_counter()
for _ in range({loops}): np.exp(x)
print(time.perf_counter() - start)
"""


def plain(workers: int, loops: int = 20_000) -> float:
    """Loops of NumPy a second by so many processes that share nothing: what the machine gives."""
    command = [sys.executable, "-c", PLAIN.format(loops=loops)]
    begun = [subprocess.Popen(command, stdout=subprocess.PIPE, text=True) for _ in range(workers)]
    return sum(loops / float(each.communicate()[0]) for each in begun)


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


def spread(axis: str, cells: int, times: int) -> None:
    """One worker and two, in turn; beside them plain NumPy in one process and in two."""
    rows = []
    for _ in range(times):
        row = {}
        for workers in (1, 2):
            row["plain", workers] = plain(workers)
            x = run(axis, cells, workers)
            show(f"cells by {axis}, {workers} worker(s)", x)
            row["wall", workers] = x["cells"] / x["wall"]
            row["cpu", workers] = x["cells"] / x["cpu"]
        rows.append(row)
    for kind, words, by in (
        ("plain", "two processes of NumPy", 2), ("wall", "two workers by the clock", 2),
        ("cpu", "two workers by processor time", 1),
    ):  # fmt: skip
        each = sorted(100 * row[kind, 2] / row[kind, 1] / by for row in rows)
        print(f"  efficiency of {words}: " + ", ".join(f"{x:.0f}" for x in each) + " %")


def main() -> None:
    """Workers, then growth."""
    times = int(sys.argv[1]) if sys.argv[1:] else 3
    for axis, cells in (("month", 24_000), ("time", 6000)):
        spread(axis, cells, times)
    for axis, sizes in (("month", (4000, 16_000, 64_000)), ("time", (1000, 4000, 16_000))):
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
