"""What does more stabiliser bring? The effect of a covariate over the packages that differ in it.

For each draw a line is laid by least squares through the packages' log threshold doses, on the log
of the covariate where it is above 0 everywhere, else on the covariate itself. The slope is that of
the packages tested, with the error of their threshold doses; it is no promise that the covariate
alone did it, since packages may differ in more than one thing. Where the fit itself has the
covariate in its model, its coefficient is told instead: that of packages of the kind, which scatter
about the line. A package of which only a bound is known then no longer checks the line, but its
strips have had their say in the coefficient.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from durability.decisions.compare import one_package

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from durability.translation import ThresholdPosterior


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadingEffect:
    """What a covariate does to the threshold dose, over the packages tested.

    Parameters
    ----------
    covariate : its name in study.toml.
    values : material to its value, canonical unit.
    doubling : True where `factor` is that of doubling the covariate; False where it is that of
        going from the least value to the greatest.
    factor, low, high : multiplies the threshold dose; median and interval.
    level : probability carried by the interval.
    raises : probability that the factor is above 1.
    departs : largest factor by which a package lies off the line (median over draws); None with
        two values, through which any line passes, packages with a bound alone not counted.
    farthest : that package, or None.
    modelled : True where the effect is the fit's own coefficient, about which packages scatter.
    """

    covariate: str
    values: dict[str, float]
    doubling: bool
    factor: float
    low: float
    high: float
    level: float
    raises: float
    departs: float | None
    farthest: str | None
    modelled: bool = False

    def sentence(self) -> str:
        """The effect in one sentence."""
        what = (
            f"Doubling the {self.covariate}"
            if self.doubling
            else f"The greatest {self.covariate} against the least"
        )
        text = (
            f"{what} multiplies the threshold dose by {self.factor:.3g}"
            f" ({100 * self.level:g} % credible interval {self.low:.3g} to {self.high:.3g})"
            + (
                f" for packages like the {len(self.values)} tested"
                if self.modelled
                else f" over the {len(self.values)} packages tested"
            )
        )
        if self.departs is None and len(set(self.values.values())) > 2:
            return text + "; too few packages have more than a bound, so nothing checks the line."
        if self.departs is None:
            return text + "; two values only, so nothing checks the line."
        if self.departs < 1.01:
            return text + "; every package lies on that line within 1 %."
        return text + f"; {self.farthest} lies off that line by a factor of {self.departs:.2f}."

    def to_dict(self) -> dict[str, Any]:
        """Plain types for JSON."""
        return {name: getattr(self, name) for name in self.__slots__} | {
            "values": dict(self.values),
            "sentence": self.sentence(),
        }


def loading_effects(
    fit: ThresholdPosterior,
    materials: Sequence[str],
    directions: dict[str, tuple[str, ...]],
    exposure: str,
    fraction: float | None,
    *,
    level: float,
) -> tuple[LoadingEffect, ...]:
    """The effect of every covariate that at least two packages give and that differs.

    Parameters
    ----------
    fit : the fit.
    materials, directions, exposure, fraction : packages compared; the median lot in the worse
        direction counts.
    level : of the intervals.
    """
    import numpy as np

    found = []
    names = dict.fromkeys(n for m in materials for n in fit.study.materials[m].covariates)
    for name in names:
        given = {
            m: fit.study.materials[m].covariates[name]
            for m in materials
            if name in fit.study.materials[m].covariates
        }
        if len(set(given.values())) < 2:
            continue
        sides = [one_package(fit, m, directions[m], exposure, "mean", fraction) for m in given]
        modelled = _of_model(fit, name, given)
        told = [i for i, side in enumerate(sides) if side.bound is None]
        if modelled is None and len(told) < len(sides):
            continue
        log_tau = np.log(np.stack([side.tau for side in sides], axis=1))
        if np.isfinite(log_tau[:, told]).all():
            found.append(_effect(name, given, log_tau, told, level, modelled))
    return tuple(found)


def _of_model(
    fit: ThresholdPosterior, name: str, given: dict[str, float]
) -> NDArray[np.float64] | None:
    """Draws of the log factor by the fit's own coefficient of a covariate, if it has one.

    The coefficient of a logarithm is a power; that of a line is of the relative departure from the
    mean (`durability.inference.covariates.terms`).
    """
    import numpy as np

    posterior = getattr(fit, "posterior", {})
    if f"covariate[{name}, bend 1]" in posterior:
        return None  # a curve: its straight part alone is not the effect
    x = np.array(list(given.values()))
    name = name.replace("/", "_")  # as columns are labelled
    for label, change in (
        (f"covariate[log {name}]", np.log(2.0) if (x > 0).all() else None),
        (f"covariate[{name}]", np.ptp(x) / np.abs(x).mean() if not (x > 0).all() else None),
    ):
        if label in posterior and change is not None:
            return posterior[label].values.ravel() * change
    if f"covariate[{name}]" in posterior:  # a line, told as doubling about the geometric mean
        middle = np.exp(np.log(x).mean())
        slope = posterior[f"covariate[{name}]"].values.ravel() / np.abs(x).mean()
        return slope * middle * (np.sqrt(2.0) - np.sqrt(0.5))
    return None


def _effect(
    name: str,
    given: dict[str, float],
    log_tau: NDArray[np.float64],
    told: list[int],
    level: float,
    modelled: NDArray[np.float64] | None,
) -> LoadingEffect:
    import numpy as np

    x = np.array(list(given.values()))
    doubling = bool((x > 0).all())
    x = np.log2(x) if doubling else (x - x.min()) / np.ptp(x)
    several = np.unique(x[told]).size > 2
    names = [list(given)[i] for i in told]
    middle, slope = np.zeros(0), modelled
    if several or modelled is None:
        centred, log_tau = x[told] - x[told].mean(), log_tau[:, told]
        line = log_tau @ centred / (centred @ centred)
        slope = line if modelled is None else modelled
        off = log_tau - log_tau.mean(axis=1, keepdims=True) - line[:, None] * centred
        middle = np.median(off, axis=0)
    far = int(np.abs(middle).argmax()) if middle.size else 0
    tail = (1 - level) / 2
    low, factor, high = np.exp(np.quantile(np.asarray(slope), [tail, 0.5, 1 - tail]))
    return LoadingEffect(
        covariate=name,
        values=dict(given),
        doubling=doubling,
        factor=float(factor),
        low=float(low),
        high=float(high),
        level=level,
        raises=float((np.asarray(slope) > 0).mean()),
        departs=float(np.exp(np.abs(middle[far]))) if several else None,
        farthest=names[far] if several else None,
        modelled=modelled is not None,
    )


__all__ = ["LoadingEffect", "loading_effects"]
