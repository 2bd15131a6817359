"""A good folder is read as what the laboratory wrote."""

from __future__ import annotations

import contextlib
import csv
import datetime
import hashlib
import io

import numpy as np
import pytest

from durability.study import FLAGS, Segment, check_study, read_study


def to_xlsx(text: str, path, *, as_numbers: bool = True, skip_rows: int = 0) -> None:
    """The same table typed in a spreadsheet."""
    import openpyxl

    book = openpyxl.Workbook()
    sheet = book.worksheets[0]
    for _ in range(skip_rows):
        sheet.append([])
    for r, row in enumerate(csv.reader(io.StringIO(text)), start=1 + skip_rows):
        for c, cell in enumerate(row, start=1):
            value: object = cell
            if as_numbers:
                with contextlib.suppress(ValueError):
                    value = float(cell)
            if cell:
                sheet.cell(r, c, value)
    book.save(path)


def same_rows(a, b) -> None:
    """Equal in every variable but the file's name."""
    assert set(a) == set(b)
    for name in set(a) - {"file"}:
        np.testing.assert_array_equal(a[name].values, b[name].values, err_msg=name)


def strengths(folder) -> np.ndarray:
    return read_study(folder.path).rows["strength"].values


def test_strength_is_force_by_width_and_one_row_stands_for_one_strip(folder):
    study = read_study(folder.path)
    rows = study.rows
    assert rows.sizes == {"row": 15}
    assert rows["strength"].values[0] == 1003.1 / 50
    assert rows["line"].values.tolist() == list(range(2, 17))
    assert set(rows["file"].values) == {"specimens.csv"}
    assert rows["hours"].values[3] == 500
    assert np.isnan(rows["dose"].values[3])
    assert rows["dose"].values[0] == 0 == rows["hours"].values[0]
    assert rows["n"].values.tolist() == [1] * 15
    assert not rows["summary"].values.any()
    assert rows["strength"].attrs["units"] == "kN/m"


def test_rows_not_used_say_why_and_too_weak_strips_are_limits(folder):
    rows = read_study(folder.path).rows
    reasons = dict(zip(rows["line"].values.tolist(), rows["reason"].values.tolist(), strict=True))
    assert {k: v for k, v in reasons.items() if v} == {
        10: "broke at the jaw",
        13: "slipped in the grip",
        16: "blank",
    }
    assert (rows["used"].values == (rows["reason"].values == "")).all()
    assert rows["censored"].values[7] == -1
    assert rows["strength"].values[7] == 15 / 50
    assert np.count_nonzero(rows["censored"].values) == 1


def test_jaw_breaks_can_count_as_at_least_so_strong(folder):
    folder.change("study.toml", "[data]", '[rules]\njaw_breaks = "at least"\n[data]')
    rows = read_study(folder.path).rows
    assert rows["censored"].values[8] == 1
    assert rows["used"].values[8]
    assert rows["reason"].values[8] == ""
    assert np.count_nonzero(rows["censored"].values) == 2


def test_study_toml_gives_materials_exposures_and_question(folder):
    folder.change(
        "study.toml",
        "[data]",
        '[question]\nlaying = 2031-05-14\nof = "mean"\ncontrol = "A"\nlevel = 0.9\n[data]',
    )
    study = read_study(folder.path)
    assert study.title == "Two liners" and study.invented
    assert study.thresholds == (0.5,)
    assert study.materials["A"].covariates == {"loading": pytest.approx(0.003)}
    x1 = study.exposures["X1"]
    assert (x1.irradiance, x1.band, x1.irradiance_uncertainty) == (0.35, "340 nm", 0.05)
    assert x1.dose_unit == "kJ/(m² nm) at 340 nm"
    assert x1.cycle[0] == Segment(minutes=90, light=True, black_panel=65.0, humidity=0.5)
    assert x1.cycle[1].spray and x1.is_radiant
    assert study.exposures["turns"].axis == study.exposures["turns"].dose_unit == "cycles"
    assert study.question.laying == "2031-05-14" and study.question.of == "mean"
    assert study.question.level == 0.9 and study.question.control == "A"
    assert study.rules.jaw_breaks == "exclude"


def test_inputs_are_the_hashes_of_the_files_read(folder):
    study = read_study(folder.path)
    assert study.inputs == {
        name: hashlib.sha256((folder.path / name).read_bytes()).hexdigest()
        for name in ("study.toml", "specimens.csv")
    }


def test_a_lamp_file_fills_in_what_the_study_leaves_out(folder):
    text = (folder.path / "study.toml").read_text()
    start, end = text.index("irradiance ="), text.index("[exposures.turns]")
    folder.write("study.toml", text[:start] + text[end:])
    x1 = read_study(folder.path).exposures["X1"]
    assert (x1.irradiance, x1.band) == (0.35, "340 nm")
    assert sum(s.minutes for s in x1.cycle) == 120
    assert x1.irradiance_uncertainty is None


def test_broadband_irradiance_gives_a_broadband_dose(folder):
    folder.change("study.toml", '"0.35 W/m^2/nm"', '"60 W/m^2"\nat = "300–400 nm"')
    x1 = read_study(folder.path).exposures["X1"]
    assert (x1.irradiance, x1.band) == (60.0, "300-400 nm")
    assert x1.dose_unit == "MJ/m² in 300-400 nm"


def test_a_spreadsheet_gives_the_same_rows_as_text(folder, make):
    twin = make(name="x")
    twin.change("study.toml", "specimens.csv", "strips.xlsx")
    to_xlsx((folder.path / "specimens.csv").read_text(), twin.path / "strips.xlsx")
    same_rows(read_study(folder.path).rows, read_study(twin.path).rows)


def test_units_in_headers_are_converted(folder):
    before = strengths(folder)
    text = (folder.path / "specimens.csv").read_text()
    lines = list(csv.DictReader(io.StringIO(text)))
    out = ["material,lot,direction,exposure,hours [d],specimen,peak_force [kN],width (cm)"]
    for r in lines:
        if r["excluded"] or not r["peak_force [N]"]:
            continue
        out.append(
            f"{r['material']},{r['lot']},{r['direction']},{r['exposure']},"
            f"{float(r['hours']) / 24!r},{r['specimen']},"
            f"{float(r['peak_force [N]']) / 1000!r},{float(r['width [mm]']) / 10!r}"
        )
    folder.write("specimens.csv", "\n".join(out))
    rows = read_study(folder.path).rows
    assert rows["hours"].values[3] == pytest.approx(500, rel=1e-12)
    kept = before[~np.isnan(before)].tolist()
    del kept[11]  # the excluded strip
    np.testing.assert_allclose(rows["strength"].values, kept, rtol=1e-12)


@pytest.mark.parametrize(("separator", "bom"), [(";", b""), ("\t", b""), (";", b"\xef\xbb\xbf")])
def test_decimal_commas_are_read_where_a_whole_column_uses_them(folder, separator, bom):
    plain = read_study(folder.path).rows
    text = (folder.path / "specimens.csv").read_text().replace(",", separator)
    head, body = text.split("\n", 1)
    folder.write("specimens.csv", bom + f"{head}\n{body.replace('.', ',')}".encode())
    same_rows(plain, read_study(folder.path).rows)


def test_decimal_commas_typed_as_text_in_a_spreadsheet(folder):
    before = strengths(folder)
    text = (folder.path / "specimens.csv").read_text()
    quoted = io.StringIO()
    writer = csv.writer(quoted)
    for row in csv.reader(io.StringIO(text)):
        writer.writerow([c.replace(".", ",") if i == 6 else c for i, c in enumerate(row)])
    to_xlsx(quoted.getvalue(), folder.path / "strips.xlsx", as_numbers=False)
    folder.change("study.toml", "specimens.csv", "strips.xlsx")
    np.testing.assert_array_equal(before, read_study(folder.path).rows["strength"].values)


def test_a_cell_that_shows_percent_is_read_as_shown(folder):
    import openpyxl

    book = openpyxl.Workbook()
    sheet = book.worksheets[0]
    sheet.append(["material", "exposure", "hours", "strength [kN/m]", "elongation [%]"])
    sheet.append(["A", "X1", 0, 20.5, 0.07])
    sheet.append(["A", "X1", 500, 15.5, 6.5])
    sheet["E2"].number_format = "0.0%"
    sheet["D3"].number_format = "0%"
    book.save(folder.path / "strips.xlsx")
    folder.change("study.toml", "specimens.csv", "strips.xlsx")
    (problem,) = check_study(folder.path)[0]
    assert (problem.row, problem.column, problem.found) == (3, "strength [kN/m]", "1550%")
    sheet["D3"].number_format = "0.00"
    book.save(folder.path / "strips.xlsx")
    assert read_study(folder.path).rows["elongation"].values.tolist() == [7, 6.5]


def test_rows_are_numbered_as_in_the_file(folder):
    text = (folder.path / "specimens.csv").read_text()
    head, body = text.split("\n", 1)
    folder.write("specimens.csv", f'# Source: a "book"\n# and more\n\n{head}\n,,,\n\n{body}')
    assert read_study(folder.path).rows["line"].values[0] == 7


def test_empty_rows_and_columns_around_a_sheet_keep_row_numbers_true(folder):
    text = (folder.path / "specimens.csv").read_text()
    to_xlsx(text, folder.path / "strips.xlsx", skip_rows=3)
    folder.change("study.toml", "specimens.csv", "strips.xlsx")
    assert read_study(folder.path).rows["line"].values[0] == 5


def test_a_note_below_the_table_is_skipped_and_named(folder):
    text = (folder.path / "specimens.csv").read_text()
    folder.write("specimens.csv", text + "\nTested on a Friday, 65 % humidity,,,,,,,,,\nSigned,\n")
    study = read_study(folder.path)
    assert study.rows.sizes["row"] == 15
    notes = [c for c in study.cautions if c.name == "trailing_note"]
    assert [c.row for c in notes] == [19, 18]
    assert "Tested on a Friday" in notes[1].text


def test_unexposed_strips_may_belong_to_every_exposure(folder):
    text = (folder.path / "specimens.csv").read_text()
    folder.write("specimens.csv", text.replace("X1,0,", ",0,"))
    rows = read_study(folder.path).rows
    assert rows["exposure"].values[0] == "" and rows["exposure"].values[3] == "X1"


def test_newtons_stay_newtons_where_the_study_asks_for_them(folder):
    folder.change("study.toml", '"kN/m"', '"N"')
    rows = read_study(folder.path).rows
    assert rows["strength"].values[0] == 1003.1


def test_required_strength_is_turned_into_the_unit_of_the_study(folder):
    folder.change("study.toml", "thresholds = [0.5]", 'required_strength = "8 N/cm"')
    study = read_study(folder.path)
    assert study.required_strength == pytest.approx(0.8)
    assert study.thresholds == ()


def test_an_axis_of_its_own_keeps_its_numbers(folder):
    folder.write(
        "specimens.csv",
        "material,exposure,dose [Cycles],specimen,strength\n"
        "A,turns,0,1,20\nA,turns,10,1,18\nA,turns,20,1,15\n",
    )
    rows = read_study(folder.path).rows
    assert rows["dose"].values.tolist() == [0, 10, 20]
    assert rows["hours"].values[0] == 0 and np.isnan(rows["hours"].values[1])


def test_days_outdoors_count_days(folder):
    folder.change("study.toml", "[exposures.turns]", "[exposures.roof]\nlamp='outdoor'")
    folder.change("study.toml", '"cycles"', '"days"')
    folder.write(
        "specimens.csv", "material,exposure,hours,specimen,strength\nA,roof,0,1,9\nA,roof,48,1,8\n"
    )
    rows = read_study(folder.path).rows
    assert rows["dose"].values.tolist() == [0, 2] and rows["hours"].values.tolist() == [0, 48]


def test_radiant_doses_are_canonical(folder):
    folder.write(
        "specimens.csv",
        "material,exposure,dose [J/(m² nm)],specimen,strength\nA,X1,0,1,9\nA,X1,630000,1,8\n",
    )
    assert read_study(folder.path).rows["dose"].values[1] == pytest.approx(630)


def test_summaries_carry_mean_spread_and_count(folder):
    folder.change("study.toml", 'specimens = "specimens.csv"', 'summaries = "summaries.csv"')
    folder.write(
        "summaries.csv",
        "material,direction,exposure,hours,mean [N/mm],sd,cv [%],n,censored\n"
        "A,machine,X1,0,20,1.5,,5,\nA,machine,X1,500,15,,10,4,\nA,machine,X1,900,0.5,,,,below\n"
        "A,machine,X1,400,26,,,,\n",
    )
    study = read_study(folder.path)
    rows = study.rows
    assert rows["summary"].values.all()
    assert rows["strength"].values.tolist() == [20, 15, 0.5, 26]
    np.testing.assert_allclose(rows["sd"].values, [1.5, 1.5, np.nan, np.nan])
    assert rows["n"].values.tolist() == [5, 4, 0, 0]
    assert rows["censored"].values.tolist() == [0, 0, -1, 0]
    assert {(c.name, c.row) for c in study.cautions} >= {
        ("spread_not_given", 5),
        ("above_125_percent", 5),
    }


def test_percent_data_are_read_as_written(folder):
    folder.change("study.toml", 'specimens = "specimens.csv"', 'summaries = "summaries.csv"')
    folder.change("study.toml", 'unit = "kN/m"', 'unit = "%"')
    folder.write(
        "summaries.csv", "material,exposure,dose [cycles],mean [%]\nA,turns,5,57\nA,turns,9,41.3\n"
    )
    study = read_study(folder.path)
    assert study.rows["strength"].values.tolist() == [57, 41.3]
    assert "no_unexposed_strips" not in {c.name for c in study.cautions}


def test_specimens_and_summaries_can_stand_in_one_study(folder):
    folder.change("study.toml", "[exposures.X1]", 'summaries = "old.csv"\n[exposures.X1]')
    folder.write("old.csv", "material,exposure,hours,mean,sd,n\nB,X1,700,11,1,5\n")
    rows = read_study(folder.path).rows
    assert rows["summary"].values.tolist() == [False] * 15 + [True]
    assert rows["file"].values[-1] == "old.csv" and rows["line"].values[-1] == 2


def test_a_chamber_record_is_read_along_time(folder, chamber):
    folder.change("study.toml", "cycle = [", 'record = "log.csv"\ncycle = [')
    folder.write("log.csv", chamber)
    study = read_study(folder.path)
    record = study.exposures["X1"].record
    assert record is not None
    assert record["time"].values[1] == np.datetime64("2031-05-14T08:30")
    assert record["irradiance"].attrs["units"] == "W/m^2/nm"
    np.testing.assert_allclose(record["humidity"].values, [0.5, 0.51, 0.49, 0.95])
    assert record["light"].values.tolist() == [1, 1, 1, 0]
    assert "log.csv" in study.inputs


def test_a_chamber_record_in_a_spreadsheet_reads_its_dates(folder):
    import openpyxl

    book = openpyxl.Workbook()
    book.worksheets[0].append(["time", "irradiance [W/m^2/nm]", "air [degF]"])
    for hour in range(3):
        book.worksheets[0].append([datetime.datetime(2031, 5, 14, 8 + hour), 0.35, 104])
    book.save(folder.path / "log.xlsx")
    folder.change("study.toml", "cycle = [", 'record = "log.xlsx"\ncycle = [')
    record = read_study(folder.path).exposures["X1"].record
    assert record is not None
    np.testing.assert_allclose(record["air"].values, 40)
    assert record["time"].values[2] == np.datetime64("2031-05-14T10:00")


def cautions(folder) -> dict[str, list]:
    problems, found = check_study(folder.path)
    assert problems == []
    assert {c.name for c in found} <= set(FLAGS)
    by_name: dict[str, list] = {}
    for c in found:
        by_name.setdefault(c.name, []).append(c)
    return by_name


def test_what_is_legal_but_unwise_is_said(folder):
    found = cautions(folder)
    assert found["blank_strength"][0].row == 16 and "too weak" in found["blank_strength"][0].text
    assert found["jaw_breaks"][0].row == 10
    assert "slipped in the grip" in found["excluded_strips"][0].text
    assert found["few_strips"][0].text.startswith("3 of 5 groups")
    assert [c.text.split()[1] for c in found["one_dose_level"]] == ["B"]
    assert found["not_in_data"][0].text.startswith("exposure turns")
    assert "no_unexposed_strips" not in found and "repeated_force" not in found


def test_a_lot_and_a_study_without_unexposed_strips_are_cautions(folder):
    text = (folder.path / "specimens.csv").read_text().splitlines(keepends=True)
    folder.write("specimens.csv", "".join(t for t in text if not t.startswith("B,L2,cross,X1,0,")))
    found = cautions(folder)["no_unexposed_strips"]
    assert [c.text for c in found] == [
        "material B, lot L2, cross direction has no unexposed strips"
    ]
    folder.write("specimens.csv", "".join(t for t in text if ",X1,0," not in t))
    assert [c.text for c in cautions(folder)["no_unexposed_strips"]] == [
        "the study has no unexposed strips"
    ]


def test_a_copied_force_names_both_rows(folder):
    folder.change("specimens.csv", "748.8", "751.248")
    folder.change("specimens.csv", "751.2,", "751.248,")
    (found,) = cautions(folder)["repeated_force"]
    assert "rows 5 and 6" in found.text and found.row == 6


def test_equal_forces_read_from_a_coarse_scale_are_chance(folder):
    folder.change("specimens.csv", "748.8", "751")
    folder.change("specimens.csv", "751.2", "751")
    assert "repeated_force" not in cautions(folder)


def test_a_force_without_unit_is_taken_as_newtons_and_said(folder):
    folder.change("specimens.csv", "peak_force [N]", "peak_force")
    (found,) = cautions(folder)["unit_not_written"]
    assert "N was taken" in found.text


def test_a_missing_direction_or_lot_is_blank(folder):
    folder.write("specimens.csv", "material,exposure,hours,strength\nA,X1,0,20\nA,X1,100,18\n")
    rows = read_study(folder.path).rows
    assert rows["lot"].values.tolist() == rows["direction"].values.tolist() == ["", ""]


def test_importing_the_room_loads_no_heavy_library():
    import subprocess
    import sys

    code = (
        "import sys, durability.study\n"
        "heavy = {'numpy', 'pandas', 'xarray', 'pydantic', 'openpyxl', 'python_calamine'}\n"
        "print(sorted(heavy & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
