"""The pages of a plan show every strip, and a chamber's record its stops and tolerances."""

from __future__ import annotations

import io

import numpy
import pytest
import xarray

from durability.exposure import chamber
from durability.report.chamber_figure import chamber_figure
from durability.report.plan_figure import cutting_figure, places_figure, write_plan
from durability.study.model import Exposure
from durability.study.plan import Design, plan


@pytest.fixture(scope="module")
def made():
    return plan(Design(materials=("A",), lots=(("A1", "A2"),), hours=(150.0, 500.0), places=17))


def written(figure) -> list[str]:
    return [t.get_text() for axis in figure.axes for t in axis.texts]


def test_the_cutting_plan_shows_every_strip_of_a_lot_once(made) -> None:
    shown = written(cutting_figure(made, "A", "A1"))
    assert sorted(shown) == sorted(s.specimen[3:] for s in made.strips if s.lot == "A1")


def test_the_chamber_map_shows_every_exposed_strip_once_and_empty_places(made) -> None:
    figure = places_figure(made)
    assert sorted(written(figure)) == sorted(s.specimen for s in made.strips if s.tier)
    crosses = sum(len(axis.lines) for axis in figure.axes)
    assert crosses == 3 * 17 - made.design.exposed


def test_the_printed_plan_is_a_pdf_with_a_page_a_lot_and_one_of_places(made, tmp_path) -> None:
    write_plan(made, tmp_path / "plan.pdf")
    data = (tmp_path / "plan.pdf").read_bytes()
    assert data.startswith(b"%PDF-") and b"/Count 3" in data
    with pytest.raises(FileExistsError):
        write_plan(made, tmp_path / "plan.pdf")


def record(hours: float = 100.0) -> xarray.Dataset:
    hour = numpy.arange(0, hours, 0.25)
    light = numpy.where((hour > 40) & (hour < 50), 0.0, 0.35)
    data = {"irradiance": ("time", light), "black_panel": ("time", numpy.full(hour.size, 65.0))}
    time = numpy.datetime64("2031-01-01T00:00:00", "ns") + (hour * 3600).astype("timedelta64[s]")
    kept = (hour < 70) | (hour > 80)
    return xarray.Dataset(data, {"time": time}).isel(time=kept)


def test_stops_of_the_chamber_are_shaded_where_they_were() -> None:
    exposure = Exposure(
        name="X1", lamp="xenon-daylight", irradiance=0.35, band="340 nm", record=record()
    )
    assert len(chamber(exposure).interruptions) == 2
    figure = chamber_figure(exposure)
    axis = figure.axes[0]
    spans = sorted(p.get_extents().transformed(axis.transData.inverted()).x0 for p in axis.patches
                   if p.get_hatch())  # fmt: skip
    assert spans == pytest.approx([40, 69.75], abs=0.5)
    words = [t.get_text() for legend in figure.legends for t in legend.get_texts()]
    assert {"no record", "no light where light was due", "tolerance of the practice"} <= set(words)
    figure.savefig(io.BytesIO(), format="png")


def test_a_short_record_is_drawn_once_as_read() -> None:
    exposure = Exposure(
        name="X1", lamp="xenon-daylight", irradiance=0.35, band="340 nm", record=record(20.0)
    )
    assert len(chamber_figure(exposure).axes) == 2
