"""What becomes of a dropped file: a good one, a wrong one, one with a hostile name?"""

from __future__ import annotations

import io
from urllib.parse import quote

import pytest

CSV = "Product;Roll;Time [h];Strip;Force;Width [mm]\nA;A1;0;1;906,3;50\nA;A1;500;1;607,1;50\n"


def drop(visitor, name, data):
    body = data if isinstance(data, bytes) else data.encode()
    return visitor.post(f"/take?name={quote(name, safe='')}", body)


def workbook(rows, **sheets) -> bytes:
    from openpyxl import Workbook

    book = Workbook()
    first = book.worksheets[0]
    first.title = "strips"
    for row in rows:
        first.append(row)
    for name, more in sheets.items():
        other = book.create_sheet(name)
        for row in more:
            other.append(row)
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


ROWS = [["Product", "Roll", "Time [h]", "Strip", "Force", "Width [mm]"],
        ["A", "A1", 0, 1, 906.3, 50], [None] * 6, ["A", "A1", 500, 1, 607.1, 50]]  # fmt: skip


def test_a_text_table_becomes_a_study_and_is_kept_as_it_is(visitor):
    answer = drop(visitor, "strips may.csv", CSV)
    assert answer.json() == {"go": "/study/strips%20may/columns?original=strips%20may.csv"}
    study = visitor.folder / "strips may"
    assert (study / "originals" / "strips may.csv").read_text() == CSV
    shown = visitor.get(answer.json()["go"]).text
    for name in ("material", "lot", "hours", "specimen", "peak_force", "width"):
        assert f'<option value="{name}" selected>' in shown
    assert "strips may" in visitor.get("/").text


def test_columns_get_their_names_and_rows_keep_their_numbers(visitor):
    go = drop(visitor, "lab.xlsx", workbook(ROWS, notes=[["x"]])).json()["go"]
    shown = visitor.get(go).text
    assert "<option selected>strips</option>" in shown and "<option>notes</option>" in shown
    names = ("material", "out", "hours", "specimen", "peak_force", "width")
    fields = {"original": "lab.xlsx", "sheet": "strips", "kind": "specimens"}
    fields |= {f"column.{i}": n for i, n in enumerate(names)}
    fields |= {"unit.2": "h", "unit.4": "N", "unit.5": "mm"}
    answer = visitor.form("/study/lab/columns", fields)
    assert answer.headers["location"] == "/study/lab/describe"
    lines = (visitor.folder / "lab" / "specimens.csv").read_text().splitlines()
    assert lines == ["material,hours [h],specimen,peak_force [N],width [mm]",
                     "A,0,1,906.3,50", "", "A,500,1,607.1,50"]  # fmt: skip


def test_decimal_commas_survive_the_copy(visitor):
    drop(visitor, "lab.csv", CSV)
    visitor.form("/study/lab/columns", {"original": "lab.csv", "kind": "specimens"})
    assert "906,3" in (visitor.folder / "lab" / "specimens.csv").read_text().splitlines()[1]
    assert ";" in (visitor.folder / "lab" / "specimens.csv").read_text().splitlines()[0]


def test_two_columns_of_one_name_are_refused_in_words(visitor):
    drop(visitor, "lab.csv", CSV)
    fields = {"original": "lab.csv", "kind": "specimens", "column.0": "lot", "column.1": "lot"}
    answer = visitor.form("/study/lab/columns", fields)
    assert answer.status == 422
    assert "“Product” and “Roll” cannot both be lot" in answer.text


WRONG = {
    "old.xls": (b"\xd0\xcf\x11\xe0rest", "old spreadsheet form"),
    "picture.png": (b"\x89PNG", "is no table"),
    "noending": (b"a,b\n1,2\n", "is no table"),
    "empty.csv": (b" \n", "is empty"),
    "false.xlsx": (b"a,b\n1,2\n", "called a spreadsheet and is none"),
    "torn.xlsx": (b"PK\x03\x04torn", "cannot be opened"),
    "sheet.csv": (b"PK\x03\x04rest", "a spreadsheet under another name"),
    "bytes.csv": (b"a,b\x00\x01\x02", "holds no text"),
}


@pytest.mark.parametrize("name", WRONG)
def test_a_wrong_file_is_refused_in_words_and_leaves_nothing(visitor, name):
    data, words = WRONG[name]
    answer = drop(visitor, name, data)
    assert answer.status == 422
    assert words in answer.json()["words"]
    assert [p.name for p in visitor.folder.iterdir()] == ["covers"]


def test_a_table_without_rows_says_so_when_it_is_looked_at(visitor):
    go = drop(visitor, "head.csv", "material,lot\n").json()["go"]
    answer = visitor.get(go)
    assert answer.status == 422
    assert "no rows below" in answer.text


HOSTILE = (
    "../../evil.csv", "/etc/cron.d/evil.csv", "..\\..\\evil.csv", "C:\\evil.csv", ".hidden.csv",
    "<script>alert(1)</script>.csv", "con.csv", "-rf.csv", "a\x00b.csv", "x" * 400 + ".csv",
    "\u202egnp.csv", "....csv", "evil\n.csv",
)  # fmt: skip


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_name_lands_inside_the_folder_as_a_plain_file(visitor, name):
    before = {p for p in visitor.folder.parent.rglob("*") if p.is_file()}
    answer = drop(visitor, name, CSV)
    assert answer.status in (200, 422)
    new = {p for p in visitor.folder.parent.rglob("*") if p.is_file()} - before
    assert len(new) == (answer.status == 200)
    for file in new:
        assert file.parent.name == "originals"
        assert file.parent.parent.parent == visitor.folder
        assert not set(file.name) & set('<>:"/\\|?*\n\x00\u202e')
        assert not file.name.startswith((".", "-")) and len(file.name) < 100
        assert visitor.get(answer.json()["go"]).status == 200
    assert "<script>alert" not in visitor.get("/").text


def test_a_second_drop_of_the_same_name_overwrites_nothing(visitor):
    drop(visitor, "lab.csv", CSV)
    other = CSV.replace("A1", "A2")
    assert drop(visitor, "lab.csv", other).json()["go"].startswith("/study/lab-2/")
    into = visitor.post("/study/lab/take?name=lab.csv", other.encode()).json()["go"]
    assert into == "/study/lab/columns?original=lab-2.csv"
    assert (visitor.folder / "lab" / "originals" / "lab.csv").read_text() == CSV


def test_a_newer_spreadsheet_replaces_the_table_and_the_mended_one_is_kept(visitor, covers):
    mended = (covers / "specimens.csv").read_text()
    visitor.post("/study/covers/take?name=june.csv", CSV.encode())
    fields = {"original": "june.csv", "kind": "specimens", "column.0": "material"}
    assert visitor.form("/study/covers/columns", fields).status == 303
    assert "607,1" in (covers / "specimens.csv").read_text()
    assert (covers / "originals" / "earlier-specimens.csv").read_text() == mended


def test_letters_of_an_office_code_page_are_told(visitor):
    data = CSV.replace("A1", "Größe").encode("cp1252")
    go = drop(visitor, "lab.csv", data).json()["go"]
    shown = visitor.get(go).text
    assert "not in UTF-8" in shown and "Größe" in shown
    assert (visitor.folder / "lab" / "originals" / "lab.csv").read_bytes() == data


def test_a_file_that_is_too_large_is_refused_before_it_is_read(visitor, monkeypatch):
    from durability.page import intake

    monkeypatch.setattr(intake, "MOST_BYTES", 1000)
    assert drop(visitor, "lab.csv", CSV + "x" * 2000).status == 413
    assert [p.name for p in visitor.folder.iterdir()] == ["covers"]


def test_merged_cells_are_refused_with_their_place(visitor):
    from openpyxl import load_workbook

    book = load_workbook(io.BytesIO(workbook([*ROWS[:2], ["A", "A1", 500, 1, 607.1, 50]])))
    book.worksheets[0].merge_cells("A2:A3")
    stream = io.BytesIO()
    book.save(stream)
    go = drop(visitor, "lab.xlsx", stream.getvalue()).json()["go"]
    answer = visitor.get(go)
    assert answer.status == 422
    assert "merged" in answer.text


def test_a_chamber_record_is_named_in_the_description_and_read(visitor, covers):
    lines = ["time,irradiance [W/m^2/nm]"] + [f"2031-05-14T{h:02}:00,0.35" for h in range(24)]
    path = "/study/covers/record?exposure=X1&name=..%2Flog.csv"
    answer = visitor.post(path, "\n".join(lines).encode())
    assert answer.json() == {"go": "/study/covers"}
    assert 'record = "log.csv"' in (covers / "study.toml").read_text()
    assert "# chamber 2" in (covers / "study.toml").read_text()
    text = visitor.get("/study/covers").text
    assert "log.csv" in text and "now log.csv" in text
    other = visitor.post("/study/covers/record?exposure=X9&name=log.csv", b"a,b\n1,2\n")
    assert other.status == 422


def test_a_study_is_planned_and_its_files_are_taken_along(visitor, monkeypatch):
    from durability.report import plan_figure  # drawing it is tested there, and takes seconds

    monkeypatch.setattr(plan_figure, "write_plan", lambda plan, file: file.write_bytes(b"%PDF"))
    fields = {"title": "Second series", "materials": "A, B", "lots": "2", "directions": "machine",
              "lamp": "xenon-daylight", "withdrawals": "150 h, 500 h", "strips": "3",
              "start": "2031-05-14T08:30"}  # fmt: skip
    answer = visitor.form("/plan", fields)
    assert answer.headers["location"] == "/study/Second%20series"
    study = visitor.folder / "Second series"
    rows = (study / "specimens.csv").read_text().splitlines()
    assert len(rows) == 1 + 2 * 2 * (3 * 2 + 2 * 3)  # two withdrawals, and twice as many unexposed
    text = visitor.get("/study/Second%20series").text
    assert "The plan of this study" in text and "things to mend" in text.replace(
        "thing ", "things "
    )
    for name, start in (("plan.pdf", b"%PDF"), ("withdrawals.ics", b"BEGIN:VCALENDAR")):
        assert visitor.get(f"/study/Second%20series/plan/{name}").body.startswith(start)
    assert visitor.get("/study/Second%20series/plan/study.toml").status == 404


@pytest.mark.parametrize(
    ("wrong", "words"),
    [({"materials": " , "}, "at least one product"), ({"lots": "many"}, "no number of lots"),
     ({"withdrawals": "soon"}, "soon"), ({"lamp": "../x"}, "../x"), ({"start": "May"}, "May")],
)  # fmt: skip
def test_a_plan_that_cannot_be_is_told_and_nothing_is_written(visitor, wrong, words):
    answer = visitor.form("/plan", {"title": "T", "materials": "A", **wrong})
    assert answer.status == 422
    assert words in answer.text
    assert [p.name for p in visitor.folder.iterdir()] == ["covers"]
