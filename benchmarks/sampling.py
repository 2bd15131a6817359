"""How much faster is the engine than the plain way, and do both agree?

    uv run python benchmarks/sampling.py
    uv run python benchmarks/sampling.py --first    # nothing compiled yet, by either

Six materials, three lots each, six doses, five strips (invented, known truth), five seeds. The
plain way is the same statistical model in PyMC, strip by strip, in the rate of loss, sampled by
`pm.sample` with its default sampler (nutpie when installed). Compared, in one run: effective
draws a second of sampling (worst parameter of both, the smaller of bulk and tail, median over
seeds; compilation and the search for the mode are not sampling and are printed apart), the time
from the call to 1,000 effective draws (everything but imports), divergences, and posterior means
within three Monte Carlo standard errors.
"""

from __future__ import annotations

import argparse
import logging
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import xarray as xr

from durability.study import Exposure, Material, Study

SHARED = (
    "log_threshold_dose",
    "shape_k",
    "strip_spread",
    "lot_spread_of_threshold",
    "lot_spread_of_strength",
    "log_unexposed_strength",
)


def invented_study(seed: int, *, materials: int = 6, lots: int = 3, strips: int = 5) -> Study:
    """A study simulated from known truth (stretched exponential)."""
    rng = np.random.default_rng(seed)
    doses = np.array([0.0, 100.0, 200.0, 300.0, 450.0, 600.0])
    rows: dict[str, list] = {n: [] for n in ("material", "lot", "dose", "strength")}
    for i in range(materials):
        tau, shape = 300.0 * np.exp(rng.normal(0, 0.3)), 1.5 * np.exp(rng.normal(0, 0.15))
        start = 20.0 * np.exp(rng.normal(0, 0.2))
        for lot in range(lots):
            scale = tau * np.exp(rng.normal(0, 0.1)) / np.log(2) ** (1 / shape)
            level = start * np.exp(rng.normal(0, 0.05))
            for dose in doses:
                curve = level * np.exp(-((dose / scale) ** shape))
                rows["strength"] += list(curve * np.exp(rng.normal(0, 0.08, strips)))
                rows["material"] += ["ABCDEFGH"[i]] * strips
                rows["lot"] += [f"L{lot + 1}"] * strips
                rows["dose"] += [dose] * strips
    n = len(rows["dose"])
    dose = np.array(rows["dose"])
    columns = {
        "material": np.array(rows["material"]),
        "lot": np.array(rows["lot"]),
        "direction": np.full(n, "machine"),
        "exposure": np.where(dose > 0, "X", ""),
        "specimen": np.arange(n).astype(str),
        "summary": np.zeros(n, bool),
        "strength": np.array(rows["strength"]),
        "sd": np.full(n, np.nan),
        "n": np.ones(n, int),
        "censored": np.zeros(n, int),
        "used": np.ones(n, bool),
        "reason": np.full(n, ""),
        "hours": np.where(dose > 0, np.nan, 0.0),
        "dose": dose,
        "elongation": np.full(n, np.nan),
        "laboratory": np.full(n, ""),
        "run": np.full(n, ""),
        "file": np.full(n, "made here"),
        "line": np.arange(n) + 2,
    }
    from pathlib import Path

    return Study(
        folder=Path("."),
        title="invented",
        property="strip tensile strength",
        unit="kN/m",
        thresholds=(0.5,),
        rows=xr.Dataset({k: ("row", v) for k, v in columns.items()}),
        exposures={"X": Exposure(name="X", axis="units", dose_unit="units")},
        materials={m: Material(name=m) for m in dict.fromkeys(rows["material"])},
        invented=True,
    )


def effective(posterior: xr.Dataset) -> tuple[float, dict[str, np.ndarray]]:
    """Worst effective draws over the shared parameters, and means with Monte Carlo errors."""
    from arviz_stats.base import array_stats

    worst = np.inf
    means: dict[str, np.ndarray] = {}
    axes = {"chain_axis": 0, "draw_axis": 1}
    for name in SHARED:
        values = posterior[name].values
        columns = values.reshape(*values.shape[:2], -1)
        for j in range(columns.shape[2]):
            x = columns[:, :, j]
            bulk = float(array_stats.ess(x, method="bulk", **axes))
            tail = float(array_stats.ess(x, method="tail", prob=(0.05, 0.95), **axes))
            worst = min(worst, bulk, tail)
            ess = float(array_stats.ess(x, method="mean", **axes))
            means[f"{name}[{j}]"] = np.array([x.mean(), x.std() / np.sqrt(ess)])
    return worst, means


def to_a_thousand(all_seconds: float, sampling: float, effective_draws: float) -> float:
    """Seconds from the call to 1,000 effective draws: sampling in proportion, the rest as it is."""
    return all_seconds - sampling + sampling * 1000 / effective_draws


FIRST = """
import sys, time
sys.path.insert(0, {folder!r})
import logging; logging.getLogger("pymc").setLevel(logging.ERROR)
import arviz, nutpie, numba, pymc, pandas, pvlib, scipy.stats, xarray
ours = {ours}
from sampling import effective, invented_study, to_a_thousand
if not ours:
    from durability.inference.build import build_model
    from durability.inference.graph import plain_model
    from durability.laws import read_law
study = invented_study(1)
if not ours:
    model = build_model(study, read_law("stretched-exponential"))
started = time.perf_counter()
if ours:  # our own modules compile when they are imported: that counts
    from durability.inference import Sampler, fit
    made = fit(study, seed=1, sampler=Sampler())
    spent, drawn, sampling = time.perf_counter() - started, made.posterior, made.seconds
else:
    with plain_model(model, parametrisation="rate"):
        tree = pymc.sample(1000, tune=1000, chains=4, cores=2, random_seed=1, progressbar=False)
    spent = time.perf_counter() - started
    drawn = tree["posterior"].to_dataset()
    sampling = float(drawn.attrs["sampling_time"])
draws = effective(drawn)[0]
print(to_a_thousand(spent, sampling, draws), spent, draws)
"""


def first() -> None:
    """Each in a process of its own with empty stores of compiled code."""
    seconds = {}
    for name, ours in (("ours", True), ("plain", False)):
        with tempfile.TemporaryDirectory() as empty:
            stores = {
                "NUMBA_CACHE_DIR": str(Path(empty) / "numba"),
                "PYTENSOR_FLAGS": f"base_compiledir={empty}/pytensor",
            }
            code = FIRST.format(folder=str(Path(__file__).parent), ours=ours)
            out = subprocess.run(
                [sys.executable, "-c", code],
                env=os.environ | stores, capture_output=True, text=True, check=True,
            )  # fmt: skip
        seconds[name], spent, draws = map(float, out.stdout.split()[-3:])
        print(
            f"{name}, nothing compiled: {spent:.1f} s in all, {draws:.0f} effective draws,"
            f" 1,000 of them in {seconds[name]:.1f} s"
        )
    print(f"first time: {seconds['plain'] / seconds['ours']:.1f} times sooner")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=5)
    parser.add_argument("--first", action="store_true")
    options = parser.parse_args()
    if options.first:
        first()
        return
    logging.getLogger("pymc").setLevel(logging.ERROR)
    import pymc as pm

    from durability.inference import Sampler, fit
    from durability.inference.graph import plain_model

    gains, sooner, worst_gap, divergences = [], [], 0.0, 0
    fit(invented_study(0), seed=0)  # load compiled code
    print("seed | ours: eff. draws, s sampling, s in all | plain: eff., s, s in all | gain | gap")
    for seed in range(1, options.seeds + 1):
        study = invented_study(seed)
        started = time.perf_counter()
        ours = fit(study, seed=seed, sampler=Sampler())
        ours_all = time.perf_counter() - started
        divergences += ours.diagnostics.divergences
        ess, means = effective(ours.posterior)
        started = time.perf_counter()
        with plain_model(ours.model, parametrisation="rate"):
            tree = pm.sample(
                1000, tune=1000, chains=4, cores=2, random_seed=seed, progressbar=False
            )
        plain_all = time.perf_counter() - started
        plain = tree["posterior"].to_dataset()
        plain_seconds = float(plain.attrs["sampling_time"])
        plain_ess, plain_means = effective(plain)
        gain = (ess / ours.seconds) / (plain_ess / plain_seconds)
        gap = max(
            abs(means[k][0] - plain_means[k][0]) / np.hypot(means[k][1], plain_means[k][1])
            for k in means
        )
        gains.append(gain)
        sooner.append(
            to_a_thousand(plain_all, plain_seconds, plain_ess)
            / to_a_thousand(ours_all, ours.seconds, ess)
        )
        worst_gap = max(worst_gap, gap)
        print(
            f"{seed} | {ess:.0f} {ours.seconds:.2f} {ours_all:.2f} | {plain_ess:.0f}"
            f" {plain_seconds:.2f} {plain_all:.2f} | {gain:.0f} | {gap:.1f}"
            f"  (plain: {plain.attrs.get('inference_library')},"
            f" {int(tree['sample_stats']['diverging'].sum())} divergences)"
        )
    count = len(means) * options.seeds
    print(f"median gain in effective draws a second of sampling: {np.median(gains):.0f}")
    print(f"median gain in time from the call to 1,000 effective draws: {np.median(sooner):.0f}")
    print(f"our divergences: {divergences}")
    print(f"largest gap of {count} means: {worst_gap:.1f} Monte Carlo standard errors")


if __name__ == "__main__":
    main()
