"""Doses are shown in the unit that the study names, and mean the same light."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

from durability import StudyError, fit, read_study
from durability.exposure import delivery, with_doses
from durability.exposure.chamber import chambers

EXAMPLE = Path(__file__).parents[2] / "examples" / "quarry-cover"


def copy(folder: Path, unit: str | None, *, header: str | None = None) -> Path:
    """The example with a dose_unit, and with doses in place of hours where a header is given."""
    shutil.copytree(EXAMPLE, folder, ignore=shutil.ignore_patterns("results"))
    toml = folder / "study.toml"
    text = toml.read_text(encoding="utf-8")
    if unit is not None:
        text = text.replace('unit = "kN/m"', f'unit = "kN/m"\ndose_unit = "{unit}"')
    if header is not None:
        text = text.replace('record = "chamber_X1.csv"\n', "")
        table = folder / "specimens.csv"
        lines = table.read_text(encoding="utf-8")
        assert "hours" in lines.splitlines()[0]
        table.write_text(lines.replace("hours", header, 1), encoding="utf-8")
    toml.write_text(text, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def plain():
    return read_study(EXAMPLE)


@pytest.fixture(scope="module")
def named(tmp_path_factory):
    return read_study(copy(tmp_path_factory.mktemp("named") / "study", "MJ/m^2/nm"))


def test_the_dose_that_a_chamber_delivered_is_the_same_light(plain, named):
    usual, mega = (delivery(s.exposures["X1"]) for s in (plain, named))
    assert mega.dose_unit == "MJ/(m² nm) at 340 nm"
    assert float(mega.dose(500.0)) == pytest.approx(float(usual.dose(500.0)) / 1000, rel=1e-12)
    assert float(mega.hours(0.63)) == pytest.approx(float(usual.hours(630.0)), rel=1e-12)
    one, other = chambers(plain)[0], chambers(named)[0]
    assert other.dose == pytest.approx(one.dose / 1000, rel=1e-12)
    assert other.nominal_dose == pytest.approx(one.nominal_dose / 1000, rel=1e-12)


def test_a_threshold_is_stated_in_the_unit_and_hours_and_days_stay(plain, named):
    from durability.translation.lamp import lamp_clock

    fits = [fit(s, method="likelihood") for s in (plain, named)]
    usual, mega = (f.threshold_dose(0.5, of="mean")[0] for f in fits)
    assert mega.unit == "MJ/(m² nm) at 340 nm"
    for end in ("value", "low", "high"):
        assert getattr(mega, end) == pytest.approx(getattr(usual, end) / 1000, rel=1e-6)
    clocks = [lamp_clock(s.exposures["X1"]) for s in (plain, named)]
    assert clocks[1].per_hour == pytest.approx(clocks[0].per_hour / 1000, rel=1e-12)


def test_a_header_in_another_unit_is_converted_and_kept_as_entered(tmp_path):
    given = read_study(copy(tmp_path / "a", "MJ/m^2/nm", header="dose [kJ/m^2/nm]"))
    dose = with_doses(given).rows["dose"].values
    assert given.rows["dose"].values.max() == pytest.approx(dose.max())
    usual = read_study(copy(tmp_path / "b", None, header="dose [kJ/m^2/nm]"))
    assert np.allclose(given.rows["dose"].values * 1000, usual.rows["dose"].values, equal_nan=True)
    kept = read_study(copy(tmp_path / "c", "J/m^2/nm", header="dose [J/m^2/nm]"))
    assert kept.rows["dose"].values.max() == usual.rows["dose"].values.max()


def test_langleys_are_shown_as_langleys(tmp_path):
    folder = copy(tmp_path / "study", "kLy", header="dose [kLy]")
    toml = folder / "study.toml"
    text = toml.read_text(encoding="utf-8").replace('"0.35 W/m^2/nm"', '"550 W/m^2"')
    toml.write_text(text.replace('"340 nm"', '"300-800 nm"'), encoding="utf-8")
    read = read_study(folder)
    assert read.exposures["X1"].dose_unit == "kLy in 300-800 nm"
    given = delivery(read.exposures["X1"])
    # 550 W/m² for an hour is 1.98 MJ/m², and a kilolangley is 41.84 MJ/m² (units.py)
    assert given.dose_per_light_hour == pytest.approx(1.98 / 41.84, rel=1e-12)


@pytest.mark.parametrize(
    ("unit", "words"),
    [("kLy", "a unit of the dose of an exposure of this study"), ("h", "time"), ("lux", "lux")],
)
def test_a_unit_that_measures_no_dose_of_the_study_is_refused(tmp_path, unit, words):
    with pytest.raises(StudyError) as error:
        read_study(copy(tmp_path / "study", unit))
    (problem,) = error.value.problems
    assert problem.column == "study.dose_unit"
    assert words in str(problem)
