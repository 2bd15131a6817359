"""Does a laboratory get from its spreadsheet to its answer in a browser, and see what is wrong?"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.page.browser import CHROMIUM, Browser

pytestmark = pytest.mark.skipif(
    CHROMIUM is None, reason="no Chromium on this machine: the page was not tested in a browser"
)

LAB = """\
Product;Roll;Direction;Time [h];Strip;Force [N];Width [mm]
A;A1;machine;0;1;906,3;50
A;A1;machine;0;2;907,1;50
A;A1;mashine;0;3;880,0;50
A;A1;machine;500;1;6O7,1;50
A;A1;machine;500;2;617,1;50
A;A1;machine;500;3;590,8;50
"""


@pytest.fixture(scope="module")
def browser():
    made = Browser()
    yield made
    made.close()


@pytest.fixture
def shelf(tmp_path) -> Path:
    folder = tmp_path / "shelf"
    folder.mkdir()
    return folder


def cell(row: int, column: int) -> str:
    return f"""document.querySelector('td[data-row="{row}"][data-column="{column}"]')"""


def from_drop_to_described(browser: Browser, visitor, file: Path) -> None:
    browser.open(visitor.address)
    assert "No study lies in this folder yet" in browser.text()
    browser.choose_file(file)
    browser.until("location.pathname.endsWith('/columns')")
    browser.press("Go on")
    browser.until("location.pathname.endsWith('/describe')")
    browser.run("""document.querySelector('[name="exposures.0.lamp"]').value = 'xenon-daylight'""")
    browser.press("Check the study")
    browser.until("document.getElementById('work')")


def test_a_spreadsheet_is_dropped_mended_and_ready_to_run(browser, start, shelf, tmp_path):
    lab = tmp_path / "<img src=x onerror=alert(1)>.csv"  # a name that tries to be markup
    lab.write_text(LAB)
    visitor = start(shelf)
    browser.console.clear()
    browser.requests.clear()
    from_drop_to_described(browser, visitor, lab)
    assert "2 things to mend" in browser.text()
    marked = "[...document.querySelectorAll('td.problem')].map(x => x.dataset.was).join()"
    assert browser.run(marked) == "mashine,6O7,1"

    # a second window looks at the same study, before the first changes it
    first, address = browser._tab, browser.run("location.href")
    second = browser.new_tab()
    browser.open(address)
    assert "2 things to mend" in browser.text()

    browser.select(first)
    browser.press("Write “machine”")
    browser.until("document.body.innerText.includes('1 thing to mend')")
    browser.run(f"{cell(5, 6)}.click()")
    browser.until(f"{cell(5, 6)}.querySelector('input') === document.activeElement")
    browser.type("607,1")  # the old text is selected
    browser.key("Enter")
    browser.until("document.body.innerText.includes('Nothing is wrong')")
    assert browser.run("document.querySelector('[data-act=run]').disabled") is False

    # the second window may not overwrite what the first wrote
    browser.select(second)
    browser.run(f"{cell(5, 6)}.click()")
    browser.type("999")
    browser.key("Enter")
    browser.until("document.body.innerText.includes('changed elsewhere')")
    assert "Nothing is wrong" in browser.text()
    folder = next(p for p in shelf.iterdir())
    assert "999" not in (folder / "specimens.csv").read_text()
    assert [p.read_text() for p in (folder / "originals").iterdir()] == [LAB]

    # a run in one window is seen and stopped in the other
    browser.press("Run the study")
    browser.until("document.querySelector('[data-stage]')?.textContent === 'sampling'")
    browser.select(first)
    browser.open(address)
    browser.press("Stop")
    browser.until("document.body.innerText.includes('Stopped; earlier results')")

    # the refusal above is told, and nothing else went wrong
    assert [c for c in browser.console if "409" not in c] == []
    ours = f"http://127.0.0.1:{visitor.port}/"
    assert all(r.startswith((ours, "data:", "about:")) for r in browser.requests)
    for width in (1200, 390):
        browser.picture(tmp_path / "p.png", width=width)
        assert browser.run("document.documentElement.scrollWidth <= innerWidth"), width


def test_a_wrong_file_is_refused_in_words_and_a_browser_without_the_key_sees_nothing(
    browser, start, shelf, tmp_path
):
    (tmp_path / "photo.png").write_bytes(b"\x89PNG")
    visitor = start(shelf)
    browser.open(f"http://127.0.0.1:{visitor.port}/")
    assert "Open the whole address" in browser.text()
    browser.open(visitor.address)
    assert "key=" not in browser.run("location.href")
    assert browser.run("document.cookie") == ""
    browser.choose_file(tmp_path / "photo.png")
    browser.until("document.body.innerText.includes('photo.png is no table')")
    assert list(shelf.iterdir()) == []


@pytest.mark.slow
def test_a_spreadsheet_becomes_a_report(browser, start, shelf, tmp_path):
    lab = tmp_path / "lab.csv"
    lab.write_text(LAB.replace("mashine", "machine").replace("6O7", "607"))
    visitor = start(shelf, real=True)
    browser.console.clear()
    from_drop_to_described(browser, visitor, lab)
    assert "Nothing is wrong" in browser.text()
    browser.press("Run the study")
    browser.until("document.querySelector('.answer li')", 150)
    document = json.loads((shelf / "lab" / "results" / "results.json").read_text(encoding="utf-8"))
    shown = browser.run("[...document.querySelectorAll('.answer li')].map(x => x.textContent)")
    assert shown == document["answer"]
    assert visitor.get("/study/lab/results/report.pdf").body.startswith(b"%PDF")
    archive = visitor.get("/study/lab/archive.zip")
    assert archive.body.startswith(b"PK")
    browser.open(browser.run("document.querySelector('a[href$=\"report.html\"]').href"))
    assert "What may be said" in browser.text()
    assert browser.console == []
