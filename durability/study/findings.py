"""What has been found so far? Gathers problems and cautions while a folder is read.

A column of 100,000 bad cells makes `SHOWN` problems and one that counts the rest, so that the
list stays readable; problems of different kinds never hide each other.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from durability.study.model import Caution
from durability.study.problem import Problem

SHOWN = 20


class Findings:
    """Problems and cautions of one folder, in the order in which they were met."""

    def __init__(self) -> None:
        self.problems: list[Problem] = []
        self.cautions: list[Caution] = []

    def problem(
        self,
        file: str,
        expected: str,
        *,
        found: object = "",
        row: int | None = None,
        column: str | None = None,
        mend: str = "",
    ) -> None:
        """Note one problem; without `mend` the usual way to mend its kind is said."""
        self.problems.append(
            Problem(
                file=file,
                expected=expected,
                found=short(found),
                row=row,
                column=column,
                mend=mend.strip() or usual_mend(expected, str(found)),
            )
        )

    def cells(
        self,
        file: str,
        column: str | None,
        where: Iterable[tuple[int, object]],
        expected: str,
        *,
        mend: str = "",
    ) -> None:
        """Note one problem a cell; `where` holds (row, what stood there)."""
        where = list(where)
        for row, found in where[:SHOWN]:
            self.problem(file, expected, found=found, row=row, column=column, mend=mend)
        if len(where) > SHOWN:
            self.problem(
                file,
                expected,
                column=column,
                found=f"{len(where) - SHOWN} more rows like these, "
                f"{where[SHOWN][0]} to {where[-1][0]}",
                mend=mend,
            )

    def caution(
        self,
        name: str,
        text: str,
        *,
        file: str = "",
        row: int | None = None,
        rows: Sequence[int] = (),
        column: str | None = None,
    ) -> None:
        """Note one caution; `name` is a key of `durability.study.cautions.FLAGS`."""
        self.cautions.append(
            Caution(name=name, text=text, file=file, row=row, rows=tuple(rows), column=column)
        )


_USUAL = (
    ("a number", "Look the number up in the laboratory's record and write it alone in the cell."),
    ('a column "', "Add the column, or rename the one that holds this."),
    ("at least one row", "Add the rows of what was tested, below the header."),
    ("a header row", "Write the names of the columns in the first row and a strip in each row."),
    ('one column "', "Keep the one that is right and remove the other."),
    ("one row for each", "Remove the copy, or correct the label of one of the two."),
    ("a unit of", "Write one of these units."),
    ("the name of a", "Write a name that study.toml describes."),
    ("a known", "Remove it, or correct its spelling."),
    ("a table", "Write the table with its name in square brackets and its keys below."),
    ("at least one table", "Write the table with its name in square brackets and its keys below."),
    ("a readable file", "Look whether the file is open elsewhere and may be read."),
    ("a later time", "Sort the rows by time and remove those that repeat."),
    ("a temperature between", "Look whether the sensor failed, or the header names another unit."),
    ("a relative humidity between", "Look whether the sensor failed, or it is in percent."),
    ("an irradiance of at least", "Look whether the sensor failed; leave its readings blank."),
    ("some light", "Look whether this is the column of the light sensor."),
    ("at least two rows", "Give the record from the start of the exposure to its end."),
    ("a time zone", "Write every time in UTC, or none with a zone."),
    ("hours on both sides", "Give both looks in hours, or both in doses."),
    ("a strength in", "Write the strength, or why the row is not used in the column excluded."),
    ("a strength above 0", "Write the strength that the product must still have."),
    ("a probability", "Write 0.95 for 95 %."),
    ("a share", "Write 0.9 for 90 %."),
    ("a name without blanks", "Remove the blanks inside the quotation marks."),
    ("a folder that holds", "Name the folder in which study.toml lies."),
    ("a list", "Write it in square brackets, with commas between."),
    ("true or false", "Write true or false, without quotation marks."),
    ("the length in minutes", "Write the length of the phase, or remove the phase."),
    ('"', "Write one of these, in quotation marks."),
)
_MADE_A_DATE = re.compile(r"\d{4}-\d{2}-\d{2}(T.*)?")
_LETTER_FOR_DIGIT = re.compile(r"(?=.*\d)[\dOolI.,]*[OolI][\dOolI.,]*")


def usual_mend(expected: str, found: str = "") -> str:
    """How a problem of this kind is mended, where the place that found it does not say.

    Examples
    --------
    >>> usual_mend("a number above 0", "5O")
    'A letter stands where a digit is meant.'
    """
    if expected.startswith("a number") and _LETTER_FOR_DIGIT.fullmatch(found):
        return "A letter stands where a digit is meant."
    if expected.startswith("a number") and _MADE_A_DATE.fullmatch(found):
        return (
            "A spreadsheet program makes a date of a number such as 5.5: set the column to numbers "
            "and type it again."
        )
    if expected.endswith(("not both", "not two")):
        return "Keep the one that was measured and empty the other."
    for start, mend in _USUAL:
        if expected.startswith(start):
            return mend
    if "such as" in expected:
        return "Write it as in the example."
    return "Correct it, then check the folder again."


def short(found: object, limit: int = 80) -> str:
    """What stood there as one line of at most `limit` characters."""
    text = " ".join(str(found).split())
    return text if len(text) <= limit else text[: limit - 1] + "…"


def near(word: str, known: Iterable[str]) -> str:
    """A sentence that offers the nearest known spelling, or lists what is known.

    Examples
    --------
    >>> near("materal", ["material", "lot"])
    'Did you mean "material"?'
    >>> near("x", ["material", "lot"])
    'Known: material, lot.'
    """
    import difflib

    pool = list(known)
    folded = {k.casefold(): k for k in reversed(pool)}
    cutoff = 0.5 if len(word) < 4 else 0.6
    found = difflib.get_close_matches(word.casefold(), list(folded), n=1, cutoff=cutoff)
    if found:
        return f'Did you mean "{folded[found[0]]}"?'
    return f"Known: {', '.join(pool)}." if pool else ""


def listed(rows: Sequence[int], most: int = 8) -> str:
    """Row numbers in words: 'row 4', 'rows 4, 7 and 9', 'rows 4, 7, … (31 in all)'."""
    numbers = [str(r) for r in rows]
    if len(numbers) == 1:
        return f"row {numbers[0]}"
    if len(numbers) <= most:
        return f"rows {', '.join(numbers[:-1])} and {numbers[-1]}"
    return f"rows {', '.join(numbers[:most])}, … ({len(numbers)} in all)"
