"""How does the strength fall with dose, and how sure? Quantiles of the fitted curve."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.statement import Subject

if TYPE_CHECKING:
    import xarray

    from durability.inference.fitted import Fit

LIMITS = ("low", "median", "high")


def bands(
    fit: Fit,
    doses: Any,
    *,
    material: str,
    direction: str,
    exposure: str,
    subjects: Sequence[Subject] = ("mean", "new_lot", "single_specimen"),
    level: float | None = None,
) -> xarray.DataArray:
    """Pointwise quantiles of the fitted curve, in the study's unit of strength.

    Where the curve of a subject crosses a fraction of the unexposed strength, the threshold doses
    of `Fit.threshold_draws` lie.

    Parameters
    ----------
    fit : the fit.
    doses : array (dose,) in the exposure's canonical unit.
    material, direction, exposure : the subject; direction ``""`` where the study names none.
    subjects : ``mean``, ``new_lot``, ``single_specimen`` (what the study's share of strips holds).
    level : probability between low and high; the fit's by default.

    Returns
    -------
    DataArray [unit of the study], dims (of, limit, dose); ``limit`` is low, median, high.

    Examples
    --------
    >>> import durability
    >>> study = durability.read_study("examples/uv-cycles")  # in a clone
    >>> fit = durability.fit(study, seed=1)
    >>> band = bands(fit, [0, 60, 120], material="geocomposite", direction="", exposure="UV")
    >>> band.sizes["limit"], bool((band.sel(limit="low") <= band.sel(limit="high")).all())
    (3, True)
    """
    import xarray

    level = level or fit.level
    at = np.atleast_1d(np.asarray(doses, dtype=float))
    start = fit.unexposed_draws(material, direction)[:, None]
    found = [
        np.quantile(
            start
            * fit.retained_draws(
                at, of=of, material=material, direction=direction, exposure=exposure
            ),
            _tails(level),
            axis=0,
        )
        for of in subjects
    ]
    return xarray.DataArray(
        np.array(found),
        dims=("of", "limit", "dose"),
        coords={"of": list(subjects), "limit": list(LIMITS), "dose": at},
        attrs={"units": fit.study.unit, "level": level},
        name="strength",
    )


def left_limits(
    fit: Fit,
    doses: Any,
    *,
    material: str,
    direction: str,
    exposure: str,
    level: float | None = None,
) -> np.ndarray:
    """Pointwise quantiles of the fraction left of the median lot.

    Parameters
    ----------
    fit : a fit, or an average over laws.
    doses : array (dose,) in the exposure's canonical unit.
    material, direction, exposure : the subject.
    level : probability between low and high; the fit's by default.

    Returns
    -------
    array (limit, dose) [1]; limits in the order of `LIMITS`.
    """
    drawn = fit.retained_draws(
        np.atleast_1d(np.asarray(doses, dtype=float)), of="mean", material=material,
        direction=direction, exposure=exposure,
    )  # fmt: skip
    return np.quantile(drawn, _tails(level or fit.level), axis=0)


def threshold_limits(
    fit: Fit, fraction: float | None, *, material: str, direction: str, exposure: str,
    level: float | None = None,
) -> tuple[float, float, float]:  # fmt: skip
    """Low, median and high of the threshold dose of the median lot; infinite where never reached.

    Parameters are those of `left_limits`; fraction None is the required strength.
    """
    drawn = fit.threshold_draws(
        fraction, of="mean", material=material, direction=direction, exposure=exposure
    )
    low, middle, high = np.quantile(drawn, _tails(level or fit.level), method="inverted_cdf")
    return float(low), float(middle), float(high)


def curve_limits(curves: np.ndarray) -> np.ndarray:
    """Pointwise 2.5, 25, 50, 75 and 97.5 % points of drawn curves.

    Parameters
    ----------
    curves : (draw, dose).

    Returns
    -------
    array (5, dose).

    Examples
    --------
    >>> curve_limits(np.arange(201.0)[:, None])[:, 0].tolist()
    [5.0, 50.0, 100.0, 150.0, 195.0]
    """
    return np.quantile(curves, [0.025, 0.25, 0.5, 0.75, 0.975], axis=0)


def _tails(level: float) -> list[float]:
    return [0.5 - level / 2, 0.5, 0.5 + level / 2]


__all__ = ["LIMITS", "bands", "curve_limits", "left_limits", "threshold_limits"]
