"""Which numbers does a figure show? Rows for the CSV file beside each.

Every header carries its unit. A text that a spreadsheet would take for a formula gets an
apostrophe in front.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from durability.statement import Statement

if TYPE_CHECKING:
    from durability.decisions.next_strips import NextStrips
    from durability.inference import Fit
    from durability.inference.checking import LastDose, PredictiveCheck, PriorPredictive
    from durability.inference.likelihood import LawTable
    from durability.study.model import Exposure
    from durability.translation import Translation


@dataclass(frozen=True, slots=True)
class Data:
    """Columns with their units, and rows; None is an empty cell."""

    head: tuple[str, ...]
    rows: tuple[tuple[Any, ...], ...]

    def to_csv(self) -> str:
        """As text of a CSV file.

        Examples
        --------
        >>> print(Data(("material", "dose [h]"), (("=A", 2.5), ("B", None))).to_csv(), end="")
        material,dose [h]
        '=A,2.5
        B,
        """
        stream = io.StringIO()
        writer = csv.writer(stream, lineterminator="\n")
        for row in (self.head, *self.rows):
            writer.writerow([_cell(c) for c in row])
        return stream.getvalue()


def _cell(value: Any) -> Any:
    if value is None or value != value:  # nan
        return ""
    if isinstance(value, str):
        return f"'{value}" if value[:1] in ("=", "+", "-", "@", "\t", "\r") else value
    if isinstance(value, float):
        return f"{value:.9g}"
    return value


def statement_data(statements: Iterable[Statement]) -> Data:
    """Statements that a figure draws, unrounded, each with its id."""
    names = ("material", "against", "direction", "exposure", "of", "fraction", "site", "month",
             "value", "low", "high", "level", "sides", "kind", "unit", "id")  # fmt: skip
    return Data(names, tuple(tuple(getattr(s, n) for n in names) for s in statements))


def strength_data(fit: Fit, material: str, exposure: str, points: int = 56) -> Data:
    """Strips of a material under an exposure and the bands of the fit, in long form."""
    import numpy as np

    from durability.exposure import with_dose
    from durability.inference.bands import bands

    rows = with_dose(fit.study)
    of = rows["material"].values == material
    here = (rows["exposure"].values == exposure) | (rows["dose"].values == 0)
    unit, doses = fit.study.unit, fit.study.exposures[exposure].dose_unit
    found: list[tuple[Any, ...]] = []
    words = {-1: "below this", 0: "measured", 1: "at least this"}
    for i in np.flatnonzero(of & here):
        r = {n: rows[n].values[i] for n in ("direction", "lot", "dose", "strength", "sd")}
        state = words[int(rows["censored"].values[i])]
        if not rows["used"].values[i]:
            state = "not used"
        what = "mean of strips" if rows["summary"].values[i] else "strip"
        found.append((what, str(r["direction"]), str(r["lot"]), float(r["dose"]),
                      float(r["strength"]), None, None, state))  # fmt: skip
    if fit.diagnostics.ok:
        grid = np.linspace(0, 1.15 * fit.last_dose(material, exposure), points)
        names = {"mean": "median lot", "new_lot": "new lot", "single_specimen": "single strips"}
        for m, direction, x in fit.model.conditions:
            if (m, x) != (material, exposure):
                continue
            band = bands(fit, grid, material=m, direction=direction, exposure=x)
            for subject, name in names.items():
                low, middle, high = (
                    band.sel(of=subject, limit=k).values for k in ("low", "median", "high")
                )
                for k, dose in enumerate(grid.tolist()):
                    found.append((name, direction, "", dose, float(middle[k]), float(low[k]),
                                  float(high[k]), "fitted"))  # fmt: skip
    return Data(
        ("what", "direction", "lot", f"dose [{doses}]", f"strength [{unit}]", f"low [{unit}]",
         f"high [{unit}]", "state"),
        tuple(found),
    )  # fmt: skip


def budget_data(translation: Translation) -> Data:
    """Shares of the variance of log days."""
    rows = [(translation.site, m, lay, name, share)
            for m, lay, name, share in translation.budget_rows()]  # fmt: skip
    return Data(("site", "material", "laying", "input", "share of the variance [1]"), tuple(rows))


def chamber_data(exposure: Exposure) -> Data:
    """The chamber record as read, in canonical units."""
    record = exposure.record
    if record is None:
        raise ValueError(f"exposure {exposure.name} has no chamber record")
    unit = "W/m²" if exposure.band and "-" in exposure.band else "W/(m² nm)"
    units = {"irradiance": unit, "humidity": "1"}
    names = [str(n) for n in record.data_vars if record[n].dims == ("time",)]
    columns = [record["time"].values.astype(str).tolist()]
    columns += [record[n].values.tolist() for n in names]
    heads = [f"{n} [{units.get(n, '°C')}]" for n in names]
    return Data(("time", *heads), tuple(zip(*columns, strict=True)))


def law_data(table: LawTable, reach: float = 2.0, points: int = 81) -> Data:
    """Strips relative to the start that the best law fits, and the curve of every law."""
    import numpy as np

    from durability.report.laws_figure import observed

    dose, left = observed(table.rows[0].fit)
    rows: list[tuple[Any, ...]] = [
        ("strip", float(d), float(y)) for d, y in zip(dose, left, strict=True)
    ]
    grid = np.linspace(0, reach * float(dose.max()), points)
    for row in table.rows:
        curve = np.asarray(row.fit.retained(grid, group=table.group), dtype=float)
        rows += [(row.law, float(d), float(y)) for d, y in zip(grid, curve, strict=True)]
    return Data(("law", f"dose [{table.unit}]", "retained fraction [1]"), tuple(rows))


def belief_data(belief: PriorPredictive) -> Data:
    """Each quantity before and after the strips."""
    names = ("median", "low", "high")
    rows = [
        (r.subject, r.quantity, r.unit, r.median, r.low, r.high, *(r.after or (None,) * 3))
        for r in belief.rows
    ]
    return Data(
        ("subject", "quantity", "unit", *(f"{n} before" for n in names),
         *(f"{n} after" for n in names)),
        tuple(rows),
    )  # fmt: skip


def predictive_data(check: PredictiveCheck, statistic: str) -> Data:
    """Groups found, and limits of what the model draws again."""
    names: Sequence[str] = ("material", "lot", "direction", "exposure", "dose", "strips", "found",
                            "expected", "low_50", "high_50", "low_95", "high_95")  # fmt: skip
    unit = check.unit if statistic in ("mean", "weakest") else "1"
    heads = [f"{n} [{unit}]" if i >= 6 else n for i, n in enumerate(names)]
    return Data(
        tuple(heads), tuple(tuple(getattr(r, n) for n in names) for r in check.of(statistic))
    )


def last_dose_data(check: LastDose, units: Mapping[str, str]) -> Data:
    """Groups of the last dose as found, beside what the smaller doses foretold; units of doses by
    exposure."""
    places = ("material", "lot", "direction", "exposure", "dose", "last_kept")
    left = ("found", "predicted", "low", "high", "inside", "below")
    rows = [
        (*(getattr(r, n) for n in places), units[r.exposure], r.strips,
         *(getattr(r, n) for n in left))
        for r in check.rows
    ]  # fmt: skip
    return Data((*places, "unit of doses", "strips", *(f"{n} [1]" for n in left)), tuple(rows))


def plan_data(found: NextStrips) -> Data:
    """Every plan with what it is expected to leave."""
    rows = [
        (v.plan.kind, v.plan.lots, ", ".join(f"{d:.6g}" for d in v.plan.doses), v.plan.strips,
         v.factor, v.factor_error, v.clear, v.stated)
        for v in found.values
    ]  # fmt: skip
    return Data(
        ("plan", "new lots", f"withdrawn at [{found.dose_unit}]", "strips",
         "factor either way [1]", "standard error of its log [1]", "clear verdict [1]",
         "dose stated [1]"),
        tuple(rows),
    )  # fmt: skip
