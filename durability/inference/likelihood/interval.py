"""How sure is a quantity? Intervals by profile likelihood and by Wald's approximation."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from durability.inference.likelihood.minimise import minimise
from durability.inference.likelihood.profile import (
    Calibration,
    allowed,
    profile_at,
    profile_limits,
)
from durability.inference.likelihood.quantity import Quantity
from durability.laws import Law

if TYPE_CHECKING:
    import xarray

    from durability.inference.likelihood.result import CurveFit

Method = Literal["profile", "wald"]
WHY_PROFILE = (
    "profile likelihood is quoted: it keeps the asymmetry of the data, does not change with the"
    " scale of the parameter, and says where a limit does not exist; Wald limits assume a"
    " straight-line quantity and cover too little at few strips"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """A value with its limits.

    Parameters
    ----------
    name : of what.
    value : estimate; None where it does not exist (a threshold that is never reached).
    low, high : limits; None where one does not exist.
    level, method, calibration : how it was made.
    standard_error : of value, on its own scale, or None.
    note : why a limit or value is missing, in words; empty otherwise.

    Examples
    --------
    >>> Interval(name="scale", value=300.0, low=280.0, high=325.0, level=0.95, method="profile",
    ...     calibration="F", standard_error=11.0)
    scale 300 (95 % profile confidence interval 280 to 325)
    """

    name: str
    value: float | None
    low: float | None
    high: float | None
    level: float
    method: str
    calibration: str
    standard_error: float | None = None
    note: str = ""

    def __repr__(self) -> str:
        def shown(x: float | None, none: str) -> str:
            return none if x is None else f"{x:.6g}"

        limits = f"{shown(self.low, 'no lower limit')} to {shown(self.high, 'no upper limit')}"
        tail = f"; {self.note}" if self.note else ""
        return (
            f"{self.name} {shown(self.value, 'does not exist')} ({100 * self.level:.3g} %"
            f" {self.method} confidence interval {limits}{tail})"
        )

    def to_dict(self) -> dict[str, Any]:
        """Plain types for JSON."""
        return {
            "name": self.name,
            "value": self.value,
            "low": self.low,
            "high": self.high,
            "level": self.level,
            "method": self.method,
            "calibration": self.calibration,
            "standard_error": self.standard_error,
            "note": self.note,
        }


@np.errstate(all="ignore")
def interval_of(
    fit: CurveFit,
    asked: Quantity,
    *,
    level: float,
    method: Method,
    calibration: Calibration,
    log: bool | None = None,
    sides: Literal[1, 2] = 2,
) -> Interval:
    """The interval of a quantity; see `CurveFit.interval`."""
    if not 0 < level < 1:
        raise ValueError(f"level is {level:g}; it must lie between 0 and 1")
    if method not in ("profile", "wald"):
        raise ValueError(f'method "{method}" is unknown; known: profile, wald')
    if sides == 1 and level <= 0.5:
        raise ValueError(f"level of a one-sided bound is {level:g}; it must be above 0.5")
    both = level if sides == 2 else 2 * level - 1

    def shown(c: float | None) -> float | None:
        return None if c is None else (math.exp(c) if asked.log else c)

    variance = (
        float(asked.slope @ np.nan_to_num(fit.covariance, nan=np.inf) @ asked.slope)
        if (np.isfinite(asked.slope).all())
        else math.nan
    )
    error = math.sqrt(variance) if math.isfinite(variance) and variance > 0 else math.nan
    value = shown(asked.centre)
    shown_error = (
        None
        if not math.isfinite(error) or value is None
        else (error * value if asked.log else error)
    )
    note = ""
    spoiled = [f for f in ("perfect_fit", "constant_response") if f in fit.flags]
    flat = (
        "no_loss_seen" in fit.flags
        and asked.log
        and asked.centre is not None
        and (asked.centre > asked.reach[1] - 3)
    )
    if value is None:
        note = "the fitted curve never reaches it"
    if flat:
        value, shown_error, note = None, None, "the strips show no loss"
    if spoiled:
        note = "no scatter from which limits could be made"
        low = high = None
    elif fit.residual_freedom <= 0:
        low = high = None
        note = "as many parameters as strips: no scatter is left to judge by"
    elif method == "wald":
        low, high = _wald(asked, error, both, fit, calibration, log)
    else:
        low, high = _profile(fit, asked, error, allowed(both, fit.n, fit.parameters, calibration))
        low, high = shown(low), shown(high)
    if flat:
        high = None
    if sides == 1:
        high = None
    return Interval(
        name=asked.name,
        value=value,
        low=low,
        high=high,
        level=level,
        method=method,
        calibration=calibration
        if method == "profile"
        else ("t" if calibration == "F" else "normal"),
        standard_error=shown_error,
        note=note,
    )


def _wald(
    asked: Quantity, error: float, level: float, fit: CurveFit, calibration: str, log: bool | None
) -> tuple[float | None, float | None]:
    from scipy.special import ndtri, stdtrit

    if asked.centre is None or not math.isfinite(error):
        return None, None
    tail = 0.5 + level / 2
    t = float(ndtri(tail) if calibration == "chi2" else stdtrit(fit.residual_freedom, tail))
    value = math.exp(asked.centre) if asked.log else asked.centre
    on_log = asked.wald_log if log is None else log
    if on_log:
        by = t * (error if asked.log else error / abs(value))
        return value * math.exp(-by), value * math.exp(by)
    by = t * (error * value if asked.log else error)
    return value - by, value + by


def _profile(
    fit: CurveFit, asked: Quantity, error: float, deviance: float
) -> tuple[float | None, float | None]:
    for _ in range(3):
        centre, theta = asked.centre, fit.theta
        if centre is None:
            begun = _where_it_exists(fit, asked, deviance)
            if begun is None:
                return None, None
            centre, theta = begun
        flat = asked.log and centre > asked.reach[1] - 3  # at the limit of no loss
        sides = (-1,) if flat or asked.centre is None else (-1, 1)
        width = (
            error
            if math.isfinite(error) and error > 0
            else (1.0 if asked.log else 0.1 * abs(centre) + 1e-3)
        )
        rate = np.nan_to_num(fit.covariance) @ asked.slope / width**2
        found = profile_limits(
            fit.likelihood,
            fit.theta,
            asked.condition,
            centre,
            width,
            asked.solve_for,
            deviance,
            reach=asked.reach,
            sides=sides,
            begin=theta,
            linear=asked.linear,
            rate=None if asked.centre is None or width != error else rate,
        )
        if found.better is None:
            low, high = found.low, found.high if asked.centre is not None else None
            if asked.log and np.isfinite(asked.reach).all():  # limits at the far end are none
                low = None if low is None or low < asked.reach[0] + 3 else low
                high = None if high is None or high > asked.reach[1] - 3 else high
            return low, high
        likelihood = fit.likelihood
        again = minimise(
            likelihood,
            found.better[None, :],
            lower=likelihood.lower,
            upper=likelihood.upper,
            most=500,
            tolerance=1e-10,
        )
        fit = fit.with_theta(again.theta[0])
        asked = asked.rebuild(fit)
    return None, None


def _where_it_exists(
    fit: CurveFit, asked: Quantity, deviance: float
) -> tuple[float, np.ndarray] | None:
    """A value of a threshold that the best fit never reaches, but that the data allow."""
    from durability.inference.likelihood.starts import shape_grid

    law, mean = fit.law, fit.likelihood.mean
    if not isinstance(law, Law):
        return None
    lit = fit.data.x["dose"].max()
    shapes = shape_grid(law)
    theta = np.repeat(fit.theta[None, :], len(shapes), axis=0)
    for i, s in enumerate(law.shapes):
        for block, place in zip(mean.blocks, mean.places, strict=True):
            if block.name == s.name and (block.lower < block.upper).all():
                theta[:, place] = shapes[:, i : i + 1]
    best = float(fit.likelihood(fit.theta[None, :])[0][0])
    for ahead in (3.0, 1.5, 0.5, 0.0):
        c = math.log(lit) + ahead
        value, found = profile_at(
            fit.likelihood,
            asked.condition,
            np.full(len(theta), c),
            theta,
            np.full(len(theta), asked.solve_for),
            asked.linear,
        )
        at = int(np.argmin(value))
        if 2 * (value[at] - best) < deviance:
            return c, found[at]
    return None


@np.errstate(all="ignore")
def profile_curve(fit: CurveFit, asked: Quantity, *, level: float, points: int) -> xarray.Dataset:
    """Deviance and its signed root at values across the interval; see `CurveFit.profile`."""
    import xarray

    if asked.centre is None:
        raise ValueError(f"{asked.name} does not exist at the best fit; it has no profile")
    variance = float(asked.slope @ np.nan_to_num(fit.covariance) @ asked.slope)
    error = math.sqrt(variance) if variance > 0 else 0.1 * (1 + abs(asked.centre))
    bound = allowed(level, fit.n, fit.parameters, "F")
    ends = profile_limits(
        fit.likelihood,
        fit.theta,
        asked.condition,
        asked.centre,
        error,
        asked.solve_for,
        bound,
        reach=asked.reach,
    )
    low = asked.centre - 4 * error if ends.low is None else ends.low
    high = asked.centre + 4 * error if ends.high is None else ends.high
    best = float(fit.likelihood(fit.theta[None, :])[0][0])
    below = np.linspace(asked.centre, low, points // 2 + 1)
    above = np.linspace(asked.centre, high, points // 2 + 1)
    roots = []
    theta = np.repeat(fit.theta[None, :], 2, axis=0)
    for c in np.column_stack([below, above])[1:]:  # both sides outward, from the last point
        value, theta = profile_at(
            fit.likelihood, asked.condition, c, theta, np.full(2, asked.solve_for), asked.linear
        )
        roots.append(np.sqrt(np.maximum(2 * (value - best), 0.0)))
    z = np.array(roots)
    c = np.concatenate([below[:0:-1], [asked.centre], above[1:]])
    root = np.concatenate([-z[::-1, 0], [0.0], z[:, 1]])
    value = np.exp(c) if asked.log else c
    return xarray.Dataset(
        {"root": ("value", root), "deviance": ("value", root**2)},
        coords={"value": value},
        attrs={"of": asked.name},
    )
