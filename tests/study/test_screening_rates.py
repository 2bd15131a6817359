"""How often does each screen speak on sound studies? At most on the share its docstring states."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
from sound_studies import Sound, sound_study

from durability.study import copies, screening


def pooled_scatter(study: Sound, use) -> float:
    logs = np.log(study.force[use])
    _, group = np.unique(study.group[use], return_inverse=True)
    count = np.bincount(group)
    mean = np.bincount(group, logs) / count
    return float(np.sqrt(((logs - mean[group]) ** 2).sum() / max((count - 1).sum(), 1)))


def equal_values(s: Sound):
    use = np.flatnonzero(~s.blank)
    texts = [s.text[i] for i in use]
    return copies.equal_values(s.force[use], texts, also=s.elongation[use])


def last_repeated(s: Sound):
    use = np.flatnonzero(~s.blank)
    texts = [s.text[i] for i in use]
    return copies.last_repeated(s.force[use], texts, s.series[use], pooled_scatter(s, use))


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
    return screening.gathered_blanks(s.place, s.blank, s.force, s.material)


def decimal_slips(s: Sound):
    use = np.flatnonzero(~s.blank)
    return screening.decimal_slips(s.force[use], s.group[use], pooled_scatter(s, use))


SCREENS = [
    equal_values, last_repeated, proportional_columns, proportional_series, small_scatter,
    gathered_blanks, decimal_slips,
]  # fmt: skip


def rate(screen, studies: int, seed: int) -> float:
    rng = np.random.default_rng(seed)
    return float(np.mean([bool(screen(sound_study(rng))) for _ in range(studies)]))


if __name__ == "__main__":
    for screen in SCREENS:
        print(screen.__name__, rate(screen, 2000, 20260101))
