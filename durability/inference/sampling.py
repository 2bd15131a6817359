"""How is the posterior drawn? Chains on the compiled density, each in a thread of its own.

Since z is close to standard normal, chains move by rotations (`durability.inference.rotation`).
Where such a run misses its diagnostics, `durability.inference.fit` asks for the No-U-Turn sampler
(`durability.inference.no_u_turn`), whose trajectories choose their own length.

A chain is made of the density, the settings, the seed and its own number, and of nothing else. So
finished chains can be kept in a folder, and a run that was cut off goes on from there and ends with
the draws that it would have had.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import threading
import time
import zipfile
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor, wait
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from durability.inference import kernel
from durability.inference.coordinates import Coordinates, layout, pack
from durability.inference.model import Model
from durability.inference.search import find

if TYPE_CHECKING:
    import xarray


Moves = Literal["rotations", "no-u-turn"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sampler:
    """Settings of the sampler.

    Parameters
    ----------
    draws, tune, chains : kept draws and adaptation draws of each chain, number of chains.
    target_accept : aimed acceptance; nearer 1 takes smaller steps.
    cores : chains run at once.
    moves : ``"rotations"``, or ``"no-u-turn"`` for trajectories that choose their own length.
    """

    draws: int = 1000
    tune: int = 200
    chains: int = 4
    target_accept: float = 0.9
    cores: int = 2
    moves: Moves = "rotations"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sample:
    """Draws of theta with the sampler's own statistics.

    ``stats`` has ``acceptance_rate``, ``energy``, ``diverging``, ``lp`` (log density) and
    ``n_steps`` (gradients) along ``chain`` and ``draw``.
    """

    theta: np.ndarray  # (chain, draw, n_y)
    stats: xarray.Dataset
    seconds: float
    settings: Sampler
    coordinates: Coordinates


Progress = Callable[[str, float], None]


class _Stopped(Exception):
    """A chain is told to end."""


def sample(
    model: Model,
    *,
    sampler: Sampler = Sampler(),
    seed: int = 0,
    progress: Progress | None = None,
    coordinates: Coordinates | None = None,
    keep: Path | None = None,
) -> Sample:
    """Draw from the posterior of a model.

    Parameters
    ----------
    model : from `durability.inference.model.build_model`.
    sampler : settings.
    seed : same seed, same draws, whatever the number of cores.
    progress : called with a word and the share done.
    coordinates : from an earlier call, to skip the search for the mode.
    keep : folder in which each chain is kept when it is finished, and from which chains of the same
        run are taken. Whoever names it removes it.

    Returns
    -------
    Sample

    Raises
    ------
    FloatingPointError : the density is finite nowhere near the mode.
    """
    import xarray

    n_y = layout(model).size
    at = find(model)[0] if coordinates is None else coordinates
    buffer = pack(model, at)
    started = time.perf_counter()
    theta = np.empty((sampler.chains, sampler.draws, n_y))
    stats: list[dict[str, np.ndarray]] = [{} for _ in range(sampler.chains)]
    shares = [0.0] * sampler.chains
    stop = threading.Event()
    place = None if keep is None else _Kept(keep, buffer, sampler, seed)

    def run(chain: int) -> None:
        def on(share: float) -> None:
            shares[chain] = share
            if stop.is_set():
                raise _Stopped

        on(0.0)
        found = None if place is None else place.read(chain)
        if found is None:
            found = _chain(buffer, n_y, sampler, [seed, chain], on)
            if place is not None:
                place.write(chain, *found)
        z, stats[chain] = found
        kernel.to_theta(z, buffer, theta[chain])
        shares[chain] = 1.0

    with ThreadPoolExecutor(max(1, sampler.cores)) as pool:
        chains = [pool.submit(run, c) for c in range(sampler.chains)]
        try:
            _watch(chains, shares, progress)
        except BaseException:
            stop.set()
            for waiting in chains:
                waiting.cancel()
            raise
    return Sample(
        theta=theta,
        stats=xarray.Dataset(
            {name: (("chain", "draw"), np.stack([s[name] for s in stats])) for name in stats[0]}
        ),
        seconds=time.perf_counter() - started,
        settings=sampler,
        coordinates=at,
    )


def _watch(chains: list[Future[None]], shares: list[float], progress: Progress | None) -> None:
    """Wait for all chains and tell how far they are; the first failure of one is raised."""
    waiting = set(chains)
    while waiting:
        ended, waiting = wait(waiting, timeout=0.1)
        for chain in ended:
            chain.result()
        if progress is not None:
            progress("sampling", sum(shares) / len(shares))


def _chain(
    buffer: np.ndarray, n_y: int, sampler: Sampler, seed: list[int], on: Callable[[float], None]
) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """One chain by the moves that are asked."""
    settings: dict[str, Any] = {
        "seed": seed, "draws": sampler.draws, "tune": sampler.tune,
        "target": sampler.target_accept, "on": on,
    }  # fmt: skip
    if sampler.moves == "rotations":
        from durability.inference.rotation import rotating_chain

        address: int = kernel.density_callback.address  # pyright: ignore
        return rotating_chain(address, buffer, n_y, **settings)
    from durability.inference.no_u_turn import no_u_turn_chain

    return no_u_turn_chain(buffer, n_y, **settings)


class _Kept:
    """Finished chains of one run, in a folder that may hold those of others.

    A file's name begins with the digest of everything that a chain is made of, its code included,
    so that a chain of anything else is never taken for it.
    """

    def __init__(self, folder: Path, buffer: np.ndarray, sampler: Sampler, seed: int) -> None:
        about = [sampler.draws, sampler.tune, sampler.target_accept, sampler.moves, seed]
        same = buffer.copy()
        same[kernel.TAILED] = same[kernel.TAILED] != 0  # an address, another in each process
        digest = hashlib.sha256(repr(about).encode() + same.tobytes())
        for file in ("kernel.py", "tails.py", "rotation.py"):
            digest.update(Path(__file__).with_name(file).read_bytes())
        self.folder, self.name = folder, digest.hexdigest()[:24]

    def _file(self, chain: int) -> Path:
        return self.folder / f"{self.name}-{chain}.npz"

    def read(self, chain: int) -> tuple[np.ndarray, dict[str, np.ndarray]] | None:
        """A chain that was kept; None where it was not, or its file is damaged."""
        try:
            with open(self._file(chain), "rb") as stream:
                held: dict[str, np.ndarray] = dict(np.load(stream, allow_pickle=False))
        except (OSError, ValueError, EOFError, zipfile.BadZipFile):
            return None
        return held.pop("z"), held

    def write(self, chain: int, z: np.ndarray, stats: dict[str, np.ndarray]) -> None:
        """Keep a chain, whole or not at all; where nothing can be written, go on without."""
        fresh = self._file(chain).with_suffix(f".{os.getpid()}.part")
        with contextlib.suppress(OSError):
            self.folder.mkdir(parents=True, exist_ok=True)
            with open(fresh, "wb") as stream:
                np.savez(stream, allow_pickle=False, z=z, **stats)
            fresh.replace(self._file(chain))
