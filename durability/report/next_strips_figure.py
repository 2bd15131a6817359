"""Which strips would teach most? Intervals then beside the interval now, and designs of a study."""

from __future__ import annotations

from textwrap import fill
from typing import TYPE_CHECKING

from durability.decisions.candidates import KINDS
from durability.decisions.decision import share_of
from durability.report.look import (
    BLUE,
    COLOURS,
    GREY,
    INK,
    LINES,
    MARKERS,
    finish,
    line,
    new_figure,
    patch,
    style,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from durability.decisions.first_strips import FirstStrips
    from durability.decisions.next_strips import NextStrips


def next_strips_figure(found: NextStrips) -> Figure:
    """Factor of the interval that the best plan of each kind is expected to leave, beside that now.

    Parameters
    ----------
    found : from `durability.decisions.next_strips.next_strips`.
    """
    shown = found.best_of_each()[::-1]
    with style():
        figure, axes = new_figure(1.5 + 0.42 * len(shown))
        ax, places = axes[0], range(len(shown))
        ax.barh(places, [v.factor - 1 for v in shown], left=1.0, color=BLUE, height=0.6)
        for y, v in zip(places, shown, strict=True):
            sure = "" if v.clear is None else f"; verdict {share_of(v.clear, found.futures)}"
            ax.annotate(f"{v.factor:.2f}{sure}", (max(v.factor, found.factor), y), xytext=(4, 0),
                        textcoords="offset points", va="center", fontsize=7.5,
                        bbox={"fc": "white", "ec": "none", "pad": 0.6})  # fmt: skip
        ax.axvline(found.factor, color=INK, ls="--", lw=1.0)
        labels = [f"{KINDS[v.plan.kind].partition(':')[0]} ({v.plan.strips})" for v in shown]
        ax.set_yticks(list(places), [fill(text, 26) for text in labels], fontsize=7.5)
        ax.set_xlim(1.0, 1 + 1.5 * (max(found.factor, *(v.factor for v in shown)) - 1))
        ax.set_xlabel(f"factor of the {100 * found.level:g} % interval, either way")
        ax.grid(axis="y", visible=False)
        title = found.subject()
        figure.suptitle(fill(title[:1].upper() + title[1:], 66), fontsize=9.5, x=0.02, ha="left")
        handles = [line("now", color=INK, ls="--", lw=1.0),
                   patch("expected, best plan of each kind (strips)", color=BLUE)]  # fmt: skip
        return finish(figure, handles)


def first_strips_figure(found: FirstStrips) -> Figure:
    """Factor of the interval against the number of strips, a line a number of lots.

    Parameters
    ----------
    found : from `durability.decisions.first_strips.first_strips`.
    """
    with style():
        figure, axes = new_figure(3.6)
        ax, handles = axes[0], []
        others = [v for v in found.values if not v.practice]
        for k, lots in enumerate(dict.fromkeys(sorted(v.design.lots for v in others))):
            mine = [v for v in others if v.design.lots == lots and len(v.design.hours) ==
                    max(len(o.design.hours) for o in others)]  # fmt: skip
            if not mine:
                continue
            colour, mark = COLOURS[k % len(COLOURS)], MARKERS[k % len(MARKERS)]
            ax.plot([v.design.total for v in mine], [v.factor for v in mine], color=colour,
                    marker=mark, ls=LINES[k % len(LINES)], ms=5)  # fmt: skip
            handles.append(line(f"{lots} lot{'s' if lots > 1 else ''}", color=colour, marker=mark,
                                ls=LINES[k % len(LINES)], ms=5))  # fmt: skip
        for v in (v for v in found.values if v.practice):
            ax.plot([v.design.total], [v.factor], "*", color=INK, ms=10)
            handles.append(line("the usual practice", color=INK, marker="*", ms=9, ls="none"))
        if found.wanted_factor is not None:
            ax.axhline(found.wanted_factor, color=GREY, ls="--", lw=1.0)
            handles.append(line("wanted", color=GREY, ls="--", lw=1.0))
        ax.set_xlabel("strips of one product and direction")
        ax.set_ylabel(f"factor of the {100 * found.level:g} % interval, either way")
        ax.set_xlim(0, None)
        figure.suptitle("Before any data: how wide will the threshold dose be known?",
                        fontsize=9.5, x=0.02, ha="left")  # fmt: skip
        return finish(figure, handles, columns=4)


__all__ = ["first_strips_figure", "next_strips_figure"]
