"""What does a likelihood fit say? Estimates, intervals, thresholds and checks of one fit."""

from __future__ import annotations

import html
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from durability.inference.likelihood.data import Strips
from durability.inference.likelihood.errors import Likelihood
from durability.inference.likelihood.flags import at_bounds
from durability.inference.likelihood.interval import Interval, Method
from durability.inference.likelihood.profile import Calibration
from durability.laws import Curve, Law

if TYPE_CHECKING:
    import xarray

    from durability.inference.likelihood.bootstrap import Bootstrap
    from durability.inference.likelihood.checks import CrossValidation, LackOfFit, Residuals

What = str | Callable[[Mapping[str, float]], float]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CurveFit:
    """A law or free curve fitted by maximum likelihood.

    Parameters
    ----------
    law : what was fitted.
    likelihood : the objective; data : what it was given.
    theta : (p,) the estimates on the scale of estimation (logs of positive parameters).
    estimates : parameter -> value.
    standard_errors : parameter -> standard error of the value, nan where there is none. Made with
        the residual spread on N - p degrees of freedom.
    covariance : (p, p) of theta, with that spread; nan where the data cannot tell.
    sigma : residual spread on N - p degrees of freedom; for lognormal errors of the log.
    residual_squares : weighted residual sum of squares; nan where it is not what is minimised.
    log_likelihood : of the strengths themselves, whatever the errors, at the maximum-likelihood
        spread.
    flags : see `durability.inference.likelihood.EXPLANATIONS`.
    agreement : searches that ended at this answer.
    """

    law: Law | Curve
    likelihood: Likelihood
    data: Strips
    theta: np.ndarray
    estimates: dict[str, float]
    standard_errors: dict[str, float]
    covariance: np.ndarray
    sigma: float
    residual_squares: float
    log_likelihood: float
    flags: tuple[str, ...]
    agreement: int
    separate: tuple[str, ...] | None = None

    @classmethod
    def of(
        cls,
        *,
        law: Law | Curve,
        likelihood: Likelihood,
        strips: Strips,
        theta: np.ndarray,
        flags: Sequence[str],
        agreement: int,
        separate: Sequence[str] | None,
    ) -> CurveFit:
        """The result at the best theta; see `fit_curve`."""
        from durability.inference.likelihood.covariance import covariance_of

        n, mean = likelihood.rows.n, likelihood.mean
        p = int(likelihood.free[: mean.size].sum())
        freedom = n - p
        found, flags = list(flags), list(flags)
        squares = float(likelihood.squares(theta[None, :])[0]) if likelihood.simple else math.nan
        value = float(likelihood(theta[None, :])[0][0])
        if likelihood.simple:
            sigma = math.sqrt(squares / freedom) if freedom > 0 else math.nan
            log_likelihood = -value - 0.5 * n * (math.log(2 * math.pi / n) + 1)
        else:
            sigma = math.exp(theta[mean.size])
            log_likelihood = -value
        covariance, lost = covariance_of(likelihood, theta)
        rows = likelihood.rows
        seen = rows.mean[rows.censored == 0]
        middle = float(np.average(seen, weights=rows.count[rows.censored == 0]))
        whole = float(
            (rows.count * (rows.mean - middle) ** 2 + rows.squares)[rows.censored == 0].sum()
        )
        if whole <= 1e-24 * n * max(middle**2, 1e-300):
            found.append("constant_response")
        elif likelihood.simple and squares <= 1e-22 * whole:
            found.append("perfect_fit")
        if lost:
            found.append("not_identified")
        found += at_bounds(law, likelihood, theta)
        if isinstance(law, Law) and not (strips.x["dose"] == 0).any():
            found.append("relative_to_fitted_start")
        natural = likelihood.natural(theta)
        slope = np.where(likelihood.is_log, natural, 1.0)
        with np.errstate(invalid="ignore"):
            errors = np.sqrt(np.diag(covariance)) * slope
        names = likelihood.names
        return cls(
            law=law,
            likelihood=likelihood,
            data=strips,
            theta=theta,
            estimates=dict(zip(names, natural.tolist(), strict=True)),
            standard_errors=dict(zip(names, errors.tolist(), strict=True)),
            covariance=covariance,
            sigma=sigma,
            residual_squares=squares,
            log_likelihood=log_likelihood + likelihood.constant,
            flags=tuple(dict.fromkeys(found)),
            agreement=agreement,
            separate=None if separate is None else tuple(separate),
        )

    # -- sizes and criteria

    @property
    def n(self) -> float:
        """Strips that carry information."""
        return self.likelihood.rows.n

    @property
    def parameters(self) -> int:
        """Estimated parameters of the mean."""
        return int(self.likelihood.free[: self.likelihood.mean.size].sum())

    @property
    def residual_freedom(self) -> float:
        """N - p."""
        return self.n - self.parameters

    @property
    def counted(self) -> int:
        """Parameters that the criteria count: those of the mean, and of the spread."""
        return self.parameters + (2 if self.likelihood.errors == "power" else 1)

    @property
    def aic(self) -> float:
        """-2 log-likelihood + 2 k."""
        return -2 * self.log_likelihood + 2 * self.counted

    @property
    def aicc(self) -> float:
        """AIC with the small-sample term; inf where there are too few strips for it."""
        k, n = self.counted, self.n
        return self.aic + 2 * k * (k + 1) / (n - k - 1) if n > k + 1 else math.inf

    @property
    def bic(self) -> float:
        """-2 log-likelihood + k log N."""
        return -2 * self.log_likelihood + self.counted * math.log(self.n)

    # -- intervals

    def interval(
        self,
        what: What,
        *,
        level: float = 0.95,
        method: Method = "profile",
        calibration: Calibration = "F",
        log: bool | None = None,
    ) -> Interval:
        """Interval of a parameter, or of any function of the parameters.

        Parameters
        ----------
        what : a parameter's name, or a function of the mapping parameter -> value.
        level : of the two-sided interval.
        method : ``"profile"`` (exact roots of the profile likelihood) or ``"wald"``.
        calibration : ``"F"`` for few strips (t for Wald) or ``"chi2"`` (normal).
        log : make the Wald interval on the log scale; True where the parameter is positive.
        """
        from durability.inference.likelihood.interval import interval_of
        from durability.inference.likelihood.quantity import quantity

        return interval_of(
            self, quantity(self, what), level=level, method=method, calibration=calibration, log=log
        )

    def intervals(
        self, *, level: float = 0.95, method: Method = "profile", calibration: Calibration = "F"
    ) -> list[Interval]:
        """Intervals of every estimated parameter."""
        names = [
            n for n, free in zip(self.likelihood.names, self.likelihood.free, strict=True) if free
        ]
        return [
            self.interval(n, level=level, method=method, calibration=calibration) for n in names
        ]

    def threshold_dose(
        self,
        fraction: float | None = None,
        *,
        level_left: float | None = None,
        group: str | None = None,
        predictor: str | None = None,
        at: Mapping[str, float] | None = None,
        level: float = 0.95,
        sides: Literal[1, 2] = 2,
        method: Method = "profile",
        calibration: Calibration = "F",
        log: bool | None = None,
    ) -> Interval:
        """Dose at which a fraction, or an absolute level, is left.

        Parameters
        ----------
        fraction : of the unexposed strength (a law only); 0.5 where neither is given.
        level_left : absolute value of the response that is asked about.
        group : whose; needed where groups have parameters of their own.
        predictor : of a free curve: along which the crossing is sought; `at` holds the others.
        level : of the interval, or of the one-sided lower bound where ``sides=1``.
        method, calibration, log : as in `interval`; Wald limits are on the log scale of dose for a
            law, on the scale of the predictor for a free curve.

        Returns
        -------
        Interval; value None where the threshold is never reached.

        Examples
        --------
        >>> from durability.inference.likelihood import fit_curve
        >>> dose = np.repeat([0.0, 100, 200, 400], 3)
        >>> strength = 20 * np.exp(-dose / 300) * np.tile([0.95, 1.0, 1.05], 4)
        >>> fit_curve("exponential", dose, strength).threshold_dose(0.5)
        threshold dose at 50 % 207.944 (95 % profile confidence interval 196.47 to 220.842)
        """
        from durability.inference.likelihood.interval import interval_of
        from durability.inference.likelihood.quantity import crossing, threshold

        if isinstance(self.law, Law) and level_left is None:
            made = threshold(self, 0.5 if fraction is None else fraction, group)
        else:
            if level_left is None:
                raise ValueError("a free curve needs level_left=, the value that is asked about")
            made = crossing(self, level_left, group=group, predictor=predictor, at=at)
        return interval_of(
            self, made, level=level, method=method, calibration=calibration, log=log, sides=sides
        )

    def profile(self, what: What, *, level: float = 0.99, points: int = 41) -> xarray.Dataset:
        """Deviance along a parameter or function: ``deviance`` and ``root`` over ``value``."""
        from durability.inference.likelihood.interval import profile_curve
        from durability.inference.likelihood.quantity import quantity

        return profile_curve(self, quantity(self, what), level=level, points=points)

    # -- curves

    def predict(
        self, x: Any, *, group: str | None = None, at: Mapping[str, float] | None = None
    ) -> np.ndarray:
        """Expected strength (median, for lognormal errors) at doses or predictor values (n,)."""
        from durability.inference.likelihood.quantity import mean_at

        mean = mean_at(self, x, group=group, at=at)
        value = mean.evaluate(self.theta[None, : mean.size])[0]
        return np.exp(value) if mean.log else value

    def retained(self, dose: Any, *, group: str | None = None) -> np.ndarray:
        """Retained fraction at doses (n,) of a law."""
        return self.predict(dose, group=group) / self.predict(np.zeros(1), group=group)[0]

    # -- checks

    def lack_of_fit(self) -> LackOfFit:
        """Does the law miss the group means by more than the scatter of strips explains?"""
        from durability.inference.likelihood.checks import lack_of_fit

        return lack_of_fit(self)

    def residuals(self) -> Residuals:
        """Standardised residuals, leverage and influence of every row."""
        from durability.inference.likelihood.checks import residuals

        return residuals(self)

    @property
    def leverage(self) -> np.ndarray:
        """(n_row,) share of each row's mean in its own fitted value."""
        return self.residuals().leverage

    def cross_validation(self) -> CrossValidation:
        """Predict each dose from the others."""
        from durability.inference.likelihood.checks import cross_validation

        return cross_validation(self)

    def bootstrap(
        self,
        *,
        draws: int = 2000,
        kind: Literal["parametric", "case"] = "parametric",
        seed: int = 0,
    ) -> Bootstrap:
        """Refit `draws` simulated or resampled data sets."""
        from durability.inference.likelihood.bootstrap import bootstrap

        return bootstrap(self, draws=draws, kind=kind, seed=seed)

    def figure(self) -> Any:
        """One figure: strips, curve, band, threshold and residuals."""
        from importlib import import_module

        return import_module("durability.report.curve_figure").curve_figure(self)

    # -- shown

    def table(self, level: float = 0.95) -> list[tuple[str, ...]]:
        """(parameter, estimate, standard error, limits) that both reprs show."""
        rows = []
        for name, free in zip(self.likelihood.names, self.likelihood.free, strict=True):
            if not free:
                rows.append((name, f"{self.estimates[name]:.6g}", "held", ""))
                continue
            error = self.standard_errors[name]
            wald = self.interval(name, level=level, method="wald")
            limits = (
                ""
                if wald.low is None or wald.high is None
                else (f"{wald.low:.5g} to {wald.high:.5g}")
            )
            shown = f"{error:.3g}" if math.isfinite(error) else "none"
            rows.append((name, f"{self.estimates[name]:.6g}", shown, limits))
        return rows

    def summary_rows(self) -> list[tuple[str, str]]:
        """(label, text) pairs that both reprs show."""
        errors = self.likelihood.errors
        return [
            ("law", f"{self.law.name}: {self.law.expression}"),
            (
                "errors",
                f"{errors}, sigma {self.sigma:.4g}"
                + (" of the log" if errors == "lognormal" else ""),
            ),
            ("strips", f"{self.n:g} in {len(np.unique(self.data.place))} doses and groups"),
            (
                "fit",
                f"log-likelihood {self.log_likelihood:.6g}, AICc {self.aicc:.6g},"
                f" BIC {self.bic:.6g}",
            ),
            ("flags", ", ".join(self.flags) or "none"),
        ]

    def __repr__(self) -> str:
        head = "\n".join(f"  {a:<7} {b}" for a, b in self.summary_rows())
        rows = [("parameter", "estimate", "std error", "95 % Wald"), *self.table()]
        widths = [max(len(r[i]) for r in rows) for i in range(4)]
        body = "\n".join(
            "  " + "  ".join(c.ljust(w) for c, w in zip(r, widths, strict=True)).rstrip()
            for r in rows
        )
        return f"CurveFit\n{head}\n{body}"

    def _repr_html_(self) -> str:
        def row(cells: Sequence[str], tag: str = "td") -> str:
            return "<tr>" + "".join(f"<{tag}>{html.escape(c)}</{tag}>" for c in cells) + "</tr>"

        top = "".join(row(r) for r in self.summary_rows())
        body = row(("parameter", "estimate", "std error", "95 % Wald"), "th")
        return (
            f"<table>{top}</table><table>{body}"
            + "".join(row(r) for r in self.table())
            + "</table>"
        )

    def with_theta(self, theta: np.ndarray) -> CurveFit:
        """The same fit at another theta (a better optimum found while profiling)."""
        return CurveFit.of(
            law=self.law,
            likelihood=self.likelihood,
            strips=self.data,
            theta=theta,
            flags=[f for f in self.flags if f in ("shape_held", "not_converged")],
            agreement=self.agreement,
            separate=self.separate,
        )
