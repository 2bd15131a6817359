"""Where does an exposure depart from the practice that its lamp file describes?

A study names a file of models/lamps and may override single values. Each override is legal; the
reader of a report must see it. Whatever of the practice is from memory is marked so.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass

from durability.exposure.chamber_parts import in_words
from durability.exposure.lamp import Lamp, read_lamp
from durability.study.model import Caution, Exposure, Segment, Study

SHOWN = {"black_panel": "°C", "air": "°C", "humidity": "%"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Departure:
    """One setting that is not the practice's.

    Parameters
    ----------
    exposure : name of the exposure.
    quantity : ``"irradiance"``, ``"control band"``, ``"cycle"``, ``"black panel"``, ``"air"`` or
        ``"humidity"``.
    phase : of the cycle, in words; empty where it concerns all.
    found, practice : the study's setting and the practice's, with units.
    within_tolerance : the difference is not more than the practice tolerates in running.
    lamp, source : file of models/lamps, and where its settings come from.
    from_memory : the source says that it was not read.
    """

    exposure: str
    quantity: str
    found: str
    practice: str
    lamp: str
    source: str
    phase: str = ""
    within_tolerance: bool = False

    @property
    def from_memory(self) -> bool:
        """Whether the practice's settings are, in part or whole, from memory."""
        return "from memory" in self.source

    def to_dict(self) -> dict[str, str | bool]:
        """The record as plain types for JSON."""
        return {**asdict(self), "from_memory": self.from_memory}

    def __str__(self) -> str:
        where = f" ({self.phase})" if self.phase else ""
        mark = ", from memory" if self.from_memory else ""
        return (
            f"exposure {self.exposure}: {self.quantity}{where} is {self.found}; "
            f"{self.lamp} has {self.practice}{mark}"
        )


def departures(exposure: Exposure) -> tuple[Departure, ...]:
    """Every setting of an exposure that is not its lamp file's.

    Parameters
    ----------
    exposure : of a study. Without a lamp of models/lamps there is nothing to depart from.

    Examples
    --------
    >>> x = Exposure(name="X1", lamp="xenon-daylight", irradiance=0.51, band="340 nm")
    >>> print(departures(x)[0])
    exposure X1: irradiance is 0.51 W/(m² nm) at 340 nm; xenon-daylight has 0.35 W/(m² nm) at 340 nm
    """
    if exposure.lamp in (None, "outdoor") or exposure.control is not None:
        return ()
    lamp = read_lamp(exposure.lamp)
    found: list[Departure] = []

    def note(
        quantity: str, own: str, theirs: str, *, phase: str = "", within: bool = False
    ) -> None:
        found.append(
            Departure(
                exposure=exposure.name,
                quantity=quantity,
                found=own,
                practice=theirs,
                phase=phase,
                within_tolerance=within,
                lamp=lamp.name,
                source=lamp.source,
            )
        )

    if exposure.band is not None and exposure.band != lamp.band:
        note("control band", exposure.band, lamp.band)
    elif exposure.irradiance is not None and _differ(exposure.irradiance, lamp.irradiance):
        far = abs(exposure.irradiance - lamp.irradiance)
        note(
            "irradiance",
            _light(exposure.irradiance, lamp.band),
            _light(lamp.irradiance, lamp.band),
            within=far <= lamp.tolerance.get("irradiance", 0.0) * (1 + 1e-9),
        )
    if not exposure.cycle or not lamp.cycle:
        return tuple(found)
    if _timing(exposure.cycle) != _timing(lamp.cycle):
        note("cycle", _cycle(exposure.cycle), _cycle(lamp.cycle))
        return tuple(found)
    for own, theirs in zip(exposure.cycle, lamp.cycle, strict=True):
        for quantity, unit in SHOWN.items():
            _compare(own, theirs, quantity, unit, lamp, note)
    return tuple(found)


def departure_cautions(study: Study) -> tuple[Caution, ...]:
    """Departures of every exposure as cautions."""
    return tuple(
        Caution(name="departs_from_practice", text=str(d), file="study.toml")
        for exposure in study.exposures.values()
        for d in departures(exposure)
        if not d.within_tolerance
    )


def _compare(own: Segment, theirs: Segment, quantity: str, unit: str, lamp: Lamp, note) -> None:
    mine, asked = getattr(own, quantity), getattr(theirs, quantity)
    if asked is None or (mine is not None and not _differ(mine, asked)):
        return
    scale = 100.0 if unit == "%" else 1.0
    note(
        quantity.replace("_", " "),
        "not stated" if mine is None else f"{scale * mine:g} {unit}",
        f"{scale * asked:g} {unit}",
        phase=in_words(own),
        within=mine is not None and abs(mine - asked) <= lamp.tolerance.get(quantity, 0.0) + 1e-9,
    )


def _differ(a: float, b: float) -> bool:
    return abs(a - b) > 1e-9 * max(abs(a), abs(b))


def _light(irradiance: float, band: str) -> str:
    return f"{irradiance:g} {'W/m² in' if '-' in band else 'W/(m² nm) at'} {band}"


def _timing(cycle: tuple[Segment, ...]) -> list[tuple[float, bool, bool]]:
    return [(s.minutes, s.light, s.spray) for s in cycle]


def _cycle(cycle: tuple[Segment, ...]) -> str:
    return ", ".join(in_words(s) for s in cycle)
