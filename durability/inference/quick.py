"""What can be said within a second? Weighted draws from normals fitted to the posterior.

In the coordinates of `durability.inference.coordinates` the posterior is close to standard normal.
A few rounds of draws, each from a normal fitted to those before, are weighted by the exact density
against the mixture of all (adaptive multiple importance sampling, after Cornuet, Marin, Mira and
Robert 2012, Scandinavian Journal of Statistics 39:798; from memory) and drawn again by their
weights. The Pareto shape of the weights says how far the answer may be from that of the chains.
"""

from __future__ import annotations

import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from durability.inference import kernel
from durability.inference.coordinates import pack
from durability.inference.model import Model
from durability.inference.sampling import Progress, Sample, Sampler
from durability.inference.search import find
from durability.inference.weights import pareto_weights

ROUND, ROUNDS = 1000, 8
WIDER = 1.5  # every other round is so much wider than the posterior, for its tails


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Weighted:
    """Draws with weights.

    Parameters
    ----------
    z : (draw, n) in the coordinates.
    log_density : (draw,).
    weight : (draw,) smoothed and summing to 1.
    pareto : shape of the largest weights; above 0.7 the draws do not stand for the posterior.
    """

    z: np.ndarray
    log_density: np.ndarray
    weight: np.ndarray
    pareto: float

    @property
    def effective(self) -> float:
        """Draws that would say as much were they from the posterior."""
        return float(1 / (self.weight**2).sum())


def quick_sample(
    model: Model,
    *,
    sampler: Sampler = Sampler(),
    seed: int = 0,
    progress: Progress | None = None,
) -> tuple[Sample, Weighted]:
    """As many draws as the sampler would give, in a second or less, and how good they are.

    Parameters
    ----------
    model : from `durability.inference.build.build_model`.
    sampler : its chains, draws and cores count.
    seed : same seed, same draws, whatever the number of cores.
    progress : called with a word and the share done.
    """
    import xarray
    from threadpoolctl import threadpool_limits

    rng = np.random.default_rng([seed, 4721])
    with threadpool_limits(1):  # small matrices: threads only wait for each other
        at = find(model)[0]
        buffer, n = pack(model, at), at.centre.size
        started = time.perf_counter()
        found = weighted_draws(buffer, n, rng=rng, cores=sampler.cores, progress=progress)
    size = sampler.chains * sampler.draws
    comb = (np.arange(size) + rng.random()) / size  # systematic: one uniform number for all
    chosen = np.searchsorted(np.cumsum(found.weight), comb).clip(max=len(found.weight) - 1)
    chosen = rng.permutation(chosen).reshape(sampler.chains, sampler.draws)
    theta = np.empty((*chosen.shape, n))
    for chain in range(sampler.chains):
        kernel.to_theta(np.ascontiguousarray(found.z[chosen[chain]]), buffer, theta[chain])
    stats = xarray.Dataset({"lp": (("chain", "draw"), found.log_density[chosen])})
    seconds = time.perf_counter() - started
    drawn = Sample(theta=theta, stats=stats, seconds=seconds, settings=sampler, coordinates=at)
    return drawn, found


def weighted_draws(
    buffer: np.ndarray,
    n: int,
    *,
    rng: np.random.Generator,
    cores: int = 1,
    rounds: int = ROUNDS,
    progress: Progress | None = None,
) -> Weighted:
    """Rounds of draws, each from a normal fitted to those before; all weighted by their mixture.

    Parameters
    ----------
    buffer : of the density; n : its parameters.
    rng : of the draws.
    cores : threads.
    rounds : of `ROUND` draws.
    progress : called with a word and the share done.
    """
    parts = [(np.zeros(n), 1.05 * np.eye(n))]
    z = np.empty((rounds * ROUND, n))
    density, mixture = np.empty(len(z)), np.full(len(z), -np.inf)
    found = Weighted(z=z[:0], log_density=density[:0], weight=density[:0], pareto=np.inf)
    for k in range(rounds):
        if progress is not None:
            progress("weighing draws", k / rounds)
        old, mine, all_ = (
            slice(k * ROUND),
            slice(k * ROUND, (k + 1) * ROUND),
            slice((k + 1) * ROUND),
        )
        centre, chol = parts[-1]
        z[mine] = centre + rng.standard_normal((ROUND, n)) @ chol.T
        density[mine] = log_densities(z[mine], buffer, cores)
        mixture[old] = np.logaddexp(mixture[old], _normal(z[old], centre, chol))
        mixture[mine] = np.logaddexp.reduce([_normal(z[mine], *part) for part in parts])
        weight, pareto = smoothed(density[all_] - mixture[all_])
        found = Weighted(z=z[all_], log_density=density[all_], weight=weight, pareto=pareto)
        centre, chol = _fitted(found, n)
        parts.append((centre, chol if k % 2 else WIDER * chol))
    return found


def log_densities(z: np.ndarray, buffer: np.ndarray, cores: int = 1) -> np.ndarray:
    """Log posterior density (up to a constant) of many points (draw, n); -inf where there is none.

    Threads share the points: the compiled density runs without Python's lock.
    """
    z = np.ascontiguousarray(z, dtype=float)
    found = np.empty(len(z))

    def run(first: int, end: int) -> None:
        gradient = np.empty(z.shape[1])
        n, step, slope = z.shape[1], z.strides[0], gradient.ctypes.data
        place, answer, data = z.ctypes.data, found.ctypes.data, buffer.ctypes.data
        for i in range(first, end):
            kernel.call_density(n, place + i * step, slope, answer + 8 * i, data)

    ends = np.linspace(0, len(z), max(1, cores) + 1).astype(int).tolist()
    with ThreadPoolExecutor(max(1, cores)) as pool:
        list(pool.map(run, ends[:-1], ends[1:]))
    return np.where(np.isfinite(found), found, -np.inf)


def smoothed(log_weight: np.ndarray) -> tuple[np.ndarray, float]:
    """Weights that sum to 1, and their Pareto shape (inf: none holds).

    As `pareto_weights`, with draws where there is no density; few draws have no shape.
    """
    finite = np.isfinite(log_weight)
    weight = np.zeros(log_weight.size)
    if finite.sum() < 50:
        weight[np.argmax(log_weight)] = 1.0
        return weight, np.inf
    with np.errstate(all="ignore"):
        weight[finite], pareto = pareto_weights(log_weight[finite])
    return weight, pareto if np.isfinite(pareto) else np.inf


def _normal(z: np.ndarray, centre: np.ndarray, chol: np.ndarray) -> np.ndarray:
    """Log density of a normal, up to the constant of the standard normal."""
    from scipy.linalg import solve_triangular

    away = solve_triangular(chol, (z - centre).T, lower=True, check_finite=False)
    return -0.5 * (away**2).sum(0) - np.log(np.diag(chol)).sum()


def _fitted(draws: Weighted, n: int) -> tuple[np.ndarray, np.ndarray]:
    """Mean and covariance of weighted draws, held to the standard normal where they are few."""
    trust = min(1.0, draws.effective / (10 * n))
    mean = draws.weight @ draws.z
    gap = draws.z - mean
    covariance = gap.T @ (gap * draws.weight[:, None])
    mixed = trust * covariance + (1 - trust) * 1.2 * np.eye(n)
    return trust * mean, np.linalg.cholesky(1.05 * mixed + 1e-9 * np.eye(n))
