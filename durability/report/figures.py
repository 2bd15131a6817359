"""How do the data and the fit look? Figures of strips, thresholds, days and budgets.

Each function returns a matplotlib Figure and shows nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from textwrap import wrap
from typing import TYPE_CHECKING, Any

from durability.report.headline import worst_by_month
from durability.report.look import (
    BLUE,
    COLOURS,
    GREY,
    HATCHES,
    INK,
    LINES,
    MARKERS,
    PALE,
    RED,
    finish,
    line,
    new_figure,
    patch,
    point_at,
    style,
)
from durability.statement import MONTHS, Statement, Statements

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from durability.inference import Fit
    from durability.translation import Translation

REST = "inputs acting jointly, and the rest"


def strength_by_dose(fit: Fit, material: str, exposure: str) -> Figure:
    """Every strip of a material under an exposure, with the fitted curve, a panel a direction.

    Parameters
    ----------
    fit : the fit; where its diagnostics failed the strips are drawn without a curve.
    material, exposure : which.

    Returns
    -------
    Figure : strength [unit of the study] against dose [unit of the exposure]. Lots stand side by
        side at one dose. Strips not used are crosses; censored strips are triangles that point
        the way the strength may lie.
    """
    from durability.exposure import with_dose

    rows = with_dose(fit.study)
    of = rows["material"].values == material
    here = (rows["exposure"].values == exposure) | (rows["dose"].values == 0)
    rows = rows.isel(row=(of & here).nonzero()[0])
    lots = list(dict.fromkeys(str(x) for x in rows["lot"].values))
    directions = [d for m, d, x in fit.model.conditions if (m, x) == (material, exposure)]
    with style():
        figure, axes = new_figure(2.5 * len(directions) + 1.3, len(directions), sharex=True)
        handles: dict[str, Any] = {}
        for axis, direction in zip(axes, directions, strict=True):
            _curves(axis, fit, material, direction, exposure, handles)
            _strips(axis, rows.isel(row=(rows["direction"].values == direction).nonzero()[0]),
                    lots, fit.last_dose(material, exposure), handles)  # fmt: skip
            if direction:
                axis.set_title(f"{direction} direction")
            axis.set_ylabel(f"{_strength_word(fit)} [{fit.study.unit}]")
            axis.set_ylim(bottom=0)
        axes[-1].set_xlabel(f"dose [{fit.study.exposures[exposure].dose_unit}]")
        return finish(figure, list(handles.values()))


def _strength_word(fit: Fit) -> str:
    words = fit.study.property
    return words if len(words) <= 26 else "strength"


def _curves(
    axis: Axes, fit: Fit, material: str, direction: str, exposure: str, handles: dict[str, Any]
) -> None:
    import numpy as np

    from durability.inference.bands import bands

    last = fit.last_dose(material, exposure)
    end = 1.15 * last
    axis.set_xlim(-0.04 * last, end)
    axis.axvspan(last, end, color=PALE, alpha=0.55, lw=0, zorder=0)
    axis.axvline(last, color=GREY, lw=1.0)
    handles["beyond"] = patch("beyond the last dose tested", color=PALE)
    if not fit.diagnostics.ok:
        return
    doses = np.linspace(0, end, 56)
    band = bands(fit, doses, material=material, direction=direction, exposure=exposure)
    level = f"{100 * fit.level:g} %"
    low, high = (band.sel(of="new_lot", limit=x).values for x in ("low", "high"))
    axis.fill_between(doses, low, high, color=BLUE, alpha=0.13, lw=0)
    low, high = (band.sel(of="mean", limit=x).values for x in ("low", "high"))
    axis.fill_between(doses, low, high, color=BLUE, alpha=0.30, lw=0)
    axis.plot(doses, band.sel(of="mean", limit="median").values, color=BLUE, lw=1.8)
    single = band.sel(of="single_specimen", limit="low").values
    axis.plot(doses, single, color=RED, lw=1.2, ls="--")
    share = fit.study.question.share
    handles["median"] = line("fitted median lot", color=BLUE, lw=1.8)
    handles["mean"] = patch(f"its {level} interval", color=BLUE, alpha=0.40)
    handles["new"] = patch(f"a new lot, {level} interval", color=BLUE, alpha=0.13)
    handles["single"] = line(
        f"{100 * share:g} % of single strips hold this", color=RED, lw=1.2, ls="--"
    )
    start = float(band.sel(of="mean", limit="median").values[0])
    marks = [(f"{100 * q:g} %", q * start) for q in fit.study.thresholds]
    if fit.study.required_strength is not None:
        marks.append(("required", fit.study.required_strength))
    for text, height in marks:
        axis.axhline(height, color=INK, lw=0.9, ls=":")
        axis.annotate(
            text, (1, height), xycoords=("axes fraction", "data"), xytext=(-3, 2),
            textcoords="offset points", ha="right", fontsize=8,
        )  # fmt: skip
    handles["threshold"] = line("threshold", color=INK, lw=0.9, ls=":")


def _strips(axis: Axes, rows: Any, lots: list[str], last: float, handles: dict[str, Any]) -> None:
    import numpy as np

    for i, lot in enumerate(lots):
        part = rows.isel(row=(rows["lot"].values == lot).nonzero()[0])
        x = part["dose"].values + 0.009 * last * (i - (len(lots) - 1) / 2)
        y = part["strength"].values
        used = part["used"].values.astype(bool)
        sign = part["censored"].values
        marker, name = MARKERS[i % len(MARKERS)], f"lot {lot}" if lot else "strip"
        summary = part["summary"].values.astype(bool)
        plain = used & (sign == 0)
        if summary.any():
            name = f"mean, {name}" if lot else "mean of strips"
            sd = np.where(summary, part["sd"].values, np.nan)
            axis.errorbar(x[plain], y[plain], sd[plain], fmt="none", ecolor=GREY, elinewidth=0.8)
        look = {
            "ls": "none",
            "marker": marker,
            "ms": 4,
            "mfc": "#3d4247",
            "mec": "white",
            "mew": 0.4,
        }
        (drawn,) = axis.plot(x[plain], y[plain], **look)
        point_at(drawn, [_strip_words(part, i) for i in np.flatnonzero(plain)])
        handles[f"lot {lot}"] = line(name, **look)
        for way, words, shape in ((-1, "weaker than this", 7), (1, "at least this strong", 6)):
            at = used & (sign == way)
            if at.any():
                look = {"ls": "none", "marker": shape, "ms": 7, "mfc": RED, "mec": RED}
                (drawn,) = axis.plot(x[at], y[at], **look)
                point_at(drawn, [f"{_strip_words(part, i)}: {words}" for i in np.flatnonzero(at)])
                handles[words] = line(words, **look)
        out = ~used & np.isfinite(y)
        if out.any():
            look = {"ls": "none", "marker": "x", "ms": 6, "mec": RED, "mew": 1.4}
            (drawn,) = axis.plot(x[out], y[out], **look)
            point_at(drawn, [f"{_strip_words(part, i)}: not used, {part['reason'].values[i]}"
                             for i in np.flatnonzero(out)])  # fmt: skip
            handles["not used"] = line("not used", **look)


def _strip_words(rows: Any, i: Any) -> str:
    """Lot, specimen, dose and strength of a row, to be shown on pointing at it."""
    named = (("lot", rows["lot"].values[i]), ("specimen", rows["specimen"].values[i]))
    who = ", ".join(f"{what} {name}" for what, name in named if name)
    numbers = f"{rows['strength'].values[i]:.4g} at dose {rows['dose'].values[i]:.4g}"
    return f"{who}: {numbers}" if who else numbers


OF_WORDS = {
    "mean": "median lot", "new_lot": "a new lot", "single_specimen": "single strips of a new lot",
}  # fmt: skip


def threshold_intervals(statements: Iterable[Statement]) -> Figure:
    """Threshold doses with their intervals, a panel a fraction (and unit of dose).

    Parameters
    ----------
    statements : any; threshold doses among them are drawn. Bounds are arrows.
    """
    said = [s for s in statements if s.quantity == "threshold_dose"]
    if not said:
        raise ValueError("there is no threshold dose among the statements")
    panels = list(dict.fromkeys((s.unit, s.fraction) for s in said))
    several = len({s.exposure for s in said}) > 1

    def row(s: Statement) -> str:
        parts = (s.material, s.direction, s.exposure if several else None)
        return ", ".join(p for p in parts if p)

    names = {
        p: list(dict.fromkeys(row(s) for s in said if (s.unit, s.fraction) == p)) for p in panels
    }
    heights = [0.35 + 0.5 * len(names[p]) for p in panels]
    subjects = [of for of in OF_WORDS if any(s.of == of for s in said)]
    with style():
        figure, axes = new_figure(
            sum(heights) + 0.5 * len(panels) + 0.4, len(panels),
            ratios=heights,
        )  # fmt: skip
        for axis, panel in zip(axes, panels, strict=True):
            here = [s for s in said if (s.unit, s.fraction) == panel]
            reach = max(x for s in here for x in (s.low, s.value, s.high) if x is not None)
            for s in here:
                k = subjects.index(s.of or "mean")
                y = names[panel].index(row(s)) + 0.24 * (k - (len(subjects) - 1) / 2)
                draw_interval(axis, s, y, COLOURS[k], MARKERS[k], 0.07 * reach)
            axis.set_xlim(0, 1.1 * reach)
            axis.set_yticks(range(len(names[panel])), names[panel])
            axis.set_ylim(len(names[panel]) - 0.4, -0.6)
            axis.set_xlabel(f"threshold dose [{panel[0]}]")
            fraction = panel[1]
            axis.set_title(
                "required strength" if fraction is None else f"{100 * fraction:g} % left"
            )
            axis.grid(axis="y", visible=False)
        handles = [
            line(OF_WORDS[of], color=COLOURS[k], marker=MARKERS[k], ms=5, lw=1.4)
            for k, of in enumerate(subjects)
        ]
        if any(s.is_bound for s in said):
            handles.append(
                line("arrow: not before, or not after", color=INK, marker=">", ms=5, lw=1.4)
            )
        return finish(figure, handles)


def _statement_words(s: Statement) -> tuple[str, str]:
    """What is quoted on pointing at a statement's mark, and its id."""
    return f"{OF_WORDS.get(s.of or '', 'lot')}: {s.figures()}", s.id


def draw_interval(
    axis: Axes, s: Statement, y: float, colour: str, marker: str, length: float
) -> None:
    """One statement as a bar along x; a bound is an arrow of a length in units of x."""
    if s.value is not None:
        ends = [s.low if s.low is not None else s.value, s.high if s.high is not None else s.value]
        axis.plot(ends, [y, y], color=colour, lw=1.4, solid_capstyle="butt")
        (drawn,) = axis.plot([s.value], [y], color=colour, marker=marker, ms=5)
        point_at(drawn, [_statement_words(s)])
        return
    at = s.low if s.low is not None else s.high or 0.0
    tip = at + length if s.low is not None else max(at - length, 0.0)
    (drawn,) = axis.plot([at], [y], color=colour, marker="|", ms=9, mew=1.8)
    point_at(drawn, [_statement_words(s)])
    axis.annotate(
        "", (tip, y), xytext=(at, y),
        arrowprops={"arrowstyle": "-|>", "color": colour, "lw": 1.4, "shrinkA": 0, "shrinkB": 0},
    )  # fmt: skip


def days_by_month(
    statements: Statements,
    *,
    fraction: float | None,
    of: str,
    titles: Mapping[str, str] | None = None,
) -> Figure:
    """Days to cover and days outdoors by month of laying, in the worse direction, a panel a site.

    Parameters
    ----------
    statements : any; days among them are drawn.
    fraction, of : which; None is the required strength.
    titles : site to its title.
    """
    from matplotlib.ticker import LogLocator

    said = statements.where(fraction=fraction, of=of)
    cover, days = said.where(quantity="days_to_cover"), said.where(quantity="outdoor_days")
    places = list(dict.fromkeys(s.site or "" for s in cover))
    if not places:
        raise ValueError("there are no days to cover among the statements")
    materials = list(dict.fromkeys(s.material or "" for s in cover))
    with style():
        figure, axes = new_figure(2.6 * len(places) + 0.9, len(places), sharex=True, sharey=True)
        handles: list[Any] = []
        heights: list[float] = []
        for axis, place in zip(axes, places, strict=True):
            for i, m in enumerate(materials):
                colour, look = COLOURS[i % 6], MARKERS[i % 8]
                low = worst_by_month(cover.where(site=place, material=m))
                lows = [s.low or 0.0 for s in low]
                (drawn,) = axis.plot([s.month or 0 for s in low], lows, color=colour, marker=look,
                                     ms=5, lw=1.6, ls=LINES[i % 6])  # fmt: skip
                point_at(drawn, [_statement_words(s) for s in low])
                heights += lows
                shift = 0.16 * (i - (len(materials) - 1) / 2)
                for s in worst_by_month(days.where(site=place, material=m)):
                    heights += _span(axis, s, (s.month or 0) + shift, colour, look)
            axis.set_title((titles or {}).get(place, place))
            axis.set_ylabel("days [d]")
        if 0 < 8 * min(heights) < max(heights):
            for axis in axes:
                axis.set_yscale("log")
                axis.yaxis.set_major_locator(LogLocator(subs=(1, 2, 5)))
                axis.yaxis.set_major_formatter(lambda x, _: f"{x:g}")
                axis.minorticks_off()
        for i, m in enumerate(materials):
            colour, look = COLOURS[i % 6], MARKERS[i % 8]
            handles.append(line(f"days to cover, {m}", color=colour, marker=look, ms=5, lw=1.6,
                                 ls=LINES[i % 6]))  # fmt: skip
            mine = days.where(material=m)
            if any(s.value is not None for s in mine):
                handles.append(line(f"days outdoors with interval, {m}", color=colour, marker=look,
                                     mfc="white", ms=5, lw=0.8))  # fmt: skip
            for shape, word in ((6, "least"), (7, "most")):
                if any(s.value is None and (s.low is not None) == (shape == 6) for s in mine):
                    handles.append(line(f"days outdoors, at {word}, {m}", color=colour, lw=0.0,
                                         marker=shape, mec=colour, mfc="white", ms=7))  # fmt: skip
        axes[-1].set_xticks(range(1, 13), [m[:3] for m in MONTHS])
        axes[-1].set_xlim(0.5, 12.5)
        axes[-1].set_xlabel("month of laying")
        return finish(figure, handles)


def _span(axis: Axes, s: Statement, x: float, colour: str, marker: str) -> list[float]:
    """One interval of days upright; returns the numbers drawn."""
    if s.value is None:
        at = s.low if s.low is not None else s.high
        shape = 6 if s.low is not None else 7
        (drawn,) = axis.plot([x], [at or 0.0], marker=shape, mec=colour, mfc="white", ms=7,
                             ls="none")  # fmt: skip
        point_at(drawn, [_statement_words(s)])
        return [] if not at else [at]
    ends = [s.low if s.low else s.value, s.high if s.high is not None else s.value]
    axis.plot([x, x], ends, color=colour, lw=0.8)
    if s.high is None:
        axis.plot([x], [s.value], marker=6, mec=colour, mfc=colour, ms=6, ls="none")
    (drawn,) = axis.plot([x], [s.value], marker=marker, mec=colour, mfc="white", ms=4, ls="none",
                         zorder=4)  # fmt: skip
    point_at(drawn, [_statement_words(s)])
    return [y for y in ends if y]


def budget_bars(translation: Translation, *, laying: str | None = None) -> Figure:
    """Which input brings which share of the variance of log days, largest first.

    Parameters
    ----------
    translation : to a site.
    laying : one label of the budget's dimension ``laying``; the first by default.
    """
    from durability.translation import BUDGET_INPUTS

    laying = str(translation.budget["laying"].values[0]) if laying is None else laying
    rows = [r for r in translation.budget_rows() if r[1] == laying]
    if not rows:
        raise ValueError(f"the budget has no shares for {laying!r}")
    materials = list(dict.fromkeys(r[0] for r in rows))
    names = list(dict.fromkeys(r[2] for r in rows))
    words = ["\n".join(wrap(BUDGET_INPUTS.get(n, REST), 27)) for n in names]
    with style():
        figure, (axis,) = new_figure(0.37 * len(names) + 0.9)
        width = 0.8 / len(materials)
        for i, m in enumerate(materials):
            share = {n: s for mat, _, n, s in rows if mat == m}
            y = [k - 0.4 + (i + 0.5) * width for k in range(len(names))]
            axis.barh(y, [100 * share.get(n, 0.0) for n in names], height=width * 0.92,
                      color=COLOURS[i % 6], hatch=HATCHES[i % 6], edgecolor="white",
                      lw=0)  # fmt: skip
        axis.set_yticks(range(len(names)), words)
        axis.set_ylim(len(names) - 0.4, -0.6)
        axis.set_xlabel("share of the variance of log days [%]", fontsize=8.5)
        axis.grid(axis="y", visible=False)
        axis.tick_params(axis="y", length=0, labelsize=7.5)
        if len(materials) > 1:
            looks = list(zip(COLOURS, HATCHES, strict=True))
            handles = [
                patch(m, color=looks[i % 6][0], hatch=looks[i % 6][1])
                for i, m in enumerate(materials)
            ]
            axis.legend(handles=handles, loc="lower right", title="material")
        return finish(figure, [])
