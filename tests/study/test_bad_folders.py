"""Bad folders as laboratories and offices make them: each is named, placed and mended in words.

One entry is one folder; `test_study_problems` has the plainer ones. A step writes a file of the
folder or changes it; the finding is (file, row, column, words of found, words of expected or mend).
"""

from __future__ import annotations

import io
from collections.abc import Callable

import openpyxl
import pytest

from durability.study import StudyError, check_study, read_study

TOML, CSV, XLSX = "study.toml", "specimens.csv", "strips.xlsx"
HEAD = "material,lot,direction,exposure,hours,specimen,peak_force [N],width [mm]\n"
SHORT = "material,exposure,hours,strength\n"


def change(file: str, old: str, new: str) -> Callable:
    """Replace the only place of a text."""
    return lambda folder: folder.change(file, old, new)


def write(file: str, content: str | bytes) -> Callable:
    """Write a file anew."""
    return lambda folder: folder.write(file, content)


def sheet(rows: list[list], adjust: Callable = lambda s: None) -> Callable:
    """Give the strips as a spreadsheet."""

    def step(folder) -> None:
        book = openpyxl.Workbook()
        page = book.worksheets[0]
        page.title = "strips"
        for row in rows:
            page.append(row)
        adjust(page)
        out = io.BytesIO()
        book.save(out)
        folder.change(TOML, CSV, XLSX).write(XLSX, out.getvalue())

    return step


def kind(name: str, text: str) -> Callable:
    """Add a table of another kind."""

    def step(folder) -> None:
        folder.change(TOML, "[exposures.X1]", f'{name} = "{name}.csv"\n[exposures.X1]')
        folder.write(f"{name}.csv", text)

    return step


def log(text: str) -> Callable:
    """Give exposure X1 a chamber record."""

    def step(folder) -> None:
        folder.change(TOML, "cycle = [", 'record = "log.csv"\ncycle = [')
        folder.write("log.csv", text)

    return step


GRID = [["material", "exposure", "hours", "strength [kN/m]"], ["A", "X1", 0, 20.5],
        ["A", "X1", 500, 15.5], ["A", "X1", 900, 9.5]]  # fmt: skip
LOG = "time,irradiance [W/m^2/nm]\n2031-05-14T08:00,0.35\n2031-05-14T08:30,0.34\n"
READING = "material,exposure,hours,specimen,value [kN/m]\n"
LOOK = "material,exposure,specimen,hours_low,hours_high\n"
SAID = "material,exposure,hours,retained [%],sense\n"

FOLDERS = {
    # study.toml
    "description is a folder's listing": (
        [write(TOML, "specimens.csv\nstudy.toml\n")], (TOML, 1, None, "specimens.csv", "TOML")),
    "description in JSON": ([write(TOML, '{"study": {}}')], (TOML, 1, None, "{", "TOML")),
    "description in UTF-16": (
        [write(TOML, "[study]".encode("utf-16"))], (TOML, 1, None, "0xff", "UTF-8")),
    "description of blanks": ([write(TOML, " \n\t\n")], (TOML, None, None, "empty", "[study]")),
    "no table study": (
        [change(TOML, "[study]", "[studie]")], (TOML, None, "study", "", "a table [study]")),
    "study is a text": (
        [write(TOML, 'study = "x"\n')], (TOML, None, "study", "x", "a table [study]")),
    "materials in one list": (
        [change(TOML, "[materials.A]\n", "materials = 3\n[other.A]\n"),
         change(TOML, "[materials.A.covariates]", "[other.B]"),
         change(TOML, "[materials.B]", "[other.C]")],
        (TOML, None, "materials", "", "at least one table [materials.NAME]")),
    "typographic quotation marks": (
        [change(TOML, '"Two liners"', "“Two liners”")], (TOML, 2, None, "title", "TOML")),
    "decimal comma in thresholds": (
        [change(TOML, "[0.5]", "[0,5]")], (TOML, None, "study.thresholds", "[0, 5]", "fraction")),
    "threshold without brackets": (
        [change(TOML, "[0.5]", "0.5")], (TOML, None, "study.thresholds", "0.5", "fractions")),
    "threshold in percent as text": (
        [change(TOML, "[0.5]", '"50 %"')], (TOML, None, "study.thresholds", "50 %", "fractions")),
    "property left out": (
        [change(TOML, 'property = "strip tensile strength"\n', "")],
        (TOML, None, "study.property", "", "property is missing")),
    "unit left blank": (
        [change(TOML, '"kN/m"', '""')], (TOML, None, "study.unit", "", "kN/m")),
    "invented in words": (
        [change(TOML, "invented = true", 'invented = "yes"')],
        (TOML, None, "study.invented", "yes", "true or false")),
    "required strength without unit": (
        [change(TOML, "thresholds = [0.5]", "required_strength = 8")],
        (TOML, None, "study.required_strength", "8", "with its unit")),
    "required strength below zero": (
        [change(TOML, "thresholds = [0.5]", 'required_strength = "-8 kN/m"')],
        (TOML, None, "study.required_strength", "-8", "above 0")),
    "interval written backwards": (
        [change(TOML, '"0.35 W/m^2/nm"', '"60 W/m^2"\nat = "400-300 nm"')],
        (TOML, None, "exposures.X1.at", "400-300", "shorter to the longer")),
    "band without unit": (
        [change(TOML, '"0.35 W/m^2/nm"', '"0.35 W/m^2/nm"\nat = "340"')],
        (TOML, None, "exposures.X1.at", "340", "340 nm")),
    "irradiance of a kilowatt lamp": (
        [change(TOML, '"0.35 W/m^2/nm"', '"6214.7 W/m^2"')],
        (TOML, None, "exposures.X1.irradiance", "6214.7", "between 0 and 2000")),
    "cycle in words": (
        [change(TOML, "[materials.A]\n", "[exposures.X3]\nat = \"340 nm\"\ncycle = \"dry\"\n"
                "[materials.A]\n")],
        (TOML, None, "exposures.X3.cycle", "dry", "a list of phases")),
    "phase without light": (
        [change(TOML, "{ minutes = 30, light = true, spray = true }", "{ minutes = 30 }")],
        (TOML, None, "exposures.X1.cycle[2].light", "", "true or false")),
    "light as a word": (
        [change(TOML, "{ minutes = 30, light = true,", '{ minutes = 30, light = "on",')],
        (TOML, None, "exposures.X1.cycle[2].light", "on", "true or false")),
    "panel of 650 degrees": (
        [change(TOML, '"65 degC"', '"650 degC"')],
        (TOML, None, "exposures.X1.cycle[1].black_panel", "650", "between")),
    "panel in kelvin without a unit": (
        [change(TOML, '"65 degC"', '"338"')],
        (TOML, None, "exposures.X1.cycle[1].black_panel", "338", "65 degC")),
    "assurance of 95": (
        [change(TOML, "[data]", "[question]\nassurance = 95\n[data]")],
        (TOML, None, "question.assurance", "95", "between 0 and 1")),
    "day that is not in the calendar": (
        [change(TOML, "[data]", '[question]\nlaying = "2031-02-30"\n[data]')],
        (TOML, None, "question.laying", "2031-02-30", "2031-05-14")),
    "sites as one text": (
        [change(TOML, "[data]", '[question]\nsites = "miami"\n[data]')],
        (TOML, None, "question.sites", "miami", "a list of names")),
    "name with a blank behind it": (
        [change(TOML, "[materials.B]", '[materials."B "]')],
        (TOML, None, "materials", "'B '", "without blanks")),
    "covariate in an unknown unit": (
        [change(TOML, '"0.3 %"', '"0.3 phr"')],
        (TOML, None, "materials.A.covariates.loading", "0.3 phr", "number")),
    "two tables in one file without sheets": (
        [change(TOML, "specimens.csv", "specimens.CSV.txt.pdf")],
        ("specimens.CSV.txt.pdf", None, None, ".pdf", ".csv or .xlsx")),
    "absolute path": (
        [change(TOML, '"specimens.csv"', '"/specimens.csv"')],
        ("/specimens.csv", None, None, "/specimens.csv", "inside the study folder")),
    "path out of the folder": (
        [change(TOML, '"specimens.csv"', '"x/../../specimens.csv"')],
        ("x/../../specimens.csv", None, None, "..", "inside the study folder")),
    "file named in another case": (
        [change(TOML, '"specimens.csv"', '"strips.csv"')],
        ("strips.csv", None, None, "no such file", "The folder holds specimens.csv")),
    "old kind of spreadsheet": (
        [change(TOML, '"specimens.csv"', '"specimens.xls"')],
        ("specimens.xls", None, None, ".xls", ".xlsx")),
    # text tables
    "table of control characters": (
        [write(CSV, b"\x00\x01\x02\x03")], (CSV, None, None, "", "")),
    "page of a web site": (
        [write(CSV, "<html><body>not found</body></html>\n")], (CSV, None, None, "", "")),
    "header in two lines": (
        [write(CSV, "material,exposure,hours,strength\n,,h,kN/m\nA,X1,0,20\n")],
        (CSV, 2, "strength", "kN/m", "number")),
    "title above the header": (
        [write(CSV, "Series one\n" + SHORT + "A,X1,0,20\n")],
        (CSV, 1, "Series one", "Series one", "a known column")),
    "blanks for tabs": (
        [write(CSV, "material exposure hours strength\nA X1 0 20\n")],
        (CSV, 1, "material exposure hours strength", "material", "a known column")),
    "columns turned into rows": (
        [write(CSV, "material,A,A\nexposure,X1,X1\nhours,0,500\nstrength,20,15\n")],
        (CSV, 1, "A", "A", "a known column")),
    "row one cell too long": (
        [write(CSV, SHORT + "A,X1,0,20\nA,X1,500,15,5\n")],
        (CSV, 3, None, "5 cells", "quotation marks")),
    "mean row below the strips": (
        [write(CSV, SHORT + "A,X1,0,20\nA,X1,0,22\nmean,,,21\n")],
        (CSV, 4, "material", "mean", "[materials.NAME]")),
    "days in the column of hours": (
        [write(CSV, SHORT + "A,X1,0,20\nA,X1,21 d,15\n")],
        (CSV, 3, "hours", "21 d", "belongs in the header")),
    "clock time for hours": (
        [write(CSV, SHORT + "A,X1,0,20\nA,X1,500:30,15\n")],
        (CSV, 3, "hours", "500:30", "number")),
    "range for a number": (
        [write(CSV, SHORT + "A,X1,0,20-22\n")], (CSV, 2, "strength", "20-22", "number")),
    "mean and scatter in one cell": (
        [write(CSV, SHORT + "A,X1,0,20 ± 2\n")], (CSV, 2, "strength", "20 ± 2", "number")),
    "number with a question mark": (
        [write(CSV, SHORT + "A,X1,0,20?\n")], (CSV, 2, "strength", "20?", "number")),
    "number in brackets": (
        [write(CSV, SHORT + "A,X1,0,(20)\n")], (CSV, 2, "strength", "(20)", "number")),
    "digits of another script": (
        [write(CSV, SHORT + "A,X1,0,٢٠\n")], (CSV, 2, "strength", "٢٠", "number")),
    "hexadecimal": ([write(CSV, SHORT + "A,X1,0,0x14\n")], (CSV, 2, "strength", "0x14", "number")),
    "formula over another sheet": (
        [write(CSV, SHORT + "A,X1,0,=Sheet2!B2\n")],
        (CSV, 2, "strength", "=Sheet2!B2", "paste it as a value")),
    "ditto mark": (
        [write(CSV, 'material,exposure,hours,strength\nA,X1,0,20\n〃,X1,500,15\n')],
        (CSV, 3, "material", "〃", "[materials.NAME]")),
    "material in lower case": (
        [write(CSV, SHORT + "a,X1,0,20\n")], (CSV, 2, "material", "a", 'Did you mean "A"?')),
    "exposure with its hours": (
        [write(CSV, SHORT + "A,X1 500 h,500,20\n")],
        (CSV, 2, "exposure", "X1 500 h", "[exposures.NAME]")),
    "all strips excluded": (
        [write(CSV, "material,exposure,hours,strength,excluded\nA,X1,0,20,cut\nA,X1,5,9,cut\n")],
        (CSV, None, None, "only rows that are blank or excluded", "one row that is used")),
    "censored without saying how": (
        [change(CSV, "2,15,50,below", "2,15,50,yes")], (CSV, 9, "censored", "yes", "below")),
    "strength that its force does not make": (
        [write(CSV, "material,exposure,hours,peak_force [N],width [mm],strength\n"
               "A,X1,0,1000,50,20\nA,X1,0,1010,50,20.2\nA,X1,500,700,50,41\n")],
        (CSV, 4, "strength", "41", "about 14 kN/m")),
    "strength in N/m under kN/m": (
        [write(CSV, "material,exposure,hours,peak_force [N],width [mm],strength\n"
               + "".join(f"A,X1,{h},{f},50,{f * 20}\n" for h, f in
                         [(0, 1001), (0, 1012), (100, 955), (200, 912), (300, 840), (400, 803)]))],
        (CSV, 2, "strength", "20020", "look at the units")),
    "force without strength in a study of stress": (
        [change(TOML, '"kN/m"', '"MPa"'),
         write(CSV, SHORT[:-1] + ",peak_force [N]\nA,X1,0,20,900\nA,X1,9,,70\n")],
        (CSV, 3, "strength", "", "a force does not make")),
    "day as the office writes it": (
        [write(CSV, "material,exposure,hours,strength,tested_on\nA,X1,0,20,14.05.2031\n")],
        (CSV, 2, "tested_on", "14.05.2031", "2031-05-14")),
    "specimen twice under other blanks": (
        [write(CSV, "material,exposure,hours,specimen,strength\nA,X1,0,1,20\nA,X1,0, 1 ,21\n")],
        (CSV, 3, "specimen", "as in row 2", "one row for each specimen")),
    # spreadsheets
    "lot merged over its rows": (
        [sheet([["material", "lot", "exposure", "hours", "strength"], ["A", "L1", "X1", 0, 20],
                ["A", None, "X1", 0, 21], ["A", None, "X1", 500, 15]],
               lambda s: s.merge_cells("B2:B4"))],
        (XLSX, 2, None, "B2 to B4", "Unmerge")),
    "number made a date by the program": (
        [sheet([*GRID, ["A", "X1", 1000, __import__("datetime").date(2031, 5, 5)]])],
        (XLSX, 5, "strength [kN/m]", "2031-05-05", "makes a date of a number")),
    "truth value for a number": (
        [sheet([*GRID, ["A", "X1", 1000, True]])],
        (XLSX, 5, "strength [kN/m]", "true", "number")),
    "number kept as text with a comma": (
        [sheet([*GRID, ["A", "X1", 1000, "8,5"]])],
        (XLSX, 5, "strength [kN/m]", "8,5", "decimal")),
    "number behind an apostrophe and a blank": (
        [sheet([*GRID, ["A", "X1", 1000, "'8.5"]])],
        (XLSX, 5, "strength [kN/m]", "'8.5", "number")),
    "value outside the table": (
        [sheet([*GRID, ["A", "X1", 1000, 8.5, "look!"]])],
        (XLSX, 5, None, "look!", "no name")),
    "spreadsheet under the name of a text": (
        [lambda f: f.write(CSV, b"PK\x03\x04 and more")],
        (CSV, None, None, "spreadsheet", "Rename the file")),
    "text under the name of a spreadsheet": (
        [change(TOML, CSV, XLSX), write(XLSX, SHORT + "A,X1,0,20\n")],
        (XLSX, None, None, "cannot be opened", "spreadsheet")),
    # chamber records
    "record with a day and no hour order": (
        [log(LOG + "2031-05-14T08:10,0.35\n")], ("log.csv", 4, "time", "08:10", "later time")),
    "record in local words": (
        [log(LOG.replace("2031-05-14T08:30", "14 May 2031 8:30"))],
        ("log.csv", 3, "time", "14 May 2031", "ISO 8601")),
    "record of one reading": (
        [log("time,irradiance [W/m^2/nm]\n2031-05-14T08:00,0.35\n")],
        ("log.csv", 2, None, "one row", "two rows")),
    "record in the dark": (
        [log(LOG.replace("0.35", "0").replace("0.34", "0"))],
        ("log.csv", None, "irradiance [W/m^2/nm]", "no irradiance", "light")),
    "record of a broadband sensor": (
        [log(LOG.replace("[W/m^2/nm]", "[W/m^2]"))],
        ("log.csv", 1, "irradiance [W/m^2]", "W/m^2", "spectral")),
    "record that is not there": (
        [change(TOML, "cycle = [", 'record = "log.csv"\ncycle = [')],
        ("log.csv", None, None, "no such file", "study folder")),
    "record with a sensor fault": (
        [log(LOG + "2031-05-14T09:00,ERR\n")],
        ("log.csv", 4, "irradiance [W/m^2/nm]", "ERR", "number")),
    # readings, inspections, declared values
    "reading of a nameless specimen": (
        [kind("readings", READING + "A,X1,0,,20\nA,X1,5,s1,19\n")],
        ("readings.csv", 2, "specimen", "", "the name of the specimen")),
    "reading without its exposure": (
        [kind("readings", READING + "A,,0,s1,20\nA,X1,5,s1,19\n")],
        ("readings.csv", 2, "exposure", "", "the name of an exposure")),
    "reading of zero": (
        [kind("readings", READING + "A,X1,0,s1,20\nA,X1,5,s1,0\n")],
        ("readings.csv", 3, "value [kN/m]", "0", "below")),
    "readings without values": (
        [kind("readings", READING.replace("value [kN/m]", "note") + "A,X1,0,s1,x\n")],
        ("readings.csv", 1, "value", "material", "a column")),
    "inspection that runs backwards": (
        [kind("inspections", LOOK + "A,X1,s1,500,300\n")],
        ("inspections.csv", 2, "hours_high", "300", "no earlier")),
    "inspection of neither look": (
        [kind("inspections", LOOK + "A,X1,s1,,\nA,X1,s2,10,20\n")],
        ("inspections.csv", 2, "hours_low", "", "last look")),
    "inspection of a fraction in percent": (
        [kind("inspections", LOOK.replace("specimen,", "specimen,fraction,")
              + "A,X1,s1,50,10,20\n")],
        ("inspections.csv", 2, "fraction", "50", "Write 0.5 for 50 %")),
    "inspection of half a specimen": (
        [kind("inspections", "material,exposure,hours_low,hours_high,n\nA,X1,10,20,0.5\n")],
        ("inspections.csv", 2, "n", "0.5", "whole number")),
    "declared in an unknown sense": (
        [kind("declared", SAID + "A,X1,500,70,guaranteed\n")],
        ("declared.csv", 2, "sense", "guaranteed", 'Write "minimum"')),
    "declared fraction of 70": (
        [kind("declared", SAID.replace(" [%]", " [1]") + "A,X1,500,70,minimum\n")],
        ("declared.csv", 2, "retained [1]", "70", "Write 0.7 for 70 %")),
    "declared without a sense": (
        [kind("declared", "material,exposure,hours,retained [%]\nA,X1,500,70\n")],
        ("declared.csv", 1, "sense", "material", "minimum average roll value")),
    "declared before any exposure": (
        [kind("declared", SAID + "A,X1,0,100,typical\n")],
        ("declared.csv", 2, "retained [%]", "100", "by definition")),
    "unit in study.toml of another thing": (
        [change(TOML, "[data]", '[units]\nwidth = "N"\n[data]'),
         change(CSV, "width [mm]", "width")],
        (TOML, None, "units.width", "N", "length")),
    "inspection with hours and doses mixed": (
        [kind("inspections", "material,exposure,hours_low,dose_high [cycles]\nA,turns,10,20\n")],
        ("inspections.csv", 2, "hours_low", "10", "dose in cycles")),
    "reading twice in one place": (
        [kind("readings", READING + "A,X1,0,s1,20\nA,X1,5,s1,x\n")],
        ("readings.csv", 3, "value [kN/m]", "x", "number")),
    "error of a figure below zero": (
        [write(CSV, "material,exposure,hours,strength,value_sd\nA,X1,0,20,-1\n")],
        (CSV, 2, "value_sd", "-1", "above 0")),
    "spread three times over": (
        [change(TOML, 'specimens = "specimens.csv"', 'summaries = "m.csv"'),
         write("m.csv", "material,exposure,hours,mean,sd,se,n\nA,X1,0,20,1,0.4,5\n")],
        ("m.csv", 2, "se", "0.4", "not two")),
    "curves in a folder that is not there": (
        [change(TOML, "[exposures.X1]", 'curves = "curves"\n[exposures.X1]')],
        (TOML, None, "data.curves", "curves", "")),
    "curve that is not among the files": (
        [change(TOML, "[exposures.X1]", 'curves = "c"\n[exposures.X1]'),
         lambda f: (f.path / "c").mkdir(), write("c/a.txt", "force\textension\n1\t2\n"),
         write(CSV, "material,exposure,hours,peak_force [N],width [mm],curve\nA,X1,0,1,50,b\n")],
        (CSV, 2, "curve", "b", "")),
    "unknown method of the tensile test": (
        [change(TOML, "[materials.A]\n", '[tensile]\nmethod = "grabb"\n[materials.A]\n')],
        (TOML, None, "tensile.method", "grabb", "grab")),
    "gauge length without a unit": (
        [change(TOML, "[materials.A]\n", "[tensile]\ngauge_length = 75\n[materials.A]\n")],
        (TOML, None, "tensile.gauge_length", "75", "75 mm")),
    "control with a lamp's irradiance": (
        [change(TOML, "[materials.A]\n", '[exposures.D]\ncontrol = "dark"\nof = "X1"\n'
                'irradiance = "0.35 W/m^2/nm"\n[materials.A]\n')],
        (TOML, None, "exposures.D.irradiance", "0.35", "no light in a control")),
    "control beside a control": (
        [change(TOML, "[materials.A]\n", '[exposures.D]\ncontrol = "dark"\nof = "D"\n'
                "[materials.A]\n")],
        (TOML, None, "exposures.D.of", "D", "an exposure to light")),
    "threshold below one of a property that rises": (
        [change(TOML, "invented = true", 'changes = "rises"')],
        (TOML, None, "study.thresholds", "0.5", "")),
    "control that names no exposure": (
        [change(TOML, "[materials.A]\n", '[exposures.D]\ncontrol = "dark"\n[materials.A]\n')],
        (TOML, None, "exposures.D.of", "", "beside which")),
}  # fmt: skip


@pytest.mark.parametrize("name", FOLDERS)
def test_a_bad_folder_is_named_placed_and_mended(name, folder):
    steps, (file, row, column, found, words) = FOLDERS[name]
    for step in steps:
        step(folder)
    problems, _ = check_study(folder.path)
    assert problems, "taken as sound"
    for p in problems:
        assert p.file and p.expected and p.mend, p
        assert p.found == p.found.strip() and "\n" not in str(p)
    at = [p for p in problems if p.file == file and found in p.found]
    if (row, column) != (None, None):
        at = [p for p in at if (p.row, p.column) == (row, column)]
    assert at, [str(p) for p in problems]
    assert any(words in f"{p.expected}. {p.mend}" for p in at), [str(p) for p in at]
    with pytest.raises(StudyError) as error:
        read_study(folder.path)
    assert error.value.problems == tuple(problems)


def test_there_are_more_than_sixty_of_them():
    assert len(FOLDERS) > 60


def test_faults_of_every_file_are_found_in_one_pass(folder):
    """Description, strips, record, readings, inspections and declared values, one fault each."""
    for step in (
        change(TOML, '"Two liners"', "7"),
        change(CSV, "751.2", "75I.2"),
        log(LOG + "2031-05-14T08:10,0.35\n"),
        kind("readings", READING + "A,X1,0,,20\nA,X1,5,s1,19\n"),
        kind("inspections", LOOK + "A,X1,s1,500,300\n"),
        kind("declared", SAID + "A,X1,500,70,guaranteed\n"),
    ):
        step(folder)
    files = [p.file for p in check_study(folder.path)[0]]
    assert sorted(files) == sorted(
        [TOML, CSV, "log.csv", "readings.csv", "inspections.csv", "declared.csv"]
    )
