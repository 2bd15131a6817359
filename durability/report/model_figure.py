"""What hangs on what in a model? Columns of the study, terms, and the strength of a strip."""

from __future__ import annotations

from textwrap import fill
from typing import TYPE_CHECKING, Any

from durability.inference.described import (
    CLOCK,
    CURVE,
    LEVEL,
    SCATTER,
    STRENGTH,
    Described,
    Term,
)
from durability.report.look import GREY, INK, style

if TYPE_CHECKING:
    from matplotlib.figure import Figure

ORDER = (LEVEL, CLOCK, CURVE, STRENGTH, SCATTER)
ACROSS = (1.45, 4.55, 7.0, 9.0)  # centres of the four ranks
SHADE = "0.88"


def model_figure(found: Described) -> Figure:
    """The graph of a model: what the study holds is shaded, what is estimated is rounded.

    Parameters
    ----------
    found : from `durability.inference.described.describe`.
    """
    from matplotlib.figure import Figure

    terms = [t for on in ORDER for t in found.terms if t.acts_on == on]
    sources = list(dict.fromkeys(t.source for t in terms))
    groups = [on for on in ORDER if any(t.acts_on == on for t in terms)]
    tall = max(len(terms), len(sources))
    with style():
        figure = Figure(figsize=(9.2, 0.9 + 0.52 * tall))
        ax = figure.add_axes((0.0, 0.0, 1.0, 0.94))
        ax.set_axis_off()
        ax.set_xlim(0, 10)
        ax.set_ylim(-0.6, tall + 0.5)
        left = {s: tall - 0.5 - (i + 0.5) * tall / len(sources) + 0.5
                for i, s in enumerate(sources)}  # fmt: skip
        place = {id(t): tall - 0.5 - (i + 0.5) * tall / len(terms) + 0.5
                 for i, t in enumerate(terms)}  # fmt: skip
        middle = {on: _mean(place[id(t)] for t in terms if t.acts_on == on) for on in groups}
        for t in terms:
            _arrow(ax, ACROSS[0] + 1.25, left[t.source], ACROSS[1] - 1.2, place[id(t)])
            _arrow(ax, ACROSS[1] + 1.2, place[id(t)], ACROSS[2] - 0.8, middle[t.acts_on])
        for on in groups:
            _arrow(ax, ACROSS[2] + 0.8, middle[on], ACROSS[3] - 0.75, tall / 2)
        for source, y in left.items():
            _box(ax, ACROSS[0], y, 2.5, fill(source, 34), shaded=True)
        for t in terms:
            _box(ax, ACROSS[1], place[id(t)], 2.4, _named(t))
        for on in groups:
            _box(ax, ACROSS[2], middle[on], 1.6, on, strong=True)
        _box(ax, ACROSS[3], tall / 2, 1.5, "strength\nof a strip", shaded=True, strong=True)
        for x, text in zip(ACROSS, ("the study holds", "estimated, with a prior", "made of them",
                                    "measured"), strict=True):  # fmt: skip
            ax.text(x, -0.35, text, ha="center", fontsize=8, color=GREY)
        figure.suptitle(fill(f"{found.title}: {found.law}", 100), fontsize=9.5, x=0.02, ha="left")
        return figure


def _mean(values: Any) -> float:
    found = list(values)
    return sum(found) / len(found)


def _named(term: Term) -> str:
    return fill(term.name, 30) + (f" ({term.count})" if term.count > 1 else "")


def _box(
    ax: Any, x: float, y: float, width: float, text: str, *, shaded: bool = False,
    strong: bool = False,
) -> None:  # fmt: skip
    from matplotlib.patches import FancyBboxPatch

    kind = "square,pad=0" if shaded else "round,pad=0,rounding_size=0.15"
    ax.add_patch(FancyBboxPatch(
        (x - width / 2, y - 0.36), width, 0.72, boxstyle=kind, fc=SHADE if shaded else "white",
        ec=INK, lw=1.4 if strong else 0.8, zorder=2,
    ))  # fmt: skip
    ax.text(x, y, text, ha="center", va="center", fontsize=7.5, zorder=3)


def _arrow(ax: Any, x: float, y: float, to_x: float, to_y: float) -> None:
    ax.annotate("", (to_x, to_y), (x, y), zorder=1,
                arrowprops={"arrowstyle": "-|>", "color": GREY, "lw": 0.8,
                            "shrinkA": 0, "shrinkB": 0})  # fmt: skip


__all__ = ["model_figure"]
