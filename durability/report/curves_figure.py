"""What does every curve look like? Force against extension, with peak, slack and what is odd."""

from __future__ import annotations

from pathlib import PurePosixPath
from typing import TYPE_CHECKING, Any

from durability.report.look import (
    BLUE,
    GREEN,
    GREY,
    INK,
    ORANGE,
    PALE,
    RED,
    WIDTH,
    finish,
    line,
    patch,
    style,
)
from durability.retention import strip_curves

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from durability.retention.strength import StripCurve
    from durability.study.model import Study

COLUMNS, ROWS = 3, 6
"""Curves side by side and below one another on a page."""


def curve_pages(study: Study) -> list[Figure]:
    """Every curve of a study, a small panel a strip, eighteen a page.

    Parameters
    ----------
    study : as read.

    Returns
    -------
    list of Figure : force [N] against extension [mm]. A dot is the peak, the dashed line the zero
        reading, the shaded part the slack, a triangle a slip, a cross a place from which the
        extension jumps back; the title names the strip, and below it stands what is odd. Empty
        where the study has no curves.

    Raises
    ------
    StudyError : with every problem of every curve file.
    """
    curves = strip_curves(study)
    size = COLUMNS * ROWS
    return [_page(curves[i : i + size]) for i in range(0, len(curves), size)]


def _page(curves: tuple[StripCurve, ...]) -> Figure:
    from matplotlib.figure import Figure
    from matplotlib.layout_engine import ConstrainedLayoutEngine

    rows = -(-len(curves) // COLUMNS)
    with style():
        figure = Figure(figsize=(1.45 * WIDTH, 1.95 * rows + 0.7), layout=ConstrainedLayoutEngine())
        axes = figure.subplots(rows, COLUMNS, squeeze=False)
        handles: dict[str, Any] = {}
        for axis, c in zip(axes.ravel(), curves, strict=False):
            _curve(axis, c, handles)
        for axis in axes.ravel()[len(curves) :]:
            axis.set_visible(False)
        for axis in axes[:, 0]:
            axis.set_ylabel("force [N]")
        for k in range(min(COLUMNS, len(curves))):
            axes[(len(curves) - 1 - k) // COLUMNS, k].set_xlabel("extension [mm]")
        return finish(figure, list(handles.values()), columns=4)


def _curve(axis: Axes, c: StripCurve, handles: dict[str, Any]) -> None:
    curve, strip = c.curve, c.strip
    axis.plot(curve.extension, curve.force, color=BLUE, lw=0.8)
    axis.axhline(strip.zero, color=GREY, lw=0.8, ls="--")
    handles["zero"] = line("zero reading", color=GREY, lw=0.8, ls="--")
    if strip.slack > curve.extension[0]:
        axis.axvspan(float(curve.extension[0]), strip.slack, color=PALE, alpha=0.8, lw=0, zorder=0)
        handles["slack"] = patch("slack", color=PALE)
    axis.plot([strip.extension_at_peak], [strip.peak_force], "o", ms=4.5, color=RED)
    handles["peak"] = line("peak", marker="o", ls="", color=RED, ms=4.5)
    for slip in strip.slips:
        axis.plot([slip.extension], [slip.before], "v", ms=5, color=GREEN)
        handles["slip"] = line("force drops and comes back", marker="v", ls="", color=GREEN, ms=5)
    for start, _ in strip.steps_back:
        axis.plot([start], [strip.zero], "x", ms=6, mew=1.6, color=ORANGE)
        handles["back"] = line("extension jumps back", marker="x", ls="", color=ORANGE, ms=6)
    name = c.path.rpartition("#")[2] if "#" in c.path else PurePosixPath(c.path).stem
    subject = [c.material, c.lot, c.direction, name]
    axis.set_title(" ".join(x for x in subject if x), fontsize=7.5)
    words = [f.replace("_", " ") for f in strip.flags]
    text = "\n".join([f"{strip.peak_force:g} N", *words])
    right = strip.extension_at_peak < 0.5 * float(curve.extension.max())
    axis.annotate(text, (0.98 if right else 0.02, 0.97), xycoords="axes fraction", fontsize=6.5,
                  ha="right" if right else "left", va="top", color=INK,
                  bbox={"facecolor": "white", "alpha": 0.7, "lw": 0, "pad": 1})  # fmt: skip
    axis.tick_params(labelsize=7)
