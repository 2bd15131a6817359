"""What does a testing machine's file hold? Force against extension, as the machine wrote it.

Text in any of the usual encodings, with commas, semicolons, tabs or blanks between cells, decimal
points or commas and lines before the table, or a spreadsheet. One strip a file, one strip a sheet,
or many strips under each other with a column that names them. Columns are told by their units,
which are the same in every language; nothing is guessed where two columns could be meant.
"""

from __future__ import annotations

import functools
import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from durability.retention.machine_file import (
    FEWEST_POINTS,
    NUMBER,
    TIME,
    Sheet,
    Stated,
    header_of,
    preamble,
    refuse_doubt,
    sheet_of_text,
    sheets_of_workbook,
    table_block,
    unit_in,
)
from durability.study.problem import Problem, StudyError
from durability.units import UnitError, unit

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

_NAMES = ("specimen", "strip", "curve")  # headers of a column that says which strip a point is of


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Curve:
    """Force against extension of one strip, point by point as recorded.

    Parameters
    ----------
    name : of the strip, as the file gives it: its own name, its sheet or its column.
    file : name of the file.
    force : [N].
    extension : [mm]; of the crosshead or of an extensometer, whichever the file holds.
    time : [s], or None where not recorded.
    stated : numbers above the table.
    comment : text lines above the table.
    left_out : points that the file holds and this does not, in words.
    """

    name: str
    file: str
    force: Floats
    extension: Floats
    time: Floats | None = None
    stated: tuple[Stated, ...] = ()
    comment: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()

    def __repr__(self) -> str:
        return (
            f"Curve {self.name}: {self.force.size} points, extension {self.extension.min():g} to "
            f"{self.extension.max():g} mm, largest force {self.force.max():g} N"
        )

    @property
    def peak_force(self) -> float:
        """Largest force recorded [N]."""
        return float(self.force.max())


def read_curve(
    file: str | Path, *, force: str | None = None, extension: str | None = None
) -> Curve:
    """Read the force-extension curve of one strip.

    Parameters
    ----------
    file : text or .xlsx.
    force, extension : header of the column to take, needed where several could be meant or where
        the header has no unit: ``"Load [kN]"`` is the column Load, in kN.

    Returns
    -------
    Curve : force [N] and extension [mm].

    Raises
    ------
    StudyError : the file cannot be read, has no such columns, or holds several strips
        (`read_curves`).

    Examples
    --------
    >>> import pathlib, tempfile
    >>> path = pathlib.Path(tempfile.mkdtemp()) / "strip.csv"
    >>> points = "\\n".join(f"{0.5 * i:.1f};{12.5 * i:.1f}".replace(".", ",") for i in range(9))
    >>> _ = path.write_text("Length;75,0;mm\\n\\nStroke (mm);Load (N)\\n" + points)
    >>> read_curve(path)
    Curve strip: 9 points, extension 0 to 4 mm, largest force 100 N
    """
    found = read_curves(file, force=force, extension=extension)
    if len(found) == 1:
        return found[0]
    names = f"{len(found)} strips: {', '.join(c.name for c in found[:6])}"
    mend = "Read them all with read_curves."
    raise StudyError([_problem(Path(file).name, "one strip", names, mend)])


def read_curves(
    file: str | Path, *, force: str | None = None, extension: str | None = None
) -> tuple[Curve, ...]:
    """Read every curve of a file: one, one a sheet, or many under each other.

    Parameters
    ----------
    file, force, extension : as in `read_curve`. Many strips in one table are told apart by a column
        ``specimen``.

    Returns
    -------
    tuple of Curve, in the order of the file; sheets without a table of numbers are passed over.

    Raises
    ------
    StudyError : with every problem of the file.
    """
    path = Path(file)
    try:
        state = path.stat()
    except OSError as error:
        raise StudyError(
            [_problem(path.name, "a file that can be read", error.strerror)]
        ) from error
    return _read(str(path), (state.st_mtime_ns, state.st_size), force, extension)


def _problem(file: str, expected: str, found: str | None = "", mend: str = "") -> Problem:
    return Problem(file=file, expected=expected, found=found or "", mend=mend)


@functools.lru_cache(maxsize=1024)
def _read(
    path: str, state: tuple[int, int], force: str | None, extension: str | None
) -> tuple[Curve, ...]:
    """The curves of a file in this state; points cannot be written to, so they may be shared."""
    file = Path(path)
    try:
        data = file.read_bytes()
        sheets = sheets_of_workbook(data) if data[:2] == b"PK" else [sheet_of_text(data, file.stem)]
    except OSError as error:
        raise StudyError(
            [_problem(file.name, "a file that can be read", error.strerror)]
        ) from error
    except ValueError as error:
        raise StudyError([_problem(file.name, "text or an .xlsx workbook", str(error))]) from error
    curves: list[Curve] = []
    problems: list[Problem] = []
    for sheet in sheets:
        try:
            curves += _curves(sheet, file, force, extension, several=len(sheets) > 1)
        except StudyError as error:
            problems += error.problems
    if not curves and not problems:
        expected = f"a table of force against extension, of at least {FEWEST_POINTS} lines"
        problems.append(_problem(file.name, expected, "no such table"))
    if problems:
        raise StudyError(problems)
    return tuple(curves)


def _curves(
    sheet: Sheet, file: Path, force: str | None, extension: str | None, *, several: bool
) -> list[Curve]:
    start, end = table_block(sheet.rows)
    if end - start < FEWEST_POINTS:
        return []
    header, units, lines = header_of(sheet.rows[:start])
    body = sheet.rows[start:end]
    refuse_doubt(sheet, file.name, header, start, end)
    width = max(len(r) for r in body)
    header += [""] * (width - len(header))
    units += [""] * (width - len(units))
    values = np.full((len(body), width), np.nan)
    for i, row in enumerate(body):
        for j, cell in enumerate(row):
            if NUMBER.fullmatch(cell):
                values[i, j] = float(cell.replace(",", "."))
    written = [j for j in range(width) if np.isfinite(values[:, j]).sum() >= FEWEST_POINTS]
    f, f_factor = _choose(header, units, written, "force", force, file.name)
    x, x_factor = _choose(header, units, written, "length", extension, file.name)
    times = [(j, TIME[units[j]]) for j in written if units[j] in TIME]
    named = [j for j, h in enumerate(header) if h.casefold() in _NAMES]
    labels = [row[named[0]] if named and len(row) > named[0] else "" for row in body]
    stated, comment = preamble(sheet.rows[: start - lines])
    found = []
    for name in dict.fromkeys(labels):
        mine = np.array([label == name for label in labels]) & np.isfinite(values[:, f])
        lone = np.array([label == name for label in labels]) & ~mine & np.isfinite(values[:, x])
        mine &= np.isfinite(values[:, x])
        left = (f"{int(lone.sum())} line(s) with an extension and no force",) if lone.any() else ()
        if mine.sum() < FEWEST_POINTS:
            continue
        pull, stretch = values[mine, f] * f_factor, values[mine, x] * x_factor
        clock = values[mine, times[0][0]] * times[0][1] if len(times) == 1 else None
        if _is_summary(pull, stretch):
            left += (
                f"the last line ({stretch[-1]:g} mm, {pull[-1]:g} N) repeats the peak at an "
                "extension long passed: a summary, not a point",
            )
            pull, stretch = pull[:-1], stretch[:-1]
            clock = None if clock is None else clock[:-1]
        for array in (pull, stretch, clock):
            if array is not None:
                array.setflags(write=False)
        label = name or (sheet.name if several else file.stem)
        found.append(
            Curve(
                name=label, file=file.name, force=pull, extension=stretch, time=clock,
                stated=stated, comment=comment, left_out=left,
            )
        )  # fmt: skip
    return found


def _is_summary(force: Floats, extension: Floats) -> bool:
    """Whether the last line is the machine's summary: the peak again, at an earlier extension."""
    before = force[:-1]
    return bool(
        before.size >= FEWEST_POINTS
        and force[-1] == before.max()
        and extension[-1] < extension[-2] - 0.05 * np.ptp(extension[:-1])
    )


def _choose(
    header: list[str],
    units: list[str],
    written: list[int],
    dimension: str,
    asked: str | None,
    file: str,
) -> tuple[int, float]:
    """The column of a dimension and its factor to newtons or millimetres."""
    word = "force" if dimension == "force" else "extension"
    shown = [header[j] or f"column {j + 1}" for j in written]
    if asked is not None:
        plain = re.sub(r"\s*[\[(][^\[\]()]*[\])]\s*$", "", asked).casefold()
        hits = [j for j in written if header[j].casefold() in (asked.casefold(), plain)]
        if len(hits) != 1:
            expected = f'one column for {word} named "{asked}"'
            raise StudyError([_problem(file, expected, ", ".join(shown))])
        try:
            return hits[0], unit(unit_in(asked) or units[hits[0]], dimension).factor
        except UnitError as error:
            raise StudyError(
                [_problem(file, f"a unit of {dimension}", asked, f"{error}.")]
            ) from error
    factors: dict[int, float] = {}
    for j in written:
        try:
            factors[j] = unit(units[j], dimension).factor
        except UnitError:
            continue
    if len(factors) == 1:
        return next(iter(factors.items()))
    usual = "N, kN, lbf or kgf" if dimension == "force" else "mm, cm, m or in"
    like = "Load [N]" if dimension == "force" else "Stroke [mm]"
    raise StudyError(
        [
            _problem(
                file,
                f"one column of {word} with its unit ({usual}) in the header",
                ", ".join(shown),
                f'Name it under [tensile] of study.toml, such as {word}_column = "{like}".',
            )
        ]
    )
