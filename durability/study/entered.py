"""What was entered, before it was converted? Cells and keys as they were written.

Only what was converted is kept: 225 lbf became 1000.8 N, and the record holds both.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from durability.units import CANONICAL, UNITS, Unit, UnitError, converted, measure

if TYPE_CHECKING:
    import xarray

_NO_QUANTITY = ("lamp", "at", "record", "axis", "control", "of", "method", "protocol",
                "site", "laid")  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Entered:
    """Cells of one column that were converted: what was written, and what it became."""

    file: str
    column: str
    lines: Any
    texts: Any
    unit: str
    values: Any
    into: str


def entered_keys(raw: dict[str, Any], strength_unit: Unit | None) -> list[Entered]:
    """The quantities of study.toml that were converted, one entry a key; their line is 0.

    Parameters
    ----------
    raw : the content of study.toml.
    strength_unit : unit of the study; other quantities become canonical.
    """
    import numpy

    found: list[Entered] = []
    for path, text in _quantities(raw):
        try:
            read = measure(text)
        except UnitError:
            continue
        into = UNITS[CANONICAL[read.unit.dimension]]
        if path == "study.required_strength" and strength_unit is not None:
            into = strength_unit
        if read.unit in (into, UNITS["1"]) or read.unit.dimension != into.dimension:
            continue
        found.append(
            Entered(
                file="study.toml",
                column=path,
                lines=numpy.zeros(1, dtype=numpy.int64),
                texts=numpy.array([text], dtype=object),
                unit=str(read.unit),
                values=numpy.array([converted(read.number, read.unit, into)]),
                into=str(into) or "1",
            )
        )
    return found


def _quantities(raw: dict[str, Any]) -> Iterator[tuple[str, str]]:
    """(key with its path, text) of every key that may hold a number with a unit."""
    study, materials = raw.get("study"), raw.get("materials")
    if isinstance(study, dict):
        yield from _leaves("study.required_strength", study.get("required_strength"))
    for kind in ("exposures", "tensile"):
        yield from _leaves(kind, raw.get(kind))
    if isinstance(materials, dict):
        for name, table in materials.items():
            if isinstance(table, dict):
                yield from _leaves(f"materials.{name}.covariates", table.get("covariates"))


def _leaves(path: str, value: Any) -> Iterator[tuple[str, str]]:
    if isinstance(value, dict):
        for key, inner in value.items():
            if key not in _NO_QUANTITY:
                yield from _leaves(f"{path}.{key}", inner)
    elif isinstance(value, list):
        for i, inner in enumerate(value, start=1):
            yield from _leaves(f"{path}[{i}]", inner)
    elif isinstance(value, str):
        yield path, value


def entered_dataset(columns: list[Entered]) -> xarray.Dataset | None:
    """`Study.entered`: one entry a cell; None where nothing was converted."""
    import numpy
    import xarray

    if not columns:
        return None
    sizes = [c.lines.size for c in columns]

    def each(texts: list[str]) -> Any:
        parts = [numpy.full(n, t, dtype=object) for n, t in zip(sizes, texts, strict=True)]
        return numpy.concatenate(parts)

    variables = {
        "file": each([c.file for c in columns]),
        "line": numpy.concatenate([c.lines for c in columns]),
        "column": each([c.column for c in columns]),
        "text": numpy.concatenate([numpy.array(c.texts.tolist(), dtype=object) for c in columns]),
        "unit": each([c.unit for c in columns]),
        "value": numpy.concatenate([c.values for c in columns]),
        "into": each([c.into for c in columns]),
    }
    return xarray.Dataset({name: ("cell", array) for name, array in variables.items()})
