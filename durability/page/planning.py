"""How does a study begin before a strip is cut? A form's answers as a plan and its folder.

The same calls as the command ``new``: strips spread over roll and chamber, a table to fill in, the
calendar of withdrawals, the cutting plan.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from durability.page.shelf import Shelf

PLAN_FILES = {
    "withdrawals.html": "the calendar, to print",
    "withdrawals.ics": "the calendar, for calendars",
    "plan.pdf": "where to cut and where to hang",
    "specimens.csv": "the table to fill in, in the order of testing",
}


@dataclass(slots=True, kw_only=True)
class Wanted:
    """What the form asks, as text; blanks take what the lamp's practice sets, or the usual."""

    title: str = ""
    materials: str = ""
    lots: str = "3"
    directions: str = "machine, cross"
    lamp: str = "xenon-daylight"
    withdrawals: str = ""
    strips: str = ""
    start: str = ""

    @classmethod
    def of(cls, fields: dict[str, str]) -> Wanted:
        """From the fields of the form."""
        named = cls.__dataclass_fields__
        return cls(**{k: " ".join(v.split())[:400] for k, v in fields.items() if k in named})


def plan_study(shelf: Shelf, wanted: Wanted) -> Path:
    """Plan a study and write its folder.

    Returns
    -------
    The study folder, new.

    Raises
    ------
    ValueError, LookupError : in words, what of the answers cannot be; nothing is written then.
    """
    from durability.exposure import planned_withdrawals, read_lamp
    from durability.report.plan_figure import write_plan
    from durability.study.calendar import starting
    from durability.study.new import new_study
    from durability.study.plan import Design, lots_of

    materials = _listed(wanted.materials)
    if not materials:
        raise ValueError("Name at least one product.")
    lamp = read_lamp(wanted.lamp)
    asked = _listed(wanted.withdrawals) or list(lamp.withdrawals)
    if not asked:
        raise ValueError(
            "This lamp's protocol sets no withdrawals: name them, such as 150 h, 500 h."
        )
    planned = planned_withdrawals(asked, lamp=wanted.lamp)
    doses = [dose for _, dose in planned]
    width, length = lamp.strip_size or (50.0, 200.0)
    design = Design(
        materials=tuple(materials),
        lots=lots_of(materials, [], _whole(wanted.lots, "lots", 3)),
        directions=tuple(_listed(wanted.directions)),
        hours=tuple(hours for hours, _ in planned),
        strips=_whole(wanted.strips, "strips", lamp.strips or 5),
        strip_width=width,
        strip_length=length,
    )
    start = starting(wanted.start)
    folder = shelf.new_folder(wanted.title or "study")
    try:
        made = new_study(folder, design, lamp=wanted.lamp, title=wanted.title or folder.name,
                         start=start, doses=doses)  # fmt: skip
    except ValueError:
        folder.rmdir()
        raise
    write_plan(made, folder / "plan.pdf")
    return folder


def _listed(text: str) -> list[str]:
    return [part.strip() for part in text.split(",") if part.strip()]


def _whole(text: str, what: str, usual: int) -> int:
    if not text:
        return usual
    if not (text.isascii() and text.isdigit() and 0 < int(text) < 1000):
        raise ValueError(f"“{text}” is no number of {what} from 1 to 999.")
    return int(text)
