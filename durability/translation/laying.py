"""At which hour of the year is the product laid? On a random day of each month, or on a date."""

from __future__ import annotations

import datetime
from typing import TYPE_CHECKING

from durability.translation.inputs import stream

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

LAYING_HOUR = 6.0
"""Hour of laying, local standard time."""
MONTH_LENGTHS = (31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)


def laying_days(laying: str) -> tuple[list[int], list[tuple[int, int]]]:
    """Months, and for each the first day of the year (from 0) and the number of days.

    Parameters
    ----------
    laying : ``"every month"``, or a date in the ISO form, of which month and day count; 29
        February counts as the 28th.

    Examples
    --------
    >>> laying_days("2027-05-12")
    ([5], [(131, 1)])
    """
    first = [sum(MONTH_LENGTHS[:i]) for i in range(12)]
    if laying == "every month":
        return list(range(1, 13)), list(zip(first, MONTH_LENGTHS, strict=True))
    try:
        date = datetime.date.fromisoformat(laying)
    except ValueError:
        raise ValueError(
            f'laying is "{laying}"; expected "every month" or a date such as "2027-05-12"'
        ) from None
    day = min(date.day, MONTH_LENGTHS[date.month - 1])
    return [date.month], [(first[date.month - 1] + day - 1, 1)]


def laying_hours(
    spans: list[tuple[int, int]], *, draws: int, seed: int
) -> tuple[NDArray[np.float64], dict[str, NDArray[np.float64]]]:
    """Hours of the year at which the product is laid, for each draw.

    Parameters
    ----------
    spans : first day of the year and number of days, of each month.
    draws, seed : number of draws and seed. Within a draw the same share of each month has passed,
        so that months differ by their sky alone.

    Returns
    -------
    starts : (draw, span + 1) hours [h]; the last column is any day of the year.
    drawn : shares ``laying_day`` of the month and ``laying_day_of_year``, 0 to 1.
    """
    import numpy as np

    within = stream(seed, "laying_day").uniform(size=draws)
    anywhere = stream(seed, "laying_day_of_year").uniform(size=draws)
    days = [first + np.floor(within * length) for first, length in spans]
    starts = np.column_stack([*days, np.floor(anywhere * 365)]) * 24.0 + LAYING_HOUR
    inside = within if spans[0][1] > 1 else np.zeros(draws)
    return starts, {"laying_day": inside, "laying_day_of_year": anywhere}


__all__ = ["LAYING_HOUR", "MONTH_LENGTHS", "laying_days", "laying_hours"]
