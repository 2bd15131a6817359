"""Where is each strip cut and hung? Pages to print for the cutting table and the chamber."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from durability.report.look import COLOURS, GREY, HATCHES, INK, finish, patch, style

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from durability.study.plan import Plan, Strip

PAGE = (8.27, 11.69)
"""Size of a page, A4 [inch]."""
SHADES = ("#ffffff", "#cfe3f1", "#f4d6c3", "#c4e3da", "#ead7e3", "#efe2bd")
"""Pale grounds, light enough for a label in black to be read on them."""


def cutting_figure(plan: Plan, material: str, lot: str) -> Figure:
    """The cutting plan of one lot, a panel a direction.

    Parameters
    ----------
    plan : of the study.
    material, lot : which.

    Returns
    -------
    Figure : along the roll [mm] against across it [mm]; each strip with its label, its ground and
        foot the withdrawal. An empty cell is left uncut.
    """
    strips = [s for s in plan.strips if (s.material, s.lot) == (material, lot)]
    d = plan.design
    directions = d.directions
    with style():
        figure, axes = _page(len(directions))
        for axis, direction in zip(axes, directions, strict=True):
            mine = [s for s in strips if s.direction == direction]
            wide, tall = d.strip_width, d.strip_length
            if direction == "cross":
                wide, tall = tall, wide
            for s in mine:
                _box(axis, s.across, s.along, wide, tall, s.specimen.rsplit("-", 1)[-1], s, plan,
                     turned=direction == "machine")  # fmt: skip
            for edge in (0.0, d.roll_width):
                axis.axvline(edge, color=INK, lw=1.5)
            axis.set_xlim(-0.02 * d.roll_width, 1.02 * d.roll_width)
            axis.set_ylim(max(s.along for s in mine) + 0.6 * tall, -0.1 * tall)
            axis.set_title(f"{material}, lot {lot}, {direction} direction: labels "
                           f"{mine[0].specimen.rsplit('-', 1)[0]}-…")  # fmt: skip
            axis.set_ylabel("along the roll [mm]")
            axis.set_xlabel("across the roll, edge to edge [mm]")
            axis.grid(visible=False)
        return finish(figure, _legend(plan), 4)


def places_figure(plan: Plan) -> Figure:
    """The places of the strips in the chamber.

    Parameters
    ----------
    plan : of the study.

    Returns
    -------
    Figure : tier against place, broken into rows that fit a page; each place with the label of its
        strip, its ground the withdrawal. A cross is an empty place.
    """
    at = {(s.tier, s.place): s for s in plan.strips if s.tier}
    each = 15
    blocks = [range(a, min(a + each, plan.places + 1)) for a in range(1, plan.places + 1, each)]
    with style():
        figure, axes = _page(len(blocks))
        for axis, block in zip(axes, blocks, strict=True):
            for tier in range(1, plan.tiers + 1):
                for place in block:
                    s = at.get((tier, place))
                    if s is None:
                        axis.plot(place, tier, marker="x", color=GREY, ms=6)
                    else:
                        _box(axis, place, tier, 0.96, 0.86, s.specimen, s, plan, turned=True)
            axis.set_xlim(block[0] - 0.6, block[0] + each - 0.4)
            axis.set_ylim(plan.tiers + 0.6, 0.4)
            axis.set_yticks(range(1, plan.tiers + 1))
            axis.set_xticks(list(block))
            axis.set_ylabel("tier")
            axis.grid(visible=False)
        axes[0].set_title("Places in the chamber at the start")
        axes[-1].set_xlabel("place along the tier")
        return finish(figure, _legend(plan, unexposed=False), 4)


def write_plan(plan: Plan, file: Path) -> None:
    """Every page of the plan as one PDF to print; a file that is there is not touched.

    Raises
    ------
    FileExistsError : the file is there.
    """
    from matplotlib.backends.backend_pdf import PdfPages

    if file.exists():
        raise FileExistsError(f"{file.name} is there already")
    pairs = list(dict.fromkeys((m, lot) for m, lot, _ in plan.design.series()))
    with PdfPages(file, metadata={"Title": "Plan", "CreationDate": None}) as pages, style():
        for material, lot in pairs:
            pages.savefig(cutting_figure(plan, material, lot))
        pages.savefig(places_figure(plan))


def _page(rows: int) -> tuple[Figure, list[Axes]]:
    from matplotlib.figure import Figure

    height = min(PAGE[1], 1.0 + (3.2 if rows < 3 else 2.4) * rows)
    figure = Figure(figsize=(PAGE[0], height), layout="constrained")
    return figure, list(figure.subplots(rows, 1, squeeze=False)[:, 0])


def _box(
    axis: Axes, x: float, y: float, wide: float, tall: float, text: str, strip: Strip, plan: Plan,
    *, turned: bool,
) -> None:  # fmt: skip
    from matplotlib.patches import Rectangle

    level = _level(strip.hours, plan)
    axis.add_patch(
        Rectangle(
            (x - wide / 2, y - tall / 2),
            wide,
            tall,
            facecolor=SHADES[level % 6],
            edgecolor=GREY,
            lw=0.6,
        )
    )
    if level:  # a coloured foot with a hatch tells withdrawals apart on a grey print too
        axis.add_patch(
            Rectangle(
                (x - wide / 2, y + 0.36 * tall),
                wide,
                0.14 * tall,
                facecolor=_foot(level),
                hatch=HATCHES[level % 6] * 2,
                edgecolor="white",
                lw=0,
            )
        )
    axis.text(
        x, y - 0.06 * tall, text, ha="center", va="center", fontsize=6.5, color=INK,
        rotation=90 if turned else 0,
    )  # fmt: skip


def _level(hours: float, plan: Plan) -> int:
    return (0.0, *plan.design.hours).index(hours)


def _foot(level: int) -> str:
    return "#ffffff" if level == 0 else COLOURS[(level - 1) % 6]


def _legend(plan: Plan, *, unexposed: bool = True) -> list[Any]:
    found = []
    for hours in (0.0, *plan.design.hours):
        level = _level(hours, plan)
        if level or unexposed:
            label = f"{hours:g} h" if level else "unexposed (no foot)"
            color = _foot(level) if level else "#e4e6e8"
            found.append(patch(label, color=color, hatch=HATCHES[level % 6] * 2))
    return found
