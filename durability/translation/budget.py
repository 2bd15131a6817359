"""Which uncertain input makes the days uncertain? Shares of the variance of log days.

The first-order share of an input X in an output Y is Var(E[Y | X]) / Var(Y): the part of the
variance that would go if X were known (Sobol' 1993; Saltelli et al., Global Sensitivity Analysis,
2008; from memory). It is estimated from the draws at hand by one least-squares fit of Y to a sum of
functions, one an input: a cubic for one number, a full quadratic for two, three harmonics for a day
of the year. The share is the covariance of an input's function with Y, over the variance of Y, less
what as many idle terms would gain by chance. For independent inputs that is the first-order share;
where a posterior ties threshold dose and clock together, what they share is divided between them
(Li et al. 2010, Journal of Physical Chemistry A 114:6022, from memory).

The remainder is what the sum of functions leaves unexplained: inputs acting jointly, and curves
that a cubic misses. The error of a share is about 1/√draws.

Draws without a finite positive number of days (a threshold never reached, or passed at once) have
no logarithm; they are left out and their share is stated.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from durability.translation.groups import grouped
from durability.translation.inputs import AIR

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy as np
    import xarray
    from numpy.typing import NDArray

    from durability.statement import Subject

INPUTS: dict[str, str] = {
    "threshold_dose": "threshold dose of the median lot, with the shape of the law",
    "lots": "from the median lot to a lot not yet made, or to its single strips",
    "reciprocity_exponent": "reciprocity exponent",
    "activation_energy": "activation energy",
    "lamp_dose": "calibration of the lamp's dose",
    "lamp_temperature": "specimen temperature under the lamp",
    "uv_model": "computed ultraviolet of the site",
    "cloud_power": "ultraviolet under cloud",
    "spectrum": "light of lamp and sky over wavelength, and its action",
    "air_temperature": "air temperature of the site, made from monthly means",
    "specimen_temperature": "warming of the specimen by the sun at the site",
    "moisture": "spray under the lamp, rain and dew at the site",
    "year_to_year": "one year against the next",
    "laying_day": "day of laying",
    "lab_to_sky": "what is unexplained between lamp and sky",
}
"""Input to its name in words, in the order shown."""

WHERE_DRAWN = (AIR, "spectrum", "moisture")
"""Inputs that stand in the budget only where they are drawn: strips in the open teach the
unexplained factor as a whole, and hourly weather knows its air."""

PERIODIC = "laying_day_of_year"


def variance_shares(
    days: NDArray[np.float64], inputs: Mapping[str, NDArray[np.float64]]
) -> tuple[dict[str, float], float, float]:
    """First-order share of each input in the variance of the log of days.

    Parameters
    ----------
    days : (draw,) days; inf and 0 are left out.
    inputs : name to (draw,) or (draw, 2) draws of it. An input named ``laying_day_of_year`` is
        a share of the year, 0 to 1, and is fitted as periodic.

    Returns
    -------
    shares : name to share, not below 0; the key ``remainder`` is 1 less their sum.
    variance : variance of log days among the draws kept.
    left_out : share of draws left out.

    Raises
    ------
    ValueError
        When fewer than 100 draws have a finite positive number of days.

    Examples
    --------
    >>> import numpy as np
    >>> rng = np.random.default_rng(1)
    >>> a, b = rng.normal(0, 0.4, 20_000), rng.normal(0, 0.3, 20_000)
    >>> shares, variance, left_out = variance_shares(np.exp(4 + a + b), {"a": a, "b": b})
    >>> round(shares["a"], 1), round(shares["b"], 1)
    (0.6, 0.4)
    """
    import numpy as np

    keep = np.isfinite(days) & (days > 0)
    for values in inputs.values():
        keep &= np.isfinite(values).reshape(days.size, -1).all(axis=1)
    if keep.sum() < 100:
        raise ValueError(f"{keep.sum()} draws reach the threshold; a budget needs at least 100")
    y = np.log(days[keep])
    variance = float(y.var(ddof=1))
    shares = _shares(
        y, {name: _terms(x[keep], periodic=name == PERIODIC) for name, x in inputs.items()}
    )
    shares["remainder"] = 1.0 - sum(shares.values())
    return shares, variance, float(1 - keep.mean())


def _terms(x: NDArray[np.float64], *, periodic: bool) -> NDArray[np.float64]:
    """Columns of the regression, without the constant."""
    import numpy as np

    if periodic:
        angles = 2 * np.pi * np.outer(x, [1, 2, 3])
        return np.hstack([np.sin(angles), np.cos(angles)])
    z = x.reshape(x.shape[0], -1)
    spread = z.std(axis=0)
    z = z[:, spread > 1e-12 * (1 + abs(z.mean(axis=0)))]
    if z.shape[1] == 0:
        return z
    z = (z - z.mean(axis=0)) / z.std(axis=0)
    if z.shape[1] == 1:
        return np.hstack([z, z**2, z**3])
    pairs = [z[:, i] * z[:, j] for i in range(z.shape[1]) for j in range(i, z.shape[1])]
    return np.column_stack([z, *pairs])


def _shares(y: NDArray[np.float64], terms: Mapping[str, NDArray[np.float64]]) -> dict[str, float]:
    """Share of each group of terms in the variance of y, none below 0."""
    import numpy as np

    n = y.size
    y = y - y.mean()
    centred = {name: t - t.mean(axis=0) for name, t in terms.items()}
    design = np.hstack(list(centred.values()))
    total = float(y @ y)
    if total == 0 or design.shape[1] == 0:
        return dict.fromkeys(terms, 0.0)
    # Normal equations: the terms are standardised, and idle ones have been left out.
    weights = np.linalg.lstsq(design.T @ design, design.T @ y, rcond=1e-12)[0]
    rest = y - design @ weights
    by_chance = float(rest @ rest) / total / max(n - design.shape[1] - 1, 1)
    shares, first = {}, 0
    for name, columns in centred.items():
        last = first + columns.shape[1]
        explained = float(y @ (columns @ weights[first:last])) / total
        shares[name] = max(0.0, explained - by_chance * (last - first))
        first = last
    return shares


def material_budget(
    tau: Mapping[tuple[str, Subject, float | None], NDArray[np.float64]],
    days: NDArray[np.float64],
    of: Subject,
    fraction: float | None,
    months: list[int],
    links: Mapping[str, NDArray[np.float64]],
    laying_drawn: Mapping[str, NDArray[np.float64]],
    *,
    assurance: float = 0.95,
) -> xarray.Dataset:
    """The budget of one material: its weaker direction, laid in the worst month and on any day.

    Parameters
    ----------
    tau : draws (draw,) of threshold dose by (direction, of, fraction), the mean among them.
    days : (draw, subject, start) days without a horizon, subjects in the order of `tau`; starts
        are the months, then any day of the year.
    of, fraction : the subject to account for.
    months : months of laying.
    links : the other inputs, from `durability.translation.inputs.draw_links`.
    laying_drawn : what was drawn for ``laying_day`` and ``laying_day_of_year``.
    assurance : the worst month is that with the fewest days at this assurance.

    Returns
    -------
    Dataset with ``share`` (laying, input) and what `Translation.budget` describes; nan where too
    few draws reach the threshold.
    """
    import numpy as np
    import xarray

    subjects = list(tau)
    direction = min(
        dict.fromkeys(d for d, _, _ in subjects),
        key=lambda d: float(np.median(tau[d, of, fraction])),
    )
    days = days[:, subjects.index((direction, of, fraction)), :]
    with np.errstate(divide="ignore", invalid="ignore"):
        median_lot = np.log(tau[direction, "mean", fraction])
        lots = np.log(tau[direction, of, fraction]) - median_lot
    known = {
        "threshold_dose": median_lot,
        **({} if of == "mean" else {"lots": lots}),
        **grouped(links),
    }
    assured = np.quantile(days[:, : len(months)], 1 - assurance, axis=0, method="lower")
    worst = int(np.argmin(assured))
    cases = {
        "worst month" if len(months) > 1 else "date": (worst, "laying_day", float(months[worst])),
        "any day of the year": (len(months), PERIODIC, float("nan")),
    }
    names = [*(n for n in INPUTS if n not in WHERE_DRAWN or n in known), "remainder"]
    share = np.full((len(cases), len(names)), np.nan)
    variance, left_out = np.full(len(cases), np.nan), np.ones(len(cases))
    for i, (column, day, _) in enumerate(cases.values()):
        try:
            shares, variance[i], left_out[i] = variance_shares(
                days[:, column], {**known, day: laying_drawn[day]}
            )
        except ValueError:
            continue
        shares["laying_day"] = shares.pop(day)
        share[i] = [shares.get(name, np.nan) for name in names]
    return xarray.Dataset(
        {
            "share": (("laying", "input"), share),
            "variance": ("laying", variance),
            "left_out": ("laying", left_out),
            "month": ("laying", [month for *_, month in cases.values()]),
            "direction": ((), direction),
        },
        coords={"laying": list(cases), "input": names},
        attrs={"of": of, "fraction": np.nan if fraction is None else fraction},
    )


__all__ = ["INPUTS", "PERIODIC", "material_budget", "variance_shares"]
