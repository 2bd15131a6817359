"""Do several packages make a false winner likelier? Pools packages before they are compared.

A fit gives each package a wide prior of its own, unless its model pools them. The best of many
packages then looks better than it is: its luck is chosen with it. Packages of one study are of a
kind, so their log threshold doses are taken to vary about a common level by a spread that the
study itself informs,

    log tau_k ~ normal(level, spread),  spread ~ half-normal(scale of models/priors.toml),

in place of the independent priors. Where the strips say much, hardly anything changes; where they
say little, packages move towards each other and claims become rarer.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

_NODES = 40


def pooled_shift(
    log_tau: NDArray[np.float64], prior: NDArray[np.float64], *, scale: float
) -> NDArray[np.float64]:
    """What is added to each draw of log threshold dose, so that the packages are pooled.

    Parameters
    ----------
    log_tau : (draw, package) draws under independent priors.
    prior : (package, 2) mean and standard deviation of those priors, normal on the log scale.
    scale : of the half-normal prior of the spread between packages, log scale.

    Returns
    -------
    (draw, package)

    Notes
    -----
    The draws are taken as normal with their own mean and covariance; dividing out the independent
    priors leaves the likelihood, to which the joint prior ``spread² I + sd² 1 1'`` is put, with the
    common level at the mean of the priors' means. The spread is integrated over equal steps of
    its prior, each weighed by its marginal likelihood. Each draw is then carried by the linear map
    that takes the one normal to the other, so every draw keeps its place among the rest.
    """
    import numpy as np
    from scipy.special import ndtri

    n_draw, n = log_tau.shape
    centre = log_tau.mean(axis=0)
    cov = np.cov(log_tau.T).reshape(n, n) + 1e-12 * np.eye(n)
    precision = np.linalg.inv(cov)
    likelihood = precision - np.diag(prior[:, 1] ** -2.0)
    values, vectors = np.linalg.eigh(likelihood)
    likelihood = (vectors * np.maximum(values, 0.0)) @ vectors.T  # none is informed below nothing
    level, wide = prior[:, 0].mean(), prior[:, 1].mean()
    pull = precision @ centre - prior[:, 0] / prior[:, 1] ** 2

    spreads = scale * ndtri(0.5 + 0.5 * (np.arange(_NODES) + 0.5) / _NODES)
    log_weight, means, roots = np.empty(_NODES), np.empty((_NODES, n)), np.empty((_NODES, n, n))
    back = _root(precision)
    for i, spread in enumerate(spreads):
        joint = spread**2 * np.eye(n) + wide**2 * np.ones((n, n))
        inverse = np.linalg.inv(joint)
        both = inverse + likelihood
        lean = inverse.sum(axis=1) * level + pull
        after = np.linalg.inv(both)
        means[i] = after @ lean
        log_weight[i] = 0.5 * (
            lean @ means[i] - np.linalg.slogdet(joint)[1] - np.linalg.slogdet(both)[1]
            - level**2 * inverse.sum()
        )  # fmt: skip
        roots[i] = _root(after) @ back
    weight = np.exp(log_weight - log_weight.max())
    edges = np.cumsum(weight / weight.sum())
    at = np.minimum(np.searchsorted(edges, (np.arange(n_draw) + 0.5) / n_draw), _NODES - 1)
    np.random.default_rng(n_draw).shuffle(at)  # which draw has which spread means nothing
    moved = np.empty_like(log_tau)
    for i in np.unique(at):
        moved[at == i] = means[i] + (log_tau[at == i] - centre) @ roots[i].T
    return moved - log_tau


def _root(matrix: NDArray[np.float64]) -> NDArray[np.float64]:
    """The symmetric square root."""
    import numpy as np

    values, vectors = np.linalg.eigh(matrix)
    return (vectors * np.sqrt(np.maximum(values, 0.0))) @ vectors.T


def pooled_factors(fit: Any, materials: tuple[str, ...]) -> dict[str, NDArray[np.float64]] | None:
    """What each package's threshold draws (draw,) are multiplied by to pool the packages.

    Parameters
    ----------
    fit : a fit whose model names the priors of its products; any other gives None.
    materials : the packages that are pooled.

    Returns
    -------
    material to (draw,), all 1 where the fit's own model pools products; None where packages cannot
    be pooled: fewer than two, or products in different bands.
    """
    import numpy as np

    model = getattr(fit, "model", None)
    posterior = getattr(fit, "posterior", None)
    if model is None or posterior is None or len(materials) < 2:
        return None
    if np.size(getattr(model, "line", ())):
        return {m: np.ones(fit.n_draws) for m in materials}
    mine = [i for m in materials for i, (name, _) in enumerate(model.mains) if name == m]
    if len(mine) != len(materials) or len({model.mains[i][1] for i in mine}) > 1:
        return None
    name = "log_half_loss_dose" if model.half_loss else "log_threshold_dose"
    if name not in posterior:
        return None
    from durability.inference.model import priors

    values = posterior[name].values
    log_tau = values.reshape(-1, values.shape[-1])[:, mine]
    scale = float(priors()["product_spread_of_threshold"]["scale"])
    shift = pooled_shift(log_tau, np.asarray(model.main_prior)[mine], scale=scale)
    return {m: np.exp(shift[:, i]) for i, m in enumerate(materials)}


__all__ = ["pooled_factors", "pooled_shift"]
