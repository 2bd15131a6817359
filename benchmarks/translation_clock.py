"""How fast are days found for all draws and days of laying, and how fast is a map?

    uv run python benchmarks/translation_clock.py

4,000 draws, 8,760 hours, 365 days of laying, one target a draw: the compiled clock, the same sums
in NumPy, running sums with a search written plainly, and the loop over draws and starts (on few
draws, scaled up). Days must agree to 1e-9. Then a map of hourly cells at 400 draws and 12 starts.
Times are of the wall and of the processor (all threads together).
"""

from __future__ import annotations

import resource
import time
from collections.abc import Callable
from typing import Any

import numpy as np

from durability.exposure.clock import GAS_CONSTANT
from durability.exposure.hourly import LitHours, RateDraws
from durability.translation.kernel import days_until

DRAWS, STARTS, LOOPED = 4000, 365, 4


def best(run: Callable[[], Any], times: int = 5) -> tuple[float, float, Any]:
    """Shortest wall and processor time [s] and the last result."""
    found, result = [], None
    for _ in range(times):
        wall, cpu = time.perf_counter(), time.process_time()
        result = run()
        found.append((time.perf_counter() - wall, time.process_time() - cpu))
    return min(f[0] for f in found), min(f[1] for f in found), result


def year() -> np.ndarray:
    """An invented year of irradiance, by formula."""
    hour = np.arange(8760)
    season = 1.5 + np.sin(2 * np.pi * (hour / 8760 - 0.2))
    return np.maximum(np.sin(2 * np.pi * (hour % 24 - 6) / 24), 0) * season


def main() -> None:
    """Print times and agreement."""
    rng = np.random.default_rng(1)
    irradiance = year()
    lit = np.flatnonzero(irradiance > 1e-9)
    air, rise = rng.normal(288, 8, lit.size), 20 * irradiance[lit]
    sky = LitHours(
        hour=lit, log_irradiance=np.log(irradiance[lit]), air=air, rise=rise,
        log_clearness=-rng.exponential(0.3, lit.size),
    )  # fmt: skip
    energy = rng.normal(30, 8, DRAWS)
    draw: dict[str, Any] = {
        "exponent": rng.uniform(0.6, 1, DRAWS),
        "activation_energy": energy,
        "cloud": np.zeros(DRAWS),
        "heating": np.ones(DRAWS),
        "scale": np.exp(energy / GAS_CONSTANT / 300),
    }
    goal: dict[str, Any] = {
        "targets": rng.lognormal(6.3, 0.4, (DRAWS, 1)),
        "starts": np.repeat(np.arange(STARTS)[None] * 24.0 + 6, DRAWS, axis=0),
    }
    varied = draw | {"cloud": rng.normal(0, 0.1, DRAWS), "heating": rng.uniform(0.2, 1, DRAWS)}
    more = {"terms": rng.normal(0, 1, (2, lit.size)), "weights": rng.normal(0, 0.05, (DRAWS, 2))}
    days_until(sky, RateDraws(**draw), **goal)
    wall, cpu, fast = best(lambda: days_until(sky, RateDraws(**draw), **goal))
    print(f"compiled, draws of Ea and p          {wall:7.3f} s wall {cpu:7.3f} s processor")
    w, c, _ = best(lambda: days_until(sky, RateDraws(**varied, **more), **goal))
    print(f"compiled, temperature and slope too  {w:7.3f} s wall {c:7.3f} s processor; "
          f"largest memory of the process "
          f"{resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")  # fmt: skip
    w, c, plain = best(lambda: days_until(sky, RateDraws(**draw), **goal, compiled=False), 2)
    print(f"without the compiler                 {w:7.3f} s wall {c:7.3f} s processor; "
          f"largest difference {np.abs(plain - fast).max():.1e} d")  # fmt: skip

    def sums() -> np.ndarray:
        return np.stack([_searched(irradiance, lit, air, rise, draw, goal, d) for d in range(200)])

    w, c, found = best(sums, 2)
    print(f"running sums and searchsorted        {w * DRAWS / 200:7.3f} s wall "
          f"{c * DRAWS / 200:7.3f} s processor (scaled up); {c * DRAWS / 200 / cpu:.1f} times; "
          f"largest difference {np.abs(found - fast[:200, 0]).max():.1e} d")  # fmt: skip
    w, c, found = best(lambda: _looped(irradiance, lit, air, rise, draw, goal), 1)
    print(f"loop over draws and starts           {w * DRAWS / LOOPED:7.1f} s wall (scaled up); "
          f"{c * DRAWS / LOOPED / cpu:.0f} times; "
          f"largest difference {np.abs(found - fast[:LOOPED, 0]).max():.1e} d")  # fmt: skip
    _map()


def _rate(irradiance: Any, lit: Any, air: Any, rise: Any, draw: Any, d: int) -> np.ndarray:
    rate = np.zeros(8760)
    heat = draw["activation_energy"][d] / GAS_CONSTANT / (air + draw["heating"][d] * rise)
    rate[lit] = draw["scale"][d] * irradiance[lit] ** draw["exponent"][d] * np.exp(-heat)
    return rate


def _searched(
    irradiance: Any, lit: Any, air: Any, rise: Any, draw: Any, goal: Any, d: int
) -> np.ndarray:
    rate = _rate(irradiance, lit, air, rise, draw, d)
    total = np.concatenate([[0.0], np.cumsum(np.tile(rate, 4))])
    start = goal["starts"][d].astype(int)
    asked = total[start] + goal["targets"][d, 0]
    at = np.searchsorted(total, asked) - 1
    within = (asked - total[at]) / (total[at + 1] - total[at])
    return (at + within - start) / 24


def _looped(irradiance: Any, lit: Any, air: Any, rise: Any, draw: Any, goal: Any) -> np.ndarray:
    days = np.empty((LOOPED, STARTS))
    for d in range(LOOPED):
        for s in range(STARTS):
            rate = _rate(irradiance, lit, air, rise, draw, d)
            rolled = np.tile(np.roll(rate, -int(goal["starts"][d, s])), 4)
            total = np.cumsum(rolled)
            at = int(np.searchsorted(total, goal["targets"][d, 0]))
            before = total[at - 1] if at else 0.0
            days[d, s] = (at + (goal["targets"][d, 0] - before) / rolled[at]) / 24
    return days


def _fields(axis: str, cells: int) -> dict[str, np.ndarray]:
    light = 700 * year() / 2.5
    fields = {
        "time": {"ghi": light, "temp_air": 15 + 0 * light},
        "month": {"ghi": np.full(12, 200.0), "temp_air": np.full(12, 15.0)},
    }[axis]
    return {n: np.repeat(v[None], cells, 0) for n, v in fields.items()}


def _setting(draws: int = 400) -> dict[str, Any]:
    from durability.translation import cells
    from durability.translation.grid_sky import grid_sky

    rng = np.random.default_rng(2)
    return {
        "target": rng.lognormal(7, 0.3, draws), "states": cells.state_table(),
        "assurance": 0.95, "horizon_years": 20.0,
        "starts": np.arange(12)[:, None] * 30.4 + rng.uniform(0, 30, draws),
        "wetter": np.empty(0),
        "sky": grid_sky(np.array([25.0, 42.0]), -84.0, np.full((2, 12), 15.0), "e340"),
        **cells.reading_of(
            rng.uniform(0.6, 1, draws), rng.normal(30, 8, draws), cloud=rng.normal(0.8, 0.1, draws),
            heat=rng.uniform(0.2, 0.9, draws), warmer=rng.normal(0, 1.3, draws),
        ),
    }  # fmt: skip


def _map(cells: int = 200) -> None:
    from durability.translation import cells as room

    setting = _setting()
    where = np.linspace(-40, 40, cells)
    for axis in ("time", "month"):
        given, cell = _fields(axis, cells), setting | {"physics": room.physics_of(axis, setting)}
        room.block(where[:1], 0 * where[:1], {n: v[:1] for n, v in given.items()}, cell, axis)
        w, c, _ = best(lambda a=axis, g=given, one=cell: room.block(where, 0 * where, g, one, a), 3)
        print(f"map, cells by {axis:<5}                  {cells / w:7.0f} cells a second wall "
              f"{cells / c:7.0f} a processor second")  # fmt: skip


if __name__ == "__main__":
    main()
