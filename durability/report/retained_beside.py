"""Do the ways of judging what is left agree? Log ratio, Fieller and the hierarchical model.

The first two look at one group and its unexposed strips at a time; the model looks at every group
through one law, so its interval is narrower where the law holds and off where it does not.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from durability.report.sentences import short
from durability.report.tables import Table, table
from durability.retention import retained_strength
from durability.statement import Statement

if TYPE_CHECKING:
    from durability.inference import Fit


def retained_beside(fit: Fit) -> list[dict[str, Any]]:
    """Fraction left of the mean of the lots by three ways, one record a dose.

    Parameters
    ----------
    fit : of a study with unexposed strips, whose property falls.

    Returns
    -------
    list of dict with material, direction, exposure, dose and three statements: log_ratio and
        fieller (confidence intervals; with several lots both are the t interval between lots) and
        model (credible interval of the median lot). Empty where there are no unexposed strips.
    """
    import numpy as np

    study, level = fit.study, fit.level
    fieller = {
        _key(s): s for s in retained_strength(study, level=level, method="fieller")
    }  # fmt: skip
    known = {(m, d, x) for m, d, x in fit.model.conditions}
    found = []
    for s in retained_strength(study, level=level):
        where = (s.material or "", s.direction or "", s.exposure or "")
        if s.of != "mean" or s.unit != "1" or not s.dose or where not in known:
            continue
        material, direction, exposure = where
        draws = fit.retained_draws(
            s.dose, material=material, direction=direction, exposure=exposure
        )[:, 0]
        low, value, high = np.quantile(draws, [0.5 - level / 2, 0.5, 0.5 + level / 2])
        model = Statement(
            quantity="retained_strength", unit="1", of="mean", material=material,
            direction=s.direction, exposure=s.exposure, dose=s.dose, value=float(value),
            low=float(low), high=float(high), level=level, law=fit.law,
        )  # fmt: skip
        found.append(
            {
                "material": material, "direction": direction, "exposure": exposure,
                "dose": s.dose, "log_ratio": s, "fieller": fieller.get(_key(s)), "model": model,
            }
        )  # fmt: skip
    return found


def beside_table(fit: Fit) -> Table | None:
    """The records of `retained_beside` as a table of the report; None where there are none."""
    records = retained_beside(fit)
    if not records:
        return None
    rows = [
        (
            r["material"], r["direction"], r["exposure"], f"{r['dose']:.4g}",
            *("" if r[way] is None else short(r[way]) for way in ("log_ratio", "fieller", "model")),
        )
        for r in records
    ]  # fmt: skip
    return table(
        f"Fraction left by three ways, {100 * fit.level:g} % intervals: each group against its "
        "unexposed strips by the log ratio and by Fieller (confidence; between lots where there "
        "are several), and the hierarchical model's median lot (credible).",
        ("material", "direction", "exposure", "dose", "log ratio", "Fieller", "model"),
        rows,
        labels=4,
    )


def _key(s: Statement) -> tuple[Any, ...]:
    return s.quantity, s.material, s.lot, s.direction, s.exposure, s.dose, s.of
