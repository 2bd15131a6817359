"""What do the brackets say? The fit: estimates, quantiles with intervals, curve and ratios."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from durability.inference.crossing.families import family as family_named
from durability.inference.crossing.likelihood import Brackets
from durability.inference.crossing.moments import moment
from durability.inference.crossing.profile import delta, limits

if TYPE_CHECKING:
    import xarray
    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]

Method = Literal["profile", "delta"]
Calibration = Literal["F", "chi2"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CrossingQuantile:
    """The dose at which a share p of units has crossed.

    Parameters
    ----------
    p : share crossed.
    value : the dose [unit of the brackets].
    se_log : standard error of its logarithm (delta method).
    low, high : limits on the log scale, turned back; 0 or inf where the brackets set none.
    level, method, calibration : of the limits.
    """

    p: float
    value: float
    se_log: float
    low: float
    high: float
    level: float
    method: Method
    calibration: Calibration

    @property
    def log_value(self) -> float:
        """Logarithm of the dose."""
        return math.log(self.value)

    def __repr__(self) -> str:
        return (
            f"CrossingQuantile({100 * self.p:g} % crossed at {self.value:.5g},"
            f" {100 * self.level:g} % {self.method} interval {self.low:.5g} to {self.high:.5g})"
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CrossingFit:
    """Bracketed crossings under one family of distributions.

    Parameters
    ----------
    family : its name.
    names : of the coefficients of log dose, the intercept first.
    theta : coefficients, then log scale, then the shape of a generalised gamma.
    covariance : of theta, from the second derivatives of the likelihood.
    log_likelihood : on the scale of dose.
    data : the brackets as fitted.
    low, high : (unit,) as given.
    counts : exact, bracketed, held (not crossed yet) and crossed (before the first look).
    level : default level of intervals.
    started_by : ``lifelines`` or ``own``.
    start_log_likelihood : where lifelines stopped; None where it was not used.
    steps : of Newton's method from there.
    """

    family: str
    names: tuple[str, ...]
    theta: Floats
    covariance: Floats
    log_likelihood: float
    data: Brackets
    low: Floats
    high: Floats
    counts: dict[str, float]
    level: float
    started_by: str
    start_log_likelihood: float | None
    steps: int

    @property
    def coefficients(self) -> dict[str, float]:
        """Coefficients of log dose by name."""
        return dict(zip(self.names, self.theta[: len(self.names)].tolist(), strict=True))

    @property
    def scale(self) -> float:
        """Scale of log dose; 1 for the exponential."""
        return 1.0 if family_named(self.family).fixed_scale else float(np.exp(self.theta[self._k]))

    @property
    def shape(self) -> float | None:
        """Shape λ of the generalised gamma; None for the others."""
        return float(self.theta[-1]) if family_named(self.family).has_shape else None

    @property
    def standard_errors(self) -> dict[str, float]:
        """Of the coefficients, of ``log_scale`` and of ``shape`` where there are such."""
        chosen = family_named(self.family)
        names = [*self.names]
        names += [] if chosen.fixed_scale else ["log_scale"]
        names += ["shape"] if chosen.has_shape else []
        return dict(zip(names, np.sqrt(np.diag(self.covariance)).tolist(), strict=True))

    @property
    def natural(self) -> dict[str, float]:
        """The estimates under the names of the family's textbook form.

        Without covariates: scale and shape (Weibull), median and sigma of log dose (lognormal),
        median and shape (log-logistic), mean (exponential). With covariates, and for the
        generalised gamma: the coefficients and the scale of log dose.
        """
        start = math.exp(self.theta[0])
        if self._k == 1 and self.shape is None:
            return {
                "weibull": {"scale": start, "shape": 1 / self.scale},
                "lognormal": {"median": start, "sigma": self.scale},
                "loglogistic": {"median": start, "shape": 1 / self.scale},
                "exponential": {"mean": start},
            }[self.family]
        shape = {} if self.shape is None else {"shape": self.shape}
        return {**self.coefficients, "scale": self.scale, **shape}

    @property
    def n(self) -> float:
        """Units, by their counts."""
        return float(self.data.weight.sum())

    @property
    def aic(self) -> float:
        """Akaike's criterion: 2 · parameters - 2 · log likelihood."""
        return 2 * self.theta.size - 2 * self.log_likelihood

    @property
    def _k(self) -> int:
        return len(self.names)

    def _row(self, at: Mapping[str, float] | None) -> Floats:
        given = dict(at or {})
        wanted = self.names[1:]
        wrong = [n for n in given if n not in wanted] + [n for n in wanted if n not in given]
        if wrong:
            raise ValueError(
                f"at names {', '.join(given) or 'nothing'}; expected {', '.join(wanted) or 'none'}"
            )
        return np.array([1.0, *(float(given[n]) for n in wanted)])

    def _critical(self, level: float, calibration: Calibration) -> float:
        from scipy.special import chdtri, fdtri

        if calibration == "chi2":
            return float(chdtri(1, 1 - level))
        if calibration != "F":
            raise ValueError(f'calibration "{calibration}" is unknown; known: F, chi2')
        return float(fdtri(1, max(self.n - self.theta.size, 1.0), level))

    def quantile(
        self,
        p: float,
        *,
        at: Mapping[str, float] | None = None,
        level: float | None = None,
        method: Method = "profile",
        calibration: Calibration = "F",
    ) -> CrossingQuantile:
        """The dose at which a share p of units has crossed, with an interval on the log scale.

        Parameters
        ----------
        p : between 0 and 1; 0.5 is the median unit.
        at : value of each covariate.
        level : of the interval.
        method : ``profile`` likelihood, which keeps asymmetry, or ``delta``: estimate and standard
            error.
        calibration : ``F`` with 1 and units - parameters degrees of freedom, which widens for few
            units; ``chi2`` the large-sample form.

        Raises
        ------
        ValueError : p outside 0 to 1, covariates missing or unknown.
        """
        if not 0 < p < 1:
            raise ValueError(f"p is {p}; it must lie between 0 and 1")
        level = self.level if level is None else level
        chosen, x = family_named(self.family), self._row(at)
        value, se = delta(chosen, self.theta, self.covariance, x, p)
        critical = self._critical(level, calibration)
        if method == "delta":
            low, high = value - se * math.sqrt(critical), value + se * math.sqrt(critical)
        elif method == "profile":
            low, high = limits(chosen, self.data, self.theta, self.covariance, x, p, critical)
        else:
            raise ValueError(f'method "{method}" is unknown; known: profile, delta')
        return CrossingQuantile(
            p=p, value=math.exp(value), se_log=se, low=_exp(low), high=_exp(high),
            level=level, method=method, calibration=calibration,
        )  # fmt: skip

    def new_unit(
        self, *, at: Mapping[str, float] | None = None, level: float | None = None
    ) -> tuple[float, float]:
        """Limits between which one more unit crosses: scatter of units and error of estimates.

        The distribution of the unit is averaged over the normal approximation of location and
        log scale (Gauss-Hermite, 25 by 25); the shape of a generalised gamma is held.

        Returns
        -------
        (low, high) : prediction limits [unit of dose].
        """
        from scipy.optimize import brentq

        level = self.level if level is None else level
        chosen, x = family_named(self.family), self._row(at)
        jacobian = np.zeros((2, self.theta.size))
        jacobian[0, : self._k] = x
        if not chosen.fixed_scale:
            jacobian[1, self._k] = 1.0
        spread = jacobian @ self.covariance @ jacobian.T
        nodes, weights = np.polynomial.hermite_e.hermegauss(25)
        z = np.stack(np.meshgrid(nodes, nodes), -1).reshape(-1, 2)
        mass = np.outer(weights, weights).ravel()
        mass = mass / mass.sum()
        values, vectors = np.linalg.eigh(spread)
        root = vectors * np.sqrt(np.maximum(values, 0))
        centre = np.array([x @ self.theta[: self._k], math.log(self.scale)])
        place = centre + z @ root.T
        standard = chosen.standard(self.shape or 0.0)

        def crossed(c: float) -> float:
            w = (c - place[:, 0]) / np.exp(place[:, 1])
            return float(mass @ np.exp(standard.log_distribution(w)))

        found = []
        for p in (0.5 - level / 2, 0.5 + level / 2):
            step = 4 * self.scale + 4 * math.sqrt(spread[0, 0])
            low = high = float(centre[0])
            while crossed(low) > p:
                low -= step
            while crossed(high) < p:
                high += step
            root: Any = brentq(lambda c, p=p: crossed(c) - p, low, high)
            found.append(_exp(float(root)))
        return found[0], found[1]

    def holding(
        self,
        doses: ArrayLike,
        *,
        at: Mapping[str, float] | None = None,
        level: float | None = None,
    ) -> xarray.Dataset:
        """The share of units that still hold at each dose, with a pointwise band.

        Parameters
        ----------
        doses : (dose,) above 0.
        at, level : as in `quantile`. The band is of the delta method, on the logit of the share.

        Returns
        -------
        Dataset along ``dose``: holding, low, high [1].
        """
        import xarray

        level = self.level if level is None else level
        chosen, x = family_named(self.family), self._row(at)
        dose = np.atleast_1d(np.asarray(doses, dtype=float))
        if not (dose > 0).all():
            raise ValueError("doses of a curve must lie above 0")
        log_dose = np.log(dose)

        def logit(theta: Floats) -> Floats:
            scale = 1.0 if chosen.fixed_scale else np.exp(theta[self._k])
            w = (log_dose - x @ theta[: self._k]) / scale
            standard = chosen.standard(theta[-1] if chosen.has_shape else 0.0)
            return standard.log_survival(w) - standard.log_distribution(w)

        steps = 1e-5 * np.maximum(1.0, np.abs(self.theta))
        slopes = np.stack(
            [
                (logit(self.theta + h * e) - logit(self.theta - h * e)) / (2 * h)
                for h, e in zip(steps, np.eye(self.theta.size), strict=True)
            ]
        )
        middle = logit(self.theta)
        se = np.sqrt(np.einsum("id,ij,jd->d", slopes, self.covariance, slopes))
        half = math.sqrt(self._critical(level, "F")) * se

        def share(z: Floats) -> Floats:
            return 1 / (1 + np.exp(-np.clip(z, -700, 700)))

        found = {
            "holding": share(middle),
            "low": share(middle - half),
            "high": share(middle + half),
        }
        return xarray.Dataset(
            {name: ("dose", values) for name, values in found.items()},
            coords={"dose": dose},
            attrs={"family": self.family, "level": level},
        )

    def ratio(
        self,
        at: Mapping[str, float],
        to: Mapping[str, float],
        *,
        level: float | None = None,
        calibration: Calibration = "F",
    ) -> tuple[float, float, float]:
        """How many times the crossing dose `at` some covariates is that at others: (value, low,
        high), the same at every quantile since the scale is shared (delta method, log scale).
        """
        level = self.level if level is None else level
        x = self._row(at) - self._row(to)
        value = float(x @ self.theta[: self._k])
        se = math.sqrt(max(float(x @ self.covariance[: self._k, : self._k] @ x), 0.0))
        half = se * math.sqrt(self._critical(level, calibration))
        return math.exp(value), math.exp(value - half), math.exp(value + half)

    def moments(self, *, at: Mapping[str, float] | None = None) -> tuple[float, float]:
        """Mean and standard deviation of crossing dose [unit of dose]; inf where there is none."""
        start = float(self._row(at) @ self.theta[: self._k])
        first, second = (moment(self.family, self.scale, self.shape, r) for r in (1, 2))
        mean = math.exp(start) * first
        if not math.isfinite(second):
            return mean, math.inf
        return mean, math.exp(start) * math.sqrt(max(second - first**2, 0.0))

    def rows(self) -> list[tuple[str, str]]:
        """(label, text) pairs that both reprs show."""
        se = self.standard_errors
        told = "; ".join(f"{n:g} {k}" for k, n in self.counts.items() if n)
        rows = [("family", self.family), ("units", f"{self.n:g}: {told}")]
        rows += [(n, f"{b:.6g} (se {se[n]:.3g})") for n, b in self.coefficients.items()]
        if "log_scale" in se:
            rows.append(("scale", f"{self.scale:.6g} (se of its log {se['log_scale']:.3g})"))
        if self.shape is not None:
            rows.append(("shape", f"{self.shape:.6g} (se {se['shape']:.3g})"))
        if self._k == 1 and self.shape is None:
            rows.append(("that is", ", ".join(f"{k} {v:.6g}" for k, v in self.natural.items())))
        rows.append(("likelihood", f"log {self.log_likelihood:.6f}, AIC {self.aic:.3f}"))
        word = f"started by {self.started_by}"
        if self.start_log_likelihood is not None:
            short = max(self.log_likelihood - self.start_log_likelihood, 0.0)
            word = f"lifelines, {short:.1g} short in log likelihood; {self.steps} Newton steps"
        return [*rows, ("made by", word)]

    def __repr__(self) -> str:
        width = max(len(a) for a, _ in self.rows())
        return "CrossingFit\n" + "\n".join(f"  {a:<{width}} {b}" for a, b in self.rows())

    def _repr_html_(self) -> str:
        import html

        body = "".join(
            f"<tr><th>{html.escape(a)}</th><td>{html.escape(b)}</td></tr>" for a, b in self.rows()
        )
        return f"<table>{body}</table>"

    def to_dict(self) -> dict[str, Any]:
        """The fit as plain types for JSON."""
        return {
            "family": self.family,
            "natural": self.natural,
            "coefficients": self.coefficients,
            "scale": self.scale,
            "shape": self.shape,
            "standard_errors": self.standard_errors,
            "log_likelihood": self.log_likelihood,
            "aic": self.aic,
            "units": self.counts,
        }


def _exp(x: float) -> float:
    return math.inf if x > 700 else math.exp(x)
