"""Do curves, widths and breaks of a study folder become the strength of its strips?"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from durability.retention import (
    groups,
    jaw_breaks,
    jaw_effect,
    method_departures,
    methods,
    read_method,
    responses,
    retained_strength,
    sections,
    strip_curves,
    with_strength,
)
from durability.study import StudyError, check_study, read_study

TOML = """
[study]
title = "curves"
property = "strip strength"
unit = "kN/m"
thresholds = [0.5]
[data]
specimens = "s.csv"
curves = "curves"
[tensile]
method = "cut-strip"
width = "50 mm"
gauge_length = "98 mm"
rate = "300 mm/min"
stiffness_at = ["2 %"]
[exposures.X]
axis = "cycles"
[materials.A]
"""


def write_curve(path: Path, peak: float, slack: float = 2.0) -> None:
    x = np.round(np.linspace(0, 12, 241), 4)
    f = np.where(x <= 10, peak * np.maximum(x - slack, 0) / (10 - slack), 0.0)
    points = "\n".join(f"{a:g};{b:.6f}" for a, b in zip(x, f, strict=True))
    path.write_text(f"Extension [mm];Force [N]\n{points}", encoding="utf-8")


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "curves").mkdir()
    rows = ["material,exposure,dose [cycles],specimen,curve,peak_force [N],break_at"]
    for cycles, peaks in ((0, (1000, 1050, 950)), (10, (500, 540, 480))):
        for i, peak in enumerate(peaks):
            name = f"c{cycles}_{i}"
            write_curve(tmp_path / "curves" / f"{name}.txt", peak)
            rows.append(f"A,X,{cycles},{cycles}-{i},{name},,")
    (tmp_path / "s.csv").write_text("\n".join(rows), encoding="utf-8")
    (tmp_path / "study.toml").write_text(TOML, encoding="utf-8")
    return tmp_path


def change(folder: Path, file: str, old: str, new: str) -> None:
    text = (folder / file).read_text(encoding="utf-8")
    assert old in text
    (folder / file).write_text(text.replace(old, new, 1), encoding="utf-8")


def test_a_strip_without_a_force_takes_the_peak_of_its_curve_over_its_width(folder):
    study = read_study(folder)
    assert np.isnan(study.rows["strength"].values).all() and study.rows["used"].values.all()
    rows = with_strength(study).rows
    assert rows["strength"].values == pytest.approx([20, 21, 19, 10, 10.8, 9.6])
    assert rows["elongation"].values == pytest.approx(8.0)  # (10 - 2)/(98 + 2)
    # secant at 2 %: a quarter of the peak over 50 mm and 0.02
    assert rows["stiffness"].values == pytest.approx(0.25 * rows["strength"].values / 0.02)
    assert groups(study)["mean"].values == pytest.approx([20, 30.4 / 3])


def test_elongation_and_stiffness_are_compared_as_strength_is(folder):
    study = read_study(folder)
    assert responses(study) == ("strength", "elongation", "stiffness")
    strength = retained_strength(study).one(dose=10.0)
    stiffness = retained_strength(study, response="stiffness").one(dose=10.0)
    assert stiffness.quantity == "retained_stiffness"
    assert (stiffness.value, stiffness.low) == pytest.approx((strength.value, strength.low))
    elongation = retained_strength(study, response="elongation").one(dose=10.0)
    assert elongation.value == pytest.approx(1.0)
    with pytest.raises(ValueError, match="unknown"):
        retained_strength(study, response="colour")  # type: ignore[arg-type]


def test_files_of_curves_are_inputs_of_the_study(folder):
    assert {f"curves/c{c}_{i}.txt" for c in (0, 10) for i in range(3)} <= set(
        read_study(folder).inputs
    )


def test_the_table_stays_and_a_different_curve_is_a_caution(folder):
    change(folder, "s.csv", "c0_0,,", "c0_0,1100,")
    study = with_strength(read_study(folder))
    assert study.rows["strength"].values[0] == pytest.approx(22)
    assert [c.row for c in study.cautions if c.name == "peak_unlike_curve"] == [2]
    change(folder, "s.csv", "c0_0,1100,", "c0_0,1001,")
    study = with_strength(read_study(folder))
    assert not [c for c in study.cautions if c.name == "peak_unlike_curve"]


def test_without_a_column_curve_the_name_of_the_strip_finds_its_file(folder):
    text = (folder / "s.csv").read_text(encoding="utf-8")
    lines = [line.split(",") for line in text.splitlines()]
    new = [",".join([*r[:3], r[4] if i else "specimen"]) for i, r in enumerate(lines)]
    (folder / "s.csv").write_text("\n".join(new), encoding="utf-8")
    assert with_strength(read_study(folder)).rows["strength"].values[0] == pytest.approx(20)


FAULTS = {
    "no such curve": ("s.csv", "c0_1", "c0_9", "the name of a file that [data] curves"),
    "no such folder": ("study.toml", 'curves = "curves"', 'curves = "kurven"', "a folder, a pat"),
    "outside the folder": ("study.toml", 'curves = "curves"', 'curves = "../x"', "a folder, a pat"),
    "no width": ("study.toml", 'width = "50 mm"', "", "the width of the strip"),
    "no curves named": ("study.toml", 'curves = "curves"', "", "no curve, since"),
    "unknown method": ("study.toml", "cut-strip", "cut-stripe", "a name of models/methods"),
    "rate of nothing": ("study.toml", "300 mm/min", "fast", "a speed of the jaws"),
    "word for a break": ("s.csv", "c0_1,,", "c0_1,,middle", '"gauge" or "jaw" or "slip"'),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_faults_are_told_when_the_study_is_read(fault, folder):
    file, old, new, expected = FAULTS[fault]
    change(folder, file, old, new)
    problems, _ = check_study(folder)
    assert any(expected in p.expected for p in problems), problems


def test_every_bad_curve_file_is_told_at_once_with_its_path(folder):
    for name in ("c0_0", "c10_2"):
        (folder / "curves" / f"{name}.txt").write_text("nothing", encoding="utf-8")
    with pytest.raises(StudyError) as error:
        groups(read_study(folder))
    assert [p.file for p in error.value.problems] == ["curves/c0_0.txt", "curves/c10_2.txt"]


def test_jaw_breaks_and_slips_are_left_out_or_kept_as_bounds(folder):
    change(folder, "s.csv", "c10_2,,", "c10_2,,jaw")
    change(folder, "s.csv", "c10_1,,", "c10_1,,slip")
    study = read_study(folder)
    assert study.rows["reason"].values[-2:].tolist() == ["slipped in the jaw", "broke at the jaw"]
    change(folder, "study.toml", "[exposures.X]", '[rules]\njaw_breaks = "at least"\n[exposures.X]')
    kept = read_study(folder)
    assert kept.rows["censored"].values[-2:].tolist() == [1, 1]
    for either in (study, kept):
        assert [(b.how, b.share_of_others) for b in jaw_breaks(either)] == [
            ("slip", pytest.approx(1.08)), ("jaw", pytest.approx(0.96)),
        ]  # fmt: skip
        (effect,) = (e for e in jaw_effect(either) if e.subject.dose == 10)
        assert effect.excluded is not None and effect.as_read is not None
        assert effect.at_least is not None and effect.at_least.is_bound
        assert effect.excluded.value == pytest.approx(0.5)
        assert effect.as_read.value == pytest.approx(30.4 / 60)


def test_what_the_practice_asks_is_held_against_what_was_done(folder):
    words = {d.what: d.done for d in method_departures(read_study(folder))}
    assert words == {"length between the jaws": "98 mm", "strips of a group": "3"}


@pytest.mark.parametrize("name", methods())
def test_every_number_of_a_method_has_a_unit_and_a_source(name):
    method = read_method(name)
    assert method.source and method.made_for
    assert method.strength_is in ("force", "force per width")
    for ask in method.asks.values():
        assert {"value", "unit", "source"} <= set(ask)


def test_sections_say_what_there_is_to_say(folder):
    names = [s.name for s in sections(read_study(folder), within=1.1)]
    assert names == ["curves", "practice", "strips_needed"]
    assert len(strip_curves(read_study(folder))) == 6
