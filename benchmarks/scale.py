"""How large a study can be fitted, in which time and memory?

    uv run python benchmarks/scale.py            # 16,000 strips; asked: 20 s and 2 GB
    uv run python benchmarks/scale.py --lots     # 1,000 to 10,000 lots; asked: linear, 5 min

Twenty products of ten lots in two directions, eight doses, five strips (16,000 strips, invented,
known truth); then products of many lots, in which time should grow with the number of lots.
"""

from __future__ import annotations

import argparse
import resource
import time

import numpy as np
import xarray as xr

from durability.inference import Sampler, fit
from durability.study import Exposure, Material, Study

DOSES = np.array([0.0, 75.0, 150.0, 225.0, 300.0, 400.0, 500.0, 650.0])


def invented(
    products: int, lots: int, directions: int, doses: np.ndarray, strips: int, seed: int = 1
) -> tuple[Study, np.ndarray]:
    """A study over arrays, and the log threshold dose of each product."""
    rng = np.random.default_rng(seed)
    dims = (products, lots, directions, doses.size, strips)
    p, lot, d, k, i = (x.ravel() for x in np.indices(dims))
    tau = np.log(300.0) + 0.3 * rng.standard_normal(products)
    own = 0.1 * rng.standard_normal((products, lots))
    shape = 1.5 * np.exp(0.15 * rng.standard_normal(products))
    level = np.log(20.0) + 0.05 * rng.standard_normal((products, lots)) - 0.2 * 0
    scale = np.exp(tau[p] + own[p, lot]) / np.log(2) ** (1 / shape[p])
    log = level[p, lot] - (doses[k] / scale) ** shape[p] - 0.2 * d
    n = p.size
    text = np.array([f"P{j}" for j in range(products)])
    columns = {
        "material": text[p],
        "lot": np.array([f"L{j + 1}" for j in range(lots)])[lot],
        "direction": np.array(["machine", "cross"])[d],
        "exposure": np.where(doses[k] > 0, "X", ""),
        "specimen": i.astype(str),
        "summary": np.zeros(n, bool),
        "strength": np.exp(log + 0.08 * rng.standard_normal(n)),
        "sd": np.full(n, np.nan),
        "n": np.ones(n, int),
        "censored": np.zeros(n, int),
        "used": np.ones(n, bool),
        "reason": np.full(n, ""),
        "hours": np.where(doses[k] > 0, np.nan, 0.0),
        "dose": doses[k],
        "elongation": np.full(n, np.nan),
        "laboratory": np.full(n, ""),
        "run": np.full(n, ""),
        "file": np.full(n, "made here"),
        "line": np.arange(n) + 2,
    }
    from pathlib import Path

    study = Study(
        folder=Path("."),
        title="invented",
        property="strip tensile strength",
        unit="kN/m",
        thresholds=(0.5,),
        rows=xr.Dataset({name: ("row", values) for name, values in columns.items()}),
        exposures={"X": Exposure(name="X", axis="units", dose_unit="units")},
        materials={m: Material(name=m) for m in text.tolist()},
        invented=True,
    )
    return study, tau


def report(title: str, study: Study, truth: np.ndarray) -> None:
    started, cpu = time.perf_counter(), time.process_time()
    made = fit(study, seed=1, sampler=Sampler())
    wall, cpu = time.perf_counter() - started, time.process_time() - cpu
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    drawn = made.posterior["log_threshold_dose"].values.reshape(-1, truth.size)
    away = np.abs(np.median(drawn, 0) - truth) / drawn.std(0)
    print(
        f"{title}: {wall:.1f} s ({cpu:.1f} s of processor), {memory:.0f} MB;"
        f" sampling {made.seconds:.1f} s; {made.diagnostics};"
        f" largest distance from the truth {away.max():.1f} posterior standard deviations",
        flush=True,
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--lots", action="store_true")
    if parser.parse_args().lots:
        for lots in (250, 500, 1000, 2500):
            study, truth = invented(4, lots, 1, DOSES[::2], 3)
            report(f"{4 * lots} lots, {study.rows.sizes['row']} strips", study, truth)
        return
    study, truth = invented(20, 10, 2, DOSES, 5)
    report(f"{study.rows.sizes['row']} strips of 200 lots", study, truth)


if __name__ == "__main__":
    main()
