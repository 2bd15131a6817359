"""How does the strength fall with dose, and how sure? Quantiles of the fitted curve."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.statement import Subject

if TYPE_CHECKING:
    import xarray

    from durability.inference.fit import Fit

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
    probabilities = [0.5 - level / 2, 0.5, 0.5 + level / 2]
    start = fit.unexposed_draws(material, direction)[:, None]
    found = [
        np.quantile(
            start
            * fit.retained_draws(
                at, of=of, material=material, direction=direction, exposure=exposure
            ),
            probabilities,
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


__all__ = ["LIMITS", "bands"]
