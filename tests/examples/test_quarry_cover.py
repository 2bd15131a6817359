"""Is the invented study what its script makes, and does it hold the truth it states?"""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import openpyxl
import pytest

from durability.retention import groups
from durability.study import read_study

EXAMPLES = Path(__file__).parents[2] / "examples"


@pytest.fixture(scope="module")
def script():
    spec = importlib.util.spec_from_file_location("script", EXAMPLES / "make_quarry_cover.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def cells(file: Path):
    return list(openpyxl.load_workbook(file)["strips"].values)


def test_the_script_makes_the_same_files_byte_for_byte(script, tmp_path):
    script.write(tmp_path)
    names = [
        "quarry-cover/specimens.csv",
        "quarry-cover/chamber_X1.csv",
        "quarry-cover-spreadsheet/chamber_X1.csv",
    ]
    for name in names:
        assert (tmp_path / name).read_bytes() == (EXAMPLES / name).read_bytes(), name
        assert (EXAMPLES / name).stat().st_size < 200_000
    # the container of a spreadsheet holds the time of writing; its cells do not
    name = "quarry-cover-spreadsheet/strips.xlsx"
    assert cells(tmp_path / name) == cells(EXAMPLES / name)


def test_the_spreadsheet_gives_the_same_strips_number_for_number():
    a = read_study(EXAMPLES / "quarry-cover").rows
    b = read_study(EXAMPLES / "quarry-cover-spreadsheet").rows
    assert set(a) == set(b)
    for name in set(a) - {"file"}:
        np.testing.assert_array_equal(a[name].values, b[name].values, err_msg=str(name))


def test_the_study_has_the_accidents_of_a_real_one():
    study = read_study(EXAMPLES / "quarry-cover")
    rows = study.rows
    assert study.invented and rows.sizes["row"] == 360
    assert sorted(set(rows["reason"].values)) == [
        "", "broke at the jaw", "cut at a slant; edge threads missing",
    ]  # fmt: skip
    assert int((rows["censored"].values == -1).sum()) == 1
    counts = groups(study)
    strips = (counts["n"] + counts["n_below"] + counts["n_not_used"]).values
    assert counts.sizes["group"] == 72 and set(strips) == {4, 5, 6}
    assert len(set(rows["strength"].values)) == 360  # no copied rows


def test_doses_are_read_from_the_record_with_its_dark_hours(script):
    # the record was made with 0.98 of the set 0.35 W/(m² nm) and 14 dark hours of 1500
    found = groups(read_study(EXAMPLES / "quarry-cover"))
    dose = dict(zip(found["hours"].values, found["dose"].values, strict=True))
    assert dose[1500.0] == pytest.approx(0.35 * 0.98 * 3.6 * (1500 - 14), rel=2e-3)
    assert dose[600.0] == pytest.approx(0.35 * 0.98 * 3.6 * 600, rel=2e-3)


@pytest.mark.parametrize("material", ["A", "B"])
def test_half_is_left_near_the_stated_threshold(script, material):
    # a straight line through log(-log R) of the group means, lots together: rough, but blind to
    # how the strips were made; lots scatter by 10 % and there are three of them
    found = groups(read_study(EXAMPLES / "quarry-cover"))
    found = found.sel(group=(found["material"] == material) & (found["direction"] == "machine"))
    unexposed = found.sel(group=found["dose"] == 0)
    start = dict(zip(unexposed["lot"].values, unexposed["mean"].values, strict=True))
    left = found.sel(group=(found["dose"] > 300) & (found["bound"] == 0))
    dose = left["dose"].values
    ratio = left["mean"].values / [start[lot] for lot in left["lot"].values]
    slope, centre = np.polyfit(np.log(dose), np.log(-np.log(ratio)), 1)
    half = np.exp((np.log(np.log(2)) - centre) / slope)
    assert slope == pytest.approx(script.SHAPE, rel=0.15)
    assert half == pytest.approx(script.TAU[material], rel=0.2)
