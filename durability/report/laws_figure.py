"""How do the laws part beyond the last dose? All fits of one table in one figure."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from durability.report.look import (
    COLOURS,
    GREY,
    INK,
    LINES,
    PALE,
    finish,
    line,
    new_figure,
    style,
)  # fmt: skip

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from durability.inference.likelihood import CurveFit, LawTable

SHOWN = 6
"""Laws drawn with a line of their own; the others are thin and grey."""


def observed(fit: CurveFit) -> tuple[np.ndarray, np.ndarray]:
    """(dose, retained) of every strip, or of every mean where the data are summaries."""
    rows, data = fit.data.rows, fit.data
    if data.strip_row.size:
        row, value = data.strip_row, data.strip_value
    else:
        row = np.flatnonzero(rows.censored == 0)
        value = rows.mean[row]
    start = fit.likelihood.mean.parameters(fit.theta[None, : fit.likelihood.mean.size])["unexposed"]
    level = np.broadcast_to(start, (1, rows.mean.size))[0, row]
    left = np.exp(value - level) if fit.likelihood.mean.log else value / np.exp(level)
    return data.x["dose"][row], left


def laws_figure(table: LawTable, *, reach: float = 2.0) -> Figure:
    """Retained strength against dose for every law of a table.

    Parameters
    ----------
    table : see `durability.inference.likelihood.compare_laws`.
    reach : the axis goes on to this many times the last dose.

    Returns
    -------
    Figure; strips are drawn relative to the unexposed strength that the best law fits.
    """
    if not table.rows:
        raise ValueError("no law could be fitted; there is nothing to draw")
    with style():
        figure, axes = new_figure(4.3)
        ax = axes[0]
        best = table.rows[0].fit
        dose, left = observed(best)
        last = float(dose.max())
        ax.axvspan(last, reach * last, color=PALE, alpha=0.45, lw=0)
        ax.text(1.02 * last, 1.12, "not tested", color=INK, fontsize=8, va="top")
        ax.axhline(table.fraction, color=GREY, lw=0.8, ls=":")
        ax.text(0, table.fraction + 0.012, f"{100 * table.fraction:g} % left", fontsize=8,
                color=INK)  # fmt: skip
        grid = np.linspace(0, reach * last, 400)
        handles = []
        for i, row in enumerate(table.rows):
            curve = row.fit.retained(grid, group=table.group)
            if i < SHOWN:
                label = f"{row.law} (ΔAICc {row.delta:.1f})"
                look = {"color": COLOURS[i % len(COLOURS)], "lw": 1.9 if i == 0 else 1.4,
                        "ls": LINES[i % len(LINES)]}  # fmt: skip
                ax.plot(grid, curve, **look)
                handles.append(line(label, color=str(look["color"]), lw=float(str(look["lw"])),
                                    ls=look["ls"]))  # fmt: skip
            else:
                ax.plot(grid, curve, color=GREY, lw=0.6, alpha=0.8)
        if len(table.rows) > SHOWN:
            handles.append(line(f"{len(table.rows) - SHOWN} other laws", color=GREY, lw=0.6))
        ax.plot(dose, left, ls="none", marker="o", ms=3.2, mfc="white", mec=INK, mew=0.7)
        handles.append(line("strips", marker="o", ms=3.2, mfc="white", mec=INK, mew=0.7, ls=""))
        ax.set_ylim(0, max(1.15, float(left.max()) * 1.03))
        ax.set_xlim(left=-0.01 * reach * last, right=reach * last)
        ax.set_xlabel(f"dose [{table.unit}]")
        ax.set_ylabel("retained fraction [1]")
        ax.set_title(f"{table.name}: laws beyond the last dose")
        return finish(figure, handles)


def save_tables(tables: Sequence[LawTable], path: Path) -> list[Path]:
    """Draw every table that has a law; several are numbered. The paths written."""
    drawn = [t for t in tables if t.rows]
    if path.suffix.lower() not in (".svg", ".png", ".pdf"):
        raise ValueError(f"{path.name} must end in .svg, .png or .pdf")
    written = []
    for i, table in enumerate(drawn):
        here = path if len(drawn) == 1 else path.with_stem(f"{path.stem}-{i + 1}")
        with style():
            laws_figure(table).savefig(here, dpi=150)
        written.append(here)
    return written
