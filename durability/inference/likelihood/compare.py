"""Which law do these strips support, and does the answer hang on it? A table of laws."""

from __future__ import annotations

import html
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.inference.likelihood.curve import fit_curve
from durability.inference.likelihood.errors import Errors
from durability.inference.likelihood.interval import Interval
from durability.inference.likelihood.result import CurveFit
from durability.laws import Law, laws, read_law

if TYPE_CHECKING:
    from durability.study import Study


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LawRow:
    """One law's line of the table.

    Parameters
    ----------
    law : name; title : in words.
    fit : its fit; delta : AICc less the smallest; weight : Akaike weight (0 to 1).
    lack_of_fit : p, None where it cannot be judged.
    threshold : threshold dose with its limits.
    extrapolation : threshold over the last dose tested; None where there is no threshold.
    """

    law: str
    title: str
    fit: CurveFit
    delta: float
    weight: float
    lack_of_fit: float | None
    threshold: Interval
    extrapolation: float | None

    def to_dict(self) -> dict[str, Any]:
        """Plain types for JSON."""
        return {
            "law": self.law,
            "title": self.title,
            "parameters": self.fit.parameters,
            "log_likelihood": self.fit.log_likelihood,
            "aicc": self.fit.aicc if math.isfinite(self.fit.aicc) else None,
            "delta_aicc": self.delta if math.isfinite(self.delta) else None,
            "weight": self.weight,
            "lack_of_fit_p": self.lack_of_fit,
            "threshold_dose": self.threshold.to_dict(),
            "extrapolation_factor": self.extrapolation,
            "extrapolated": self.extrapolation is not None and self.extrapolation > 1,
            "flags": list(self.fit.flags),
        }


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LawTable:
    """Laws of one set of strips, best first.

    Parameters
    ----------
    name : of what (product, direction, exposure).
    fraction : of the threshold dose; unit : of dose.
    rows : best first; failed : law -> why it could not be fitted.
    group : whose threshold is shown, where lots have their own.
    """

    name: str
    fraction: float
    unit: str
    rows: tuple[LawRow, ...]
    failed: dict[str, str]
    group: str | None = None

    @property
    def spread(self) -> float | None:
        """Largest over smallest threshold among laws within 4 of the best AICc."""
        good = [r.threshold.value for r in self.rows if r.delta <= 4]
        values = [v for v in good if v is not None]
        return max(values) / min(values) if len(values) == len(good) and values else None

    def verdict(self) -> str:
        """What the table says, in a sentence."""
        near = [r for r in self.rows if r.delta <= 4]
        names = ", ".join(r.law for r in near)
        if len(near) == 1:
            return f"The strips support {names} above the other laws."
        if not near:
            return (
                "There are too few values for so many parameters: no law can be weighed against"
                " another."
            )
        tail = (
            "not all of them ever reach the threshold"
            if self.spread is None
            else f"their thresholds differ by a factor of {self.spread:.2f}"
        )
        return f"The strips do not tell these laws apart: {names}; {tail}."

    def cells(self) -> list[tuple[str, ...]]:
        """Rows as text, as the reprs and the terminal show them."""
        return [_cells(row) for row in self.rows]

    def to_dict(self) -> dict[str, Any]:
        """Plain types for JSON."""
        return {
            "of": self.name,
            "fraction": self.fraction,
            "unit": self.unit,
            "laws": [r.to_dict() for r in self.rows],
            "not_fitted": self.failed,
            "verdict": self.verdict(),
        }

    def figure(self, *, reach: float = 2.0) -> Any:
        """All laws, fanning out beyond the last dose."""
        from importlib import import_module

        return import_module("durability.report.laws_figure").laws_figure(self, reach=reach)

    def __repr__(self) -> str:
        rows = [COLUMNS, *self.cells()]
        widths = [max(len(r[i]) for r in rows) for i in range(len(COLUMNS))]
        body = "\n".join(
            "  " + "  ".join(c.ljust(w) for c, w in zip(r, widths, strict=True)).rstrip()
            for r in rows
        )
        head = f"LawTable {self.name}, {100 * self.fraction:g} % left [{self.unit}]"
        return f"{head}\n{body}\n  {self.verdict()}"

    def _repr_html_(self) -> str:
        def row(cells: Sequence[str], tag: str) -> str:
            return "<tr>" + "".join(f"<{tag}>{html.escape(c)}</{tag}>" for c in cells) + "</tr>"

        body = "".join(row(r, "td") for r in self.cells())
        return f"<table>{row(COLUMNS, 'th')}{body}</table><p>{html.escape(self.verdict())}</p>"


COLUMNS = (
    "law",
    "k",
    "dAICc",
    "weight",
    "lack of fit p",
    "threshold",
    "low",
    "high",
    "x last dose",
    "flags",
)


def _cells(row: LawRow) -> tuple[str, ...]:
    def shown(x: float | None) -> str:
        """Three digits, or whole numbers where they are more: never a power of ten."""
        if x is None:
            return "none"
        digits = 2 - math.floor(math.log10(abs(x))) if x else 0
        return f"{round(x, digits):.{max(digits, 0)}f}" if abs(x) >= 1e-3 else "under 0.001"

    flags = [f for f in row.fit.flags if f != "relative_to_fitted_start"]
    if row.extrapolation is not None and row.extrapolation > 1:
        flags.append("extrapolated")
    t = row.threshold
    delta = f"{row.delta:.1f}" if math.isfinite(row.delta) else "-"
    return (
        row.law,
        str(row.fit.counted),
        delta,
        f"{row.weight:.2f}" if math.isfinite(row.delta) else "-",
        shown(row.lack_of_fit),
        shown(t.value),
        shown(t.low),
        shown(t.high),
        shown(row.extrapolation),
        " ".join(flags),
    )


def compare_curves(
    x: Any,
    y: Any,
    *,
    names: Sequence[str | Path | Law] | None = None,
    fraction: float = 0.5,
    level: float = 0.95,
    errors: Errors = "lognormal",
    name: str = "these strips",
    unit: str = "dose",
    group: str | None = None,
) -> LawTable:
    """Fit every law to doses and strengths.

    Parameters
    ----------
    x, y : doses and strengths (n,), as in `fit_curve`.
    names : laws; all of models/laws by default.
    fraction, level : of the threshold dose.
    errors : scatter.
    name, unit, group : shown.

    Returns
    -------
    LawTable
    """

    def one(law: Law) -> CurveFit:
        return fit_curve(law, x, y, errors=errors)

    return _table(one, names, fraction, level, name=name, unit=unit, group=group)


def _table(
    one: Any,
    names: Sequence[str | Path | Law] | None,
    fraction: float,
    level: float,
    *,
    name: str,
    unit: str,
    group: str | None,
    asked: float | None = None,
) -> LawTable:
    from durability.study.problem import StudyError

    made: dict[str, CurveFit] = {}
    failed: dict[str, str] = {}
    for given in names or laws():
        law = given if isinstance(given, Law) else read_law(given)
        try:
            made[law.name] = one(law)
        except StudyError as error:
            failed[law.name] = "; ".join(str(p) for p in error.problems)
    return rank(
        made, fraction, level, name=name, unit=unit, group=group, failed=failed, asked=asked
    )


def rank(
    made: dict[str, CurveFit],
    fraction: float,
    level: float,
    *,
    name: str,
    unit: str,
    group: str | None = None,
    failed: dict[str, str] | None = None,
    asked: float | None = None,
) -> LawTable:
    """The table of fits already made; `asked` is the fraction on the law's own scale."""
    if not made:
        return LawTable(
            name=name, fraction=fraction, unit=unit, rows=(), failed=failed or {}, group=group
        )
    best = min(f.aicc for f in made.values())
    relative = {
        k: math.exp(-(f.aicc - best) / 2) if math.isfinite(f.aicc) else 0.0 for k, f in made.items()
    }
    whole = sum(relative.values()) or 1.0
    rows = []
    for key, fit in made.items():
        last = float(np.max(fit.data.x["dose"]))
        limits = fit.threshold_dose(asked or fraction, level=level, group=group)
        assert isinstance(fit.law, Law)
        rows.append(
            LawRow(
                law=key,
                title=fit.law.title,
                fit=fit,
                delta=fit.aicc - best if math.isfinite(fit.aicc) else math.inf,
                weight=relative[key] / whole,
                lack_of_fit=fit.lack_of_fit().p,
                threshold=limits,
                extrapolation=None if limits.value is None else limits.value / last,
            )
        )
    rows.sort(key=lambda r: (r.delta, r.law))
    return LawTable(
        name=name, fraction=fraction, unit=unit, rows=tuple(rows), failed=failed or {}, group=group
    )


def compare_laws(
    study: Study | str | Path,
    *,
    names: Sequence[str | Path | Law] | None = None,
    fraction: float | None = None,
    level: float | None = None,
    errors: Errors | None = None,
) -> list[LawTable]:
    """Fit every law to every product, direction and exposure of a study.

    Lots share one scale here, so that laws are compared on all strips of the product; each lot
    keeps its own unexposed strength.

    Parameters
    ----------
    study : a study or its folder.
    names : laws; all of models/laws by default.
    fraction : of the threshold dose; the study's first threshold by default.
    level : of intervals; the study's by default.
    errors : scatter; that of study.toml by default.

    Returns
    -------
    list of LawTable, one a product, direction and exposure.
    """
    from durability.exposure import with_dose
    from durability.inference.likelihood.study_rows import fit_columns, material_columns
    from durability.study import read_study

    if isinstance(study, str | Path):
        study = read_study(study)
    errors = errors or study.choices.errors
    fraction = study.thresholds[0] if fraction is None else fraction
    data = with_dose(study)
    tables = []
    for material in study.materials:
        columns = material_columns(study, data, material)
        if columns is None:
            continue
        lit = columns["dose"] > 0
        pairs = list(
            dict.fromkeys(zip(columns["direction"][lit], columns["exposure"][lit], strict=True))
        )
        for direction, exposure in pairs:
            mine = (columns["direction"] == direction) & np.char.endswith(
                columns["scale"].astype(str), f"| {exposure}"
            )
            part = {k: v[mine] for k, v in columns.items()}
            part["scale"] = np.full(int(mine.sum()), "all lots")

            def one(law: Law, part: dict[str, np.ndarray] = part) -> CurveFit:
                return fit_columns(law, part, errors, study)

            label = " ".join(t for t in (material, str(direction), str(exposure)) if t)
            tables.append(
                _table(
                    one,
                    names,
                    fraction,
                    level or study.question.level,
                    name=label,
                    unit=study.exposures[str(exposure)].dose_unit,
                    group="all lots",
                    asked=1 / fraction if study.changes == "rises" else fraction,
                )
            )
    return tables
