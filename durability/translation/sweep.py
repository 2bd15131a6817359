"""The hours of a year, draw by draw, in compiled code: what `durability.translation.kernel` runs.

Three passes over the lit hours of each draw: the logarithm of the rate, its exponential, the
running sum. The exponential is written out (range reduction to |r| <= ln 2 / 2, Taylor's series to
the 13th power, exponent put together from bits; error below 3e-16), because the compiler then
does four or eight hours at once and the library's function one. Days are found from the place of
the start before, first by walking, then by halving.

This module imports numba at the top; it is itself imported inside the functions that need it. What
is compiled depends on this file alone, by whose state it is shipped and kept.
"""

from __future__ import annotations

import ctypes
from typing import Any

import numba
import numpy as np
from numba import types

from durability.machine_code import Pieces, compiled_and_kept

pieces = Pieces(__file__)
HOURS = 8760
WALK = 32
"""Hours walked from the last place before the search goes on by halving."""
N_ROOM = 5
"""Numbers of working memory an hour."""


@compiled_and_kept(numba.njit, nogil=True, error_model="numpy")
def exponentials(power, n, size, shifted, two_to, out):  # pragma: no cover (compiled)
    """size · exp(power) of the first n, into `out`; `power` is cut to within 700 of 0 in place.

    `shifted` (float) and `two_to` (int64) are room to work in; `out` may be `power`.
    """
    magic = 6755399441055744.0  # 1.5 * 2**52: adding it rounds to a whole number in the low bits
    bits = shifted.view(np.int64)
    factor = two_to.view(np.float64)
    for i in range(n):
        x = min(max(power[i], -700.0), 700.0)
        power[i] = x
        shifted[i] = x * 1.4426950408889634 + magic
    for i in range(n):
        two_to[i] = (bits[i] + 1023) << 52
    for i in range(n):
        k = shifted[i] - magic
        r = (power[i] - k * 0.6931471803691238) - k * 1.9082149292705877e-10
        e = 1.6059043836821613e-10
        e = e * r + 2.08767569878681e-09
        e = e * r + 2.505210838544172e-08
        e = e * r + 2.755731922398589e-07
        e = e * r + 2.7557319223985893e-06
        e = e * r + 2.48015873015873e-05
        e = e * r + 0.0001984126984126984
        e = e * r + 0.001388888888888889
        e = e * r + 0.008333333333333333
        e = e * r + 0.041666666666666664
        e = e * r + 0.16666666666666666
        e = e * r + 0.5
        e = e * r + 1.0
        e = e * r + 1.0
        out[i] = size * (e * factor[i])


_array: Any = numba.carray  # pyright: ignore[reportPrivateImportUsage]
_ip, _fp = types.CPointer(types.int64), types.CPointer(types.float64)


@pieces.add("durability_sweep", types.int64(_ip, _ip, _ip, *[_fp] * 12))
def _sweep(
    sizes, hours, next_lits, all_terms, all_weights, airs, rises, energy, heating, warmer, scale,
    all_targets, all_starts, all_days, work,
):  # pragma: no cover (compiled)  # fmt: skip
    """What `sweep` does, on its arrays' memory; sizes: draws, lit hours, terms, targets, starts."""
    draws, lit, n_terms, n_targets, n_starts = sizes[0], sizes[1], sizes[2], sizes[3], sizes[4]
    hour, next_lit = _array(hours, lit), _array(next_lits, HOURS)
    air, rise = _array(airs, lit), _array(rises, lit)
    terms = _array(all_terms, (n_terms, lit))
    weights = _array(all_weights, (draws, n_terms))
    targets = _array(all_targets, (draws, n_targets))
    starts = _array(all_starts, (draws, n_starts))
    days = _array(all_days, (draws, n_targets, n_starts))
    room = _array(work, N_ROOM * (lit + 1) + n_starts)
    power, shifted, rate = room[:lit], room[lit : 2 * lit], room[2 * lit : 3 * lit]
    two_to = room[3 * lit : 4 * lit].view(np.int64)
    total, done = room[4 * lit : 5 * lit + 1], room[N_ROOM * (lit + 1) :]
    for d in range(draws):
        first = weights[d, 0]
        for i in range(lit):
            power[i] = first * terms[0, i]
        for k in range(1, n_terms):
            weight = weights[d, k]
            for i in range(lit):
                power[i] += weight * terms[k, i]
        warm, heat, more = energy[d], heating[d], warmer[d]
        if warm != 0.0:
            for i in range(lit):
                power[i] -= warm / (air[i] + more + heat * rise[i])
        exponentials(power, lit, scale[d], shifted, two_to, rate)
        running = 0.0
        total[0] = 0.0
        for i in range(lit):
            running += rate[i]
            total[i + 1] = running
        year = running
        for s in range(n_starts):
            begin = starts[d, s]
            i = next_lit[int(begin)]
            done[s] = total[i]
            if i < lit and hour[i] < begin:
                done[s] += rate[i] * (begin - hour[i])
        for t in range(n_targets):
            target = targets[d, t]
            if target <= 0.0 or not np.isfinite(target) or year <= 0.0:
                for s in range(n_starts):
                    days[d, t, s] = 0.0 if target <= 0.0 else np.inf
                continue
            at = 0
            for s in range(n_starts):
                goal = done[s] + target
                years = np.ceil(goal / year) - 1.0
                rest = min(max(goal - years * year, 0.0), year)
                low, high = 0, lit - 1
                if total[at] < rest:
                    low = at
                    last = min(at + WALK, lit - 1)
                    while low < last and total[low + 1] < rest:
                        low += 1
                    if total[low + 1] >= rest:
                        high = low
                elif at > 0:
                    high = at
                while low < high:
                    middle = (low + high) // 2
                    if total[middle + 1] >= rest:
                        high = middle
                    else:
                        low = middle + 1
                at = low
                within = 0.0
                if rate[low] > 0.0:
                    within = min(max((rest - total[low]) / rate[low], 0.0), 1.0)
                days[d, t, s] = (years * HOURS + hour[low] + within - starts[d, s]) / 24.0
    return 0


pieces.link()
_call_sweep = ctypes.CFUNCTYPE(ctypes.c_int64, *[ctypes.c_void_p] * 15)(_sweep.address)


def sweep(
    hour: np.ndarray,
    next_lit: np.ndarray,
    terms: np.ndarray,
    weights: np.ndarray,
    air: np.ndarray,
    rise: np.ndarray,
    energy: np.ndarray,
    heating: np.ndarray,
    warmer: np.ndarray,
    scale: np.ndarray,
    targets: np.ndarray,
    starts: np.ndarray,
    days: np.ndarray,
) -> None:
    """Days (draw, target, start), filled into `days`; arguments as `kernel.days_until` makes them.

    rate = scale · exp(Σ weights · terms − energy / (air + warmer + heating · rise)); energy is
    Ea/R [K]. Python's lock is free meanwhile.

    Raises
    ------
    ValueError : an array's numbers are of another kind or do not lie in rows that follow.
    """
    whole = (hour, next_lit)
    given = (terms, weights, air, rise, energy, heating, warmer, scale, targets, starts, days)
    for arrays, kind in ((whole, np.int64), (given, np.float64)):
        if any(a.dtype != kind or not a.flags.c_contiguous for a in arrays):
            raise ValueError(f"arrays must be {np.dtype(kind)} in rows that follow")
    (draws, n_targets), n_starts, lit = targets.shape, starts.shape[1], hour.size
    sizes = np.array([draws, lit, len(terms), n_targets, n_starts])
    work = np.empty(N_ROOM * (lit + 1) + n_starts)
    _call_sweep(*[a.ctypes.data for a in (sizes, *whole, *given, work)])


__all__ = ["HOURS", "exponentials", "sweep"]
