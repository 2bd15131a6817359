"""Translations and fits made by hand, so that every quantile is known."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import xarray

from durability.statement import Statement, Statements
from durability.study.model import Exposure, Material, Question, Study
from durability.translation import Translation


class GivenStudy(Study):
    """A study whose only strength is given."""

    def retention(self, level: float | None = None) -> Statements:
        return Statements([Statement(quantity="unexposed_strength", unit="kN/m", value=20.0)])


class GivenFit:
    """Threshold draws by material, and bounds where they are set."""

    law = "invented"
    level = 0.95
    seed = 1

    def __init__(self, tau: dict[str, np.ndarray], last: float = 1000.0, **question) -> None:
        self.tau = tau
        self.last = last
        self.bounds: dict[str, str] = {}
        self.study = GivenStudy(
            folder=Path(),
            title="invented",
            property="strength",
            unit="kN/m",
            thresholds=(0.5,),
            rows=xarray.Dataset(),
            exposures={"X1": Exposure(name="X1")},
            materials={m: Material(name=m) for m in tau},
            question=Question(**question),
        )

    @property
    def materials(self) -> tuple[str, ...]:
        return tuple(self.tau)

    def directions(self, material):
        return ("",)

    def exposures(self, material):
        return ("X1",)

    def threshold_draws(self, fraction, *, of, material, direction, exposure, share=None):
        return self.tau[material]

    def clock_draws(self, material):
        raise AssertionError("decisions do not read clocks")

    def last_dose(self, material, exposure):
        return self.last

    def bound(self, fraction, *, of, material, direction, exposure, share=None):
        return self.bounds.get(material)

    def statements(self) -> Statements:
        return Statements([Statement(quantity="threshold_dose", unit="MJ/m²", value=200.0)])


@pytest.fixture
def given_fit():
    return GivenFit


@pytest.fixture
def given_days():
    """A translation whose days are given: (month, draw), or (of, month, draw)."""

    def make(days, *, of=("mean",), materials=("A",), horizon_years=20.0, site="nowhere"):
        days = np.asarray(days, dtype=float)
        days = days.reshape((1, 1, -1, 1, *days.shape[-2:]))
        days = np.repeat(days, len(materials), axis=0)
        return Translation(
            site=site,
            title="An invented place",
            exposures={m: "X1" for m in materials},
            days=xarray.DataArray(
                days,
                dims=("material", "direction", "of", "fraction", "month", "draw"),
                coords={
                    "material": list(materials),
                    "direction": [""],
                    "of": list(of),
                    "fraction": [0.5],
                    "month": np.arange(1, days.shape[-2] + 1),
                },
            ),
            annual=xarray.Dataset(),
            effective_temperature=xarray.DataArray(0.0),
            budget=xarray.Dataset(),
            laying="every month",
            tilt=0.0,
            azimuth=180.0,
            horizon_years=horizon_years,
            share=0.9,
            level=0.95,
            inputs=(),
            cautions=(),
            assumptions=("translation_approximate", "lab_to_sky_prior"),
            seed=1,
        )

    return make
