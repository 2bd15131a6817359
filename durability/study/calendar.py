"""When is each strip withdrawn? A page to print and a file for calendars.

Times are counted in hours elapsed, as the chamber's clock counts them. With a time zone they are
right across a change to or from summer time; without one they are local times of a clock that is
never changed, and the page says so. The calendar file follows RFC 5545 (from memory): lines end in
CR LF and fold at 75 octets; commas, semicolons and backslashes in text are escaped.
"""

from __future__ import annotations

import datetime
import html
from collections.abc import Sequence
from dataclasses import dataclass

from durability.statement import MONTHS
from durability.study.plan import Plan

FIRST, LAST = 7, 18
"""Hours between which someone is taken to be at work (common practice, no source)."""

DAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")


@dataclass(frozen=True, slots=True, kw_only=True)
class Withdrawal:
    """One withdrawal.

    Parameters
    ----------
    number : from 1.
    hours : clock hours since the start [h].
    time : when; it has a zone if the start had one.
    dose : planned dose in words; empty where unknown.
    strips : number of strips.
    """

    number: int
    hours: float
    time: datetime.datetime
    dose: str
    strips: int

    @property
    def out_of_hours(self) -> bool:
        """Whether it falls on a weekend or at night."""
        return self.time.weekday() > 4 or not FIRST <= self.time.hour < LAST

    @property
    def moment(self) -> str:
        """In words: ``"Wednesday 14 May 2031, 08:30"``."""
        t = self.time
        zone = f" {t.tzname()}" if t.tzinfo else ""
        return f"{DAYS[t.weekday()]} {t.day} {MONTHS[t.month - 1]} {t:%Y, %H:%M}{zone}"


def starting(text: str, zone: str | None = None) -> datetime.datetime | None:
    """The start as written in ISO 8601, in a named time zone if there is one; None where blank.

    Raises
    ------
    ValueError : no such time, no such zone, or a zone beside a time that has its own.

    Examples
    --------
    >>> starting("2031-05-14T08:30", "Europe/Lisbon").isoformat()
    '2031-05-14T08:30:00+01:00'
    """
    import zoneinfo

    if not text.strip():
        if zone:
            raise ValueError("a time zone needs a start, such as 2031-05-14T08:30")
        return None
    try:
        start = datetime.datetime.fromisoformat(text.strip())
    except ValueError as error:
        raise ValueError(f"start is {text!r}; expected a time such as 2031-05-14T08:30") from error
    if not 1900 < start.year < 2200:
        raise ValueError(f"start is {text!r}; expected a year between 1900 and 2200")
    if zone is None:
        return start
    if start.tzinfo is not None:
        raise ValueError(f"start is {text!r}, which has a zone of its own; leave out {zone}")
    try:
        return start.replace(tzinfo=zoneinfo.ZoneInfo(zone))
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise ValueError(f"time zone is {zone!r}; expected a name such as Europe/Lisbon") from error


def withdrawals(
    plan: Plan, start: datetime.datetime, doses: Sequence[str] = ()
) -> tuple[Withdrawal, ...]:
    """The withdrawals of a plan in order.

    Parameters
    ----------
    plan : of the study.
    start : when the lamp starts, with or without a zone.
    doses : planned dose of each withdrawal in words, or none.

    Examples
    --------
    >>> from durability.study.plan import Design, plan
    >>> p = plan(Design(materials=("A",), lots=(("A1",),), hours=(150.0,)))
    >>> withdrawals(p, datetime.datetime(2031, 5, 14, 8, 30))[0].moment
    'Tuesday 20 May 2031, 14:30'
    """
    found = []
    for i, hours in enumerate(plan.design.hours):
        found.append(
            Withdrawal(
                number=i + 1,
                hours=hours,
                time=_after(start, hours),
                dose=doses[i] if doses else "",
                strips=len(plan.of(hours)),
            )
        )
    return tuple(found)


def _after(start: datetime.datetime, hours: float) -> datetime.datetime:
    elapsed = datetime.timedelta(hours=hours)
    if start.tzinfo is None:
        return start + elapsed
    return (start.astimezone(datetime.UTC) + elapsed).astimezone(start.tzinfo)


def calendar_file(title: str, plan: Plan, dates: Sequence[Withdrawal]) -> bytes:
    """The withdrawals as an iCalendar file, with an alarm a day before each.

    Parameters
    ----------
    title : of the study.
    plan, dates : the plan and its withdrawals.
    """
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//durability//withdrawals//EN"]
    for w in dates:
        places = ", ".join(f"{s.specimen} at {s.position}" for s in plan.of(w.hours))
        dose = f", {w.dose}" if w.dose else ""
        lines += [
            "BEGIN:VEVENT",
            f"UID:{_identity(title, w)}",
            f"DTSTAMP:{_utc(w.time)}",
            f"DTSTART:{_stamp(w.time)}",
            "DURATION:PT30M",
            f"SUMMARY:{_text(f'{title}: withdrawal {w.number}, {w.hours:g} h{dose}')}",
            f"DESCRIPTION:{_text(f'Take out {w.strips} strips: {places}')}",
            "BEGIN:VALARM",
            "ACTION:DISPLAY",
            "TRIGGER:-P1D",
            f"DESCRIPTION:{_text(f'Tomorrow: withdrawal {w.number} of {title}')}",
            "END:VALARM",
            "END:VEVENT",
        ]
    lines.append("END:VCALENDAR")
    return b"".join(_folded(line) for line in lines)


def _identity(title: str, w: Withdrawal) -> str:
    import hashlib

    mark = hashlib.sha256(f"{title}/{w.number}/{w.hours:g}".encode()).hexdigest()[:16]
    return f"withdrawal-{w.number}-{mark}@durability"


def _utc(time: datetime.datetime) -> str:
    utc = time.replace(tzinfo=datetime.UTC) if time.tzinfo is None else time
    return f"{utc.astimezone(datetime.UTC):%Y%m%dT%H%M%SZ}"


def _stamp(time: datetime.datetime) -> str:
    return f"{time:%Y%m%dT%H%M%S}" if time.tzinfo is None else _utc(time)


def _text(text: str) -> str:
    for plain, escaped in (("\\", "\\\\"), (";", "\\;"), (",", "\\,"), ("\n", "\\n"), ("\r", "")):
        text = text.replace(plain, escaped)
    return text


def _folded(line: str) -> bytes:
    """One content line, folded so that no line has more than 75 octets and no letter is cut."""
    folded, size = "", 0
    for letter in line:
        octets = len(letter.encode())
        if size + octets > 75:
            folded, size = folded + "\r\n ", 1
        folded, size = folded + letter, size + octets
    return folded.encode() + b"\r\n"


def calendar_page(title: str, plan: Plan, dates: Sequence[Withdrawal], *, lamp: str) -> str:
    """A page to print: each withdrawal with its strips, and room to write what was done.

    Parameters
    ----------
    title : of the study.
    plan, dates : the plan and its withdrawals.
    lamp : the lamp and cycle in words.
    """
    say = html.escape
    zone = (
        "Times are in the zone of the start and follow its change of clocks."
        if dates and dates[0].time.tzinfo is not None
        else "Times are local and take no account of a change to or from summer time."
    )
    head = "".join(
        f"<tr><td>{w.number}</td><td>{w.hours:g} h</td><td>{say(w.dose)}</td>"
        f"<td>{say(w.moment)}{' <b>(out of hours)</b>' if w.out_of_hours else ''}</td>"
        f"<td>{w.strips}</td><td class=blank></td><td class=blank></td></tr>"
        for w in dates
    )
    parts = [
        f"<h1>{say(title)}</h1><p>{say(lamp)}. {len(plan.strips)} strips, "
        f"{plan.design.exposed} of them exposed. {zone}</p>",
        "<table><tr><th>no.</th><th>after</th><th>planned dose</th><th>when</th><th>strips</th>"
        f"<th>taken out at</th><th>by</th></tr>{head}</table>",
        "<p>Write down the hour at which strips really came out: the dose is found from it. Keep "
        "them, and the unexposed strips, dark, cool and dry. At each withdrawal move every strip "
        "that stays one tier down and the lowest to the top (common practice, no source), and keep "
        "the chamber's log. When all are out, break all strips, unexposed ones too, in the order "
        "of specimens.csv, on one machine and best in one session.</p>",
    ]
    for w in dates:
        rows = "".join(
            f"<tr><td class=box></td><td>{say(s.position)}</td><td>{say(s.specimen)}</td>"
            f"<td>{say(s.material)}</td><td>{say(s.lot)}</td><td>{say(s.direction)}</td></tr>"
            for s in plan.of(w.hours)
        )
        parts.append(
            f"<h2>{w.number}. {say(w.moment)}: {w.hours:g} h</h2><table><tr><th></th>"
            "<th>hung at tier-place</th><th>strip</th><th>material</th><th>lot</th>"
            f"<th>direction</th></tr>{rows}</table>"
        )
    return _PAGE.replace("TITLE", say(title)).replace("BODY", "\n".join(parts))


_PAGE = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><title>Withdrawals: TITLE</title><style>
body { font: 11pt/1.35 sans-serif; color: #222; max-width: 190mm; margin: 8mm auto; }
h1 { font-size: 15pt; } h2 { font-size: 12pt; margin: 6mm 0 2mm; break-after: avoid; }
table { border-collapse: collapse; width: 100%; } tr { break-inside: avoid; }
th, td { border: 0.3pt solid #777; padding: 1mm 2mm; text-align: left; }
td.blank { min-width: 25mm; } td.box { width: 5mm; }
</style></head><body>
BODY
</body></html>
"""
