"""Where and when must it be covered by when? Months of laying by sites, a panel a material."""

from __future__ import annotations

from collections.abc import Mapping
from textwrap import fill
from typing import TYPE_CHECKING

from durability.decisions.cover import not_reached
from durability.report.figure_data import Data
from durability.report.headline import worst_by_month
from durability.report.look import WIDTH, style
from durability.statement import MONTHS, Statement, Statements

if TYPE_CHECKING:
    from matplotlib.figure import Figure

HEAD = ("material", "site", "laid in", "direction", "days to cover [d]", "assurance [1]",
        "extrapolated", "or more", "statement")  # fmt: skip


def worst_days(statements: Statements) -> dict[tuple[str, str, int], Statement]:
    """Days to cover in the worse direction, by material, site and month.

    Parameters
    ----------
    statements : any; days to cover of one subject and fraction among them are read.
    """
    cover = statements.where(quantity="days_to_cover")
    found = {}
    for material in dict.fromkeys(s.material or "" for s in cover):
        for site in dict.fromkeys(s.site or "" for s in cover):
            for s in worst_by_month(cover.where(material=material, site=site)):
                found[material, site, s.month or 0] = s
    return found


def places_data(statements: Statements) -> Data:
    """The numbers of the figure, one row a material, site and month."""
    rows = [
        (material, site, MONTHS[month - 1], s.direction or "", s.low, s.level,
         "yes" if s.extrapolated else "no", "yes" if not_reached(s) else "no", s.id)
        for (material, site, month), s in worst_days(statements).items()
    ]  # fmt: skip
    return Data(HEAD, tuple(rows))


def days_by_place(statements: Statements, *, titles: Mapping[str, str] | None = None) -> Figure:
    """Whole days to cover as a table of months by sites whose shade grows with the days.

    Parameters
    ----------
    statements : as `worst_days`.
    titles : site to its title.

    Raises
    ------
    ValueError : without days to cover.

    Returns
    -------
    Figure: a star marks days beyond what the doses tested bear out; a frame the worst month of a
    site.
    """
    import numpy as np
    from matplotlib.colors import LogNorm
    from matplotlib.figure import Figure
    from matplotlib.patches import Rectangle

    found = worst_days(statements)
    if not found:
        raise ValueError("there are no days to cover among the statements")
    materials, sites, months = (sorted(set(k), key=list(k).index) for k in zip(*found, strict=True))
    months = sorted(months)
    days = [s.low or 0.0 for s in found.values()]
    norm = LogNorm(max(min(days), 1.0), max(*days, 2.0))
    named = titles or {}
    labels = [fill(str(named.get(site, site)), max(10, 60 // len(sites))) for site in sites]
    with style():
        height = 0.8 + 0.24 * len(months)
        figure = Figure(figsize=(WIDTH, 0.3 + height * len(materials)), layout="constrained")
        panels = figure.subplots(len(materials), 1, squeeze=False)[:, 0]
        for axis, material in zip(panels, materials, strict=True):
            mine = np.full((len(months), len(sites)), np.nan)
            for (m, site, month), s in found.items():
                if m == material:
                    mine[months.index(month), sites.index(site)] = s.low or 0.0
            shown = np.ma.masked_invalid(np.maximum(mine, 1.0))
            axis.imshow(shown, norm=norm, cmap="cividis", aspect="auto")
            for i, month in enumerate(months):
                for j, site in enumerate(sites):
                    s = found.get((material, site, month))
                    if s is None:
                        continue
                    light = norm(max(s.low or 0.0, 1.0)) > 0.55
                    least = "≥ " if not_reached(s) else ""
                    words = f"{least}{s.low:.0f}{'*' if s.extrapolated else ''}"
                    axis.text(j, i, words, ha="center", va="center", fontsize=8,
                              color="black" if light else "white")  # fmt: skip
            for j in range(len(sites)):
                if np.isfinite(mine[:, j]).any():
                    i = int(np.nanargmin(mine[:, j]))
                    axis.add_patch(Rectangle((j - 0.47, i - 0.45), 0.94, 0.9, fill=False,
                                             ec="#B34700", lw=1.6))  # fmt: skip
            axis.set_xticks(range(len(sites)), labels)
            axis.set_yticks(range(len(months)), [MONTHS[m - 1] for m in months])
            axis.tick_params(length=0, labelsize=7.5)
            axis.set_title(material)
            axis.grid(False)
        figure.supxlabel("whole days to cover [d]", fontsize=8.5)
    return figure


__all__ = ["days_by_place", "places_data", "worst_days"]
