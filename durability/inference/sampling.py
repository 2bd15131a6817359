"""How is the posterior drawn? The No-U-Turn sampler on the compiled density, from the mode.

nutpie runs the chains in threads on the C callback of `durability.inference.kernel`; no Python is
called while it samples. Since z is close to standard normal, a short adaptation is enough.
"""

from __future__ import annotations

import dataclasses
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.inference import kernel
from durability.inference.coordinates import Coordinates, layout, pack
from durability.inference.model import Model
from durability.inference.search import find

if TYPE_CHECKING:
    import xarray


COPIES = 6  # of the draws, at the worst moment


@dataclass(frozen=True, slots=True, kw_only=True)
class Sampler:
    """Settings of the sampler.

    Parameters
    ----------
    draws, tune, chains : kept draws and adaptation draws of each chain, number of chains.
    target_accept : aimed acceptance; nearer 1 takes smaller steps.
    cores : chains run at once.
    """

    draws: int = 1000
    tune: int = 300
    chains: int = 4
    target_accept: float = 0.8
    cores: int = 2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sample:
    """Draws of theta with the sampler's own statistics."""

    theta: np.ndarray  # (chain, draw, n_y)
    stats: xarray.Dataset
    seconds: float
    settings: Sampler
    coordinates: Coordinates


Progress = Callable[[str, float], None]


def sample(
    model: Model,
    *,
    sampler: Sampler = Sampler(),
    seed: int = 0,
    progress: Progress | None = None,
    coordinates: Coordinates | None = None,
) -> Sample:
    """Draw from the posterior of a model.

    Parameters
    ----------
    model : from `durability.inference.model.build_model`.
    sampler : settings.
    seed : same seed, same draws, whatever the number of cores.
    progress : called with a word and the share done.
    coordinates : from an earlier call, to skip the search for the mode.

    Returns
    -------
    Sample

    Raises
    ------
    ValueError : the draws would not fit into the memory that is free.
    """
    import nutpie

    refuse_too_large(layout(model).size, sampler)

    at = find(model)[0] if coordinates is None else coordinates
    buffer = pack(model, at)
    n_y = at.centre.size
    compiled = _compiled(buffer, n_y)

    def tick(chains: list[Any]) -> None:
        if progress is not None and chains:
            done = sum(c.finished_draws for c in chains)
            total = sum(c.total_draws for c in chains)
            progress("sampling", done / max(total, 1))

    started = time.perf_counter()
    tree = nutpie.sample(
        compiled,
        draws=sampler.draws,
        tune=sampler.tune,
        chains=sampler.chains,
        cores=sampler.cores,
        seed=seed,
        save_warmup=False,
        progress_bar=False,
        progress_callback=tick if progress is not None else None,
        init_mean=np.zeros(n_y),
        target_accept=sampler.target_accept,
    )
    seconds = time.perf_counter() - started
    z = np.ascontiguousarray(tree["posterior"].dataset["z"].values, dtype=float)
    theta = np.empty_like(z)
    for chain in range(z.shape[0]):
        kernel.to_theta(z[chain], buffer, theta[chain])
    return Sample(
        theta=theta,
        stats=tree["sample_stats"].to_dataset(),
        seconds=seconds,
        settings=sampler,
        coordinates=at,
    )


def refuse_too_large(parameters: int, sampler: Sampler, free: float | None = None) -> None:
    """Say early that the draws of so many parameters would not fit into memory.

    Draws are held in the sampler's store, in its answer, in parameters, and in the posterior.

    Parameters
    ----------
    parameters : of the model; sampler : how many draws.
    free : memory [bytes]; of this machine by default, where it tells.

    Raises
    ------
    ValueError : with the estimate.
    """
    need = COPIES * 8.0 * parameters * sampler.chains * sampler.draws
    have = _free_memory() if free is None else free
    if have is not None and need > 0.9 * have:
        raise ValueError(
            f"{sampler.chains * sampler.draws} draws of {parameters} parameters need some"
            f" {need / 1e9:.1f} GB and {have / 1e9:.1f} GB are free: take fewer draws, or fit"
            " products apart"
        )


def _free_memory() -> float | None:
    """Memory that is free [bytes], the kernel's caches included; None where it is not told."""
    try:
        with open("/proc/meminfo", encoding="ascii") as stream:
            lines = dict(line.split(":", 1) for line in stream)
        return 1024.0 * float(lines["MemAvailable"].split()[0])
    except (OSError, KeyError, ValueError):
        return None


def _compiled(buffer: np.ndarray, n_y: int) -> Any:
    """The kernel as a model that nutpie samples."""
    from nutpie.compile_pymc import CompiledPyMCModel

    def start(seed: int | None) -> np.ndarray:
        return np.random.default_rng(seed).uniform(-1.0, 1.0, n_y)

    fields = {f.name for f in dataclasses.fields(CompiledPyMCModel)}
    values: dict[str, Any] = {
        "compiled_logp_func": kernel.density_callback,
        "compiled_expand_func": kernel.expand_callback,
        "initial_point_func": start,
        "shared_data": {},
        "shared_var_keys": {},
        "user_data": buffer,
        "n_expanded": n_y,
        "shape_info": (["z"], [slice(0, n_y)], [(n_y,)]),
        "logp_func": None,
        "expand_func": None,
        "reparameterized_names": None,
        "dims": {},
        "_n_dim": n_y,
        "_shapes": {"z": (n_y,)},
        "_coords": {},
    }
    return CompiledPyMCModel(**{name: value for name, value in values.items() if name in fields})
