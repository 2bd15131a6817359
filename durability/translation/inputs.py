"""What is drawn beside the threshold dose? The uncertain links between a lamp and a sky.

Their values, spreads and sources are read from ``models/translation.toml``: an entry with ``sd``
is normal, cut at ``low`` and ``high``; an entry with ``log_sd`` is log-normal about its median
``value``. Every input has a stream of random numbers of its own, so that adding one changes no
other.
"""

from __future__ import annotations

import tomllib
import zlib
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

SHARED = ("uv_factor", "cloud_power", "absorptance", "temperature_rise_factor", "year_to_year")
"""Inputs of the sky and the fabric: one draw serves every material of a translation."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Input:
    """One uncertain input: a number of the trade with its spread and its source.

    Parameters
    ----------
    name : key in ``models/translation.toml``.
    value : centre; the median where `log_sd` is given.
    sd : standard deviation, in `unit`; None for a log-normal input.
    log_sd : standard deviation of the natural logarithm; None for a normal input.
    low, high : limits of a normal input, None where open.
    unit, source, why : as the file says.

    Examples
    --------
    >>> heat = Input(name="heat", value=0.7, sd=0.2, low=0.0, high=1.0)
    >>> x = heat.draw(1000, seed=1)
    >>> bool(x.min() >= 0 and x.max() <= 1)
    True
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

    def __post_init__(self) -> None:
        if (self.sd is None) == (self.log_sd is None):
            raise ValueError(f"{self.name}: give either sd or log_sd")
        if (self.sd if self.sd is not None else self.log_sd or 0.0) < 0:
            raise ValueError(f"{self.name}: a spread cannot be negative")
        if self.log_sd is not None and self.value <= 0:
            raise ValueError(f"{self.name}: value is {self.value}; with log_sd it must be above 0")
        low, high = self._limits()
        if not low <= self.value <= high:
            raise ValueError(f"{self.name}: value is {self.value}, outside {low} to {high}")

    def _limits(self) -> tuple[float, float]:
        low = float("-inf") if self.low is None else self.low
        high = float("inf") if self.high is None else self.high
        return low, high

    def draw(self, draws: int, *, seed: int, label: str = "") -> NDArray[np.float64]:
        """Independent draws of the input; the same seed and label give the same draws."""
        import numpy as np

        noise = stream(seed, f"{self.name}/{label}")
        if self.log_sd is not None:
            return self.value * np.exp(self.log_sd * noise.standard_normal(draws))
        if not self.sd:
            return np.full(draws, float(self.value))
        from scipy.special import ndtr, ndtri

        low, high = ((x - self.value) / self.sd for x in self._limits())
        share = ndtr(low) + (ndtr(high) - ndtr(low)) * noise.uniform(size=draws)
        return np.clip(self.value + self.sd * ndtri(share), *self._limits())


def stream(seed: int, label: str) -> np.random.Generator:
    """The random numbers of one input: independent streams for different labels."""
    import numpy as np

    return np.random.default_rng([seed, zlib.crc32(label.encode())])


def read_inputs() -> dict[str, Input]:
    """The inputs of ``models/translation.toml`` that a translation draws, by name.

    Raises
    ------
    ValueError
        Naming every entry that is missing or has no value, spread or source.
    """
    from durability.catalogue import models_folder

    with open(models_folder() / "translation.toml", "rb") as file:
        content = tomllib.load(file)
    found: dict[str, Input] = {}
    wrong: list[str] = []
    for name in (*SHARED, "lab_to_sky"):
        entry = content.get(name)
        if not isinstance(entry, dict) or "value" not in entry or not entry.get("source"):
            wrong.append(f"{name} (expected a table with value, sd or log_sd, and source)")
            continue
        log_sd = entry.get("log_sd")
        try:
            found[name] = Input(
                name=name,
                value=float(entry["value"]),
                sd=None if "sd" not in entry else float(entry["sd"]),
                log_sd=None if log_sd is None else float(log_sd),
                low=None if log_sd is not None else entry.get("low"),
                high=None if log_sd is not None else entry.get("high"),
                unit=str(entry.get("unit", "1")),
                source=str(entry["source"]),
                why=str(entry.get("why", "")),
            )
        except (TypeError, ValueError) as error:
            wrong.append(str(error))
    if wrong:
        raise ValueError("models/translation.toml: " + "; ".join(wrong))
    return found


__all__ = ["Input", "read_inputs", "stream"]
