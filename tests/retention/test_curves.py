"""Are curves read in whatever form a machine writes, and is doubt never passed over?"""

from __future__ import annotations

import numpy as np
import pytest

from durability.retention import read_curve, read_curves, reduce_curve
from durability.retention.curves import Curve
from durability.study import StudyError

X = np.arange(0, 10.5, 0.5)
F = np.where(X <= 8, 40 * X, 10.0)


def table(mark: str, comma: bool, header: str) -> str:
    lines = [header, *(f"{x:.2f}{mark}{f:.3f}" for x, f in zip(X, F, strict=True))]
    return "\n".join(line.replace(".", ",") if comma and i else line
                     for i, line in enumerate(lines))  # fmt: skip


FORMS = {
    "commas and points": ("utf-8", table(",", False, "Extension [mm],Force [N]")),
    "semicolons and decimal commas": ("utf-8", table(";", True, "Weg (mm);Kraft (N)")),
    "tabs in a code page": ("latin-1", table("\t", True, "Posição (mm)\tForça (N)")),
    "UTF-16": ("utf-16", table("\t", False, "Extension [mm]\tForce [N]")),
    "byte order mark": ("utf-8-sig", table(";", True, "Extension [mm];Force [N]")),
    "blanks": ("utf-8", table("   ", False, "Extension (mm)   Force (N)")),
    "units below": ("utf-8", "Peak;320;N\n\n" + table(";", True, "Stroke;Load\n(mm);(N)")),
    "force first": (
        "utf-8",
        "Force [N];Extension [mm]\n"
        + "\n".join(f"{f:.3f};{x:.2f}" for x, f in zip(X, F, strict=True)),
    ),
    "quoted decimal commas": (
        "utf-8",
        "Extension [mm],Force [N]\n"
        + "\n".join(f'"{x:.2f}","{f:.3f}"'.replace(".", ",") for x, f in zip(X, F, strict=True)),
    ),
}


@pytest.mark.parametrize("form", FORMS)
def test_the_same_curve_is_read_from_every_form(form, tmp_path):
    encoding, text = FORMS[form]
    (tmp_path / "a.txt").write_bytes(text.encode(encoding))
    curve = read_curve(tmp_path / "a.txt")
    assert curve.extension == pytest.approx(X)
    assert curve.force == pytest.approx(F, abs=1e-9)


def test_units_are_converted_and_a_preamble_is_kept(tmp_path):
    text = "Gauge length;7,5;cm\nremark\n" + table(";", True, "Extension [in];Force [kN]")
    (tmp_path / "a.csv").write_text(text, encoding="utf-8")
    curve = read_curve(tmp_path / "a.csv")
    assert curve.peak_force == pytest.approx(320_000)
    assert curve.extension[-1] == pytest.approx(254.0)
    assert (curve.stated[0].label, curve.stated[0].number) == ("Gauge length", 7.5)
    assert curve.comment == ("remark",)


def test_strips_under_each_other_and_sheet_by_sheet(tmp_path):
    import openpyxl

    rows = [(s, x, f * k) for k, s in ((1, "S1"), (2, "S2")) for x, f in zip(X, F, strict=True)]
    text = "specimen;Extension [mm];Force [N]\n" + "\n".join(f"{s};{x};{f}" for s, x, f in rows)
    (tmp_path / "long.csv").write_text(text, encoding="utf-8")
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name in ("S1", "S2"):
        sheet = book.create_sheet(name)
        sheet.append(["Extension [mm]", "Force [N]"])
        for s, x, f in rows:
            if s == name:
                sheet.append([x, f])
    book.create_sheet("notes").append(["nothing here"])
    book.save(tmp_path / "book.xlsx")
    for file in ("long.csv", "book.xlsx"):
        curves = read_curves(tmp_path / file)
        assert [c.name for c in curves] == ["S1", "S2"]
        assert [c.peak_force for c in curves] == pytest.approx([320.0, 640.0])
        with pytest.raises(StudyError, match="one strip"):
            read_curve(tmp_path / file)


DOUBTS = {
    "no such file": (None, "a file that can be read"),
    "empty": ("", "a table of force against extension"),
    "text only": ("hello\nworld\n", "a table of force against extension"),
    "no units": (table(";", True, "Extension;Force"), "one column of force with its unit"),
    "two forces": (
        "x [mm];F1 [N];F2 [N]\n" + "\n".join(f"{i};{i};{i}" for i in range(9)),
        "one column of force with its unit",
    ),
    "thousands": (
        "x [mm]\tF [N]\n" + "\n".join(f"{i}\t{v}" for i, v in enumerate(
            ["100", "400", "700", "999", "1,050", "1,100", "900"])),
        "no thousands separators",
    ),
    "points and commas": (
        "x [mm];F [N]\n" + "\n".join(f"{i};{v}" for i, v in enumerate(
            ["1,5", "2,5", "3.5", "4,5", "5,5", "6,5"])),
        "one decimal mark",
    ),
    "table breaks off": (
        "x [mm];F [N]\n" + "\n".join(f"{i};{v}" for i, v in enumerate(
            ["1.5", "2.5", "3.5", "4.5", "5.5", "1.006.5 N", "7.5"])),
        "to the end of the table",
    ),
    "unquoted decimal commas": (
        "x [mm],F [N]\n" + "\n".join(f"0,{i},1,{i}" for i in range(9)), "2 cells, as the header",
    ),
    "bytes": ("\0\1\2" * 50, "text or an .xlsx workbook"),
    "broken workbook": ("PK\3\4 broken", "text or an .xlsx workbook"),
}  # fmt: skip


@pytest.mark.parametrize("doubt", DOUBTS)
def test_doubtful_files_are_refused_in_words(doubt, tmp_path):
    text, words = DOUBTS[doubt]
    if text is not None:
        (tmp_path / "a.csv").write_text(text, encoding="utf-8")
    with pytest.raises(StudyError) as error:
        read_curve(tmp_path / "a.csv")
    assert any(words in p.expected for p in error.value.problems)
    assert all(p.file == "a.csv" for p in error.value.problems)


def test_a_column_may_be_named_with_its_unit(tmp_path):
    text = "x [mm];F1 [N];Load\n" + "\n".join(f"{i};{i};{i}" for i in range(9))
    (tmp_path / "a.csv").write_text(text, encoding="utf-8")
    assert read_curve(tmp_path / "a.csv", force="Load [kN]").peak_force == 8000
    assert read_curve(tmp_path / "a.csv", force="F1 [N]").peak_force == 8


def curve(extension, force) -> Curve:
    x, f = np.asarray(extension, dtype=float), np.asarray(force, dtype=float)
    return Curve(name="c", file="c", extension=x, force=f)


def test_slack_strain_stiffness_and_energy_of_a_straight_curve_are_exact():
    # loose for 2 mm, then 50 N/mm to 10 mm: by hand
    x = np.linspace(0, 12, 1201)
    strip = reduce_curve(
        curve(x, np.where(x > 10, 0, 50 * np.maximum(x - 2, 0))),
        gauge_length=98, width=25, stiffness_at=[0.02, 0.2],
    )  # fmt: skip
    assert strip.slack == pytest.approx(2, abs=1e-9)
    assert strip.strain_at_peak == pytest.approx(0.08)
    assert strip.stiffness[0.02] == pytest.approx(50 * 100 / 25)
    assert np.isnan(strip.stiffness[0.2])  # it broke before
    assert strip.energy_to_peak == pytest.approx(0.5 * 8 * 400 / 1000, rel=1e-4)
    assert strip.energy_corrected == pytest.approx(1.6, rel=1e-4)
    assert strip.flags == ("toe",)


def test_zero_drift_is_reported_and_the_peak_stays_as_recorded():
    x = np.linspace(0, 10, 500)
    strip = reduce_curve(curve(x, np.where(x < 9, 30 * np.maximum(x - 1, 0), 0) + 7.0))
    assert strip.zero == pytest.approx(7)
    assert strip.peak_force == pytest.approx(30 * (x[x < 9][-1] - 1) + 7)
    assert "zero_off" in strip.flags
    assert strip.slack == pytest.approx(1, abs=1e-6)


def test_a_slip_is_found_and_noise_is_none():
    x = np.linspace(0, 10, 2000)
    rise = 60 * x - np.where((x > 4) & (x < 5), 120, 0)
    noise = np.random.default_rng(3).normal(0, 4, x.size)
    found = reduce_curve(curve(x, rise + noise))
    assert len(found.slips) == 1 and found.slips[0].extension == pytest.approx(4, abs=0.05)
    assert reduce_curve(curve(x, 60 * x + noise)).slips == ()


def test_a_pretension_or_nothing_may_end_the_slack():
    x = np.linspace(0, 10, 1001)
    c = curve(x, 20 * np.maximum(x - 3, 0))
    assert reduce_curve(c, slack=10.0).slack == pytest.approx(3.5)
    assert reduce_curve(c, slack="none").slack == 0
    assert "peak_at_end" in reduce_curve(c).flags


def test_after_a_jump_back_the_pull_that_reaches_the_peak_counts():
    first, second = np.linspace(0, 2, 50), np.linspace(0, 8, 200)
    c = curve([*first, *second, 9], [*(5 * first), *(50 * second), 0])
    strip = reduce_curve(c, gauge_length=100)
    assert strip.steps_back == ((2.0, 0.0),) and "went_back" in strip.flags
    assert strip.strain_at_peak == pytest.approx(0.08, abs=2e-4)
