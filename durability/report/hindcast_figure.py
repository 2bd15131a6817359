"""Were the strips in the open foretold? Found beside predicted, a panel for each exposure."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.report.look import (
    BLUE,
    GREY,
    INK,
    MARKERS,
    ORANGE,
    RED,
    finish,
    line,
    new_figure,
    style,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from durability.inference.hindcast import Hindcast

MOST = 6
"""Panels drawn; the table holds every exposure."""


def hindcast_figure(found: Hindcast) -> Figure:
    """Share of the unexposed strength found at each withdrawal, and its predicted interval.

    Parameters
    ----------
    found : from `durability.hindcast`.

    Returns
    -------
    Figure: bars are predicted intervals of a group's mean, with their median; marks are the means
    found, one mark a lot, ringed where outside the interval from the laboratory.

    Raises
    ------
    ValueError : nothing was predicted.
    """
    from durability.inference.hindcast import LABORATORY, OTHERS

    groups: Any = found.groups
    if not len(groups):
        raise ValueError("no withdrawal could be predicted; there is nothing to draw")
    keys = list(dict.fromkeys(zip(groups["material"], groups["exposure"], strict=True)))[:MOST]
    with style():
        figure, axes = new_figure(0.7 + 2.3 * len(keys), len(keys), sharex=True, sharey=True)
        lots: dict[str, Any] = {}
        for ax, (material, exposure) in zip(axes, keys, strict=True):
            mine = groups[(groups["material"] == material) & (groups["exposure"] == exposure)]
            _panel(ax, mine, lots, given=(LABORATORY, OTHERS))
            site = mine["site"].iloc[0]
            name = exposure if site in exposure else f"{exposure} ({site})"
            ax.set_title(f"{material}, {name}")
            ax.set_ylabel("share of unexposed")
            ax.set_ylim(0, None)
        axes[-1].set_xlabel("days in the open")
        level = f"{found.level:.0%}".replace("%", " %")
        handles = [line(f"predicted from the laboratory, {level}", color=BLUE, lw=3)]
        if (groups["given"] == OTHERS).any():
            label = f"from the laboratory and other sites, {level}"
            handles.append(line(label, color=ORANGE, lw=1.4))
        for lot, marker in lots.items():
            handles.append(line(f"found{f', lot {lot}' if lot else ''}", color=INK, marker=marker,
                                lw=0, ms=4.5))  # fmt: skip
        if not groups["inside"].all():
            handles.append(line("outside its interval", marker="o", lw=0, ms=9, mfc="none", mec=RED,
                                mew=1.2))  # fmt: skip
        return finish(figure, handles)


def _panel(ax: Axes, mine: Any, lots: dict[str, Any], *, given: tuple[str, str]) -> None:
    """Intervals and marks of one exposure; lots stand side by side at each withdrawal."""
    span = float(mine["days"].max())
    order = list(dict.fromkeys(zip(mine["lot"], mine["direction"], strict=True)))
    step = min(0.022, 0.1 / len(order)) * span
    ax.axhline(0.5, color=GREY, lw=0.8, ls=":")
    for i, (lot, direction) in enumerate(order):
        name = " ".join(x for x in (lot, direction) if x)
        marker = lots.setdefault(name, MARKERS[len(lots) % len(MARKERS)])
        one = mine[(mine["lot"] == lot) & (mine["direction"] == direction)]
        for source, colour, shift in zip(given, (BLUE, ORANGE), (-0.25, 0.25), strict=True):
            part = one[one["given"] == source]
            x = part["days"].to_numpy() + (i - (len(order) - 1) / 2 + shift) * step
            first = source == given[0]
            ax.vlines(x, part["low"], part["high"], color=colour, lw=3 if first else 1.4,
                      alpha=0.5 if first else 1.0)  # fmt: skip
            ax.plot(x, part["predicted"], ls="", marker="_", ms=6, mew=1.6, color=colour)
        part = one[one["given"] == given[0]]
        x = part["days"].to_numpy() + (i - (len(order) - 1) / 2) * step
        ax.plot(x, part["observed"], ls="", marker=marker, ms=4.5, color=INK)
        out = ~part["inside"].to_numpy(dtype=bool)
        ax.plot(x[out], part["observed"].to_numpy()[out], ls="", marker="o", ms=9, mfc="none",
                mec=RED, mew=1.2)  # fmt: skip
    ax.set_xlim(0, 1.08 * span)
    ax.set_xticks(np.unique(mine["days"].round()))


def save_figure(found: Hindcast, file: Path) -> None:
    """Write the figure as PNG, SVG or PDF, by the file's ending."""
    with style():
        hindcast_figure(found).savefig(file, dpi=200)


__all__ = ["hindcast_figure", "save_figure"]
