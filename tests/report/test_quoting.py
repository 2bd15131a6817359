"""Quotes say what their statements say, in every form, and no name becomes a command."""

from __future__ import annotations

import json
import re
from types import SimpleNamespace
from typing import get_args

import docx
import pytest
from typer.testing import CliRunner

from durability.cli import app
from durability.report.describing import references
from durability.report.markup import latex, markdown, write_word, written
from durability.report.quoting import Style, letter, quote
from durability.statement import Statement
from tests.report.conftest import HOSTILE


def test_every_quote_is_a_statement_of_the_run_with_its_numbers(quarry: SimpleNamespace) -> None:
    said = {s.id: s for s in quarry.results.quotable()}
    text = quote(quarry.results, style="full", of="all")
    quoted = text.statements()
    assert {s.id for s in quarry.results.statements} == {s.id for s in quoted}
    for block in text.to_list():
        if block["role"] != "item" or not block["statements"]:
            continue
        (name,) = block["statements"]
        for number in said[name].numbers().values():
            assert re.search(rf"(?<![\d.]){re.escape(number)}(?![\d])", block["text"]), block


def test_full_keeps_to_the_subject_asked_and_explains_every_mark(quarry: SimpleNamespace) -> None:
    text = quote(quarry.results, style="full")
    assert {s.of for s in text.statements() if s.law} <= {"new_lot", None}
    marks = {m for b in text.blocks if b.role == "item" and b.mark for m in b.mark.split(", ")}
    notes = [b.mark for b in text.blocks if b.role == "note"]
    assert set(notes) == marks and len(notes) == len(set(notes)) > 5
    assert notes == [letter(n) for n in range(len(notes))]


def test_kinds_of_interval_are_never_mixed(quarry: SimpleNamespace) -> None:
    for block in quote(quarry.results, style="full", of="all").to_list():
        for name in block["statements"]:
            kind = name.split("/")[-1].split("-")[0]
            others = {"credible", "confidence", "prediction", "tolerance"} - {kind}
            assert kind in block["text"] and not any(o in block["text"] for o in others)


def test_short_is_the_answer_with_its_cautions(quarry: SimpleNamespace) -> None:
    from durability.report.sentences import answer_sentences

    text = written(quote(quarry.results), "markdown")
    for line in answer_sentences(quarry.results):
        assert markdown(str(line)) in text
    assert "Invented data" in text and "licensed engineer" in text


def test_methods_name_what_was_done_and_cite_only_what_is_listed(quarry: SimpleNamespace) -> None:
    results = quarry.results
    text = str(quote(results, style="methods"))
    d, settings = results.fit.diagnostics, results.fit.settings
    for words in (
        "hierarchical", results.fit.model.law.expression, f"seed {results.fit.seed}",
        f"{settings.chains} chains of {settings.draws} draws", f"{d.rhat:.3f}", f"{d.ess_bulk:.0f}",
        "credible intervals", "prediction intervals", "confidence intervals", "Miami airport",
        "no universal factor", f"durability {results.provenance['version']}",
    ):  # fmt: skip
        assert words in text, words
    listed = references(results)
    cited = {int(n) for group in re.findall(r"\[([\d, ]+)\]", text) for n in group.split(",")}
    assert cited == set(range(1, len(listed) + 1))
    assert not any("no source" in r and r.startswith("common") for r in listed)


def test_references_are_numbered_as_they_are_cited_and_latex_cites_them(
    quarry: SimpleNamespace,
) -> None:
    writing = quote(quarry.results, style="methods")
    text = str(writing)
    first = dict.fromkeys(
        int(n) for group in re.findall(r"\[([\d, ]+)\]", text) for n in group.split(",")
    )
    assert list(first) == sorted(first)
    tex = written(writing, "latex")
    cited = {n for group in re.findall(r"\\cite\{([^}]*)\}", tex) for n in group.split(",")}
    assert cited == set(re.findall(r"\\bibitem\{([^}]*)\}", tex))
    assert not re.search(r"\[\d", tex)


def test_latex_has_balanced_braces_and_environments(quarry: SimpleNamespace) -> None:
    for style in get_args(Style):
        tex = written(quote(quarry.results, style=style), "latex")
        bare = re.sub(r"\\[{}]", "", tex)
        depth = [sum((c == "{") - (c == "}") for c in bare[:i]) for i in range(0, len(bare), 500)]
        assert min(depth) >= 0 and bare.count("{") == bare.count("}")
        begun, ended = (sorted(re.findall(rf"\\{w}\{{(\w+)\}}", tex)) for w in ("begin", "end"))
        assert begun == ended
        assert tex.isascii()


def test_methods_without_a_site_say_nothing_of_days(cycles: SimpleNamespace) -> None:
    text = str(quote(cycles.results, style="methods"))
    assert "Arrhenius" not in text and "days" not in text


def test_failed_fit_quotes_no_number_of_its_own(failed: SimpleNamespace) -> None:
    for style in ("short", "full"):
        text = quote(failed.results, style=style)
        assert "no number of it may be quoted" in str(text)
        assert all(s.law is None for s in text.statements())


@pytest.mark.parametrize("style", ["short", "full", "methods"])
def test_names_stay_text_in_every_form(hostile: SimpleNamespace, style: str, tmp_path) -> None:
    text = quote(hostile.results, style=style)
    marked = written(text, "markdown")
    assert "<script" not in marked.replace("\\<", "")
    assert HOSTILE in written(text, "plain").replace("\n  ", " ")
    tex = written(text, "latex")
    body = tex.split(r"\begin{document}")[1]
    assert re.sub(r"\\[$&%_#]|\$\\?\w+\$|\$-\$", "", body).count("$") == 0
    assert tex.count("{") == tex.count("}")
    opened = re.findall(r"\\begin\{(\w+)\}", tex)
    assert sorted(opened) == sorted(re.findall(r"\\end\{(\w+)\}", tex))
    write_word(text, tmp_path / "q.docx")
    assert docx.Document(str(tmp_path / "q.docx")).paragraphs[0].text == HOSTILE


def test_latex_escapes_every_character_that_it_reads_as_a_command() -> None:
    assert latex(r"\input{x} $ & # % _ ~ ^") == (
        r"\textbackslash{}input\{x\} \$ \& \# \% \_ \textasciitilde{} \textasciicircum{}"
    )
    assert latex("kJ/(m² nm), 65 °C\nline") == (
        r"kJ/(m\textsuperscript{2} nm), 65 \textdegree{}C line"
    )


def test_markdown_escapes_what_would_be_markup() -> None:
    assert markdown("# a *b* _c_ [d](e) `f` <g> | h") == (
        r"\# a \*b\* \_c\_ \[d\](e) \`f\` \<g\> \| h"
    )
    assert markdown("1. item") == r"1\. item"
    assert markdown("- item") == r"\- item"


def test_unknown_style_subject_and_form_are_refused(quarry: SimpleNamespace) -> None:
    with pytest.raises(ValueError, match="short, full, methods"):
        quote(quarry.results, style="long")  # pyright: ignore[reportArgumentType]
    with pytest.raises(ValueError, match="mean, new_lot"):
        quote(quarry.results, style="full", of="lot")
    with pytest.raises(ValueError, match="markdown, plain, latex"):
        written(quote(quarry.results), "word")


def test_the_command_prints_writes_and_refuses(tmp_path, monkeypatch, quarry) -> None:
    from durability.cli import quoting

    monkeypatch.setattr(quoting, "results_of", lambda *_: quarry.results)
    run = CliRunner().invoke
    asked = ["quote", "examples/quarry-cover", "-q"]
    printed = run(app, [*asked, "--json"])
    blocks = json.loads(printed.stdout)["blocks"]
    assert printed.exit_code == 0 and any(b["statements"] for b in blocks)
    assert run(app, [*asked, "--form", "word", "--to", str(tmp_path / "a.docx")]).exit_code == 0
    assert docx.Document(str(tmp_path / "a.docx")).paragraphs
    assert run(app, [*asked, "--form", "latex", "--to", str(tmp_path / "a.tex")]).exit_code == 0
    assert (tmp_path / "a.tex").read_text(encoding="utf-8").startswith(r"\documentclass")
    for wrong in (["--form", "word"], ["--style", "long"], ["--form", "pdf"],
                  ["--to", str(tmp_path / "no" / "a.md")]):  # fmt: skip
        found = run(app, [*asked, *wrong])
        assert found.exit_code == 2 and "error" in found.stderr


def test_letters_go_on_after_z() -> None:
    assert [letter(n) for n in (0, 1, 25, 26, 27, 52)] == ["a", "b", "z", "aa", "ab", "ba"]


def test_a_bound_is_quoted_as_a_bound(cycles: SimpleNamespace) -> None:
    text = str(quote(cycles.results, style="full"))
    assert "not before" in text and "lower bound" in text
    assert isinstance(quote(cycles.results).statements()[0], Statement)
