"""What is wrong with the input, where, and how is it mended? One record a problem."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """One thing wrong in a study folder.

    Parameters
    ----------
    file : file name as the user knows it, relative to the study folder.
    row : row as a spreadsheet counts it (the header is row 1), or None.
    column : column or key as written there, or None.
    found : what stood there, in the user's words.
    expected : what would be right.
    mend : one sentence: what to do.

    Examples
    --------
    >>> print(Problem(file="specimens.csv", row=17, column="width [mm]", found="5O",
    ...     expected="a number above 0"))
    specimens.csv, row 17, column "width [mm]": found "5O"; expected a number above 0
    """

    file: str
    expected: str
    found: str = ""
    row: int | None = None
    column: str | None = None
    mend: str = ""

    def __str__(self) -> str:
        where = self.file
        if self.row is not None:
            where += f", row {self.row}"
        if self.column is not None:
            where += f', column "{self.column}"' if self.row is not None else f', "{self.column}"'
        what = f'found "{self.found}"; ' if self.found != "" else ""
        mend = f". {self.mend}" if self.mend else ""
        return f"{where}: {what}expected {self.expected}{mend}"

    def to_dict(self) -> dict[str, str | int | None]:
        """The record as plain types for JSON."""
        return asdict(self)


class StudyError(ValueError):
    """The input cannot be used; `problems` lists everything that is wrong, at once."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems: tuple[Problem, ...] = tuple(problems)
        count = len(self.problems)
        head = "1 problem" if count == 1 else f"{count} problems"
        super().__init__("\n".join([f"{head} in the input:", *(f"  {p}" for p in self.problems)]))
