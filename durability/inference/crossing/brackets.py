"""Are these brackets? Checks arrays of doses and counts, and tells everything wrong at once."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]

INTERCEPT = "intercept"


def checked_brackets(
    low: ArrayLike,
    high: ArrayLike,
    weights: ArrayLike | None = None,
    covariates: Mapping[str, ArrayLike] | None = None,
) -> tuple[Floats, Floats, Floats, dict[str, Floats]]:
    """Low, high, counts and covariates as arrays of one length.

    Parameters
    ----------
    low, high, weights, covariates : as in `fit_crossings`.

    Raises
    ------
    ValueError : every fault, with the first units that have it (counted from 0).
    """
    faults: list[str] = []
    a, b = (np.atleast_1d(np.asarray(x, dtype=float)) for x in (low, high))
    if a.ndim != 1 or a.shape != b.shape:
        raise ValueError(f"low has shape {a.shape} and high {b.shape}; expected one length")
    if a.size == 0:
        raise ValueError("there are no units; expected at least one bracket")
    w = np.ones(a.size) if weights is None else np.asarray(weights, dtype=float)
    columns = {n: np.asarray(x, dtype=float) for n, x in (covariates or {}).items()}

    def tell(bad: Any, what: str, expected: str) -> None:
        at = np.flatnonzero(bad)
        if at.size:
            where = ", ".join(str(i) for i in at[:5]) + (" and more" if at.size > 5 else "")
            faults.append(f"{what} at unit {where}; expected {expected}")

    tell(np.isnan(a) | np.isnan(b), "a dose that is not a number", "numbers, inf where not crossed")
    tell((a < 0) | (b < 0), "a dose below 0", "doses of 0 or more")
    tell(a > b, "low above high", "the last dose that held first")
    tell((b == 0) | np.isinf(a), "a crossing at dose 0 or inf", "high above 0 and a finite low")
    tell((a == 0) & np.isposinf(b), "a bracket from 0 to inf, which says nothing", "it left out")
    for name, x in {"weights": w, **columns}.items():
        if x.shape != a.shape:
            faults.append(f"{name} has shape {x.shape}; expected {a.shape}")
        else:
            tell(~np.isfinite(x), f"{name} that is not a number", "finite numbers")
    if w.shape == a.shape:
        tell(w <= 0, "weights of 0 or less", "counts above 0")
    if INTERCEPT in columns:
        faults.append(f'a covariate named "{INTERCEPT}"; expected another name: it is always there')
    if faults:
        raise ValueError("; ".join(faults))
    return a, b, w, columns
