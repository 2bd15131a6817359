"""Which lamp, and in which cycle? Reads models/lamps."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from durability import catalogue
from durability.exposure.assumption import Assumption, assumption
from durability.study.model import Segment
from durability.units import measure


@dataclass(frozen=True, slots=True, kw_only=True)
class Lamp:
    """A lamp with its filter, set point and cycle.

    Parameters
    ----------
    name, title : as the file names them.
    irradiance : set point while lit [W/m²/nm, or W/m² in an interval].
    band : control band, ``"340 nm"`` or ``"300-400 nm"``.
    irradiance_uncertainty : relative standard uncertainty of the delivered dose.
    cycle : phases in order.
    reaches_below_solar_cut_on : emits wavelengths that sunlight lacks; no outdoor translation.
    temperature : chamber air, panel share and wet specimen, each with its spread.
    tolerance : how far a quantity may be from its set point, canonical units; keys among
        ``irradiance``, ``black_panel`` [K], ``air`` [K] and ``humidity`` [1].
    tolerance_source : where the tolerances come from.
    practice : the document that sets `withdrawals`, in words; empty where none does.
    withdrawals : as the practice writes them, such as ``("150 h", "300 h")``.
    strips : strips a withdrawal in each direction that it asks for; None where it asks none.
    strip_size : width and length of a strip that it asks for [mm], or None.
    spectrum : name of a file of models/spectra.
    panel_sensor : ``"black panel"`` or ``"black standard"``.
    light_source, filter, source, notes : as written.
    """

    name: str
    title: str
    irradiance: float
    band: str
    irradiance_uncertainty: float
    cycle: tuple[Segment, ...]
    reaches_below_solar_cut_on: bool = False
    temperature: dict[str, Assumption] = field(default_factory=dict)
    tolerance: dict[str, float] = field(default_factory=dict)
    tolerance_source: str = ""
    practice: str = ""
    withdrawals: tuple[str, ...] = ()
    strips: int | None = None
    strip_size: tuple[float, float] | None = None
    spectrum: str | None = None
    panel_sensor: str = "black panel"
    light_source: str = ""
    filter: str = ""
    source: str = ""
    notes: str = ""

    @property
    def light_fraction(self) -> float:
        """Lit share of clock time."""
        return light_fraction(self.cycle)

    def __repr__(self) -> str:
        unit = "W/m²" if "-" in self.band else "W/(m² nm)"
        lit = f"{100 * self.light_fraction:.0f} % of the time lit"
        return f"Lamp {self.name}: {self.title}; {self.irradiance:g} {unit} at {self.band}, {lit}"


def light_fraction(cycle: tuple[Segment, ...]) -> float:
    """Lit share of a cycle's clock time; 1 for an empty cycle (light throughout).

    Examples
    --------
    >>> light_fraction((Segment(minutes=480, light=True), Segment(minutes=240, light=False)))
    0.6666666666666666
    """
    total = sum(s.minutes for s in cycle)
    return sum(s.minutes for s in cycle if s.light) / total if total > 0 else 1.0


def read_lamp(name: str) -> Lamp:
    """The lamp of that name.

    Parameters
    ----------
    name : a file of models/lamps, without its ending.

    Raises
    ------
    LookupError : no such lamp; near spellings are named.

    Examples
    --------
    >>> read_lamp("xenon-daylight").irradiance
    0.35
    """
    table = catalogue.read("lamps", name)
    tolerance, asked = dict(table.get("tolerance", {})), table.get("withdrawals", {})
    tolerance_source = tolerance.pop("source", "")
    return Lamp(
        name=table["name"],
        title=table["title"],
        irradiance=measure(table["irradiance"]).canonical,
        band=table["at"],
        irradiance_uncertainty=measure(
            table["irradiance_uncertainty"]["value"], "fraction"
        ).canonical,
        cycle=tuple(_segment(s) for s in table.get("cycle", [])),
        reaches_below_solar_cut_on=bool(table["reaches_below_solar_cut_on"]),
        temperature={k: assumption(k, t) for k, t in table.get("temperature", {}).items()},
        tolerance={key: measure(text).canonical for key, text in tolerance.items()},
        tolerance_source=tolerance_source,
        practice=asked.get("practice", ""),
        withdrawals=tuple(asked.get("at", ())),
        strips=int(asked["strips"]) if "strips" in asked else None,
        strip_size=(_length(asked["width"]), _length(asked["length"]))
        if "length" in asked
        else None,
        spectrum=table.get("spectrum"),
        panel_sensor=table.get("panel_sensor", "black panel"),
        light_source=table.get("light_source", ""),
        filter=table.get("filter", ""),
        source=table["source"],
        notes=table.get("notes", ""),
    )


def lamps() -> list[Lamp]:
    """Every lamp of models/lamps, by name."""
    return [read_lamp(name) for name in catalogue.names("lamps")]


def _length(text: str) -> float:
    return measure(text, "length").canonical


def _segment(table: dict[str, Any]) -> Segment:
    def number(key: str, dimension: str) -> float | None:
        return measure(table[key], dimension).canonical if key in table else None

    return Segment(
        minutes=float(table["minutes"]),
        light=bool(table["light"]),
        spray=bool(table.get("spray", False)),
        black_panel=number("black_panel", "temperature"),
        air=number("air", "temperature"),
        humidity=number("humidity", "fraction"),
    )
