"""In which unit is it? A small closed table of the trade's units, read strictly.

Every unit belongs to a *dimension*; numbers are converted to the first (canonical) unit of the
dimension by ``canonical = number * factor + offset``. A dose in a wavelength interval (MJ/m²) and a
dose at a wavelength (kJ/(m² nm)) are different dimensions and never convert into each other.

Sources of factors: exact by definition, from memory: pound 0.45359237 kg, inch 25.4 mm, yard
914.4 mm, standard gravity 9.80665 m/s², thermochemical calorie 4.184 J (a langley is one calorie to
a square centimetre). Every factor is checked against pint in tests/test_units.py.
"""

from __future__ import annotations

import difflib
import math
import re
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Unit:
    """One unit: how it is written, its dimension and how it converts."""

    symbol: str
    dimension: str
    factor: float
    offset: float = 0.0
    shown: str = ""

    def to_canonical(self, number: float) -> float:
        """The number in the canonical unit of the dimension (works on arrays too)."""
        return number * self.factor + self.offset

    def __str__(self) -> str:
        return self.shown or self.symbol


CANONICAL: dict[str, str] = {
    "force": "N",
    "length": "mm",
    "force per width": "kN/m",
    "stress": "MPa",
    "energy per area": "MJ/m^2",
    "energy per area and wavelength": "kJ/m^2/nm",
    "irradiance": "W/m^2",
    "spectral irradiance": "W/m^2/nm",
    "time": "h",
    "temperature": "degC",
    "fraction": "1",
    "mass per area": "g/m^2",
    "wavelength": "nm",
}

_LBF = 0.45359237 * 9.80665
_TABLE: tuple[tuple[str, str, float, float, str], ...] = (
    ("N", "force", 1, 0, "N"),
    ("kN", "force", 1000, 0, "kN"),
    ("lbf", "force", _LBF, 0, "lbf"),
    ("kgf", "force", 9.80665, 0, "kgf"),
    ("mm", "length", 1, 0, "mm"),
    ("cm", "length", 10, 0, "cm"),
    ("m", "length", 1000, 0, "m"),
    ("in", "length", 25.4, 0, "in"),
    ("ft", "length", 304.8, 0, "ft"),
    ("kN/m", "force per width", 1, 0, "kN/m"),
    ("N/mm", "force per width", 1, 0, "N/mm"),
    ("N/m", "force per width", 0.001, 0, "N/m"),
    ("N/cm", "force per width", 0.1, 0, "N/cm"),
    ("N/5cm", "force per width", 0.02, 0, "N/5cm"),
    ("daN/5cm", "force per width", 0.2, 0, "daN/5cm"),
    ("kgf/cm", "force per width", 0.980665, 0, "kgf/cm"),
    ("lbf/in", "force per width", _LBF / 25.4, 0, "lbf/in"),
    ("lbf/ft", "force per width", _LBF / 304.8, 0, "lbf/ft"),
    ("MPa", "stress", 1, 0, "MPa"),
    ("N/mm^2", "stress", 1, 0, "N/mm²"),
    ("kPa", "stress", 0.001, 0, "kPa"),
    ("psi", "stress", _LBF / 25.4**2, 0, "psi"),
    ("MJ/m^2", "energy per area", 1, 0, "MJ/m²"),
    ("kJ/m^2", "energy per area", 0.001, 0, "kJ/m²"),
    ("J/m^2", "energy per area", 1e-6, 0, "J/m²"),
    ("kWh/m^2", "energy per area", 3.6, 0, "kWh/m²"),
    ("Ly", "energy per area", 0.04184, 0, "Ly"),
    ("kLy", "energy per area", 41.84, 0, "kLy"),
    ("kJ/m^2/nm", "energy per area and wavelength", 1, 0, "kJ/(m² nm)"),
    ("MJ/m^2/nm", "energy per area and wavelength", 1000, 0, "MJ/(m² nm)"),
    ("J/m^2/nm", "energy per area and wavelength", 0.001, 0, "J/(m² nm)"),
    ("W/m^2", "irradiance", 1, 0, "W/m²"),
    ("mW/cm^2", "irradiance", 10, 0, "mW/cm²"),
    ("W/m^2/nm", "spectral irradiance", 1, 0, "W/(m² nm)"),
    ("h", "time", 1, 0, "h"),
    ("min", "time", 1 / 60, 0, "min"),
    ("s", "time", 1 / 3600, 0, "s"),
    ("d", "time", 24, 0, "d"),
    ("week", "time", 168, 0, "week"),
    ("degC", "temperature", 1, 0, "°C"),
    ("degF", "temperature", 5 / 9, -160 / 9, "°F"),
    ("K", "temperature", 1, -273.15, "K"),
    ("1", "fraction", 1, 0, ""),
    ("%", "fraction", 0.01, 0, "%"),
    ("g/m^2", "mass per area", 1, 0, "g/m²"),
    ("oz/yd^2", "mass per area", 28.349523125 / 0.9144**2, 0, "oz/yd²"),
    ("nm", "wavelength", 1, 0, "nm"),
)
_ALIASES: dict[str, str] = {
    "hours": "h", "hour": "h", "hr": "h", "hrs": "h", "minutes": "min", "days": "d", "day": "d",
    "seconds": "s", "weeks": "week", "°C": "degC", "C": "degC", "°F": "degF", "F": "degF",
    "percent": "%", "pct": "%", "inch": "in", "newton": "N", "lb/in": "lbf/in",
    "": "1", "-": "1", "gsm": "g/m^2", "oz/sy": "oz/yd^2", "langley": "Ly", "langleys": "Ly",
    "lbf/in^2": "psi", "N/5 cm": "N/5cm", "N/50mm": "N/5cm", "N/50 mm": "N/5cm",
    "daN/5 cm": "daN/5cm",
}  # fmt: skip
_MEANT: dict[str, tuple[str, ...]] = {
    "lb": ("lbf",), "lbs": ("lbf",), "pound": ("lbf",), "pounds": ("lbf",), "kg": ("kgf",),
    "kp": ("kgf",), "newtons": ("N",), "inches": ("in",), '"': ("in",), "pli": ("lbf/in",),
    "ppi": ("lbf/in",), "oz/yd": ("oz/yd^2",), "osy": ("oz/yd^2",), "oz": ("oz/yd^2",),
    "cal/cm^2": ("Ly",), "ly": ("Ly",), "celsius": ("degC",), "fahrenheit": ("degF",),
    "kilonewton": ("kN",), "n": ("N",), "kn": ("kN",),
}  # fmt: skip
"""Spellings that could mean something else too: offered in the error, never taken."""

UNITS: dict[str, Unit] = {
    symbol: Unit(symbol, dimension, factor, offset, shown)
    for symbol, dimension, factor, offset, shown in _TABLE
}


class UnitError(ValueError):
    """A unit that is not in the table, or of the wrong dimension."""


def unit(text: str, dimension: str | None = None) -> Unit:
    """The unit written as `text`; spellings such as ``W/(m² nm)`` and ``W·m-2·nm-1`` are read.

    Parameters
    ----------
    text : the unit as the user wrote it.
    dimension : what it must measure; None accepts any.

    Raises
    ------
    UnitError : with near spellings, or what the unit measures instead.

    Examples
    --------
    >>> unit("W/(m² nm)").symbol
    'W/m^2/nm'
    >>> unit("kN/m", "force per width").to_canonical(2.0)
    2.0
    """
    found = UNITS.get(_normal(text))
    if found is None:
        pool = [s for s in UNITS if dimension in (None, UNITS[s].dimension)]
        meant = [s for s in _MEANT.get(_normal(text).casefold(), ()) if s in pool]
        near = meant or difflib.get_close_matches(_normal(text), pool, n=3) or pool[:6]
        raise UnitError(f"unit {text!r} is unknown; expected {_either(near)}")
    if dimension is not None and found.dimension != dimension:
        allowed = [s for s in UNITS if UNITS[s].dimension == dimension]
        raise UnitError(
            f"unit {text!r} measures {found.dimension}; expected {dimension}: {_either(allowed)}"
        )
    return found


def converted(values: Any, written: Unit, into: Unit) -> Any:
    """Numbers (also arrays) of one unit in another of the same dimension.

    Examples
    --------
    >>> round(converted(225.0, unit("lbf"), unit("kN")), 6)
    1.00085
    """
    if written == into:
        return values
    if written.offset == into.offset == 0:
        return values * (written.factor / into.factor)
    return (written.to_canonical(values) - into.offset) / into.factor


def _either(options: list[str]) -> str:
    return " or ".join([", ".join(options[:-1]), options[-1]]) if len(options) > 1 else options[0]


def _normal(text: str) -> str:
    t = text.strip()
    if t in UNITS:
        return t
    if t in _ALIASES:
        return _ALIASES[t]
    t = t.replace("⁻¹", "-1").replace("⁻²", "-2")
    t = t.replace("²", "^2").replace("**", "^").replace("·", " ").replace("*", " ")
    t = re.sub(r"\b(m|cm|mm|yd)2\b", r"\1^2", t)
    t = re.sub(r"\b(m|nm|cm|mm)\^?-([12])\b", lambda m: "/" + m[1] + "^2" * (m[2] == "2"), t)
    t = re.sub(r"/\s*\(([^)]*)\)", lambda m: "/" + "/".join(m[1].split()), t)
    t = re.sub(r"\s*/\s*", "/", t.strip())
    t = re.sub(r"\s+/", "/", t)
    if "/" in t and t.replace(" ", "/") in UNITS:  # "W/m² nm" is meant so; "N m" is a torque
        t = t.replace(" ", "/")
    if t in UNITS:
        return t
    return _ALIASES.get(t, t)


@dataclass(frozen=True, slots=True)
class Measure:
    """A number with its unit, as a study writes it: ``"0.35 W/m^2/nm"``."""

    number: float
    unit: Unit

    @property
    def canonical(self) -> float:
        """The number in the canonical unit of its dimension."""
        return self.unit.to_canonical(self.number)


def measure(text: str, dimension: str | None = None) -> Measure:
    """Read ``"65 degC"`` or ``"5 %"``: a number, then a unit.

    Examples
    --------
    >>> measure("0.35 W/m^2/nm").canonical
    0.35
    >>> round(measure("149 degF", "temperature").canonical, 6)
    65.0
    """
    match = re.fullmatch(r"\s*([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*(.*?)\s*", text)
    comma = re.match(r"\s*[-+]?\d*,\d", text)
    if not match or comma:
        hint = "; write a decimal point" if comma else ""
        raise UnitError(f"{text!r} is not a number with a unit, such as '65 degC'{hint}")
    number = float(match[1])
    if not math.isfinite(number):
        raise UnitError(f"{text!r} is too large a number")
    return Measure(number, unit(match[2], dimension))


def header(text: str) -> tuple[str, str | None]:
    """Split a column header: ``"peak_force [N]"`` is the name and the unit's text.

    Examples
    --------
    >>> header("peak_force [N]")
    ('peak_force', 'N')
    >>> header("lot")
    ('lot', None)
    """
    match = re.fullmatch(r"\s*(.*?)\s*[\[(]\s*([^\[\]]*?)\s*[\])]\s*", text)
    if match and match[1]:
        return match[1], match[2]
    return text.strip(), None
