"""What a consultant has who has nothing but data sheets."""

from __future__ import annotations

from pathlib import Path

import pytest

from durability.exposure import with_doses
from durability.study import check_study, read_study

FOLDER = Path(__file__).parents[2] / "examples" / "data-sheet"


def test_the_data_sheets_read_and_say_that_they_are_all_there_is():
    problems, cautions = check_study(FOLDER)
    assert problems == []
    assert {c.name for c in cautions} == {"declared_only"}


def test_what_the_data_sheets_say_is_at_its_dose():
    study = with_doses(read_study(FOLDER))
    assert study.invented and study.rows.sizes["row"] == 0
    declared = study.declared
    assert declared is not None
    assert declared["sense"].values.tolist() == ["minimum average roll value", "minimum", "typical"]
    # 500 h at 0.35 W/(m² nm), lit throughout
    assert declared["dose"].values.tolist() == pytest.approx([0, 630, 630])
    assert len(study.retention()) == 0
