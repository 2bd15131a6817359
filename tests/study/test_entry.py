"""What is entered in any supported unit, header or spelling gives the same study, or is refused."""

from __future__ import annotations

import datetime

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from durability.exposure import with_doses
from durability.study import check_study, read_study
from durability.study.columns import ALTERNATIVES, Column, read_numbers
from durability.study.dates import mend_date
from durability.study.findings import Findings
from durability.study.tables import Table
from durability.units import UNITS, converted

FORCES, WIDTHS, TIMES, PER_WIDTH, DOSES, SHARES = (
    [s for s, u in UNITS.items() if u.dimension == dimension]
    for dimension in ("force", "length", "time", "force per width",
                      "energy per area and wavelength", "fraction")
)  # fmt: skip
FUNCTION = dict(
    max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


def typed(number: float, canonical: str, symbol: str) -> str:
    """A number of one unit as it would be typed in another."""
    return repr(float(converted(number, UNITS[canonical], UNITS[symbol])))


def strip_table(force: str, width: str, time: str, share: str, in_header: bool) -> str:
    """The same four strips, typed in these units."""
    units = {"peak_force": force, "width": width, "hours": time, "elongation": share}
    heads = [f"{name} [{symbol}]" if in_header else name for name, symbol in units.items()]
    lines = ["material,exposure,specimen," + ",".join(heads)]
    for i, (newton, hours) in enumerate([(1003, 0), (998, 0), (751, 500), (402, 1000)]):
        cells = [typed(newton, "N", force), typed(50, "mm", width), typed(hours, "h", time),
                 typed(0.31, "1", share)]  # fmt: skip
        lines.append(f"A,X1,{i}," + ",".join(cells))
    return "\n".join(lines)


def same(a, b, rel: float = 1e-11) -> None:
    """Equal numbers, whatever they were typed in."""
    for name in ("strength", "hours", "dose", "elongation", "sd"):
        np.testing.assert_allclose(a[name].values, b[name].values, rtol=rel, err_msg=name)


@settings(**FUNCTION)
@given(
    force=st.sampled_from(FORCES),
    width=st.sampled_from(WIDTHS),
    time=st.sampled_from(TIMES),
    share=st.sampled_from(SHARES),
    wanted=st.sampled_from([*PER_WIDTH, *FORCES]),
    in_header=st.booleans(),
)
def test_strips_typed_in_any_units_give_the_same_study(
    make, tmp_path_factory, force, width, time, share, wanted, in_header
):
    folder = _fresh(make, tmp_path_factory, wanted)
    folder.write("specimens.csv", strip_table("N", "mm", "h", "%", True))
    plain = with_doses(read_study(folder.path)).rows
    folder.write("specimens.csv", strip_table(force, width, time, share, in_header))
    if not in_header:
        table = f'[units]\npeak_force = "{force}"\nwidth = "{width}"\nhours = "{time}"\n'
        folder.change("study.toml", "[data]", f'{table}elongation = "{share}"\n[data]')
    study = read_study(folder.path)
    assert study.unit == str(UNITS[wanted])
    same(plain, with_doses(study).rows)
    # what the study names as its unit is what the strengths are in
    newtons = 1003 / 50 if UNITS[wanted].dimension == "force per width" else 1003
    canonical = study.rows["strength"].values[0] * UNITS[wanted].factor
    assert canonical == pytest.approx(newtons, rel=1e-11)


def _fresh(make, tmp_path_factory, wanted: str):
    name = tmp_path_factory.mktemp("entry").name
    folder = make(name=name)
    return folder.change("study.toml", 'unit = "kN/m"', f'unit = "{wanted}"')


@settings(**FUNCTION)
@given(
    mean=st.sampled_from(PER_WIDTH),
    spread=st.sampled_from(PER_WIDTH),
    dose=st.sampled_from(DOSES),
    wanted=st.sampled_from(PER_WIDTH),
)
def test_summaries_typed_in_any_units_give_the_same_study(
    make, tmp_path_factory, mean, spread, dose, wanted
):
    folder = _fresh(make, tmp_path_factory, wanted)
    folder.change("study.toml", 'specimens = "specimens.csv"', 'summaries = "means.csv"')

    def written(m: str, s: str, d: str) -> None:
        head = f"material,exposure,dose [{d}],dose_sd,mean [{m}],sd [{s}],value_sd [{s}],n"
        lines = [head]
        for kj, kn in ((0, 20), (630, 12)):
            cells = [typed(kj, "kJ/m^2/nm", d), typed(9, "kJ/m^2/nm", d), typed(kn, "kN/m", m),
                     typed(1.5, "kN/m", s), typed(0.2, "kN/m", s)]  # fmt: skip
            lines.append(f"A,X1,{','.join(cells)},5")
        folder.write("means.csv", "\n".join(lines))

    written("kN/m", "kN/m", "kJ/m^2/nm")
    plain = with_doses(read_study(folder.path)).rows
    written(mean, spread, dose)
    rows = with_doses(read_study(folder.path)).rows
    same(plain, rows)
    for name in ("dose_sd", "value_sd", "hours_sd"):
        np.testing.assert_allclose(rows[name].values, plain[name].values, rtol=1e-11)


@settings(**FUNCTION)
@given(
    strength=st.sampled_from(PER_WIDTH),
    time=st.sampled_from(TIMES),
    dose=st.sampled_from(DOSES),
    share=st.sampled_from(SHARES),
)
def test_every_other_kind_typed_in_any_units_gives_the_same_study(
    make, tmp_path_factory, strength, time, dose, share
):
    folder = _fresh(make, tmp_path_factory, "kN/m")
    kinds = ("readings", "inspections", "declared")
    lines = "\n".join(f'{kind} = "{kind}.csv"' for kind in kinds)
    folder.change("study.toml", 'specimens = "specimens.csv"', lines)

    def written(s: str, t: str, d: str, f: str) -> None:
        folder.write(
            "readings.csv",
            f"material,exposure,specimen,hours [{t}],value [{s}],value_sd [{s}]\n"
            f"A,X1,1,{typed(500, 'h', t)},{typed(12, 'kN/m', s)},{typed(0.3, 'kN/m', s)}",
        )
        folder.write(
            "inspections.csv",
            f"material,exposure,fraction [{f}],dose_low [{d}],dose_high [{d}]\n"
            f"A,X1,{typed(0.6, '1', f)},{typed(315, 'kJ/m^2/nm', d)},{typed(630, 'kJ/m^2/nm', d)}",
        )
        folder.write(
            "declared.csv",
            f"material,exposure,hours [{t}],retained [{f}],strength [{s}],sense\n"
            f"A,X1,0,,{typed(18, 'kN/m', s)},minimum\n"
            f"A,X1,{typed(500, 'h', t)},{typed(0.7, '1', f)},,typical",
        )

    written("kN/m", "h", "kJ/m^2/nm", "1")
    plain = with_doses(read_study(folder.path)).others()
    written(strength, time, dose, share)
    for kind, table in with_doses(read_study(folder.path)).others().items():
        for name in table.data_vars:
            if table[name].dtype.kind == "f":
                np.testing.assert_allclose(
                    table[name].values, plain[kind][name].values, rtol=1e-11, err_msg=str(name)
                )


def test_a_dose_in_langleys_is_read_and_its_band_is_questioned(folder):
    folder.change("study.toml", 'irradiance = "0.35 W/m^2/nm"', 'at = "300-400 nm"')
    folder.write(
        "specimens.csv",
        "material,exposure,dose [langley],strength\nA,X1,0,20\nA,X1,1000,15\n",
    )
    study = read_study(folder.path)
    # 1 langley is 41.84 kJ/m²
    assert study.rows["dose"].values[1] == pytest.approx(41.84)
    assert "langley_band" in {c.name for c in study.cautions}
    folder.change("study.toml", "300-400 nm", "300-3000 nm")
    assert "langley_band" not in {c.name for c in read_study(folder.path).cautions}


def test_cells_are_kept_as_they_were_entered_where_they_were_converted(folder):
    folder.write(
        "specimens.csv",
        "material,exposure,hours [d],peak_force [lbf],width [in],elongation [%]\n"
        "A,X1,0,225.5,2,31\nA,X1,20.5,170,2,28\n",
    )
    study = read_study(folder.path)
    kept = study.entered
    assert kept is not None
    kept = kept.isel(cell=kept["file"].values == "specimens.csv")
    found = {
        (str(c), int(line)): (str(t), str(u), round(float(v), 6), str(i))
        for c, line, t, u, v, i in zip(
            *(kept[n].values for n in ("column", "line", "text", "unit", "value", "into")),
            strict=True,
        )
    }
    assert found == {
        ("hours [d]", 2): ("0", "d", 0, "h"),
        ("hours [d]", 3): ("20.5", "d", 492, "h"),
        ("peak_force [lbf]", 2): ("225.5", "lbf", 1003.073974, "N"),
        ("peak_force [lbf]", 3): ("170", "lbf", 756.197675, "N"),
        ("width [in]", 2): ("2", "in", 50.8, "mm"),
        ("width [in]", 3): ("2", "in", 50.8, "mm"),
    }


def test_quantities_of_study_toml_are_kept_as_entered(folder):
    folder.change("study.toml", "thresholds = [0.5]", 'required_strength = "45 lbf/in"')
    folder.change("study.toml", '"65 degC"', '"149 degF"')
    folder.change("study.toml", 'loading = "0.3 %"', 'mass = "8 oz/yd^2"\nshare = 0.3')
    study = read_study(folder.path)
    kept = study.entered
    assert kept is not None and set(kept["file"].values) == {"study.toml"}
    found = {
        str(c): (str(t), round(float(v), 6), str(i))
        for c, t, v, i in zip(
            *(kept[n].values for n in ("column", "text", "value", "into")), strict=True
        )
    }
    del found["exposures.X1.irradiance_uncertainty"], found["exposures.X1.cycle[1].humidity"]
    assert found == {
        "study.required_strength": ("45 lbf/in", 7.880708, "kN/m"),  # 45 x 4.4482216 / 25.4
        "exposures.X1.cycle[1].black_panel": ("149 degF", 65.0, "°C"),
        "materials.A.covariates.mass": ("8 oz/yd^2", 271.24598, "g/m²"),  # 8 x 33.9057475
    }
    assert study.required_strength == pytest.approx(7.880708)
    assert study.materials["A"].covariates["mass"] == pytest.approx(271.24598)


def test_nothing_is_kept_where_nothing_was_converted(folder):
    folder.write(
        "specimens.csv", "material,exposure,dose [kJ/m^2/nm],strength [kN/m]\nA,X1,630,12\n"
    )
    kept = read_study(folder.path).entered
    assert kept is not None and set(kept["file"].values) == {"study.toml"}  # 5 %, 50 % and 0.3 %
    folder.change("study.toml", '"0.3 %"', "0.003").change("study.toml", '"5 %"', '"0.05"')
    folder.change("study.toml", ', humidity = "50 %"', "")
    assert read_study(folder.path).entered is None


def test_a_converted_dose_is_kept_as_entered(folder):
    folder.write("specimens.csv", "material,exposure,dose [MJ/m^2/nm],strength\nA,X1,0.63,12\n")
    kept = read_study(folder.path).entered
    assert kept is not None
    kept = kept.isel(cell=kept["file"].values == "specimens.csv")
    assert [str(kept[n].values[0]) for n in ("text", "unit", "into")] == [
        "0.63", "MJ/m^2/nm", "kJ/(m² nm) at 340 nm",
    ]  # fmt: skip
    assert kept["value"].values[0] == pytest.approx(630)


def test_a_unit_in_header_and_study_must_be_one(folder):
    folder.change("study.toml", "[data]", '[units]\npeak_force = "newton"\nwidth = "cm"\n[data]')
    (problem,) = check_study(folder.path)[0]
    assert (problem.row, problem.column, problem.found) == (1, "width [mm]", "mm")
    assert "study.toml says cm" in problem.expected


def test_a_wrong_unit_in_study_toml_is_named_there(folder):
    folder.change("study.toml", "[data]", '[units]\nelongation = "mm"\n[data]')
    folder.write("specimens.csv", "material,exposure,hours,strength,elongation\nA,X1,0,20,31\n")
    (problem,) = check_study(folder.path)[0]
    assert (problem.file, problem.row, problem.column) == ("study.toml", None, "units.elongation")
    folder.change("study.toml", 'elongation = "mm"', 'dose = "kJ/m^2"')
    folder.write("specimens.csv", "material,exposure,dose,strength\nA,X1,630,20\n")
    (problem,) = check_study(folder.path)[0]
    assert (problem.file, problem.column, problem.found) == ("study.toml", "units.dose", "kJ/m^2")


def test_a_unit_that_no_table_needs_is_said(folder):
    folder.change("study.toml", "[data]", '[units]\nretained = "%"\n[data]')
    assert "units_not_used" in {c.name for c in check_study(folder.path)[1]}


def test_column_names_are_found_in_upper_and_lower_case(folder):
    text = (folder.path / "specimens.csv").read_text()
    head, body = text.split("\n", 1)
    upper = head.upper().replace("[MM]", "[mm]")
    plain = read_study(folder.path).rows
    folder.write("specimens.csv", f"{upper}\n{body}")
    same(plain, read_study(folder.path).rows)


@pytest.mark.parametrize(
    ("header", "words"),
    [
        ("Peak Force [N]", 'Write "peak_force".'),
        ("load [N]", 'Write "peak_force", if that is meant.'),
        ("max-load [N]", 'Write "peak_force", if that is meant.'),
        ("comment", 'Write "note" or "excluded", whichever is meant.'),
        ("roll", 'Write "lot", if that is meant.'),
        ("sample", 'Write "material" or "lot" or "specimen", whichever is meant.'),
        ("strenght", 'Did you mean "strength"?'),
    ],
)
def test_another_name_for_a_column_is_offered_and_not_taken(folder, header, words):
    folder.write("specimens.csv", f"material,exposure,hours,strength,{header}\nA,X1,0,20,3\n")
    (problem,) = check_study(folder.path)[0]
    assert (problem.row, problem.found, problem.mend) == (1, header, words)


def test_every_alternative_leads_to_a_column_that_a_table_has():
    from durability.study import declared, inspections, readings, specimens, summaries

    rooms = (declared, inspections, readings, specimens, summaries)
    known = {name for room in rooms for name in room.COLUMNS}
    assert {m for meant in ALTERNATIVES.values() for m in meant} <= known
    assert not set(ALTERNATIVES) & known


DATES = [
    ("14.05.2031", "Write 2031-05-14."),
    ("5/14/2031", "Write 2031-05-14."),
    ("05/06/2031", "Write 2031-05-06 or 2031-06-05, whichever is meant."),
    ("14 May 2031", "Write 2031-05-14."),
    ("May 14, 2031", "Write 2031-05-14."),
    ("14.5.31", "four digits"),
    ("47982", "spreadsheet's number of a day"),
    ("14.05.2031 08:30", "Write 2031-05-14T08:30."),
    ("5/14/2031 12:05:30 AM", "Write 2031-05-14T00:05:30."),
    ("May 14, 99999999999999999999", "Write year, month and day"),
    ("yesterday", "Write year, month and day"),
    ("31.02.2031", "Write year, month and day"),
]


@pytest.mark.parametrize(("text", "words"), DATES)
def test_a_date_that_is_not_iso_is_refused_with_the_mend(folder, text, words):
    folder.write(
        "specimens.csv", f'material,exposure,hours,strength,tested_on\nA,X1,0,20,"{text}"\n'
    )
    (problem,) = check_study(folder.path)[0]
    assert (problem.row, problem.column, problem.found) == (2, "tested_on", text)
    assert words in problem.mend


def test_many_dates_that_are_not_iso_are_listed_and_then_counted(folder):
    lines = [f"A,X1,{i},20,{1 + i % 28}.{1 + i // 28}.2031" for i in range(100)]
    head = "material,exposure,hours,strength,tested_on\n"
    folder.write("specimens.csv", head + "\n".join(lines))
    problems = check_study(folder.path)[0]
    assert len(problems) == 21 and "80 more rows" in problems[-1].found
    assert "For row 2: Write 2031-01-01." in problems[0].mend


def test_a_chamber_log_in_another_form_of_date_is_refused_with_the_mend(folder, chamber):
    folder.change("study.toml", "cycle = [", 'record = "log.csv"\ncycle = [')
    folder.write("log.csv", chamber.replace("2031-05-14T", "14/05/2031 "))
    problem = check_study(folder.path)[0][0]
    assert problem.found == "14/05/2031 08:00"
    assert problem.mend == "For row 2: Write 2031-05-14T08:00."


@pytest.mark.parametrize(
    "text", ["2031-05-14", "2031-05-14T08:30", "2031-05-14 08:30:00", "2031-05-14T08:30+02:00"]
)
def test_a_date_in_iso_form_is_read(folder, text):
    folder.write("specimens.csv", f"material,exposure,hours,strength,tested_on\nA,X1,0,20,{text}\n")
    assert read_study(folder.path).rows["tested_on"].values.tolist() == ["2031-05-14"]


@given(st.dates(min_value=datetime.date(1901, 1, 1)), st.sampled_from("./-"))
def test_a_day_written_day_first_is_offered_back(day, mark):
    text = f"{day.day}{mark}{day.month}{mark}{day.year}"
    assert day.isoformat() in mend_date(text)


def test_hours_as_a_clock_time_are_refused_with_the_number(folder):
    folder.write("specimens.csv", "material,exposure,hours,strength\nA,X1,12:30,20\n")
    (problem,) = check_study(folder.path)[0]
    assert problem.found == "12:30" and "12.5" in problem.mend


NUMBER = st.floats(1e-90, 1e90).map(repr) | st.integers(-(10**9), 10**9).map(str)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.sampled_from(["", ".5", "+3.", "-2e-3"]) | NUMBER, min_size=1, max_size=8))
def test_plain_numbers_are_read_as_python_reads_them(cells):
    text = np.array(cells, dtype=np.dtypes.StringDType())
    rows = np.arange(2, 2 + len(cells))
    column = Column("hours", "hours", None, 0, text)
    table = Table("t.csv", ("hours",), 1, (text,), rows, decimal_comma=False)
    findings = Findings()
    read = read_numbers(column, table, findings)
    assert findings.problems == []
    np.testing.assert_array_equal(read.values, [float(c) if c else np.nan for c in cells])
    assert read.blank.tolist() == [c == "" for c in cells]


@pytest.mark.parametrize("cell", ["1\n2", "1e400", "1e-320", "٣", "1_0", "0x1f", "1 2", "--1"])
def test_one_odd_cell_among_plain_numbers_is_named(cell):
    text = np.array(["1", cell, "2"], dtype=np.dtypes.StringDType())
    column = Column("hours", "hours", None, 0, text)
    table = Table("t.csv", ("hours",), 1, (text,), np.arange(2, 5), decimal_comma=False)
    findings = Findings()
    read = read_numbers(column, table, findings)
    assert [p.row for p in findings.problems] == [3]
    assert read.bad.tolist() == [False, True, False]
