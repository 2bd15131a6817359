"""Do profile intervals of the threshold dose hold the truth as often as they say?

    uv run python benchmarks/likelihood_coverage.py [--studies 4000]

Invented studies of 6 doses x 5 strips from each of four laws, lognormal scatter of 8 %, half of the
strength lost at dose 280 of 600. For every study the law is fitted and the deviance at the true
threshold is compared with what the F distribution and chi-square allow at 95 % (the interval holds
the truth exactly where the deviance there is allowed). With 4,000 studies a share has a standard
error of 0.34 %.
"""

from __future__ import annotations

import argparse
from dataclasses import replace

import numpy as np

from durability.inference.likelihood import fit_curve
from durability.inference.likelihood.minimise import minimise
from durability.inference.likelihood.profile import allowed, profile_at
from durability.inference.likelihood.quantity import threshold
from durability.laws import read_law

LAWS = ("linear", "exponential", "stretched-exponential", "logistic")
DOSES = np.array([0.0, 100.0, 200.0, 300.0, 450.0, 600.0])
HALF, SCATTER, STRIPS = 280.0, 0.08, 5


def coverage(name: str, studies: int, seed: int = 1) -> dict[str, float]:
    """Share of studies whose 95 % interval holds the truth, by F and by chi-square."""
    law = read_law(name)
    rng = np.random.default_rng(seed)
    scale = HALF / float(law.inverse(0.5))
    truth = np.log(20 * law.retained(DOSES / scale))
    logs = truth[None, :, None] + rng.normal(0, SCATTER, (studies, DOSES.size, STRIPS))
    # one fit for the shape of the problem; its rows are then those of every study
    one = fit_curve(law, np.repeat(DOSES, STRIPS), np.exp(logs[0].ravel()))
    rows = replace(
        one.data.rows,
        mean=logs.mean(-1),
        squares=((logs - logs.mean(-1, keepdims=True)) ** 2).sum(-1),
    )
    many = replace(one.likelihood, rows=rows)
    start = np.log([20.0, scale, *(s.median for s in law.shapes)])
    found = minimise(many, np.tile(start, (studies, 1)), lower=many.lower, upper=many.upper)
    asked = threshold(one, 0.5, None)
    solve = np.full(studies, asked.solve_for)
    held, _ = profile_at(
        many, asked.condition, np.full(studies, np.log(HALF)), found.theta, solve, asked.linear
    )
    deviance = 2 * (held - found.value)
    return {
        c: float((deviance <= allowed(0.95, one.n, one.parameters, c)).mean())
        for c in ("F", "chi2")
    }  # type: ignore[return-value]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--studies", type=int, default=4000)
    options = parser.parse_args()
    print("law | F | chi-square (share of 95 % intervals that hold the truth)")
    for name in LAWS:
        found = coverage(name, options.studies)
        print(f"{name} | {100 * found['F']:.1f} % | {100 * found['chi2']:.1f} %", flush=True)


if __name__ == "__main__":
    main()
