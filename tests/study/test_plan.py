"""Strips of a group are spread, neighbours differ, and the same seed gives the same plan."""

from __future__ import annotations

from collections import Counter

import numpy
import pytest

from durability.study.plan import Design, plan, spread, touching


def design(**changes) -> Design:
    stated = {
        "materials": ("A", "B"),
        "lots": (("A1", "A2"), ("B1",)),
        "hours": (150.0, 300.0, 500.0),
    }
    return Design(**{**stated, **changes})  # fmt: skip


def test_every_group_has_its_strips_and_every_strip_its_own_label_place_and_turn() -> None:
    made = plan(design())
    groups = Counter((s.material, s.lot, s.direction, s.hours) for s in made.strips)
    assert len(groups) == 3 * 2 * 4
    assert {n for (*_, h), n in groups.items() if h == 0} == {10}
    assert {n for (*_, h), n in groups.items() if h > 0} == {5}
    assert len({s.specimen for s in made.strips}) == len(made.strips)
    hung = [s.position for s in made.strips if s.hours > 0]
    assert len(set(hung)) == len(hung) == made.design.exposed
    assert all(s.position == "" for s in made.strips if s.hours == 0)
    assert sorted(s.order for s in made.strips) == list(range(1, len(made.strips) + 1))


@pytest.mark.parametrize("seed", range(10))
def test_neighbours_on_the_roll_do_not_share_a_group(seed: int) -> None:
    made = plan(design(seed=seed))
    for series in made.design.series():
        mine = {(round(s.across), round(s.along)): s.hours for s in made.strips
                if (s.material, s.lot, s.direction) == series}  # fmt: skip
        across, along = (sorted({p[i] for p in mine}) for i in (0, 1))
        for (x, y), hours in mine.items():
            for dx, dy in ((1, 0), (0, 1)):
                i, j = across.index(x) + dx, along.index(y) + dy
                if i < len(across) and j < len(along):
                    assert mine.get((across[i], along[j])) != hours


@pytest.mark.parametrize("seed", range(10))
def test_neighbours_in_the_chamber_do_not_share_a_group(seed: int) -> None:
    made = plan(design(seed=seed, tiers=4))
    at = {(s.tier, s.place): (s.lot, s.direction, s.hours) for s in made.strips if s.tier}
    for (tier, place), group in at.items():
        assert at.get((tier + 1, place)) != group
        assert at.get((tier, place + 1)) != group


def test_each_group_is_spread_over_the_width_of_the_roll() -> None:
    # five strips dealt at random over a width of 1 have a mean with a standard deviation of
    # 0.289/sqrt(5) = 0.129; one in each fifth brings 0.289/5/sqrt(5) = 0.026
    means = []
    for seed in range(40):
        made = plan(design(materials=("A",), lots=(("A1",),), directions=("machine",), seed=seed))
        for hours in made.design.hours:
            x = [s.across for s in made.of(hours)]
            means.append((numpy.mean(x) - 100) / 1800)
    assert numpy.std(means) < 0.06
    assert abs(numpy.mean(means) - 0.5) < 0.01


def test_a_slope_across_the_roll_does_not_become_a_difference_between_groups() -> None:
    # strength rises by 20 % from edge to edge: the means of groups stay within 2 %
    worst = []
    for seed in range(20):
        made = plan(design(materials=("A",), lots=(("A1",),), seed=seed))
        for direction in made.design.directions:
            means = [
                numpy.mean([0.9 + 0.2 * s.across / 2000 for s in made.strips
                            if s.hours == h and s.direction == direction])
                for h in (0.0, *made.design.hours)
            ]  # fmt: skip
            worst.append(max(means) / min(means) - 1)
    assert numpy.quantile(worst, 0.9) < 0.05


def test_order_of_testing_does_not_follow_exposure() -> None:
    late = []
    for seed in range(100):
        made = plan(design(materials=("A",), lots=(("A1",),), seed=seed))
        late.append(numpy.corrcoef([s.order for s in made.strips],
                                   [s.hours for s in made.strips])[0, 1])  # fmt: skip
    assert abs(numpy.mean(late)) < 0.06


def test_a_label_says_nothing_of_the_withdrawal() -> None:
    made = plan(design(seed=3))
    first = {s.hours for s in made.strips if s.specimen.endswith("01")}
    assert len(first) > 1
    assert not any("150" in s.specimen or "300" in s.specimen for s in made.strips)


def test_labels_stay_apart_where_lots_share_a_name() -> None:
    made = plan(design(lots=(("1", "2"), ("1",))))
    assert len({s.specimen for s in made.strips}) == len(made.strips)
    made = plan(Design(materials=("A", "AB"), lots=(("AB1",), ("AB1",)), hours=(10.0,)))
    assert len({s.specimen for s in made.strips}) == len(made.strips)


def test_the_same_seed_gives_the_same_plan_and_another_another() -> None:
    assert plan(design(seed=4)) == plan(design(seed=4))
    assert plan(design(seed=4)).strips != plan(design(seed=5)).strips


def test_no_strip_lies_over_the_edge_or_over_another() -> None:
    made = plan(design(roll_width=1000.0))
    for direction, wide, tall in (("machine", 50, 200), ("cross", 200, 50)):
        mine = [s for s in made.strips if (s.lot, s.direction) == ("A1", direction)]
        assert all(100 + wide / 2 <= s.across <= 900 - wide / 2 for s in mine)
        for i, a in enumerate(mine):
            for b in mine[i + 1 :]:
                apart = abs(a.across - b.across) >= wide - 1e-6
                assert apart or abs(a.along - b.along) >= tall - 1e-6


def test_a_group_that_outnumbers_the_rest_touches_itself_as_little_as_it_must() -> None:
    grid = spread([8, 2], 1, 10, numpy.random.default_rng(1))
    assert touching(grid) == 5  # 8 strips in at most 3 runs


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"materials": ()}, "at least one material"),
        ({"materials": ("A", "A")}, "named 2 times"),
        ({"lots": (("A1",),)}, "lots names 1 products"),
        ({"lots": ((), ("B1",))}, "at least one lot"),
        ({"directions": ("weft",)}, "machine or cross"),
        ({"hours": ()}, "at least one time"),
        ({"hours": (300.0, 150.0)}, "ascend"),
        ({"hours": (float("nan"),)}, "above 0"),
        ({"strips": 0}, "strips is 0"),
        ({"roll_width": 150.0}, "does not fit"),
        ({"places": 10}, "plan two runs"),
        ({"materials": ("=A", "B")}, "like a formula"),
        ({"materials": ("A ", "B")}, "blanks"),
    ],
)
def test_a_plan_that_cannot_be_made_says_why(changes, words) -> None:
    with pytest.raises(ValueError, match=words):
        design(**changes)
