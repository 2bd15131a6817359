"""The Word document opens, has real tables and figures with alternative text."""

from __future__ import annotations

import zipfile
from types import SimpleNamespace

import docx
import pytest

from durability.report.word import write_docx
from tests.report.conftest import HOSTILE


@pytest.mark.parametrize("name", ["quarry", "cycles", "marine", "hostile", "failed"])
def test_document_opens_with_tables_headings_and_figures(
    name: str, request: pytest.FixtureRequest
) -> None:
    report = request.getfixturevalue(name)
    document = docx.Document(str(report.docx))
    assert len(document.tables) >= 2
    assert all(len(t.rows) > 1 for t in document.tables)
    assert len(document.inline_shapes) == len(report.drawn)
    for shape in document.inline_shapes:
        assert len(shape._inline.docPr.get("descr")) > 30
    heads = [p.text for p in document.paragraphs if p.style and p.style.name == "Heading 1"]
    decided = ["What may be decided"] if report.results.decided.decisions else []
    assert heads[: 3 + len(decided)] == ["What may be said", *decided, "Evidence", "Method"]


def test_sentences_are_those_of_the_page(quarry: SimpleNamespace) -> None:
    from durability.report.sentences import answer_sentences

    text = "\n".join(p.text for p in docx.Document(str(quarry.docx)).paragraphs)
    for line in answer_sentences(quarry.results):
        assert str(line) in text


def test_front_matter_stands_in_front_on_page_and_in_word(
    cycles: SimpleNamespace, tmp_path_factory: pytest.TempPathFactory
) -> None:
    from dataclasses import replace

    from durability.report.html import render_html
    from durability.study.model import Front

    front = Front(number="R-7", issued="2031-05-14", signatory="<b>A. N. Other</b>",
                  replaces="R-6", reason="a width was wrong")  # fmt: skip
    study = replace(cycles.results.study, laboratory="Lab <1>", front=front)
    results = replace(cycles.results, study=study)
    file = tmp_path_factory.mktemp("front") / "r.docx"
    write_docx(results, file, drawn=[])
    page = render_html(results, drawn=[])
    text = [p.text for p in docx.Document(str(file)).paragraphs][:9]
    for label, words in [("laboratory", "Lab <1>"), *front.rows()]:
        assert f"{label}: {words}" in text
        shown = words.replace("<", "&lt;").replace(">", "&gt;")
        assert f"<dt>{label}</dt><dd>{shown}</dd>" in page.split("<nav")[0]
    assert results.to_document()["study"]["report"] == dict(front.rows())


def test_failed_fit_quotes_nothing_in_word(failed: SimpleNamespace) -> None:
    document = docx.Document(str(failed.docx))
    text = "\n".join(p.text for p in document.paragraphs)
    assert "missed its diagnostics" in text
    assert "Statements" not in [p.text for p in document.paragraphs if p.style]


def test_text_of_a_study_stays_text_in_word(hostile: SimpleNamespace) -> None:
    document = docx.Document(str(hostile.docx))
    assert document.paragraphs[0].text == HOSTILE
    assert document.core_properties.title == HOSTILE


def test_document_names_no_place_of_this_machine(quarry: SimpleNamespace) -> None:
    with zipfile.ZipFile(quarry.docx) as archive:
        whole = b"".join(archive.read(n) for n in archive.namelist() if n.endswith(".xml"))
    assert b"python-docx" not in whole
    assert b"/work" not in whole and b"/tmp" not in whole


def test_control_characters_do_not_stop_the_document(
    cycles: SimpleNamespace, tmp_path_factory: pytest.TempPathFactory
) -> None:
    from dataclasses import replace

    study = replace(cycles.results.study, title="a\x01b\ud800c")
    file = tmp_path_factory.mktemp("word") / "r.docx"
    write_docx(replace(cycles.results, study=study), file, drawn=[])
    assert docx.Document(str(file)).paragraphs[0].text == "a\ufffdb\ufffdc"
