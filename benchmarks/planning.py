"""Do the plans of `durability plan` rank as full refits rank them, and in which time?

    uv run python benchmarks/planning.py            # 3 studies, 5 plans, 16 futures of each
    uv run python benchmarks/planning.py --futures 4 --studies 1

Studies of known truth are fitted. For each of five plans futures are simulated strip by strip from
posterior draws, with the lots' effects as the law has them (nothing linear), and the study with the
new strips is fitted again by chains. Printed for each plan: mean log half-width of the interval of
the threshold dose, for the median lot and a new lot, by refits (with its standard error) and by
`durability.decisions.learning.futures`, by weights and by regression; the rank correlation; and the
seconds for the five.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "tests" / "inference"))

DOSES = (0.0, 150.0, 300.0, 500.0)
MATERIAL, WAY, EXPOSURE = "A", "machine", "X"


def plans() -> dict[str, tuple[Any, ...]]:
    """Five plans, the usual practice among them."""
    from durability.decisions.planned_strips import PlannedSeries

    def one(lot: str, doses: tuple[float, ...], strips: int, unexposed: int = 0) -> Any:
        return PlannedSeries(
            material=MATERIAL, direction=WAY, lot=lot, new=lot.startswith("new"), doses=doses,
            strips=(strips,) * len(doses), unexposed=unexposed,
        )  # fmt: skip

    return {
        "5 + 5 strips at 500": (one("new 1", (500.0,), 5, 5),),
        "tested lots again": tuple(one(f"L{k}", (150.0, 300.0, 500.0), 10) for k in range(2)),
        "tested lots, longer": tuple(one(f"L{k}", (700.0, 850.0, 1000.0), 10) for k in range(2)),
        "two new lots": tuple(one(f"new {k}", (500.0, 1000.0), 10, 10) for k in range(2)),
        "six new lots": tuple(one(f"new {k}", (1000.0,), 5, 5) for k in range(6)),
    }


def first_study(seed: int) -> Any:
    """Two lots at three doses, of which the last leaves about two thirds."""
    from known_truth import strips_of, study_of, truth_of

    rng = np.random.default_rng([seed, 7])
    tau = 800.0 * np.exp(0.2 * rng.standard_normal())
    truth = truth_of(tau, lots=2, lot_spread=0.12, strip_spread=0.07)
    return study_of(strips_of(rng, truth, doses=DOSES, strips=5))


def asked_of(fit: Any, outlook: Any, of: str) -> Any:
    from durability.decisions.learning import Asked

    tau = fit.threshold_draws(
        0.5, of="mean", material=MATERIAL, direction=WAY, exposure=EXPOSURE
    )[outlook.draws]  # fmt: skip
    spread = outlook.posterior("lot_spread_of_threshold")
    return Asked(log_value=np.log(tau), spread=spread if of == "new_lot" else 0 * spread)


def strips_from(outlook: Any, plan: tuple[Any, ...], i: int, rng: np.random.Generator) -> Any:
    """Columns of strips of a plan, with draw i as the truth."""
    from durability.decisions.planned_strips import assumptions

    law = outlook.fit.model.law
    shape = {s.name: outlook.posterior(f"shape_{s.name}")[i, 0] for s in law.shapes}
    scale = np.exp(outlook.log_scale(MATERIAL, WAY)[i])
    sd = outlook.posterior("strip_spread")[i, 0]
    found: dict[str, list[Any]] = {k: [] for k in ("lot", "dose", "strength", "censored")}
    for s in plan:
        lot = rng.normal() * outlook.posterior("lot_spread_of_threshold")[i]
        effect = lot if s.new else outlook.effect(s)[i]
        mean, spread = outlook._unexposed(s)
        start = mean[i] + spread[i] * rng.normal()
        weakest = np.exp(start) * assumptions()["weakest_strip"]["value"]
        for dose, n in zip((0.0, *s.doses), (s.unexposed, *s.strips), strict=True):
            left = float(law.retained(dose / scale / np.exp(effect), shape))
            strength = np.exp(start + np.log(max(left, 1e-9)) + sd * rng.standard_normal(n))
            found["lot"] += [s.lot] * n
            found["dose"] += [dose] * n
            found["censored"] += np.where(strength < weakest, -1, 0).tolist()
            found["strength"] += np.maximum(strength, weakest).tolist()
    return found


def with_strips(study: Any, new: dict[str, list[Any]]) -> Any:
    """The study with more strips."""
    from known_truth import study_of

    rows = study.rows
    columns = {n: np.concatenate([rows[n].values, np.array(v)]) for n, v in new.items()}
    dose = columns["dose"]
    columns |= {"exposure": np.where(dose > 0, EXPOSURE, ""), "direction": WAY}
    return study_of(columns)


def half_width(fit: Any, of: str) -> float:
    """Log half-width of the 95 % interval."""
    tau = fit.threshold_draws(0.5, of=of, material=MATERIAL, direction=WAY, exposure=EXPOSURE)
    low, high = np.quantile(np.log(tau), [0.025, 0.975])
    return float((high - low) / 2)


def compared(seed: int, count: int) -> dict[Any, Any]:
    """Plan to widths by refits and by the two quick ways; and processor seconds of the latter."""
    from durability import fit
    from durability.decisions.learning import futures, truths_of
    from durability.decisions.planned_strips import Outlook
    from durability.inference import Sampler

    study = first_study(seed)
    made = fit(study, seed=seed)
    outlook = Outlook(fit=made, exposure=EXPOSURE, draws=np.arange(made.n_draws))
    found: dict[Any, Any] = {}
    started = time.process_time()
    for name, plan in plans().items():
        blocks = outlook.blocks(plan)
        for of in ("mean", "new_lot"):
            asked = asked_of(made, outlook, of)
            for method in ("weights", "regression", None):
                got = futures(blocks, asked, level=0.95, seed=seed, method=method)
                found[name, of, method] = got.half_width[:count].mean(), got.effective
    found["seconds"] = (time.process_time() - started) / 6
    found["now"] = {of: half_width(made, of) for of in ("mean", "new_lot")}
    sampler = Sampler(draws=500, tune=200, chains=2, cores=1)
    for name, plan in plans().items():
        rng = np.random.default_rng([seed, *name.encode()])
        widths = []
        for i in truths_of(made.n_draws, count, seed):
            again = fit(
                with_strips(study, strips_from(outlook, plan, i, rng)), sampler=sampler, seed=seed
            )
            widths.append([half_width(again, of) for of in ("mean", "new_lot")])
        found[name, "refits"] = np.array(widths)
    return found


def main() -> None:
    from scipy.stats import spearmanr

    parser = argparse.ArgumentParser(description="Plans against refits.")
    parser.add_argument("--studies", type=int, default=3)
    parser.add_argument("--futures", type=int, default=16)
    given = parser.parse_args()
    for seed in range(1, given.studies + 1):
        found = compared(seed, given.futures)
        print(f"study {seed}: five plans in {found['seconds']:.2f} s of processor; factors either"
              " way: refits, weights (draws left), regression, chosen")  # fmt: skip
        for c, of in enumerate(("mean", "new_lot")):
            print(f"  {of}: now {np.exp(found['now'][of]):.3f}")
            refits, quick = [], []
            for name in plans():
                widths = found[name, "refits"][:, c]
                error = widths.std(ddof=1) / np.sqrt(widths.size)
                ways = [found[name, of, m] for m in ("weights", "regression", None)]
                refits.append(widths.mean())
                quick.append(ways[2][0])
                print(f"    {name:20s} {np.exp(widths.mean()):.3f} (x/ {np.exp(error):.3f})"
                      f"  {np.exp(ways[0][0]):.3f} ({ways[0][1]:.0f})  {np.exp(ways[1][0]):.3f}"
                      f"  {np.exp(ways[2][0]):.3f}", flush=True)  # fmt: skip
            print(f"    rank correlation {spearmanr(refits, quick).statistic:.2f}")


if __name__ == "__main__":
    main()
