"""Does the averaged answer hold the truth when no candidate law is right?

    uv run python benchmarks/wrong_law.py [--studies 30]

Invented studies whose truth follows one of three laws outside the candidates of
models/averaging.toml: a loss that bends (`induction-linear`), a fast and a slow part
(`two-stage-exponential`), a gain before the loss (`rise-then-fall`). Three lots (spread of
threshold dose 10 %, of unexposed strength 5 %), doses 0 to 600 in seven levels, five strips with
6 % scatter; strips below 5 % of the unexposed strength are too weak to be measured (censored;
`--limit 0` measures them all). Each study is fitted once with every candidate; thresholds at
several fractions are then asked, some within the tested doses, some beyond. Counted: how often the
95 % interval of the median lot's threshold dose holds the truth, by the average and by the default
law alone, by factor of extrapolation (true threshold over the last dose).
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path

import numpy as np
import xarray as xr

from durability.inference import DEFAULT_LAW, Sampler, fit
from durability.inference.averaging import mix, reweighted
from durability.inference.checking.scores import rules, score_laws
from durability.laws import read_law
from durability.study import Exposure, Material, Study

TRUTHS: dict[str, dict[str, float]] = {
    "induction-linear": {"w": 0.5},
    "two-stage-exponential": {"a": 0.8, "m": 8.0},
    "rise-then-fall": {"g": 0.08, "k": 1.6},
}
LIMIT = 0.05
"""Share of the nominal unexposed strength below which a strip is too weak to be measured."""
FRACTIONS = (0.9, 0.8, 0.7, 0.6, 0.5, 0.4, 0.3, 0.2, 0.1)
DOSES = np.array([0.0, 100.0, 200.0, 300.0, 400.0, 500.0, 600.0])
BINS = ((0.0, 1.0), (1.0, 1.25), (1.25, 1.5), (1.5, 2.0), (2.0, 3.0), (3.0, np.inf))
QUICK = Sampler(draws=500, tune=300, chains=2)


def invented_study(
    seed: int, truth: str, *, limit: float = LIMIT, half: float = 420.0, strips: int = 5
) -> tuple[Study, np.ndarray]:
    """A study of one product, and its true threshold doses at `FRACTIONS`.

    Strips below `limit` of the nominal unexposed strength are censored there.
    """
    rng = np.random.default_rng([seed, list(TRUTHS).index(truth)])
    law, shape = read_law(truth), TRUTHS[truth]
    tau = half * np.exp(rng.normal(0, 0.15))
    scale = tau / float(law.inverse(0.5, shape))
    rows: dict[str, list] = {n: [] for n in ("lot", "dose", "strength")}
    for lot in range(3):
        own, level = scale * np.exp(rng.normal(0, 0.1)), 20.0 * np.exp(rng.normal(0, 0.05))
        for dose in DOSES:
            curve = level * float(law.retained(dose / own, shape))
            rows["strength"] += list(curve * np.exp(rng.normal(0, 0.06, strips)))
            rows["lot"] += [f"L{lot + 1}"] * strips
            rows["dose"] += [dose] * strips
    n = len(rows["dose"])
    dose, strength = np.array(rows["dose"]), np.array(rows["strength"])
    columns = {
        "material": np.full(n, "A"), "lot": np.array(rows["lot"]),
        "direction": np.full(n, "machine"), "exposure": np.where(dose > 0, "X", ""),
        "specimen": np.arange(n).astype(str), "summary": np.zeros(n, dtype=bool),
        "strength": np.maximum(strength, 20.0 * limit), "sd": np.full(n, np.nan),
        "n": np.ones(n, dtype=int), "censored": -(strength < 20.0 * limit).astype(int),
        "used": np.ones(n, dtype=bool), "reason": np.full(n, ""), "hours": np.full(n, np.nan),
        "dose": dose, "file": np.full(n, "invented.csv"),
    }  # fmt: skip
    study = Study(
        folder=Path(), title="invented", property="strength", unit="kN/m", thresholds=FRACTIONS,
        rows=xr.Dataset({k: ("row", v) for k, v in columns.items()}),
        exposures={"X": Exposure(name="X", axis="cycles", dose_unit="cycles")},
        materials={"A": Material(name="A")}, invented=True,
    )  # fmt: skip
    return study, scale * np.asarray(law.inverse(np.array(FRACTIONS), shape))


def held(of, true: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """For each fraction: the 95 % interval holds the truth, and its width as a ratio."""
    where = {"of": "mean", "material": "A", "direction": "machine", "exposure": "X"}
    inside, width = [], []
    for q, t in zip(FRACTIONS, true, strict=True):
        low, high = np.quantile(of.threshold_draws(q, **where), [0.025, 0.975],
                                method="inverted_cdf")  # fmt: skip
        inside.append(low <= t <= high)
        width.append(high / max(low, 1e-9))
    return np.array(inside), np.array(width)


def simulate(
    truth: str,
    studies: int,
    *,
    seed: int = 1,
    weights: tuple[str, ...] = ("forecast",),
    limit: float = LIMIT,
) -> dict[str, np.ndarray]:
    """Factors of extrapolation and, for each way, whether the interval held the truth."""
    found: dict[str, list[np.ndarray]] = {"factor": []}
    for i in range(studies):
        study, true = invented_study(1000 * seed + i, truth, limit=limit)
        found["factor"].append(true / DOSES[-1])
        fits = [fit(study, law=law, sampler=QUICK, seed=i) for law in rules()["candidates"]["laws"]]
        scores = score_laws(fits)
        for way in weights:
            inside, width = held(mix(fits, reweighted(scores, way), seed=i), true)
            found.setdefault(way, []).append(inside)
            found.setdefault(f"{way} width", []).append(width)
        alone = next(f for f in fits if f.law == DEFAULT_LAW)
        inside, width = held(alone, true)
        found.setdefault("default law", []).append(inside)
        found.setdefault("default law width", []).append(width)
    return {k: np.array(v) for k, v in found.items()}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--studies", type=int, default=30)
    parser.add_argument("--truth", choices=[*TRUTHS, "all"], default="all")
    parser.add_argument("--limit", type=float, default=LIMIT, help="0: every strip is measured")
    parser.add_argument("--weights", default="forecast,leave-one-out")
    options = parser.parse_args()
    ways = tuple(options.weights.split(","))
    whole: list[dict[str, np.ndarray]] = []
    for truth in TRUTHS if options.truth == "all" else [options.truth]:
        started = time.process_time()
        got = simulate(truth, options.studies, weights=ways, limit=options.limit)
        whole.append(got)
        spent = time.process_time() - started
        print(f"\n{truth}, {options.studies} studies ({spent:.0f} s)", flush=True)
        table(got, ways)
    print("\ntogether")
    table({k: np.concatenate([g[k] for g in whole]) for k in whole[0]}, ways)


def table(got: dict[str, np.ndarray], ways: tuple[str, ...]) -> None:
    names = (*ways, "default law")
    inside = got["factor"] <= 1
    print("within the tested doses, by fraction left:")
    for j, q in enumerate(FRACTIONS):
        if inside[:, j].any():
            cells = [f"{100 * got[n][:, j][inside[:, j]].mean():5.1f} %".ljust(26) for n in names]
            print(f"{100 * q:g} %: {int(inside[:, j].sum())} asked".ljust(28), *cells)
    print("true threshold / last dose".ljust(28), *(n.ljust(26) for n in names))
    for low, high in BINS:
        here = (got["factor"] > low) & (got["factor"] <= high)
        if not here.any():
            continue
        cells = []
        for name in names:
            share = got[name][here].mean()
            wide = np.median(got[f"{name} width"][here])
            cells.append(f"{100 * share:5.1f} % (x {wide:.2f} wide)".ljust(26))
        print(f"{low:g} to {high:g}: {int(here.sum())} asked".ljust(28), *cells)


if __name__ == "__main__":
    main()
