"""Candidate plans keep within their budget."""

from __future__ import annotations

import pytest

from durability.decisions.candidates import KINDS, Budget, SoFar, candidates

HAD = SoFar(
    material="A", lots=("A1", "A2"), directions=("machine", "cross"),
    doses=(100.0, 200.0, 300.0, 400.0), threshold=450.0,
)  # fmt: skip


def plans(**budget):
    given = {"strips": 60, "dose": 800.0, "withdrawals": 3} | budget
    return candidates((HAD,), Budget(**given), practice_dose=500.0, warmer=True, rack_days=90.0)


def test_every_kind_is_among_them():
    assert {p.kind for p in plans()} == set(KINDS)


@pytest.mark.parametrize("strips", [20, 60, 200])
@pytest.mark.parametrize("withdrawals", [1, 2, 4])
def test_no_plan_spends_more_than_it_may(strips, withdrawals):
    for p in plans(strips=strips, withdrawals=withdrawals, lots=3):
        if p.kind == "usual_practice":
            assert p.strips == 20  # five and five in each direction, whatever the budget
            continue
        assert p.strips <= strips
        assert len(p.doses) <= withdrawals
        assert p.lots <= 3
        if p.way != "open air":
            assert max(p.doses) <= 800.0 * 1.001


def test_nothing_is_longer_than_it_may_be():
    found = plans(dose=400.0)
    assert not {p.kind for p in found} & {"longer", "more_lots_longer"}


def test_new_lots_have_unexposed_strips_and_tested_ones_need_none():
    for p in plans():
        assert all((s.unexposed > 0) == s.new for s in p.series)


def test_no_plan_stands_twice():
    found = [p.series for p in plans()]
    assert len(found) == len(set(found))


def test_two_packages_share_the_strips():
    both = (HAD, SoFar(material="B", lots=("B1",), directions=("machine",), doses=(100.0,),
                        threshold=300.0))  # fmt: skip
    for p in candidates(both, Budget(strips=60, dose=500.0)):
        assert {s.material for s in p.series} == {"A", "B"}
        assert p.strips <= 60


def test_what_cannot_be_spent_is_said_at_once():
    with pytest.raises(ValueError, match=r"strips is 1.*withdrawals is 0.*dose is -1"):
        Budget(strips=1, dose=-1.0, withdrawals=0)
