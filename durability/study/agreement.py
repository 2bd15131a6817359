"""Do peak force, width and strength of one row agree, where a table gives all of them?

The force and the width are what was measured, so they are used; a strength that is written beside
them is a check. A small difference is said (a strength over the nominal width is common practice,
no source); a large one is a problem, since nobody can tell which number is wrong.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from durability.study import copies, screening
from durability.study.findings import listed

if TYPE_CHECKING:
    from durability.study.bench import Bench
    from durability.study.columns import Numbers

TOLERATED = 0.10
"""Relative difference from which the row is refused."""

MEND = "Correct the number that is wrong, or leave the strength blank: force and width make it."


def force_makes_strength(bench: Bench, read: tuple[Numbers, ...], stated: Any, made: Any) -> None:
    """Hold the strength of each row against the one that its force (and width) makes.

    Parameters
    ----------
    read : the columns strength, force and, where it counts, width.
    stated, made : (row,) strength as written, and from force and width, in the study's unit; nan
        where not given.
    """
    import numpy

    unit = bench.description.unit
    slack = sum(_rounding(column) for column in read)
    off = screening.disagreement(stated, made, slack)
    large = numpy.abs(off) > TOLERATED
    both = (stated > 0) & (made > 0)
    if (
        both.sum() > 1
        and large[both].all()
        and numpy.ptp(numpy.log(stated[both] / made[both])) < (TOLERATED / 2)
    ):
        i = int(large.nonzero()[0][0])
        times = float(numpy.median(stated[both] / made[both]))
        bench.refuse(
            numpy.arange(bench.size) == i,
            "strength",
            f"{made[i]:.4g} {unit}, which the peak force makes",
            mend=f"Every row has {times:.4g} times as much as its force makes: look at the units "
            "in the headers.",
        )
        return
    for i in large.nonzero()[0].tolist():
        bench.refuse(
            numpy.arange(bench.size) == i,
            "strength",
            f"about {made[i]:.4g} {unit}, which the peak force of this row makes",
            mend=MEND,
        )
    small = (off != 0) & ~large
    _say(bench, small, f"up to {100 * numpy.abs(off[small]).max(initial=0):.2g} %")


def _say(bench: Bench, mask: Any, much: str) -> None:
    if not mask.any():
        return
    lines = bench.table.rows[mask].tolist()
    column = bench.columns["strength"].header
    bench.findings.caution(
        "force_width_strength_disagree",
        f"{bench.table.file}, {listed(lines)}: the strength differs by {much} from what the force "
        "makes; the force was used. Was a nominal width taken for the strength?",
        file=bench.table.file,
        row=lines[0],
        rows=lines,
        column=column,
    )


def force_beside_strength(bench: Bench, strength: Numbers, force: Numbers) -> None:
    """Where a force makes no strength (a study in MPa), look for rows off a constant ratio."""
    slack = _rounding(strength) + _rounding(force)
    seen = copies.constant_ratio(force.values, strength.values, slack)
    if seen is None or not seen.rows:
        return
    lines = [int(bench.table.rows[i]) for i in seen.rows]
    bench.findings.caution(
        "constant_multiple",
        f"{bench.table.file}, {listed(lines)}: in every other row {force.header} is "
        f"{seen.amount:.4g} times {strength.header}; here one of the two holds something else",
        file=bench.table.file,
        row=lines[0],
        rows=lines,
        column=strength.header,
    )


def _rounding(read: Numbers) -> Any:
    """Largest relative error of a column's numbers by rounding."""
    return 0.0 if read.cells is None else copies.rounding(read.values, read.cells.tolist())
