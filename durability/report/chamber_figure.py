"""How did the chamber keep its set points? Its record with tolerances, and its stops shaded.

The whole record is drawn as the range of each of a few hundred equal pieces of time, so that a year
of minutes is no slower to draw than a day and no excursion is lost; below it, the first day as it
was read.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from durability.report.look import (
    BLUE,
    GREY,
    ORANGE,
    PALE,
    RED,
    finish,
    line,
    new_figure,
    patch,
    style,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from durability.exposure import Chamber
    from durability.study.model import Exposure, Study

NAMES = {
    "irradiance": "irradiance",
    "black_panel": "black panel",
    "air": "chamber air",
    "humidity": "humidity",
}
PIECES = 360


def chamber_figure(exposure: Exposure, found: Chamber | None = None) -> Figure:
    """The record of a chamber against time.

    Parameters
    ----------
    exposure : of a study, with a record and a radiant dose.
    found : what `durability.exposure.chamber` says of it; None asks it.

    Returns
    -------
    Figure : one panel a quantity over the whole record, then its first day as read. Pale bands are
        tolerances about the set points of the lit and of the dark phases, hatched times stops.
    """
    from durability.exposure import chamber

    said = found if found is not None else chamber(exposure)
    record = exposure.record
    if record is None:
        raise ValueError(f"exposure {exposure.name} has no chamber record")
    names = [n for n in NAMES if n in record]
    hours = _hours(record["time"].values)
    day = hours <= 24
    short = bool(day.all()) or int(day.sum()) < 3
    rows = len(names) * (1 if short else 2)
    with style():
        figure, axes = new_figure(1.15 * rows + 1.3, rows)
        for i, axis in enumerate(axes):
            name = names[i % len(names)]
            whole = i < len(names) and not short
            values = record[name].values * (100.0 if name == "humidity" else 1.0)
            _tolerance(axis, said, name)
            if whole:
                _ranges(axis, hours, values)
                axis.set_xlim(0, hours[-1])
            else:
                axis.plot(hours[day], values[day], color=BLUE, lw=0.9, marker=".", ms=2.0)
                axis.set_xlim(0, min(24.0, hours[-1]))
            _stops(axis, said)
            axis.set_ylabel(f"{NAMES[name]}\n[{_unit(name, said.band)}]", fontsize=8.5)
            if name == "humidity" or (name == "irradiance" and whole):
                axis.set_ylim(bottom=min(0.0, axis.get_ylim()[0]))
        axes[0].set_title(f"{exposure.name}: {'record' if short else 'whole record'}, "
                          f"controlled at {said.band}")  # fmt: skip
        if not short:
            axes[len(names)].set_title("first 24 h")
            axes[len(names) - 1].set_xlabel("time in the chamber [h]")
        axes[-1].set_xlabel("time in the chamber [h]")
        handles: list[Any] = [line("as read" if short else "as read; above, range and mean",
                                   color=BLUE, lw=1.2)]  # fmt: skip
        if said.kept:
            handles += [
                line("set point", color=RED, lw=1.2, ls="--"),
                patch("tolerance of the practice", color=PALE),
            ]
        if any(s.kind == "no light" for s in said.interruptions):
            handles.append(patch("no light where light was due", color=ORANGE, hatch="///",
                                 alpha=0.55))  # fmt: skip
        if any(s.kind == "no record" for s in said.interruptions):
            handles.append(patch("no record", color=GREY, hatch="...", alpha=0.45))
        return finish(figure, handles)


def chamber_record(exposure: Exposure) -> Figure:
    """What the chamber recorded: irradiance and black-panel temperature against time.

    Parameters
    ----------
    exposure : with a record.

    Returns
    -------
    Figure : the whole record above, its first day below (the cycle is too short to see in all).
    """
    import numpy as np

    record = exposure.record
    if record is None:
        raise ValueError(f"exposure {exposure.name} has no chamber record")
    time = record["time"].values
    if np.issubdtype(time.dtype, np.datetime64):
        time = (time - time[0]) / np.timedelta64(1, "h")
    unit = "W/m²" if exposure.band and "-" in exposure.band else "W/(m² nm)"
    lit = [s.black_panel for s in exposure.cycle if s.light and s.black_panel is not None]
    points = {"irradiance": exposure.irradiance, "black_panel": lit[0] if lit else None}
    labels = {"irradiance": f"irradiance\n[{unit}]", "black_panel": "black panel\n[°C]"}
    names = [n for n in labels if n in record]
    first = time <= time[0] + 24
    views = [(n, slice(None)) for n in names]
    if first.sum() > 1 and not first.all():
        views += [(n, first) for n in names]
    with style():
        figure, axes = new_figure(1.25 * len(views) + 0.8, len(views))
        for axis, (name, part) in zip(axes, views, strict=True):
            axis.plot(time[part], record[name].values[part], color=BLUE, lw=0.8)
            point = points[name]
            if point is not None:
                axis.axhline(point, color=RED, lw=1.3, ls="--")
            axis.set_ylabel(labels[name])
        axes[0].set_title(f"whole record, at {exposure.band}" if exposure.band else "whole record")
        if len(views) > len(names):
            axes[len(names)].set_title("first 24 h")
        axes[-1].set_xlabel("time in the chamber [h]")
        handles = [
            line("recorded", color=BLUE, lw=1),
            line("set point", color=RED, lw=1.3, ls="--"),
        ]
        return finish(figure, handles)


def write_chambers(study: Study, found: list[Chamber], folder: Path) -> list[Path]:
    """A picture of every chamber record, as ``chamber-EXPOSURE.svg`` in a folder."""
    import re

    written = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for said in found:
            name = re.sub(r"[^\w.-]+", "_", said.exposure)
            file = folder / f"chamber-{name}.svg"
            figure = chamber_figure(study.exposures[said.exposure], said)
            with style():
                figure.savefig(file, metadata={"Date": None})
            written.append(file)
    except OSError as error:
        raise ValueError(f"{folder.name} cannot be written ({error.strerror})") from error
    return written


def _hours(time: NDArray) -> NDArray:
    import numpy as np

    if np.issubdtype(time.dtype, np.datetime64):
        return (time - time[0]) / np.timedelta64(1, "h")
    return time.astype(float) - float(time[0])


def _unit(name: str, band: str) -> str:
    if name == "irradiance":
        return "W/m²" if "-" in band else "W/(m² nm)"
    return "%" if name == "humidity" else "°C"


def _ranges(axis: Axes, hours: NDArray, values: NDArray) -> None:
    """Least, mean and most of equal pieces of time; a piece without readings leaves a hole."""
    import numpy as np

    good = np.isfinite(values)
    hours, values = hours[good], values[good]
    edges = np.linspace(hours[0], hours[-1], PIECES + 1)
    piece = np.clip(np.searchsorted(edges, hours, side="right") - 1, 0, PIECES - 1)
    count = np.bincount(piece, minlength=PIECES)
    least, most = np.full(PIECES, np.inf), np.full(PIECES, -np.inf)
    np.minimum.at(least, piece, values)
    np.maximum.at(most, piece, values)
    empty = count == 0
    least[empty] = most[empty] = np.nan
    mean = np.bincount(piece, values, minlength=PIECES) / np.where(empty, np.nan, count)
    middle = 0.5 * (edges[1:] + edges[:-1])
    axis.fill_between(middle, least, most, color=BLUE, alpha=0.4, lw=0)
    axis.plot(middle, mean, color=BLUE, lw=1.0)


def _tolerance(axis: Axes, said: Chamber, name: str) -> None:
    for kept in said.kept:
        if kept.quantity == name:
            low, high = kept.set_point - kept.tolerance, kept.set_point + kept.tolerance
            axis.axhspan(low, high, color=PALE, lw=0, zorder=0)
            axis.axhline(kept.set_point, color=RED, lw=1.0, ls="--", zorder=3)


def _stops(axis: Axes, said: Chamber) -> None:
    for stop in said.interruptions:
        dark = stop.kind == "no light"
        axis.axvspan(
            stop.start, stop.start + stop.hours, facecolor=ORANGE if dark else GREY,
            alpha=0.55 if dark else 0.45, hatch="///" if dark else "...", edgecolor="white", lw=0,
            zorder=2,
        )  # fmt: skip
