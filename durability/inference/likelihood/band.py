"""How sure is a fitted curve at each place? Its Wald band."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from durability.inference.likelihood.quantity import mean_at

if TYPE_CHECKING:
    from durability.inference.likelihood.result import CurveFit


def wald_band(
    fit: CurveFit, places: Any, *, level: float = 0.95, group: str | None = None
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Low, fitted and high value of the curve, by its first derivatives and Student's t.

    Parameters
    ----------
    fit : of one predictor.
    places : (place,) [unit of the predictor].
    level : of the band, at each place by itself.
    group : whose curve, where groups have their own parameters.

    Returns
    -------
    three arrays (place,) [unit of the response].

    Examples
    --------
    >>> from durability.inference.likelihood import fit_curve
    >>> fit = fit_curve("exponential", [0.0, 0, 1, 1, 2, 2], [10.0, 10.2, 7.9, 8.1, 6.4, 6.5])
    >>> low, middle, high = wald_band(fit, [0.0, 1.0, 4.0])
    >>> bool((low < middle).all() and (middle < high).all())
    True
    >>> bool((high - low)[2] > (high - low)[1])  # wider beyond the last place
    True
    """
    from scipy.special import stdtrit

    mean = mean_at(fit, np.atleast_1d(np.asarray(places, dtype=float)), group=group, at=None)
    middle, slope = mean.slopes(fit.theta[None, : mean.size])
    covariance = np.nan_to_num(fit.covariance[: mean.size, : mean.size])
    variance = np.einsum("ip,pq,iq->i", slope[0], covariance, slope[0])
    half = float(stdtrit(max(fit.residual_freedom, 1), 0.5 + level / 2)) * np.sqrt(
        np.maximum(variance, 0)
    )
    low, value, high = middle[0] - half, middle[0], middle[0] + half
    return (np.exp(low), np.exp(value), np.exp(high)) if mean.log else (low, value, high)


__all__ = ["wald_band"]
