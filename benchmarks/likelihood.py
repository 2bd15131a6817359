"""How fast are fits by likelihood, each against the plain way in the same run, and do both agree?

    uv run python benchmarks/likelihood.py

1. 1,000 invented series of 6 doses x 5 strips, one law: `fit_series` against a loop of
   `scipy.optimize.curve_fit` over the same logs of strength from one common start.
2. 100,000 bootstrap refits of one series.
3. The profile interval of a threshold dose of one series.
4. The table of all laws for one material.

Times are processor seconds of this process, best of several, so that other work on the machine
matters less; numerical libraries are held to one thread. Peak memory is the process's own.
"""

from __future__ import annotations

import resource
import time
from collections.abc import Callable
from typing import Any

import numpy as np
import xarray
from threadpoolctl import threadpool_limits

from durability.inference.likelihood import compare_curves, fit_curve, fit_series

DOSES = np.array([0.0, 100.0, 200.0, 300.0, 450.0, 600.0])


def best(work: Callable[[], Any], times: int = 5) -> tuple[float, float, Any]:
    """(processor seconds, seconds on the clock, answer): the least of several runs."""
    cpu, wall, answer = [], [], None
    for _ in range(times):
        began, clock = time.process_time(), time.perf_counter()
        answer = work()
        cpu.append(time.process_time() - began)
        wall.append(time.perf_counter() - clock)
    return min(cpu), min(wall), answer


def invented(series: int, seed: int = 1) -> xarray.DataArray:
    """Strengths (series, dose, strip) of a stretched exponential."""
    rng = np.random.default_rng(seed)
    scale = 300 * np.exp(rng.normal(0, 0.3, series))[:, None, None]
    shape = 1.5 * np.exp(rng.normal(0, 0.2, series))[:, None, None]
    mean = 20 * np.exp(-((DOSES[None, :, None] / scale) ** shape))
    strength = mean * np.exp(rng.normal(0, 0.08, (series, DOSES.size, 5)))
    return xarray.DataArray(strength, dims=("series", "dose", "strip"), coords={"dose": DOSES})


def plain(strength: np.ndarray) -> np.ndarray:
    """The plain way: one call of curve_fit a series, on logs of the strips."""
    from scipy.optimize import curve_fit

    x = np.repeat(DOSES, strength.shape[2])

    def curve(x: np.ndarray, a: float, s: float, k: float) -> np.ndarray:
        return a - (x / np.exp(s)) ** np.exp(k)

    start = [np.log(20), np.log(300), np.log(1.5)]
    logs = np.log(strength.reshape(len(strength), -1))
    return np.exp([curve_fit(curve, x, y, p0=start, ftol=1e-12, xtol=1e-12)[0] for y in logs])


def memory() -> float:
    """Peak memory of this process so far [MB]."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main() -> None:
    many = invented(1000)
    began = time.perf_counter()
    fit_series("stretched-exponential", many)
    print(f"first call, compiled code loaded or made: {time.perf_counter() - began:.1f} s")
    print(f"peak memory before: {memory():.0f} MB")
    ours, ours_wall, found = best(lambda: fit_series("stretched-exponential", many), 9)
    theirs, theirs_wall, answer = best(lambda: plain(many.values), 2)
    gap = max(
        float(np.abs(found[name].values / answer[:, i] - 1).max())
        for i, name in enumerate(("unexposed", "scale", "k"))
    )
    print(
        f"1,000 series: {1e3 * ours:.1f} ms against {1e3 * theirs:.0f} ms:"
        f" {theirs / ours:.0f} times faster ({theirs_wall / ours_wall:.0f} on the clock);"
        f" largest relative difference {gap:.1e}; settled {int(found['converged'].sum())}"
    )
    crowd = invented(100_000)
    cpu, wall, _ = best(lambda: fit_series("stretched-exponential", crowd), 1)
    print(f"100,000 series in one call: {cpu:.1f} s ({wall:.1f} s); peak memory {memory():.0f} MB")

    x, y = np.repeat(DOSES, 5), many.values[0].ravel()
    fit = fit_curve("stretched-exponential", x, y)
    cpu, wall, drawn = best(lambda: fit.bootstrap(draws=100_000, seed=1), 1)
    print(f"100,000 bootstrap refits: {cpu:.1f} s ({wall:.1f} s), {drawn!r}")
    spread = float(np.log(drawn.threshold_dose(0.5)).std())
    wald = fit.threshold_dose(0.5, method="wald")
    assert wald.standard_error is not None and wald.value is not None
    print(f"   spread of log threshold {spread:.5f}, standard error"
          f" {wald.standard_error / wald.value:.5f}")  # fmt: skip
    cpu, wall, interval = best(lambda: fit.threshold_dose(0.5), 20)
    print(f"profile interval of a threshold: {1e3 * cpu:.1f} ms ({1e3 * wall:.1f} ms), {interval}")
    cpu, wall, table = best(lambda: compare_curves(x, y), 3)
    laws = len(table.rows)
    print(f"table of {laws} laws: {cpu:.2f} s ({wall:.2f} s); 12 of them {12 * cpu / laws:.2f} s")
    print(f"peak memory at the end: {memory():.0f} MB")


if __name__ == "__main__":
    with threadpool_limits(1):
        main()
