"""Which group does a row belong to, and what is it called?"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


def codes(*keys: Any) -> Any:
    """One integer for each distinct combination of keys, from 0."""
    import numpy

    code = numpy.zeros(keys[0].size, dtype=numpy.int64)
    for key in keys:
        _, inverse = numpy.unique(key, return_inverse=True)
        top = int(inverse.max()) + 1 if inverse.size else 1
        _, code = numpy.unique(code * top + inverse, return_inverse=True)
    return code


def lot_words(rows: Mapping[str, Any], i: int) -> str:
    """Material, lot and direction of a row: 'material A, lot 3, machine direction'."""
    words = [f"material {rows['material'][i]}"]
    if rows["lot"][i]:
        words.append(f"lot {rows['lot'][i]}")
    if rows["direction"][i]:
        words.append(f"{rows['direction'][i]} direction")
    return ", ".join(words)
