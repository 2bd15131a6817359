"""How do figures look? Palette, markers, line styles and the frame of every figure.

Colours are those of Okabe and Ito (Color universal design, 2008; from memory), darkened so that they
stand out on white, which most colour-blind readers tell apart; markers, line styles and hatches differ
too, so that a grey print can be read. Figures are narrow, with panels one below another, so that their
text stays readable on a small screen.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

BLUE, RED, GREEN, PURPLE, ORANGE, SKY = (
    "#0072B2", "#B34700", "#00795A", "#8F4A79", "#9A6A00", "#2C7FB0",
)  # fmt: skip
COLOURS = (BLUE, RED, GREEN, PURPLE, ORANGE, SKY)
MARKERS = ("o", "s", "^", "D", "v", "P", "X", "*")
LINES = ("-", "--", "-.", ":", (0, (5, 1, 1, 1, 1, 1)), (0, (3, 1)))
HATCHES = ("", "///", "...", "\\\\\\", "xx", "++")
INK, GREY, PALE = "#222222", "#5f6368", "#d9dcdf"
WIDTH = 5.4

STYLE: dict[str, Any] = {
    "font.family": ["DejaVu Sans", "sans-serif"],
    "font.size": 9.0,
    "axes.titlesize": 9.5,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.edgecolor": GREY,
    "axes.labelcolor": INK,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "grid.color": "#e8eaec",
    "grid.linewidth": 0.6,
    "xtick.color": GREY,
    "ytick.color": GREY,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "text.color": INK,
    "text.parse_math": False,
    "legend.frameon": False,
    "legend.fontsize": 8.0,
    "hatch.linewidth": 0.6,
    "svg.fonttype": "none",
    "svg.hashsalt": "durability",
}


@contextmanager
def style() -> Iterator[None]:
    """The look of every figure, while it is made or saved."""
    import matplotlib

    with matplotlib.rc_context(STYLE):
        yield


def new_figure(height: float, rows: int = 1, **share: Any) -> tuple[Figure, list[Axes]]:
    from matplotlib.figure import Figure

    figure = Figure(figsize=(WIDTH, height), layout="constrained")
    axes = figure.subplots(rows, 1, squeeze=False, **share)
    return figure, list(axes[:, 0])


def legend(figure: Figure, handles: list[Any], columns: int = 2) -> None:
    figure.legend(
        handles=handles, labels=[h.get_label() for h in handles], loc="outside lower left",
        ncols=columns, handlelength=2.2, columnspacing=1.4,
    )  # fmt: skip


def line(label: str, **look: Any) -> Any:
    from matplotlib.lines import Line2D

    return Line2D([], [], label=label, **look)


def patch(label: str, **look: Any) -> Any:
    from matplotlib.patches import Patch

    return Patch(label=label, **look)
