"""May the draws be quoted? R-hat, effective draws, divergences and energy, against limits."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    import xarray

# Limits: R-hat and effective draws of Vehtari, Gelman, Simpson, Carpenter and Buerkner (2021),
# Bayesian Analysis 16:667 (figures from memory); energy fraction of Betancourt (2016), from memory.
RHAT, ESS, ENERGY, DIVERGENT = 1.01, 400.0, 0.3, 0.001
# Of weighted draws, our own: where both held, 95 % limits lay within 0.3 standard deviations of
# those of long chains in seven studies; else up to 0.9 off (benchmarks/quick.py). The
# literature asks for a shape of at most 0.7 (Vehtari and others 2024, Journal of Machine Learning
# Research 25:72; from memory).
PARETO, SHARE = 0.5, 0.25
JUDGED, BATCH = 400, 50  # parameters judged by ArviZ; draws of a batch in the choice of them


@dataclass(frozen=True, slots=True, kw_only=True)
class Diagnostics:
    """Convergence of one sample.

    Parameters
    ----------
    rhat : largest rank-normalised R-hat, and the parameter that has it.
    ess_bulk, ess_tail : smallest effective numbers of draws.
    divergences : number among `draws` kept draws.
    energy : smallest Bayesian fraction of missing information.
    retried : the first run missed a limit and smaller steps were taken.
    pareto : of a quick answer, the shape of its largest weights; nan of chains, and of a quick
        answer the numbers of chains are nan.
    """

    rhat: float
    rhat_of: str
    ess_bulk: float
    ess_bulk_of: str
    ess_tail: float
    ess_tail_of: str
    divergences: int
    energy: float
    draws: int
    retried: bool = False
    pareto: float = math.nan

    @property
    def quick(self) -> bool:
        """Weighted draws, not chains: approximate."""
        return not math.isnan(self.pareto)

    def problems(self) -> list[str]:
        """What misses its limit, in words; empty when everything may be quoted."""
        found = []
        if self.quick:
            if not self.pareto <= PARETO:
                found.append(
                    f"the Pareto shape of the weights is {self.pareto:.2f}; at most {PARETO} is"
                    " accepted: run the chains"
                )
            if not self.ess_bulk >= SHARE * self.draws:
                found.append(
                    f"{self.draws} weighed draws say as much as {self.ess_bulk:.0f}; at least"
                    f" {SHARE * self.draws:.0f} are asked: run the chains"
                )
            return found
        if not self.rhat <= RHAT:
            found.append(f"R-hat of {self.rhat_of} is {self.rhat:.3f}; at most {RHAT} is accepted")
        for name, value, of in (
            ("bulk", self.ess_bulk, self.ess_bulk_of),
            ("tail", self.ess_tail, self.ess_tail_of),
        ):
            if not value >= ESS:
                found.append(
                    f"{of} has {value:.0f} effective draws ({name}); at least {ESS:.0f} are asked"
                )
        if self.divergences > DIVERGENT * self.draws:
            found.append(f"{self.divergences} of {self.draws} draws diverged")
        if not self.energy >= ENERGY:
            found.append(f"the energy fraction is {self.energy:.2f}; at least {ENERGY} is accepted")
        return found

    @property
    def ok(self) -> bool:
        """True when every limit is kept."""
        return not self.problems()

    def to_dict(self) -> dict[str, Any]:
        """Plain types for results.json."""
        if self.quick:
            return {
                "passed": self.ok,
                "problems": self.problems(),
                "pareto": round(self.pareto, 3) if math.isfinite(self.pareto) else None,
                "ess_bulk": round(self.ess_bulk),
                "draws": self.draws,
            }
        return {
            "passed": self.ok,
            "problems": self.problems(),
            "rhat": round(self.rhat, 4),
            "ess_bulk": round(self.ess_bulk),
            "ess_tail": round(self.ess_tail),
            "divergences": self.divergences,
            "energy": round(self.energy, 3),
            "draws": self.draws,
            "retried": self.retried,
        }

    def __str__(self) -> str:
        if self.quick:
            verdict = (
                "good enough" if self.ok else "NOT TO BE TRUSTED: " + "; ".join(self.problems())
            )
            return (
                f"a quick answer, {verdict} (Pareto shape {self.pareto:.2f},"
                f" {self.ess_bulk:.0f} effective draws)"
            )
        verdict = "passed" if self.ok else "FAILED: " + "; ".join(self.problems())
        return (
            f"diagnostics {verdict} (R-hat {self.rhat:.3f}, effective draws {self.ess_bulk:.0f}"
            f" bulk and {self.ess_tail:.0f} tail, {self.divergences} divergences)"
        )


def diagnose(
    theta: np.ndarray, names: list[str], stats: xarray.Dataset, *, retried: bool = False
) -> Diagnostics:
    """Diagnostics of draws (chain, draw, parameter) by ArviZ's estimators.

    ArviZ takes some 5 ms a parameter. Of many hundreds (lots), those are judged whose batch means
    scatter most beside their draws.

    Parameters
    ----------
    theta : draws; `names` labels the parameters.
    stats : the sampler's statistics with ``diverging`` and ``energy`` (chain, draw).
    """
    import arviz_stats.base

    array_stats: Any = arviz_stats.base.array_stats  # pyright: ignore[reportPrivateImportUsage]
    axes = {"chain_axis": 0, "draw_axis": 1}
    judged = _least_mixed(theta)
    names = [names[j] for j in judged]
    columns = [theta[:, :, j] for j in judged]
    with np.errstate(invalid="ignore", divide="ignore"):  # a parameter that never moves: nan
        rhat = np.array([float(array_stats.rhat(x, **axes)) for x in columns])
        bulk = np.array([float(array_stats.ess(x, method="bulk", **axes)) for x in columns])
        tail = np.array(
            [float(array_stats.ess(x, method="tail", prob=(0.05, 0.95), **axes)) for x in columns]
        )
    energy = stats["energy"].values
    jumps = (np.diff(energy, axis=1) ** 2).mean(axis=1)
    return Diagnostics(
        rhat=float(rhat.max()),
        rhat_of=names[int(rhat.argmax())],
        ess_bulk=float(bulk.min()),
        ess_bulk_of=names[int(bulk.argmin())],
        ess_tail=float(tail.min()),
        ess_tail_of=names[int(tail.argmin())],
        divergences=int(stats["diverging"].values.sum()),
        energy=float((jumps / energy.var(axis=1)).min()),
        draws=theta.shape[0] * theta.shape[1],
        retried=retried,
    )


def _least_mixed(theta: np.ndarray) -> np.ndarray:
    """Parameters to judge: all, or of many the `JUDGED` whose batches agree least.

    Batches of all chains are compared in value, in distance from the middle (a chain that is wider
    than the others) and in the share of draws in either tail, so that what R-hat and both
    effective numbers punish is seen.
    """
    chains, draws, n = theta.shape
    if n <= JUDGED or draws < 2 * BATCH:
        return np.arange(n)
    worst = np.zeros(n)
    whole = theta[:, : draws - draws % BATCH]
    for start in range(0, n, 500):  # of many lots a copy of all draws would double the memory
        x = whole[:, :, start : start + 500].reshape(chains * (draws // BATCH), BATCH, -1)
        low, middle, high = np.quantile(x, [0.05, 0.5, 0.95], axis=(0, 1))
        for y in (x, np.abs(x - middle), (x <= low).astype(float), (x >= high).astype(float)):
            with np.errstate(invalid="ignore", divide="ignore"):
                ratio = y.mean(axis=1).var(axis=0) / y.var(axis=(0, 1))
            ratio = np.where(np.isfinite(ratio), ratio, np.inf)  # one that never moves
            worst[start : start + 500] = np.maximum(worst[start : start + 500], ratio)
    return np.sort(np.argsort(worst)[-JUDGED:])


def diagnose_quick(pareto: float, effective: float, weighed: int) -> Diagnostics:
    """Diagnostics of so many weighted draws (`durability.inference.quick`)."""
    return Diagnostics(
        rhat=math.nan, rhat_of="", ess_bulk=effective, ess_bulk_of="any parameter",
        ess_tail=math.nan, ess_tail_of="", divergences=0, energy=math.nan, draws=weighed,
        pareto=pareto,
    )  # fmt: skip
