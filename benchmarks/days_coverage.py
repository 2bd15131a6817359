"""How often does the 90 % interval of days to the threshold hold the true days?

Products and sites are simulated with every uncertain input drawn from its prior; a laboratory
exposes strips of each under a lamp at four doses, and in some designs strips hang on a rack in the
open too; the product itself lies on the ground. Each study is fitted by `durability.fit` and its
days are read by `durability.translate`, as a user's would be. True days are found on
`durability.exposure.OutdoorClock`, which shares the rate of an hour with the translation, not its
search for days.

Designs: strips under the lamp alone; with strips in the open at another site; with strips in the
open at the same site, laid in the opposite season. Truths that the model does not know: products
differ in the open by another log spread of 0.3; lamp and sky differ twice as much as the model has
it; every product falls 1.5 times faster in the open; the activation energy is 20 kJ/mol less under
the sky than under the lamp.

    python benchmarks/days_coverage.py [products a line [design, counted from 1 [truth [cores]]]]
"""

from __future__ import annotations

import functools
import math
import sys
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
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
from durability.inference import Sampler, fit
from durability.study.model import Exposure, Material, Question, Segment, Study
from durability.translation import translate

POLYMER = "polypropylene"
BOOK, OWN = translation_assumptions(), material_assumptions(POLYMER)
SITES = ("miami", "phoenix", "po-valley", "northway")
LAW = "stretched-exponential"
LEVEL = 0.9
STRIPS = 5
UNEXPOSED = 20.0
LEAST = 0.2  # strength that the machine can tell; weaker strips are known to be weaker
HOURS = (150.0, 300.0, 500.0, 800.0)
DAYS = (30.0, 60.0, 120.0)
PRIOR_TAU_SD = 1.2
PRIOR_LOT_SPREAD = 0.3
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

    tau: float  # of the product; its one lot that was tested departs
    lot: float  # log
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
        """Log of the share left of the lot that was tested."""
        return -math.log(2) * np.exp(self.shape * (log_dose - math.log(self.tau) - self.lot))

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


def drawn(rng: np.random.Generator, names: list[str], *, joint: bool) -> Truth:
    """A product whose every unknown is drawn from the prior that the toolkit states.

    `joint`: its strips lie in the open too, so that the prior of its threshold dose is on the
    effective dose; of strips under one lamp it is on the lamp's dose as set.
    """
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
        lot=PRIOR_LOT_SPREAD * abs(rng.normal()) * rng.normal(),
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
    tau = DOSES.max() * math.exp(PRIOR_TAU_SD * rng.normal())
    return replace(truth, tau=tau if joint else math.exp(truth.under_lamp(np.array([tau]))[0]))


def study_of(truth: Truth, open_air: list[tuple[str, str]], rng: np.random.Generator) -> Study:
    """Strips of one product as a laboratory would hand them over; some hung at sites from dates."""
    exposures = {"X1": LAMP}
    parts = [("", np.zeros(1), np.zeros(1)), ("X1", DOSES, truth.log_left(truth.under_lamp(DOSES)))]
    days = np.array(DAYS)
    for site, laid in open_air:
        name = f"at {site}"
        exposures[name] = Exposure(name=name, lamp="outdoor", axis="days", dose_unit="days",
                                   site=site, laid=laid, on_ground=False)  # fmt: skip
        parts.append((name, days, truth.log_left(truth.in_the_open(site, laid, days))))
    where = np.concatenate([np.full(dose.size * STRIPS, name) for name, dose, _ in parts])
    dose = np.repeat(np.concatenate([dose for _, dose, _ in parts]), STRIPS)
    level = np.repeat(np.concatenate([left for *_, left in parts]), STRIPS)
    n = dose.size
    strength = UNEXPOSED * np.exp(level + truth.scatter * rng.standard_normal(n))
    columns = {
        "material": np.full(n, "A"),
        "lot": np.full(n, ""),
        "direction": np.full(n, ""),
        "exposure": where,
        "specimen": np.arange(n).astype(str),
        "summary": np.zeros(n, bool),
        "strength": np.maximum(strength, LEAST),
        "sd": np.full(n, np.nan),
        "n": np.ones(n, int),
        "censored": np.where(strength < LEAST, -1, 0),
        "used": np.ones(n, bool),
        "reason": np.full(n, ""),
        "hours": np.where(where == "X1", np.nan, dose * 24),
        "dose": dose,
        "elongation": np.full(n, np.nan),
        "laboratory": np.full(n, ""),
        "run": np.full(n, ""),
        "file": np.full(n, "simulated"),
        "line": np.arange(n) + 2,
    }
    return Study(
        folder=Path(), title="simulated", property="strip tensile strength", unit="kN/m",
        thresholds=(0.5,), rows=xarray.Dataset({k: ("row", v) for k, v in columns.items()}),
        exposures=exposures, materials={"A": Material(name="A", polymer=POLYMER)},
        question=Question(level=LEVEL), invented=True,
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
    tested = [] if design == "lamp" else [(other, f"2031-{(month + 5) % 12 + 1:02d}-15")]
    names = list(dict.fromkeys([site, other]))
    truth = UNKNOWN[unknown](drawn(rng, names, joint=bool(tested)), rng)
    study = study_of(truth, tested, rng)
    fitted = fit(study, law=LAW, seed=seed, sampler=Sampler(cores=1))
    done = translate(fitted, site=site, fractions=[0.5], of="mean", laying=laid, seed=seed)
    days = done.draws("A", "", "mean", 0.5).values.reshape(-1)
    # the year of laying is a new one
    log_uv, _, part = truth.at_site[site]
    year = math.log(float(BOOK["year_to_year"].draws(1, rng)[0]))
    actual = replace(truth, at_site={site: (log_uv, year, part)}).days(site, laid)
    tails = [(1 - LEVEL) / 2, (1 + LEVEL) / 2]
    low, high = np.quantile(days, tails, method="inverted_cdf")
    width = math.log(high / low) / 2 if math.isfinite(high) and low > 0 else math.inf
    held = float(low <= actual <= high)
    mixed = float(fitted.diagnostics.ok)
    return {"held": held, "below": float(actual < low), "half_width": width, "mixed": mixed}


def run(
    design: str, unknown: str, products: int, first: int = 0, cores: int = 1
) -> dict[str, float]:
    """Shares over many products; the half width is the median of the log interval's."""
    one, seeds = functools.partial(trial, design, unknown), range(first, first + products)
    if cores == 1:
        found = list(map(one, seeds))
    else:
        with ProcessPoolExecutor(cores) as pool:
            found = list(pool.map(one, seeds, chunksize=10))
    return {
        "held": float(np.mean([f["held"] for f in found])),
        "below": float(np.mean([f["below"] for f in found])),
        "factor": math.exp(float(np.median([f["half_width"] for f in found]))),
        "mixed": float(np.mean([f["mixed"] for f in found])),
    }


def main() -> None:
    products = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    cores = int(sys.argv[4]) if len(sys.argv) > 4 else 2
    print(f"{products} products a line; 90 % intervals of days to half the strength")
    print(f"{'design':<26}{'truth':<40}{'held':>7}{'sooner':>8}{'width':>8}{'mixed':>8}{'s':>7}")
    chosen = [int(x) - 1 for x in sys.argv[2:4]]
    for design in DESIGNS[chosen[0] : chosen[0] + 1] if chosen else DESIGNS:
        for unknown in list(UNKNOWN)[chosen[1] : chosen[1] + 1] if chosen[1:] else UNKNOWN:
            began = time.perf_counter()
            f = run(design, unknown, products, cores=cores)
            print(
                f"{design:<26}{unknown:<40}{f['held']:>7.1%}{f['below']:>8.1%}"
                f"{'×/÷ ' + format(f['factor'], '.2f'):>8}{f['mixed']:>8.1%}"
                f"{time.perf_counter() - began:>7.0f}",
                flush=True,
            )


if __name__ == "__main__":
    main()
