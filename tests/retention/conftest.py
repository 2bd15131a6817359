"""Small studies for the tests of this room, made of lists of strips."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import xarray

from durability.study.model import Exposure, Material, Study

TEXT = ("material", "lot", "direction", "exposure", "specimen", "reason", "file")
DEFAULTS: dict[str, Any] = {
    "material": "A", "lot": "", "direction": "", "exposure": "X", "specimen": "", "reason": "",
    "file": "specimens.csv", "summary": False, "strength": np.nan, "sd": np.nan, "n": 1,
    "censored": 0, "used": True, "hours": np.nan, "dose": 0.0,
}  # fmt: skip


def study_of(strips: list[dict[str, Any]], *, unit: str = "kN/m") -> Study:
    """A study on an axis of its own, one dict a strip; what is left out is as in DEFAULTS."""
    full = [
        {"line": i + 2, "specimen": str(i), **{k: v for k, v in s.items()}}
        for i, s in enumerate(strips)
    ]
    columns = {k: [s.get(k, v) for s in full] for k, v in DEFAULTS.items()}
    columns["line"] = [s["line"] for s in full]
    rows = xarray.Dataset(
        {
            name: ("row", np.array(values, dtype=object if name in TEXT else None))
            for name, values in columns.items()
        }
    )
    materials = dict.fromkeys(columns["material"])
    exposures = dict.fromkeys(e for e in columns["exposure"] if e)
    return Study(
        folder=Path("."),
        title="strips",
        property="strength",
        unit=unit,
        thresholds=(0.5,),
        rows=rows,
        exposures={e: Exposure(name=e, axis="cycles", dose_unit="cycles") for e in exposures},
        materials={m: Material(name=m) for m in materials},
    )


@pytest.fixture
def make() -> Callable[..., Study]:
    """The function `study_of`."""
    return study_of


def group(strengths: list[float], **labels: Any) -> list[dict[str, Any]]:
    """Strips that share their labels."""
    return [{"strength": float(s), **labels} for s in strengths]


@pytest.fixture
def strips() -> Callable[..., list[dict[str, Any]]]:
    """The function `group`."""
    return group
