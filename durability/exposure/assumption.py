"""How well is a number of the trade known? Reads the uncertain numbers of models/.

An assumption is a table of a TOML file with ``value``, its spread (``sd``, or ``log_sd`` for a
log-normal factor), limits ``low`` and ``high`` where there are any, ``unit``, ``source`` and
``why``.
"""

from __future__ import annotations

import functools
import tomllib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from durability import catalogue

if TYPE_CHECKING:
    import numpy


@dataclass(frozen=True, slots=True, kw_only=True)
class Assumption:
    """One uncertain number, as a file of models/ states it.

    Parameters
    ----------
    name : key in the file.
    value : centre [unit]: the mean of a normal, the median of a log-normal.
    sd : standard deviation [unit], or None where the spread is relative.
    log_sd : standard deviation of the logarithm, or None.
    low, high : limits; draws stay inside those of a normal. For a log-normal they are the range
        of ``log_sd`` in use and do not bound the draws.
    unit, source, why : as written.
    """

    name: str
    value: float
    sd: float | None = None
    log_sd: float | None = None
    low: float | None = None
    high: float | None = None
    unit: str = "1"
    source: str = ""
    why: str = ""

    def draws(self, size: int, generator: numpy.random.Generator) -> numpy.ndarray:
        """Independent draws [unit]: normal cut at the limits, or log-normal.

        Parameters
        ----------
        size : number of draws.
        generator : source of randomness.

        Returns
        -------
        array (size,).

        Examples
        --------
        >>> import numpy
        >>> a = Assumption(name="p", value=0.9, sd=0.1, low=0.5, high=1.0)
        >>> x = a.draws(1000, numpy.random.default_rng(1))
        >>> bool((x >= 0.5).all() and (x <= 1.0).all())
        True
        """
        return self.from_uniform(generator.random(size))

    def from_uniform(self, probability: numpy.ndarray) -> numpy.ndarray:
        """The quantiles at `probability` (0 to 1): what designed samples need."""
        import numpy
        from scipy.special import ndtr, ndtri

        if self.log_sd is not None:
            return self.value * numpy.exp(self.log_sd * ndtri(probability))
        sd = self.sd or 0.0
        if sd == 0:
            return numpy.full(numpy.shape(probability), self.value)
        below = 0.0 if self.low is None else ndtr((self.low - self.value) / sd)
        above = 1.0 if self.high is None else ndtr((self.high - self.value) / sd)
        drawn = self.value + sd * ndtri(below + (above - below) * probability)
        return numpy.clip(drawn, self.low, self.high)

    def __str__(self) -> str:
        unit = "" if self.unit == "1" else f" {self.unit}"
        if self.log_sd is not None:
            return f"{self.value:g}{unit}, sd of the logarithm {self.log_sd:g}"
        return f"{self.value:g} +- {self.sd or 0:g}{unit}"


def assumption(name: str, table: dict[str, Any]) -> Assumption:
    """The assumption in one TOML table.

    Raises
    ------
    ValueError : a table without value, spread or source.
    """
    missing = [key for key in ("value", "source") if key not in table]
    if "sd" not in table and "log_sd" not in table:
        missing.append("sd (or log_sd)")
    if missing:
        raise ValueError(f"the assumption {name!r} has no {' and no '.join(missing)}")
    known = ("value", "sd", "log_sd", "low", "high")
    numbers = {key: float(table[key]) for key in known if key in table}
    words = {key: str(table[key]) for key in ("unit", "source", "why") if key in table}
    return Assumption(
        name=name,
        value=numbers["value"],
        sd=numbers.get("sd"),
        log_sd=numbers.get("log_sd"),
        low=numbers.get("low"),
        high=numbers.get("high"),
        unit=words.get("unit", "1"),
        source=words.get("source", ""),
        why=words.get("why", ""),
    )


def translation_assumptions() -> dict[str, Assumption]:
    """The assumptions of models/translation.toml, by name.

    Examples
    --------
    >>> translation_assumptions()["cloud_power"].value
    0.8
    """
    return dict(_assumptions("translation"))


def chamber_assumptions() -> dict[str, Assumption]:
    """The assumptions of models/chamber.toml, by name.

    Examples
    --------
    >>> chamber_assumptions()["settling"].unit
    'min'
    """
    return dict(_assumptions("chamber"))


@functools.cache
def _assumptions(file: str) -> dict[str, Assumption]:
    with open(catalogue.models_folder() / f"{file}.toml", "rb") as stream:
        tables = tomllib.load(stream)
    return {name: assumption(name, t) for name, t in tables.items() if isinstance(t, dict)}


def material_assumptions(polymer: str | None) -> dict[str, Assumption]:
    """``activation_energy`` [kJ/mol] and ``reciprocity_exponent`` [1] of a polymer.

    Parameters
    ----------
    polymer : name of a file of models/materials; None reads ``unknown``.

    Examples
    --------
    >>> material_assumptions("polyester")["activation_energy"].unit
    'kJ/mol'
    """
    tables = catalogue.read("materials", polymer or "unknown")
    return {name: assumption(name, t) for name, t in tables.items() if isinstance(t, dict)}
