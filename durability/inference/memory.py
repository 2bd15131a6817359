"""Will the draws fit into memory? Asked before the first is made.

A run keeps each draw of each parameter, and about as much again for what is derived and for the
copy that is written. Measured as the peak of the process: 331, 416 and 706 MB at 100, 1,000 and
4,000 lots of one direction and 4,000 draws, of which 270 to 330 MB before sampling
(benchmarks/scale.py), that is 63 MB and 2.3 to 2.5 times the draws.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

from durability.inference.model import Model
from durability.study import Problem, StudyError

COPIES = 3.0  # of the draws, at the peak
BESIDE = 100e6  # bytes whatever the study
WORTH_A_WORD = 1e9  # bytes, where it is not known what is free


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
    """Bytes that the machine can still give; None where it does not tell, as macOS and Windows."""
    try:  # Linux, which counts what it would give back
        lines = Path("/proc/meminfo").read_text().splitlines()
        free = next(float(x.split()[1]) * 1024 for x in lines if x.startswith("MemAvailable"))
    except (OSError, StopIteration):
        try:
            free = float(os.sysconf("SC_AVPHYS_PAGES")) * os.sysconf("SC_PAGE_SIZE")
        except (AttributeError, ValueError, OSError):
            return None
        return free if free > 0 else None
    try:  # a container's own limit, version 2 of the kernel's control groups
        group = Path("/sys/fs/cgroup")
        limit = (group / "memory.max").read_text().strip()
        used = float((group / "memory.current").read_text())
        return free if limit == "max" else min(free, float(limit) - used)
    except (OSError, ValueError):
        return free


def draws_of_second_run(model: Model, parameters: int, draws: int, asked: int) -> int:
    """How many draws a second, longer run may keep beside those of the first.

    Parameters
    ----------
    model : for its sizes, which are named.
    parameters : as in `memory_needed`; draws : that the first run made.
    asked : that the second is to make.

    Returns
    -------
    `asked`, or as many as fit, no fewer than the first run made.

    Raises
    ------
    StudyError : not even those fit.
    """
    free = memory_free()
    fit = asked if free is None else int((free - BESIDE) / (COPIES * 8.0 * parameters))
    if fit < draws:
        refuse_if_too_large(model, parameters, draws, again=True)
    return max(draws, min(asked, fit))


def refuse_if_too_large(
    model: Model, parameters: int, draws: int, *, again: bool = False, progress: Any = None
) -> None:
    """Stops a run whose draws would not fit into memory, before it starts.

    Parameters
    ----------
    model : for its sizes, which are named.
    parameters, draws : as in `memory_needed`.
    again : it is the second run, since the first missed its diagnostics.
    progress : told where much is needed and the machine does not tell what is free.

    Raises
    ------
    StudyError : with the estimate, what is free, and how to mend it.
    """
    free, needed = memory_free(), memory_needed(parameters, draws)
    if free is None and needed > WORTH_A_WORD and progress is not None:
        progress(f"the draws need about {needed / 1e9:.1f} GB; what is free is not known", 0.0)
    if free is None or needed < free:
        return
    raise StudyError(
        [
            Problem(
                file="the study",
                found=f"{len(model.series):,} lots and directions, {parameters:,} parameters,"
                f" {draws:,} draws of each"
                + (" in a second run, since the first missed its diagnostics" if again else ""),
                expected=f"no more than the {free / 1e9:.1f} GB of memory that are free; the run"
                f" would need about {needed / 1e9:.1f} GB",
                mend="Ask for fewer draws, fit materials in studies of their own, or close other"
                " programs.",
            )
        ]
    )
