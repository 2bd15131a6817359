"""Is a wrong cell shown where it stands, and mended there and nowhere else?"""

from __future__ import annotations

import json
import re
import time

import pytest

HOSTILE = "<img src=x onerror=alert(1)>\"'&"


def mend(visitor, row, column, was, text, file="specimens.csv"):
    change = {"file": file, "row": row, "column": column, "was": was, "text": text}
    return visitor.post("/study/covers/mend", json.dumps(change))


def marked(text: str) -> set[tuple[int, int]]:
    cells = re.findall(r'<td data-row="(\d+)" data-column="(\d+)"[^>]*class="problem"', text)
    return {(int(r), int(c)) for r, c in cells}


def test_findings_stand_at_their_cells_and_the_run_waits(visitor):
    text = visitor.get("/study/covers").text
    assert marked(text) == {(5, 3), (6, 7)}
    assert "2 things to mend" in text
    assert re.search(r'data-act="run" disabled', text)
    assert 'data-write="machine"' in text


def test_a_mended_cell_is_checked_at_once_and_the_rest_of_the_file_stays(visitor, covers):
    before = (covers / "specimens.csv").read_text()
    answer = mend(visitor, 5, 3, "mashine", "machine")
    assert answer.status == 200
    assert marked(answer.json()["html"]) == {(6, 7)}
    answer = mend(visitor, 6, 7, "6O7.1", "607.1")
    assert "Nothing is wrong" in answer.json()["html"]
    after = (covers / "specimens.csv").read_text()
    assert after == before.replace("mashine", "machine").replace("6O7.1", "607.1")
    assert (covers / "originals" / "specimens.csv").read_text() == before


def test_a_cell_that_was_changed_in_another_window_is_not_overwritten(visitor, covers):
    assert mend(visitor, 5, 3, "mashine", "machine").status == 200
    second = mend(visitor, 5, 3, "mashine", "cross")
    assert second.status == 409
    assert "now holds “machine”" in second.json()["words"]
    assert marked(second.json()["html"]) == {(6, 7)}  # the window shows what is there now
    assert "A,A1,machine,X1,0,3" in (covers / "specimens.csv").read_text()


@pytest.mark.parametrize(
    ("row", "column", "file"),
    [(0, 1, "specimens.csv"), (-1, 1, "specimens.csv"), (99, 1, "specimens.csv"),
     (5, 99, "specimens.csv"), (1.5, 1, "specimens.csv"), (True, 1, "specimens.csv"),
     (1, 1, "study.toml"), (1, 1, "../covers/specimens.csv"), (1, 1, "none.csv"), (1, 1, None)],
)  # fmt: skip
def test_no_other_place_can_be_changed(visitor, covers, row, column, file):
    before = {p.name: p.read_bytes() for p in covers.iterdir() if p.is_file()}
    assert mend(visitor, row, column, "", "x", file).status == 422
    assert {p.name: p.read_bytes() for p in covers.iterdir() if p.is_file()} == before


@pytest.mark.parametrize("body", [b"", b"[]", b"{}", b"\xff", b'{"file": 1}', b"[" * 5000])
def test_what_is_no_change_is_refused_in_words(visitor, body):
    answer = visitor.post("/study/covers/mend", body)
    assert answer.status == 422
    assert answer.json()["words"]


def test_a_missing_column_is_added_with_one_value_in_every_row(visitor, covers):
    text = (covers / "specimens.csv").read_text()
    (covers / "specimens.csv").write_text(text.replace(",width [mm]", "").replace(",50\n", "\n"))
    assert 'data-add="width"' in visitor.get("/study/covers").text
    change = {"file": "specimens.csv", "column_name": "width", "text": "50"}
    visitor.post("/study/covers/mend", json.dumps(change))
    lines = (covers / "specimens.csv").read_text().splitlines()
    assert lines[1].endswith(",width") and all(line.endswith(",50") for line in lines[2:])
    assert lines[0] == "# invented numbers"


def test_text_of_a_table_and_a_description_is_never_markup(visitor, covers):
    quoted = HOSTILE.replace('"', '""')
    table = (covers / "specimens.csv").read_text().replace("mashine", f'"{quoted}"')
    (covers / "specimens.csv").write_text(table)
    escaped = json.dumps(HOSTILE)
    text = (covers / "study.toml").read_text().replace('"Covers"', escaped)
    (covers / "study.toml").write_text(text + f"\n[materials.{escaped}]\n")
    for path in ("", "/describe", "/text", "/work"):
        shown = visitor.get(f"/study/covers{path}").text
        assert "<img" not in shown
        assert "&lt;img src=x onerror" in shown
    assert "<img" not in visitor.get("/").text


def test_the_description_keeps_its_notes_when_an_answer_changes(visitor, covers):
    fields = {"title": "Covers, again", "property": "strip tensile strength", "unit": "kN/m",
              "left": "50, 80", "required": "", "laboratory": "", "of": "mean", "control": "",
              "sites": "miami", "exposures.0.name": "X1", "exposures.0.lamp": "xenon-daylight",
              "exposures.0.irradiance": "0.4 W/m^2/nm", "exposures.0.axis": "",
              "materials.0.name": "A", "materials.0.polymer": "polyester",
              "materials.0.stabiliser": 'amine, "0.3 %"'}  # fmt: skip
    answer = visitor.form("/study/covers/describe", fields)
    assert (answer.status, answer.headers["location"]) == (303, "/study/covers")
    import tomllib

    text = (covers / "study.toml").read_text()
    assert "# a note of the laboratory" in text and "# chamber 2" in text
    read = tomllib.loads(text)
    assert read["study"]["thresholds"] == [0.5, 0.8]
    assert read["study"]["invented"] is True
    assert read["question"] == {"sites": ["miami"], "of": "mean"}
    assert read["exposures"]["X1"]["irradiance"] == "0.4 W/m^2/nm"
    assert read["materials"]["A"] == {"polymer": "polyester", "stabiliser": 'amine, "0.3 %"'}


def test_a_description_that_was_changed_elsewhere_is_not_overwritten(visitor, covers):
    was = (covers / "study.toml").read_text()
    (covers / "study.toml").write_text(was + "# later\n")
    answer = visitor.form("/study/covers/text", {"text": "x", "was": was})
    assert answer.status == 409
    assert (covers / "study.toml").read_text() == was + "# later\n"
    now = was + "# later\n"
    crlf = now.replace("\n", "\r\n")  # as browsers send it
    assert visitor.form("/study/covers/text", {"text": crlf, "was": crlf}).status == 303
    assert (covers / "study.toml").read_text() == now


def test_a_description_that_is_no_toml_is_mended_as_text(visitor, covers):
    (covers / "study.toml").write_text("[study\ntitle = 1")
    assert visitor.get("/study/covers").status == 200
    assert visitor.get("/study/covers/describe").headers["location"] == "/study/covers/text"
    assert "TOML" in visitor.get("/study/covers/text").text


def test_the_marked_spreadsheet_is_sent_and_not_left_behind(visitor, covers):
    answer = visitor.get("/study/covers/marked.xlsx")
    assert answer.body.startswith(b"PK")
    end = time.monotonic() + 20
    while sorted(p.name for p in covers.iterdir()) != ["specimens.csv", "study.toml"]:
        assert time.monotonic() < end
        time.sleep(0.05)
