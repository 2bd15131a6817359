"""Each kind of data is read as what was written, and any mix stands in one study."""

from __future__ import annotations

import numpy as np
import openpyxl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from durability.exposure import with_doses
from durability.study import (
    StudyError,
    check_study,
    declared,
    inspections,
    read_study,
    readings,
    summaries,
)

HEAD = 'specimens = "specimens.csv"'


def only(folder, kind: str, text: str, **more):
    """The folder with one table, of one kind."""
    folder.change("study.toml", HEAD, f'{kind} = "{kind}.csv"')
    folder.write(f"{kind}.csv", text)
    return folder


READINGS = """\
material,lot,direction,exposure,specimen,hours,value [kN/m],value_sd,censored,excluded,run
A,L1,machine,X1,s1,0,20.5,,,,r1
A,L1,machine,X1,s1,250,18.25,0.5,,,r1
A,L1,machine,X1,s1,500,15,,below,,r1
A,L1,machine,X1,s2,0,21,,,,r1
A,L1,machine,X1,s2,250,,,,,r1
A,L1,machine,X1,s2,500,16,,,fell off the rack,r1
"""


def test_readings_of_a_specimen_are_held_together_by_its_name(folder):
    study = read_study(only(folder, "readings", READINGS).path)
    assert study.rows.sizes["row"] == 0 and study.readings is not None
    r = study.readings
    assert r.sizes == {"reading": 6}
    assert r["specimen"].values.tolist() == ["s1", "s1", "s1", "s2", "s2", "s2"]
    np.testing.assert_array_equal(r["value"].values, [20.5, 18.25, 15, 21, np.nan, 16])
    np.testing.assert_array_equal(r["value_sd"].values, [np.nan, 0.5, *[np.nan] * 4])
    assert r["censored"].values.tolist() == [0, 0, -1, 0, 0, 0]
    assert r["reason"].values.tolist() == ["", "", "", "", "blank", "fell off the rack"]
    assert r["used"].values.tolist() == [True] * 4 + [False] * 2
    assert r["line"].values.tolist() == [2, 3, 4, 5, 6, 7] and set(r["run"].values) == {"r1"}
    assert r["value"].attrs["units"] == "kN/m"
    filled = with_doses(study).readings
    assert filled is not None
    # 0.35 W/(m² nm) lit throughout: 500 h give 0.35 x 3.6 x 500 = 630 kJ/(m² nm)
    np.testing.assert_allclose(filled["dose"].values, [0, 315, 630, 0, 315, 630])


def test_a_reading_that_stands_twice_is_said(folder):
    text = READINGS + "A,L1,machine,X1,s1,250,18.25,0.5,,,r1\n"
    (found,) = [
        c
        for c in read_study(only(folder, "readings", text).path).cautions
        if c.name == "repeated_reading"
    ]
    assert found.rows == (8,) and "row 3 first" in found.text


INSPECTIONS = """\
material,lot,exposure,specimen,fraction,hours_low,hours_high,n
A,L1,X1,s1,,250,500,
A,L1,X1,s2,,500,,
A,L1,X1,s3,,,250,
A,L2,X1,,0.8,250,500,4
A,L2,X1,s4,0.8,300,300,
"""


def test_inspections_bracket_a_crossing(folder):
    study = read_study(only(folder, "inspections", INSPECTIONS).path)
    i = study.inspections
    assert i is not None and i.sizes == {"inspection": 5}
    np.testing.assert_array_equal(i["fraction"].values, [0.5, 0.5, 0.5, 0.8, 0.8])
    np.testing.assert_array_equal(i["hours_low"].values, [250, 500, 0, 250, 300])
    np.testing.assert_array_equal(i["hours_high"].values, [500, np.inf, 250, 500, 300])
    assert i["n"].values.tolist() == [1, 1, 1, 4, 1]
    assert i["used"].values.all()
    filled = with_doses(study).inspections
    assert filled is not None
    np.testing.assert_allclose(filled["dose_low"].values, [315, 630, 0, 315, 378])
    np.testing.assert_allclose(filled["dose_high"].values, [630, np.inf, 315, 630, 378])


def test_inspections_in_doses_get_their_hours(folder):
    text = "material,exposure,dose_low [kJ/m^2/nm],dose_high [kJ/m^2/nm]\nA,X1,315,630\nA,X1,315,\n"
    study = with_doses(read_study(only(folder, "inspections", text).path))
    assert study.inspections is not None
    np.testing.assert_allclose(study.inspections["hours_low"].values, [250, 250])
    np.testing.assert_allclose(study.inspections["hours_high"].values, [500, np.inf])


def test_a_crossing_of_a_required_strength_has_no_fraction(folder):
    folder.change("study.toml", "thresholds = [0.5]", 'required_strength = "8 kN/m"')
    text = "material,exposure,hours_low,hours_high\nA,X1,250,500\n"
    i = read_study(only(folder, "inspections", text).path).inspections
    assert i is not None and np.isnan(i["fraction"].values[0])


DECLARED = """\
material,exposure,hours,retained [%],strength [kN/m],sense,n
A,,0,,18,Minimum average roll value,
A,X1,500,70,,minimum,
B,X1,500,85,,typical,5
"""


def test_declared_values_keep_their_sense(folder):
    study = read_study(only(folder, "declared", DECLARED).path)
    d = study.declared
    assert d is not None and d.sizes == {"declaration": 3}
    assert d["sense"].values.tolist() == ["minimum average roll value", "minimum", "typical"]
    np.testing.assert_allclose(d["retained"].values, [np.nan, 0.7, 0.85])
    np.testing.assert_array_equal(d["strength"].values, [18, np.nan, np.nan])
    assert d["n"].values.tolist() == [0, 0, 5]
    assert [c.text for c in study.cautions if c.name == "declared_only"] == [
        "material A is known from declared values alone",
        "material B is known from declared values alone",
    ]
    filled = with_doses(study).declared
    assert filled is not None
    np.testing.assert_allclose(filled["dose"].values, [0, 630, 630])


def test_a_study_of_declared_values_alone_has_no_rows_and_no_retention(folder):
    study = read_study(only(folder, "declared", DECLARED).path)
    assert study.rows.sizes == {"row": 0}
    assert len(study.retention()) == 0
    assert "declared" in repr(study) and "not used" not in repr(study)


def test_all_five_kinds_stand_in_one_study(folder):
    tables = {
        "summaries": "material,exposure,hours,mean,cv [%],n\nB,X1,700,11,8,5\n",
        "readings": READINGS,
        "inspections": INSPECTIONS,
        "declared": DECLARED,
    }
    lines = [HEAD, *(f'{kind} = "{kind}.csv"' for kind in tables)]
    folder.change("study.toml", HEAD, "\n".join(lines))
    for kind, text in tables.items():
        folder.write(f"{kind}.csv", text)
    study = with_doses(read_study(folder.path))
    assert set(study.others()) == {"readings", "inspections", "declared"}
    assert dict(zip(*np.unique(study.rows["kind"].values, return_counts=True), strict=True)) == {
        "specimen": 15,
        "summary": 1,
    }
    for table in (study.rows, *study.others().values()):
        for name in ("dose", "dose_low", "dose_high"):
            assert name not in table or not np.isnan(table[name].values).any()
    assert "declared_only" not in {c.name for c in study.cautions}
    assert set(study.inputs) == {"study.toml", "specimens.csv", *(f"{k}.csv" for k in tables)}


def test_rows_by_hours_and_rows_by_dose_are_one_level_where_they_are_one_dose(folder):
    folder.change("study.toml", HEAD, HEAD + '\nsummaries = "old.csv"')
    folder.write("specimens.csv", "material,exposure,hours,strength\nA,X1,0,20\nA,X1,500,9\n")
    folder.write("old.csv", "material,exposure,dose [kJ/m^2/nm],mean,sd,n\nA,X1,630,9,1,5\n")
    named = [c.name for c in read_study(folder.path).cautions]
    assert "one_dose_level" in named


def test_kinds_may_be_sheets_of_one_spreadsheet(folder):
    book = openpyxl.Workbook()
    for name, text in {"readings": READINGS, "what they say": DECLARED}.items():
        sheet = book.create_sheet(name)
        for line in text.splitlines():
            sheet.append([float(c) if c.replace(".", "").isdigit() else c for c in line.split(",")])
    book.save(folder.path / "all.xlsx")
    folder.change(
        "study.toml",
        HEAD,
        'readings = { file = "all.xlsx", sheet = "readings" }\n'
        'declared = { file = "all.xlsx", sheet = "what they say" }',
    )
    study = read_study(folder.path)
    assert study.readings is not None and study.readings.sizes["reading"] == 6
    assert study.declared is not None and study.declared.sizes["declaration"] == 3


def test_the_spread_of_a_summary_may_be_sd_cv_or_standard_error(folder):
    text = (
        "material,exposure,hours,mean [lbf/in],sd,cv [%],se,n\n"
        "A,X1,0,100,10,,,16\nA,X1,500,100,,10,,16\nA,X1,900,100,,,2.5,16\nA,X1,950,90,,,,\n"
    )
    study = read_study(only(folder, "summaries", text).path)
    sd = study.rows["sd"].values
    # a standard error is sd/sqrt(n): 2.5 x 4 = 10, the sd and 10 % of the mean
    np.testing.assert_allclose(sd[:3], 10 * 4.4482216152605 / 25.4, rtol=1e-12)
    assert np.isnan(sd[3])
    assert ("spread_not_given", 5) in {(c.name, c.row) for c in study.cautions}


def test_errors_of_a_figure_are_columns(folder):
    text = (
        "material,exposure,dose [MJ/m^2/nm],dose_sd [kJ/m^2/nm],mean [kN/m],value_sd [N/cm],n\n"
        "A,X1,0,5,20,2,5\nA,X1,0.63,5,15,2,5\nA,X1,1.26,,8,,5\n"
    )
    study = with_doses(read_study(only(folder, "summaries", text).path))
    rows = study.rows
    np.testing.assert_allclose(rows["dose_sd"].values, [np.nan, 5, np.nan])
    np.testing.assert_allclose(rows["value_sd"].values, [0.2, 0.2, np.nan])
    np.testing.assert_allclose(rows["hours_sd"].values, [np.nan, 5 / 1.26, np.nan])
    assert ("read_off_a_figure", 2) in {(c.name, c.row) for c in study.cautions}


def test_an_error_without_unit_is_in_the_unit_of_its_number(folder):
    head = "material,exposure,dose [MJ/m^2/nm],dose_sd,mean [N/cm],value_sd,n\n"
    text = head + "A,X1,0.63,0.02,150,3,5\n"
    rows = read_study(only(folder, "summaries", text).path).rows
    assert rows["dose_sd"].values[0] == pytest.approx(20)
    assert rows["value_sd"].values[0] == pytest.approx(0.3)


def test_an_error_in_hours_becomes_one_in_dose(folder):
    text = "material,exposure,hours [d],hours_sd,mean,n\nA,X1,10,0.5,15,5\nA,X1,0,0.5,15,5\n"
    study = read_study(only(folder, "summaries", text).path)
    np.testing.assert_allclose(study.rows["hours_sd"].values, [12, np.nan])
    rows = with_doses(study).rows
    np.testing.assert_allclose(rows["dose_sd"].values, [12 * 0.35 * 3.6, np.nan])


def test_an_error_in_hours_on_an_axis_of_days_is_in_days(folder):
    folder.change("study.toml", '"cycles"', '"days"')
    text = "material,exposure,hours,hours_sd,mean,n\nA,turns,48,6,15,5\n"
    rows = read_study(only(folder, "summaries", text).path).rows
    assert (rows["dose"].values[0], rows["dose_sd"].values[0]) == (2, 0.25)


def test_laboratory_and_run_stand_in_every_row(folder):
    text = "material,exposure,hours,strength,laboratory,run\nA,X1,0,20,North,1\nA,X1,9,19,South,2\n"
    rows = read_study(folder.write("specimens.csv", text).path).rows
    assert rows["laboratory"].values.tolist() == ["North", "South"]
    assert rows["run"].values.tolist() == ["1", "2"]


CONTROLS = """
[exposures.X1_dark]
control = "dark"
of = "X1"

[exposures.oven]
cycle = [{ minutes = 60, light = false, air = "149 degF" }]
"""


def test_controls_without_light_are_marked_and_placed_by_hours(folder):
    folder.change("study.toml", "[exposures.turns]", CONTROLS + "\n[exposures.turns]")
    folder.write(
        "specimens.csv",
        "material,exposure,hours,strength\nA,X1,0,20\nA,X1,500,12\nA,X1_dark,500,19\nA,oven,400,18\n",
    )
    study = read_study(folder.path)
    dark, oven = study.exposures["X1_dark"], study.exposures["oven"]
    assert (dark.control, dark.control_of, dark.dose_unit) == ("dark", "X1", "h")
    assert (oven.control, oven.control_of) == ("dark", None)
    assert study.exposures["X1"].control is None
    assert not dark.is_radiant
    assert [s.minutes for s in dark.cycle] == [90, 30]
    assert not any(s.light for s in dark.cycle) and dark.cycle[1].spray
    assert oven.cycle[0].air == pytest.approx(65)
    rows = with_doses(study).rows
    # 500 h in the dark are 500 h on the control's own axis, and no dose of light
    np.testing.assert_allclose(rows["dose"].values, [0, 630, 500, 400])
    assert "X1_dark [h, dark control beside X1]" in repr(study)


def test_a_control_in_heat_alone_gets_no_water(folder):
    folder.change("study.toml", 'axis = "cycles"', 'control = "heat"\nof = "X1"')
    heat = read_study(folder.path).exposures["turns"]
    assert heat.control == "heat" and not any(s.spray or s.light for s in heat.cycle)


def test_a_dose_of_a_control_is_refused(folder):
    folder.change("study.toml", 'axis = "cycles"', 'control = "dark"\nof = "X1"')
    folder.write(
        "specimens.csv",
        "material,exposure,dose [kJ/m^2/nm],strength\nA,X1,630,12\nA,turns,630,19\n",
    )
    (problem,) = check_study(folder.path)[0]
    assert (problem.row, problem.found) == (3, "630")
    assert "no light" in problem.expected and "hours" in problem.mend


def rising(folder, thresholds: str):
    folder.change("study.toml", "thresholds = [0.5]", f'changes = "rises"\n{thresholds}')
    folder.change("study.toml", 'unit = "kN/m"', 'unit = "1"')
    folder.change("study.toml", 'property = "strip tensile strength"', 'property = "yellowness"')
    return folder


def test_a_rising_property_asks_above_1(folder):
    text = "material,exposure,specimen,hours,value\nA,X1,1,0,4\nA,X1,1,500,9\n"
    study = read_study(only(rising(folder, "thresholds = [1.5, 3]"), "readings", text).path)
    assert study.changes == "rises" and study.thresholds == (1.5, 3) and study.unit == "1"
    assert study.readings is not None
    assert study.readings["value"].values.tolist() == [4, 9]


def test_a_scale_that_passes_zero_is_refused(folder):
    text = "material,exposure,specimen,hours,value\nA,X1,1,0,-1.5\nA,X1,1,500,9\n"
    rising(folder, 'required_strength = "8"')
    (problem,) = check_study(only(folder, "readings", text).path)[0]
    assert (problem.row, problem.found) == (2, "-1.5")
    assert "the measurement behind it" in problem.mend
    folder.write("readings.csv", text.replace("-1.5", "1.5"))
    study = read_study(folder.path)
    assert study.required_strength == 8 and study.thresholds == ()


def test_a_falling_property_needs_values_above_zero(folder):
    text = "material,exposure,specimen,hours,value\nA,X1,1,0,0\n"
    (problem,) = check_study(only(folder, "readings", text).path)[0]
    assert "below" in problem.mend


FAULTS = [
    # kind, table, row, column, found, words
    ("readings", "material,exposure,hours,value\nA,X1,9,4\n", 1, "specimen", "material",
     "a column"),
    ("readings", "material,exposure,specimen,hours,value\nA,X1,,9,4\n", 2, "specimen", "",
     "held together"),
    ("readings", "material,exposure,specimen,hours,value\nA,,1,0,4\n", 2, "exposure", "",
     "before exposure too"),
    ("readings", "material,exposure,specimen,hours\nA,X1,1,9\n", 1, "value", "material",
     "a column"),
    ("readings", "material,exposure,specimen,hours,value,censored\nA,X1,1,9,,below\n", 2, "value",
     "", "limit"),
    ("readings", "material,exposure,specimen,hours,reading\nA,X1,1,9,4\n", 1, "reading", "reading",
     'Write "value", if that is meant.'),
    ("inspections", "material,exposure,n\nA,X1,4\n", 1, "hours_low", "material", "dose_high"),
    ("inspections", "material,exposure,hours_low,hours_high\nA,X1,,\n", 2, "hours_low", "",
     "last look"),
    ("inspections", "material,exposure,hours_low,hours_high\nA,X1,500,250\n", 2, "hours_high",
     "250", "no earlier"),
    ("inspections", "material,exposure,hours_low,hours_high\nA,X1,,0\n", 2, "hours_high", "0",
     "after some exposure"),
    ("inspections", "material,exposure,hours_low,hours_high\nA,,5,9\n", 2, "exposure", "",
     "name of an exposure"),
    ("inspections", "material,exposure,hours_low,dose_high [kJ/m^2/nm]\nA,X1,5,900\n", 2,
     "dose_high [kJ/m^2/nm]", "900", "both sides"),
    ("inspections", "material,exposure,fraction,hours_low\nA,X1,50,5\n", 2, "fraction", "50",
     "0.5 for 50 %"),
    ("inspections", "material,exposure,specimen,n,hours_low\nA,X1,s,3,5\n", 2, "n", "3",
     "1 where a specimen"),
    ("inspections", "material,exposure,n,hours_low\nA,X1,0.5,5\n", 2, "n", "0.5", "whole number"),
    ("inspections", "material,exposure,specimen,hours_low\nA,X1,s,5\nA,X1,s,9\n", 3, "specimen",
     "s, as in row 2", "one row"),
    ("inspections", "material,exposure,hours_low,hours_high\nA,X1,5,inf\n", 2, "hours_high", "inf",
     "finite"),
    ("declared", "material,exposure,hours,retained\nA,X1,9,0.7\n", 1, "sense", "material",
     "minimum average roll value"),
    ("declared", "material,exposure,hours,retained,sense\nA,X1,9,0.7,\n", 2, "sense", "",
     "In which sense".lower()),
    ("declared", "material,exposure,hours,retained,sense\nA,X1,9,0.7,MARV\n", 2, "sense", "MARV",
     "minimum average roll value"),
    ("declared", "material,exposure,hours,retained,sense\nA,X1,9,70,minimum\n", 2, "retained",
     "70", "0.7 for 70 %"),
    ("declared", "material,exposure,hours,retained,sense\nA,X1,0,1,minimum\n", 2, "retained", "1",
     "by definition"),
    ("declared", "material,exposure,hours,retained,sense\nA,X1,9,,minimum\n", 2, "retained", "",
     "declares"),
    ("declared", "material,exposure,hours,sense\nA,X1,9,minimum\n", 1, "retained", "material",
     'column "strength"'),
    ("declared", "material,exposure,hours,retained,strength,sense\nA,X1,9,.7,12,minimum\n", 2,
     "strength", "12", "not both"),
    ("summaries", "material,exposure,hours,mean,se\nA,X1,9,20,1\n", 2, "se", "1", "a count n"),
    ("summaries", "material,exposure,hours,mean,se,sd,n\nA,X1,9,20,1,2,5\n", 2, "se", "1",
     "not two"),
    ("summaries", "material,exposure,hours,dose_sd [kJ/m^2/nm],mean\nA,X1,9,5,20\n", 2,
     "dose_sd [kJ/m^2/nm]", "5", "hours_sd beside hours"),
    ("summaries", "material,exposure,hours,hours_sd,mean\nA,X1,9,0,20\n", 2, "hours_sd", "0",
     "read off a figure"),
    ("summaries", "material,exposure,hours,mean,value_sd [N]\nA,X1,9,20,1\n", 1, "value_sd [N]",
     "N", "force per width"),
]  # fmt: skip


@pytest.mark.parametrize(("kind", "text", "row", "column", "found", "words"), FAULTS)
def test_faults_of_each_kind(folder, kind, text, row, column, found, words):
    only(folder, kind, text)
    problems, _ = check_study(folder.path)
    at = [p for p in problems if (p.row, p.column) == (row, column)]
    assert len(at) == 1, problems
    assert at[0].file == f"{kind}.csv"
    assert found in at[0].found if found else at[0].found == ""
    assert words in f"{at[0].expected}. {at[0].mend}"
    with pytest.raises(StudyError):
        read_study(folder.path)


CELLS = st.sampled_from(
    ["", "A", "X1", "turns", "D", "0", "1", "500", "-1", "0.5", "1,5", "nan", "inf", "=1+1",
     "below", "minimum", "typical", "70 %", "µ", "1e400", "s1", "note on the strips", "2031-05-14"]
)  # fmt: skip


@settings(
    max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(data=st.data(), kind=st.sampled_from(["summaries", "readings", "inspections", "declared"]))
def test_any_table_of_any_kind_is_read_or_refused_with_problems(folder, data, kind):
    rooms = {"summaries": summaries, "readings": readings, "inspections": inspections,
             "declared": declared}  # fmt: skip
    study = (folder.path / "study.toml").read_text()
    if "[exposures.D]" not in study:
        folder.change("study.toml", HEAD, f'{kind} = "table.csv"')
        folder.change(
            "study.toml", "[exposures.turns]",
            '[exposures.D]\ncontrol = "dark"\nof = "X1"\n[exposures.turns]',
        )  # fmt: skip
    else:
        line = next(x for x in study.splitlines() if x.endswith('"table.csv"'))
        folder.change("study.toml", line, f'{kind} = "table.csv"')
    units = ["", " [N]", " [kN/m]", " [h]", " [d]", " [%]", " [kJ/m^2/nm]", " [cycles]"]
    columns = st.sampled_from(rooms[kind].COLUMNS)
    heads = data.draw(
        st.lists(st.tuples(columns, st.sampled_from(units)), min_size=2, unique_by=lambda h: h[0])
    )
    body = data.draw(
        st.lists(st.lists(CELLS, min_size=len(heads), max_size=len(heads)), max_size=5)
    )
    lines = ["\t".join(cells) for cells in [["".join(h) for h in heads], *body]]
    folder.write("table.csv", "\n".join(lines))
    try:
        read_study(folder.path)
    except StudyError as error:
        assert error.problems and all(p.expected for p in error.problems)
