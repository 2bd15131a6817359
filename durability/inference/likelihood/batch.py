"""What do a thousand series say? One law fitted to each of many series at once, over arrays.

Every series has the same doses; strips are reduced to means and sums of squares, the best point of
a grid of starts is found for all by matrix products, and the Gauss-Newton steps of all run
together. Series may lie along any dimensions of an xarray object, and in dask chunks.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from durability.inference.likelihood.errors import Likelihood, Rows
from durability.inference.likelihood.mean import SCALE, build_mean
from durability.inference.likelihood.minimise import minimise
from durability.inference.likelihood.starts import law_grid
from durability.laws import Law, read_law

if TYPE_CHECKING:
    import xarray

NAMES = ("residual_sd", "log_likelihood", "converged", "threshold_dose", "log_threshold_se")


def fit_series(
    law: str | Path | Law,
    strength: xarray.DataArray,
    *,
    dose: str = "dose",
    strip: str = "strip",
    errors: Literal["lognormal", "normal"] = "lognormal",
    fraction: float = 0.5,
) -> xarray.Dataset:
    """Fit one law to every series of an array.

    Parameters
    ----------
    law : name or file of a law, or a `Law`.
    strength : dimensions `dose` (with its coordinate) and `strip`, and any others: a series each.
        nan where a strip is missing.
    errors : ``"lognormal"`` or ``"normal"``.
    fraction : of the threshold dose.

    Returns
    -------
    Dataset over the other dimensions: ``unexposed``, ``scale`` and the law's shapes,
    ``residual_sd`` (N - p degrees of freedom), ``log_likelihood`` (of the strengths),
    ``converged``, ``threshold_dose`` (nan where the fitted curve never reaches it) and the
    standard error of its log.

    Examples
    --------
    >>> import xarray
    >>> doses = [0.0, 100.0, 200.0, 400.0]
    >>> y = 20 * np.exp(-np.array(doses) / 300)[:, None] * np.array([0.95, 1.0, 1.05])
    >>> many = xarray.DataArray(np.stack([y, 2 * y]), dims=("roll", "dose", "strip"),
    ...                         coords={"dose": doses})
    >>> fit_series("exponential", many)["scale"].values.round(6).tolist()
    [300.0, 300.0]
    """
    import xarray

    the_law = law if isinstance(law, Law) else read_law(law)
    if strip not in strength.dims:
        strength = strength.expand_dims(strip)
    doses = np.asarray(strength[dose].values, dtype=float)
    names = ["unexposed", SCALE, *(s.name for s in the_law.shapes)]

    def one_block(block: np.ndarray) -> tuple[np.ndarray, ...]:
        lead = block.shape[:-2]
        answer = fit_block(
            the_law, doses, block.reshape(-1, *block.shape[-2:]), errors=errors, fraction=fraction
        )
        return tuple(column.reshape(lead) for column in answer)

    count = len(names) + len(NAMES)
    found: Any = xarray.apply_ufunc(
        one_block,
        strength,
        input_core_dims=[[dose, strip]],
        output_core_dims=[[]] * count,
        dask="parallelized",
        output_dtypes=[float] * count,
    )
    variables = dict(zip([*names, *NAMES], found, strict=True))
    return xarray.Dataset(
        variables, attrs={"law": the_law.name, "errors": errors, "fraction": fraction}
    )


@np.errstate(all="ignore")
def fit_block(
    law: Law, dose: np.ndarray, strength: np.ndarray, *, errors: str, fraction: float = 0.5
) -> list[np.ndarray]:
    """Fit (n_series, n_dose, n_strip) strengths; see `fit_series` for the columns returned."""
    log = errors == "lognormal"
    seen = np.isfinite(strength)
    whole = bool(seen.all())
    with np.errstate(all="ignore"):
        value = np.log(strength) if log else strength
    if not whole:
        value = np.where(seen, value, 0.0)
    count = seen.sum(-1) if not whole else np.full(strength.shape[:2], strength.shape[2])
    mean = value.sum(-1) / np.maximum(count, 1)
    gap = value - mean[..., None]
    squares = (gap**2 if whole else np.where(seen, gap**2, 0.0)).sum(-1)
    rows = Rows(
        mean=mean,
        count=count[0] if whole else count,
        squares=squares,
        freedom=count.astype(float),
        weight=np.ones(dose.size),
        censored=np.zeros(dose.size, dtype=int),
    )
    curve = build_mean(law, {"dose": dose}, log=log)
    likelihood = Likelihood(mean=curve, rows=rows, errors="lognormal" if log else "normal")
    lit = dose[dose > 0]
    lower, upper = curve.lower.copy(), curve.upper.copy()
    lower[1], upper[1] = np.log(lit.min()) - 12, np.log(lit.max()) + 12
    start = _starts(law, dose, mean, count, log)
    found = minimise(likelihood, start, lower=lower, upper=upper, most=100, tolerance=1e-4)
    n = count.sum(-1).astype(float)
    total = np.exp(found.value * 2 / rows.n)
    sd = np.sqrt(total / np.maximum(n - curve.size, 1))
    log_likelihood = -0.5 * n * (np.log(2 * np.pi * total / n) + 1)
    if log:
        log_likelihood = log_likelihood - (count * mean).sum(-1)
    threshold, error = _thresholds(law, likelihood, found.theta, total / (n - curve.size), fraction)
    natural = np.exp(found.theta)
    return [*natural.T, sd, log_likelihood, found.converged.astype(float), threshold, error]


def _starts(
    law: Law, dose: np.ndarray, mean: np.ndarray, count: np.ndarray, log: bool
) -> np.ndarray:
    """(n_series, p): the best of the grid for every series, by matrix products."""
    grid = law_grid(law, dose, fine=True)
    shapes = {s.name: np.exp(grid[:, i + 1])[:, None] for i, s in enumerate(law.shapes)}
    with np.errstate(all="ignore"):
        curve = np.asarray(law.retained(dose * np.exp(-grid[:, :1]), shapes))
        g = np.log(curve) if log else curve
    w = count.astype(float)
    if log:
        level = ((w * mean).sum(-1)[:, None] - w @ g.T) / w.sum(-1)[:, None]
        score = w @ (g**2).T - 2 * (w * mean) @ g.T - w.sum(-1)[:, None] * level**2
    else:
        product, size = (w * mean) @ g.T, np.maximum(w @ (g**2).T, 1e-300)
        level = np.log(np.maximum(product / size, 1e-300))
        score = -(product**2) / size
    at = np.argmin(np.where(np.isfinite(score), score, np.inf), axis=1)
    return np.column_stack([level[np.arange(len(at)), at], grid[at]])


def _thresholds(
    law: Law, likelihood: Likelihood, theta: np.ndarray, variance: np.ndarray, fraction: float
) -> tuple[np.ndarray, np.ndarray]:
    names: Sequence[str] = [s.name for s in law.shapes]
    shape = {k: np.exp(theta[:, i + 2]) for i, k in enumerate(names)}
    u, exists = law.crossings(fraction, shape)
    u = np.broadcast_to(np.where(exists, u, np.nan), len(theta))
    with np.errstate(all="ignore"):
        _, slope = law.tape.slopes({"u": u, **shape}, ("u", *names))
        slope = np.broadcast_to(slope, (len(theta), 1 + len(names)))
        by = np.zeros_like(theta)
        by[:, 1] = 1.0
        for i, k in enumerate(names):
            by[:, i + 2] = -shape[k] * slope[:, i + 1] / (u * slope[:, 0])
        _, _, hessian = likelihood(theta, np.arange(len(theta)))
        total = likelihood.squares(theta)
        information = hessian * (total / likelihood.rows.n)[:, None, None]
        good = np.isfinite(by).all(1) & np.isfinite(information).all((1, 2))
        safe = np.where(good[:, None, None], information, np.eye(theta.shape[1]))
        size = np.sqrt(np.maximum(np.einsum("bii->bi", safe), 1e-300))
        unit = safe / size[:, :, None] / size[:, None, :] + 1e-14 * np.eye(theta.shape[1])
        solved = np.linalg.solve(unit, (by / size)[..., None])[..., 0] / size
        error = np.sqrt((by * solved).sum(-1) * variance)
        return u * np.exp(theta[:, 1]), np.where(good, error, np.nan)
