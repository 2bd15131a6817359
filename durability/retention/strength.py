"""How strong was each strip? Rows of a study with strength, strain and stiffness from curves.

A used strip whose table has no strength takes the peak of its curve, over its width where the study
is in force per width. Elongation and stiffness are filled likewise. What the table says stays; a
caution says where it and the curve disagree.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from durability.retention.curves import Curve, read_curves
from durability.retention.strip import FLAGS as CURVE_FLAGS
from durability.retention.strip import Strip, reduce_curve
from durability.study.model import Caution, Study
from durability.study.problem import Problem, StudyError
from durability.study.screening import unlike_peaks
from durability.units import unit

if TYPE_CHECKING:
    import xarray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StripCurve:
    """One strip of a study with its curve and what that says.

    Parameters
    ----------
    row : position in `Study.rows`.
    material, lot, direction, exposure, specimen : the strip.
    path : of the curve within the study folder.
    curve, strip : the curve, and what it says.
    """

    row: int
    material: str
    lot: str
    direction: str
    exposure: str
    specimen: str
    path: str
    curve: Curve
    strip: Strip


def strip_curves(study: Study) -> tuple[StripCurve, ...]:
    """The curves of a study's strips, read and reduced.

    Parameters
    ----------
    study : as read; gauge length, pretension and the strains of stiffness are those of its table
        [tensile], the width that of each strip.

    Returns
    -------
    tuple of StripCurve, in the order of the rows; empty where the study has no curves.

    Raises
    ------
    StudyError : with every problem of every curve file.
    """
    paths = _paths(study)
    how, problems, found = study.tensile, [], []
    names = ("material", "lot", "direction", "exposure", "specimen")
    labels = {n: study.rows[n].values.astype(str) for n in names} if paths else {}
    widths = study.rows["width"].values.astype(float) if paths else np.zeros(0)
    slack = how.pretension if how.slack == "pretension" and how.pretension else how.slack
    for row, path in paths.items():
        try:
            curve = _curve(study, path)
        except StudyError as error:
            problems += [dataclasses.replace(p, file=path.partition("#")[0])
                         for p in error.problems]  # fmt: skip
            continue
        strip = reduce_curve(
            curve,
            gauge_length=how.gauge_length,
            width=float(widths[row]) if np.isfinite(widths[row]) and _by_width(study) else None,
            stiffness_at=how.stiffness_at,
            slack="line" if slack == "pretension" else slack,
        )
        of = {n: str(labels[n][row]) for n in names}
        found.append(StripCurve(row=row, path=path, curve=curve, strip=strip, **of))
    if problems:
        raise StudyError(dict.fromkeys(problems))
    return tuple(found)


def with_strength(study: Study) -> Study:
    """A study whose strips all have their strength: from the table, or else from their curve.

    Parameters
    ----------
    study : as read.

    Returns
    -------
    Study : itself where it has no curves; else a copy with `rows` filled and cautions added where
        a curve is odd or its peak unlike the table's.

    Raises
    ------
    StudyError : with every problem of every curve file.

    Examples
    --------
    >>> from durability.study import read_study
    >>> study = read_study("examples/quarry-cover")  # in a clone; it has no curves
    >>> with_strength(study) is study
    True
    """
    curves = strip_curves(study)
    if not curves:
        return study
    rows = study.rows.copy(deep=True)
    strength = rows["strength"].values.astype(float)
    elongation = rows["elongation"].values.astype(float)
    stiffness = rows["stiffness"].values.astype(float)
    width = rows["width"].values.astype(float)
    table: list[float] = []
    peaks: list[float] = []
    factor = unit(study.unit).factor
    for c in curves:
        i = c.row
        peak = c.strip.peak_force / (width[i] if _by_width(study) else 1.0) / factor
        table.append(strength[i])
        peaks.append(peak)
        if np.isnan(strength[i]):
            strength[i] = peak
        if np.isnan(elongation[i]):
            elongation[i] = 100 * c.strip.strain_at_peak
        if np.isnan(stiffness[i]) and c.strip.stiffness:
            stiffness[i] = next(iter(c.strip.stiffness.values())) / (
                1.0 if _by_width(study) else factor
            )
    rows["strength"] = rows["strength"].copy(data=strength)
    rows["elongation"] = rows["elongation"].copy(data=elongation)
    rows["stiffness"] = rows["stiffness"].copy(data=stiffness)
    cautions = (*study.cautions, *_unlike(curves, table, peaks, study), *_odd(curves))
    return dataclasses.replace(study, rows=rows, cautions=cautions)


def _unlike(
    curves: tuple[StripCurve, ...], table: list[float], peaks: list[float], study: Study
) -> list[Caution]:
    """Strips whose strength in the table is not the peak of their curve."""
    found = []
    for s in unlike_peaks(table, peaks):
        at, *others = s.rows
        c = curves[at]
        other = f", which is the peak of {curves[others[0]].path}" if others else ""
        found.append(
            Caution(
                name="peak_unlike_curve",
                text=f"strip {c.specimen}: the table says {table[at]:.5g} {study.unit}{other}; "
                f"the peak of {c.path} is {peaks[at]:.5g}; the table's was used",
                file=str(study.rows["file"].values[c.row]),
                row=int(study.rows["line"].values[c.row]),
            )
        )
    return found


def strip_rows(study: Study) -> xarray.Dataset:
    """The rows of a study with ``dose`` and ``strength`` filled: what this room reads."""
    from durability.exposure import with_dose

    return with_dose(with_strength(study))


def _paths(study: Study) -> dict[int, str]:
    if "curve" not in study.rows:
        return {}
    return {i: str(p) for i, p in enumerate(study.rows["curve"].values.tolist()) if p}


def _by_width(study: Study) -> bool:
    return unit(study.unit).dimension == "force per width"


def _curve(study: Study, path: str) -> Curve:
    file, _, name = path.partition("#")
    how = study.tensile
    curves = read_curves(
        study.folder / file, force=how.force_column, extension=how.extension_column
    )
    if not name and len(curves) == 1:
        return curves[0]
    by_name = {c.name: c for c in curves}
    if name in by_name:
        return by_name[name]
    expected = f'a strip named "{name}"' if name else "one strip"
    mend = "Name the strip in the column curve of the table of specimens."
    found = ", ".join(list(by_name)[:8])
    raise StudyError([Problem(file=Path(file).name, expected=expected, found=found, mend=mend)])


def _odd(curves: tuple[StripCurve, ...]) -> list[Caution]:
    """One caution for each thing that is odd in curves, with the strips it is about."""
    found = []
    for name, text in CURVE_FLAGS.items():
        strips = [c.specimen or Path(c.path).stem for c in curves if name in c.strip.flags]
        if strips:
            more = f" and {len(strips) - 6} more" if len(strips) > 6 else ""
            words = f"{text} Strips: {', '.join(strips[:6])}{more}."
            found.append(Caution(name=f"curve_{name}", text=words))
    return found
