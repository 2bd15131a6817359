"""What makes the days uncertain, alone and with all else, and what should be measured next?

The total share of an input is what would stay of the variance of log days if all other inputs were
known: half the mean square of the change when that input alone is redrawn, over the variance
(Jansen 1999, Computer Physics Communications 117:35; from memory). It is redrawn by exchanging its
draws among the draws, which keeps its own distribution; where a posterior ties inputs together the
tie is cut, and the totals may then add up to less than the first-order shares of
`durability.translation.budget`. With independent inputs total is at least first order.

Knowing an input exactly would leave the variance less its first-order share on average; that is
the best that measuring it can do.
"""

from __future__ import annotations

import html
import math
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from durability.translation.budget import INPUTS, variance_shares
from durability.translation.groups import grouped, ungrouped
from durability.translation.inputs import stream
from durability.translation.reading import SkyClock
from durability.translation.worst_laying import worst_laying

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from durability.exposure import Site
    from durability.statement import Subject
    from durability.translation.lamp import ThresholdPosterior

MOST_DRAWS = 2000
REMEDIES: dict[str, str] = {
    "threshold_dose": "break more strips near the threshold dose",
    "lots": "test more lots, for what differs between lots cannot be known from few",
    "reciprocity_exponent": "expose the same lots at a second irradiance",
    "activation_energy": "expose the same lots at a second temperature",
    "lamp_dose": "calibrate the lamp's sensor against a reference",
    "lamp_temperature": "measure the temperature of a strip in the chamber",
    "uv_model": "measure ultraviolet at the site, or give its measured yearly total",
    "cloud_power": "measure ultraviolet at the site through cloudy weeks",
    "spectrum": "measure the spectrum of the lamp, and expose strips behind two cut-off filters",
    "air_temperature": "give hourly weather of the site, or measure its air",
    "specimen_temperature": "measure the temperature of the fabric at the site",
    "moisture": "expose the same lots under the lamp with spray and without",
    "lab_to_sky": "hang strips of the same lots outdoors and break them at known days",
}
"""Input to what would tell more of it; what no measurement can settle is not here."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MeasureNext:
    """Variance shares of the days of one subject in its worst month, and what to measure.

    Parameters
    ----------
    site, title, material, direction, of, fraction, month : the subject.
    first, total : input to its first-order and total share, 0 to 1.
    variance : of log days.
    level : of the interval.
    left_out : share of draws that never get there, which the shares leave out.
    """

    site: str
    title: str
    material: str
    direction: str
    of: str
    fraction: float | None
    month: int
    first: dict[str, float]
    total: dict[str, float]
    variance: float
    level: float
    left_out: float

    def factor(self, without: str | None = None) -> float:
        """Half-width of the interval of days as a factor, with one input known exactly."""
        from scipy.special import ndtri

        left = 1.0 - (self.first[without] if without else 0.0)
        return math.exp(ndtri((1 + self.level) / 2) * math.sqrt(self.variance * max(left, 0.0)))

    def order(self) -> list[str]:
        """Inputs by first-order share, largest first."""
        return sorted(self.first, key=lambda name: -self.first[name])

    def best(self) -> str | None:
        """The input with the largest share that a measurement can tell more of."""
        return next((name for name in self.order() if name in REMEDIES), None)

    def sentence(self) -> str:
        """What to measure next, and what the interval would become at best."""
        name = self.best()
        if name is None:
            return "Nothing that can be measured makes these days uncertain."
        return (
            f"To know the days of {self.material} at {self.title} better, first {REMEDIES[name]}: "
            f"{INPUTS[name]} makes {100 * self.first[name]:.0f} % of the variance. The "
            f"{100 * self.level:g} % interval is a factor of {self.factor():#.2g} either way and "
            f"would be {self.factor(name):.2g} at best, if it were known exactly."
        )

    def rows(self) -> list[tuple[str, str, str, str]]:
        """(input in words, first-order share, total share, factor if known), largest first."""
        return [
            (INPUTS.get(n, n), f"{100 * self.first[n]:.0f} %", f"{100 * self.total[n]:.0f} %",
             f"{self.factor(n):.2f}")
            for n in self.order()
        ]  # fmt: skip

    def to_dict(self) -> dict[str, Any]:
        """Plain types for JSON."""
        return {
            "site": self.site, "material": self.material, "direction": self.direction or None,
            "of": self.of, "fraction": self.fraction, "month": self.month, "level": self.level,
            "variance_of_log_days": self.variance, "left_out": self.left_out,
            "factor": self.factor(), "measure_next": self.best(), "sentence": self.sentence(),
            "shares": [
                {"input": n, "means": INPUTS.get(n, n), "first_order": self.first[n],
                 "total": self.total[n], "factor_if_known": self.factor(n)}
                for n in self.order()
            ],
        }  # fmt: skip

    def __repr__(self) -> str:
        rows = "\n".join("  " + "  ".join(row) for row in self.rows())
        return f"MeasureNext\n{rows}\n  {self.sentence()}"

    def _repr_html_(self) -> str:
        body = "".join(
            "<tr>" + "".join(f"<td>{html.escape(c)}</td>" for c in row) + "</tr>"
            for row in self.rows()
        )
        return f"<table>{body}</table><p>{html.escape(self.sentence())}</p>"


def measure_next(
    fit: ThresholdPosterior,
    *,
    site: str | Path | Site,
    material: str | None = None,
    direction: str | None = None,
    of: Subject | None = None,
    fraction: float | None = None,
    laying: str | None = None,
    level: float | None = None,
    exposure: str | None = None,
    tilt: float | None = None,
    azimuth: float | None = None,
    on_ground: bool | None = None,
    horizon: float | None = None,
    snow_cover: bool | None = None,
    light: float | None = None,
    seed: int | None = None,
) -> MeasureNext:
    """Shares of the variance of log days, first-order and total, in the worst month of laying.

    Parameters
    ----------
    fit : the posterior.
    site : name of a site, a weather file, or a `Site`.
    material, direction : None takes the first material and its weaker direction.
    of, fraction, laying, level : None takes the study's.
    exposure, tilt, azimuth, on_ground, horizon, snow_cover, light, seed : as
        `durability.translate`.

    Raises
    ------
    ValueError
        When fewer than 100 draws reach the threshold, or for an unknown material.
    """
    of = of or fit.study.question.of
    light = fit.study.question.light if light is None else light
    level = fit.level if level is None else level
    seed = fit.seed if seed is None else seed
    if fraction is None and fit.study.required_strength is None:
        fraction = fit.study.thresholds[0]
    worst = worst_laying(
        fit, site=site, of=of, fraction=fraction, material=material, direction=direction,
        laying=laying, exposure=exposure, tilt=tilt, azimuth=azimuth, on_ground=on_ground,
        horizon=horizon, snow_cover=snow_cover, light=light, seed=seed,
    )  # fmt: skip
    lots = worst.dose if of != "mean" else None
    inputs = _inputs(worst.clock, worst.middle, lots, worst.laying_day)
    shares, variance, left_out = variance_shares(worst.days, _scaled(inputs))
    shares.pop("remainder")
    total = _totals(worst.clock, inputs, worst.span, variance, seed, light)
    return MeasureNext(
        site=worst.site.name, title=worst.site.title, material=worst.material,
        direction=worst.direction, of=of, fraction=fraction, month=worst.month, first=shares,
        total=total, variance=variance, level=level, left_out=left_out,
    )  # fmt: skip


def _inputs(
    clock: SkyClock,
    middle: NDArray[np.float64],
    asked: NDArray[np.float64] | None,
    laying_day: NDArray[np.float64],
) -> dict[str, NDArray[np.float64]]:
    """Every input by the names of the budget, factors of the clock as logarithms."""
    import numpy as np

    with np.errstate(divide="ignore", invalid="ignore"):
        lots = None if asked is None else asked / middle
    return {
        "threshold_dose": middle,
        **({} if lots is None else {"lots": lots}),
        **grouped(clock.links),
        "laying_day": laying_day,
    }


LOGS = ("threshold_dose", "lots")


def _scaled(inputs: dict[str, NDArray[np.float64]]) -> dict[str, NDArray[np.float64]]:
    import numpy as np

    with np.errstate(divide="ignore", invalid="ignore"):
        return {n: np.log(x) if n in LOGS else x for n, x in inputs.items()}


def _log_days(
    clock: SkyClock, inputs: dict[str, NDArray[np.float64]], span: tuple[int, int], light: float
) -> NDArray[np.float64]:
    import numpy as np

    from durability.translation.laying import LAYING_HOUR

    read = clock.with_links(**ungrouped(inputs, clock.links))
    dose = inputs["threshold_dose"] * inputs.get("lots", 1.0)
    first, length = span
    start = (first + np.floor(inputs["laying_day"] * length)) * 24.0 + LAYING_HOUR
    with np.errstate(divide="ignore"):
        return np.log(read.days(dose[:, None], start[:, None], light=light)[:, 0, 0])


def _totals(
    clock: SkyClock,
    inputs: dict[str, NDArray[np.float64]],
    span: tuple[int, int],
    variance: float,
    seed: int,
    light: float,
) -> dict[str, float]:
    """Total share of each input (Jansen's estimator over exchanged draws)."""
    import numpy as np

    usable = np.all([np.isfinite(x).reshape(x.shape[0], -1).all(1) for x in inputs.values()], 0)
    usable &= inputs["threshold_dose"] > 0
    kept = np.flatnonzero(usable)
    kept = kept[:: max(1, kept.size // MOST_DRAWS)]
    drawn = {n: x[kept] for n, x in inputs.items()}
    # links that the budget does not name keep their draws
    small = clock.with_links(**{n: x[kept] for n, x in clock.links.items()})
    base = _log_days(small, drawn, span, light)
    found = {}
    for name, values in drawn.items():
        order = stream(seed, f"total/{name}").permutation(kept.size)
        gap = base - _log_days(small, {**drawn, name: values[order]}, span, light)
        gap = gap[np.isfinite(gap)]
        found[name] = float(0.5 * np.mean(gap**2) / variance) if variance > 0 else 0.0
    return found


__all__ = ["REMEDIES", "MeasureNext", "measure_next"]
