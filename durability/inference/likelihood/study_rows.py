"""Which strips of a study belong to one fit, and which parameters do they share?"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.inference.likelihood.curve import fit_curve
from durability.inference.likelihood.errors import Errors
from durability.inference.likelihood.mean import SCALE, START
from durability.inference.likelihood.result import CurveFit
from durability.laws import Law

if TYPE_CHECKING:
    from durability.study import Study

MARK = " | "


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cell:
    """One answer that is asked: a direction and exposure of a product, with its lots."""

    material: str
    direction: str
    exposure: str
    lots: tuple[str, ...]
    groups: tuple[str, ...]
    last_dose: float
    first_dose: float


def material_columns(study: Study, data: Any, material: str) -> dict[str, np.ndarray] | None:
    """The used rows of a product as arrays, with the labels of start and scale; None if unexposed.

    Unexposed strips count with the first exposure of their lot and direction.
    """
    mine = data["used"].values.astype(bool) & (data["material"].values.astype(str) == material)
    dark = {n for n, x in study.exposures.items() if getattr(x, "control", None)}
    mine &= ~np.isin(data["exposure"].values.astype(str), list(dark))
    dose = data["dose"].values.astype(float)
    mine &= np.isfinite(dose)
    if not (mine & (dose > 0)).any():
        return None
    text = {k: data[k].values.astype(str)[mine] for k in ("lot", "direction", "exposure")}
    out: dict[str, np.ndarray] = {
        k: data[k].values.astype(float)[mine] for k in ("dose", "strength", "sd", "n", "censored")
    }
    out |= text
    lit = out["dose"] > 0
    first: dict[tuple[str, str], str] = {}
    for lot, direction, exposure, on in zip(*text.values(), lit, strict=True):
        if on:
            first.setdefault((lot, direction), exposure)
    exposure = np.array(
        [
            x if on else first.get((lot, d), x)
            for lot, d, x, on in zip(*text.values(), lit, strict=True)
        ]
    )
    known = np.array(
        [
            on or (lot, d) in first
            for lot, d, on in zip(text["lot"], text["direction"], lit, strict=True)
        ]
    )
    out["start"] = np.array(
        [f"{a}{MARK}{b}" for a, b in zip(text["lot"], text["direction"], strict=True)]
    )
    out["scale"] = np.array(
        [
            f"{lot}{MARK}{d}{MARK}{x}"
            for lot, d, x in zip(text["lot"], text["direction"], exposure, strict=True)
        ]
    )
    return {k: v[known] for k, v in out.items()}


def fit_columns(law: Law, columns: dict[str, np.ndarray], errors: Errors, study: Study) -> CurveFit:
    """One product's fit from `material_columns`."""
    rises = study.changes == "rises"
    y, sd, censored = columns["strength"], columns["sd"], columns["censored"]
    if rises:
        if errors != "lognormal":
            raise ValueError("a property that rises is fitted with lognormal errors")
        sd = sd / y**2
        y, censored = 1 / y, -censored
    n = np.maximum(columns["n"], 1)
    fixed = {START: 0.01 if rises else 100.0} if study.unit == "%" else None
    unexposed_known = fixed is not None
    keep = (columns["dose"] > 0) if unexposed_known else np.ones(y.size, dtype=bool)
    return fit_curve(
        law,
        columns["dose"][keep],
        y[keep],
        errors=errors,
        n=n[keep],
        sd=sd[keep],
        censored=censored[keep],
        fixed=fixed,
        separate=(),
        partitions={
            START: [str(v) for v in columns["start"][keep]],
            SCALE: [str(v) for v in columns["scale"][keep]],
        },
    )


def cells_of(material: str, columns: dict[str, np.ndarray]) -> list[Cell]:
    lit = columns["dose"] > 0
    found: dict[tuple[str, str], dict[str, Any]] = {}
    for lot, d, x, label, dose in zip(
        columns["lot"][lit],
        columns["direction"][lit],
        columns["exposure"][lit],
        columns["scale"][lit],
        columns["dose"][lit],
        strict=True,
    ):
        entry = found.setdefault((d, x), {"lots": {}, "doses": []})
        entry["lots"][lot] = label
        entry["doses"].append(dose)
    return [
        Cell(
            material=material,
            direction=str(d),
            exposure=str(x),
            lots=tuple(e["lots"]),
            groups=tuple(e["lots"].values()),
            last_dose=float(max(e["doses"])),
            first_dose=float(min(e["doses"])),
        )
        for (d, x), e in found.items()
    ]
