"""The marked copy shows every finding at its cell, says it there, and holds no live formula."""

from __future__ import annotations

import io
from zipfile import ZipFile

import openpyxl
import pytest

from durability.study import check_study, read_study, write_marked

CSV = "specimens.csv"


@pytest.fixture
def copy(tmp_path):
    """Checks a folder, writes its marked copy and opens it."""

    def build(folder, name: str = "marked.xlsx"):
        problems, cautions = check_study(folder.path)
        path = write_marked(folder.path, tmp_path / name, problems, cautions)
        return openpyxl.load_workbook(path), problems, cautions

    return build


def luminance(cell) -> float:
    """Of the fill, 0 black to 1 white (Rec. 709 weights, from memory)."""
    colour = cell.fill.start_color.rgb[-6:]
    r, g, b = (int(colour[i : i + 2], 16) / 255 for i in (0, 2, 4))
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def test_a_bad_cell_is_coloured_framed_and_commented_where_it_stands(folder, copy):
    folder.change(CSV, "751.2", "75I.2")
    book, problems, _ = copy(folder)
    cell = book[CSV]["G5"]
    assert cell.value == "75I.2" and book[CSV]["G1"].value == "peak_force [N]"
    assert "expected a number" in cell.comment.text and problems[0].mend in cell.comment.text
    assert cell.border.left.style == "thick" and cell.font.bold
    assert book[CSV]["G6"].comment is None and book[CSV]["G6"].value == 748.8


def test_problems_and_cautions_can_be_told_apart_in_grey(folder, copy):
    folder.change(CSV, "B,L2,cross,X1,500,3,,50", "B,L2,cross,X1,500,3,x,50")
    book, _, _ = copy(folder)
    problem = book[CSV]["G16"]
    folder.change(CSV, "B,L2,cross,X1,500,3,x,50", "B,L2,cross,X1,500,3,,50")
    book, problems, cautions = copy(folder, "second.xlsx")
    (blank,) = [c for c in cautions if c.name == "blank_strength"]
    assert problems == [] and blank.row == 16
    caution = book[CSV]["A16"]
    assert luminance(problem) < 0.3 and luminance(caution) > 0.7
    assert problem.border.left.style != caution.border.left.style
    assert problem.font.color.rgb[-6:] == "FFFFFF" and caution.font.color.rgb[-6:] == "000000"


def test_every_finding_is_listed_with_a_link_to_its_cell(folder, copy):
    folder.change(CSV, "751.2", "75I.2").change(CSV, "1003.1,50", "1003.1,0")
    folder.change("study.toml", "[0.5]", "[50]")
    book, problems, cautions = copy(folder)
    found = book.worksheets[0]
    heads = [c.value for c in found[1]]
    rows = [dict(zip(heads, [c.value for c in r], strict=True)) for r in found.iter_rows(min_row=2)]
    listed = [r for r in rows if r["kind"] == "problem"]
    assert [(r["file"], r["row"], r["column"]) for r in listed] == [
        (p.file, p.row, p.column) for p in problems
    ]
    assert [r["expected"] for r in listed] == [p.expected for p in problems]
    assert len([r for r in rows if r["kind"] == "caution"]) == len(cautions)
    links = {found.cell(i + 2, 9).hyperlink.location for i in range(len(problems))}
    assert links == {"'study.toml'!A5", f"'{CSV}'!H2", f"'{CSV}'!G5"}
    for i, problem in enumerate(problems):
        name, address = found.cell(i + 2, 9).hyperlink.location.split("!")
        assert problem.expected in book[name.strip("'")][address].comment.text


def test_a_key_of_the_description_is_marked_on_its_own_line(folder, copy):
    folder.change("study.toml", "minutes = 30", "minutes = 0")
    folder.change("study.toml", '"polyester"', '"polyestre"')
    book, _, _ = copy(folder)
    page = book["study.toml"]
    marked = {c.value.strip() for (c,) in page.iter_rows() if c.comment}
    assert marked == {"cycle = [", 'polymer = "polyestre"'}


def test_formulas_are_text_and_stay_text(folder, copy):
    evil = '=HYPERLINK("http://x.example","y")'
    folder.change(CSV, "slipped in the grip", "+1+1")
    text = (folder.path / CSV).read_text() + f'A,L1,machine,X1,500,9,"{evil[:]}",50,,,@SUM(1)\n'
    folder.write(CSV, text.replace('"http://x.example","y"', '""http://x.example"",""y""'))
    book, _, _ = copy(folder)
    cells = [c for page in book for row in page.iter_rows() for c in row if c.value is not None]
    assert not [c for c in cells if c.data_type == "f"]
    live = [c for c in cells if str(c.value).startswith(("=", "+", "@")) and c.data_type == "s"]
    assert {"+1+1", evil, "@SUM(1)"} <= {c.value for c in live}
    assert all(c.quotePrefix for c in live)


def test_a_problem_named_like_a_formula_is_text_in_the_list(folder, copy):
    folder.change(CSV, "material,lot", "=material,lot")
    book, _, _ = copy(folder)
    assert not [c for row in book.worksheets[0].iter_rows() for c in row if c.data_type == "f"]


def test_the_copy_once_mended_is_a_sound_table_of_the_study(folder, copy, tmp_path):
    before = read_study(folder.path).rows["strength"].values
    folder.change(CSV, "751.2", "75I.2")
    book, _, _ = copy(folder)
    book[CSV]["G5"] = 751.2
    out = io.BytesIO()
    book.save(out)
    folder.write("mended.xlsx", out.getvalue())
    folder.change("study.toml", f'"{CSV}"', f'"mended.xlsx"\nsheet = "{CSV}"')
    assert read_study(folder.path).rows["strength"].values == pytest.approx(before, nan_ok=True)


def test_numbers_keep_the_decimals_that_were_written(folder, copy):
    folder.change(CSV, "751.2", "751.20").change(CSV, "A,L1,machine,X1,0,1", "A,007,machine,X1,0,1")
    folder.change(CSV, "1011.9", "10ll.9")
    page = copy(folder)[0][CSV]
    assert (page["G5"].value, page["G5"].number_format) == (751.2, "0.00")
    assert page["B2"].value == "007"


def test_a_spreadsheet_is_copied_with_its_rows_where_they_were(folder, copy):
    book = openpyxl.Workbook()
    page = book.worksheets[0]
    page.title = "raw / strips"[:3] + "strips"
    for row in (["# first series"], [], ["material", "exposure", "hours", "strength"],
                ["A", "X1", 0, 20], [], ["A", "X1", 500, "=D4/2"]):  # fmt: skip
        page.append(row)
    out = io.BytesIO()
    book.save(out)
    folder.change("study.toml", CSV, "s.xlsx").write("s.xlsx", out.getvalue())
    copied, problems, _ = copy(folder)
    assert [p.row for p in problems] == [6]
    cell = copied["s.xlsx"]["D6"]
    assert (cell.value, cell.data_type) == ("=D4/2", "s") and "paste it" in cell.comment.text


def test_a_file_that_is_no_table_is_still_shown(folder, copy):
    folder.write(CSV, "material;lot\nA;caf\xe9\n".encode("latin-1"))
    page = copy(folder)[0][CSV]
    assert page["B2"].value == "caf\xe9" and "UTF-8" in page["A2"].comment.text
    folder.write(CSV, b'material,"lot\nA,1\nB,2\n')
    assert copy(folder, "two.xlsx")[0][CSV]["A1"].value == "material"
    (folder.path / CSV).unlink()
    book, problems, _ = copy(folder, "three.xlsx")
    assert book.sheetnames == ["findings"] and len(problems) == 1


def test_characters_that_a_spreadsheet_cannot_hold_are_replaced(folder, copy):
    folder.change(CSV, "751.2", "75\x0b\x001.2")
    assert copy(folder)[0][CSV]["G5"].value == "75\ufffd\ufffd1.2"


def test_of_a_long_table_the_marked_rows_are_copied_in_their_places(folder, copy, monkeypatch):
    from durability.study import marked

    monkeypatch.setattr(marked, "MOST_ROWS", 100)
    lines = "".join(f"A,X1,{i},20\n" for i in range(400))
    folder.write(CSV, f"material,exposure,hours,strength\n{lines}A,X1,9,x\n")
    page = copy(folder)[0][CSV]
    assert page["D402"].value == "x" and page["D402"].comment
    assert page["A1"].value == "material" and page["C100"].value == 98
    assert page["A200"].value is None and page["C401"].value == 399


def test_a_finding_below_the_last_row_of_a_spreadsheet_is_listed_without_a_link(folder, tmp_path):
    from durability.study import Problem

    far = Problem(file=CSV, row=1_500_000, column="hours", expected="a number", mend="Look.")
    listed = openpyxl.load_workbook(write_marked(folder.path, tmp_path / "m.xlsx", [far]))
    assert listed.worksheets[0]["D2"].value == 1_500_000
    assert listed.worksheets[0]["I2"].hyperlink is None


def test_a_folder_that_is_not_there_gives_a_list_alone(tmp_path):
    problems, cautions = check_study(tmp_path / "nowhere")
    book = openpyxl.load_workbook(
        write_marked(tmp_path / "nowhere", tmp_path / "m.xlsx", problems, cautions)
    )
    assert book.sheetnames == ["findings"] and book.worksheets[0]["F2"].value == "no such folder"


def test_another_file_is_never_overwritten_and_an_earlier_copy_is(folder, tmp_path):
    mine = tmp_path / "mine.xlsx"
    openpyxl.Workbook().save(mine)
    before = mine.read_bytes()
    with pytest.raises(ValueError, match="no marked copy"):
        write_marked(folder.path, mine, [])
    with pytest.raises(ValueError, match=r"must end in \.xlsx"):
        write_marked(folder.path, folder.path / CSV, [])
    assert mine.read_bytes() == before
    problems, cautions = check_study(folder.path)
    again = tmp_path / "again.xlsx"
    write_marked(folder.path, again, problems, [])
    first = again.read_bytes()
    write_marked(folder.path, again, problems, cautions)
    assert again.read_bytes() != first
    with pytest.raises(ValueError, match="cannot be written"):
        write_marked(folder.path, tmp_path / "none" / "x.xlsx", [])
    assert not list(tmp_path.glob(".*.xlsx"))


def test_the_copy_holds_no_path_of_the_machine(folder, copy, tmp_path):
    folder.change(CSV, "751.2", "75I.2")
    copy(folder)
    with ZipFile(tmp_path / "marked.xlsx") as archive:
        everything = b"".join(archive.read(n) for n in archive.namelist())
    assert str(folder.path).encode() not in everything
