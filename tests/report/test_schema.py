"""Does every results.json keep the published schema, and does the schema refuse what is wrong?"""

from __future__ import annotations

import copy
import json
from dataclasses import fields
from typing import get_args

import jsonschema
import pytest

from durability import statement
from durability.report import schema
from durability.statement import Statement

EXAMPLES = ("quarry-cover", "marine-fabrics", "uv-cycles")


@pytest.fixture(scope="module")
def validator() -> jsonschema.Draft202012Validator:
    jsonschema.Draft202012Validator.check_schema(schema())
    return jsonschema.Draft202012Validator(schema())


@pytest.mark.parametrize("name", EXAMPLES)
def test_every_example_keeps_the_schema(validator, example_results, name):
    text = json.dumps(example_results(name).to_document(), allow_nan=False)
    faults = [f"{e.json_path}: {e.message[:200]}" for e in validator.iter_errors(json.loads(text))]
    assert faults == []


@pytest.mark.parametrize("name", EXAMPLES)
def test_every_name_that_a_statement_leans_on_is_explained(example_results, name):
    document = example_results(name).to_document()
    for kind in ("assumptions", "flags"):
        said = [*document["statements"], *document["second_look"], *document["decided_from"]]
        used = {n for s in said for n in s[kind]}
        assert used == set(document[kind])


@pytest.mark.parametrize("name", EXAMPLES)
def test_no_two_statements_share_an_id(example_results, name):
    ids = [s["id"] for s in example_results(name).to_document()["statements"]]
    assert len(ids) == len(set(ids))


def test_the_shares_of_a_budget_sum_to_1(example_results):
    sums: dict[tuple, float] = {}
    for b in example_results("quarry-cover").to_document()["budgets"]:
        key = (b["site"], b["material"], b["laying"], b["month"])
        sums[key] = sums.get(key, 0.0) + b["share"]
    assert sums
    assert all(total == pytest.approx(1.0, abs=1e-3) for total in sums.values())


def test_the_schema_knows_exactly_the_fields_and_words_of_a_statement():
    record = schema()["$defs"]["statement"]
    names = ["id", *(f.name for f in fields(Statement))]
    assert set(record["properties"]) == set(names) == set(record["required"])
    assert tuple(record["properties"]["quantity"]["enum"]) == get_args(statement.Quantity)
    assert tuple(record["properties"]["kind"]["enum"]) == get_args(statement.Kind)
    assert tuple(record["properties"]["of"]["enum"]) == (*get_args(statement.Subject), None)
    assert schema()["properties"]["schema"]["const"] == statement.SCHEMA


def test_the_schema_says_what_a_statement_may_be(validator):
    """What the schema takes, `Statement` takes, and the reverse, for every pattern of limits."""
    base = Statement(quantity="threshold_dose", unit="h", value=2.0, low=1.0, high=3.0).to_dict()
    one = validator.evolve(schema={**schema()["$defs"]["statement"]})
    for value in (2.0, None):
        for low in (1.0, None):
            for high in (3.0, None):
                for sides in (1, 2):
                    record = base | {"value": value, "low": low, "high": high, "sides": sides}
                    try:
                        Statement.from_dict(record)
                        taken = True
                    except ValueError:
                        taken = False
                    assert one.is_valid(record) == taken, (value, low, high, sides)


def _first(document, **wanted):
    return next(s for s in document["statements"] if all(s[k] == v for k, v in wanted.items()))


# what is spoilt, and a word of the path at which the schema must object
SPOILT = {
    "no schema named": lambda d: d.pop("schema"),
    "another schema": lambda d: d.update(schema="durability-results/2"),
    "a key of its own": lambda d: d.update(extra=1),
    "no statements": lambda d: d.pop("statements"),
    "no explanations": lambda d: d.pop("flags"),
    "a study without title": lambda d: d["study"].update(title=""),
    "a study without unit": lambda d: d["study"].pop("unit"),
    "a study without material": lambda d: d["study"].update(materials=[]),
    "a threshold of 1.5": lambda d: d["study"].update(thresholds=[1.5]),
    "invented as text": lambda d: d["study"].update(invented="yes"),
    "a prior without source": lambda d: d["fit"]["priors"]["direction"].pop("source"),
    "unknown errors": lambda d: d["fit"].update(errors="gamma"),
    "no strips": lambda d: d["fit"].update(strips=0),
    "passed with problems": lambda d: d["fit"]["diagnostics"].update(problems=["R-hat is 2"]),
    "failed without problems": lambda d: d["fit"]["diagnostics"].update(passed=False),
    "half a divergence": lambda d: d["fit"]["diagnostics"].update(divergences=0.5),
    "no id": lambda d: d["statements"][0].pop("id"),
    "a field of its own": lambda d: d["statements"][0].update(colour="red"),
    "unknown quantity": lambda d: d["statements"][0].update(quantity="service_life"),
    "unknown subject": lambda d: d["statements"][0].update(of="any"),
    "unknown kind": lambda d: d["statements"][0].update(kind="guess"),
    "empty unit": lambda d: d["statements"][0].update(unit=""),
    "no unit": lambda d: d["statements"][0].update(unit=None),
    "level 0": lambda d: d["statements"][0].update(level=0),
    "level 1": lambda d: d["statements"][0].update(level=1),
    "level in percent": lambda d: d["statements"][0].update(level=95),
    "level missing": lambda d: d["statements"][0].update(level=None),
    "three sides": lambda d: d["statements"][0].update(sides=3),
    "one side, two limits": lambda d: d["statements"][0].update(sides=1),
    "two sides, one limit": lambda d: d["statements"][0].update(low=None),
    "nothing at all": lambda d: d["statements"][0].update(value=None, low=None, high=None),
    "a value as text": lambda d: d["statements"][0].update(value="20"),
    "month 13": lambda d: d["statements"][0].update(month=13),
    "month 1.5": lambda d: d["statements"][0].update(month=1.5),
    "a negative dose": lambda d: d["statements"][0].update(dose=-1),
    "flags as text": lambda d: d["statements"][0].update(flags="censored"),
    "a flag twice": lambda d: d["statements"][0].update(flags=["a", "a"]),
    "probability 2": lambda d: d["statements"][0].update(probability=2),
    "extrapolated as text": lambda d: d["statements"][0].update(extrapolated="no"),
    "days with a value": lambda d: _first(d, quantity="days_to_cover").update(value=50),
    "part of a day": lambda d: _first(d, quantity="days_to_cover").update(low=44.5),
    "days without a site": lambda d: _first(d, quantity="outdoor_days").update(site=None),
    "days in hours": lambda d: _first(d, quantity="outdoor_days").update(unit="h"),
    "strips without their share": lambda d: _first(d, of="single_specimen").update(share=None),
    "a lot with a share": lambda d: _first(d, of="new_lot").update(share=0.9),
    "a ratio with a unit": lambda d: _first(d, quantity="ratio_of_threshold_doses").update(
        unit="d"
    ),
    "hours in days": lambda d: _first(d, quantity="threshold_hours").update(unit="d"),
    "extrapolated in silence": lambda d: _first(d, quantity="threshold_dose").update(
        extrapolated=True, extrapolation_factor=1.2, flags=[]
    ),
    "a share of 2": lambda d: d["budgets"][0].update(share=2),
    "a budget without input": lambda d: d["budgets"][0].pop("input"),
    "a caution without text": lambda d: d["cautions"][0].update(text=""),
    "row 0": lambda d: d["cautions"][0].update(row=0),
    "no standing cautions": lambda d: d.update(standing_cautions=[]),
    "an explanation left empty": lambda d: d["assumptions"].update(law_form=""),
    "a time without zone": lambda d: d["run"].update(created="2026-01-01 10:00"),
    "no seed": lambda d: d["run"].pop("seed"),
}


@pytest.mark.parametrize("fault", SPOILT)
def test_a_spoilt_document_is_refused(validator, example_results, fault):
    document = json.loads(json.dumps(example_results("quarry-cover").to_document()))
    document["statements"] = _few(document["statements"])
    assert validator.is_valid(document)
    before = copy.deepcopy(document)
    SPOILT[fault](document)
    assert document != before
    assert not validator.is_valid(document)


def _few(statements: list[dict]) -> list[dict]:
    """One statement of each quantity and subject, so that a check takes no time."""
    return list({(s["quantity"], s["of"]): s for s in reversed(statements)}.values())[::-1]


def test_strips_that_lie_out_are_told_as_the_page_tells_them(example_results):
    from durability.report.model_checks import outlying

    results = example_results("quarry-cover")
    told = results.to_document()["fit"]["outlying"]
    used = int(results.study.rows["used"].sum())
    assert used - 3 <= told["n_strip"] <= used  # one too weak to be measured is not looked at
    words = outlying(results)
    assert words is not None and words[0] == told["verdict"]
