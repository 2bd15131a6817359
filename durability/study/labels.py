"""Which group does a row belong to, and what is it called?"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


def codes(*keys: Any) -> Any:
    """One integer for each distinct combination of keys, from 0."""
    import numpy

    code, size = numpy.zeros(keys[0].size, dtype=numpy.int64), 1
    for key in keys:
        values, inverse = numpy.unique(key, return_inverse=True)
        if size * values.size > 2**40:
            values_so_far, code = numpy.unique(code, return_inverse=True)
            size = values_so_far.size
        code, size = code * values.size + inverse, size * max(values.size, 1)
    return numpy.unique(code, return_inverse=True)[1]


def lot_words(rows: Mapping[str, Any], i: int) -> str:
    """Material, lot and direction of a row: 'material A, lot 3, machine direction'."""
    words = [f"material {rows['material'][i]}"]
    if rows["lot"][i]:
        words.append(f"lot {rows['lot'][i]}")
    if rows["direction"][i]:
        words.append(f"{rows['direction'][i]} direction")
    return ", ".join(words)


def place_words(rows: Mapping[str, Any], i: int) -> str:
    """Where on its axis a row lies: '150 h', '600 kJ/(m² nm) at 340 nm'."""
    return f"{rows['place'][i]:.10g} {rows['place_unit'][i]}".rstrip()
