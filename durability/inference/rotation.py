"""How does a chain move where the density is close to standard normal? By rotations and kicks.

Hamiltonian Monte Carlo whose motion is split: position and momentum of a standard normal turn about
each other, exactly, and what the density has beside the standard normal kicks the momentum between
two turns. A trajectory of a quarter turn forgets where it began, and where the density is a normal
nothing kicks: two or three gradients make an independent draw, where an integrator that knows
nothing of the normal takes seven. The end is accepted by Metropolis' rule, so that the draws are
those of the density however long the steps are.

Source: Casas, Sanz-Serna and Shaw (2022), Split Hamiltonian Monte Carlo revisited, Statistics and
Computing 32:86, who show that the splitting is fast where coordinates have made the density round.

What is compiled depends on this file alone, by whose state it is shipped and kept.
"""

from __future__ import annotations

import ctypes
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from llvmlite import ir
from numba import types
from numba.extending import intrinsic as _intrinsic

from durability.machine_code import Pieces

pieces = Pieces(__file__)
intrinsic: Any = _intrinsic  # its functions are called without their first parameter
_f8, _i8 = types.float64, types.int64
_fp, _ip = types.CPointer(_f8), types.CPointer(_i8)

ANGLE, JITTER = (
    0.5 * math.pi,
    0.1,
)  # of a trajectory [rad]; it is shorter or longer by up to a tenth
FINER, SHARE = 4, 0.2
"""Of all trajectories a fifth takes four times as many rotations. It is accepted where others are
not, so that a chain does not stay for long where the density bends most."""
LOST = 1000.0  # an energy that is off by so much counts as a divergence
MOST = 64  # rotations of a trajectory
FIRST_LOOK = 15  # draws that tell whether a number of rotations moves the chain at all
STATS = ("acceptance_rate", "energy", "diverging", "lp", "n_steps")
BLOCK = 2_000_000  # numbers made at once
WORTH = 0.35  # a centre [scales] or a log scale that is off by less is left as it is


@intrinsic
def _density_at(typingctx, address, n, z, grad, value, data):
    """Call a C function by its address: int64 f(uint64, double *, double *, double *, int64 *)."""

    def call(context, builder, signature, args):
        number, whole = ir.DoubleType().as_pointer(), ir.IntType(64).as_pointer()
        kind = ir.FunctionType(ir.IntType(64), [ir.IntType(64), number, number, number, whole])
        return builder.call(builder.inttoptr(args[0], kind.as_pointer()), args[1:])

    return _i8(_i8, _i8, _fp, _fp, _fp, _ip), call


@intrinsic
def _on(typingctx, p, place):
    """The pointer moved on by some elements."""

    def move(context, builder, signature, args):
        return builder.gep(args[0], [args[1]])

    return _fp(_fp, _i8), move


_TURN = _i8(_i8, _ip, _i8, _i8, _i8, _i8, _f8, _f8, _f8, _fp, _fp, _fp, _fp, _fp, _fp, _fp)


@pieces.add("durability_turn", _TURN)
def _turn(
    address, data, n, draws, steps, finer, share, angle, jitter, state, frame, work, normal,
    uniform, out, stats,
):  # fmt: skip
    """Draws of one chain, from where it stands.

    Parameters
    ----------
    address, data : of the compiled log density and of its buffer; n : parameters.
    draws, steps : trajectories, and rotations of each.
    finer, share : so many times as many rotations in this share of them.
    angle, jitter : mean length of a trajectory [rad] and the share by which it varies.
    state : where the chain stands, x (n), the gradient there (n), the log density; moved on. With
        nan for the log density both are found first.
    frame : centre (n) and scale (n): the density's own z is centre + scale x.
    work : 3 n + 1 numbers.
    normal : (draws, n) standard normal numbers, the momenta; overwritten.
    uniform : (draws, 3) in 0 to 1: for the length of a trajectory, its acceptance, its steps.
    out : (draws, n) filled with z.
    stats : (draws, 5) filled as `STATS`.
    """
    scale = _on(frame, n)
    slope, value = _on(state, n), _on(state, 2 * n)
    here, grad, z, there = work, _on(work, n), _on(work, 2 * n), _on(work, 3 * n)
    if not math.isfinite(value[0]):
        for i in range(n):
            z[i] = frame[i] + scale[i] * state[i]
        if _density_at(address, n, z, slope, value, data) != 0:
            value[0] = np.nan
            return 1
        for i in range(n):
            slope[i] *= scale[i]
    for d in range(draws):
        p = _on(normal, d * n)
        many = steps * finer if uniform[3 * d + 2] < share else steps
        epsilon = angle * (1.0 + jitter * (2.0 * uniform[3 * d] - 1.0)) / many
        c, s = math.cos(epsilon), math.sin(epsilon)
        before = -value[0]
        for i in range(n):
            here[i] = state[i]
            before += 0.5 * p[i] * p[i]
            p[i] += 0.5 * epsilon * (slope[i] + state[i])
        bad = taken = 0
        while taken < many and bad == 0:
            for i in range(n):
                t = here[i]
                here[i] = c * t + s * p[i]
                p[i] = c * p[i] - s * t
                z[i] = frame[i] + scale[i] * here[i]
            bad = _density_at(address, n, z, grad, there, data)
            taken += 1
            kick = 0.5 * epsilon if taken == many else epsilon
            for i in range(n):
                grad[i] *= scale[i]
                p[i] += kick * (grad[i] + here[i])
        gap = -np.inf
        if bad == 0:
            gap = before + there[0]
            for i in range(n):
                gap -= 0.5 * p[i] * p[i]
        if not gap > -np.inf:  # nan too
            gap = -np.inf
        accept = math.exp(min(0.0, gap))
        if uniform[3 * d + 1] < accept:
            for i in range(n):
                state[i] = here[i]
                slope[i] = grad[i]
            value[0] = there[0]
        for i in range(n):
            out[d * n + i] = frame[i] + scale[i] * state[i]
        stats[5 * d] = accept
        stats[5 * d + 1] = before
        stats[5 * d + 2] = 1.0 if gap < -LOST else 0.0
        stats[5 * d + 3] = value[0]
        stats[5 * d + 4] = taken
    return 0


pieces.link()

_address = ctypes.c_void_p
_call_turn = ctypes.CFUNCTYPE(
    ctypes.c_int64, ctypes.c_int64, _address, *[ctypes.c_int64] * 4, *[ctypes.c_double] * 3,
    *[_address] * 7,
)(_turn.address)  # fmt: skip


@dataclass(slots=True, kw_only=True, eq=False)
class RotatingChain:
    """One chain: where it stands, how it steps, and its own random numbers.

    Parameters
    ----------
    density : address of the compiled log density, int64 f(n, z, gradient, value, data).
    data : its buffer.
    n : parameters.
    rng : of this chain; same state, same draws.
    steps : rotations of a trajectory.
    state, frame : as of `_turn`.
    """

    density: int
    data: np.ndarray
    n: int
    rng: np.random.Generator
    steps: int = 2
    state: np.ndarray = field(init=False)
    frame: np.ndarray = field(init=False)
    _work: np.ndarray = field(init=False)

    def __post_init__(self) -> None:
        self.state = np.full(2 * self.n + 1, np.nan)
        self.frame = np.concatenate([np.zeros(self.n), np.ones(self.n)])
        self._work = np.empty(3 * self.n + 1)

    def start(self) -> None:
        """Stand at a random point that the density knows.

        Raises
        ------
        FloatingPointError : none of a hundred points has a finite density and gradient.
        """
        for attempt in range(100):
            point = self.rng.standard_normal(self.n) * 0.9**attempt
            self._stand(point)
            self._move(0)
            if np.isfinite(self.state[-1]):
                return
        raise FloatingPointError("the log density is finite nowhere near the mode")

    def adapt(self, tune: int, target: float) -> None:
        """Find how many rotations a trajectory takes, and scales that are plainly off.

        Parameters
        ----------
        tune : draws spent on it, besides a few first looks.
        target : least mean acceptance that is aimed at.
        """
        self.start()
        while self.steps < MOST:
            if self._accepted(self._move(FIRST_LOOK)[1]) > 0.6:
                break
            self.steps = min(MOST, math.ceil(1.5 * self.steps))
        for share in (0.3, 0.3, 0.4):
            z, stats = self._move(max(10, round(share * tune)))
            accepted = self._accepted(stats)
            if share < 0.4:
                self._rescale(z)
            # what is not accepted goes as the square of a step's length
            longer = math.sqrt((1.0 - accepted) / (1.0 - target))
            self.steps = min(MOST, max(2, math.ceil(self.steps * longer - 1e-9)))

    def draws(self, out: np.ndarray) -> Iterator[tuple[slice, np.ndarray]]:
        """Fill `out` (draw, n) with draws of z, block by block: the rows made and their statistics.

        The blocks are of the same size whatever is asked, so that draws depend on the seed alone.
        """
        block = max(1, min(250, BLOCK // self.n))
        for first in range(0, len(out), block):
            rows = slice(first, min(first + block, len(out)))
            z, stats = self._move(rows.stop - first)
            out[rows] = z
            yield rows, stats

    def _accepted(self, stats: np.ndarray) -> float:
        """Mean acceptance of the trajectories that are no finer than the others."""
        return float(stats[stats[:, 4] <= self.steps, 0].mean())

    def _stand(self, x: np.ndarray) -> None:
        self.state[: self.n] = x
        self.state[-1] = np.nan

    def _rescale(self, z: np.ndarray) -> None:
        """Centres and scales that draws of z show to be plainly off; the chain stays in place."""
        centre, scale = self.frame[: self.n], self.frame[self.n :]
        here = centre + scale * self.state[: self.n]
        few = len(z) / (len(z) + 10.0)
        away = few * (z.mean(axis=0) - centre) / scale
        with np.errstate(divide="ignore"):  # a chain that never moved has no width
            wider = few * np.log(z.std(axis=0) / scale)
        centre += np.where(np.abs(away) > WORTH, away, 0.0) * scale
        scale *= np.exp(np.where(np.isfinite(wider) & (np.abs(wider) > WORTH), wider, 0.0))
        self._stand((here - centre) / scale)

    def _move(self, draws: int) -> tuple[np.ndarray, np.ndarray]:
        """So many trajectories: z (draw, n) and statistics (draw, 5)."""
        normal = self.rng.standard_normal((draws, self.n))
        uniform = self.rng.random((draws, 3))
        out, stats = np.empty((draws, self.n)), np.empty((draws, len(STATS)))
        places = (self.state, self.frame, self._work, normal, uniform, out, stats)
        _call_turn(
            self.density, self.data.ctypes.data, self.n, draws, self.steps, FINER, SHARE, ANGLE,
            JITTER,
            *[a.ctypes.data for a in places],
        )  # fmt: skip
        return out, stats


def rotating_chain(
    density: int,
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
    density, data, n : as of `RotatingChain`.
    seed : words of the seed.
    draws, tune, target : kept draws, draws of adaptation, aimed acceptance.
    on : called with the share done between blocks; what it raises ends the chain.

    Returns
    -------
    z (draw, n) and statistics by name (draw,).
    """
    chain = RotatingChain(density=density, data=data, n=n, rng=np.random.default_rng(seed))
    chain.adapt(tune, target)
    z, stats = np.empty((draws, n)), np.empty((draws, len(STATS)))
    for rows, found in chain.draws(z):
        stats[rows] = found
        on(rows.stop / draws)
    told: dict[str, np.ndarray] = dict(zip(STATS, stats.T.copy(), strict=True))
    told["diverging"] = told["diverging"] > 0
    told["n_steps"] = told["n_steps"].astype(int)
    return z, told
