"""The figure of a map: what is hatched, what stays empty, how many panels there are."""

from __future__ import annotations

import numpy as np
import pytest

from durability.report.map_figure import days_map_figure
from durability.study.model import Exposure
from durability.translation.days_map import days_map, invented_climate
from durability.translation.given import GivenThreshold, given_study


@pytest.fixture(scope="module")
def fit():
    lamp = Exposure(
        name="X", lamp="xenon-daylight", irradiance=0.35, band="340 nm",
        dose_unit="kJ/(m² nm) at 340 nm",
    )  # fmt: skip
    one = np.ones(20)
    study = given_study(lamp, title="invented", invented=True)
    return GivenThreshold(study=study, threshold=900 * one, exponent=0.9 * one, energy=30 * one)


def test_only_cells_that_never_reach_the_threshold_are_hatched(fit):
    grid = invented_climate(step=20.0)
    grid["ghi"] = grid.ghi.where(grid.latitude < 30, 0.0).where(grid.longitude > 10)
    made = days_map(fit, grid, of="mean")
    axis = days_map_figure(made).axes[0]
    hatched = [c for c in axis.collections if c.get_hatch()]
    assert len(hatched) == 1
    never = (made["reached"] == 0).isel(month=0)
    assert len(hatched[0].get_paths()) == int(never.sum()) > 0
    assert "hatched" in axis.figure.get_suptitle()


def test_a_map_of_one_day_of_laying_has_one_panel(fit):
    made = days_map(fit, invented_climate(step=20.0), of="mean", laying="2027-05-12")
    figure = days_map_figure(made)
    titles = [a.get_title(loc="left") or a.get_title() for a in figure.axes]
    assert [t for t in titles if t] == ["laid in May"]
    assert "hatched" not in figure.get_suptitle()
