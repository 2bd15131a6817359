"""How often do intervals of a crossing dose contain the truth, with 20 bracketed units?

Units of known distributions are looked at a few doses; each set is fitted and its intervals are
counted. Beside each: the share of sets that have no fit, the time of a fit with its profile
interval, and the time lifelines takes for its fit alone on the same sets.

    python benchmarks/crossing_coverage.py [sets]
"""

from __future__ import annotations

import sys
import time
import warnings

import numpy as np

from durability.inference.crossing import NoEstimate, fit_crossings

MEDIAN = 100.0
LOOKS = {
    "wide": np.array([40.0, 70.0, 100.0, 140.0, 200.0]),
    "close": np.arange(30.0, 240.0, 15.0),
    "stops early": np.array([40.0, 60.0, 80.0, 100.0]),
}
W = {
    "weibull": lambda rng, n: np.log(-np.log(rng.random(n))) - np.log(np.log(2)),
    "lognormal": lambda rng, n: rng.standard_normal(n),
    "loglogistic": lambda rng, n: rng.logistic(size=n),
}
SCALE = {"weibull": 0.4, "lognormal": 0.4, "loglogistic": 0.25}


def brackets(t: np.ndarray, looks: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    edges = np.concatenate([[0.0], looks, [np.inf]])
    at = np.searchsorted(edges, t, side="left")
    return edges[at - 1], edges[at]


def run(family: str, looks: np.ndarray, sets: int, units: int = 20) -> dict[str, float]:
    rng = np.random.default_rng(7)
    hits = {"profile F": 0, "profile chi2": 0, "delta F": 0, "delta chi2": 0, "p=0.1": 0, "new": 0}
    none = 0
    ours = theirs = 0.0
    tenth = None
    for i in range(sets):
        t = MEDIAN * np.exp(SCALE[family] * W[family](rng, units))
        low, high = brackets(t, looks)
        began = time.perf_counter()
        try:
            fit = fit_crossings(low, high, family=family, start="own")
        except NoEstimate:
            none += 1
            continue
        q = fit.quantile(0.5)
        ours += time.perf_counter() - began
        if i < 20:
            theirs += lifelines_seconds(family, low, high)
        hits["profile F"] += q.low <= MEDIAN <= q.high
        for method, calibration in (("profile", "chi2"), ("delta", "F"), ("delta", "chi2")):
            q = fit.quantile(0.5, method=method, calibration=calibration)
            hits[f"{method} {calibration}"] += q.low <= MEDIAN <= q.high
        if tenth is None:
            tenth = MEDIAN * np.exp(SCALE[family] * np.quantile(W[family](rng, 2_000_000), 0.1))
        q = fit.quantile(0.1)
        hits["p=0.1"] += q.low <= tenth <= q.high
        a, b = fit.new_unit()
        hits["new"] += a <= MEDIAN * np.exp(SCALE[family] * W[family](rng, 1)[0]) <= b
    made = sets - none
    return {
        **{k: v / made for k, v in hits.items()},
        "no fit": none / sets,
        "ms": 1000 * ours / made,
        "lifelines ms": 1000 * theirs / min(20, sets),
    }


def lifelines_seconds(family: str, low: np.ndarray, high: np.ndarray) -> float:
    import lifelines

    names = {"weibull": "WeibullFitter", "lognormal": "LogNormalFitter",
             "loglogistic": "LogLogisticFitter"}  # fmt: skip
    began = time.perf_counter()
    with warnings.catch_warnings(), np.errstate(all="ignore"):
        warnings.simplefilter("ignore")
        getattr(lifelines, names[family])().fit_interval_censoring(low, high)
    return time.perf_counter() - began


def main() -> None:
    sets = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    print(f"{sets} sets of 20 units; a standard error of 0.95 is {np.sqrt(0.0475 / sets):.4f}")
    for family in W:
        for name, looks in LOOKS.items():
            row = run(family, looks, sets)
            print(f"{family:<12}{name:<12}" + "  ".join(f"{k} {v:.3f}" for k, v in row.items()),
                  flush=True)  # fmt: skip


if __name__ == "__main__":
    main()
