"""How is the posterior drawn where rotations do not do? One chain of nutpie's No-U-Turn sampler.

It chooses the length of each trajectory by itself, so that it also moves where the density is far
from normal. nutpie calls the C callback of `durability.inference.kernel`, and no Python.
"""

from __future__ import annotations

import contextlib
import dataclasses
from collections.abc import Callable
from typing import Any

import numpy as np

from durability.inference import kernel

STATS = {
    "mean_tree_accept": "acceptance_rate", "energy": "energy", "diverging": "diverging",
    "logp": "lp", "n_steps": "n_steps",
}  # fmt: skip
"""What is kept of the sampler's own statistics, and its name here."""


def no_u_turn_chain(
    data: np.ndarray,
    n: int,
    *,
    seed: list[int],
    draws: int,
    tune: int,
    target: float,
    on: Callable[[float], None],
) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """One chain from start to end.

    Parameters
    ----------
    data : buffer of the compiled density; n : its parameters.
    seed : words of the seed.
    draws, tune, target : kept draws, draws of adaptation, aimed acceptance.
    on : called with the share done; what it raises ends the chain.

    Returns
    -------
    z (draw, n) and statistics by name (draw,).
    """
    import nutpie

    share = [0.0]

    def tick(chains: list[Any]) -> None:
        share[0] = sum(c.finished_draws / max(c.total_draws, 1) for c in chains)

    running: Any = nutpie.sample(
        _compiled(data, n),
        draws=draws,
        tune=tune,
        chains=1,
        cores=1,
        seed=int(np.random.SeedSequence(seed).generate_state(1)[0]),
        save_warmup=False,
        progress_bar=False,
        progress_callback=tick,
        init_mean=np.zeros(n),
        target_accept=target,
        blocking=False,
    )
    tree: Any = None
    try:
        while tree is None:
            on(share[0])
            with contextlib.suppress(TimeoutError):  # not finished yet
                tree = running.wait(timeout=0.02)
    except BaseException:
        running.cancel()
        raise
    stats = tree["sample_stats"].to_dataset()
    told = {ours: stats[theirs].values[0] for theirs, ours in STATS.items()}
    return np.ascontiguousarray(tree["posterior"]["z"].values[0], dtype=float), told


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
