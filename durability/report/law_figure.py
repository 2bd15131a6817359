"""What does a law look like? Its curve at the median of its prior and at both ends of it.

Dose is shown in units of the dose of half the law's own loss, which exists for every law and shape,
so that shapes are compared and not scales.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from textwrap import fill
from typing import TYPE_CHECKING

from durability.report.look import (
    BLUE,
    GREEN,
    GREY,
    INK,
    RED,
    WIDTH,
    finish,
    line,
    new_figure,
    style,
)

if TYPE_CHECKING:
    import numpy as np
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from durability.laws import Law

DOSE = "dose / dose of half its loss"
LEFT = "strength left [%]"
FURTHEST = 4.0
_ENDS = (("low", -1.96, RED, "--"), ("median", 0.0, BLUE, "-"), ("high", 1.96, GREEN, "-."))


def law_curve(
    law: Law, shape: dict[str, float] | None = None, furthest: float = FURTHEST
) -> tuple[np.ndarray, np.ndarray]:
    """Points of a law's picture: dose over the dose of half its loss, and percent left.

    Parameters
    ----------
    law : the law.
    shape : its shapes; the prior medians where left out.
    furthest : largest dose, in doses of half its loss.

    Returns
    -------
    (dose (n,), percent left (n,))

    Examples
    --------
    >>> from durability.laws import read_law
    >>> dose, left = law_curve(read_law("exponential"))
    >>> float(left[0]), round(float(left[dose.searchsorted(1.0)]))
    (100.0, 50)
    """
    import numpy as np

    dose = np.linspace(0.0, furthest, 401)
    u = dose * law.half_loss(shape)
    return dose, 100 * np.broadcast_to(law.retained(u, shape), dose.shape)


def law_figure(law: Law) -> Figure:
    """The law at the median of its prior, and with each shape at both ends of 95 % of it.

    Parameters
    ----------
    law : a law of the catalogue or of a file.

    Returns
    -------
    Figure : strength left [%] against dose in doses of half the law's own loss; a panel a shape.
        The dot marks half its loss; a dotted line the level that is never passed, if there is one.
    """
    panels = max(1, len(law.shapes))
    with style():
        figure, axes = new_figure(1.6 + 2.2 * panels, panels, sharex=True)
        for i, axis in enumerate(axes):
            if not law.shapes:
                _draw(axis, law, {}, BLUE, "-", "the law")
            else:
                shape = law.shapes[i]
                for word, z, colour, dashes in _ENDS:
                    at = _value(shape.median, z * shape.sd_log, shape.lower, shape.upper)
                    label = f"{shape.name} = {at:.3g} ({word})"
                    _draw(axis, law, {shape.name: at}, colour, dashes, label)
                axis.set_title(
                    f"{shape.name}: 95 % of its prior", fontweight="normal", fontsize=8.5
                )
            axis.set_ylabel(LEFT)
            axis.set_ylim(0, None)
            if law.shapes:
                axis.legend(loc="upper right", handlelength=3)
        axes[-1].set_xlabel(DOSE)
        axes[-1].set_xlim(0, FURTHEST)
        figure.suptitle(
            f"{law.title}\n{fill('R = ' + law.expression, 70)}", fontsize=9.5, x=0.02, ha="left"
        )
        marks = [line("half of its loss", color=INK, marker="o", ms=4, ls="none")]
        if not law.reaches_zero:
            marks.append(line("level that it comes down to", color=GREY, lw=0.9, ls=":"))
        return finish(figure, marks)


def law_gallery(laws: Sequence[Law]) -> Figure:
    """Every law on one page: the curve at the median of its prior, the ends of it thin.

    Parameters
    ----------
    laws : the laws, in the order of their panels, three in a row.

    Returns
    -------
    Figure
    """
    from matplotlib.figure import Figure

    rows = -(-len(laws) // 3)
    with style():
        figure = Figure(figsize=(1.45 * WIDTH, 1.7 * rows + 0.6), layout="constrained")
        grid = figure.subplots(rows, 3, squeeze=False, sharex=True, sharey=True)
        for axis, law in zip(grid.flat, laws, strict=False):
            for shape in law.shapes:
                for _, z, colour, dashes in _ENDS[::2]:
                    at = _value(shape.median, z * shape.sd_log, shape.lower, shape.upper)
                    axis.plot(*law_curve(law, {shape.name: at}), color=colour, ls=dashes, lw=0.8)
            axis.plot(*law_curve(law), color=BLUE, lw=1.8)
            axis.set_title(law.title, fontsize=8.5)
        for axis in list(grid.flat)[len(laws) :]:
            axis.set_visible(False)
        grid[0, 0].set_xlim(0, FURTHEST)
        grid[0, 0].set_ylim(0, 145)
        grid[0, 0].set_yticks([0, 50, 100])
        for axis in grid[-1]:
            axis.set_xlabel(DOSE, fontsize=8)
        for axis in grid[:, 0]:
            axis.set_ylabel(LEFT, fontsize=8)
        handles = [
            line("median of the prior", color=BLUE, lw=1.8),
            line("one shape low (2.5 %)", color=RED, lw=0.8, ls="--"),
            line("one shape high (97.5 %)", color=GREEN, lw=0.8, ls="-."),
        ]
        return finish(figure, handles, columns=3)


def save_picture(figure: Figure, file: Path) -> None:
    """Write a figure as SVG or PNG, by the file's name.

    Raises
    ------
    ValueError : another ending, or a place that cannot be written.
    """
    kind = file.suffix.lower().lstrip(".")
    if kind not in PICTURES:
        raise ValueError(f"{file.name}: a picture is written as .svg or .png")
    metadata = {"Date": None, "Creator": None} if kind == "svg" else None
    try:
        with style():
            figure.savefig(file, format=kind, dpi=150, metadata=metadata)
    except OSError as error:
        raise ValueError(f"{file.name} cannot be written ({error.strerror})") from error


PICTURES = ("svg", "png")


def _value(median: float, shift: float, lower: float, upper: float) -> float:
    import math

    return min(max(median * math.exp(shift), lower), upper)


def _draw(
    axis: Axes, law: Law, shape: dict[str, float], colour: str, dashes: str, label: str
) -> None:
    axis.plot(*law_curve(law, shape), color=colour, ls=dashes, label=label)
    half = float(law.half_loss(shape))
    axis.plot([1.0], [100 * float(law.retained(half, shape))], "o", color=colour, ms=4)
    if not law.reaches_zero:
        axis.axhline(100 * float(law.plateau(shape)), color=colour, lw=0.9, ls=":")
