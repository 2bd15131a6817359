"""What does one likelihood fit look like? Strips, curve, threshold and residuals in one figure."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from durability.laws import Law
from durability.report.look import (
    BLUE,
    GREY,
    INK,
    PALE,
    RED,
    finish,
    line,
    new_figure,
    patch,
    style,
)  # fmt: skip

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from durability.inference.likelihood import CurveFit


def curve_figure(
    fit: CurveFit, *, fraction: float = 0.5, level: float = 0.95, group: str | None = None,
    unit: str = "", strength_unit: str = "",
) -> Figure:  # fmt: skip
    """Data, curve with its Wald band, threshold with its profile limits; residuals below.

    Parameters
    ----------
    fit : of one predictor.
    fraction : of the threshold drawn (a law only).
    level : of band and limits.
    group : whose curve, where groups have their own parameters.
    unit, strength_unit : shown on the axes.
    """
    names = list(fit.data.x)
    if len(names) > 1:
        raise ValueError("a figure needs a curve of one predictor")
    from durability.inference.likelihood.band import wald_band

    with style():
        figure, axes = new_figure(5.2, 2, ratios=(2.2, 1))
        top, low = axes
        rows, data = fit.data.rows, fit.data
        whole = data.strip_row.size > 0
        row = data.strip_row if whole else np.flatnonzero(rows.censored == 0)
        value = data.strip_value if whole else rows.mean[row]
        x = data.x[names[0]]
        last = float(x.max())
        is_law = isinstance(fit.law, Law)
        threshold = fit.threshold_dose(fraction, level=level, group=group) if is_law else None
        end = 1.08 * last
        if threshold is not None and threshold.high is not None:
            end = min(max(end, 1.05 * threshold.high), 2.5 * last)
        grid = np.linspace(0.0 if is_law else float(x.min()), end, 300)
        curves = wald_band(fit, grid, level=level, group=group)
        logs = fit.likelihood.mean.log
        value = np.exp(value) if logs else value
        if end > last:
            top.axvspan(last, end, color=PALE, alpha=0.45, lw=0)
            top.text(end, 1.0, "not tested", transform=top.get_xaxis_transform(), va="top",
                     ha="right", fontsize=8)  # fmt: skip
        top.fill_between(grid, curves[0], curves[2], color=BLUE, alpha=0.2, lw=0)
        top.plot(grid, curves[1], color=BLUE, lw=1.7)
        top.plot(x[row], value, ls="none", marker="o", ms=3.4, mfc="white", mec=INK, mew=0.7)
        handles = [
            line("strips" if whole else "means", marker="o", ms=3.4, mfc="white", mec=INK, mew=0.7,
                 ls=""),
            line("fitted law", color=BLUE, lw=1.7),
            patch(f"{100 * level:g} % band (Wald)", color=BLUE, alpha=0.2),
        ]  # fmt: skip
        cut = rows.censored != 0
        if cut.any():
            limit = np.exp(rows.mean[cut]) if logs else rows.mean[cut]
            top.plot(x[cut], limit, ls="none", marker="v", ms=5, color=GREY)
            handles.append(line("censored at", marker="v", ms=5, color=GREY, ls=""))
        if threshold is not None and threshold.value is not None and threshold.value <= end:
            at = fit.predict([threshold.value], group=group)[0]
            ends = [threshold.low or 0.0, end if threshold.high is None else threshold.high]
            top.plot(ends, [at, at], color=RED, lw=2.2, solid_capstyle="butt")
            top.plot([threshold.value], [at], marker="D", ms=6, color=RED)
            handles.append(line(f"{100 * fraction:g} % left, {100 * level:g} % profile limits",
                                color=RED, marker="D", ms=6, lw=2.2))  # fmt: skip
        top.set_ylim(bottom=0 if is_law else None)
        top.set_xlim(right=end)
        top.set_ylabel(f"strength [{strength_unit or 'as given'}]")
        top.set_title(f"{fit.law.name}, {fit.likelihood.errors} errors")
        checked = fit.residuals()
        z = checked.strips if whole else checked.standardised[row]
        low.axhline(0, color=GREY, lw=0.8)
        for side in (-2, 2):
            low.axhline(side, color=GREY, lw=0.8, ls=":")
        low.plot(x[row], z, ls="none", marker="o", ms=3.2, mfc="white", mec=INK, mew=0.7)
        low.set_xlim(top.get_xlim())
        low.set_xlabel(f"{names[0]} [{unit or 'as given'}]")
        low.set_ylabel("standardised\nresidual [1]")
        return finish(figure, handles)
