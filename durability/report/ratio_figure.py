"""Which product lasts longer, and is it worth having? Ratios of threshold doses with a margin."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from durability.report.figures import OF_WORDS, draw_interval
from durability.report.look import (
    COLOURS,
    GREY,
    MARKERS,
    PALE,
    finish,
    line,
    new_figure,
    patch,
    style,
)
from durability.statement import Statement

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def ratio_intervals(
    statements: Iterable[Statement], *, margin: float = 1.2, control: str | None = None
) -> Figure:
    """Ratios of threshold doses with their intervals, a panel a fraction.

    Parameters
    ----------
    statements : any; ratios of threshold doses among them are drawn. Bounds are arrows.
    margin : a ratio worth having, above 1; packages within 1/margin and margin are alike.
    control : the material in the denominator where a statement names none.

    Returns
    -------
    Figure : ratio [1] on a logarithmic axis; the pale band is what is alike in practice.

    Raises
    ------
    ValueError : there is no ratio, or the margin is not above 1.
    """
    if not margin > 1:
        raise ValueError(f"margin is {margin:g}; it must lie above 1, such as 1.2 for 20 % more")
    said = [s for s in statements if s.quantity == "ratio_of_threshold_doses"]
    if not said:
        raise ValueError("there is no ratio of threshold doses among the statements")
    panels = list(dict.fromkeys(s.fraction for s in said))
    subjects = [of for of in OF_WORDS if any(s.of == of for s in said)]

    def row(s: Statement) -> str:
        against = s.against or control or "the control"
        return ", ".join(p for p in (f"{s.material} / {against}", s.direction) if p)

    names = {q: list(dict.fromkeys(row(s) for s in said if s.fraction == q)) for q in panels}
    heights = [0.35 + 0.5 * len(names[q]) for q in panels]
    ends = [x for s in said for x in (s.low, s.value, s.high) if x]
    low, high = min(*ends, 1 / margin) / 1.15, max(*ends, margin) * 1.15
    with style():
        figure, axes = new_figure(
            sum(heights) + 0.55 * len(panels) + 0.5, len(panels), sharex=True, ratios=heights
        )
        for axis, q in zip(axes, panels, strict=True):
            axis.axvspan(1 / margin, margin, color=PALE, alpha=0.6, lw=0, zorder=0)
            axis.axvline(1.0, color=GREY, lw=1.0)
            for s in (s for s in said if s.fraction == q):
                k = subjects.index(s.of or "mean")
                y = names[q].index(row(s)) + 0.24 * (k - (len(subjects) - 1) / 2)
                reach = (s.low or s.high or 1.0) * 0.2
                draw_interval(axis, s, y, COLOURS[k], MARKERS[k], reach)
            axis.set_xscale("log")
            axis.set_xlim(low, high)
            ticks = [t for t in (0.1, 0.2, 0.5, 0.7, 1, 1.5, 2, 3, 5, 10, 20) if low <= t <= high]
            axis.set_xticks(ticks, [f"{t:g}" for t in ticks])
            axis.minorticks_off()
            axis.set_yticks(range(len(names[q])), names[q])
            axis.set_ylim(len(names[q]) - 0.4, -0.6)
            axis.set_title("required strength" if q is None else f"{100 * q:g} % left")
            axis.grid(axis="y", visible=False)
        axes[-1].set_xlabel("ratio of threshold doses [1]")
        handles = [
            line(OF_WORDS[of], color=COLOURS[k], marker=MARKERS[k], ms=5, lw=1.4)
            for k, of in enumerate(subjects)
        ]
        handles.append(patch(f"alike, within a factor of {margin:g}", color=PALE))
        return finish(figure, handles)
