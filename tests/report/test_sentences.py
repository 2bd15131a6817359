"""Sentences say what their statement says, bounds as bounds."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from durability.report.sentences import (
    Quote,
    Sentence,
    Wording,
    answer_sentences,
    join,
    key_sentences,
    short,
)
from durability.statement import QUANTITIES, Statement

WORDING = Wording(
    sites={"s": "Somewhere"}, dose_units={"X1": "kJ/(m² nm) at 340 nm"}, required="8 kN/m",
    control="B",
)  # fmt: skip


def said(quantity: str, **change: Any) -> Statement:
    fields: dict[str, Any] = {
        "quantity": quantity, "unit": "d", "of": "new_lot", "value": 236.0, "low": 108.0,
        "high": 771.0, "kind": "prediction", "material": "A", "direction": "cross",
        "exposure": "X1", "fraction": 0.5,
    }  # fmt: skip
    return Statement(**fields | change)


def text(quantity: str, **change: Any) -> str:
    return str(WORDING.sentence(said(quantity, **change)))


DOSE = {"unit": "kJ/(m² nm) at 340 nm", "value": 1219.0, "low": 934.0, "high": 1621.0}
LOWER = {"value": None, "low": 166.6, "high": None, "sides": 1, "unit": "cycles"}
UPPER = {"value": None, "low": None, "high": 1480.0, "sides": 1, "unit": "AFU"}
DAYS = {"value": None, "low": 84.0, "high": None, "sides": 1, "site": "s", "month": 6}
CASES = [
    (
        text("threshold_dose", **DOSE),
        "The threshold dose for half the unexposed strength, for a new lot of A in the cross"
        " direction under X1, is 1220 kJ/(m² nm) at 340 nm (95 % prediction interval 930 to 1620).",
    ),
    (
        text("threshold_dose", **LOWER, extrapolated=True, extrapolation_factor=1.388),
        "For a new lot of A in the cross direction under X1, the strength falls to half the"
        " unexposed strength not before 166 cycles (95 % one-sided prediction lower bound); this"
        " is 1.4 times the largest dose tested.",
    ),
    (
        text("threshold_dose", **UPPER, fraction=0.8, of="single_specimen", share=0.9),
        "For 90 % of single strips of a new lot of A in the cross direction under X1, the strength"
        " falls to 80 % of the unexposed strength not after 1480 AFU (95 % one-sided prediction"
        " upper bound).",
    ),
    (
        text("threshold_hours", unit="h", value=990.0, low=750.0, high=1330.0, fraction=None),
        "Under X1, a new lot of A in the cross direction falls to the required strength of 8 kN/m"
        " after 990 h (95 % prediction interval 750 to 1330) of lamp time, dark phases included.",
    ),
    (
        text("unexposed_strength", unit="kN/m", value=18.3, low=16.6, high=20.1, lot="A1",
             of=None, exposure=None, fraction=None, kind="confidence"),
        "The unexposed strength of lot A1 of A in the cross direction is 18.3 kN/m (95 % confidence"
        " interval 16.6 to 20.1).",
    ),
    (
        text("retained_strength", unit="1", value=0.235, low=0.166, high=0.312, of="mean",
             fraction=None, dose=1835.14, kind="credible"),
        "After 1835 kJ/(m² nm) at 340 nm under X1, the fraction left of the unexposed strength of"
        " the median lot of A in the cross direction is 0.235 (95 % credible interval 0.166 to"
        " 0.312).",
    ),
    (
        text("days_to_cover", **DAYS, flags=("lower_bound_only", "extrapolated"),
             extrapolated=True, extrapolation_factor=1.6),
        "Laid at Somewhere in June, a new lot of A must be covered within 84 days: so long at least"
        " half the unexposed strength is left in the cross direction (95 % one-sided prediction"
        " lower bound); the bound of the threshold dose is 1.6 times the largest dose tested.",
    ),
    (
        text("strength_left", unit="1", value=0.6, low=0.5, high=0.7, site="s", extrapolated=True,
             extrapolation_factor=2.0),
        "After the time in the open at Somewhere, the fraction left of the unexposed strength of a"
        " new lot of A in the cross direction is 0.60 (95 % prediction interval 0.50 to 0.70); the"
        " dose that does the same under the lamp is 2 times the largest dose tested.",
    ),
    (
        text("outdoor_days", site="s", month=1),
        "Laid at Somewhere in January, a new lot of A falls to half the unexposed strength in the"
        " cross direction after 240 d (95 % prediction interval 110 to 770).",
    ),
    (
        text("outdoor_days", site="s", month=1, high=None, sides=1, probability=0.82,
             flags=("beyond_horizon",)),
        "Laid at Somewhere in January, a new lot of A falls to half the unexposed strength in the"
        " cross direction after 240 d, at least 100 (95 % one-sided prediction lower bound);"
        " probability that it falls so far within the years counted 82 %.",
    ),
    (
        text("days_to_cover", **(DAYS | {"low": 7300.0, "probability": 0.004,
                                         "flags": ("beyond_horizon",)})),
        "Laid at Somewhere in June, a new lot of A has at least half the unexposed strength left in"
        " the cross direction for 7300 days, all that are counted (95 % one-sided prediction lower"
        " bound); probability that it falls so far within the years counted 0.4 %.",
    ),
    (
        text("days_to_cover", **DAYS),
        "Laid at Somewhere in June, a new lot of A must be covered within 84 days: so long at least"
        " half the unexposed strength is left in the cross direction (95 % one-sided prediction"
        " lower bound).",
    ),
    (
        text("ratio_of_threshold_doses", unit="1", value=1.69, low=1.13, high=2.5),
        "The threshold dose for half the unexposed strength, for a new lot of A in the cross"
        " direction under X1, divided by that of the control, B, is 1.69 (95 % prediction interval"
        " 1.13 to 2.50).",
    ),
]  # fmt: skip


@pytest.mark.parametrize(("found", "expected"), CASES)
def test_sentence_reads(found: str, expected: str) -> None:
    assert found == expected


def test_every_quantity_has_its_sentence() -> None:
    for quantity in QUANTITIES:
        assert text(quantity, dose=10.0).endswith(".")


def test_short_form_keeps_one_sided_limits() -> None:
    assert short(said("outdoor_days", high=None, sides=1)) == "240 (at least 100)"
    assert short(said("threshold_dose", **UPPER)) == "at most 1480"


def test_words_are_joined() -> None:
    assert [join(x) for x in ([], ["a"], ["a", "b"], ["a", "b", "c"])] == [
        "", "a", "a and b", "a, b and c",
    ]  # fmt: skip


def test_key_sentences_are_few(
    quarry: SimpleNamespace, cycles: SimpleNamespace, marine: SimpleNamespace
) -> None:
    for report in (quarry, cycles, marine):
        assert 1 < len(key_sentences(report.results)) <= 12


def test_where_lines_are_too_many_each_kind_of_answer_keeps_its_first(
    quarry: SimpleNamespace, monkeypatch: pytest.MonkeyPatch
) -> None:
    import durability.report.sentences as room

    counts = {"dose": 20, "day": 2, "ratio": 6}
    kinds = [[Sentence((f"{kind} {i}",)) for i in range(n)] for kind, n in counts.items()]
    monkeypatch.setattr(room, "_answers", lambda _: [list(kind) for kind in kinds])
    lines = key_sentences(quarry.results)
    assert {"dose 0", "dose 1", "day 0", "day 1", "ratio 0", "ratio 1"} <= set(lines)
    shown = sum(line.startswith(("dose", "day", "ratio")) for line in lines)
    assert f"{28 - shown} more lines are in the report." in lines and len(lines) <= 12


def test_head_line_is_the_worse_direction_and_month(quarry: SimpleNamespace) -> None:
    results = quarry.results
    head = [p.statement for line in answer_sentences(results) for p in line.parts
            if isinstance(p, Quote)]  # fmt: skip
    for material in ("A", "B"):
        every = results.statements.where(
            quantity="days_to_cover", of="new_lot", fraction=0.5, material=material, site="miami"
        )
        worst = {m: min(s.low for s in every.where(month=m)) for m in range(1, 13)}
        shown = [s.low for s in head if s.quantity == "days_to_cover" and s.material == material]
        assert shown == [min(worst.values()), max(worst.values())]
        doses = results.statements.where(
            quantity="threshold_dose", of="new_lot", fraction=0.5, material=material
        )
        shown = [s.low for s in head if s.quantity == "threshold_dose" and s.material == material]
        assert shown == [min(s.low for s in doses)]


def test_where_nothing_was_lost_only_a_bound_is_said(cycles: SimpleNamespace) -> None:
    lines = key_sentences(cycles.results)
    assert lines[0].startswith("After 120 cycles under UV, the strength left")
    assert "at least" in lines[0]
    assert "not before" in lines[1] and "times the largest dose tested" in lines[1]
    assert not any("threshold dose for" in line and " is " in line for line in lines[:2])
    assert any("No unexposed strips" in line for line in lines)
    assert any("Not read as days" in line for line in lines)


def test_failed_fit_gives_no_number_of_its_own(failed: SimpleNamespace) -> None:
    (line,) = key_sentences(failed.results)
    assert "no number of it may be quoted" in line
