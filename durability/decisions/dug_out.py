"""What did strips dug out of the field break at? Reads a small table of them."""

from __future__ import annotations

import csv
from pathlib import Path

from durability.decisions.exposed import DugOut
from durability.study.problem import Problem, StudyError

COLUMNS = ("material", "direction", "strength")
MOST = 1000


def read_strips(file: str | Path) -> list[DugOut]:
    """Strips of a CSV file with the columns material, direction (both optional) and strength.

    Parameters
    ----------
    file : comma-separated, one strip a row; strength in the unit of the study.

    Raises
    ------
    StudyError : everything wrong with the file at once.
    """
    path = Path(file)
    expected = "a CSV file with the columns strength, and material and direction where needed"
    try:
        lines = path.read_text(encoding="utf-8-sig").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        found = f"a file that cannot be read ({error})"
        raise StudyError([Problem(file=path.name, found=found, expected=expected)]) from error
    rows = csv.DictReader(lines)
    heads = [(h or "").strip().lower() for h in rows.fieldnames or []]
    unknown = [h for h in heads if h not in COLUMNS]
    if "strength" not in heads or unknown:
        found = f"the columns {', '.join(heads) or 'none'}"
        raise StudyError([Problem(file=path.name, row=1, found=found, expected=expected)])
    rows.fieldnames = heads
    strips, problems = [], []
    for number, row in enumerate(rows, 2):
        text = (row["strength"] or "").strip()
        try:
            strength = float(text)
        except ValueError:
            strength = 0.0
        if not 0 < strength < float("inf"):
            problems.append(
                Problem(file=path.name, row=number, column="strength", found=text or "nothing",
                        expected="a number above 0, in the unit of the study")
            )  # fmt: skip
            continue
        strips.append(
            DugOut(
                strength=strength,
                material=(row.get("material") or "").strip(),
                direction=(row.get("direction") or "").strip(),
            )
        )
    if not problems and not 1 <= len(strips) <= MOST:
        found = f"{len(strips)} strips"
        problems.append(Problem(file=path.name, found=found, expected=f"1 to {MOST} strips"))
    if problems:
        raise StudyError(problems)
    return strips


__all__ = ["read_strips"]
