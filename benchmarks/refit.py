"""How long does a refit take when one more withdrawal has been broken?

    uv run python benchmarks/refit.py

Six materials of three lots, five strips at each of six doses (invented, known truth). The study as
it stood before the last withdrawal is fitted; then the whole study, as a new call in the same
process (asked: at most 3 s). Nothing of the former posterior is needed for it: the call finds its
mode and draws anew in less time than a start from former draws could save, and depends on nothing
but the study and the seed. Both are compared: what the last withdrawal taught is printed as the
mean ratio of posterior standard deviations of log threshold doses, after over before.
"""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
from sampling import invented_study

from durability.inference import fit


def main() -> None:
    fit(invented_study(0), seed=0)  # load compiled code
    times, ratios, passed = [], [], 0
    for seed in range(1, 6):
        whole = invented_study(seed)
        dose = whole.rows["dose"].values
        before = fit(replace(whole, rows=whole.rows.isel(row=dose < dose.max())), seed=seed)
        started = time.perf_counter()
        after = fit(whole, seed=seed)
        times.append(time.perf_counter() - started)
        passed += after.diagnostics.ok and before.diagnostics.ok
        sd = [f.posterior["log_threshold_dose"].std(("chain", "draw")).values
              for f in (before, after)]  # fmt: skip
        ratios.append(float((sd[1] / sd[0]).mean()))
    print(f"refit: median {np.median(times):.2f} s, longest {max(times):.2f} s of 5;"
          f" diagnostics passed in {passed} of 5;"
          f" posterior standard deviations {np.mean(ratios):.2f} of those before")  # fmt: skip


if __name__ == "__main__":
    main()
