"""Where a study says what further strips may cost, its report says which to test next."""

from __future__ import annotations

import json
import re
from types import SimpleNamespace

import docx
import jsonschema
import pytest

from durability.decisions.candidates import KINDS
from durability.report import schema
from durability.report.coming import plans_table, standing, waiting_table
from tests.report.conftest import reported


@pytest.fixture(scope="module")
def practice(example_results, tmp_path_factory) -> SimpleNamespace:
    """Strips of a last withdrawal still out, and a budget for more."""
    results = example_results("five-hundred-hours")
    return reported(results, tmp_path_factory.mktemp("practice"))


def test_both_decisions_stand_with_the_others_in_page_and_record(practice) -> None:
    names = [d.name.split("/")[0] for d in practice.results.decided.decisions]
    assert names == ["going on", "next strips"]
    assert [f'data-decision="{n}/' in practice.page for n in names] == [True, True]
    document = json.loads(json.dumps(practice.results.to_document()))
    jsonschema.validate(document, schema())
    assert document["ahead"]["refused"] == []
    assert document["ahead"]["next_strips"]["budget"]["strips"] == 60
    assert [a["strips"] for a in document["ahead"]["going_on"][0]["after"]] == [20]


def test_tables_of_plans_and_withdrawals_stand_in_page_and_word(practice) -> None:
    ahead = practice.results.decided.ahead
    plans, waiting = plans_table(ahead.plans), waiting_table(ahead.going_on[0])
    bare = re.sub(r"<[^>]*>", "|", practice.page)
    for t in (plans, waiting):
        for row in t.rows:
            assert all(f"|{cell}|" in bare for cell in row if cell), row
    word = docx.Document(str(practice.docx))
    cells = [[c.text for c in r.cells] for t in word.tables for r in t.rows]
    assert all(list(map(str, row)) in cells for row in (*plans.rows, *waiting.rows))
    text = "\n".join(p.text for p in word.paragraphs)
    for words in ("Strips to come", standing(ahead.plans), standing(ahead.going_on[0])):
        assert words in text and words.replace("&", "&amp;") in practice.page, words


def test_the_usual_practice_is_one_of_the_plans_and_the_figure_is_told(practice) -> None:
    shown = [row[0] for row in plans_table(practice.results.decided.ahead.plans).rows]
    assert KINDS["usual_practice"].partition(":")[0] in shown
    (picture,) = [p for p in practice.drawn if p.name == "plans"]
    assert picture.section == "decisions" and "interval" in picture.alternative
    assert practice.page.index('id="decisions"') < practice.page.index('id="plans-title"')
    assert practice.page.index('id="plans-title"') < practice.page.index('id="evidence"')


def test_a_study_that_asks_for_nothing_has_no_such_part(quarry) -> None:
    assert "Strips to come" not in quarry.page
    assert quarry.results.to_document()["ahead"]["next_strips"] is None
