"""Will the draws fit into memory? Asked before the first is made.

A run keeps each draw of each parameter, and about as much again for what is derived and for the
copy that is written. Measured as the peak of the process: 331, 416 and 706 MB at 100, 1,000 and
4,000 lots of one direction and 4,000 draws, of which 270 to 330 MB before sampling
(benchmarks/scale.py), that is 63 MB and 2.3 to 2.5 times the draws.
"""

from __future__ import annotations

import sys
from pathlib import Path

from durability.inference.model import Model
from durability.study import Problem, StudyError

COPIES = 3.0  # of the draws, at the peak
BESIDE = 100e6  # bytes whatever the study


def memory_needed(parameters: int, draws: int) -> float:
    """Bytes that a run needs beside what the process holds already.

    Parameters
    ----------
    parameters : of the model.
    draws : over all chains.

    Examples
    --------
    >>> round(memory_needed(10_000, 4_000) / 1e9, 2)
    1.06
    """
    return BESIDE + COPIES * 8.0 * parameters * draws


def memory_free() -> float | None:
    """Bytes that the machine can still give, by Linux' account; None where it gives none."""
    if not sys.platform.startswith("linux"):
        return None
    try:
        lines = Path("/proc/meminfo").read_text().splitlines()
        free = next(float(x.split()[1]) * 1024 for x in lines if x.startswith("MemAvailable"))
    except (OSError, StopIteration):
        return None
    try:  # a container's own limit, version 2 of the kernel's control groups
        group = Path("/sys/fs/cgroup")
        limit = (group / "memory.max").read_text().strip()
        used = float((group / "memory.current").read_text())
        return free if limit == "max" else min(free, float(limit) - used)
    except (OSError, ValueError):
        return free


def refuse_if_too_large(model: Model, parameters: int, draws: int) -> None:
    """Stops a run whose draws would not fit into memory, before it starts.

    Parameters
    ----------
    model : for its sizes, which are named.
    parameters, draws : as in `memory_needed`.

    Raises
    ------
    StudyError : with the estimate, what is free, and how to mend it.
    """
    free, needed = memory_free(), memory_needed(parameters, draws)
    if free is None or needed < free:
        return
    raise StudyError(
        [
            Problem(
                file="the study",
                found=f"{len(model.series):,} lots and directions, {parameters:,} parameters,"
                f" {draws:,} draws of each",
                expected=f"no more than the {free / 1e9:.1f} GB of memory that are free; the run"
                f" would need about {needed / 1e9:.1f} GB",
                mend="Ask for fewer draws, fit materials in studies of their own, or close other"
                " programs.",
            )
        ]
    )
