"""What may be spent on further strips is read from [plan], or said to be wrong in words."""

from __future__ import annotations

import pytest

from durability.study.findings import Findings
from durability.study.further import further_of
from durability.study.model import Further


def test_plan_is_read_as_written() -> None:
    findings = Findings()
    table = {"strips": 60, "hours": 1000, "material": "A", "required": "500 h"}
    assert further_of(table, ["A", "B"], findings) == Further(
        strips=60, hours=1000, material="A", required="500 h"
    )
    assert not findings.problems


def test_a_study_without_the_table_asks_for_no_plan() -> None:
    findings = Findings()
    assert further_of(None, ["A"], findings) == Further() and not findings.problems


@pytest.mark.parametrize(
    ("table", "column", "word"),
    [
        ({"strips": 1}, "plan.strips", "2 or more"),
        ({"strips": "60"}, "plan.strips", "number of strips"),
        ({"strips": 60, "hours": 0}, "plan.hours", "above 0"),
        ({"strips": 60, "material": "a"}, "plan.material", "material"),
        ({"strips": 60, "against": "C"}, "plan.against", "material"),
        ({"strips": 60, "site": "miamy"}, "plan.site", "miami"),
        ({"strips": 60, "site": "miami", "against": "B"}, "plan.site", "remove one"),
        ({"strips": 60, "required": "long"}, "plan.required", "500 h"),
        ({"strip": 60}, "plan.strip", "strips"),
    ],
)
def test_what_is_wrong_is_said_with_its_key(table: dict, column: str, word: str) -> None:
    findings = Findings()
    further_of(table, ["A", "B"], findings)
    assert [p.column for p in findings.problems] == [column]
    assert word in str(findings.problems[0])
