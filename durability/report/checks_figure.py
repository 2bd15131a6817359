"""Do the strips look as the law says? Checks of laws and priors as figures.

Groups beside what the model draws again; the last dose hidden and foretold; the threshold dose by
law and averaged; curves drawn from the priors.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.report.look import (
    BLUE,
    COLOURS,
    GREY,
    INK,
    MARKERS,
    PALE,
    RED,
    finish,
    line,
    new_figure,
    patch,
    style,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from durability.inference.averaged import AveragedFit
    from durability.inference.checking import LastDose, PredictiveCheck, PriorPredictive
    from durability.inference.checking.last_dose import HiddenGroup

PALE_BLUE = "#7fb3d5"
MOST_ROWS = 60
"""Groups that one figure still shows legibly."""


def predictive_figure(check: PredictiveCheck, statistic: str = "mean") -> Figure:
    """Each group found beside what the model draws again, relative to its median.

    Parameters
    ----------
    check : see `durability.inference.checking.predictive_check`.
    statistic : ``"mean"``, ``"cv"`` or ``"weakest"``.

    Returns
    -------
    Figure; groups that stand out are filled and named. Of more than 60 groups the 60 that stand out
    most are drawn.
    """
    from durability.inference.checking.predictive import STATISTICS

    rows = list(check.of(statistic))
    if not rows:
        raise ValueError(f"no group has a {STATISTICS.get(statistic, statistic)}")
    if len(rows) > MOST_ROWS:
        worst = sorted(rows, key=lambda r: min(r.below, 1 - r.below))[:MOST_ROWS]
        rows = [r for r in rows if r in worst]
    with style():
        figure, axes = new_figure(1.3 + 0.17 * len(rows))
        ax = axes[0]
        y = np.arange(len(rows))[::-1]
        for place, r in zip(y, rows, strict=True):
            unit = r.expected if r.expected else 1.0
            ax.plot([r.low_95 / unit, r.high_95 / unit], [place] * 2, color=BLUE, lw=1.0)
            ax.plot([r.low_50 / unit, r.high_50 / unit], [place] * 2, color=PALE_BLUE, lw=3.6,
                    solid_capstyle="butt")  # fmt: skip
            ax.plot(r.found / unit, place, marker="o", ms=3.8, mew=0.9, mec=INK,
                    mfc="white" if r.inside_95 else RED)  # fmt: skip
        ax.axvline(1.0, color=GREY, lw=0.8, ls=":")
        ax.set_yticks(y, [r.name() for r in rows], fontsize=6.5)
        ax.set_ylim(-1, len(rows))
        ax.set_xlabel(f"{STATISTICS[statistic]} over the model's median [1]")
        shown = check.of(statistic)
        inside = sum(r.inside_95 for r in shown)
        words = STATISTICS[statistic].capitalize()
        ax.set_title(f"{words}:\n{inside} of {len(shown)} groups inside 95 %")
        handles = [
            line("found, inside", marker="o", ms=3.8, mfc="white", mec=INK, ls=""),
            line("found, outside 95 %", marker="o", ms=3.8, mfc=RED, mec=INK, ls=""),
            line("model, 95 %", color=BLUE, lw=1.0),
            line("model, 50 %", color=PALE_BLUE, lw=3.6),
        ]
        return finish(figure, handles)


def last_dose_figure(checks: Sequence[LastDose]) -> Figure:
    """The hidden last dose, found and foretold, by law.

    Parameters
    ----------
    checks : one a law, of the same study; see `last_dose_check`.

    Returns
    -------
    Figure: a row a lot and direction, a mark a law.
    """
    checks = [c for c in checks if c.rows]
    if not checks:
        raise ValueError("no exposure has three doses; no last dose was hidden")
    first = list(dict.fromkeys(r.material for r in checks[0].rows))
    order = sorted(range(len(checks[0].rows)), key=lambda i: _place(checks[0].rows[i], first))
    rows = [checks[0].rows[i] for i in order]
    with style():
        figure, axes = new_figure(1.5 + len(rows) * (0.16 + 0.11 * len(checks)))
        ax = axes[0]
        for k, check in enumerate(checks):
            for i, r in enumerate(check.rows[j] for j in order):
                y = -i + 0.32 * (1 - 2 * (k + 1) / (len(checks) + 1))
                colour = COLOURS[k % len(COLOURS)]
                ax.plot([100 * r.low, 100 * r.high], [y, y], color=colour, lw=1.2)
                ax.plot(100 * r.predicted, y, color=colour, marker=MARKERS[k % len(MARKERS)], ms=4)
        for i, r in enumerate(rows):
            ax.plot([100 * r.found] * 2, [-i - 0.42, -i + 0.42], color=INK, lw=1.8)
        names = [
            " ".join(
                filter(
                    None, (*_named(r.material, r.lot), r.direction, r.exposure, f"at {r.dose:.4g}")
                )
            )
            for r in rows
        ]
        ax.set_yticks(-np.arange(len(rows)), names, fontsize=7)
        ax.set_ylim(-len(rows) + 0.4, 0.6)
        ax.set_xlim(left=0)
        ax.set_xlabel("strength left at the hidden dose [% of unexposed]")
        ax.set_title("Last dose hidden: found and foretold")
        handles = [
            line("found", color=INK, lw=1.8),
            *(
                line(f"{c.law}, {100 * c.level:g} %", color=COLOURS[k % len(COLOURS)], lw=1.2,
                     marker=MARKERS[k % len(MARKERS)], ms=4)
                for k, c in enumerate(checks)
            ),
        ]  # fmt: skip
        return finish(figure, handles)


def _place(row: HiddenGroup, materials: list[str]) -> tuple[int | str, ...]:
    """Rows of one product stand together, products in their order."""
    return materials.index(row.material), row.exposure, row.lot, row.direction


def _named(material: str, lot: str) -> tuple[str, ...]:
    """A lot that is named after its product says which it is."""
    return (lot,) if lot.startswith(material) else (material, lot)


def average_figure(
    mixed: AveragedFit,
    fraction: float | None = None,
    *,
    material: str | None = None,
    reach: float = 1.6,
) -> Figure:
    """Curves of the laws and of their average, and the threshold dose by each.

    Parameters
    ----------
    mixed : see `durability.inference.averaging.average_laws`.
    fraction : whose threshold is marked; the study's first by default.
    material : the first by default (its first direction and exposure are drawn).
    reach : the dose axis goes on to this many times the last dose.

    Returns
    -------
    Figure
    """
    from durability.inference.bands import left_limits, threshold_limits
    from durability.inference.checking.prior_predictive import found_fractions

    fraction = mixed.study.thresholds[0] if fraction is None else fraction
    material = material or mixed.materials[0]
    direction, exposure = next((d, x) for m, d, x in mixed.model.conditions if m == material)
    where: dict[str, Any] = {"material": material, "direction": direction, "exposure": exposure}
    last = mixed.last_dose(material, exposure)
    unit = mixed.study.exposures[exposure].dose_unit
    grid = np.linspace(0, reach * last, 90)
    order = np.argsort(-mixed.weights)
    with style():
        figure, axes = new_figure(5.4, 2, sharex=True, ratios=[2.4, 1])
        ax, below = axes
        band = left_limits(mixed, grid, **where)
        ax.axvspan(last, reach * last, color=PALE, alpha=0.45, lw=0)
        ax.fill_between(grid, band[0], band[2], color=BLUE, alpha=0.18, lw=0)
        ax.plot(grid, band[1], color=BLUE, lw=2.2)
        handles = [
            line("average of laws", color=BLUE, lw=2.2),
            patch(f"its {100 * mixed.level:g} %", color=BLUE, alpha=0.18),
        ]
        rows = [("average", mixed, BLUE, "o")]
        for k, i in enumerate(order):
            one, colour = mixed.fits[i], COLOURS[(k + 1) % len(COLOURS)]
            middle = left_limits(one, grid, **where)[1]
            ls = ("--", "-.", ":", (0, (5, 1, 1, 1, 1, 1)), (0, (3, 1)), (0, (1, 1)))[k % 6]
            label = f"{one.law} {100 * mixed.weights[i]:.0f} %"
            ax.plot(grid, middle, color=colour, lw=1.2, ls=ls)
            handles.append(line(label, color=colour, lw=1.2, ls=ls))
            rows.append((one.law, one, colour, MARKERS[(k + 1) % len(MARKERS)]))
        dose, left = found_fractions(mixed.model, material, exposure, direction)
        ax.plot(dose, left, ls="none", marker="o", ms=2.6, mfc="white", mec=INK, mew=0.6)
        handles.append(line("strips", marker="o", ms=2.6, mfc="white", mec=INK, ls=""))
        ax.axhline(fraction, color=GREY, lw=0.8, ls=":")
        ax.text(reach * last, 1.1, "not tested", ha="right", va="top", fontsize=8)
        ax.set_ylim(0, max(1.15, float(left.max(initial=0.0)) * 1.03))
        ax.set_ylabel("retained fraction [1]")
        ax.set_title(f"{' '.join(filter(None, (material, direction)))}: laws and their average")
        for j, (_, one, colour, marker) in enumerate(rows):
            low, middle, high = threshold_limits(one, fraction, **where, level=mixed.level)
            end = min(high, reach * last)
            below.plot([min(low, end), end], [-j, -j], color=colour, lw=1.4)
            if middle <= reach * last:
                below.plot(middle, -j, color=colour, marker=marker, ms=4.5)
            if high > reach * last:
                below.annotate("", (reach * last, -j), (0.985 * reach * last, -j),
                               arrowprops={"arrowstyle": "->", "color": colour})  # fmt: skip
        below.axvspan(last, reach * last, color=PALE, alpha=0.45, lw=0)
        below.set_yticks(-np.arange(len(rows)), [r[0] for r in rows], fontsize=7)
        below.set_ylim(-len(rows) + 0.4, 0.6)
        below.set_xlim(0, reach * last)
        below.set_xlabel(f"dose [{unit}]")
        below.set_title(f"Threshold dose, {100 * fraction:g} % left, median lot,"
                        f" {100 * mixed.level:g} %", fontsize=8.5)  # fmt: skip
        return finish(figure, handles)


def prior_figure(belief: PriorPredictive, *, curves: int = 25) -> Figure:
    """Strength left against dose as the priors have it, with the strips that were found since.

    Parameters
    ----------
    belief : see `durability.inference.checking.prior_predictive`.
    curves : single curves drawn from the priors in each panel.

    Returns
    -------
    Figure: a panel a material and exposure.
    """
    from durability.inference.bands import curve_limits

    keys = list(belief.curves)
    with style():
        figure, axes = new_figure(0.9 + 2.5 * len(keys), len(keys))
        for ax, key in zip(axes, keys, strict=True):
            dose, drawn = belief.doses[key], belief.curves[key]
            low95, low50, middle, high50, high95 = curve_limits(drawn)
            ax.fill_between(dose, low95, high95, color=BLUE, alpha=0.13, lw=0)
            ax.fill_between(dose, low50, high50, color=BLUE, alpha=0.25, lw=0)
            ax.plot(dose, drawn[:curves].T, color=GREY, lw=0.5, alpha=0.7)
            ax.plot(dose, middle, color=BLUE, lw=1.8)
            at, left = belief.found[key]
            ax.plot(at, left, ls="none", marker="o", ms=2.8, mfc="white", mec=INK, mew=0.7)
            top = max(1.15, float(left.max(initial=0.0)) * 1.03)
            ax.set_ylim(0, min(top if left.size else 1.15, 5.0))
            ax.set_xlim(0, dose[-1])
            ax.set_ylabel("retained fraction [1]")
            ax.set_xlabel(f"dose [{belief.units[key[1]]}]")
            ax.set_title(f"{key[0]}, {key[1]}: believed before the strips ({belief.law})")
        handles = [
            line("median of the priors", color=BLUE, lw=1.8),
            patch("50 %", color=BLUE, alpha=0.4),
            patch("95 %", color=BLUE, alpha=0.13),
            line("single curves", color=GREY, lw=0.5),
            line("strips, found since", marker="o", ms=2.8, mfc="white", mec=INK, ls=""),
        ]
        return finish(figure, handles)


def save_checks(figures: dict[str, Figure], folder: Path) -> list[Path]:
    """Write figures to a folder, one SVG each; the paths written."""
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for name, figure in figures.items():
        path = folder / f"{name}.svg"
        with style():
            figure.savefig(path)
        written.append(path)
    return written
