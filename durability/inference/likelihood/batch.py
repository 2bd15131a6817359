"""What do a thousand series say? One law fitted to each of many series at once, over arrays.

Every series has the same doses; strips are reduced to means and sums of squares, the best point of
a grid of starts is found for all by matrix products, and compiled Gauss-Newton steps follow
(`batch_kernel`). Series may lie along any dimensions of an xarray object, and in dask chunks.
"""

from __future__ import annotations

import itertools
import os
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from durability.inference.likelihood.curve import NO_LOSS_REACH
from durability.inference.likelihood.errors import Likelihood, Rows
from durability.inference.likelihood.mean import SCALE, build_mean
from durability.inference.likelihood.minimise import minimise, solve_positive
from durability.inference.likelihood.starts import law_grid
from durability.laws import Law, read_law

if TYPE_CHECKING:
    import xarray

MANY = 200
"""Series from which on compiled steps are worth loading (and, once a machine, compiling)."""
TOLERANCE = 3e-5
"""A fit is done when its next step is shorter, in standard errors; that step is still taken."""
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

    columns = [*names, *NAMES]
    notes = {"law": the_law.name, "errors": errors, "fraction": fraction}
    if strength.chunks is None:
        series = strength.transpose(..., dose, strip)
        kept = {k: v for k, v in series.coords.items() if not {dose, strip} & {*v.dims}}
        variables = {
            name: (series.dims[:-2], column)
            for name, column in zip(columns, one_block(series.values), strict=True)
        }
        return xarray.Dataset(variables, coords=kept, attrs=notes)
    found: Any = xarray.apply_ufunc(
        one_block,
        strength,
        input_core_dims=[[dose, strip]],
        output_core_dims=[[]] * len(columns),
        dask="parallelized",
        output_dtypes=[float] * len(columns),
    )
    return xarray.Dataset(dict(zip(columns, found, strict=True)), attrs=notes)


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
    mean = value @ np.ones(value.shape[-1]) / np.maximum(count, 1)
    gap = value - mean[..., None]
    if not whole:
        gap[~seen] = 0.0
    within = np.einsum("bds,bds->b", gap, gap)
    n = count.sum(-1).astype(float)
    width = 2 + len(law.shapes)
    lit = dose[dose > 0]
    lower, upper = np.full(width, -np.inf), np.full(width, np.inf)
    lower[1], upper[1] = np.log(lit.min()) - NO_LOSS_REACH, np.log(lit.max()) + NO_LOSS_REACH
    lower[2:] = [np.log(s.lower) for s in law.shapes]
    upper[2:] = [np.log(s.upper) for s in law.shapes]
    start = np.clip(_starts(law, dose, mean, count, log), lower, upper)
    steps = _compiled if len(mean) >= MANY else _plain
    theta, total, converged, information = steps(
        law, dose, mean, count, within, start, lower, upper, log
    )
    variance = total / np.maximum(n - width, 1)
    sd = np.sqrt(variance)
    log_likelihood = -0.5 * n * (np.log(2 * np.pi * total / n) + 1)
    if log:
        log_likelihood = log_likelihood - (count * mean).sum(-1)
    threshold, error = _thresholds(law, theta, information, variance, fraction)
    return [*np.exp(theta).T, sd, log_likelihood, converged, threshold, error]


def _compiled(
    law: Law, dose: np.ndarray, mean: np.ndarray, count: np.ndarray, within: np.ndarray,
    start: np.ndarray, lower: np.ndarray, upper: np.ndarray, log: bool,
) -> tuple[np.ndarray, ...]:  # fmt: skip
    """(theta, total squares, converged, J'WJ) by the compiled steps, the series shared by cores."""
    from concurrent.futures import ThreadPoolExecutor

    from durability.inference.likelihood.batch_kernel import fit_all

    code, constants = (law.tape.log() if log else law.tape).arrays()
    theta, mean = np.ascontiguousarray(start), np.ascontiguousarray(mean)
    count, size = count.astype(float), count.sum(-1).astype(float)
    shares = max(1, min(os.cpu_count() or 1, len(theta) // MANY))
    ends = np.linspace(0, len(theta), shares + 1).astype(int)

    def share(part: slice) -> tuple[np.ndarray, ...]:
        return fit_all(
            code, constants, law.floor, log, dose, mean[part], count[part], within[part],
            size[part], theta[part], lower, upper, TOLERANCE, 200,
        )  # fmt: skip

    parts = [slice(a, b) for a, b in itertools.pairwise(ends.tolist())]
    if shares == 1:
        return theta, *share(parts[0])
    with ThreadPoolExecutor(shares) as pool:
        found = list(pool.map(share, parts))
    return theta, *(np.concatenate(column) for column in zip(*found, strict=True))


def _plain(
    law: Law, dose: np.ndarray, mean: np.ndarray, count: np.ndarray, within: np.ndarray,
    start: np.ndarray, lower: np.ndarray, upper: np.ndarray, log: bool,
) -> tuple[np.ndarray, ...]:  # fmt: skip
    """The same by `minimise`, for few series: nothing is compiled."""
    rows = Rows(
        mean=mean, count=count, squares=within[:, None] * (np.arange(dose.size) == 0),
        freedom=count.astype(float), weight=np.ones(dose.size),
        censored=np.zeros(dose.size, dtype=int),
    )  # fmt: skip
    curve = build_mean(law, {"dose": dose}, log=log)
    likelihood = Likelihood(mean=curve, rows=rows, errors="lognormal" if log else "normal")
    found = minimise(
        likelihood, start, lower=lower, upper=upper, most=200, tolerance=TOLERANCE
    )  # fmt: skip
    total = np.exp(2 * found.value / rows.n)
    information = found.hessian * (total / rows.n)[:, None, None]
    return found.theta, total, found.converged.astype(float), information


def _starts(
    law: Law, dose: np.ndarray, mean: np.ndarray, count: np.ndarray, log: bool
) -> np.ndarray:
    """(n_series, p): the best of the grid for every series, by matrix products."""
    grid = law_grid(law, dose, fine=True)
    shapes = {s.name: np.exp(grid[:, i + 1])[:, None] for i, s in enumerate(law.shapes)}
    with np.errstate(all="ignore"):
        curve = np.asarray(law.retained(dose * np.exp(-grid[:, :1]), shapes))
        g = np.log(curve) if log else curve
    good = np.isfinite(g).all(1)
    g = np.where(good[:, None], g, 0.0)
    w = count.astype(float)
    even = bool((w == w[0]).all())
    if log and even:
        share = w[0] / w[0].sum()
        away = g - (g @ share)[:, None]
        least = np.where(good, 0.5 * ((away**2) @ share), np.inf)
        at = np.argmax((mean * share) @ away.T - least, axis=1)
        level = mean @ share - g[at] @ share
        return np.column_stack([level, grid[at]])
    if log:
        level = ((w * mean).sum(-1)[:, None] - w @ g.T) / w.sum(-1)[:, None]
        score = w @ (g**2).T - 2 * (w * mean) @ g.T - w.sum(-1)[:, None] * level**2
    else:
        product, size = (w * mean) @ g.T, np.maximum(w @ (g**2).T, 1e-300)
        level = np.log(np.maximum(product / size, 1e-300))
        score = -(product**2) / size
    at = np.argmin(np.where(good, score, np.inf), axis=1)
    return np.column_stack([level[np.arange(len(at)), at], grid[at]])


def _thresholds(
    law: Law, theta: np.ndarray, information: np.ndarray, variance: np.ndarray, fraction: float
) -> tuple[np.ndarray, np.ndarray]:
    """Threshold dose of each series and the standard error of its log.

    ``information`` is J'WJ (n_series, p, p), ``variance`` the residual variance (n_series,).
    """
    names: Sequence[str] = [s.name for s in law.shapes]
    shape = {k: np.exp(theta[:, i + 2]) for i, k in enumerate(names)}
    u, exists = law.crossings(fraction, shape)
    u = np.broadcast_to(np.where(exists, u, np.nan), len(theta))
    _, slope = law.tape.slopes({"u": u, **shape}, ("u", *names))
    slope = np.broadcast_to(slope, (len(theta), 1 + len(names)))
    by = np.zeros_like(theta)
    by[:, 1] = 1.0
    for i, k in enumerate(names):
        by[:, i + 2] = -shape[k] * slope[:, i + 1] / (u * slope[:, 0])
    size = np.sqrt(np.maximum(np.einsum("bii->bi", information), 1e-300))
    scaled = information / (size[:, :, None] * size[:, None, :])
    solved, sound = solve_positive(scaled, by / size)
    error = np.sqrt((by * solved / size).sum(-1) * variance)
    return u * np.exp(theta[:, 1]), np.where(sound & np.isfinite(error), error, np.nan)
