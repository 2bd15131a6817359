"""Are controls without light, and both directions together, compared as arithmetic says?"""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from durability.retention import (
    against_control,
    directions_together,
    interlaboratory,
    log_ratio_interval,
    worse_direction,
)
from durability.study.model import Exposure

START, LEFT = [20.0, 21.0, 19.0, 20.5, 19.5], [10.0, 11.0, 9.5, 10.5, 9.0]


def with_controls(make, strips, control_hours, *, kinds=("dark",)):
    """Light in X (axis h), controls of 90 % at the hours given."""
    rows = [*strips(START), *strips(LEFT, dose=500.0, hours=500.0)]
    for kind in kinds:
        for h in control_hours:
            share = 0.9 if kind == "dark" else 0.95
            rows += strips(share * np.array(START), exposure=kind, dose=h, hours=h)
    study = make(rows)
    exposures = {
        name: Exposure(
            name=name, axis="h", dose_unit="h",
            control=None if name == "X" else name, control_of=None if name == "X" else "X",
        )
        for name in ("X", *kinds)
    }  # fmt: skip
    return dataclasses.replace(study, exposures=exposures)


def test_light_alone_is_the_ratio_to_the_control_of_the_same_hours(make, strips):
    (found,) = against_control(with_controls(make, strips, [500.0]))
    control = 0.9 * np.array(START)
    expected = log_ratio_interval(
        np.mean(LEFT), np.std(LEFT, ddof=1), 5, control.mean(), control.std(ddof=1), 5
    )
    assert (found.value, found.low, found.high) == pytest.approx(
        (float(expected.value), float(expected.low), float(expected.high))
    )
    assert found.quantity == "strength_against_control" and found.dose == 500
    assert "control_alike" in found.assumptions


def test_light_and_the_rest_multiply_to_the_whole_loss(make, strips):
    from durability.retention import retained_strength

    study = with_controls(make, strips, [500.0])
    light = against_control(study)[0].value
    stated = {s.exposure: s.value for s in retained_strength(study).where(unit="1")}
    assert light * stated["dark"] == pytest.approx(stated["X"])


def test_between_withdrawals_the_control_is_read_straight_on_logs_and_never_beyond(make, strips):
    (found,) = against_control(with_controls(make, strips, [1000.0]))
    assert found.value == pytest.approx(0.5 / np.sqrt(0.9))
    assert "control_interpolated" in found.flags
    assert len(against_control(with_controls(make, strips, [250.0]))) == 0


def test_a_control_in_the_dark_comes_before_one_in_heat_alone(make, strips):
    (found,) = against_control(with_controls(make, strips, [500.0], kinds=("heat", "dark")))
    assert found.value == pytest.approx(0.5 / 0.9)
    (found,) = against_control(with_controls(make, strips, [500.0], kinds=("heat",)))
    assert "control_heat" in found.assumptions


def test_intervals_against_an_interpolated_control_cover_95_percent(make, strips):
    rng = np.random.default_rng(31)
    trials = 800  # three standard errors of 0.95 are 0.023
    rows = []
    for k in range(trials):
        m = {"material": f"M{k}"}
        rows += strips(rng.normal(20, 1.2, 5), **m)
        rows += strips(rng.normal(10, 0.8, 5), dose=400.0, hours=400.0, **m)
        rows += strips(rng.normal(16, 1.0, 5), exposure="dark", dose=800.0, hours=800.0, **m)
    study = with_controls(make, strips, [1.0])
    study = dataclasses.replace(study, rows=make(rows).rows)
    found = against_control(study)
    truth = 10 / (20 * np.sqrt(0.8))
    assert len(found) == trials
    held = np.mean([s.low <= truth <= s.high for s in found])
    assert held == pytest.approx(0.955, abs=0.025)


def test_both_directions_together_are_their_geometric_mean_with_its_interval(make, strips):
    rng = np.random.default_rng(32)
    trials, truth = 800, np.sqrt(0.5 * 0.4)
    rows = []
    for k in range(trials):
        for way, left in (("machine", 0.5), ("cross", 0.4)):
            m = {"material": f"M{k}", "direction": way}
            rows += strips(rng.normal(20, 1.6, 5), **m)
            rows += strips(rng.normal(20 * left, 1.6 * left, 5), dose=10.0, **m)
    study = make(rows)
    found = directions_together(study)
    assert len(found) == trials and {s.direction for s in found} == {None}
    assert np.mean([s.low <= truth <= s.high for s in found]) == pytest.approx(0.953, abs=0.025)
    assert np.mean([s.direction == "cross" for s in worse_direction(study)]) > 0.97


def test_a_study_with_laboratories_gives_their_agreement_group_by_group(make, strips):
    rows = []
    for of, scale in (("P", 1.0), ("Q", 1.1), ("R", 0.9)):
        rows += strips(scale * np.array(START), lot=of)
    study = make(rows)
    lab = np.repeat(["P", "Q", "R"], 5)
    study = dataclasses.replace(study, rows=study.rows.assign(laboratory=("row", lab)))
    (found,) = interlaboratory(study)
    assert found.s_of_means == pytest.approx(2.0)
    assert found.s_r == pytest.approx(np.std(START, ddof=1) * np.sqrt((1 + 1.21 + 0.81) / 3))
    assert {"lots_differ", "few_laboratories"} == set(found.flags)
