"""Which mixture of laws would have foretold the strips best? Weights by stacking.

Weights w >= 0 with sum 1 that maximise

    sum over observations i of log sum over laws k of w_k p_k(y_i | others)
        + a/K sum over laws of log w_k,

where p_k(y_i | others) is the predictive density of an observation left out (Yao, Vehtari, Simpson
and Gelman 2018, Bayesian Analysis 13:917, from memory). The second term is `a` further observations
shared evenly among the K laws; it keeps few observations from choosing one law with certainty.
"""

from __future__ import annotations

import numpy as np


def stacking_weights(log_density: np.ndarray, *, pseudo: float = 0.0) -> np.ndarray:
    """Stacking weights of laws.

    Parameters
    ----------
    log_density : (observation, law) log predictive densities of left-out observations.
    pseudo : observations shared evenly among the laws.

    Returns
    -------
    ndarray (law,), sum 1.

    Examples
    --------
    >>> import numpy as np
    >>> better = np.log([[0.9, 0.1], [0.8, 0.3], [0.7, 0.6]])
    >>> stacking_weights(better).round(3).tolist()
    [1.0, 0.0]
    """
    values = np.asarray(log_density, dtype=float)
    n, k = values.shape
    if n == 0 or k == 1:
        return np.full(k, 1 / k)
    top = values.max(axis=1, keepdims=True)
    density = np.exp(values - np.where(np.isfinite(top), top, 0.0))
    w = np.full(k, 1 / k)
    for _ in range(20_000):  # each step raises the sum: expectation and maximisation
        share = density * w
        total = share.sum(axis=1, keepdims=True)
        share = np.divide(share, total, out=np.full_like(share, 1 / k), where=total > 0)
        new = (share.sum(axis=0) + pseudo / k) / (n + pseudo)
        if np.abs(new - w).max() < 1e-10:
            return new
        w = new
    return w
