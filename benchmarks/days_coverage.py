"""How often does the 90 % interval of days to the threshold hold the true days?

Products and sites are simulated with every uncertain input drawn from its prior; a laboratory
exposes strips of each under a lamp at four doses, and in some designs strips hang on a rack in the
open too; the product itself lies on the ground.
The posterior of the threshold dose (and of the clock, where strips in the open inform it) is
sampled by importance from a t distribution about the mode, and by a thousand short walks from there
where too few draws count: milliseconds where chains take seconds. The days are then read by
`durability.translate` itself. True days are found on `durability.exposure.OutdoorClock`, which
shares the rate of an hour with the translation, not its search for days.

Designs: strips under the lamp alone; with strips in the open at another site; with strips in the
open at the same site, laid in the opposite season. Truths that the model does not know: products
differ in the open by another log spread of 0.3; lamp and sky differ twice as much as the model has
it; every product falls 1.5 times faster in the open; the activation energy is 20 kJ/mol less under
the sky than under the lamp.

    python benchmarks/days_coverage.py [products a line [design, counted from 1 [truth]]]
"""

from __future__ import annotations

import functools
import math
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import xarray

from durability.exposure import (
    Site,
    delivery,
    material_assumptions,
    site_clock,
    translation_assumptions,
)
from durability.exposure import read_site as read_site_file
from durability.inference.clock_terms import MaterialClock, expansion, material_clock
from durability.statement import Statements
from durability.study.model import Exposure, Material, Question, Segment, Study
from durability.translation import translate

POLYMER = "polypropylene"
BOOK, OWN = translation_assumptions(), material_assumptions(POLYMER)
SITES = ("miami", "phoenix", "po-valley", "northway")
LEVEL = 0.9
ENOUGH = 0.1
STRIPS = 5
HOURS = (150.0, 300.0, 500.0, 800.0)
DAYS = (30.0, 60.0, 120.0)
PRIOR_TAU_SD = 1.2
PRIOR_SHAPE = (0.2, 0.5)
PRIOR_SCATTER = (math.log(0.08), 0.7)
LAMP = Exposure(
    name="X1", irradiance=0.35, band="340 nm", dose_unit="kJ/(m² nm) at 340 nm",
    irradiance_uncertainty=0.05,
    cycle=(Segment(minutes=90, light=True, black_panel=65.0, air=40.0),),
)  # fmt: skip
GIVEN = delivery(LAMP)
assert GIVEN is not None
DOSES = np.array(HOURS) * GIVEN.dose_per_hour


@functools.cache
def read_site(name: str) -> Site:
    return read_site_file(name)


@dataclass(frozen=True)
class Truth:
    """What holds for one product: its law and the clock that the world has."""

    tau: float
    shape: float
    scatter: float
    exponent: float
    energy: float
    calibration: float
    warmer: float
    cloud: float
    warming: float
    of_material: float
    spread: float
    unknown: float = 0.0  # log; what the model does not know, on the dose needed in the open
    sky_energy: float = 0.0  # kJ/mol that the activation energy under the sky departs by
    ground: float = 1.0  # further factor on the warming of what lies on the ground
    at_site: dict[str, tuple[float, float, float]] = field(default_factory=dict)

    def under_lamp(self, dose: np.ndarray) -> np.ndarray:
        """Log effective dose of doses as set."""
        assert GIVEN is not None
        heat = 0.0
        base = GIVEN.temperature + 273.15
        for weight, celsius in GIVEN.phases:
            kelvin = celsius + self.warmer + 273.15
            heat += weight * math.exp(-self.energy / 8.314462618e-3 * (1 / kelvin - 1 / base))
        return np.log(dose) + self.exponent * self.calibration + math.log(heat)

    def in_the_open(self, site: str, laid: str, days: np.ndarray) -> np.ndarray:
        """Log effective dose of days in the open."""
        assert GIVEN is not None
        log_uv, log_year, part = self.at_site[site]
        delivered = site_clock(read_site(site), laid=laid).log_effective_dose(
            days,
            exponent=self.exponent,
            activation_energy=max(self.energy + self.sky_energy, 1.0),
            uv_factor=math.exp(log_uv + log_year),
            cloud=self.cloud - BOOK["cloud_power"].value,
            warming=self.warming,
            reference_irradiance=GIVEN.irradiance,
            reference_temperature=GIVEN.temperature,
        )[0]
        return delivered - self.spread * (self.of_material + part) - self.unknown

    def log_left(self, log_dose: np.ndarray) -> np.ndarray:
        """Log of the share left."""
        return -math.log(2) * np.exp(self.shape * (log_dose - math.log(self.tau)))

    def days(self, site: str, laid: str, years: float = 20.0) -> float:
        """Days on the ground until half is left; inf beyond the years."""
        lying = replace(self, warming=self.warming * self.ground)
        every = np.arange(1.0, 365 * years + 1)
        dose = lying.in_the_open(site, laid, every)
        if dose[-1] < math.log(self.tau):
            return math.inf
        day = int(np.searchsorted(dose, math.log(self.tau)))
        hours = day + np.arange(1, 25) / 24
        fine = np.exp(lying.in_the_open(site, laid, hours))
        before = 0.0 if day == 0 else math.exp(dose[day - 1])
        return float(np.interp(self.tau, [before, *fine], [day, *hours]))


def drawn(rng: np.random.Generator, names: list[str]) -> Truth:
    """A product whose every unknown is drawn from the prior that the toolkit states."""
    assert GIVEN is not None
    book, own = BOOK, OWN

    def one(prior: object) -> float:
        return float(prior.draws(1, rng)[0])  # type: ignore[attr-defined]

    share = book["lab_to_sky_site_share"].value
    spread = book["lab_to_sky"]
    low, high = spread.low or 0.0, spread.high or 1.0
    width = rng.normal(spread.log_sd, (high - low) / 2)
    while not low <= width <= high:
        width = rng.normal(spread.log_sd, (high - low) / 2)
    truth = Truth(
        tau=1.0,
        shape=math.exp(rng.normal(*PRIOR_SHAPE)),
        scatter=math.exp(rng.normal(*PRIOR_SCATTER)),
        exponent=one(own["reciprocity_exponent"]),
        energy=one(own["activation_energy"]),
        calibration=rng.normal(0, GIVEN.log_sd),
        warmer=rng.normal(0, GIVEN.temperature_sd),
        cloud=one(book["cloud_power"]),
        warming=one(book["absorptance"]) / 0.9 * one(book["temperature_rise_factor"]),
        ground=one(book["ground_contact"]),
        of_material=rng.normal(0, math.sqrt(1 - share)),
        spread=width,
        at_site={
            name: (
                math.log(one(book["uv_factor"])),
                math.log(one(book["year_to_year"])),
                rng.normal(0, math.sqrt(share)),
            )
            for name in names
        },
    )
    log_tau = math.log(DOSES.max()) + PRIOR_TAU_SD * rng.normal()
    return replace(truth, tau=math.exp(float(truth.under_lamp(np.array([math.exp(log_tau)]))[0])))


@dataclass(frozen=True)
class Cells:
    """Mean log strength of groups of strips, and the sum of squares about the means."""

    start: float
    mean: np.ndarray
    squares: float
    freedom: int


def strips(truth: Truth, log_dose: np.ndarray, rng: np.random.Generator) -> Cells:
    """Unexposed strips and groups of strips at each effective dose."""
    level = np.concatenate([[0.0], truth.log_left(log_dose)])
    found = level[:, None] + truth.scatter * rng.standard_normal((level.size, STRIPS))
    mean = found.mean(axis=1)
    squares = float(((found - mean[:, None]) ** 2).sum())
    return Cells(float(mean[0]), mean[1:], squares, level.size * (STRIPS - 1))


class Sampled:
    """Posterior draws in the shape in which a translation reads a fit."""

    law, level, seed, materials = "stretched-exponential", LEVEL, 1, ("A",)

    def __init__(self, study: Study, tau: np.ndarray, values: dict[str, np.ndarray], seed: int):
        self.study, self.tau, self.seed = study, tau, seed
        self.posterior = xarray.Dataset(
            {name: (("chain", "draw"), v[None, :]) for name, v in values.items()}
        )

    def directions(self, material: str) -> tuple[str, ...]:
        return ("",)

    def exposures(self, material: str) -> tuple[str, ...]:
        return ("X1",)

    def threshold_draws(self, fraction: float | None, **subject: object) -> np.ndarray:
        return self.tau

    def clock_draws(self, material: str) -> dict[str, np.ndarray]:
        rng, found = np.random.default_rng([self.seed, 5]), {}
        for name, prior in OWN.items():
            label = f"{name}[{POLYMER}]"
            found[name] = (
                self.posterior[label].values.reshape(-1)
                if label in self.posterior
                else prior.draws(self.tau.size, rng)
            )
        return found

    def last_dose(self, material: str, exposure: str) -> float:
        return float(DOSES.max())

    def statements(self) -> Statements:
        return Statements()


def mode_and_curvature(
    log_density: Callable[[np.ndarray], np.ndarray], at: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Mode and its covariance, by Newton steps with differences; rows are points."""
    n, h = at.size, 1e-3
    eye = np.eye(n) * h
    i, j = np.triu_indices(n, 1)
    damp = 1e-3
    value = float(log_density(at[None])[0])
    hessian = np.eye(n)
    for _ in range(60):
        points = [at + eye, at - eye, at + eye[i] + eye[j], at - eye[i] - eye[j]]
        f = log_density(np.concatenate(points))
        up, down, pp, mm = f[:n], f[n : 2 * n], f[2 * n : 2 * n + i.size], f[2 * n + i.size :]
        gradient = (up - down) / (2 * h)
        hessian = np.diag((up + down - 2 * value) / h**2)
        cross = (pp + mm - up[i] - up[j] - down[i] - down[j] + 2 * value) / (2 * h**2)
        hessian[i, j] = hessian[j, i] = cross
        while True:
            step = np.linalg.solve(-hessian + damp * np.eye(n), gradient)
            new = float(log_density((at + step)[None])[0])
            if new >= value - 1e-9 or damp > 1e8:
                break
            damp = max(10 * damp, 1e-2)
        at, gain, value = at + step, new - value, max(new, value)
        damp = max(damp / 10, 1e-6)
        if abs(gain) < 1e-7:
            break
    values, vectors = np.linalg.eigh(-hessian)
    return at, (vectors / np.maximum(values, 0.05)) @ vectors.T


def resampled(
    log_density: Callable[[np.ndarray], np.ndarray],
    start: np.ndarray,
    rng: np.random.Generator,
    *,
    tried: int = 4000,
    kept: int = 1000,
) -> tuple[np.ndarray, float]:
    """Draws (kept, n) from a density, and the effective share of those tried.

    The proposal is centred on the mode, then on the weighted draws before, until enough count.
    """
    from scipy.stats import multivariate_t

    middle, covariance = mode_and_curvature(log_density, start)
    points, weight = np.zeros((0, 0)), np.zeros(0)
    for stage in range(8):
        jitter = 1e-6 * np.eye(start.size)
        proposal = multivariate_t(middle, 1.2 * covariance + jitter, df=6)
        points = proposal.rvs(tried, random_state=rng)
        log_weight = log_density(points) - proposal.logpdf(points)
        weight = np.exp(log_weight - log_weight.max())
        weight /= weight.sum()
        if 1 / (weight**2).sum() > ENOUGH * tried and (stage > 1 or start.size == 3):
            break
        tempered = np.minimum(weight, 10 / tried)  # no single draw narrows the next proposal
        tempered /= tempered.sum()
        middle = tempered @ points
        about = (points - middle).T @ ((points - middle) * tempered[:, None])
        covariance = 0.8 * about + 0.2 * covariance
    at = np.searchsorted(np.cumsum(weight), (np.arange(kept) + rng.random()) / kept)
    draws = points[np.minimum(at, tried - 1)][rng.permutation(kept)]
    share = float(1 / (weight**2).sum() / tried)
    return (draws if share > 0.3 else walked(log_density, draws, rng)), share


def walked(
    log_density: Callable[[np.ndarray], np.ndarray],
    draws: np.ndarray,
    rng: np.random.Generator,
    *,
    steps: int = 240,
) -> np.ndarray:
    """The draws after a walk of each by the difference of two others, which keeps the density.

    Halves move in turn by draws of the other half (ter Braak 2006, Statistics and Computing 16:239,
    from memory); one step in ten is the whole difference.
    """
    n, dims = draws.shape
    draws, half = draws.copy(), n // 2
    level = log_density(draws)
    for step in range(steps):
        scale = 1.0 if step % 10 == 9 else 2.38 / math.sqrt(2 * dims)
        for mine, others in ((slice(0, half), half), (slice(half, n), 0)):
            size = half if mine.start == 0 else n - half
            pool = n - half if others == half else half
            a, b = others + rng.integers(pool, size=size), others + rng.integers(pool, size=size)
            moved = draws[mine] + scale * (draws[a] - draws[b])
            moved += 1e-4 * rng.standard_normal(moved.shape)
            new = log_density(moved)
            taken = np.log(rng.random(size)) < new - level[mine]
            draws[mine] = np.where(taken[:, None], moved, draws[mine])
            level[mine] = np.where(taken, new, level[mine])
    return draws


def posterior(
    cells: Cells,
    clock: MaterialClock | None,
    terms: list[tuple[np.ndarray, np.ndarray, np.ndarray]],
    study: Study,
    rng: np.random.Generator,
    seed: int,
) -> tuple[Sampled, float]:
    """Posterior of threshold dose, shape, scatter and clock; a flat unexposed strength.

    The clock's parameters are written as normal scores, so that cut-off priors have no edges.
    """
    from scipy.special import ndtr

    columns = clock.parameters if clock is not None else ()
    constant = np.concatenate([t[0] for t in terms])
    linear = np.concatenate([t[1] for t in terms]).reshape(constant.size, len(columns))
    quadratic = np.concatenate([t[2] for t in terms]).reshape(
        constant.size, len(columns), len(columns)
    )
    low = np.array([ndtr((c.low - c.mean) / c.sd) for c in columns])
    high = np.array([ndtr((c.high - c.mean) / c.sd) for c in columns])

    def scores(x: np.ndarray) -> np.ndarray:
        from scipy.special import ndtri

        return ndtri(low + (high - low) * ndtr(x))

    n_group = constant.size + 1

    def log_density(point: np.ndarray) -> np.ndarray:
        point = np.clip(point, -8, 8)
        tau = math.log(DOSES.max()) + PRIOR_TAU_SD * point[:, 0]
        shape = np.exp(PRIOR_SHAPE[0] + PRIOR_SHAPE[1] * point[:, 1])
        log_sd = PRIOR_SCATTER[0] + PRIOR_SCATTER[1] * point[:, 2]
        z = scores(np.clip(point[:, 3:], -6, 6))
        dose = constant + z @ linear.T
        if columns:
            dose = dose + np.einsum("ni,dij,nj->nd", z, quadratic, z, optimize=True) / 2
        u = np.clip(shape[:, None] * (dose - tau[:, None]), -50, 12)
        rest = np.concatenate([[cells.start], cells.mean]) - np.column_stack(
            [np.zeros(len(point)), -math.log(2) * np.exp(u)]
        )
        within = STRIPS * ((rest - rest.mean(axis=1, keepdims=True)) ** 2).sum(axis=1)
        freedom = cells.freedom + n_group - 1
        fit = -freedom * log_sd - (cells.squares + within) / 2 * np.exp(-2 * log_sd)
        return fit - (point**2).sum(axis=1) / 2

    draws, share = resampled(log_density, np.zeros(3 + len(columns)), rng)
    z = scores(np.clip(draws[:, 3:], -6, 6))
    values = {c.label: c.mean + c.sd * z[:, i] for i, c in enumerate(columns)}
    log_tau = math.log(DOSES.max()) + PRIOR_TAU_SD * draws[:, 0]
    if clock is not None:  # the threshold dose as the lamp, as set, reads it
        every = np.column_stack([values[c.label] for c in columns])
        log_tau = log_tau - clock.log_dose("X1", np.ones(1), every)[:, 0]
    return Sampled(study, np.exp(log_tau), values, seed), share


def study_of(open_air: list[tuple[str, str]]) -> Study:
    """A study of one product whose rows only say where strips lay."""
    exposures = {"X1": LAMP}
    for site, laid in open_air:
        name = f"at {site}"
        exposures[name] = Exposure(name=name, lamp="outdoor", axis="days", dose_unit="days",
                                   site=site, laid=laid)  # fmt: skip
    where = ["X1"] * len(DOSES) + [x for x in exposures if x != "X1" for _ in DAYS]
    dose = np.concatenate([DOSES, *[DAYS for _ in open_air]])
    n = len(where)
    hours = np.where(np.array(where) == "X1", np.nan, dose * 24)
    rows = xarray.Dataset(
        {
            "material": ("row", np.full(n, "A")),
            "exposure": ("row", np.array(where)),
            "dose": ("row", dose.astype(float)),
            "hours": ("row", hours),
            "used": ("row", np.ones(n, dtype=bool)),
        }
    )
    return Study(
        folder=Path(), title="simulated", property="strip tensile strength", unit="kN/m",
        thresholds=(0.5,), rows=rows, exposures=exposures, invented=True,
        materials={"A": Material(name="A", polymer=POLYMER)}, question=Question(level=LEVEL),
    )  # fmt: skip


UNKNOWN: dict[str, Callable[[Truth, np.random.Generator], Truth]] = {
    "all from the priors": lambda t, rng: t,
    "another log spread of 0.3 in the open": lambda t, rng: replace(t, unknown=0.3 * rng.normal()),
    "lamp and sky differ twice as much": lambda t, rng: replace(t, spread=2 * t.spread),
    "all fall 1.5 times faster in the open": lambda t, rng: replace(t, unknown=-math.log(1.5)),
    "less heat counts in the open": lambda t, rng: replace(t, sky_energy=-20.0),
}
DESIGNS = ("lamp", "lamp and another site", "lamp and the same site")


def trial(design: str, unknown: str, seed: int) -> dict[str, float]:
    """One product at one site: whether the interval holds the days, and how wide it is."""
    rng = np.random.default_rng([seed, 20])
    names = list(SITES)
    site = names[rng.integers(len(names))]
    month, day = int(rng.integers(1, 13)), int(rng.integers(1, 28))
    laid = f"2031-{month:02d}-{day:02d}"
    other = site
    while design == "lamp and another site" and other == site:
        other = names[rng.integers(len(names))]
    truth = UNKNOWN[unknown](drawn(rng, list(dict.fromkeys([site, other]))), rng)
    tested = [] if design == "lamp" else [(other, f"2031-{(month + 5) % 12 + 1:02d}-15")]
    study = study_of(tested)
    log_dose = [truth.under_lamp(DOSES)]
    log_dose += [truth.in_the_open(name, start, np.array(DAYS)) for name, start in tested]
    cells = strips(truth, np.concatenate(log_dose), rng)
    if tested:
        clock = material_clock(study, "A")
        terms = [expansion(clock, "X1", DOSES)]
        terms += [expansion(clock, f"at {name}", np.array(DAYS)) for name, _ in tested]
    else:
        clock, terms = None, [(np.log(DOSES), np.zeros((4, 0)), np.zeros((4, 0, 0)))]
    seen, share = posterior(cells, clock, terms, study, rng, seed)
    done = translate(seen, site=site, fractions=[0.5], of="mean", laying=laid, seed=seed)
    days = done.draws("A", "", "mean", 0.5).values.reshape(-1)
    # the year of laying is a new one
    log_uv, _, part = truth.at_site[site]
    year = math.log(float(BOOK["year_to_year"].draws(1, rng)[0]))
    actual = replace(truth, at_site={site: (log_uv, year, part)}).days(site, laid)
    tails = [(1 - LEVEL) / 2, (1 + LEVEL) / 2]
    low, high = np.quantile(days, tails, method="inverted_cdf")
    width = math.log(high / low) / 2 if math.isfinite(high) and low > 0 else math.inf
    held = float(low <= actual <= high)
    return {"held": held, "below": float(actual < low), "half_width": width, "share": share}


def run(design: str, unknown: str, products: int, first: int = 0) -> dict[str, float]:
    """Shares over many products; the half width is the median of the log interval's."""
    found = [trial(design, unknown, first + i) for i in range(products)]
    return {
        "held": float(np.mean([f["held"] for f in found])),
        "below": float(np.mean([f["below"] for f in found])),
        "factor": math.exp(float(np.median([f["half_width"] for f in found]))),
        "share": float(np.median([f["share"] for f in found])),
    }


def main() -> None:
    products = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    print(f"{products} products a line; 90 % intervals of days to half the strength")
    print(f"{'design':<26}{'truth':<40}{'held':>7}{'sooner':>8}{'width':>8}{'eff.':>6}{'s':>7}")
    chosen = [int(x) - 1 for x in sys.argv[2:4]]
    for design in DESIGNS[chosen[0] : chosen[0] + 1] if chosen else DESIGNS:
        for unknown in list(UNKNOWN)[chosen[1] : chosen[1] + 1] if chosen[1:] else UNKNOWN:
            began = time.process_time()
            f = run(design, unknown, products)
            print(
                f"{design:<26}{unknown:<40}{f['held']:>7.1%}{f['below']:>8.1%}"
                f"{'×/÷ ' + format(f['factor'], '.2f'):>8}{f['share']:>6.2f}"
                f"{time.process_time() - began:>7.0f}",
                flush=True,
            )


if __name__ == "__main__":
    main()
