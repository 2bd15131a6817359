"""The page is printed where a browser is present, and refused in words where none is."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from durability import catalogue
from durability.report import print_pdf
from durability.report.printing import OWN
from tests.browser import browser_path

PAGE = "<!DOCTYPE html><html lang='en'><title>A title</title><h1>A head</h1><p>Some words.</p>"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "report.html").write_text(PAGE, encoding="utf-8")
    (tmp_path / "provenance.json").write_text('{"files": {"report.html": "x"}}', encoding="utf-8")
    return tmp_path


@pytest.mark.slow
def test_the_page_is_printed_and_its_hash_noted(folder: Path) -> None:
    browser_path()
    pypdf = pytest.importorskip(
        "pypdf", reason="pypdf reads the printed page back; it is a tool of the tests"
    )
    made = print_pdf(folder)
    assert {p.name for p in folder.iterdir()} == {"report.html", "report.pdf", "provenance.json"}
    printed = pypdf.PdfReader(made)
    assert "Some words." in printed.pages[0].extract_text()
    files = json.loads((folder / "provenance.json").read_text(encoding="utf-8"))["files"]
    assert files == {"report.html": "x", "report.pdf": catalogue.sha256(made)}


def test_without_a_browser_or_a_report_it_is_said(
    folder: Path, tmp_path_factory, monkeypatch
) -> None:
    with pytest.raises(ValueError, match="run durability report first"):
        print_pdf(tmp_path_factory.mktemp("empty"))
    monkeypatch.setenv(OWN, "no-such-browser")
    with pytest.raises(ValueError, match=OWN):
        print_pdf(folder)
    assert not (folder / "report.pdf").exists()


def test_a_browser_that_prints_nothing_leaves_the_folder_as_it_was(
    folder: Path, monkeypatch
) -> None:
    monkeypatch.setenv(OWN, "true")
    with pytest.raises(ValueError, match="printed nothing"):
        print_pdf(folder)
    assert not (folder / "report.pdf").exists()
