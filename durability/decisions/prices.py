"""What does lasting cost? The price of a square metre over its threshold dose, or its days."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from durability.decisions.compare import one_package
from durability.statement import Statement, Statements, Subject

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from durability.statement import Quantity
    from durability.study.prices import Price
    from durability.translation import ThresholdPosterior, Translation


def cost_statements(
    fit: ThresholdPosterior,
    materials: Sequence[str],
    directions: dict[str, tuple[str, ...]],
    exposure: str,
    of: Subject,
    fraction: float | None,
    *,
    level: float,
    translation: Translation | None = None,
) -> Statements:
    """Price of each material over its threshold dose, and over its days at a site.

    Parameters
    ----------
    fit : the fit; prices stand in its study's materials.
    materials, directions, exposure, of, fraction : the subjects; the worse direction counts.
    level : of the two-sided interval.
    translation : for days in the open, of the month of laying whose median is shortest.

    Returns
    -------
    Statements
        ``price_of_dose`` and ``price_of_day``; none for a material without a price, or where only
        a bound of the threshold is known.
    """
    found: list[Statement] = []
    for material in materials:
        price = fit.study.materials[material].price
        if price is None:
            continue
        side = one_package(fit, material, directions[material], exposure, of, fraction)
        dose = fit.study.exposures[exposure].dose_unit
        amounts: list[tuple[Quantity, str, NDArray[np.float64], str | None, int | None]] = []
        if side.bound is None:
            unit = f"{price.currency}/m² per {dose}"
            amounts.append(("price_of_dose", unit, side.tau, None, None))
        if translation is not None and material in translation.exposures:
            days, month = _worst_month(translation, material, directions[material], of, fraction)
            unit = f"{price.currency}/m² per d"
            amounts.append(("price_of_day", unit, days, translation.site, month))
        for quantity, unit, amount, site, month in amounts:
            limits = _over(price, amount, level)
            if limits is None:
                continue
            value, low, high = limits
            found.append(
                Statement(
                    quantity=quantity,
                    unit=unit,
                    of=of,
                    value=value,
                    low=low,
                    high=high,
                    level=level,
                    kind="credible" if of == "mean" else "prediction",
                    material=material,
                    exposure=exposure,
                    site=site,
                    month=month,
                    fraction=fraction,
                    share=fit.study.question.share if of == "single_specimen" else None,
                    extrapolated=side.extrapolated,
                    law=fit.law,
                    assumptions=("price_given", "worse_direction"),
                )
            )
    return Statements(found)


def _over(
    price: Price, amount: NDArray[np.float64], level: float
) -> tuple[float, float, float] | None:
    """Price over an amount that is known by draws: median and limits; None without a limit."""
    import numpy as np

    with np.errstate(divide="ignore"):
        cost = price.per_square_metre / amount
    tail = (1 - level) / 2
    value, low, high = np.quantile(cost, [0.5, tail, 1 - tail], method="nearest")
    if not (math.isfinite(high) and low > 0):
        return None
    return float(value), float(low), float(high)


def _worst_month(
    translation: Translation,
    material: str,
    directions: Sequence[str],
    of: Subject,
    fraction: float | None,
) -> tuple[NDArray[np.float64], int]:
    """Days (draw,) in the worse direction, laid in the month whose median is shortest."""
    import numpy as np

    each = [translation.draws(material, d, of, fraction) for d in directions]
    days = np.min([x.values for x in each], axis=0)
    at = int(np.argmin(np.median(days, axis=1)))
    return days[at], int(each[0].month.values[at])


__all__ = ["cost_statements"]
