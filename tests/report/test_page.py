"""The page is whole, safe, readable, and quotes statements alone."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace

import pytest

import durability
from durability.statement import Statement
from tests.report.conftest import HOSTILE

REPORTS = {"quarry-cover": "quarry", "uv-cycles": "cycles", "marine-fabrics": "marine"}
VOID = {"meta", "link", "br", "img", "hr", "input"}


class Page(HTMLParser):
    """Reads a page: tags, quotes, visible text; refuses tags that do not close."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.quotes: list[tuple[str, str]] = []
        self.visible: list[str] = []
        self.section: list[str] = []
        self.answer: list[str] = []
        self.choices: dict[str, list[str]] = {}
        self._quote: list[str] | None = None
        self._ends = ""
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        known = dict(attrs)
        self.tags.append((tag, known))
        if tag not in VOID:
            self.open.append(tag)
        if tag == "section":
            self.section.append(known.get("id") or "")
        if "data-statement" in known:
            assert tag in ("span", "use", "g") and self._quote is None
            self._quote = [known["data-statement"] or "", ""]
            self._ends = "span" if tag == "span" else "title"
            if known.get("data-key") is not None:
                self.choices.update(dict.fromkeys((known["data-key"] or "").split(), self._quote))

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open and self.open[-1] == tag, f"</{tag}> closes {self.open[-1:]}"
        self.open.pop()
        if tag == "section":
            self.section.pop()
        if self._quote is not None and tag == self._ends:
            self.quotes.append((self._quote[0], self._quote[1].strip()))
            self._quote = None

    def handle_data(self, data: str) -> None:
        if "style" in self.open or "script" in self.open:
            return
        self.visible.append(data)
        if self.section == ["answer"]:
            self.answer.append(data)
        if self._quote is not None:
            self._quote[1] += data


@pytest.fixture(params=list(REPORTS))
def report(request: pytest.FixtureRequest) -> SimpleNamespace:
    return request.getfixturevalue(REPORTS[request.param])


def test_every_quoted_number_is_that_of_its_statement(report: SimpleNamespace) -> None:
    kept = json.loads(json.dumps(report.results.to_document()))
    records = [*kept["statements"], *kept["second_look"], *kept["assured"], *kept["decided_from"]]
    assert len({r["id"] for r in records}) == len(records)
    said = {r["id"]: Statement.from_dict(r) for r in records}
    assert all(name == s.id for name, s in said.items())
    quotes = Page(report.page).quotes
    assert len(quotes) > 10
    for name, text in quotes:
        s = said[name]
        words = text.replace(s.unit, "") if s.unit != "1" else text
        words = re.sub(rf"{100 * s.level:g} %", "", words)
        found = re.findall(r"\d+(?:\.\d+)?", words)
        assert found, (name, text)
        assert set(found) <= set(s.numbers().values()), (name, text)


def test_all_days_and_thresholds_are_in_the_tables(quarry: SimpleNamespace) -> None:
    quoted = {name for name, _ in Page(quarry.page).quotes}
    said = {s.id for s in quarry.results.statements if s.quantity != "unexposed_strength"}
    assert said <= quoted


def test_no_address_and_no_script_is_in_the_page(report: SimpleNamespace) -> None:
    page = Page(report.page)
    tags = {tag for tag, _ in page.tags}
    assert not tags & {"link", "iframe", "img", "object", "embed", "form"}
    for _, attributes in page.tags:
        for name, value in attributes.items():
            assert not name.startswith("on")
            assert name not in ("src", "xlink:href")
            if name == "href":
                assert (value or "").startswith("#")
    assert "http" not in re.sub(r"http-equiv", "", report.page)
    assert "url(" not in re.sub(r"url\(#[\w-]+\)", "", report.page)
    assert "/work" not in report.page and "/tmp" not in report.page


def test_content_policy_forbids_all_but_own_style_and_the_one_script(
    report: SimpleNamespace,
) -> None:
    policy = [a["content"] for t, a in Page(report.page).tags if "http-equiv" in a and t == "meta"]
    (script,) = re.findall(r"<script>(.*?)</script>", report.page, flags=re.DOTALL)
    mark = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    assert policy == [
        f"default-src 'none'; style-src 'unsafe-inline'; script-src 'sha256-{mark}'; img-src data:;"
        " base-uri 'none'; form-action 'none'"
    ]
    assert not re.search(r"innerHTML|eval|Function|fetch|XMLHttp|import", script)


def test_no_missing_number_is_shown(report: SimpleNamespace) -> None:
    text = " ".join(Page(report.page).visible)
    assert not re.search(r"\b(nan|inf|None|NaN|Infinity|Undefined)\b", text)


def test_links_lead_somewhere_and_ids_are_unique(report: SimpleNamespace) -> None:
    tags = Page(report.page).tags
    ids = [a["id"] for _, a in tags if a.get("id")]
    assert len(ids) == len(set(ids))
    assert {(a["href"] or "")[1:] for _, a in tags if "href" in a} <= set(ids)
    assert {a["aria-labelledby"] for _, a in tags if "aria-labelledby" in a} <= set(ids)


def test_headings_go_down_one_level_at_a_time(report: SimpleNamespace) -> None:
    levels = [int(t[1]) for t, _ in Page(report.page).tags if re.fullmatch(r"h[1-6]", t)]
    assert levels[0] == 1 and levels.count(1) == 1
    assert all(b <= a + 1 for a, b in pairwise(levels))


def test_figures_are_titled_and_table_heads_have_scope(report: SimpleNamespace) -> None:
    tags = Page(report.page).tags
    figures = [a for t, a in tags if t == "svg"]
    assert len(figures) == len(report.drawn) > 0
    assert all(a.get("role") == "img" and a.get("aria-labelledby") for a in figures)
    assert all(a.get("scope") in ("col", "row") for t, a in tags if t == "th")


def test_page_is_small(report: SimpleNamespace) -> None:
    assert len(report.page.encode()) < 3_000_000


def test_colours_of_text_stand_out() -> None:
    """Contrast of WCAG 2.1 (formula of relative luminance; from memory), at least 4.5."""
    from importlib.resources import files

    from durability.report import look

    style = (files("durability.report") / "templates" / "style.css.j2").read_text()
    inks = set(re.findall(r"(?<![\w-])color: (#[0-9a-f]{3,6})", style))
    assert len(inks) > 3
    for ink in {*inks, look.INK, look.GREY}:
        for ground in ("#ffffff", "#f5f6f7"):
            assert contrast(ink, ground) >= 4.5, ink


def contrast(ink: str, ground: str) -> float:
    def luminance(colour: str) -> float:
        digits = colour[1:] if len(colour) == 7 else "".join(2 * c for c in colour[1:])
        parts = [int(digits[i : i + 2], 16) / 255 for i in (0, 2, 4)]
        r, g, b = [x / 12.92 if x <= 0.03928 else ((x + 0.055) / 1.055) ** 2.4 for x in parts]
        return 0.2126 * r + 0.7152 * g + 0.0722 * b

    dark, light = sorted((luminance(ink), luminance(ground)))
    return (light + 0.05) / (dark + 0.05)


def test_invented_data_are_marked_and_real_are_not(
    quarry: SimpleNamespace, cycles: SimpleNamespace
) -> None:
    assert "Invented data" in quarry.page
    assert "Invented data" not in cycles.page


def test_text_of_a_study_stays_text(hostile: SimpleNamespace) -> None:
    page = Page(hostile.page)
    assert [tag for tag, _ in page.tags].count("script") == 1
    text = "".join(page.visible)
    assert text.count(HOSTILE) > 5 and "Strips to come" in text
    assert hostile.page.lower().count("<script") == 1
    assert not [a for _, a in page.tags for name in a if name.startswith("on")]
    assert {s.id for s in hostile.results.quotable()} >= {name for name, _ in page.quotes}


def test_failed_fit_is_announced_and_quotes_nothing(failed: SimpleNamespace) -> None:
    page = Page(failed.page)
    answer = "".join(page.answer)
    assert "missed its diagnostics" in answer and "1.700" in answer
    assert "What to beware of" in answer
    assert "<script" not in failed.page and not page.choices
    fitted = {s.id for s in failed.results.statements if s.law is not None}
    assert not fitted & {name for name, _ in page.quotes}
    assert [p.name for p in failed.drawn] == ["strength-0-0"]


def test_page_says_why_there_are_no_days(cycles: SimpleNamespace) -> None:
    text = "".join(Page(cycles.page).visible)
    assert "Not read as days at a site: the study counts exposure in cycles" in text


def test_explanations_of_every_assumption_and_flag_are_given(report: SimpleNamespace) -> None:
    text = "".join(Page(report.page).visible)
    for book in report.results.explanations().values():
        for name, sentence in book.items():
            assert name.replace("_", " ") in text and sentence in text


def test_same_results_give_the_same_page(cycles: SimpleNamespace) -> None:
    from durability.report.html import render_html

    assert render_html(cycles.results) == cycles.page


def test_controls_curves_and_conversions_are_shown_where_a_study_has_them(tmp_path: Path) -> None:
    (tmp_path / "curves").mkdir()
    (tmp_path / "study.toml").write_text(CONTROLLED, encoding="utf-8")
    rows = ["material,lot,exposure,hours,specimen,strength [lbf/in],curve"]
    for n, (exposure, hours, strength) in enumerate(
        [("", 0, 100), ("", 0, 104), ("", 0, 97), ("X1", 300, 80), ("X1", 300, 83), ("X1", 300, 79),
         ("X1", 900, 40), ("X1", 900, 43), ("D1", 900, 98), ("D1", 900, 95)]
    ):  # fmt: skip
        rows.append(f"A,L1,{exposure},{hours},{n},{strength},")
    rows.append("A,L1,X1,300,curved,,c.csv")
    pull = [f"{0.25 * i},{min(i, 40) * 18}" for i in range(60)]
    curve = "\n".join(["extension [mm],force [N]", *pull])
    (tmp_path / "curves" / "c.csv").write_text(curve, encoding="utf-8")
    (tmp_path / "specimens.csv").write_text("\n".join(rows), encoding="utf-8")
    results = durability.report(tmp_path, seed=1, out=tmp_path / "results")
    page = Page((tmp_path / "results" / "report.html").read_text(encoding="utf-8"))
    text = "".join(page.visible)
    assert "beside controls kept without light" in text
    assert "Force against extension of every strip with a curve" in text
    assert "as they were entered" in text and "100 [lbf/in], row 2" in text
    assert "the study counts exposure in h" not in text
    assert {s.exposure for s in results.statements if s.law} <= {None, "X1"}


CONTROLLED = """[study]
title = "Beside the lamp, in the dark (invented)"
property = "strip tensile strength"
unit = "kN/m"
thresholds = [0.5]
invented = true
[data]
specimens = "specimens.csv"
curves = "curves"
[tensile]
width = "50 mm"
gauge_length = "100 mm"
[exposures.X1]
lamp = "xenon-daylight"
irradiance = "0.35 W/m^2/nm"
at = "340 nm"
[exposures.D1]
control = "dark"
of = "X1"
[materials.A]
polymer = "polypropylene"
"""
