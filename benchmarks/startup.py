"""How long until the command answers, and how long does the whole job take?

    uv run python benchmarks/startup.py

Whole processes, best of five, less bare Python: ``import durability`` (asked: at most 0.15 s) and
``durability --help`` (at most 0.4 s). Then the whole job on the first example: with no compiled
code kept (asked: at most 30 s), the same command again (asked: at most 12 s), and, with compiled
code but in a new folder, fitted and drawn anew. The speed of the machine at that moment is printed,
since shared machines differ by a factor of three from hour to hour.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent


def seconds(arguments: list[str], *, times: int = 5, env: dict[str, str] | None = None) -> float:
    """Best time of a whole process [s]."""
    best = float("inf")
    for _ in range(times):
        started = time.perf_counter()
        subprocess.run(arguments, check=True, capture_output=True, env=env, cwd=ROOT)
        best = min(best, time.perf_counter() - started)
    return best


def main() -> None:
    python = sys.executable
    started = time.perf_counter()
    sum(i for i in range(10**7))
    print(
        f"speed: ten million additions in plain Python take {time.perf_counter() - started:.2f} s"
    )
    bare = seconds([python, "-c", "pass"])
    imported = seconds([python, "-c", "import durability"]) - bare
    helped = seconds([python, "-m", "durability.cli", "--help"]) - bare
    print(f"import durability: {imported:.3f} s above bare Python (asked: 0.15)")
    print(f"durability --help: {helped:.3f} s above bare Python (asked: 0.4)")
    with tempfile.TemporaryDirectory() as place:
        env = {**os.environ, "NUMBA_CACHE_DIR": f"{place}/compiled"}
        job = [python, "-m", "durability.cli", "report", "examples/quarry-cover", "--quiet"]
        first = seconds([*job, "--out", f"{place}/a"], times=1, env=env)
        print(f"whole job, nothing compiled: {first:.1f} s (asked: 30)")
        again = seconds([*job, "--out", f"{place}/a"], times=1, env=env)
        print(f"the same command again: {again:.1f} s (asked: 12)")
        anew = seconds([*job, "--out", f"{place}/b"], times=1, env=env)
        print(f"in a new folder, fitted and drawn anew: {anew:.1f} s")


if __name__ == "__main__":
    main()
