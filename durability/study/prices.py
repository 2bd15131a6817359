"""What does a square metre cost? Reads a price such as ``"0.85 EUR/m^2"``.

The currency is the laboratory's own word: it is carried, never converted.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

_METRE, _YARD, _FOOT = 1.0, 0.9144**2, 0.3048**2
SQUARE_METRES = {
    **dict.fromkeys(("m^2", "m²", "m2"), _METRE),
    **dict.fromkeys(("yd^2", "yd²", "yd2"), _YARD),
    **dict.fromkeys(("ft^2", "ft²", "ft2"), _FOOT),
}
"""Square metres in a unit of area: the international yard is 0.9144 m by definition."""
EXPECTED = 'a price per area, such as "0.85 EUR/m^2"'


@dataclass(frozen=True, slots=True)
class Price:
    """A price of one square metre, in a currency that is only a word."""

    per_square_metre: float
    currency: str

    def __str__(self) -> str:
        return f"{self.per_square_metre:.4g} {self.currency}/m²"


def read_price(text: str) -> Price:
    """A price per area as a study writes it.

    Parameters
    ----------
    text : number, currency, ``/``, unit of area: m^2, yd^2 or ft^2.

    Raises
    ------
    ValueError : saying what is expected.

    Examples
    --------
    >>> print(read_price("0.85 EUR/m^2"))
    0.85 EUR/m²
    >>> print(read_price("1 USD/yd^2"))
    1.196 USD/m²
    """
    match = re.fullmatch(r"\s*(\d+\.?\d*|\.\d+)\s*([^\W\d_]{1,12}|[$€£¥₹])\s*/\s*(\S+)\s*", text)
    if not match or match[3] not in SQUARE_METRES:
        comma = "; write a decimal point" if re.match(r"\s*\d*,\d", text) else ""
        raise ValueError(f"{text!r} is not {EXPECTED}{comma}")
    price = float(match[1]) / SQUARE_METRES[match[3]]
    if not 0 < price < 1e9:
        raise ValueError(f"{text!r} is not a price above 0")
    return Price(price, match[2])


__all__ = ["EXPECTED", "Price", "read_price"]
