"""Do published ranges of strength left outdoors overlap what is predicted from assumptions alone?

Nothing is fitted: threshold dose, shape, clock and sky are drawn from models/. The threshold dose
has the prior of a study that followed the 500-hour practice (0.35 W/(m² nm) at 340 nm, so half is
expected to be left within a factor of ten of 630 kJ/(m² nm)). Such an interval is wide, and the
sources say little of product and place; so this is a check of plausibility, and each range may be
missed. Which are missed is written here and asserted: a change that mends or breaks one must say
so. Nothing was tuned to them.

Sources are in data/degradation/published_retention_summaries.csv, as printed in abstracts; and for
the last two: "Weathering resistance of an unstabilised polypropylene geotextile", ICEG 2023 (the
same loss in 18 to 21 months in Portugal and in 10 days of laboratory ultraviolet, spray and
condensation: 55 to 65 by arithmetic), and a training slide on EN 12224 (50 MJ/m² said to match 1 to
6 months of central-European sun).
"""

from __future__ import annotations

import csv
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from durability.exposure import material_assumptions, read_site
from durability.exposure.monthly import MonthlyClimate, hours_of
from durability.exposure.site import Site
from durability.study.model import Exposure
from durability.translation.given import GivenThreshold, given_study
from durability.translation.inputs import stream
from durability.translation.reading import sky_clocks

DRAWS = 2000
TABLE = Path(__file__).parent / "data" / "degradation" / "published_retention_summaries.csv"
XENON = Exposure(
    name="X", lamp="xenon-daylight", irradiance=0.35, band="340 nm",
    dose_unit="kJ/(m² nm) at 340 nm",
)  # fmt: skip
FLUORESCENT = Exposure(
    name="X", lamp="fluorescent-uva-340-spray", irradiance=36.0, band="300-400 nm",
    dose_unit="MJ/m² in 300-400 nm",
)  # fmt: skip


POLYMERS = {"polyp": "polypropylene", "polyester": "polyester", "nylon": "polyamide"}


def assumed(polymer: str, exposure: Exposure) -> tuple[GivenThreshold, np.ndarray]:
    """Threshold dose and clock, and the shape, drawn from models/."""
    book = material_assumptions(polymer)
    clock = {
        name: book[name].draws(DRAWS, stream(1, name))
        for name in ("reciprocity_exponent", "activation_energy")
    }
    normal = stream(1, "threshold and shape").standard_normal((2, DRAWS))
    fit = GivenThreshold(
        study=given_study(exposure, polymer=polymer), level=0.9,
        threshold=630.0 * np.exp(1.2 * normal[0]),  # models/priors.toml, threshold_dose
        exponent=clock["reciprocity_exponent"], energy=clock["activation_energy"],
    )  # fmt: skip
    return fit, 1.2 * np.exp(0.5 * normal[1])  # models/laws/stretched-exponential.toml


def highland() -> Site:
    """7.75 S, 1250 m, as the source says. Sunlight and air there are common practice, no source."""
    climate = MonthlyClimate(
        latitude=-7.75, longitude=-78.0, altitude=1250.0, utc_offset=-5.0, sunlight=(19.0,) * 12,
        temp_air=(20.0,) * 12, wind_speed=(2.0,) * 12,
    )  # fmt: skip
    return Site(
        name="highland", title="tropical highland", latitude=-7.75, longitude=-78.0,
        altitude=1250.0, utc_offset=-5.0, hourly=hours_of(climate, warming=1.2), kind="monthly",
        air_temperature_sd=1.3, uv_log_sd=0.03,
    )  # fmt: skip


def clock_at(site: Site, polymer: str, exposure: Exposure) -> SimpleNamespace:
    fit, shape = assumed(polymer, exposure)
    clocks, _, _ = sky_clocks(fit, site=site, draws=DRAWS, on_ground=False)  # hung on racks
    return SimpleNamespace(threshold=fit.threshold, shape=shape, clock=clocks["A"])


def interval(draws: np.ndarray) -> tuple[float, float]:
    low, high = np.quantile(draws, [0.05, 0.95])
    return float(low), float(high)


def strength_left(site: Site, polymer: str, months: float) -> tuple[float, float]:
    """90 % interval of the percentage left after months in the open."""
    at = clock_at(site, polymer, XENON)
    dose = at.clock.lamp_dose([(0.0, months * 730.0)])[:, 0]
    return interval(100 * 0.5 ** ((dose / at.threshold) ** at.shape))


def xenon_to_sun() -> tuple[float, float]:
    """90 % interval of damage by xenon over that of a temperate summer at the same dose."""
    at = clock_at(read_site("po-valley"), "polypropylene", XENON)
    summer = (151 * 24.0, 243 * 24.0)
    same_damage = at.clock.lamp_dose([summer])[:, 0]
    from durability.exposure import sky_exposure

    sky = sky_exposure(read_site("po-valley"))["e340"].values[int(summer[0]) : int(summer[1])]
    factor = at.clock.links["uv_factor"] * at.clock.links["year_to_year"]
    return interval(3.6 * sky.sum() * factor / same_damage)


def days_in_the_open(site: Site, dose: float) -> np.ndarray:
    """Days (draw, month of laying) that do the damage of a dose under the fluorescent lamp."""
    at = clock_at(site, "polypropylene", FLUORESCENT)
    starts = np.tile((np.arange(12) * 730.0 + 6.0), (DRAWS, 1))
    return at.clock.days(np.full((DRAWS, 1), dose), starts)[:, 0, :]


@pytest.fixture(scope="module")
def compared() -> dict[str, tuple[tuple[float, float], tuple[float, float]]]:
    """Row to its published range and the predicted 90 % interval."""
    lines = TABLE.read_text(encoding="utf-8").splitlines()
    rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    found: dict[str, tuple[tuple[float, float], tuple[float, float]]] = {}
    ratio = xenon_to_sun()
    for row in rows:
        published = (float(row["low"]), float(row["high"]))
        name = f"{row['material']}: {row['quantity']}"
        if "ratio" in row["quantity"]:
            found[name] = (published, ratio)
            continue
        polymer = next(POLYMERS[word] for word in POLYMERS if word in row["material"])
        site = highland() if "7.75 S" in row["exposure"] else read_site("atlanta")
        months = float(row["duration"].split()[0])
        found[name] = (published, strength_left(site, polymer, months))
    # Portugal: the hourly year of San Francisco, a coast at its latitude (our choice)
    lamp_hours = 240.0
    spent = days_in_the_open(read_site("san-francisco"), 36.0 * 0.0036 * lamp_hours)
    found["unstabilised polypropylene: days in Portugal for one in the laboratory"] = (
        (55.0, 65.0), interval(spent.ravel() / (lamp_hours / 24)),
    )  # fmt: skip
    index = days_in_the_open(read_site("po-valley"), 50.0)
    found["European index test: months in the open"] = ((1.0, 6.0), interval(index.ravel() / 30.4))
    return found


MISSED = ("unstabilised polypropylene: days in Portugal",)
"""Rows whose published range lies outside, by the start of their name.

55 to 65 days in Portugal for one in the laboratory are published and 3 to 24 predicted: too few
days, which is the safe side. The source states neither lamp, irradiance nor temperature (36 W/m² in
300-400 nm is assumed), and a loss found at 18 months may have come months before.
"""


def test_published_ranges_overlap_the_predicted_intervals_except_those_named(compared) -> None:
    missed = [
        name
        for name, ((low, high), (least, most)) in compared.items()
        if high < least or low > most
    ]
    assert len(compared) == 10
    for name, (published, predicted) in compared.items():
        print(f"{name}: published {published}, predicted {predicted[0]:.3g} to {predicted[1]:.3g}")
    assert [any(name.startswith(m) for m in MISSED) for name in missed] == [True] * len(missed)
    assert len(missed) == len(MISSED)
    assert len(compared) - len(missed) >= 7


def test_the_comparison_can_fail(compared) -> None:
    """No interval spans everything: fresh strips, or ratios twice the published, lie outside."""
    for name, ((low, high), predicted) in compared.items():
        if "retained" in name:
            assert predicted[1] < 90.0, name
        elif "ratio" in name:
            assert predicted[1] < 2 * low, name
        else:
            assert predicted[1] < 2 * high, name


def test_the_priors_written_here_are_those_of_the_models() -> None:
    import tomllib

    from durability import catalogue

    book = tomllib.loads((catalogue.models_folder() / "priors.toml").read_text(encoding="utf-8"))
    assert book["threshold_dose"]["sd_log"] == 1.2
    shape = catalogue.read("laws", "stretched-exponential")["shape"]["k"]
    assert (shape["median"], shape["sd_log"]) == (1.2, 0.5)
