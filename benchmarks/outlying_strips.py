"""Do intervals hold the truth where a few strips are spoilt? Log-normal beside Student errors.

    python benchmarks/outlying_strips.py [STUDIES]

Studies of 3 lots, 5 doses and 5 strips from a known threshold; each strip is at half its strength
with a probability of 5 % (a slipped grip, a damaged edge), or none is.
"""

from __future__ import annotations

import math
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "inference"))
from known_truth import strips_of, study_of, truth_of

from durability import fit
from durability.inference import Sampler
from durability.inference.checking import contamination

DOSES = (0.0, 100.0, 200.0, 300.0, 450.0)
SAMPLER = Sampler(draws=500, tune=200, chains=2)
WHERE: dict[str, Any] = {"material": "A", "direction": "machine", "exposure": "X"}


def main(studies: int) -> None:
    """Print coverage and widths for both kinds of errors, and what is named."""
    for share in (0.0, 0.05):
        inside: dict[str, list[bool]] = {}
        width: dict[str, list[float]] = {}
        bias: dict[str, list[float]] = {}
        named = spoilt_found = spoilt = 0
        hung = 0
        started = time.process_time()
        for seed in range(studies):
            rng = np.random.default_rng([seed, 77])
            truth = truth_of(300.0, strip_spread=0.07)
            columns = strips_of(rng, truth, doses=DOSES, strips=5)
            bad = rng.random(columns["strength"].size) < share
            columns["strength"] = np.where(bad, 0.5, 1.0) * columns["strength"]
            study = study_of(columns)
            for errors in ("lognormal", "student"):
                made = fit(study, errors=errors, sampler=SAMPLER, seed=seed)
                median = made.threshold_draws(0.5, of="mean", **WHERE)
                lots = made.posterior["lot_effect"].values.reshape(median.size, -1)
                single = made.threshold_draws(0.5, of="single_specimen", share=0.95, **WHERE)
                spread = made.posterior["strip_spread"].values.ravel()
                compared = [
                    ("median lot", median, 300.0), ("strip scatter", spread, 0.07),
                    ("95 % of strips", single, _of_strips(truth)),
                ]  # fmt: skip
                for lot, effect in enumerate(truth.lot_effect[0]):
                    of_lot = median * np.exp(lots[:, lot])
                    compared.append(("a tested lot", of_lot, 300.0 * math.exp(effect)))
                for what, draws, true in compared:
                    low, middle, high = np.quantile(draws, [0.025, 0.5, 0.975])
                    key = f"{what}, {errors}"
                    inside.setdefault(key, []).append(low <= true <= high)
                    width.setdefault(key, []).append(math.log(high / low))
                    bias.setdefault(key, []).append(math.log(middle / true))
                if errors == "lognormal":
                    found = contamination(made)
                    named += len(found.strips)
                    hung += any(t.hangs for t in found.thresholds)
                    strength = columns["strength"][bad]
                    spoilt += strength.size
                    spoilt_found += sum(
                        bool(np.isclose(strength, s.found).any()) for s in found.strips
                    )
        print(f"spoilt {share:.0%} of strips, {studies} studies, "
              f"{time.process_time() - started:.0f} s of processor")  # fmt: skip
        for key, held in inside.items():
            middle = 100 * np.mean(bias[key])
            print(f"  {key:28} holds the truth {np.mean(held):6.1%}  width (log) "
                  f"{np.median(width[key]):.3f}  bias {middle:+.1f} %")  # fmt: skip
        print(f"  named {named} strips, {spoilt_found} of {spoilt} spoilt ones; "
              f"said that the answer hangs on them in {hung} studies")  # fmt: skip


def _of_strips(truth) -> float:
    """Dose at which 95 % of sound strips of a new lot hold half, for a lot at the median."""
    from scipy.special import ndtri

    shape = {k: v[0] for k, v in truth.shape.items()}
    at = truth.law.inverse(0.5 * math.exp(float(ndtri(0.95)) * 0.07), shape)
    return 300.0 * float(at / truth.law.inverse(0.5, shape))


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
