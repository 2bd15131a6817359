"""What makes the days uncertain? Shares of the variance, alone and with all else, in order."""

from __future__ import annotations

from textwrap import fill
from typing import TYPE_CHECKING

from durability.report.look import BLUE, INK, finish, line, new_figure, patch, style
from durability.statement import MONTHS
from durability.translation.budget import INPUTS

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from durability.translation.measure_next import MeasureNext


def measure_next_figure(found: MeasureNext) -> Figure:
    """Bars are first-order shares of the variance of log days, marks total shares, largest first.

    Parameters
    ----------
    found : from `durability.translation.measure_next.measure_next`.
    """
    order = found.order()[::-1]
    with style():
        figure, axes = new_figure(1.3 + 0.28 * len(order))
        ax = axes[0]
        places = range(len(order))
        ax.barh(places, [100 * found.first[n] for n in order], color=BLUE, height=0.6)
        ax.plot([100 * found.total[n] for n in order], places, "D", color=INK, mfc="white", ms=4.5)
        ax.set_yticks(list(places), [fill(INPUTS.get(n, n), 34) for n in order], fontsize=7.5)
        ax.set_xlabel("share of the variance of log days [%]")
        ax.set_xlim(0, None)
        ax.grid(axis="y", visible=False)
        where = " ".join(x for x in (found.material, found.direction) if x)
        month = MONTHS[found.month - 1]
        figure.suptitle(
            f"{where} at {found.title}, laid in {month}", fontsize=9.5, x=0.02, ha="left"
        )
        handles = [patch("alone (first order)", color=BLUE),
                   line("with all else (total)", color=INK, marker="D", ms=4.5, ls="none",
                        mfc="white")]  # fmt: skip
        return finish(figure, handles)


__all__ = ["measure_next_figure"]
