"""Where and when may it lie open how long? Whole days to cover over a map, a panel a month."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from durability.report.look import WIDTH, style
from durability.statement import MONTHS, SUBJECTS

if TYPE_CHECKING:
    import xarray
    from matplotlib.figure import Figure


def days_map_figure(made: xarray.Dataset, *, months: tuple[int, ...] | None = None) -> Figure:
    """Days to cover of `durability.translation.days_map.days_map`, as maps with one colour scale.

    Parameters
    ----------
    made : the map.
    months : of laying, 1 to 12, two panels a row; None takes every other month, or those there are.

    Returns
    -------
    Figure: the shade grows with the days on a logarithmic scale and reads the same in grey; lines
    are of equal days; hatched cells do not reach the threshold at the assurance within the horizon;
    cells without weather stay empty.
    """
    import numpy as np
    from matplotlib.colors import ListedColormap, LogNorm
    from matplotlib.figure import Figure

    cover = made["cover"].transpose("month", "latitude", "longitude")
    weather = made["reached"].transpose("month", "latitude", "longitude").notnull()
    if months is None:
        there = tuple(int(m) for m in cover["month"].values)
        months = there[::2] if len(there) == 12 else there
    values = cover.sel(month=list(months)).values
    known = values[np.isfinite(values) & (values > 0)]
    low, high = (float(known.min()), float(known.max())) if known.size else (1.0, 10.0)
    norm = LogNorm(max(low, 1.0), max(high, 2.0))
    steps = [1, 2, 3, 5, 7, 10, 14, 20, 30, 45, 60, 90, 120, 180, 270, 365, 540, 730, 1095, 1825]
    lines = [x for x in steps if norm.vmin < x < norm.vmax]  # type: ignore[operator]
    abreast = min(len(months), 2)
    rows, never = -(-len(months) // abreast), False
    with style():
        size = (1.3 * WIDTH if abreast == 2 else WIDTH, 1.2 + (2.0 if abreast == 2 else 3.0) * rows)
        figure = Figure(figsize=size, layout="constrained")
        grid = figure.subplots(rows, abreast, squeeze=False, sharex=True, sharey=True)
        drawn: Any = None
        x, y = made["longitude"].values, made["latitude"].values
        for axis, month, cells in zip(grid.flat, months, values, strict=False):
            shown = np.ma.masked_invalid(np.maximum(cells, 1.0))
            drawn = axis.pcolormesh(x, y, shown, norm=norm, cmap="cividis", shading="nearest")
            far = np.where(np.isfinite(cells) | ~weather.sel(month=month).values, np.nan, 1.0)
            if np.isfinite(far).any():
                never = True
                axis.pcolor(
                    x, y, np.ma.masked_invalid(far), hatch="////", cmap=ListedColormap(["0.93"]),
                    edgecolors="0.4", linewidth=0, shading="nearest",
                )  # fmt: skip
            inside = [v for v in lines if np.nanmin(shown) < v < np.nanmax(shown)]
            if min(cells.shape) >= 2 and inside:
                masked = np.ma.masked_invalid(cells)
                drawn_lines = axis.contour(x, y, masked, levels=inside, colors="white",
                                           linewidths=0.7)  # fmt: skip
                axis.clabel(drawn_lines, fmt="%g", fontsize=6.5)
            axis.set_title(f"laid in {MONTHS[month - 1]}", fontsize=8.5)
            axis.grid(False)
        for axis in list(grid.flat)[len(months) :]:
            axis.set_visible(False)
        for axis in grid[:, 0]:
            axis.set_ylabel("latitude [°N]")
        for axis in grid[-1]:
            axis.set_xlabel("longitude [°E]")
        bar = figure.colorbar(drawn, ax=grid, shrink=0.7, pad=0.02)
        ticks = lines[:: max(1, len(lines) // 6)] or [max(low, 1.0)]
        bar.set_ticks(ticks, labels=[f"{t:g}" for t in ticks])
        bar.minorticks_off()
        bar.set_label("whole days to cover [d]")
        a = made.attrs
        where = " ".join(w for w in (a["material"], a["direction"]) if w)
        invented = "  [invented climate]" if a.get("invented") else ""
        beyond = f"\nhatched: not within {a['horizon_years']:g} years" if never else ""
        figure.suptitle(
            f"{where}: days to cover, {100 * a['fraction']:g} % left, {100 * a['assurance']:g} % "
            f"assurance\n{SUBJECTS[a['of']]}{invented}{beyond}",
            fontsize=9.5, x=0.02, ha="left",
        )  # fmt: skip
    return figure


__all__ = ["days_map_figure"]
