"""How far is the quick answer from that of long chains, and does it know?

    uv run python benchmarks/quick.py

Simulated studies (known truth, drawn from the priors; and the six materials of
`benchmarks/sampling.py`) and the examples. For each: parameters, seconds of the quick answer, its
Pareto shape and effective draws, and the largest error over all parameters of a mean and of a 95 %
limit, in posterior standard deviations, against four chains of 4,000 draws.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parent.parent
sys.path += [str(ROOT / "benchmarks"), str(ROOT / "tests" / "inference")]

import durability  # noqa: E402
from durability.inference.build import build_model  # noqa: E402
from durability.inference.diagnostics import diagnose_quick  # noqa: E402
from durability.inference.quick import quick_sample  # noqa: E402
from durability.inference.sampling import Sampler, sample  # noqa: E402
from durability.laws import read_law  # noqa: E402
from durability.retention import with_strength  # noqa: E402

EXAMPLES = ("quarry-cover", "marine-fabrics", "uv-cycles", "data-sheet")


def main() -> None:
    from known_truth import simulated
    from sampling import invented_study

    studies = {f"six materials, seed {s}": invented_study(s) for s in (1, 2)}
    studies |= {f"two materials, seed {s}": simulated(s)[0] for s in (1, 2, 3)}
    studies |= {name: durability.read_study(ROOT / "examples" / name) for name in EXAMPLES}
    law = read_law("stretched-exponential")
    print("study                     parameters  seconds  shape  effective  mean  limit  verdict")
    for name, study in studies.items():
        model = build_model(with_strength(study), law, errors="lognormal")
        quick_sample(model, seed=9)
        started = time.perf_counter()
        quick, weighted = quick_sample(model, seed=1)
        seconds = time.perf_counter() - started
        chains = sample(model, sampler=Sampler(draws=4000), seed=2)
        a = quick.theta.reshape(-1, quick.theta.shape[2])
        b = chains.theta.reshape(-1, a.shape[1])
        sd = b.std(0)
        mean = (np.abs(a.mean(0) - b.mean(0)) / sd).max()
        limits = np.quantile(a, [0.025, 0.975], axis=0) - np.quantile(b, [0.025, 0.975], axis=0)
        ok = diagnose_quick(weighted.pareto, weighted.effective, len(weighted.z)).ok
        print(
            f"{name:26s}{a.shape[1]:6d}{seconds:11.2f}{weighted.pareto:9.2f}"
            f"{weighted.effective:10.0f}{mean:7.2f}{(np.abs(limits) / sd).max():7.2f}"
            f"  {'trusted' if ok else 'not to be trusted'}"
        )


if __name__ == "__main__":
    main()
