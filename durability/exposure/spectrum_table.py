"""What does a user's table over wavelength hold? Reads two columns and tells every fault."""

from __future__ import annotations

import csv
import math
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from numpy.typing import NDArray


def read_spectrum_table(
    file: Path, *, column: str, what: str = "spectrum"
) -> tuple[NDArray, NDArray]:
    """Wavelengths [nm], ascending, and the numbers beside them, at least 0.

    Parameters
    ----------
    file : csv (comma, semicolon or tab) with the columns ``wavelength`` and `column`; a header may
        carry a unit in square brackets.
    column : such as ``"irradiance"``.
    what : what the table is called in problems.

    Raises
    ------
    StudyError : every fault of the table at once.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     file = Path(folder, "lamp.csv")
    ...     _ = file.write_text("wavelength [nm],irradiance [W/m^2/nm]\\n300,0.01\\n400,0.9\\n")
    ...     read_spectrum_table(file, column="irradiance")[1]
    array([0.01, 0.9 ])
    """
    import numpy

    from durability.study.problem import Problem, StudyError

    try:
        text = file.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        found = getattr(error, "strerror", None) or "bytes that are not UTF-8"
        problem = Problem(file=file.name, found=found, expected=f"a table in UTF-8 of a {what}")
        raise StudyError([problem]) from error
    lines = text.splitlines()
    delimiter = ";" if lines and ";" in lines[0] else "\t" if lines and "\t" in lines[0] else ","
    rows = [(i, r) for i, r in enumerate(csv.reader(lines, delimiter=delimiter), 1) if any(r)]
    heads = [h.split("[")[0].strip().casefold() for h in rows[0][1]] if rows else []
    columns = ("wavelength", column)
    problems = [
        Problem(file=file.name, row=1, column=c, expected=f"a column {c}", found=", ".join(heads))
        for c in columns
        if c not in heads
    ]
    values: list[tuple[float, float]] = []
    if not problems:
        places = [heads.index(c) for c in columns]
        for row, cells in rows[1:]:
            pair = []
            for name, at in zip(columns, places, strict=True):
                cell = cells[at].strip() if at < len(cells) else ""
                number = _number(cell)
                if number is None or number < 0:
                    problems.append(
                        Problem(file=file.name, row=row, column=name, found=cell,
                                expected="a number of at least 0 with a decimal point")
                    )  # fmt: skip
                else:
                    pair.append(number)
            if len(pair) == 2:
                if values and pair[0] <= values[-1][0]:
                    problems.append(
                        Problem(file=file.name, row=row, column="wavelength", found=f"{pair[0]:g}",
                                expected="a longer wavelength than in the row before")
                    )  # fmt: skip
                values.append((pair[0], pair[1]))
        if not problems and len(values) < 2:
            problems.append(Problem(file=file.name, expected="at least two wavelengths"))
    if problems:
        raise StudyError(problems)
    wavelength, beside = numpy.array(values).T
    return wavelength, beside


def _number(cell: str) -> float | None:
    try:
        value = float(cell)
    except ValueError:
        return None
    return value if math.isfinite(value) and "_" not in cell else None


__all__ = ["read_spectrum_table"]
