"""How much does a draw of one density say of another? Importance weights, their largest smoothed.

After Vehtari, Simpson, Gelman, Yao and Gabry 2024, Journal of Machine Learning Research 25:72 (from
memory), by ArviZ.
"""

from __future__ import annotations

from typing import Any

import numpy as np


def pareto_weights(log_ratio: np.ndarray) -> tuple[np.ndarray, float]:
    """Weights (draw,) that sum to 1, and the Pareto shape of the largest (nan where all are alike).

    Parameters
    ----------
    log_ratio : (draw,) log of the wanted density over the density drawn from, up to a constant.

    Examples
    --------
    >>> weight, shape = pareto_weights(np.random.default_rng(1).normal(0, 0.1, 1000))
    >>> round(float(weight.sum()), 9), shape < 0.5
    (1.0, True)
    """
    import arviz_stats.base

    stats: Any = arviz_stats.base.array_stats  # pyright: ignore[reportPrivateImportUsage]
    log, shape = stats.psislw(-log_ratio, r_eff=1.0, axis=-1)  # it takes logs of the inverse
    weight = np.exp(np.asarray(log) - np.max(log))
    return weight / weight.sum(), float(shape)
