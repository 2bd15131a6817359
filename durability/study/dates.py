"""On which day? Dates in ISO 8601 are read; others are refused with what to write instead.

05/06/2031 is the fifth of June on one side of the Atlantic and the sixth of May on the other, so no
other form is taken.
"""

from __future__ import annotations

import datetime
import re
from typing import Any

from durability.study.bench import Bench
from durability.study.columns import NOT_A_VALUE
from durability.study.findings import SHOWN

_NUMERIC = re.compile(r"(\d{1,2})\s*[./-]\s*(\d{1,2})\s*[./-]\s*(\d{2}|\d{4})\b.*")
_CLOCK = re.compile(r"\b(\d{1,2}):(\d{2})(:\d{2})?\s*([AaPp]\.?[Mm])?")
_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")


def mend_date(text: str) -> str:
    """What to write instead of a date that is not in ISO 8601, as a sentence.

    Examples
    --------
    >>> mend_date("14.5.2031")
    'Write 2031-05-14.'
    >>> mend_date("05/06/2031")
    'Write 2031-05-06 or 2031-06-05, whichever is meant.'
    >>> mend_date("May 14, 2031 2:05 pm")
    'Write 2031-05-14T14:05.'
    """
    possible: list[str] = []
    clock = _CLOCK.search(text)
    if clock:
        text = (text[: clock.start()] + text[clock.end() :]).strip(" ,T")
    numeric = _NUMERIC.fullmatch(text)
    if numeric:
        first, second, year = (int(g) for g in numeric.groups())
        if len(numeric[3]) == 2:
            return "Write the year with four digits first, such as 2031-05-14."
        possible = [_iso(year, first, second), _iso(year, second, first)]
    elif word := re.search(r"[A-Za-z]{3,}", text):
        short = word[0][:3].casefold()
        month = _MONTHS.index(short) + 1 if short in _MONTHS else None
        numbers = [int(n) for n in re.findall(r"\d+", text)]
        years = [n for n in numbers if n > 31]
        days = [n for n in numbers if n <= 31]
        if month and len(years) == 1 and len(days) >= 1:
            possible = [_iso(years[0], month, days[0])]
    elif re.fullmatch(r"\d{5}(\.\d+)?", text):
        return "This is a spreadsheet's number of a day: format the cell as a date, or as text."
    meant = [p + _iso_clock(clock) for p in dict.fromkeys(possible) if p]
    if not meant:
        return "Write year, month and day, such as 2031-05-14."
    return f"Write {' or '.join(meant)}{', whichever is meant' if len(meant) > 1 else ''}."


def _iso(year: int, month: int, day: int) -> str:
    try:
        return datetime.date(year, month, day).isoformat()
    except (ValueError, OverflowError):
        return ""


def _iso_clock(clock: re.Match[str] | None) -> str:
    if clock is None:
        return ""
    hour = int(clock[1])
    if clock[4]:
        hour = hour % 12 + 12 * (clock[4][0] in "Pp")
    return f"T{hour:02d}:{clock[2]}{clock[3] or ''}"


def read_days(bench: Bench, name: str) -> Any:
    """A column of days as text in ISO 8601, ``""`` where blank; a time of day may follow."""
    import numpy

    cells = bench.text(name)
    if name not in bench.columns:
        return cells
    words, inverse = numpy.unique(cells, return_inverse=True)
    days = [_day(word) for word in words.tolist()]
    bad = [
        code
        for code, word in enumerate(words.tolist())
        if word and not days[code] and not NOT_A_VALUE.fullmatch(word)
    ]
    expected = "a date in ISO 8601, such as 2031-05-14"
    if len(bad) <= SHOWN:
        for code in bad:
            bench.refuse(inverse == code, name, expected, mend=mend_date(words[code]))
    else:
        first = int(numpy.isin(inverse, bad).nonzero()[0][0])
        mend = f"For row {bench.table.rows[first]}: {mend_date(cells[first])}"
        bench.refuse(numpy.isin(inverse, bad), name, expected, mend=mend)
    return numpy.array(days, dtype=str)[inverse]


def _day(text: str) -> str:
    if not re.match(r"\d{4}", text):
        return ""
    try:
        read = datetime.datetime.fromisoformat(text)
    except ValueError:
        return ""
    return read.date().isoformat() if 1900 < read.year < 2200 else ""
