"""Which sampler gives most effective draws a second on one model?

    uv run python benchmarks/samplers.py

The study of `sampling.py` (six materials, three lots each, six doses, five strips) by the engine
(nutpie on the compiled density in its own coordinates), and the same statistical model written in
PyMC in its threshold parametrisation by nutpie, PyMC's own sampler, numpyro and blackjax. The last
two are no dependencies of this project: a sampler that is not installed is said so. Sampling alone
is timed, by the clock and by processor; compiling and the search for the mode are printed apart.
Effective draws are those of the worst parameter, the smaller of bulk and tail.
"""

from __future__ import annotations

import argparse
import importlib.util
import logging
import os
import time
from typing import Any

import numpy as np
from sampling import effective, invented_study

from durability.inference import Sampler, fit
from durability.inference.graph import plain_model

OTHERS = {"nutpie": "nutpie", "pymc": "PyMC's own", "numpyro": "numpyro", "blackjax": "blackjax"}
DRAWS = {"draws": 1000, "tune": 1000, "chains": 4}


def _busy() -> float:
    """Processor time of this process and of those that it started and that ended [s]."""
    return sum(os.times()[:4])


def engine(seed: int) -> dict[str, Any]:
    """Ours: four chains of 1000 draws after 300 of adaptation, on two cores."""
    wall, busy = time.perf_counter(), _busy()
    made = fit(invented_study(seed), seed=seed, sampler=Sampler())
    whole, processor = time.perf_counter() - wall, _busy() - busy
    least, means = effective(made.posterior)
    return {
        "least": least, "seconds": made.seconds, "whole": whole, "processor": processor,
        "divergences": made.diagnostics.divergences, "means": means,
        "steps": float(made.stats["n_steps"].mean()),
    }  # fmt: skip


def other(name: str, seed: int) -> dict[str, Any]:
    """The plain model by another sampler, four chains of 1000 draws after 1000 of adaptation."""
    import pymc as pm

    model = fit(invented_study(seed), method="quick").model
    wall, busy = time.perf_counter(), _busy()
    own: dict[str, Any] = {"cores": 2} if name in ("nutpie", "pymc") else {}
    if name == "pymc":
        own["mp_ctx"] = "forkserver"
    if name in ("numpyro", "blackjax"):
        own["chain_method"] = "sequential"
        own = {"nuts_sampler_kwargs": own}
    sampler: Any = name
    with plain_model(model):
        tree = pm.sample(
            **DRAWS, **own, nuts_sampler=sampler, random_seed=seed, progressbar=False,
            compute_convergence_checks=False,
        )  # fmt: skip
    whole, processor = time.perf_counter() - wall, _busy() - busy
    posterior, stats = tree["posterior"].to_dataset(), tree["sample_stats"].to_dataset()
    least, means = effective(posterior)
    taken = next((float(d.attrs["sampling_time"]) for d in (posterior, stats)
                  if "sampling_time" in d.attrs), whole)  # fmt: skip
    return {
        "least": least, "seconds": taken, "whole": whole, "processor": processor,
        "divergences": int(stats["diverging"].sum()), "means": means,
        "steps": float(stats["n_steps"].mean()) if "n_steps" in stats else float("nan"),
    }  # fmt: skip


def gap(a: dict[str, np.ndarray], b: dict[str, np.ndarray]) -> float:
    """Largest distance of means, in Monte Carlo standard errors of both."""
    return max(abs(a[k][0] - b[k][0]) / np.hypot(a[k][1], b[k][1]) for k in a)


def main() -> None:
    parser = argparse.ArgumentParser(
        description="Which sampler gives most effective draws a second on one model?"
    )
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", nargs="*", choices=list(OTHERS), default=list(OTHERS))
    options = parser.parse_args()
    logging.getLogger("pymc").setLevel(logging.ERROR)
    fit(invented_study(0), seed=0)  # load compiled code
    ours = engine(options.seed)
    print("| sampler | least effective draws | s sampling | a second | s in all | processor s |"
          " steps a draw | divergences | gap of means |")  # fmt: skip
    print("|---|---|---|---|---|---|---|---|---|")

    def row(name: str, r: dict[str, Any]) -> None:
        print(f"| {name} | {r['least']:.0f} | {r['seconds']:.2f} | {r['least'] / r['seconds']:.0f}"
              f" | {r['whole']:.1f} | {r['processor']:.1f} | {r['steps']:.0f} | {r['divergences']}"
              f" | {gap(r['means'], ours['means']):.1f} |", flush=True)  # fmt: skip

    row("the engine", ours)
    for name in options.only:
        if importlib.util.find_spec(name) is None:
            print(f"| plain model, {OTHERS[name]} | not installed | | | | | | | |")
            continue
        row(f"plain model, {OTHERS[name]}", other(name, options.seed))


if __name__ == "__main__":
    main()
