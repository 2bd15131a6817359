"""What strength does fabric still have that lay open between two dates? And must it be dug out?

The dose of the days in the open is read as lamp dose, draw by draw, and the law of each draw says
what is left. Where the site's file holds the weather of those days it is used; otherwise the
typical year with the spread of years. Strips dug out and broken weight the draws by their
likelihood: an importance sample of the posterior given those strips too, all of one lot.
"""

from __future__ import annotations

import html
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from durability.statement import Statement, Statements, Subject

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from durability.exposure import Site
    from durability.inference import Fit
    from durability.translation.reading import OpenInterval, SkyClock

FACTORS = (1.0, 1.1, 1.25)
"""Reduction factors for weathering whose assurance is stated."""
FEWEST = 200.0
"""Effective draws below which an updated answer is flagged as rough."""
GRID = 256


@dataclass(frozen=True, slots=True, kw_only=True)
class DugOut:
    """One strip dug out of the field and broken.

    Parameters
    ----------
    strength : [unit of the study], above 0.
    material, direction : of the strip; ``""`` where the study has but one.
    """

    strength: float
    material: str = ""
    direction: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Exposed:
    """What is left of fabric that lay open, before and after strips were dug out.

    Parameters
    ----------
    site, title : name and title of the site.
    intervals : the time in the open.
    weather : ``"measured"`` or ``"typical year"``.
    required : fraction asked for; None is the study's required strength.
    assurance : probability asked for.
    statements : of each material and direction ``strength_left``, ``chance_of_holding`` and
        ``reduction_factor``.
    updated : the same given the strips dug out; empty where there are none.
    factors : (material, direction) to the assurance that each of `FACTORS` carries, given all.
    effective_draws : of the weighted draws, by material; empty without strips.
    dose : median lamp dose of the time in the open with the study's unit, by material.
    """

    site: str
    title: str
    intervals: tuple[OpenInterval, ...]
    weather: str
    required: float | None
    assurance: float
    statements: Statements
    updated: Statements
    factors: dict[tuple[str, str], dict[float, float]]
    effective_draws: dict[str, float]
    dose: dict[str, str]

    @property
    def latest(self) -> Statements:
        """The updated statements, and the first ones of materials that were not dug out."""
        told = {s.material for s in self.updated}
        return self.updated + self.statements.where(lambda s: s.material not in told)

    def verdict(self, material: str) -> str:
        """Whether to leave it, dig out strips, or take it up, by the weaker direction."""
        chances = self.latest.where(quantity="chance_of_holding", material=material)
        chance = min(s.value if s.value is not None else 0.0 for s in chances)
        asked = f"the assurance asked for is {100 * self.assurance:.3g} %"
        if chance >= self.assurance:
            return f"It may stay: it holds with probability {chance:.2f}, and {asked}."
        if chance <= 1 - self.assurance:
            return f"Take it up, or prove it by strips: it holds with probability {chance:.2f}."
        if len(self.updated.where(material=material)):
            return (f"Not settled by the strips dug out: it holds with probability {chance:.2f}, "
                    f"and {asked}. Dig out more, or take it up.")  # fmt: skip
        return f"Dig out strips and break them: it holds with probability {chance:.2f}; {asked}."

    def sentences(self) -> list[str]:
        """The answer in words, material by material."""
        lines = []
        for material in dict.fromkeys(s.material or "" for s in self.latest):
            for s in self.latest.where(quantity="strength_left", material=material):
                where = " ".join(x for x in (material, s.direction) if x)
                lines.append(f"{where}: strength left {s.figures()} of the unexposed.")
            lines.append(f"{material}: {self.verdict(material)}")
        return lines

    def to_dict(self) -> dict[str, Any]:
        """Plain types for JSON."""
        return {
            "site": self.site, "title": self.title, "weather": self.weather,
            "intervals": [{"from": i.begin.isoformat(), "to": i.end.isoformat(), "light": i.light}
                          for i in self.intervals],
            "required": self.required, "assurance": self.assurance, "dose": self.dose,
            "answer": self.sentences(),
            "statements": self.statements.to_list(), "updated": self.updated.to_list(),
            "assurance_of_factors": [
                {"material": m, "direction": d or None, "factor": f, "assurance": p}
                for (m, d), each in self.factors.items() for f, p in each.items()
            ],
            "effective_draws": self.effective_draws,
        }  # fmt: skip

    def __repr__(self) -> str:
        return "\n".join(["Exposed", *(f"  {line}" for line in self.sentences())])

    def _repr_html_(self) -> str:
        return "".join(f"<p>{html.escape(line)}</p>" for line in self.sentences())


def exposed(
    fit: Fit,
    *,
    site: str | Path | Site,
    intervals: Sequence[OpenInterval],
    required: float | None = None,
    of: Subject | None = None,
    share: float | None = None,
    assurance: float | None = None,
    level: float | None = None,
    strips: Sequence[DugOut] = (),
    exposure: str | None = None,
    tilt: float | None = None,
    azimuth: float | None = None,
    on_ground: bool | None = None,
    horizon: float | None = None,
    snow_cover: bool | None = None,
    seed: int | None = None,
) -> Exposed:
    """Strength left of fabric that lay open, with the chance that it still holds.

    Parameters
    ----------
    fit : the posterior.
    site : name of a site, a weather file, or a `Site`; a measured series serves its own dates.
    intervals : time in the open, each with its share of the light; storage counts too.
    required : fraction of the unexposed strength that must be left; None takes the study's
        required strength, else its first threshold.
    of, share, assurance, level : None takes the study's.
    strips : dug out at the end of the last interval and broken; all of one lot.
    exposure, tilt, azimuth, on_ground, horizon, snow_cover, seed : as `durability.translate`.

    Returns
    -------
    Exposed

    Raises
    ------
    TranslationRefused
        Where no exposure of the study can be compared with a sky.
    ValueError
        For no interval, a strip of an unknown material, or a strength that is not above 0.
    """
    import numpy as np

    from durability.translation.reading import count_draws, sky_clocks

    if not intervals:
        raise ValueError("name the days between which the fabric lay open")
    question = fit.study.question
    of = of or question.of
    share = question.share if share is None else share
    assurance = question.assurance if assurance is None else assurance
    level = fit.level if level is None else level
    for name, number in (("assurance", assurance), ("level", level), ("share", share)):
        if not 0 < number < 1:
            raise ValueError(f"{name} is {number}; it must lie between 0 and 1")
    if required is None and fit.study.required_strength is None:
        required = fit.study.thresholds[0]
    draws = count_draws(fit, fit.materials[0], fit.exposures(fit.materials[0])[0])
    asked: dict[str, Any] = {
        "draws": draws, "exposure": exposure, "tilt": tilt, "azimuth": azimuth,
        "on_ground": on_ground, "horizon": horizon, "snow_cover": snow_cover,
        "seed": seed,
    }  # fmt: skip
    clocks, _, place = sky_clocks(fit, site=site, **asked)
    measured = _measured(place, intervals)
    if measured is not None:
        clocks, _, _ = sky_clocks(fit, site=measured, **asked)
        clocks = {m: c.with_links(year_to_year=np.ones(draws)) for m, c in clocks.items()}
    by_strip = _by_material(fit, strips, list(clocks))
    before: list[Statement] = []
    after: list[Statement] = []
    factors, effective, doses = {}, {}, {}
    for material, clock in clocks.items():
        dose = clock.spent(intervals)
        unit = fit.study.exposures[clock.lamp.exposure].dose_unit
        doses[material] = f"{float(np.median(dose)):.3g} {unit}"
        left: dict[str, dict[Subject, NDArray[np.float64]]] = {
            d: {o: _left(fit, material, d, clock.lamp.exposure, o, share, dose)
                for o in dict.fromkeys((of, "new_lot"))}
            for d in fit.directions(material)
        }  # fmt: skip
        weight = None
        if by_strip.get(material):
            weight = _weights(fit, material, clock, left, by_strip[material])
            effective[material] = float(1 / np.sum(weight**2))
        for direction, each in left.items():
            ground = _ground(
                fit, material, direction, clock, of, share, dose, place.name, required,
                assumed=("measured_weather" if measured is not None else
                         "typical_year" if place.typical_year else "single_year"),
            )  # fmt: skip
            need = _needed(fit, material, direction, required)
            before += _said(ground, each[of], need, None, level)
            if weight is not None:
                flags = ("few_draws_left",) if effective[material] < FEWEST else ()
                told = replace(
                    ground, flags=(*ground.flags, *flags),
                    assumptions=(*ground.assumptions, "updated_by_strips"),
                )  # fmt: skip
                after += _said(told, each[of], need, weight, level)
            w = np.full(draws, 1 / draws) if weight is None else weight
            factors[material, direction] = {f: float(w[each[of] * f >= 1].sum()) for f in FACTORS}
    return Exposed(
        site=place.name,
        title=place.title,
        intervals=tuple(intervals),
        weather="measured" if measured is not None else "typical year",
        required=required,
        assurance=assurance,
        statements=Statements(before),
        updated=Statements(after),
        factors=factors,
        effective_draws=effective,
        dose=doses,
    )


def _measured(place: Site, intervals: Sequence[OpenInterval]) -> Site | None:
    """The site in the calendar year of the intervals, where its series holds that year."""
    years = {i.begin.year for i in intervals} | {i.end.year for i in intervals}
    held = {y.year: y for y in getattr(place, "years", ())}
    if len(years) != 1 or not years <= set(held):
        return None
    return replace(place, hourly=held[years.pop()].hourly, years=(), typical_year=False)


def _by_material(fit: Fit, strips: Sequence[DugOut], known: list[str]) -> dict[str, list[DugOut]]:
    """Strips sorted by material, each with its direction; every problem at once."""
    found: dict[str, list[DugOut]] = {}
    problems = []
    for i, strip in enumerate(strips, 1):
        material = strip.material or (known[0] if len(known) == 1 else "")
        if material not in known:
            problems.append(f"strip {i}: material {strip.material!r}; known: {', '.join(known)}")
            continue
        directions = fit.directions(material)
        direction = strip.direction or (directions[0] if len(directions) == 1 else "")
        if direction not in directions:
            problems.append(
                f"strip {i}: direction {strip.direction!r}; known: {', '.join(directions)}"
            )
        elif not strip.strength > 0:
            problems.append(f"strip {i}: strength {strip.strength}; expected a number above 0")
        else:
            found.setdefault(material, []).append(
                replace(strip, material=material, direction=direction)
            )
    if problems:
        raise ValueError("; ".join(problems))
    return found


def _left(
    fit: Fit,
    material: str,
    direction: str,
    exposure: str,
    of: Subject,
    share: float,
    dose: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Fraction left (draw,) at a dose that differs from draw to draw.

    The curve of each draw is evaluated on a common grid of doses and read between its points.
    """
    import numpy as np

    low, high = float(dose.min()), float(dose.max())
    if low == high:
        grid = np.array([low])
    else:
        grid = np.unique(
            np.concatenate([np.linspace(low, high, GRID // 2),
                            np.quantile(dose, np.linspace(0, 1, GRID // 2))])
        )  # fmt: skip
    curve = fit.retained_draws(
        grid, of=of, material=material, direction=direction, exposure=exposure,
        share=share if of == "single_specimen" else None,
    )  # fmt: skip
    if grid.size == 1:
        return curve[:, 0]
    at = np.clip(np.searchsorted(grid, dose) - 1, 0, grid.size - 2)
    row = np.arange(dose.size)
    part = np.clip((dose - grid[at]) / (grid[at + 1] - grid[at]), 0.0, 1.0)
    return curve[row, at] * (1 - part) + curve[row, at + 1] * part


def _needed(
    fit: Fit, material: str, direction: str, required: float | None
) -> NDArray[np.float64] | float:
    if required is not None:
        return required
    assert fit.study.required_strength is not None
    return fit.study.required_strength / fit.unexposed_draws(material, direction)


def _weights(
    fit: Fit,
    material: str,
    clock: SkyClock,
    left: Mapping[str, Mapping[Subject, NDArray[np.float64]]],
    strips: Sequence[DugOut],
) -> NDArray[np.float64]:
    """Weights (draw,) that sum to 1: the likelihood of the strips under each draw's lot."""
    import numpy as np

    from durability.inference.model import relative_spread

    exposure = clock.lamp.exposure
    log_likelihood = np.zeros_like(clock.lamp_factor)
    for direction in dict.fromkeys(s.direction for s in strips):
        start = fit.unexposed_draws(material, direction)
        middle = start * np.maximum(left[direction]["new_lot"], 1e-9)
        fresh = [
            fit.retained_draws(
                0.0, of=o, material=material, direction=direction, exposure=exposure,
                share=0.8413447460685429 if o == "single_specimen" else None,
            )[:, 0]
            for o in ("new_lot", "single_specimen")
        ]  # fmt: skip
        normal = not fit.model.on_logs
        # one standard deviation of strips lies between the median and the share 84.13 %
        sd = start * (fresh[0] - fresh[1]) if normal else np.log(fresh[0] / fresh[1])
        if fit.model.errors == "power":  # the spread is that of strips with so much left
            power = fit.posterior["spread_power"].values.ravel()
            sd = sd * relative_spread(left[direction]["mean"], power)
        for strip in strips:
            if strip.direction != direction:
                continue
            gap = strip.strength - middle if normal else np.log(strip.strength / middle)
            log_likelihood += -0.5 * (gap / sd) ** 2 - np.log(sd)
    weight = np.exp(log_likelihood - log_likelihood.max())
    return weight / weight.sum()


def _ground(
    fit: Fit,
    material: str,
    direction: str,
    clock: SkyClock,
    of: Subject,
    share: float,
    dose: NDArray[np.float64],
    site: str,
    required: float | None,
    *,
    assumed: str,
) -> Statement:
    """What the statements of one subject share; its number is replaced."""
    import numpy as np

    from durability.translation.discrepancy import learned_from

    last = fit.last_dose(material, clock.lamp.exposure)
    middle = float(np.median(dose))
    beyond = middle > last
    learned = learned_from(fit, material, site) or "lab_to_sky_prior"
    return Statement(
        quantity="strength_left",
        unit="1",
        of=of,
        value=1.0,
        kind="credible" if of == "mean" else "prediction",
        material=material,
        direction=direction or None,
        exposure=clock.lamp.exposure,
        site=site,
        fraction=required,
        share=share if of == "single_specimen" else None,
        extrapolated=beyond,
        extrapolation_factor=middle / last if beyond and last > 0 else None,
        law=fit.law,
        assumptions=("translation_approximate", learned, assumed, *clock.assumptions),
        flags=("extrapolated",) if beyond else (),
    )  # fmt: skip


def _said(
    ground: Statement,
    left: NDArray[np.float64],
    need: NDArray[np.float64] | float,
    weight: NDArray[np.float64] | None,
    level: float,
) -> list[Statement]:
    import numpy as np

    tail = (1 - level) / 2
    low, middle, high = weighted_quantiles(left, [tail, 0.5, 1 - tail], weight)
    holds = left >= need
    chance = float(holds.mean() if weight is None else weight[holds].sum())
    with np.errstate(divide="ignore"):
        factor = weighted_quantiles(1 / left, [tail, 0.5, 1 - tail], weight)
    found = [
        replace(ground, value=middle, low=low, high=high, level=level, fraction=None),
        replace(ground, quantity="chance_of_holding", value=min(chance, 1.0)),
    ]
    if np.isfinite(factor).all():
        found.append(
            replace(ground, quantity="reduction_factor", value=factor[1], low=factor[0],
                    high=factor[2], level=level, fraction=None)
        )  # fmt: skip
    elif np.isfinite(factor[0]):
        bound = weighted_quantiles(1 / left, [1 - level], weight)[0]
        found.append(
            replace(ground, quantity="reduction_factor", value=None, low=bound, high=None,
                    level=level, sides=1, fraction=None)
        )  # fmt: skip
    return found


def weighted_quantiles(
    values: NDArray[np.float64], at: Sequence[float], weight: NDArray[np.float64] | None = None
) -> list[float]:
    """Quantiles as order statistics, of draws with or without weights that sum to 1.

    Examples
    --------
    >>> import numpy as np
    >>> weighted_quantiles(np.array([3.0, 1.0, 2.0]), [0.5], np.array([0.1, 0.8, 0.1]))
    [1.0]
    """
    import numpy as np

    order = np.argsort(values, kind="stable")
    weights = np.full(values.size, 1 / values.size) if weight is None else weight[order]
    reached = np.cumsum(weights)
    places = np.searchsorted(reached, np.asarray(at) - 1e-12)
    return [float(values[order][min(int(i), values.size - 1)]) for i in places]


__all__ = ["FACTORS", "DugOut", "Exposed", "exposed", "weighted_quantiles"]
