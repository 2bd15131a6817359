"""What was found? Strips, summaries, readings, looks and declarations of a study in one list."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.inference.model import ON_LOGS, Errors

if TYPE_CHECKING:
    import xarray

    from durability.study import Study

PRODUCT = "\x1f"  # stands for the lot where a data sheet speaks of the product, not of a lot
_LABELS = ("material", "lot", "direction", "exposure", "laboratory", "run", "specimen", "file")


@dataclass(slots=True, kw_only=True, eq=False)
class Items:
    """Everything that was found, one entry a strip, summary, reading, look or declaration.

    `kind` is strip, summary, reading, low or high (the two looks of an inspection), declared.
    """

    kind: np.ndarray
    text: dict[str, np.ndarray]
    dose: np.ndarray
    dose_sd: np.ndarray
    value: np.ndarray
    value_sd: np.ndarray
    sd: np.ndarray
    n: np.ndarray
    censored: np.ndarray
    note: np.ndarray  # fraction of an inspection, retained fraction of a declaration
    sense: np.ndarray
    line: np.ndarray

    def __len__(self) -> int:
        return self.dose.size

    @property
    def weight(self) -> np.ndarray:
        """Strips that an entry stands for: those of a summary, else one."""
        return np.where(self.kind == "summary", np.where(self.n < 1, 1.0, self.n), 1.0)

    def key(self, i: Any, *names: str) -> tuple[str, ...]:
        return tuple(str(self.text[name][i]) for name in names)


def _column(table: xarray.Dataset, name: str, default: Any) -> np.ndarray:
    size = next(iter(table.sizes.values()))
    if name not in table:
        return np.full(size, default)
    values = table[name].values
    return values.astype(str) if isinstance(default, str) else values.astype(float)


def items_of(study: Study) -> Items:
    """All kinds of data of a study whose doses are filled, unused ones left out."""
    nan = float("nan")
    parts: list[dict[str, np.ndarray]] = []

    def take(table: xarray.Dataset | None, kind: Any, **names: str) -> None:
        if table is None or not next(iter(table.sizes.values())):
            return
        size = next(iter(table.sizes.values()))
        used = table["used"].values.astype(bool) if "used" in table else np.ones(size, dtype=bool)
        controls = [x.name for x in study.exposures.values() if x.control is not None]
        dose = _column(table, names.get("dose", "dose"), nan)
        used &= ~(np.isin(_column(table, "exposure", ""), controls) & (dose > 0))
        part = {name: _column(table, name, "") for name in _LABELS}
        part["sense"] = _column(table, "sense", "")
        for name, default in (
            ("dose", nan), ("dose_sd", nan), ("value", nan), ("value_sd", nan), ("sd", nan),
            ("n", 1.0), ("censored", 0.0), ("note", nan), ("line", 0.0),
        ):  # fmt: skip
            part[name] = _column(table, names.get(name, name), default)
        part["kind"] = np.where(table["summary"].values, "summary", kind) if "summary" in table \
            else np.full(size, kind)  # fmt: skip
        parts.append({name: values[used] for name, values in part.items()})

    take(study.rows, "strip", value="strength")
    take(study.readings, "reading")
    take(study.inspections, "low", dose="dose_low", note="fraction")
    take(study.inspections, "high", dose="dose_high", note="fraction")
    take(study.declared, "declared", value="strength", note="retained")
    keys = parts[0].keys() if parts else (
        *_LABELS, "sense", "kind", "dose", "dose_sd", "value", "value_sd", "sd", "n", "censored",
        "note", "line",
    )  # fmt: skip
    whole = {k: np.concatenate([p[k] for p in parts]) if parts else np.array([]) for k in keys}
    if study.unit == "%":  # a declared percentage is a retained fraction
        said = (whole["kind"] == "declared") & np.isnan(whole["note"])
        whole["note"] = np.where(said, whole["value"] / 100, whole["note"])
        whole["value"] = np.where(whole["kind"] == "declared", nan, whole["value"])
    low, high = np.flatnonzero(whole["kind"] == "low"), np.flatnonzero(whole["kind"] == "high")
    same = whole["dose"][low] == whole["dose"][high]  # seen as it happened: within half a percent
    whole["dose"][low[same]] *= 0.995
    whole["dose"][high[same]] *= 1.005
    text = {name: whole.pop(name) for name in _LABELS}
    lit = whole["dose"] > 0
    text["exposure"] = np.where(lit, text["exposure"], "")
    text["run"] = np.where(lit, text["run"], "")
    of_product = (whole["kind"] == "declared") & (text["lot"] == "")
    text["lot"] = np.where(of_product, PRODUCT, text["lot"])
    return Items(text=text, **whole)


def refuse_unusable(items: Items, measured: np.ndarray, errors: Errors) -> None:
    """Nothing is dropped in silence: a strength that has no place in the model is a problem."""
    with np.errstate(invalid="ignore"):
        bad = measured & ~(np.isfinite(items.value) & ((items.value > 0) | (errors not in ON_LOGS)))
    if not bad.any():
        return
    from durability.study import Problem, StudyError

    expected = "a number above 0, since its logarithm is used" if errors in ON_LOGS else "a number"
    raise StudyError([
        Problem(
            file=str(items.text["file"][i]), row=int(items.line[i]), found=f"{items.value[i]:g}",
            expected=expected,
            mend="exclude the row with a reason, or mark it as censored at the measuring limit",
        )
        for i in np.flatnonzero(bad)
    ])  # fmt: skip
