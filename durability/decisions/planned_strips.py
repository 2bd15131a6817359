"""What would strips that are not tested yet show? Simulates them from draws, and weighs the draws.

A plan is a set of series: one lot and direction in one place (the lamp as set, a warmer lamp, the
open air), withdrawn at some doses. For each posterior draw the strips of one lot are jointly normal
on the log scale:

    mean of a group = unexposed level + log R(dose of the lot) + scatter / sqrt(strips)

A lot that was tested keeps its effect on the threshold dose, draw by draw, and the level that its
own strips give it. Of a new lot both are integrated out: the level exactly, the effect by its two
sigma points at one standard deviation either way, which keep mean and covariance to second order
(after Julier and Uhlmann 2004, Proceedings of the IEEE 92:401; from memory). The squares within
groups tell of the scatter. Strips too weak to measure say only that they are so
(models/planning.toml).
"""

from __future__ import annotations

import functools
import math
import tomllib
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from durability import catalogue

if TYPE_CHECKING:
    from durability.inference import Fit
    from durability.translation.reading import SkyClock

Way = Literal["lamp", "warmer", "open air"]
WAYS: dict[Way, str] = {
    "lamp": "under the lamp as set",
    "warmer": "under the lamp, warmer",
    "open air": "in the open at the site",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedSeries:
    """Strips of one lot and direction, in one place.

    Parameters
    ----------
    material, lot, direction : whose; a new lot has a name of its own.
    new : the lot was not tested yet.
    way : where they are exposed.
    doses : of the withdrawals [canonical unit of the exposure; days in the open air].
    strips : of each withdrawal.
    unexposed : strips of it that are broken unexposed.
    exposure : the lamp exposure of the study, ``""`` for that in which everything is counted.
    """

    material: str
    lot: str
    direction: str
    new: bool
    doses: tuple[float, ...]
    strips: tuple[int, ...]
    way: Way = "lamp"
    unexposed: int = 0
    exposure: str = ""

    def __post_init__(self) -> None:
        if len(self.doses) != len(self.strips):
            raise ValueError(f"{len(self.doses)} doses and {len(self.strips)} numbers of strips")
        if not all(d > 0 and math.isfinite(d) for d in self.doses):
            raise ValueError(f"doses are {self.doses}; each must be above 0")

    @property
    def count(self) -> tuple[int, ...]:
        """Strips of each group, unexposed first where there are any."""
        return (*((self.unexposed,) if self.unexposed else ()), *self.strips)


@functools.cache
def assumptions() -> dict[str, Any]:
    """The tables of models/planning.toml.

    Examples
    --------
    >>> assumptions()["usual_practice"]["strips"]
    5
    """
    with open(catalogue.models_folder() / "planning.toml", "rb") as stream:
        return tomllib.load(stream)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Block:
    """Groups of one lot, as each draw foretells them.

    Parameters
    ----------
    mean : (draw, group) of log strength.
    root : (draw, group, group) Cholesky factor of the covariance of group means.
    scatter : (draw,) sd of single strips.
    freedom : degrees of freedom within groups.
    """

    mean: np.ndarray
    root: np.ndarray
    scatter: np.ndarray
    freedom: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shown:
    """What blocks would show in simulated futures.

    Parameters
    ----------
    means : (future, group) of each block.
    squares : (future,) of each block.
    """

    means: tuple[np.ndarray, ...]
    squares: tuple[np.ndarray, ...]


def foretold(blocks: list[Block], truths: np.ndarray, rng: np.random.Generator) -> Shown:
    """One future of each truth.

    Parameters
    ----------
    blocks : of a plan.
    truths : (future,) draws that are taken as true.
    rng : of the scatter.
    """
    means, squares = [], []
    for b in blocks:
        noise = rng.standard_normal((truths.size, b.mean.shape[1]))
        means.append(b.mean[truths] + np.einsum("jab,jb->ja", b.root[truths], noise))
        chi = rng.chisquare(b.freedom, truths.size) if b.freedom else np.zeros(truths.size)
        squares.append(b.scatter[truths] ** 2 * chi)
    return Shown(means=tuple(means), squares=tuple(squares))


def log_likelihood(blocks: list[Block], shown: Shown) -> np.ndarray:
    """Log likelihood (future, draw) of every draw in every future, up to a constant of the future.

    Parameters
    ----------
    blocks, shown : of one plan; blocks that are one object share their work.
    """
    total = np.zeros((shown.squares[0].size, blocks[0].scatter.size))
    places: dict[int, list[int]] = {}
    for k, b in enumerate(blocks):
        places.setdefault(id(b), []).append(k)
    for same in places.values():
        b = blocks[same[0]]
        inverse = np.linalg.inv(b.root)  # (draw, group, group), lower
        flat = inverse.reshape(-1, b.mean.shape[1])
        centre = np.einsum("iab,ib->ia", inverse, b.mean)
        log_det = np.log(np.diagonal(b.root, axis1=1, axis2=2)).sum(1)
        log_scatter = np.log(b.scatter)
        for k in same:
            away = (shown.means[k] @ flat.T).reshape(-1, *centre.shape) - centre
            total -= 0.5 * np.einsum("jia,jia->ji", away, away) + log_det
            total -= b.freedom * log_scatter
            total -= 0.5 * shown.squares[k][:, None] / b.scatter**2
    return total


@dataclass(slots=True, kw_only=True, eq=False)
class Outlook:
    """What draws of a fit foretell of strips that are not tested yet.

    Parameters
    ----------
    fit : of one law, with lognormal scatter.
    exposure : the lamp exposure in whose dose everything is counted.
    draws : places of the posterior draws that are used.
    clocks : material to its clock of the site, for strips in the open.
    laid : hour of the year at which strips in the open are laid.
    seed : of what a plan adds that the fit does not hold: lamps, weather, runs.
    """

    fit: Fit
    exposure: str
    draws: np.ndarray
    clocks: dict[str, SkyClock] = field(default_factory=dict)
    laid: float = 0.0
    seed: int = 0
    _kept: dict[Any, Any] = field(default_factory=dict)

    def blocks(self, series: tuple[PlannedSeries, ...]) -> list[Block]:
        """The blocks of a plan: one a lot; new lots that are planned alike share one object."""
        lots: dict[tuple[str, str], list[PlannedSeries]] = {}
        for s in series:
            lots.setdefault((s.material, s.lot), []).append(s)
        found = []
        for mine in lots.values():
            alike = tuple(replace(s, lot="") if s.new else s for s in mine)
            if alike not in self._kept:
                self._kept[alike] = self._block(mine)
            found.append(self._kept[alike])
        return found

    def _block(self, mine: list[PlannedSeries]) -> Block:
        material, new = mine[0].material, mine[0].new
        place = self.fit.model.materials.index(material)
        scatter = self.posterior("strip_spread")[:, place]
        count = np.array([n for s in mine for n in s.count])
        part = np.repeat(np.arange(len(mine)), [len(s.count) for s in mine])
        mean = np.empty((scatter.size, count.size))
        cov = np.zeros((scatter.size, count.size, count.size))
        lot = np.zeros((scatter.size, count.size))  # what one sd of the lot's effect does
        for k, s in enumerate(mine):
            at = np.flatnonzero(part == k)
            levels = [self._levels(s, sign) for sign in ((-1.0, 1.0) if new else (0.0,))]
            level, spread = self._unexposed(s)
            mean[:, at] = level[:, None] + np.mean(levels, axis=0)
            cov[:, at[:, None], at] += (spread**2)[:, None, None]
            lot[:, at] = (levels[-1] - levels[0]) / 2
            apart = self._apart(material)
            if new and apart is not None:  # of the two directions of a lot
                own = lot[:, at] * apart[:, None]
                cov[:, at[:, None], at] += own[:, :, None] * own[:, None, :]
        if new:
            cov += lot[:, :, None] * lot[:, None, :]
            if "shared_lot_spread_of_strength" in self.fit.posterior:
                cov += (self.posterior("shared_lot_spread_of_strength") ** 2)[:, None, None]
        own = np.arange(count.size)
        cov[:, own, own] += scatter[:, None] ** 2 / count
        return Block(
            mean=mean, root=np.linalg.cholesky(cov), scatter=scatter,
            freedom=int((count - 1).sum()),
        )  # fmt: skip

    def _levels(self, s: PlannedSeries, sign: float) -> np.ndarray:
        """log R (draw, group) of a series: at its lot's effect, or at one sd of a new lot's."""
        scale = self.log_scale(s.material, s.direction, s.exposure)
        log_u = self._log_dose(s) - scale[:, None]
        effect = sign * self.posterior("lot_spread_of_threshold") if s.new else self.effect(s)
        level = self._log_left(s.material, log_u - effect[:, None])
        start = np.zeros((level.shape[0], 1 if s.unexposed else 0))
        return np.hstack([start, level])

    def _log_left(self, material: str, log_u: np.ndarray) -> np.ndarray:
        """Log of what is left, turned where the property rises, no weaker than can be measured."""
        law, i = self.fit.model.law, self.fit.model.materials.index(material)
        shape = {s.name: self.posterior(f"shape_{s.name}")[:, i, None] for s in law.shapes}
        left = law.retained(np.exp(log_u), shape)
        return np.log(np.maximum(left, assumptions()["weakest_strip"]["value"]))

    def _log_dose(self, s: PlannedSeries) -> np.ndarray:
        """Log of the nominal lamp dose (draw, withdrawal) that does the same."""
        flat = np.zeros((self.draws.size, 1)) + self._run()[:, None]
        if s.way == "open air":
            from durability.translation.inputs import GROUND

            clock = self.clocks[s.material]
            spans = [(self.laid, self.laid + 24.0 * d) for d in s.doses]
            # the year of the strips is not the year that is asked about
            year = self._rng("year").permutation(clock.links["year_to_year"])
            rack = {GROUND: np.ones_like(year)}  # where strips hang
            dose = clock.with_links(year_to_year=year, **rack).lamp_dose(spans)[self.draws]
            return np.log(np.maximum(dose, 1e-12)) + flat
        log_dose = flat + np.log(s.doses)
        return log_dose + self._warmth(s.material)[:, None] if s.way == "warmer" else log_dose

    def _warmth(self, material: str) -> np.ndarray:
        """Log of effective over nominal dose (draw,) of a warmer lamp, beside the lamp as set."""
        from durability.translation.lamp import lamp_clock

        warmer = assumptions()["warmer_by"]["value"]
        drawn = self.fit.clock_draws(material)
        p, energy = (drawn[n][self.draws] for n in ("reciprocity_exponent", "activation_energy"))
        if material in self.clocks:
            clock = self.clocks[material]
            lamp, links = clock.lamp, clock.links
            first = np.log(links["lamp_dose"][self.draws])
            panel = links["lamp_temperature"][self.draws]
        else:
            lamp = lamp_clock(self.fit.study.exposures[self.exposure])
            first = lamp.log_sd * self._rng("first lamp").standard_normal(self.draws.size)
            panel = lamp.temperature_sd * self._rng("panel").standard_normal(self.draws.size)
        second = lamp.log_sd * self._rng("second lamp").standard_normal(self.draws.size)
        gain = lamp.arrhenius(energy, panel + warmer) / lamp.arrhenius(energy, panel)
        return np.log(gain) + p * (second - first)

    def _run(self) -> np.ndarray:
        """Log dose by which a new run of the chamber departs (draw,), where runs are known to."""
        if "run_spread_of_threshold" not in self.fit.posterior:
            return np.zeros(self.draws.size)
        spread = self.posterior("run_spread_of_threshold")
        return spread * self._rng("run").standard_normal(self.draws.size)

    def _rng(self, what: str) -> np.random.Generator:
        return np.random.default_rng([self.seed, *what.encode()])

    def _apart(self, material: str) -> np.ndarray | None:
        """How the directions of a new lot depart (draw,), in units of the spread between lots."""
        if material not in self.fit.model.both_ways:
            return None
        lots = self.posterior("lot_spread_of_threshold")
        return self.posterior("direction_of_lot_spread_of_threshold") / np.maximum(lots, 1e-9)

    def posterior(self, name: str) -> np.ndarray:
        """A variable of the fit (draw, ...), at the draws used."""
        if name not in self._kept:
            values = self.fit.posterior[name].values
            self._kept[name] = values.reshape(-1, *values.shape[2:])[self.draws]
        return self._kept[name]

    def log_scale(self, material: str, direction: str, exposure: str = "") -> np.ndarray:
        """Log of the dose at which u = 1 (draw,), for the median lot."""
        where = {"material": material, "direction": direction}
        found = self.fit.scale_draws(of="mean", exposure=exposure or self.exposure, **where)
        return np.log(found)[self.draws]

    def effect(self, s: PlannedSeries) -> np.ndarray:
        """What a tested lot adds to log threshold dose (draw,)."""
        name, posterior = f"{s.material} | {s.lot}", self.fit.posterior
        model = self.fit.model
        found = np.zeros(self.draws.size)
        if "lot" in posterior.coords and name in posterior["lot"].values:
            at = int(np.flatnonzero(posterior["lot"].values == name)[0])
            found = self.posterior("lot_effect")[:, at]
        elif "own_lot_effect" in posterior:
            main = model.mains.index((s.material, model.families[self.exposure]))
            found = self.posterior("own_lot_effect")[:, main]
        both = " ".join(filter(None, (s.material, s.lot, s.direction)))
        names = [name for group, name in model.effects if group == "direction_of_lot"]
        if both in names:
            found = found + self.posterior("direction_of_lot_effect")[:, names.index(both)]
        return found

    def _unexposed(self, s: PlannedSeries) -> tuple[np.ndarray, np.ndarray]:
        """Mean and sd (draw,) of the log unexposed strength of the series' lot."""
        model, size = self.fit.model, self.draws.size
        where = (s.material, s.direction)
        if model.start_known is not None or where not in model.starts:
            from durability.inference.model import priors

            wide = priors()["unexposed_strength"]["sd_log"]
            return np.zeros(size), np.full(size, wide)  # known by fractions: no level of its own
        level = self.posterior("log_unexposed_strength")[:, model.starts.index(where)]
        spread = self.posterior("lot_spread_of_strength")
        if s.new:
            return level, spread
        mine = [i for i, k in enumerate(model.series) if k[:3] == (s.material, s.lot, s.direction)]
        shared = model.series_index[mine, 8]
        if shared.size and shared[0] >= 0:
            first = [e for e, (g, _) in enumerate(model.effects) if g == "lot_in_both_directions"]
            values = self.posterior("lot_in_both_directions_effect")
            level = level + values[:, int(shared[0]) - first[0]]
        precision = 1 / spread**2
        pull = level * precision
        scatter = self.posterior("strip_spread")[:, model.materials.index(s.material)]
        for i in mine:
            for c in range(*model.series_index[i, 2:4]):
                left = self._tested(s, c)
                if left is None or not model.count[c]:
                    continue
                weight = model.count[c] / scatter**2
                precision = precision + weight
                pull = pull + weight * (model.mean[c] - left)
        return pull / precision, 1 / np.sqrt(precision)

    def _tested(self, s: PlannedSeries, cell: int) -> np.ndarray | None:
        """log R (draw,) at a group that was tested; None in the open air."""
        model = self.fit.model
        dose, exposure = model.cell_dose[cell], model.cell_exposure[cell]
        if dose == 0:
            return np.zeros(self.draws.size)
        if (s.material, s.direction, exposure) not in model.conditions:
            return None
        log_u = math.log(dose) - self.log_scale(s.material, s.direction, exposure)
        return self._log_left(s.material, (log_u - self.effect(s))[:, None])[:, 0]


__all__ = [
    "WAYS",
    "Block",
    "Outlook",
    "PlannedSeries",
    "Shown",
    "Way",
    "assumptions",
    "foretold",
    "log_likelihood",
]
