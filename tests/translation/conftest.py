"""An invented fit and invented skies, whose answers can be worked out without the package."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import xarray

from durability.exposure import Assumption
from durability.statement import Statements
from durability.study.model import Exposure, Material, Question, Segment, Study


class InventedFit:
    """Threshold draws given by hand, a clock given by hand."""

    law = "invented"
    level = 0.9
    seed = 7

    def __init__(self, study: Study, tau: np.ndarray, *, lots: np.ndarray | None = None) -> None:
        self.study = study
        self.tau = tau
        self.lots = np.ones_like(tau) if lots is None else lots
        self.exponent = np.ones_like(tau)
        self.energy = np.zeros_like(tau)
        self.directions_of = {name: ("machine",) for name in study.materials}

    @property
    def materials(self) -> tuple[str, ...]:
        return tuple(self.study.materials)

    def directions(self, material: str) -> tuple[str, ...]:
        return self.directions_of[material]

    def exposures(self, material: str) -> tuple[str, ...]:
        return tuple(self.study.exposures)

    def threshold_draws(
        self, fraction, *, of, material, direction, exposure, share=None
    ) -> np.ndarray:
        assert (share is not None) == (of == "single_specimen")
        factor = 2.0 if direction == "cross" else 1.0
        return self.tau * factor * (0.5 / fraction) * (1.0 if of == "mean" else self.lots)

    def clock_draws(self, material: str) -> dict[str, np.ndarray]:
        return {"reciprocity_exponent": self.exponent, "activation_energy": self.energy}

    def last_dose(self, material: str, exposure: str) -> float:
        return 1000.0

    def statements(self) -> Statements:
        return Statements()


@pytest.fixture
def lamp() -> Exposure:
    return Exposure(
        name="X1",
        irradiance=0.35,
        band="340 nm",
        irradiance_uncertainty=0.0,
        cycle=(Segment(minutes=60, light=True, black_panel=65.0, air=40.0),),
        dose_unit="kJ/(m² nm) at 340 nm",
    )


@pytest.fixture
def make_study():
    def make(*exposures: Exposure, materials: tuple[str, ...] = ("A",), **question) -> Study:
        return Study(
            folder=Path(),
            title="invented",
            property="strip tensile strength",
            unit="kN/m",
            thresholds=(0.5,),
            rows=xarray.Dataset(),
            exposures={e.name: e for e in exposures},
            materials={name: Material(name=name) for name in materials},
            question=Question(**question),
            invented=True,
        )

    return make


@pytest.fixture
def fit_of(make_study, lamp):
    """A fit of materials and draws, to one exposure unless others are given."""

    def make(tau, *exposures: Exposure, lots=None, materials=("A",), **question) -> InventedFit:
        study = make_study(*(exposures or (lamp,)), materials=materials, **question)
        return InventedFit(study, np.asarray(tau, dtype=float), lots=lots)

    return make


@pytest.fixture
def sunny_year() -> xarray.Dataset:
    """A sky with days, seasons and clouds by formula; what `sky_exposure` gives, invented."""
    hour = np.arange(8760)
    elevation = np.sin(2 * np.pi * ((hour % 24 + 0.5) - 6) / 24)
    elevation += 0.25 * np.sin(2 * np.pi * (hour / 8760 - 0.22))
    up = np.maximum(elevation, 0.0)
    clear = -0.6 * np.abs(np.sin(hour * 0.71)) * (up > 0)
    e340 = 0.5 * up**1.3 * np.exp(0.8 * clear)
    air = 14 + 9 * np.sin(2 * np.pi * (hour / 8760 - 0.3)) + 5 * np.sin(2 * np.pi * (hour - 9) / 24)
    return xarray.Dataset(
        {
            "e340": ("hour", e340),
            "uv_300_400": ("hour", 95 * e340),
            "poa": ("hour", 900 * up * np.exp(clear)),
            "temp_air": ("hour", air),
            "wind_speed": ("hour", 2.5 + 1.5 * np.sin(hour * 0.13)),
            "log_clearness": ("hour", clear),
        }
    )


@pytest.fixture
def even_sky() -> xarray.Dataset:
    """The lamp's own irradiance, day and night, all year; no sun that warms."""
    even = np.ones(8760)
    return xarray.Dataset(
        {
            "e340": ("hour", 0.35 * even),
            "uv_300_400": ("hour", 33.0 * even),
            "poa": ("hour", 0.0 * even),
            "temp_air": ("hour", 50.0 * even),
            "wind_speed": ("hour", 2.0 * even),
            "log_clearness": ("hour", 0.0 * even),
        }
    )


@pytest.fixture
def certain_inputs() -> dict[str, Assumption]:
    """Every link known without error and equal to 1 (cloud power 0.8)."""
    names = ("uv_factor", "absorptance", "temperature_rise_factor")
    known = {n: Assumption(name=n, value=1.0, sd=0.0, source="invented") for n in names}
    for name in ("year_to_year", "lab_to_sky"):
        known[name] = Assumption(name=name, value=1.0, log_sd=0.0, source="invented")
    known["cloud_power"] = Assumption(name="cloud_power", value=0.8, sd=0.0, source="invented")
    return known


@pytest.fixture
def under(monkeypatch):
    """Put a sky and inputs of our own in place of a site's."""
    import importlib

    import durability.exposure

    module = importlib.import_module("durability.translation.translate")

    def put(sky: xarray.Dataset, inputs: dict[str, Assumption] | None = None):
        monkeypatch.setattr(durability.exposure, "sky_exposure", lambda *a, **k: sky)
        if inputs is not None:
            monkeypatch.setattr(module, "read_inputs", lambda: inputs)
        return durability.exposure.Site(
            name="nowhere",
            title="An invented place",
            latitude=0.0,
            longitude=0.0,
            altitude=0.0,
            utc_offset=0.0,
            hourly=xarray.Dataset(),
        )

    return put


@pytest.fixture(scope="session")
def plain_days():
    """Days by walking through the hours one by one: what the kernel must agree with."""
    return _plain_days


def _plain_days(rate, target, start, years=60):
    """Walk through the hours of the year, one by one, from the start until the target."""
    if target <= 0:
        return 0.0
    hour, done, left = int(start), 0.0, target
    part = 1 - (start - hour)
    for _ in range(years * 8760):
        gained = rate[hour % 8760] * part
        if gained >= left:
            return (done + part * left / gained) / 24
        left -= gained
        done += part
        part = 1.0
        hour += 1
    return np.inf
