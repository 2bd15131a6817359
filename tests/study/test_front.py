"""What stands in front of a report is read from [report], or said to be wrong in words."""

from __future__ import annotations

import datetime

import pytest

from durability.study.findings import Findings
from durability.study.front import front_of
from durability.study.model import Front

WHOLE = {
    "number": "R-7",
    "issued": datetime.date(2031, 5, 14),
    "signatory": "A. N. Other",
    "replaces": "R-6",
    "reason": "a width was wrong",
}


def test_front_is_read_in_order_for_the_page() -> None:
    findings = Findings()
    front = front_of(WHOLE, findings)
    assert not findings.problems
    assert front.rows() == [
        ("report number", "R-7"),
        ("date of issue", "2031-05-14"),
        ("signatory", "A. N. Other"),
        ("replaces", "R-6"),
        ("because", "a width was wrong"),
    ]


def test_a_study_without_the_table_has_an_empty_front() -> None:
    findings = Findings()
    assert front_of(None, findings) == Front() and not findings.problems


@pytest.mark.parametrize(
    ("table", "column", "word"),
    [
        ({"replaces": "R-6"}, "report.reason", "why"),
        ({"reason": "a width was wrong"}, "report.replaces", "remove both"),
        ({"issued": "14.5.2031"}, "report.issued", "2031-05-14"),
        ({"number": 7}, "report.number", "number of the report"),
        ({"nummer": "7"}, "report.nummer", "number"),
    ],
)
def test_what_is_wrong_is_said_with_its_key(table: dict, column: str, word: str) -> None:
    findings = Findings()
    front_of(table, findings)
    (problem,) = findings.problems
    assert problem.column == column and word in str(problem)
