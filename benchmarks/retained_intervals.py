"""Do the intervals of the fraction left cover the truth as often as they say?

Ten thousand laboratories break five strips before exposure and five after, of known true strength,
with normal or lognormal scatter; the share of intervals that hold the true ratio of means is
printed beside 95 %, with the share that misses on either side. Run:

    python benchmarks/retained_intervals.py [trials]
"""

from __future__ import annotations

import sys
import time

import numpy as np

from durability.retention import fieller_interval, log_ratio_interval

N = 5
LEFT = 0.5
CVS = (
    (0.03, 0.03),
    (0.05, 0.05),
    (0.08, 0.08),
    (0.12, 0.12),
    (0.20, 0.20),
    (0.20, 0.05),
    (0.05, 0.2),
)


def strips(rng: np.random.Generator, mean: float, cv: float, kind: str, trials: int) -> np.ndarray:
    """Strengths of `N` strips in each trial, of that true mean and coefficient of variation."""
    if kind == "normal":
        return rng.normal(mean, cv * mean, (trials, N))
    sd = np.sqrt(np.log1p(cv**2))
    return mean * np.exp(rng.normal(-(sd**2) / 2, sd, (trials, N)))


def coverage(
    method: str, kind: str, cv: float, cv0: float, trials: int, seed: int
) -> tuple[float, float, float]:
    """Share of intervals that hold the truth, lie above it and lie below it."""
    rng = np.random.default_rng(seed)
    after = strips(rng, 20 * LEFT, cv, kind, trials)
    before = strips(rng, 20.0, cv0, kind, trials)
    interval = log_ratio_interval if method == "log_ratio" else fieller_interval
    a, b = ((x.mean(axis=1), x.std(axis=1, ddof=1), N) for x in (after, before))
    found = interval(*a, *b, 0.95)
    above, below = float(np.mean(found.low > LEFT)), float(np.mean(found.high < LEFT))
    return 1 - above - below, above, below


def main() -> None:
    trials = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    start = time.perf_counter()
    print(f"{trials} trials, {N} + {N} strips, {100 * LEFT:g} % left, 95 % intervals")
    print("scatter    cv after  cv before  method     covers   truth below  truth above")
    worst = 0.0
    for kind in ("normal", "lognormal"):
        for cv, cv0 in CVS:
            for method in ("log_ratio", "fieller"):
                held, above, below = coverage(method, kind, cv, cv0, trials, seed=7)
                worst = max(worst, abs(held - 0.95))
                print(
                    f"{kind:<10} {100 * cv:>5.0f} %  {100 * cv0:>6.0f} %   {method:<10}"
                    f" {100 * held:>5.2f} %  {100 * above:>8.2f} %  {100 * below:>8.2f} %"
                )
    took = time.perf_counter() - start
    print(f"largest departure from 95 %: {100 * worst:.2f} points; {took:.1f} s")


if __name__ == "__main__":
    main()
