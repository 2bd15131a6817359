"""Every row of a study gets its dose."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy
import pytest
import xarray

from durability.exposure import with_dose
from durability.exposure.dosing import delivery_cautions
from durability.study.model import Exposure, Material, Study
from durability.study.problem import StudyError


def study(exposure: Exposure, hours: list[float], dose: list[float], names: Any = None) -> Study:
    n = len(hours)
    rows = xarray.Dataset(
        {
            "exposure": ("row", numpy.array(names or [exposure.name] * n, dtype=str)),
            "hours": ("row", numpy.array(hours, dtype=float)),
            "dose": ("row", numpy.array(dose, dtype=float)),
            "used": ("row", numpy.ones(n, dtype=bool)),
            "file": ("row", numpy.array(["specimens.csv"] * n)),
            "line": ("row", numpy.arange(2, n + 2)),
        }
    )
    return Study(
        folder=Path("."),
        title="invented",
        property="strip tensile strength",
        unit="kN/m",
        thresholds=(0.5,),
        rows=rows,
        exposures={exposure.name: exposure},
        materials={"A": Material(name="A")},
    )


XENON = Exposure(name="X1", lamp="xenon-daylight", irradiance=0.35, band="340 nm")
NAN = float("nan")


def test_hours_become_dose_and_dose_becomes_hours() -> None:
    rows = with_dose(study(XENON, [0, 150, NAN], [0, NAN, 630]))
    numpy.testing.assert_allclose(rows["dose"], [0, 189, 630])
    numpy.testing.assert_allclose(rows["hours"], [0, 150, 500])


def test_the_study_is_left_as_it_was() -> None:
    given = study(XENON, [0, 150], [0, NAN])
    with_dose(given)
    assert numpy.isnan(given.rows["dose"].values[1])


def test_a_stated_dose_is_never_replaced() -> None:
    rows = with_dose(study(XENON, [0, 150], [0, 200]))
    assert rows["dose"].values[1] == 200


def test_unexposed_rows_shared_by_all_exposures_have_dose_zero() -> None:
    rows = with_dose(study(XENON, [NAN, 150], [NAN, NAN], names=["", "X1"]))
    numpy.testing.assert_allclose(rows["dose"], [0, 189])


def test_hours_may_be_the_axis() -> None:
    rows = with_dose(study(Exposure(name="H", axis="h"), [0, 150], [0, NAN]))
    numpy.testing.assert_allclose(rows["dose"], [0, 150])


def test_an_own_axis_keeps_its_dose_and_has_no_hours() -> None:
    rows = with_dose(study(Exposure(name="A", axis="AFU"), [0, NAN], [0, 80]))
    assert rows["dose"].values[1] == 80
    assert numpy.isnan(rows["hours"].values[1])


@pytest.mark.parametrize(
    ("exposure", "words"),
    [
        (Exposure(name="A", axis="AFU"), "dose [AFU]"),
        (Exposure(name="O", lamp="outdoor", band="300-400 nm"), "measured dose"),
        (Exposure(name="N", band="340 nm"), "irradiance"),
    ],
    ids=["own axis", "open sky", "no irradiance"],
)
def test_hours_without_a_way_to_dose_are_a_problem_with_its_row(
    exposure: Exposure, words: str
) -> None:
    with pytest.raises(StudyError) as caught:
        with_dose(study(exposure, [0, 150], [0, NAN]))
    (problem,) = caught.value.problems
    assert (problem.file, problem.row, problem.column) == ("specimens.csv", 3, "hours")
    assert problem.found == "150 h" and words in problem.expected and problem.mend


def test_strips_withdrawn_after_the_record_ends_are_said() -> None:
    time = numpy.datetime64("2024-03-01") + numpy.arange(101).astype("timedelta64[h]")
    data = xarray.Dataset({"irradiance": ("time", numpy.full(101, 0.35))}, {"time": time})
    exposure = Exposure(
        name="X1", lamp="xenon-daylight", irradiance=0.35, band="340 nm", record=data
    )
    given = study(exposure, [0, 150], [0, NAN])
    numpy.testing.assert_allclose(with_dose(given)["dose"], [0, 189])
    assert "record_ends_early" in [c.name for c in delivery_cautions(given)]
    inside = study(exposure, [0, 100], [0, NAN])
    assert "record_ends_early" not in [c.name for c in delivery_cautions(inside)]
