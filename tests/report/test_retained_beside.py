"""Does the model's fraction left stand beside the classical ones, and do they agree?"""

from __future__ import annotations

from pathlib import Path

import durability
from durability.report.retained_beside import beside_table, retained_beside


def test_three_ways_agree_on_an_invented_study_and_are_named_for_what_they_are():
    study = durability.read_study(Path(__file__).parents[2] / "examples" / "quarry-cover")
    fit = durability.fit(study, seed=1)
    records = retained_beside(fit)
    assert len(records) >= 16
    overlap = 0
    whole = [r for r in records if not r["log_ratio"].is_bound]
    assert len(records) - len(whole) <= 2  # strips too weak to test give a bound
    for r in whole:
        kinds = [r[way].kind for way in ("log_ratio", "fieller", "model")]
        assert kinds == ["confidence", "confidence", "credible"]
        overlap += r["log_ratio"].low <= r["model"].high and r["model"].low <= r["log_ratio"].high
    assert overlap >= len(whole) - 1
    table = beside_table(fit)
    assert table is not None and len(table.rows) == len(records)
