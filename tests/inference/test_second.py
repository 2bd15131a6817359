"""Do other ways of looking at the same strips agree with the model where they should?"""

from __future__ import annotations

import functools
from pathlib import Path

import durability
from durability.inference.second import SecondLook, second_look

EXAMPLES = Path(__file__).parents[2] / "examples"


@functools.cache
def looked(name: str) -> SecondLook:
    return second_look(durability.fit(EXAMPLES / name, seed=1))


def test_likelihood_and_model_agree_on_an_invented_study_with_three_lots():
    found = looked("quarry-cover")
    pairs = {(s.material, s.direction, s.fraction): s for s in found.likelihood}
    assert len(pairs) == 8
    for s in found.bayes:
        other = pairs[s.material, s.direction, s.fraction]
        assert s.value is not None and other.value is not None
        assert abs(s.value / other.value - 1) < 0.1
        assert other.low is not None and other.high is not None
        assert other.low < s.value < other.high
    assert not [d for d in found.disagreements if d.second in list(found.likelihood)]


def test_fractions_left_by_dose_lie_within_the_models_reach():
    found = looked("quarry-cover").retained
    assert len(found) >= 16
    whole = [(a, m) for a, m in found if not a.is_bound]
    assert len(found) - len(whole) <= 2  # strips too weak to test give a bound
    apart = [a for a, m in whole if a.low > m.high or m.low > a.high]  # type: ignore[operator]
    assert len(apart) <= 1
    assert all(a.kind == "confidence" and m.kind == "credible" for a, m in found)


def test_a_way_that_cannot_answer_says_why():
    found = looked("data-sheet")
    assert not found.likelihood and not found.brackets and not found.retained
    assert [r.split(":")[0] for r in found.refused] == ["likelihood", "brackets"]


def test_fiellers_interval_stands_beside_the_log_ratio_under_an_id_of_its_own():
    from durability.inference.second import by_fieller
    from durability.retention import retained_strength
    from durability.study import read_study

    study = read_study(EXAMPLES / "quarry-cover")
    usual = {s.id: s for s in retained_strength(study)}
    fieller = by_fieller(study)
    assert fieller and not {s.id for s in fieller} & set(usual)
    for s in fieller:
        assert s.value == usual[s.id.removesuffix("/fieller")].value
        assert s.low != usual[s.id.removesuffix("/fieller")].low
