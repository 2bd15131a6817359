"""How often does each screen speak on sound studies? At most on the share its docstring states."""

from __future__ import annotations

import dataclasses
import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))
from sound_studies import Sound, sound_study

from durability.study import copies, screening
from durability.study.damage import usual_scatter


def scatter_of(study: Sound, use) -> float:
    _, group = np.unique(study.group[use], return_inverse=True)
    return usual_scatter(study.force[use], group)


def equal_values(s: Sound):
    use = np.flatnonzero(~s.blank)
    texts = [s.text[i] for i in use]
    return copies.equal_values(s.force[use], texts, also=s.elongation[use])


def last_repeated(s: Sound):
    use = np.flatnonzero(~s.blank)
    texts = [s.text[i] for i in use]
    return copies.last_repeated(s.force[use], texts, s.series[use], scatter_of(s, use))


def proportional_columns(s: Sound):
    columns = {
        "force": (s.force, s.text),
        "width": (s.width, [f"{w:.1f}" for w in s.width]),
        "elongation": (s.elongation, [f"{e:.1f}" for e in s.elongation]),
    }
    return copies.proportional_columns(columns)


def proportional_series(s: Sound):
    use = np.flatnonzero(~s.blank)
    texts = [s.text[i] for i in use]
    return copies.proportional_series(s.force[use], texts, s.series[use], s.place[use])


def small_scatter(s: Sound):
    use = ~s.blank
    _, group = np.unique(s.group[use], return_inverse=True)
    n = np.bincount(group)
    mean = np.bincount(group, s.force[use]) / n
    square = np.bincount(group, (s.force[use] - mean[group]) ** 2)
    sd = np.sqrt(square / np.maximum(n - 1, 1))
    family = np.zeros(n.size)
    family[group] = s.material[use]
    return screening.small_scatter(mean, sd, n, family, np.full(n.size, s.step))


def gathered_blanks(s: Sound):
    screen = screening.gathered_blanks
    return screen(s.place, s.blank, s.force, s.material) or screen(
        s.place, s.blank, s.force, np.zeros(s.force.size)
    )


def decimal_slips(s: Sound):
    use = np.flatnonzero(~s.blank)
    return screening.decimal_slips(s.force[use], s.group[use], scatter_of(s, use))


SCREENS = [
    equal_values, last_repeated, proportional_columns, proportional_series, small_scatter,
    gathered_blanks, decimal_slips,
]  # fmt: skip


STATED = {
    equal_values: 0.013, last_repeated: 0.001, small_scatter: 0.022, gathered_blanks: 0.003,
    proportional_columns: 0.0, proportional_series: 0.0, decimal_slips: 0.0,
}  # fmt: skip
"""Rates of the docstrings, from 2,000 studies."""


def rate(screen, studies: list[Sound]) -> float:
    return float(np.mean([bool(screen(s)) for s in studies]))


def drawn(number: int, seed: int) -> list[Sound]:
    rng = np.random.default_rng(seed)
    return [sound_study(rng) for _ in range(number)]


@pytest.fixture(scope="module")
def studies() -> list[Sound]:
    return drawn(120, 20310514)


@pytest.mark.parametrize("screen", SCREENS)
def test_a_screen_speaks_on_few_sound_studies(screen, studies):
    assert rate(screen, studies) <= 0.05


@pytest.mark.slow
@pytest.mark.parametrize("screen", SCREENS)
def test_a_screen_speaks_as_rarely_as_its_docstring_says(screen):
    number = 2000
    spread = np.sqrt(max(STATED[screen], 1 / number) / number)
    assert rate(screen, drawn(number, 7)) <= STATED[screen] + 3 * spread


# Planted damage: how often it is seen


def with_force(s: Sound, force) -> Sound:
    places = max(0, round(-np.log10(s.step)))
    return dataclasses.replace(s, force=force, text=[f"{v:.{places}f}" for v in force])


def seen(screen, spoil, studies: list[Sound]) -> float:
    """Share of studies in which the screen speaks once they are spoilt."""
    spoilt = [spoil(s, np.random.default_rng(i)) for i, s in enumerate(studies)]
    return float(np.mean([bool(screen(s)) for s in spoilt if s is not None]))


def copied_force(s: Sound, rng) -> Sound | None:
    """One force copied to another strip; a table of more than 60 strips makes such pairs itself."""
    use = np.flatnonzero(~s.blank)
    one, other = rng.choice(use, 2, replace=False)
    force = s.force.copy()
    force[one] = force[other]
    return with_force(s, force) if s.step == 0.01 and use.size <= 60 else None


def copied_row(s: Sound, rng) -> Sound | None:
    """Force and elongation copied."""
    use = np.flatnonzero(~s.blank)
    one, other = rng.choice(use, 2, replace=False)
    force, elongation = s.force.copy(), s.elongation.copy()
    force[one], elongation[one] = force[other], elongation[other]
    return with_force(dataclasses.replace(s, elongation=elongation), force) if s.step < 1 else None


def slipped(s: Sound, rng) -> Sound | None:
    """The first value of the last block gone, the last one twice."""
    use = np.flatnonzero(~s.blank & (s.series == s.series[-1]))
    force = s.force.copy()
    force[use[:-1]] = s.force[use[1:]]
    return with_force(s, force) if s.step <= 0.1 and use.size > 5 else None


def flattened(s: Sound, rng) -> Sound | None:
    """One group with a twentieth of its scatter."""
    start = s.group == s.group[0]
    force = s.force.copy()
    force[start] = force[start].mean() + (force[start] - force[start].mean()) / 20
    return with_force(s, force) if start.sum() >= 5 and s.step <= 1 else None


def weak_left_blank(s: Sound, rng) -> Sound | None:
    weak = s.force < 0.1 * s.force[s.place == 0].min()
    return dataclasses.replace(s, blank=s.blank | weak) if weak.sum() > 4 else None


def moved_decimal(s: Sound, rng) -> Sound | None:
    force = s.force.copy()
    start = np.flatnonzero((s.place == 0) & ~s.blank)
    if start.size < 3 or (s.group[start] == s.group[start[0]]).sum() < 3:
        return None
    force[start[0]] *= 10
    return with_force(s, force)


def made_from_another(s: Sound, rng) -> Sound | None:
    labels = np.unique(s.series)
    if labels.size < 2:
        return None
    one, other = (np.flatnonzero(s.series == k) for k in labels[:2])
    if one.size != other.size or (s.place[one] != s.place[other]).any() or one.size < 10:
        return None
    force = s.force.copy()
    force[other] = np.round(1.07 * force[one] / s.step) * s.step
    return with_force(dataclasses.replace(s, blank=np.zeros_like(s.blank)), force)


@pytest.mark.parametrize(
    ("screen", "spoil", "share"),
    [
        (equal_values, copied_force, 0.6),
        (equal_values, copied_row, 0.6),
        (last_repeated, slipped, 0.7),
        (small_scatter, flattened, 0.9),
        (gathered_blanks, weak_left_blank, 0.9),
        (decimal_slips, moved_decimal, 0.9),
        (proportional_series, made_from_another, 0.8),
    ],
)
def test_planted_damage_is_seen_in_most_studies(screen, spoil, share, studies):
    assert seen(screen, spoil, studies) >= share
