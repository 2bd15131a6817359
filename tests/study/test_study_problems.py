"""Every fault of a folder is named: file, row, column, what was found, what was expected."""

from __future__ import annotations

import io
import time

import numpy as np
import openpyxl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from durability.study import StudyError, check_study, read_study

STUDY_FILE, DATA_FILE = "study.toml", "specimens.csv"

# (fault, file, old, new, row, column, found, words of expected or mend)
TOML_FAULTS = [
    ("threshold in percent", "[0.5]", "[50]", None, "study.thresholds", "[50]", "Write 0.5 for 50"),
    ("threshold of one", "[0.5]", "[1.0]", None, "study.thresholds", "[1.0]", "between 0 and 1"),
    ("threshold below zero", "[0.5]", "[-0.5]", None, "study.thresholds", "[-0.5]", "between 0"),
    ("threshold not a number", "[0.5]", "[nan]", None, "study.thresholds", "[nan]", "between 0"),
    ("threshold as text", "[0.5]", '["half"]', None, "study.thresholds[1]", "half", "fractions"),
    ("threshold twice", "[0.5]", "[0.5, 0.5]", None, "study.thresholds", "[0.5, 0.5]", "once"),
    ("no threshold", "thresholds = [0.5]", "", None, "study.thresholds", "", "required_strength"),
    ("missing title", 'title = "Two liners"', "", None, "study.title", "", "title is missing"),
    ("title a number", '"Two liners"', "7", None, "study.title", "7", "title as text"),
    ("misspelt key", "thresholds =", "treshold =", None, "study.treshold", "treshold",
     'Did you mean "thresholds"?'),
    ("misspelt table", "[materials.B]", "[material.B]", None, "material", "material",
     'Did you mean "materials"?'),
    ("unknown unit", '"kN/m"', '"kN/mm"', None, "study.unit", "kN/mm", "kN/m, N, MPa"),
    ("unit of another thing", '"kN/m"', '"mm"', None, "study.unit", "mm", "measures length"),
    ("rising property, falling threshold", "invented = true", 'changes = "rises"', None,
     "study.thresholds", "[0.5]", "above 1"),
    ("falling property, rising threshold", "[0.5]", "[1.5]", None, "study.thresholds", "[1.5]",
     'changes = "rises"'),
    ("unknown way to change", "invented = true", 'changes = "up"', None, "study.changes", "up",
     '"rises"'),
    ("strength asked in another dimension", "thresholds = [0.5]", 'required_strength = "8 N"',
     None, "study.required_strength", "8 N", "kN/m"),
    ("irradiance without unit", '"0.35 W/m^2/nm"', "0.35", None, "exposures.X1.irradiance",
     "0.35", "with its unit"),
    ("irradiance in a wrong unit", '"0.35 W/m^2/nm"', '"0.35 kN"', None,
     "exposures.X1.irradiance", "0.35 kN", "unit of force"),
    ("irradiance of zero", '"0.35 W/m^2/nm"', '"0 W/m^2/nm"', None, "exposures.X1.irradiance",
     "0 W/m^2/nm", "between 0"),
    ("irradiance with a decimal comma", '"0.35 W/m^2/nm"', '"0,35 W/m^2/nm"', None,
     "exposures.X1.irradiance", "0,35 W/m^2/nm", "decimal point"),
    ("broadband without its interval", '"0.35 W/m^2/nm"', '"60 W/m^2"', None, "exposures.X1.at",
     "", "300-400 nm"),
    ("unknown lamp", '"xenon-daylight"', '"xenon-daylihgt"', None, "exposures.X1.lamp",
     "xenon-daylihgt", 'Did you mean "xenon-daylight"?'),
    ("uncertainty above one", '"5 %"', '"500 %"', None, "exposures.X1.irradiance_uncertainty",
     "500 %", "between 0 and 1"),
    ("phase of no length", "minutes = 30", "minutes = 0", None,
     "exposures.X1.cycle[2].minutes", "0", "above 0"),
    ("misspelt key in a phase", "spray = true", "sprai = true", None,
     "exposures.X1.cycle[2].sprai", "sprai", 'Did you mean "spray"?'),
    ("temperature without unit", '"65 degC"', "65", None, "exposures.X1.cycle[1].black_panel",
     "65", "65 degC"),
    ("humidity above 100 %", '"50 %"', '"500 %"', None, "exposures.X1.cycle[1].humidity", "500 %",
     "between"),
    ("axis and irradiance", '"cycles"', '"cycles"\nirradiance = "1 W/m^2/nm"', None,
     "exposures.turns.axis", "cycles", "either an axis"),
    ("exposure without any light", 'axis = "cycles"', "", None, "exposures.turns", "",
     "an axis of its own"),
    ("unknown polymer", '"polyester"', '"polyestre"', None, "materials.B.polymer", "polyestre",
     'Did you mean "polyester"?'),
    ("covariate in words", '"0.3 %"', '"much"', None, "materials.A.covariates.loading", "much",
     "number"),
    ("control that is no material", "[data]", '[question]\ncontrol = "C"\n[data]', None,
     "question.control", "C", "material of this study"),
    ("unknown site", "[data]", '[question]\nsites = ["nowhere"]\n[data]', None, "question.sites",
     "nowhere", "models/sites"),
    ("laying in words", "[data]", '[question]\nlaying = "spring"\n[data]', None,
     "question.laying", "spring", "every month"),
    ("level of 95", "[data]", "[question]\nlevel = 95\n[data]", None, "question.level", "95",
     "between 0 and 1"),
    ("unknown subject", "[data]", '[question]\nof = "roll"\n[data]', None, "question.of", "roll",
     "new_lot"),
    ("unknown rule", "[data]", '[rules]\njaw_breaks = "keep"\n[data]', None, "rules.jaw_breaks",
     "keep", "at least"),
    ("sheet of a kind that is text", 'specimens = "specimens.csv"',
     'specimens = { file = "specimens.csv", sheet = "one" }', None, "data.specimens.sheet", "one",
     "only where a table is a spreadsheet"),
    ("table without its file", 'specimens = "specimens.csv"', 'specimens = { sheet = "one" }', None,
     "data.specimens.file", "", "file is missing"),
    ("unit of no column", "[data]", '[units]\npeek_force = "N"\n[data]', None, "units.peek_force",
     "peek_force", 'Did you mean "peak_force"?'),
    ("unit that is a number", "[data]", "[units]\nwidth = 5\n[data]", None, "units.width", "5",
     "a unit as text"),
    ("unit unknown for a column", "[data]", '[units]\nwidth = "yards"\n[data]', None, "units.width",
     "yards", "unknown"),
    ("control beside nothing", 'axis = "cycles"', 'control = "dark"', None, "exposures.turns.of",
     "", 'of = "NAME"'),
    ("control beside no exposure", 'axis = "cycles"', 'control = "dark"\nof = "X2"', None,
     "exposures.turns.of", "X2", 'Did you mean "X1"?'),
    ("control with light", 'axis = "cycles"',
     'control = "heat"\nof = "X1"\nirradiance = "0.35 W/m^2/nm"', None,
     "exposures.turns.irradiance", "0.35 W/m^2/nm", "no light in a control"),
    ("control with a lamp", 'axis = "cycles"', 'control = "dark"\nof = "X1"\nlamp = "outdoor"',
     None, "exposures.turns.lamp", "outdoor", "nothing but control, of, cycle"),
    ("control with a lit phase", 'axis = "cycles"',
     'control = "heat"\nof = "X1"\ncycle = [{ minutes = 9, light = true }]', None,
     "exposures.turns.cycle", "a phase with light", "light = false"),
    ("unknown control", 'axis = "cycles"', 'control = "oven"\nof = "X1"', None,
     "exposures.turns.control", "oven", '"heat"'),
    ("beside, and no control", 'axis = "cycles"', 'axis = "cycles"\nof = "X1"', None,
     "exposures.turns.of", "X1", "only in a control"),
    ("sheet of a text table", "[exposures.X1]", 'sheet = "one"\n[exposures.X1]', None,
     "data.sheet", "one", "only where a table is a spreadsheet"),
    ("no table named", 'specimens = "specimens.csv"', "", None, "data", "", "specimens ="),
    ("two materials of one name", "[materials.B]", "[materials.A]", 28, None, "[materials.A]",
     "once"),
    ("broken TOML", 'unit = "kN/m"', 'unit = "kN/m', 4, None, 'unit = "kN/m', "TOML"),
]  # fmt: skip

TABLE_FAULTS = [
    ("missing column", "material,lot", "product,lot", 1, "material", "product, lot", "a column"),
    ("misspelt column", "direction,", "directoin,", 1, "directoin", "directoin",
     'Did you mean "direction"?'),
    ("unknown unit in a header", "[N]", "[Newtons]", 1, "peak_force [Newtons]", "Newtons",
     "unit of force"),
    ("unit of another dimension", "[mm]", "[kg]", 1, "width [kg]", "kg", "unit of length"),
    ("column twice", "censored,", "lot,", 1, "lot", '"lot" and "lot"', 'one column "lot"'),
    ("zero width", "1003.1,50", "1003.1,0", 2, "width [mm]", "0", "above 0"),
    ("negative width", "1003.1,50", "1003.1,-50", 2, "width [mm]", "-50", "above 0"),
    ("no width", "1003.1,50", "1003.1,", 2, "width [mm]", "", "width of the strip"),
    ("letter for a digit", "1003.1,50", "1003.1,5O", 2, "width [mm]", "5O", "a number"),
    ("words for a number", "751.2", "broken", 5, "peak_force [N]", "broken", "a number"),
    ("unit in the cell", "751.2", "751.2 N", 5, "peak_force [N]", "751.2 N", "belongs in the head"),
    ("less-than sign", "751.2", "<20", 5, "peak_force [N]", "<20", '"below" in the column'),
    ("not available", "751.2", "n/a", 5, "peak_force [N]", "n/a", "Leave the cell blank"),
    ("not a number", "751.2", "NaN", 5, "peak_force [N]", "NaN", "finite"),
    ("infinity", "751.2", "inf", 5, "peak_force [N]", "inf", "finite"),
    ("number too large for the machine", "751.2", "1e999", 5, "peak_force [N]", "1e999", "finite"),
    ("digits with an underscore", "751.2", "7_512", 5, "peak_force [N]", "7_512", "a number"),
    ("thousands separator", "1003.1", '"1,003.1"', 2, "peak_force [N]", "1,003.1", "thousands"),
    ("thousands blank", "1003.1", "1 003.1", 2, "peak_force [N]", "1 003.1", "thousands"),
    ("decimal comma among points", "751.2", '"751,2"', 5, "peak_force [N]", "751,2",
     "one decimal mark"),
    ("decimal comma unquoted", "751.2,50,,,", "751,2,50,,,", 5, None, "12 cells", "11 cells"),
    ("negative force", "751.2", "-751.2", 5, "peak_force [N]", "-751.2", "above 0"),
    ("force of zero", "751.2", "0", 5, "peak_force [N]", "0", '"below" in the column censored'),
    ("limit missing", "2,15,50,below", "2,,50,below", 9, "peak_force [N]", "", "the limit"),
    ("negative hours", "X1,500,1,751.2", "X1,-500,1,751.2", 5, "hours", "-500", "at least 0"),
    ("no hours", "X1,500,1,751.2", "X1,,1,751.2", 5, "hours", "", "hours or a dose"),
    ("same specimen twice", "X1,500,2,748.8", "X1,500,1,748.8", 6, "specimen", "1, as in row 5",
     "one row for each"),
    ("exposure not described", "X1,500,1,751.2", "X2,500,1,751.2", 5, "exposure", "X2",
     'Did you mean "X1"?'),
    ("exposure blank after exposure", "X1,500,1,751.2", ",500,1,751.2", 5, "exposure", "",
     "name of an exposure"),
    ("material not described", "A,L1,machine,X1,500,1,", "C,L1,machine,X1,500,1,", 5, "material",
     "C", "[materials.NAME]"),
    ("material blank", "A,L1,machine,X1,500,1,", ",L1,machine,X1,500,1,", 5, "material", "",
     "name of a material"),
    ("direction of weaving", "A,L1,machine,X1,500,1,", "A,L1,warp,X1,500,1,", 5, "direction",
     "warp", 'Write "machine"'),
    ("direction misspelt", "A,L1,machine,X1,500,1,", "A,L1,machin,X1,500,1,", 5, "direction",
     "machin", 'Did you mean "machine"?'),
    ("unknown censoring", "2,15,50,below", "2,15,50,under", 9, "censored", "under", "below"),
    ("unknown place of break", ",jaw,", ",clamp,", 10, "break_at", "clamp", "gauge"),
    ("no reason to exclude", "slipped in the grip", "no", 13, "excluded", "no", "a reason"),
    ("hours on an axis of cycles", "X1,500,1,751.2", "turns,500,1,751.2", 5, "hours", "500",
     "a dose in cycles"),
    ("formula", "751.2", "=B2*2", 5, "peak_force [N]", "=B2*2", "paste it as a value"),
    ("error of a spreadsheet", "751.2", "#DIV/0!", 5, "peak_force [N]", "#DIV/0!", "a value"),
    ("quotation mark left open", "A,L1,machine,X1,500,1,", '"A,L1,machine,X1,500,1,', 5, None,
     "unexpected end", "quotation marks"),
]  # fmt: skip


def the(problems, column, row):
    """The problems at one place."""
    return [p for p in problems if p.column == column and p.row == row]


def assert_said(problem, found, words):
    assert found in problem.found if found else problem.found == ""
    assert words in f"{problem.expected}. {problem.mend}"


@pytest.mark.parametrize(
    ("old", "new", "row", "column", "found", "words"),
    [f[1:] for f in TOML_FAULTS],
    ids=[f[0] for f in TOML_FAULTS],
)
def test_faults_of_the_description(folder, old, new, row, column, found, words):
    folder.change(STUDY_FILE, old, new)
    problems, _ = check_study(folder.path)
    (problem,) = the(problems, column, row)
    assert problem.file == STUDY_FILE
    assert_said(problem, found, words)
    with pytest.raises(StudyError) as error:
        read_study(folder.path)
    assert error.value.problems == tuple(problems)


@pytest.mark.parametrize(
    ("old", "new", "row", "column", "found", "words"),
    [f[1:] for f in TABLE_FAULTS],
    ids=[f[0] for f in TABLE_FAULTS],
)
def test_faults_of_the_table(folder, old, new, row, column, found, words):
    folder.change(DATA_FILE, old, new)
    problems, _ = check_study(folder.path)
    (problem,) = the(problems, column, row)
    assert problem.file == DATA_FILE
    assert_said(problem, found, words)
    with pytest.raises(StudyError):
        read_study(folder.path)


@pytest.mark.parametrize(
    ("header", "row", "column", "found", "words"),
    [
        ("material,exposure,dose,strength\nA,X1,630,20\n", 1, "dose", "dose", "kJ/m^2/nm"),
        ("material,exposure,dose [MJ/m^2],strength\nA,X1,630,20\n", 1, "dose [MJ/m^2]",
         "dose [MJ/m^2]", "340 nm"),
        ("material,exposure,dose [AFU],strength\nA,turns,6,20\n", 1, "dose [AFU]", "dose [AFU]",
         "dose in cycles"),
        ("material,exposure,hours,dose [kJ/m^2/nm],strength\nA,X1,500,630,20\n", 2, "hours",
         "hours 500 and dose 630", "not both"),
        ("material,exposure,dose [kJ/m^2/nm],strength\nA,X1,-1,20\n", 2, "dose [kJ/m^2/nm]", "-1",
         "at least 0"),
        ("material,exposure,strength\nA,X1,20\n", 1, "hours", "material, exposure, strength",
         'column "dose"'),
        ("material,exposure,hours\nA,X1,20\n", 1, "strength", "material", 'column "peak_force"'),
        ("material,exposure,hours,peak_force [N]\nA,X1,20,5\n", 1, "width", "material", "a column"),
        ("material,exposure,hours,strength,peak_force [N],width [mm]\nA,X1,9,6,250,50\n", 2,
         "strength", "6", "about 5 kN/m"),
        ("material,exposure,hours,strength [N]\nA,X1,20,5\n", 1, "strength [N]", "N",
         "force per width"),
        ("material;exposure;hours;strength\nA;X1;0;1,234\nA;X1;9;1,003\n", 2, "strength", "1,234",
         "whichever is meant"),
        ("material,exposure,hours,strength\nA,X1,0,\nA,X1,9,\n", None, None, "only rows",
         "one row that is used"),
        ("material,exposure,hours,strength\n", 1, None, "a header only", "one row of data"),
        ("material,exposure,hours,strength,\nA,X1,0,20,why\n", 2, None, "why", "has no name"),
        ("material,exposure,hours,strength,elongation\nA,X1,0,20,-3\n", 2, "elongation", "-3",
         "at least 0"),
        ("", None, None, "an empty file", "header row"),
        ("# only\n# comments\n", None, None, "comments", "header row"),
    ],
)  # fmt: skip
def test_faults_of_a_short_table(folder, header, row, column, found, words):
    folder.write(DATA_FILE, header)
    problems, _ = check_study(folder.path)
    (problem,) = the(problems, column, row)
    assert problem.file == DATA_FILE
    assert_said(problem, found, words)


@pytest.mark.parametrize(
    ("text", "row", "column", "found", "words"),
    [
        ("material,exposure,hours,mean,sd,cv [%]\nA,X1,0,20,1,5\n", 2, "cv [%]", "5", "sd or a cv"),
        ("material,exposure,hours,mean,cv\nA,X1,0,20,5\n", 1, "cv", "cv", "unit of fraction"),
        ("material,exposure,hours,mean,n\nA,X1,0,20,2.5\n", 2, "n", "2.5", "whole number"),
        ("material,exposure,hours,mean,sd\nA,X1,0,20,0\n", 2, "sd", "0", "above 0"),
        ("material,exposure,hours,mean\nA,X1,9,0\nA,X1,0,1\n", 2, "mean", "0", '"below"'),
        ("material,exposure,hours,mean\nA,X1,9,4\nA,X1,9,5\n", 3, "mean", "as in row 2", "group"),
        ("material,exposure,hours,sd\nA,X1,9,4\n", 1, "mean", "material", "a column"),
    ],
)
def test_faults_of_summaries(folder, text, row, column, found, words):
    folder.change(STUDY_FILE, 'specimens = "specimens.csv"', 'summaries = "means.csv"')
    folder.write("means.csv", text)
    problems, _ = check_study(folder.path)
    (problem,) = the(problems, column, row)
    assert problem.file == "means.csv"
    assert_said(problem, found, words)


RECORD_FAULTS = [
    ("09:00,0.36", "9 o'clock,0.36", 4, "time", "9 o'clock", "ISO 8601"),
    ("09:00,0.36", "08:30,0.36", 4, "time", "2031-05-14T08:30 after", "later time"),
    ("09:00,0.36", "09:00Z,0.36", None, "time", "with and without", "time zone"),
    ("irradiance [W/m^2/nm]", "irradiance", 1, "irradiance", "irradiance", "spectral irradiance"),
    ("irradiance [W/m^2/nm]", "irradiance [W/m^2]", 1, "irradiance [W/m^2]", "W/m^2", "spectral"),
    ("09:00,0.36", "09:00,-0.36", 4, "irradiance [W/m^2/nm]", "-0.36", "at least 0"),
    ("0.36,64", "0.36,640", 4, "black_panel [degC]", "640", "between -60 and 150"),
    ("40,51,1", "40,151,1", 3, "humidity [%]", "151", "0 and 100 %"),
    ("30,95,0", "30,95,dark", 5, "light", "dark", "blank"),
    ("time,", "clock,", 1, "time", "clock", "a column"),
]


@pytest.mark.parametrize(("old", "new", "row", "column", "found", "words"), RECORD_FAULTS)
def test_faults_of_a_chamber_record(folder, chamber, old, new, row, column, found, words):
    folder.change(STUDY_FILE, "cycle = [", 'record = "log.csv"\ncycle = [')
    folder.write("log.csv", chamber).change("log.csv", old, new)
    problems, _ = check_study(folder.path)
    (problem,) = the(problems, column, row)
    assert problem.file == "log.csv"
    assert_said(problem, found, words)


def test_a_path_without_a_study(tmp_path, folder):
    (problem,) = check_study(tmp_path / "none")[0]
    assert problem.found == "no such folder"
    (problem,) = check_study(folder.path / DATA_FILE)[0]
    assert problem.found == "a file" and "folder itself" in problem.mend
    (folder.path / STUDY_FILE).unlink()
    (problem,) = check_study(folder.path)[0]
    assert (problem.file, problem.found) == (STUDY_FILE, "no such file")
    (folder.path / STUDY_FILE).mkdir()
    (problem,) = check_study(folder.path)[0]
    assert problem.expected == "a readable file"
    (problem,) = check_study("a\0b")[0]
    assert problem.found == "no such folder"


def test_an_empty_description_and_one_in_another_encoding(folder):
    folder.write(STUDY_FILE, " \n")
    (problem,) = check_study(folder.path)[0]
    assert problem.found == "an empty file"
    folder.write(STUDY_FILE, b'[study]\ntitle = "\xe9t\xe9"\n')
    (problem,) = check_study(folder.path)[0]
    assert (problem.row, problem.found) == (2, "byte 0xe9")


def test_a_description_with_a_byte_order_mark_is_read(folder):
    folder.write(STUDY_FILE, b"\xef\xbb\xbf" + (folder.path / STUDY_FILE).read_bytes())
    assert check_study(folder.path)[0] == []


@pytest.mark.parametrize(
    ("name", "found"),
    [
        ("none.csv", "no such file"),
        ("specimens.ods", ".ods"),
        ("../specimens.csv", "../specimens.csv"),
        ("data", "no ending"),
    ],
)
def test_a_data_file_that_cannot_be(folder, name, found):
    folder.change(STUDY_FILE, "specimens.csv", name)
    (problem,) = check_study(folder.path)[0]
    assert (problem.file, problem.found) == (name, found)


def test_a_table_in_another_encoding_names_the_row(folder):
    data = (folder.path / DATA_FILE).read_bytes().replace(b"slipped", b"gliss\xe9")
    folder.write(DATA_FILE, data)
    (problem,) = check_study(folder.path)[0]
    assert problem.row == 13 and "0xe9" in problem.found and "CSV UTF-8" in problem.mend
    folder.write(DATA_FILE, "material,lot".encode("utf-16"))
    (problem,) = check_study(folder.path)[0]
    assert problem.found == "text in UTF-16"


def workbook(rows, **more_sheets) -> bytes:
    book = openpyxl.Workbook(write_only=True)
    for name, cells in {"strips": rows, **more_sheets}.items():
        sheet = book.create_sheet(name)
        for row in cells:
            sheet.append(row)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


SHEET = [
    ["material", "exposure", "hours", "strength [kN/m]", "note"],
    ["A", "X1", 0, 20.5, None],
    ["A", "X1", 500, 15.5, None],
]


@pytest.fixture
def book(folder):
    folder.change(STUDY_FILE, "specimens.csv", "strips.xlsx")
    return folder


def test_a_formula_in_a_spreadsheet_names_its_cell(book):
    rows = [*SHEET, ["A", "X1", 900, "=D2/2", None], ["A", "X1", "=450*2", 9.5, None]]
    book.write("strips.xlsx", workbook(rows))
    first, second = check_study(book.path)[0]
    assert (first.row, first.column, first.found) == (5, "hours", "=450*2")
    assert (second.row, second.column, second.found) == (4, "strength [kN/m]", "=D2/2")
    assert second.mend == "Found a formula; paste it as a value."


def test_an_error_cell_is_not_read_as_blank(book):
    from zipfile import ZipFile

    data = workbook([*SHEET, ["A", "X1", 900, 77.25, None]])
    out = io.BytesIO()
    with ZipFile(io.BytesIO(data)) as old, ZipFile(out, "w") as new:
        for item in old.namelist():
            part = old.read(item)
            if item.endswith("sheet1.xml"):
                assert part.count(b't="n"><v>77.25') == 1
                part = part.replace(b't="n"><v>77.25', b't="e"><v>#N/A')
            new.writestr(item, part)
    book.write("strips.xlsx", out.getvalue())
    (problem,) = check_study(book.path)[0]
    assert (problem.row, problem.column, problem.found) == (4, "strength [kN/m]", "#N/A")


def test_an_unreadable_spreadsheet(book):
    for data in (b"PK\x03\x04 broken", b"no spreadsheet", workbook(SHEET)[:3000]):
        book.write("strips.xlsx", data)
        (problem,) = check_study(book.path)[0]
        assert "cannot be opened" in problem.found and problem.file == "strips.xlsx"


def test_a_spreadsheet_under_the_name_of_a_text_table(folder):
    folder.write(DATA_FILE, workbook(SHEET))
    (problem,) = check_study(folder.path)[0]
    assert "spreadsheet" in problem.found and ".xlsx" in problem.mend


def test_a_spreadsheet_with_several_filled_sheets_must_name_one(book):
    book.write("strips.xlsx", workbook(SHEET, old=[["x"]], empty=[]))
    (problem,) = check_study(book.path)[0]
    assert problem.found == "2 sheets: strips, old" and 'sheet = "strips"' in problem.mend
    book.change(STUDY_FILE, "[exposures.X1]", 'sheet = "strips"\n[exposures.X1]')
    assert check_study(book.path)[0] == []
    book.change(STUDY_FILE, 'sheet = "strips"', 'sheet = "stripes"')
    (problem,) = check_study(book.path)[0]
    assert problem.found == "stripes" and problem.mend == 'Did you mean "strips"?'


def test_one_cell_at_the_far_end_of_a_sheet_does_not_fill_the_memory(book):
    blank = openpyxl.Workbook()
    for row in SHEET:
        blank.worksheets[0].append(row)
    blank.worksheets[0]["XFD1048576"] = "x"
    out = io.BytesIO()
    blank.save(out)
    book.write("strips.xlsx", out.getvalue())
    (problem,) = check_study(book.path)[0]
    assert "XFD1048576" in problem.found and "GB" in problem.found


def test_a_small_file_that_unpacks_to_far_more_is_refused(book, monkeypatch):
    from zipfile import ZIP_DEFLATED, ZipFile

    from durability.study import spreadsheet

    monkeypatch.setattr(spreadsheet, "_MOST_BYTES", 100_000_000)
    out = io.BytesIO(workbook(SHEET))
    with ZipFile(out, "a", ZIP_DEFLATED, compresslevel=1) as archive:
        archive.writestr("xl/media/picture", bytes(100_000_000))
    assert len(out.getvalue()) < 1_000_000
    book.write("strips.xlsx", out.getvalue())
    (problem,) = check_study(book.path)[0]
    assert problem.found.startswith("0.1 GB once unpacked")


def test_five_million_rows_are_refused_in_bounded_memory(folder):
    import tracemalloc

    with open(folder.path / DATA_FILE, "wb") as stream:
        stream.write(b"material,exposure,hours,strength\n")
        block = b"A,X1,0,20\n" * 50_000
        stream.writelines(block for _ in range(100))
    check_study(folder.path)  # imports
    tracemalloc.start()
    begin = time.perf_counter()
    (problem,) = check_study(folder.path)[0]
    seconds, peak = time.perf_counter() - begin, tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert problem.found.startswith("about 5,000,001 rows, which would take about 1.3 GB")
    assert problem.expected == "at most 2,000,000 rows"
    assert peak < 10e6 and seconds < 30


def test_all_faults_are_reported_at_once(folder):
    folder.change(STUDY_FILE, "[0.5]", "[50]").change(STUDY_FILE, '"65 degC"', '"65 kN"')
    folder.change(DATA_FILE, "751.2", "75I.2").change(DATA_FILE, "1003.1,50", "1003.1,0")
    folder.change(DATA_FILE, "A,L1,machine,X1,500,2,", "A,L1,warp,X1,500,2,")
    with pytest.raises(StudyError) as error:
        read_study(folder.path)
    places = [(p.file, p.row, p.column) for p in error.value.problems]
    assert sorted(places, key=str) == [
        (DATA_FILE, 2, "width [mm]"),
        (DATA_FILE, 5, "peak_force [N]"),
        (DATA_FILE, 6, "direction"),
        (STUDY_FILE, None, "exposures.X1.cycle[1].black_panel"),
        (STUDY_FILE, None, "study.thresholds"),
    ]
    assert str(error.value).startswith("5 problems in the input:")


def test_a_column_of_bad_cells_is_listed_up_to_twenty_and_then_counted(folder):
    lines = "".join(f"A,X1,{i},x\n" for i in range(100))
    folder.write(DATA_FILE, f"material,exposure,hours,strength\n{lines}")
    problems = [p for p in check_study(folder.path)[0] if p.column == "strength"]
    assert [p.row for p in problems] == [*range(2, 22), None]
    assert problems[-1].found == "80 more rows like these, 22 to 101"


def test_a_name_that_study_toml_does_not_know_is_one_problem_for_all_its_rows(folder):
    folder.change(STUDY_FILE, "[materials.B]", "[materials.Bb]")
    (problem,) = check_study(folder.path)[0]
    assert (problem.row, problem.column, problem.found) == (11, "material", "B")
    assert problem.mend == 'Did you mean "Bb"? Rows 11 to 16, 6 in all.'


def test_hours_need_an_irradiance_to_become_a_dose(folder):
    folder.change(STUDY_FILE, 'irradiance = "0.35 W/m^2/nm"', 'at = "420 nm"')
    (problem,) = check_study(folder.path)[0]
    assert (problem.file, problem.column) == (STUDY_FILE, "exposures.X1.irradiance")
    assert "row 5" in problem.mend


CELLS = st.sampled_from(
    ["", "A", "B", "X1", "turns", "0", "1", "500", "-1", "1,5", "2.5", "1,234", "nan", "=1+1",
     "below", "above", "jaw", "machine", "warp", '"', "#", ";", "µ", "1e400", "note on the strips"]
)  # fmt: skip
HEADERS = st.lists(
    st.sampled_from(
        ["material", "exposure", "hours", "dose", "dose [cycles]", "strength", "peak_force [N]",
         "width [mm]", "width", "specimen", "censored", "excluded", "break_at", "direction", "x",
         "", "elongation [%]", "hours [d]"]
    ),
    min_size=1,
    max_size=9,
)  # fmt: skip


@settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    headers=HEADERS,
    body=st.lists(st.lists(CELLS, max_size=9), max_size=6),
    separator=st.sampled_from(",;\t"),
)
def test_any_table_is_read_or_refused_with_problems(folder, headers, body, separator):
    lines = [separator.join(cells) for cells in [headers, *body]]
    folder.write(DATA_FILE, "\n".join(lines))
    try:
        study = read_study(folder.path)
    except StudyError as error:
        assert error.problems and all(p.expected for p in error.problems)
    else:
        used = study.rows["used"].values
        strength = study.rows["strength"].values[used]
        assert used.any() and np.isfinite(strength).all() and (strength > 0).all()


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(data=st.binary(max_size=200))
def test_any_bytes_are_read_or_refused_with_problems(folder, data):
    for name in (DATA_FILE, STUDY_FILE):
        folder.write(name, data)
        assert check_study(folder.path)[0]


def test_large_tables_are_read_quickly(folder):
    import csv

    rng = np.random.default_rng(1)
    force = np.round(rng.normal(1000, 80, 100_000), 3)
    head = ["material", "lot", "direction", "exposure", "hours", "specimen", "peak_force [N]",
            "width [mm]", "censored", "excluded"]  # fmt: skip
    rows = [
        ["A", f"L{i % 50}", "machine", "X1", (i % 7) * 100, i, force[i].item(), 50.5, None, None]
        for i in range(force.size)
    ]
    with open(folder.path / DATA_FILE, "w", newline="") as stream:
        csv.writer(stream).writerows([head, *rows])
    begin = time.process_time()
    study = read_study(folder.path)
    assert time.process_time() - begin < 20
    np.testing.assert_allclose(study.rows["strength"].values, force / 50.5, rtol=1e-12)
    folder.write("strips.xlsx", workbook([head, *rows[:20_000]]))
    folder.change(STUDY_FILE, "specimens.csv", "strips.xlsx")
    begin = time.process_time()
    study = read_study(folder.path)
    assert time.process_time() - begin < 15
    np.testing.assert_allclose(study.rows["strength"].values, force[:20_000] / 50.5, rtol=1e-12)
