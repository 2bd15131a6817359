"""How do figures look? Palette, markers, line styles and the frame of every figure.

Colours are after Okabe and Ito (Color universal design, 2008; from memory), which most colour-blind
readers tell apart, darkened to stand out on white. Markers, line styles and hatches differ too, so
that a grey print can be read. Figures are narrow, with panels one below another, so that their text
stays readable on a small screen.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
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
    "font.family": ["DejaVu Sans"],
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
    "text.hinting": "none",  # hinted text is up to a tenth wider at one resolution than at another
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

    with matplotlib.rc_context(STYLE):  # type: ignore[arg-type]
        yield


def new_figure(
    height: float,
    rows: int = 1,
    *,
    sharex: bool = False,
    sharey: bool = False,
    ratios: Sequence[float] | None = None,
) -> tuple[Figure, list[Axes]]:
    """A figure of the usual width with panels one below another."""
    from matplotlib.figure import Figure
    from matplotlib.layout_engine import ConstrainedLayoutEngine

    # room at the sides: a page may draw the text of an SVG a little wider
    engine = ConstrainedLayoutEngine(w_pad=0.11)
    figure = Figure(figsize=(WIDTH, height), layout=engine)
    axes = figure.subplots(
        rows, 1, squeeze=False, sharex=sharex, sharey=sharey, height_ratios=ratios
    )
    return figure, list(axes[:, 0])


def finish(figure: Figure, handles: Sequence[Any], columns: int = 2) -> Figure:
    """Put the legend below and settle the layout once, however often the figure is saved."""
    if handles:
        figure.legend(
            handles=handles, labels=[h.get_label() for h in handles], loc="outside lower left",
            ncols=columns, handlelength=2.2, columnspacing=1.4,
        )  # fmt: skip
    engine = figure.get_layout_engine()
    if engine is not None:
        engine.execute(figure)
    figure.set_layout_engine("none")
    return figure


def line(
    label: str,
    *,
    color: str | None = None,
    marker: Any = None,
    ms: float | None = None,
    lw: float | None = None,
    ls: Any = None,
    mfc: str | None = None,
    mec: str | None = None,
    mew: float | None = None,
) -> Any:
    """A line or marker of a legend."""
    from matplotlib.lines import Line2D

    return Line2D(
        [], [], label=label, color=color, marker=marker, markersize=ms, linewidth=lw, linestyle=ls,
        markerfacecolor=mfc, markeredgecolor=mec, markeredgewidth=mew,
    )  # fmt: skip


def point_at(artist: Any, words: Sequence[str | tuple[str, str]]) -> None:
    """What a reader sees on pointing at a line, or at each of its marks.

    Parameters
    ----------
    artist : a line; with one text the whole of it is pointed at, else mark by mark.
    words : a text, or a text and the id of the statement that it quotes.
    """
    artist.pointed_at = [w if isinstance(w, tuple) else (w, "") for w in words]


def patch(label: str, *, color: str, alpha: float = 1.0, hatch: str = "") -> Any:
    """A filled box of a legend."""
    from matplotlib.patches import Patch

    return Patch(label=label, facecolor=color, alpha=alpha, hatch=hatch, edgecolor="white", lw=0)
