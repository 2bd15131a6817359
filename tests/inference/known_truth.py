"""Studies whose truth is known: drawn from the priors of models/priors.toml and the model."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import xarray

from durability.inference.model import priors, relative_spread
from durability.laws import Law, read_law
from durability.study.model import Exposure, Material, Question, Study

DEFAULTS: dict[str, Any] = {
    "material": "A", "lot": "", "direction": "", "exposure": "X", "specimen": "", "reason": "",
    "file": "specimens.csv", "summary": False, "strength": np.nan, "sd": np.nan, "n": 1,
    "censored": 0, "used": True, "hours": np.nan, "dose": np.nan,
}  # fmt: skip


def study_of(
    columns: dict[str, Any],
    *,
    unit: str = "kN/m",
    thresholds: Sequence[float] = (0.5,),
    exposures: Sequence[Exposure] = (),
    polymer: str | None = None,
    required_strength: float | None = None,
    **question: Any,
) -> Study:
    """A study in memory: one array a column, scalars spread over the rows, DEFAULTS elsewhere."""
    size = max(np.size(v) for v in columns.values())
    full = {name: np.broadcast_to(columns.get(name, v), size) for name, v in DEFAULTS.items()}
    text = {n for n, v in DEFAULTS.items() if isinstance(v, str)}
    rows = xarray.Dataset(
        {n: ("row", np.array(v, dtype=object if n in text else None)) for n, v in full.items()}
    )
    named = {e.name: e for e in exposures} or {
        x: Exposure(name=x, axis="cycles", dose_unit="cycles")
        for x in sorted({str(x) for x in full["exposure"] if x})
    }
    return Study(
        folder=Path(),
        title="simulated",
        property="strip tensile strength",
        unit=unit,
        thresholds=tuple(thresholds),
        required_strength=required_strength,
        rows=rows,
        exposures=named,
        materials={
            m: Material(name=m, polymer=polymer) for m in sorted(set(full["material"].tolist()))
        },
        question=Question(**question),
        invented=True,
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class Truth:
    """What the strips of a simulated study were drawn from; arrays along materials, then lots."""

    law: Law
    log_tau: np.ndarray  # (material,): log threshold dose at the fraction 0.5
    lot_spread: float
    lot_effect: np.ndarray  # (material, lot)
    strip_spread: np.ndarray  # (material,)
    shape: dict[str, np.ndarray]  # (material,)
    log_start: np.ndarray  # (material,)
    start_effect: np.ndarray  # (material, lot)
    start_spread: float
    new_lot: np.ndarray  # (material,): effect of a lot that was never tested


def draw_truth(
    rng: np.random.Generator, law: Law, *, last: float, materials: int, lots: int
) -> Truth:
    """One draw of every parameter from the priors."""
    book = priors()
    spread = abs(rng.normal()) * book["lot_spread_of_threshold"]["scale"]
    start_spread = abs(rng.normal()) * book["lot_spread_of_strength"]["scale"]
    strip = book["strip_spread"]
    return Truth(
        law=law,
        log_tau=np.log(last) + book["threshold_dose"]["sd_log"] * rng.standard_normal(materials),
        lot_spread=spread,
        lot_effect=spread * rng.standard_normal((materials, lots)),
        strip_spread=strip["median"] * np.exp(strip["sd_log"] * rng.standard_normal(materials)),
        shape={
            s.name: s.median * np.exp(s.sd_log * rng.standard_normal(materials)) for s in law.shapes
        },
        log_start=np.log(20.0)
        + book["unexposed_strength"]["sd_log"] * rng.standard_normal(materials),
        start_effect=start_spread * rng.standard_normal((materials, lots)),
        start_spread=start_spread,
        new_lot=spread * rng.standard_normal(materials),
    )


def strips_of(
    rng: np.random.Generator,
    truth: Truth,
    *,
    doses: Sequence[float],
    strips: int,
    limit: float | None = None,
    errors: str = "lognormal",
    freedom: float = 4.0,
    power: float = 0.5,
) -> dict[str, np.ndarray]:
    """Columns of a table of strips; those below `limit` [share of the start] are censored there."""
    materials, lots = truth.lot_effect.shape
    dims = (materials, lots, len(doses), strips)
    m, lot, d, i = (x.ravel() for x in np.indices(dims))
    dose = np.asarray(doses, dtype=float)[d]
    shape = {k: v[m] for k, v in truth.shape.items()}
    scale = np.exp(truth.log_tau[m] + truth.lot_effect[m, lot]) / truth.law.inverse(0.5, shape)
    left = truth.law.retained(dose / scale, shape)
    noise = truth.strip_spread[m] * rng.standard_normal(m.size)
    if errors == "student":
        noise = noise / np.sqrt(rng.chisquare(freedom, m.size) / freedom)
    if errors in ("lognormal", "student"):
        strength = np.exp(truth.log_start[m] + truth.start_effect[m, lot]) * left * np.exp(noise)
    else:
        noise = noise * relative_spread(left, power) if errors == "power" else noise
        share = (1 + truth.start_effect[m, lot]) * left + noise
        strength = np.exp(truth.log_start[m]) * share
    censored = np.zeros(m.size, dtype=int)
    if limit is not None:
        weakest = limit * np.exp(truth.log_start[m])
        censored[strength < weakest] = -1
        strength = np.maximum(strength, weakest)
    return {
        "material": np.array(list("ABCDEFGH"))[m],
        "lot": np.array([f"L{k}" for k in range(lots)])[lot],
        "direction": np.full(m.size, "machine"),
        "exposure": np.where(dose > 0, "X", ""),
        "specimen": np.array([f"{k}" for k in range(strips)])[i],
        "dose": dose,
        "strength": strength,
        "censored": censored,
    }


def simulated(
    seed: int | Sequence[int],
    *,
    law: str = "stretched-exponential",
    materials: int = 2,
    lots: int = 3,
    doses: Sequence[float] = (0.0, 100.0, 200.0, 300.0, 450.0, 600.0),
    strips: int = 5,
    limit: float | None = None,
    errors: str = "lognormal",
) -> tuple[Study, Truth]:
    """A study drawn from the priors, and its truth."""
    rng = np.random.default_rng(seed)
    truth = draw_truth(rng, read_law(law), last=max(doses), materials=materials, lots=lots)
    of, power, freedom = priors(), 0.0, 1.0
    if errors == "power":
        power = of["spread_power"]["mean"] + of["spread_power"]["sd"] * rng.standard_normal()
    elif errors == "student":
        log_sd = of["tail_freedom"]["sd_log"]
        freedom = of["tail_freedom"]["median"] * np.exp(log_sd * rng.standard_normal())
    columns = strips_of(
        rng, truth, doses=doses, strips=strips, limit=limit, errors=errors, power=power,
        freedom=freedom,
    )  # fmt: skip
    return study_of(columns), truth


def truth_of(
    tau: float,
    *,
    law: str = "stretched-exponential",
    k: float = 1.5,
    lots: int = 3,
    lot_spread: float = 0.08,
    strip_spread: float = 0.05,
    start: float = 20.0,
) -> Truth:
    """A truth of one material, chosen; its lots lie evenly about the median lot."""
    effect = lot_spread * (np.arange(lots) - (lots - 1) / 2)[None, :]
    the_law = read_law(law)
    return Truth(
        law=the_law,
        log_tau=np.log([tau]),
        lot_spread=lot_spread,
        lot_effect=effect,
        strip_spread=np.array([strip_spread]),
        shape={s.name: np.array([k]) for s in the_law.shapes},
        log_start=np.log([start]),
        start_effect=np.zeros((1, lots)),
        start_spread=0.0,
        new_lot=np.zeros(1),
    )
