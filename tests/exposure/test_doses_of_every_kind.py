"""Errors of places read off a figure follow the clock of their exposure."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest
import xarray

from durability.exposure import with_dose, with_doses
from durability.exposure.dosing import delivery_cautions
from durability.study.model import Exposure, Material, Study
from durability.study.problem import StudyError

XENON = Exposure(name="X1", lamp="xenon-daylight", irradiance=0.35, band="340 nm")
NAN = float("nan")


def table(dimension: str, exposure: str = "X1", **columns: list[float]) -> xarray.Dataset:
    n = len(next(iter(columns.values())))
    names = {"exposure": [exposure] * n, "file": ["t.csv"] * n, "line": list(range(2, n + 2))}
    return xarray.Dataset({k: (dimension, np.array(v)) for k, v in {**names, **columns}.items()})


def study(exposure: Exposure = XENON, **tables: xarray.Dataset) -> Study:
    rows = tables.pop("rows", table("row", hours=[], dose=[]))
    return Study(
        folder=Path("."), title="invented", property="strip tensile strength", unit="kN/m",
        thresholds=(0.5,), rows=rows, exposures={exposure.name: exposure},
        materials={"A": Material(name="A")}, **tables,
    )  # fmt: skip


def test_an_error_of_hours_is_one_of_dose_and_back():
    rows = table(
        "row", hours=[500.0, NAN, 500.0], dose=[NAN, 630.0, NAN],
        hours_sd=[10.0, NAN, NAN], dose_sd=[NAN, 12.6, NAN],
    )  # fmt: skip
    done = with_dose(study(rows=rows))
    # 0.35 W/(m² nm) delivers 1.26 kJ/(m² nm) an hour
    np.testing.assert_allclose(done["dose_sd"], [12.6, 12.6, NAN])
    np.testing.assert_allclose(done["hours_sd"], [10.0, 10.0, NAN])


def test_an_error_of_hours_under_a_record_takes_the_rate_around_that_hour():
    time = np.datetime64("2024-03-01") + np.arange(201).astype("timedelta64[h]")
    irradiance = np.where(np.arange(201) < 100, 0.35, 0.70)
    record = xarray.Dataset({"irradiance": ("time", irradiance)}, {"time": time})
    exposure = dataclasses.replace(XENON, record=record)
    rows = table("row", hours=[50.0, 150.0], dose=[NAN] * 2, hours_sd=[5.0] * 2, dose_sd=[NAN] * 2)
    done = with_dose(study(exposure, rows=rows))
    np.testing.assert_allclose(done["dose_sd"], [5 * 1.26, 5 * 2.52], rtol=1e-6)


def test_near_the_start_the_error_stops_at_no_dose():
    rows = table("row", hours=[5.0], dose=[NAN], hours_sd=[10.0], dose_sd=[NAN])
    assert with_dose(study(rows=rows))["dose_sd"].values[0] == pytest.approx(12.6)


def test_a_crossing_not_seen_yet_stays_without_end():
    looks = table(
        "inspection", hours_low=[250.0, 0.0], hours_high=[np.inf, 250.0],
        dose_low=[NAN, 0.0], dose_high=[np.inf, NAN],
    )  # fmt: skip
    done = with_doses(study(inspections=looks)).inspections
    assert done is not None
    np.testing.assert_allclose(done["dose_low"], [315, 0])
    np.testing.assert_allclose(done["dose_high"], [np.inf, 315])


def test_every_kind_without_a_way_to_dose_is_a_problem_of_its_own_table():
    own = Exposure(name="X1", axis="AFU")
    given = study(
        own,
        readings=table("reading", hours=[0.0, 100.0], dose=[0.0, NAN]),
        inspections=table("inspection", hours_low=[5.0], hours_high=[9.0], dose_low=[NAN],
                          dose_high=[NAN]),
    )  # fmt: skip
    with pytest.raises(StudyError) as caught:
        with_doses(given)
    places = [(p.column, p.row, p.found) for p in caught.value.problems]
    assert places == [("hours", 3, "100 h"), ("hours_low", 2, "5 h"), ("hours_high", 2, "9 h")]


def test_readings_after_the_record_ends_are_said():
    time = np.datetime64("2024-03-01") + np.arange(101).astype("timedelta64[h]")
    record = xarray.Dataset({"irradiance": ("time", np.full(101, 0.35))}, {"time": time})
    exposure = dataclasses.replace(XENON, record=record)
    late = study(exposure, readings=table("reading", hours=[0.0, 150.0], dose=[0.0, NAN]))
    assert "record_ends_early" in [c.name for c in delivery_cautions(late)]


def test_the_study_is_left_as_it_was():
    given = study(readings=table("reading", hours=[0.0, 500.0], dose=[0.0, NAN]))
    with_doses(given)
    assert given.readings is not None and np.isnan(given.readings["dose"].values[1])
