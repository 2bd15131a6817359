"""How is a long, clean log read quickly? Numbers straight from the bytes, all or nothing.

A year of minutes is half a million rows. Where every row has its cells, every number is plain and
every time has one ISO form, columns are read from the bytes at once. Anything else gives None, and
the careful reader, which names rows and columns, takes the file.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

_DELIMITERS = (b";", b"\t", b",")
_ODD = (b'"', b"=", b"#", b"\x00")
_TEMPLATE = "dddd-dd-ddTdd:dd:dd"
_PIECE = 1 << 21
_LONGEST = 15  # characters of a number


@dataclass(frozen=True, slots=True, eq=False)
class LongLog:
    """A log as arrays.

    Parameters
    ----------
    headers : header cells.
    times : datetime64[ns], UTC where a zone is stated.
    numbers : one float array a column; nan where blank; None for the time column.
    """

    headers: tuple[str, ...]
    times: Any
    numbers: tuple[Any, ...]


def read_long_log(data: bytes) -> LongLog | None:
    """The log in `data`, or None where the careful reader is needed.

    Parameters
    ----------
    data : bytes of a text table in UTF-8 whose first line is the header, with a column ``time``.

    Examples
    --------
    >>> log = read_long_log(b"time,irradiance [W/m^2]\\n2031-05-14T08:00,60\\n2031-05-14T08:01,\\n")
    >>> log.numbers[1].tolist()
    [60.0, nan]
    """
    import numpy

    head, _, _ = data.partition(b"\n")
    first = len(head) + 1
    head = head.removeprefix(b"\xef\xbb\xbf")
    if any(mark in data for mark in _ODD) or not _utf8(head):
        return None
    delimiter = max(_DELIMITERS, key=head.count)
    headers = tuple(h.strip() for h in head.decode("utf-8").split(delimiter.decode()))
    at = next((i for i, h in enumerate(headers) if h.casefold() == "time"), None)
    if at is None or len(headers) < 2 or not all(headers):
        return None
    comma = delimiter != b"," and data.find(b",", first) >= 0
    if comma and data.find(b".", first) >= 0:
        return None
    parts: list[list[Any]] = []
    for piece in _pieces(data, first):
        part = _piece(piece, delimiter, len(headers), at, ord("," if comma else "."))
        if part is None:
            return None
        parts.append(part)
    if not parts:
        return None
    columns = [numpy.concatenate(column) for column in zip(*parts, strict=True)]
    times = columns[at].astype("datetime64[ns]")
    return LongLog(headers, times, tuple(None if i == at else c for i, c in enumerate(columns)))


def _pieces(data: bytes, first: int) -> Iterator[Any]:
    """The rows in pieces of a few megabytes that end at a line's end, so that memory stays low."""
    import numpy

    last = len(data.rstrip(b"\r\n"))
    while first < last:
        end = data.find(b"\n", min(first + _PIECE, last))
        end = last if end < 0 or end > last else end
        piece = numpy.frombuffer(data, dtype=numpy.uint8, count=end - first, offset=first)
        yield numpy.append(piece, numpy.uint8(10))
        first = end + 1


def _piece(text: Any, delimiter: bytes, width: int, at: int, point: int) -> list[Any] | None:
    bounds = _bounds(text, delimiter, width)
    if bounds is None:
        return None
    columns = []
    for i, (starts, ends) in enumerate(bounds):
        column = _times(text, starts, ends) if i == at else _numbers(text, starts, ends, point)
        if column is None:
            return None
        columns.append(column)
    return columns


def _utf8(head: bytes) -> bool:
    try:
        head.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True


def _bounds(text: Any, delimiter: bytes, width: int) -> list[tuple[Any, Any]] | None:
    """Start and end of the cells of each column; None unless every row has `width` cells."""
    import numpy

    lines = numpy.flatnonzero(text == 10).astype(numpy.int32)
    marks = numpy.flatnonzero(text == ord(delimiter)).astype(numpy.int32)
    if marks.size != lines.size * (width - 1):
        return None
    marks = marks.reshape(lines.size, width - 1)
    begin = numpy.concatenate([[numpy.int32(0)], lines[:-1] + numpy.int32(1)])
    if (marks[:, 0] < begin).any() or (marks[:, -1] > lines).any():
        return None
    ends = numpy.where(text[lines - 1] == 13, lines - 1, lines)
    starts = [begin, *(marks[:, i] + 1 for i in range(width - 1))]
    return list(zip(starts, [*(marks[:, i] for i in range(width - 1)), ends], strict=True))


def _times(text: Any, starts: Any, ends: Any) -> Any:
    """Times of one ISO form as datetime64[s]; None for any other."""
    import numpy

    width = int(ends[0] - starts[0])
    if width < 16 or not (ends - starts == width).all():
        return None
    size = width - 1 if (text[ends - 1] == ord("Z")).all() else width
    if size not in (16, 19):
        return None
    cells = text[starts[:, None] + numpy.arange(size, dtype=numpy.int32)]
    for i, wanted in enumerate(_TEMPLATE[:size]):
        if wanted == "d":
            fits = (cells[:, i] >= 48) & (cells[:, i] <= 57)
        elif wanted == "T":
            fits = (cells[:, i] == ord("T")) | (cells[:, i] == ord(" "))
        else:
            fits = cells[:, i] == ord(wanted)
        if not fits.all():
            return None
    try:
        return cells.view(f"S{size}")[:, 0].astype("datetime64[s]")
    except ValueError:  # no such day
        return None


def _numbers(text: Any, starts: Any, ends: Any, point: int) -> Any:
    """Plain decimal numbers, correctly rounded, nan where blank; None where a cell is none.

    Digits are gathered as a whole number, which a float holds exactly up to 15 digits, and divided
    by a power of ten, which it holds exactly too: one rounding, as Python's own float makes.
    """
    import numpy

    width = int((ends - starts).max())
    if width > _LONGEST:
        return None
    total = numpy.zeros(starts.size)
    decimals = numpy.zeros(starts.size, dtype=numpy.int8)
    digits = numpy.zeros(starts.size, dtype=numpy.int8)
    seen = numpy.zeros(starts.size, dtype=bool)
    minus = numpy.zeros(starts.size, dtype=bool)
    for k in range(width):
        place = starts + numpy.int32(k)
        inside = place < ends
        letter = text[numpy.minimum(place, text.size - 1)]
        digit = inside & (letter >= 48) & (letter <= 57)
        mark = inside & (letter == point)
        sign = inside & ((letter == 43) | (letter == 45)) if k == 0 else numpy.zeros_like(inside)
        if (inside & ~(digit | mark | sign)).any() or (mark & seen).any():
            return None
        total = numpy.where(digit, total * 10 + (letter - 48.0), total)
        decimals += digit & seen
        digits += digit
        seen |= mark
        minus |= sign & (letter == 45)
    blank = starts == ends
    if not (blank | (digits > 0)).all():
        return None
    total = total / numpy.array([float(f"1e{k}") for k in range(width + 1)])[decimals]
    return numpy.where(blank, numpy.nan, numpy.where(minus, -total, total))
