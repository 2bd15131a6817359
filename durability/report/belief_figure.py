"""What did the strips teach? Each quantity before and after them, on one scale."""

from __future__ import annotations

from textwrap import fill
from typing import TYPE_CHECKING

from durability.report.look import BLUE, GREY, INK, PALE, finish, line, new_figure, style

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from durability.inference.checking import PriorPredictive


def belief_figure(belief: PriorPredictive) -> Figure:
    """Medians and 95 % limits before and after the strips, as multiples of the prior's median.

    Parameters
    ----------
    belief : of a fit; see `durability.inference.checking.prior_predictive`.

    Returns
    -------
    Figure : a row a quantity, on a logarithmic axis; the number after the strips stands beside it.

    Raises
    ------
    ValueError : it is of a study that was not fitted.
    """
    rows = [r for r in belief.rows if r.after is not None and r.median > 0]
    if not rows:
        raise ValueError("there is nothing after the strips: give a fit")
    with style():
        figure, (axis,) = new_figure(1.2 + 0.44 * len(rows))
        ends = []
        for y, r in enumerate(rows):
            middle, low, high = r.after or (r.median, r.low, r.high)
            floor = r.median / 100
            for at, (centre, a, b), colour, mark, width in (
                (y - 0.15, (r.median, r.low, r.high), GREY, "s", 1.2),
                (y + 0.15, (middle, low, high), BLUE, "o", 2.0),
            ):
                span = [max(a, floor) / r.median, max(b, floor) / r.median]
                axis.plot(span, [at, at], color=colour, lw=width, solid_capstyle="butt",
                          ls="--" if mark == "s" else "-")  # fmt: skip
                axis.plot(max(centre, floor) / r.median, at, mark, color=colour, ms=4.5,
                          mfc="white" if mark == "s" else colour)  # fmt: skip
                ends += span
        for y in range(1, len(rows)):
            axis.axhline(y - 0.5, color=PALE, lw=0.6)
        axis.axvline(1.0, color=GREY, lw=0.8, ls=":")
        axis.set_xscale("log")
        low, high = min(ends) / 1.2, max(ends) * 1.2
        axis.set_xlim(low, high)
        ticks = [t for t in (0.01, 0.03, 0.1, 0.3, 1, 3, 10, 30, 100) if low <= t <= high]
        axis.set_xticks(ticks, [f"{t:g}" for t in ticks])
        axis.minorticks_off()
        names = [fill(f"{r.subject}: {r.quantity}", 40) for r in rows]
        axis.set_yticks(range(len(rows)), names, fontsize=7, color=INK)
        axis.set_ylim(len(rows) - 0.45, -0.55)
        axis.set_xlabel("multiple of the prior's median [1]")
        axis.grid(axis="y", visible=False)
        handles = [
            line("before the strips, 95 %", color=GREY, marker="s", ms=4.5, lw=1.2, ls="--",
                 mfc="white"),
            line("after the strips, 95 %", color=BLUE, marker="o", ms=4.5, lw=2.0),
        ]  # fmt: skip
        return finish(figure, handles)
