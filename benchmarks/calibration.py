"""Do posteriors hold the truth as often as they say? A thousand studies a design, from the priors.

    uv run python benchmarks/calibration.py                # 1,000 studies of each of three designs
    uv run python benchmarks/calibration.py --count 100    # a smaller run

Truths are drawn from the priors and strips from the model, so that ranks of truths among posterior
draws are uniform and 95 % intervals hold 95 % of truths, exactly. Designs: *rich* (two products of
three lots, six doses, five strips), *practice* (one lot, unexposed strips and one dose, five each),
*unbalanced* (two to six strips a group, a dose left out of some lots, weak strips censored).
Printed for every quantity: share of truths inside the 95 % interval, the largest distance of the
distribution of ranks from the straight line, and its bound that all quantities of all designs keep
at once in 99 of 100 runs (Kolmogorov's statistic at level 0.01 over the number of quantities).
"""

from __future__ import annotations

import argparse
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "tests" / "inference"))

SIX = (0.0, 100.0, 200.0, 300.0, 450.0, 600.0)
DESIGNS: dict[str, dict[str, Any]] = {
    "rich": {"doses": SIX},
    "practice": {"doses": (0.0, 600.0), "lots": 1, "materials": 1},
    "unbalanced": {"doses": SIX, "limit": 0.15},
}


def one(job: tuple[str, int]) -> dict[str, list[float]]:
    """Share of draws below the truth of every quantity of one simulated study."""
    from known_truth import draw_truth, strips_of, study_of
    from test_recovery import compared

    from durability import fit
    from durability.inference import Sampler
    from durability.laws import read_law

    name, seed = job
    design = dict(DESIGNS[name])
    rng = np.random.default_rng([seed, 20, list(DESIGNS).index(name)])
    lots, materials = design.pop("lots", 3), design.pop("materials", 2)
    doses = design["doses"]
    law = read_law("stretched-exponential")
    truth = draw_truth(rng, law, last=max(doses), materials=materials, lots=lots)
    columns = strips_of(rng, truth, strips=6 if name == "unbalanced" else 5, **design)
    if name == "unbalanced":
        columns = _unbalanced(rng, columns, doses)
    sampler = Sampler(draws=500, tune=200, chains=2, cores=1)
    got = fit(study_of(columns), law=law, sampler=sampler, seed=seed)
    found: dict[str, list[float]] = {}
    for quantity, draws, value in [*compared(got, truth), *_single(got, truth)]:
        found.setdefault(quantity, []).append(float((draws < value).mean()))
    return found


def _unbalanced(
    rng: np.random.Generator, columns: dict[str, np.ndarray], doses: tuple[float, ...]
) -> dict[str, np.ndarray]:
    """Two to six strips a group; one dose of each second lot is left out."""
    keep = np.ones(columns["dose"].size, dtype=bool)
    for m in np.unique(columns["material"]):
        for lot in np.unique(columns["lot"]):
            mine = (columns["material"] == m) & (columns["lot"] == lot)
            lost = rng.choice(doses[1:]) if rng.random() < 0.5 else None
            for dose in doses:
                cell = mine & (columns["dose"] == dose)
                most = 0 if dose == lost else int(rng.integers(2, 7))
                keep[np.flatnonzero(cell)[most:]] = False
    return {k: v[keep] for k, v in columns.items()}


def _single(got: Any, truth: Any) -> Any:
    """The dose at which the median strip of a new lot holds half of the product's start."""
    for m, material in enumerate(got.materials):
        draws = got.threshold_draws(
            0.5, of="single_specimen", share=0.5, material=material, direction="machine",
            exposure="X",
        )  # fmt: skip
        # a lot's own start moves what is asked of its strips
        law, shape = truth.law, {k: v[m] for k, v in truth.shape.items()}
        rng = np.random.default_rng([m, int(1e6 * truth.new_lot[m]) & 0xFFFF])
        start = np.exp(truth.start_spread * rng.standard_normal())
        asked = 0.5 / start
        if not 0 < asked < 1:
            continue
        scale = np.exp(truth.log_tau[m] + truth.new_lot[m]) / law.inverse(0.5, shape)
        yield "single strip", draws, float(scale * law.inverse(asked, shape))


def main() -> None:
    from scipy import stats

    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--count", type=int, default=1000)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--design", nargs="*", choices=list(DESIGNS), default=list(DESIGNS))
    given = parser.parse_args()
    found: dict[tuple[str, str], list[float]] = {}
    with ProcessPoolExecutor(given.workers) as pool:
        for name in given.design:
            started = time.perf_counter()
            jobs = [(name, seed) for seed in range(given.count)]
            for ranks in pool.map(one, jobs, chunksize=5):
                for quantity, values in ranks.items():
                    found.setdefault((name, quantity), []).extend(values)
            print(f"{name}: {given.count} studies in {time.perf_counter() - started:.0f} s",
                  flush=True)  # fmt: skip
    print("design      quantity         truths  inside 95 %  distance  bound")
    for (name, quantity), values in found.items():
        rank = np.array(values)
        n = rank.size
        distance = float(stats.kstest(rank, "uniform").statistic)
        quantities = len(found) * len(DESIGNS) / len(given.design)
        bound = float(stats.kstwo.ppf(1 - 0.01 / quantities, n))
        inside = ((rank > 0.025) & (rank < 0.975)).mean()
        print(
            f"{name:11s} {quantity:16s} {n:6d} {100 * inside:10.1f} % {distance:9.4f} {bound:7.4f}"
            + ("" if distance <= bound else "   BEYOND")
        )


if __name__ == "__main__":
    main()
