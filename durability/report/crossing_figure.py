"""How do the brackets, the curve without a family and the fitted curve look together?"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from durability.report.look import (
    BLUE,
    COLOURS,
    GREY,
    INK,
    PALE,
    RED,
    finish,
    line,
    new_figure,
    patch,
    style,
)

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from durability.inference.crossing import (
        CrossingFit,
        CrossingGroup,
        StudyCrossings,
        TurnbullCurve,
    )
    from durability.study import Study

MOST_BRACKETS = 60
"""More different brackets than this are drawn thinner."""


def crossing_curve(
    low: Any,
    high: Any,
    *,
    weights: Any = None,
    fit: CrossingFit | None = None,
    at: Mapping[str, float] | None = None,
    unit: str = "",
    title: str = "",
) -> Figure:
    """The share of units that still hold against dose, and each bracket below it.

    Parameters
    ----------
    low, high : (unit,) brackets as in `fit_crossings`.
    weights : counts.
    fit, at : a fit and the covariates of these units; None draws the brackets and Turnbull's curve.
    unit : of dose, for the axis.
    title : over the panel.

    Returns
    -------
    Figure : above, Turnbull's steps (shaded where the brackets do not tell how the share falls)
        and the fitted curve with its band; below, every bracket as a bar, an exact dose as a dot,
        an open end as an arrow, with its count where several units share it.
    """
    from durability.inference.crossing import turnbull

    low, high = (np.asarray(x, dtype=float) for x in (low, high))
    count = np.ones(low.size) if weights is None else np.asarray(weights, dtype=float)
    curve = turnbull(low, high, count)
    finite = np.concatenate([low, high])
    last = float(finite[np.isfinite(finite)].max())
    end = 1.15 * last
    pairs, code = np.unique(np.column_stack([low, high]), axis=0, return_inverse=True)
    count = np.bincount(code.ravel(), weights=count)
    rows = min(len(pairs), MOST_BRACKETS)
    with style():
        below = 0.5 + 0.085 * rows
        figure, (top, bottom) = new_figure(3.6 + below, 2, sharex=True, ratios=[2.6, below])
        handles = _turnbull_steps(top, curve, end)
        if fit is not None:
            handles += _fitted(top, fit, at, end)
        handles += _brackets(bottom, pairs, count, end)
        top.set_xlim(0, end)
        top.set_ylim(-0.02, 1.04)
        top.axvline(last, color=GREY, lw=1.0)
        top.axvspan(last, end, color=PALE, alpha=0.55, lw=0, zorder=0)
        handles.append(patch("beyond the last look", color=PALE))
        top.set_ylabel("share that still holds [1]")
        top.set_title(title)
        bottom.set_xlabel(f"dose [{unit}]" if unit else "dose [as given]")
        return finish(figure, handles)


def crossing_figure(group: CrossingGroup, label: str, *, unit: str = "") -> Figure:
    """The figure of one lot (or material) of a study's crossings.

    Parameters
    ----------
    group : from `durability.inference.crossing.study_crossings`.
    label : the lot or material, ``""`` where the study names none.
    unit : of dose.
    """
    mine = group.units[group.level_of].values.astype(str) == label
    if not mine.any():
        known = ", ".join(dict.fromkeys(group.units[group.level_of].values.astype(str)))
        raise LookupError(f'no {group.level_of} "{label}"; known: {known}')
    low, high, n = (group.units[name].values[mine] for name in ("low", "high", "n"))
    fitted = label in group.labels
    return crossing_curve(
        low, high, weights=n, fit=group.fit if fitted else None,
        at=group.at(label) if fitted else None, unit=unit,
        title=", ".join(x for x in (group.name, label and f"{group.level_of} {label}") if x),
    )  # fmt: skip


def save_figures(found: StudyCrossings, study: Study, folder: Path) -> list[Path]:
    """Write a PNG for each lot (or material) of each group into a folder.

    Raises
    ------
    ValueError : the folder cannot be written.
    """
    import re

    written = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for group in found.groups:
            unit = study.exposures[group.exposure].dose_unit
            for label in dict.fromkeys(group.units[group.level_of].values.astype(str)):
                name = re.sub(r"[^\w-]+", "-", f"crossings-{group.name}-{label}").strip("-")
                written.append(folder / f"{name}.png")
                crossing_figure(group, label, unit=unit).savefig(written[-1], dpi=150)
    except OSError as error:
        raise ValueError(f"{folder.name} cannot be written ({error.strerror})") from error
    return written


def _turnbull_steps(axis: Axes, curve: TurnbullCurve, end: float) -> list[Any]:
    start, share = 0.0, 1.0
    for left, right, mass in zip(curve.left, curve.right, curve.mass, strict=True):
        axis.plot([start, left], [share, share], color=INK, lw=1.6, solid_capstyle="butt")
        after = max(share - mass, 0.0)
        reach = min(right, end)
        if left == right:
            axis.plot([left, left], [share, after], color=INK, lw=1.6)
        else:
            axis.fill_between([left, reach], after, share, color=GREY, alpha=0.28, lw=0,
                              hatch="///", edgecolor="white")  # fmt: skip
            axis.plot([left, left, reach], [share, after, after], color=INK, lw=0.7, ls=":")
        start, share = min(right, end), after
    if start < end:
        axis.plot([start, end], [share, share], color=INK, lw=1.6, solid_capstyle="butt")
    return [
        line("without a family (Turnbull)", color=INK, lw=1.6),
        patch("how the share falls here is not told", color=GREY, alpha=0.28, hatch="///"),
    ]


def _fitted(axis: Axes, fit: CrossingFit, at: Mapping[str, float] | None, end: float) -> list[Any]:
    doses = np.linspace(end / 400, end, 200)
    band = fit.holding(doses, at=at)
    axis.fill_between(doses, band["low"].values, band["high"].values, color=BLUE, alpha=0.22, lw=0)
    axis.plot(doses, band["holding"].values, color=BLUE, lw=1.8, ls="--")
    middle = fit.quantile(0.5, at=at)
    handles = [
        line(f"fitted, {fit.family}", color=BLUE, lw=1.8, ls="--"),
        patch(f"its {100 * fit.level:g} % band, dose by dose", color=BLUE, alpha=0.3),
    ]
    if middle.value < end:
        ends = [max(middle.low, 0.0), min(middle.high, end)]
        axis.plot(ends, [0.5, 0.5], color=RED, lw=2.2, solid_capstyle="butt")
        axis.plot([middle.value], [0.5], color=RED, marker="D", ms=5)
        word = f"half have crossed, {100 * fit.level:g} % interval"
        handles.append(line(word, color=RED, marker="D", ms=5, lw=2.2))
    return handles


def _brackets(axis: Axes, pairs: np.ndarray, count: np.ndarray, end: float) -> list[Any]:
    order = np.lexsort((pairs[:, 0], np.minimum(pairs[:, 1], 2 * end)))
    thin = len(pairs) > MOST_BRACKETS
    for y, i in enumerate(order):
        low, high = pairs[i]
        if low == high:
            axis.plot([low], [y], color=INK, marker="o", ms=2 if thin else 3.5)
        else:
            stop = min(high, end)
            axis.plot([low, stop], [y, y], color=COLOURS[2], lw=0.6 if thin else 1.8,
                      solid_capstyle="butt")  # fmt: skip
            if not thin:
                for x in (low, high):
                    if 0 < x < end:
                        axis.plot([x], [y], color=COLOURS[2], marker="|", ms=5, mew=1.4)
            if np.isinf(high):
                axis.plot([stop], [y], color=COLOURS[2], marker=">", ms=2 if thin else 4.5,
                          clip_on=False)  # fmt: skip
        if count[i] != 1 and not thin:
            open_end = np.isinf(high)
            axis.annotate(
                f"{count[i]:g}", (low if open_end else high, y), xytext=(-4 if open_end else 4, 0),
                textcoords="offset points", fontsize=7, va="center",
                ha="right" if open_end else "left",
            )  # fmt: skip
    axis.set_ylim(-0.9, len(pairs) - 0.1)
    axis.set_yticks([])
    axis.set_ylabel("brackets")
    axis.grid(axis="y", visible=False)
    handles = [line("bracket, with its count; > not crossed yet", color=COLOURS[2], lw=1.8)]
    if (pairs[:, 0] == pairs[:, 1]).any():
        handles.append(line("crossing seen as it happened", color=INK, marker="o", ms=3.5, lw=0))
    return handles


__all__ = ["crossing_curve", "crossing_figure", "save_figures"]
