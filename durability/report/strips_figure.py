"""How strong was every strip, and how much is left? Strips by dose, before any law is fitted."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from durability.report.look import (
    BLUE,
    COLOURS,
    GREY,
    INK,
    MARKERS,
    finish,
    line,
    new_figure,
    style,
)
from durability.retention import against_control, retained_strength, strip_rows, with_response

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from durability.retention.response import Response
    from durability.study.model import Study

MOST_LOTS = len(MARKERS)


def strips_by_dose(
    study: Study, material: str, exposure: str, *, response: Response = "strength"
) -> Figure:
    """Every strip of a material under an exposure, with group means, a panel a direction.

    Parameters
    ----------
    study : as read.
    material, exposure : which.
    response : ``strength``, ``elongation`` or ``stiffness``.

    Returns
    -------
    Figure : the response [its unit] against dose [unit of the exposure]. Lots stand side by side at
        one dose, each with its own marker; a dash is the mean of a group. Strips not used are
        crosses; strips known only by a limit are triangles that point to where they may lie.
        Controls kept without light at the same hours are open squares.
    """
    import numpy as np

    changed = with_response(study, response)
    rows = strip_rows(changed)
    beside = [n for n, x in study.exposures.items() if x.control_of == exposure]
    strips = ~rows["summary"].values.astype(bool) & (rows["material"].values == material)
    exposed = strips & ((rows["exposure"].values == exposure) | (rows["dose"].values == 0))
    controls = strips & np.isin(rows["exposure"].values.astype(str), beside)
    directions = list(dict.fromkeys(rows["direction"].values[exposed].tolist())) or [""]
    lots = list(dict.fromkeys(rows["lot"].values[exposed].tolist()))
    with style():
        figure, axes = new_figure(2.4 * len(directions) + 1.3, len(directions), sharex=True)
        handles: dict[str, Any] = {}
        last = float(np.nanmax(rows["dose"].values[exposed], initial=0.0)) or 1.0
        step = 0.02 * last
        for axis, direction in zip(axes, directions, strict=True):
            here = rows["direction"].values == direction
            for k, lot in enumerate(lots):
                mine = rows.isel(row=(exposed & here & (rows["lot"].values == lot)).nonzero()[0])
                _lot(axis, mine, k, (k - (len(lots) - 1) / 2) * step, lot, handles)
            if (controls & here).any():
                _controls(axis, rows, controls & here, exposed, handles)
            axis.set_title(f"{direction} direction" if direction else material)
            axis.set_ylabel(f"{response} [{changed.unit}]")
            axis.set_ylim(bottom=0)
        axes[-1].set_xlabel(f"dose [{study.exposures[exposure].dose_unit}]")
        figure.suptitle(f"{material} under {exposure}", x=0.02, ha="left", fontsize=10)
        return finish(figure, list(handles.values()), columns=3)


def _lot(axis: Axes, rows: Any, k: int, shift: float, lot: str, handles: dict[str, Any]) -> None:
    import numpy as np

    colour, marker = COLOURS[k % len(COLOURS)], MARKERS[k % MOST_LOTS]
    dose = rows["dose"].values.astype(float) + shift
    value = rows["strength"].values.astype(float)
    used = rows["used"].values.astype(bool)
    side = rows["censored"].values
    plain = used & (side == 0)
    axis.plot(dose[plain], value[plain], marker, ms=3.6, mfc="none", mec=colour, mew=0.9)
    name = f"lot {lot}" if lot else "one strip"
    handles[name] = line(name, marker=marker, ls="", color=colour, ms=4, mfc="none", mec=colour)
    for at in np.unique(dose[plain]):
        mean = value[plain & (dose == at)].mean()
        axis.plot([at], [mean], "_", color=colour, ms=8, mew=2.0)
    handles["mean"] = line("mean of a group", color=INK, lw=2.0)
    for sign, mark, word in ((-1, "v", "at most this"), (1, "^", "at least this")):
        bound = used & (side == sign)
        if bound.any():
            axis.plot(dose[bound], value[bound], mark, ms=6, color=colour)
            handles[word] = line(f"strip known to hold {word}", marker=mark, ls="", color=INK, ms=6)
    out = ~used & np.isfinite(value)
    if out.any():
        axis.plot(dose[out], value[out], "x", ms=5, color=GREY, mew=1.2)
        handles["out"] = line("not used", marker="x", ls="", color=GREY, ms=5)


def _controls(axis: Axes, rows: Any, controls: Any, exposed: Any, handles: dict[str, Any]) -> None:
    """Controls at the dose that the exposed strips had after the same hours."""
    import numpy as np

    hours, dose = rows["hours"].values.astype(float), rows["dose"].values.astype(float)
    known = exposed & np.isfinite(hours)
    place, first = np.unique(hours[known], return_index=True)
    if place.size < 2:
        return
    at = np.interp(hours[controls], place, dose[known][first])
    axis.plot(at, rows["strength"].values[controls], "s", ms=4.2, mfc="white", mec=INK, mew=1.1)
    handles["control"] = line(
        "control without light, same hours", marker="s", ls="", ms=4.2, mfc="white", mec=INK,
        color=INK,
    )  # fmt: skip


def retained_by_dose(study: Study, *, response: Response = "strength") -> Figure:
    """Fraction left of every product and direction, with intervals, a panel an exposure.

    Parameters
    ----------
    study : as read, with unexposed strips.
    response : ``strength``, ``elongation`` or ``stiffness``.

    Returns
    -------
    Figure : fraction left [%] of the mean of the lots (or the one lot) against dose, with its
        confidence interval; what light left of it, beside a control, in grey where there is one.

    Raises
    ------
    ValueError : nothing is left of unexposed strips, since there are none.
    """
    import numpy as np

    level = study.question.level
    found = retained_strength(study, level=level, response=response)
    said = [s for s in found if s.of == "mean" and s.unit == "1" and s.value is not None]
    exposures = list(dict.fromkeys(s.exposure or "" for s in said))
    if not said:
        raise ValueError("there are no unexposed strips, so no fraction is left of them")
    subjects = list(dict.fromkeys((s.material or "", s.direction or "") for s in said))
    light = against_control(study, level=level) if response == "strength" else ()
    with style():
        figure, axes = new_figure(2.7 * len(exposures) + 1.1, len(exposures))
        handles: dict[str, Any] = {}
        for axis, exposure in zip(axes, exposures, strict=True):
            mine = [s for s in said if s.exposure == exposure]
            last = max(s.dose or 0.0 for s in mine)
            for k, (material, direction) in enumerate(subjects):
                of = [s for s in mine if (s.material, s.direction or "") == (material, direction)]
                if not of:
                    continue
                colour, marker = COLOURS[k % len(COLOURS)], MARKERS[k % MOST_LOTS]
                x = np.array([s.dose or 0.0 for s in of])
                x += (k - (len(subjects) - 1) / 2) * 0.014 * last
                limits = [(s.value, s.low or s.value, s.high or s.value) for s in of]
                y, low, high = 100 * np.array(limits, dtype=float).T
                axis.errorbar(
                    x, y, yerr=[y - low, high - y], fmt=marker, ms=4, color=colour, capsize=2.5,
                    elinewidth=1.0, lw=0,
                )  # fmt: skip
                name = f"{material}, {direction}" if direction else material
                handles[name] = line(name, color=colour, marker=marker, ms=4, ls="")
            beside = [s for s in light if s.exposure == exposure and s.of == "mean" and s.value]
            if beside:
                left = [100 * (s.value or 0.0) for s in beside]
                axis.plot([s.dose or 0.0 for s in beside], left, "*", ms=6, color=GREY)
                handles["light"] = line("left by light alone (against a control)", color=GREY,
                                        marker="*", ms=6, ls="")  # fmt: skip
            for q in study.thresholds:
                axis.axhline(100 * q, color=BLUE, lw=0.8, ls=":")
                axis.annotate(f"{100 * q:g} %", (1.0, 100 * q), xycoords=("axes fraction", "data"),
                              ha="right", va="bottom", fontsize=7.5, color=BLUE)  # fmt: skip
            axis.set_title(f"{response} left under {exposure}, {100 * level:g} % intervals")
            axis.set_ylabel(f"{response} left [%]")
            axis.set_ylim(bottom=0)
            axis.set_xlim(left=0)
            axis.set_xlabel(f"dose [{study.exposures[exposure].dose_unit}]")
        return finish(figure, list(handles.values()), columns=3)


def save_retention_figures(
    study: Study, folder: Path, *, response: Response = "strength"
) -> tuple[Path, ...]:
    """Draw strips of every material and exposure, what is left, and every curve, as PNG.

    Parameters
    ----------
    study : as read.
    folder : made where it is missing; figures of the same name are written again.
    response : as in `strips_by_dose`.

    Returns
    -------
    tuple of Path : the files written.
    """
    from durability.report.curves_figure import curve_pages

    folder.mkdir(parents=True, exist_ok=True)
    rows = study.rows
    figures: dict[str, Figure] = {}
    pairs = zip(rows["material"].values.tolist(), rows["exposure"].values.tolist(), strict=True)
    for material, exposure in dict.fromkeys(pairs):
        if exposure in study.exposures and study.exposures[exposure].control is None:
            name = f"strips_{_plain(material)}_{_plain(exposure)}"
            figures[name] = strips_by_dose(study, material, exposure, response=response)
    if any(s.unit == "1" for s in retained_strength(study, response=response)):
        figures["left"] = retained_by_dose(study, response=response)
    for k, page in enumerate(curve_pages(study), 1):
        figures[f"curves_{k}"] = page
    written = []
    for name, figure in figures.items():
        path = folder / f"{name}.png"
        with style():
            figure.savefig(path, dpi=150)
        written.append(path)
    return tuple(written)


def _plain(text: str) -> str:
    """A name that every file system takes."""
    return "".join(c if c.isalnum() or c in "-." else "-" for c in text)
