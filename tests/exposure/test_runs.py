"""A control material tells which run of a chamber was out, and rarely accuses a good one."""

from __future__ import annotations

import numpy
import pytest
import xarray

from durability.exposure import run_check
from durability.study.model import Exposure, Material, Study

DOSES = (0.0, 200.0, 400.0, 600.0)


def study(tau: dict[str, float], *, seed: int, cv: float = 0.06, strips: int = 5) -> Study:
    """Strips of a control R whose threshold dose in each run is known; shape 1.5."""
    generator = numpy.random.default_rng(seed)
    rows = []
    for direction, strength in (("machine", 12.0), ("cross", 9.0)):
        for run, threshold in tau.items():
            for dose in DOSES:
                left = 0.5 ** ((dose / threshold) ** 1.5)
                for _ in range(strips):
                    y = strength * left * numpy.exp(cv * generator.standard_normal())
                    rows.append((direction, run if dose else "", dose, y))
    size = len(rows)
    text = {"material": "R", "lot": "R1", "exposure": "X1", "kind": "specimen", "reason": ""}
    data = {k: ("row", numpy.full(size, v)) for k, v in text.items()}
    data |= {
        "direction": ("row", numpy.array([r[0] for r in rows])),
        "run": ("row", numpy.array([r[1] for r in rows])),
        "dose": ("row", numpy.array([r[2] for r in rows])),
        "hours": ("row", numpy.full(size, numpy.nan)),
        "strength": ("row", numpy.array([r[3] for r in rows])),
        "censored": ("row", numpy.zeros(size, dtype=int)),
        "used": ("row", numpy.ones(size, dtype=bool)),
        "summary": ("row", numpy.zeros(size, dtype=bool)),
        "dose_sd": ("row", numpy.full(size, numpy.nan)),
        "hours_sd": ("row", numpy.full(size, numpy.nan)),
    }
    exposure = Exposure(
        name="X1", lamp="xenon-daylight", irradiance=0.35, band="340 nm",
        dose_unit="kJ/(m² nm) at 340 nm",
    )  # fmt: skip
    return Study(
        folder=None, title="t", property="strength", unit="kN/m", thresholds=(0.5,),
        rows=xarray.Dataset(data), exposures={"X1": exposure}, materials={"R": Material(name="R")},
    )  # type: ignore[arg-type]  # fmt: skip


def test_intervals_of_each_run_hold_the_truth_as_often_as_they_say() -> None:
    truth = {"r1": 400.0, "r2": 400.0, "r3": 400.0}
    held, alarms, chance = 0, 0, []
    for seed in range(60):
        found = run_check(study(truth, seed=seed), "R", level=0.9)
        held += sum(r.low <= 400.0 <= r.high for r in found.runs)
        alarms += any(r.out for r in found.runs)
        chance.append(found.probability)
    assert 0.83 <= held / 180 <= 0.96  # 90 % asked
    assert alarms <= 7  # 5 % asked, of 60
    assert 0.35 < numpy.mean(chance) < 0.65  # uniform under no difference


def test_a_run_with_a_fifth_less_light_is_found() -> None:
    # nominal doses are a quarter too high: the control seems to last 25 % longer there
    found = run_check(study({"r1": 400.0, "r2": 500.0, "r3": 400.0}, seed=5), "R")
    assert [r.run for r in found.runs if r.out] == ["r2"]
    assert found.runs[1].of_others == pytest.approx(1.25, abs=0.06)
    assert found.probability < 0.001
    assert found.shape == pytest.approx(1.5, abs=0.15)


def test_two_runs_that_differ_accuse_each_other() -> None:
    found = run_check(study({"a": 300.0, "b": 450.0}, seed=6), "R")
    assert [r.out for r in found.runs] == [True, True]
    assert found.runs[0].of_others * found.runs[1].of_others == pytest.approx(1.0)


def test_a_threshold_beyond_the_last_dose_says_how_far() -> None:
    found = run_check(study({"a": 900.0, "b": 900.0}, seed=6), "R")
    assert found.runs[0].beyond == pytest.approx(1.5, abs=0.15)


@pytest.mark.parametrize(
    ("tau", "material", "words"),
    [
        ({"a": 400.0}, "R", "1 run"),
        ({"": 400.0, "b": 400.0}, "R", "no run"),
        ({"a": 400.0, "b": 400.0}, "Q", "no measured strips"),
    ],
)
def test_what_cannot_be_compared_is_refused_in_words(tau, material, words) -> None:
    with pytest.raises(ValueError, match=words):
        run_check(study(tau, seed=1), material)


def test_the_document_is_plain() -> None:
    import json

    found = run_check(study({"a": 400.0, "b": 400.0}, seed=6), "R")
    assert json.loads(json.dumps(found.to_dict(), allow_nan=False))["runs"][0]["run"] == "a"
