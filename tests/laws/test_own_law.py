"""Does a law of the user's own work at once, by likelihood, by Bayes and in statements?

Data are simulated from the law itself, so that the truth is known.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from known_truth import study_of

import durability
from durability.inference.likelihood import fit_curve
from durability.laws import read_law

LEVELS_OFF = """\
title = "Power law to a level"
expression = "c/(1 + c) + 1/((1 + c)*(1 + dose/scale)**3)"
half_loss = "2**(1/3) - 1"
plateau = "c/(1 + c)"
use = "A test."
limits = "c/(1 + c) in the end."
source = "invented"
[holds]
monotone = true
reaches_zero = false
smooth_at_zero = true
[shape.c]
meaning = "what stays over what is lost"
unit = "1"
lower = 0.001
upper = 100.0
median = 0.5
sd_log = 1.0
reason = "invented"
"""
DOSES = np.array([0.0, 50.0, 100.0, 200.0, 400.0, 1600.0])
HALF = 100.0  # dose of half the loss
START, SPREAD = 20.0, 0.04


@pytest.fixture(scope="module")
def own(tmp_path_factory) -> Path:
    file = tmp_path_factory.mktemp("laws") / "own.toml"
    file.write_text(LEVELS_OFF, encoding="utf-8")
    return file


def strips(own: Path, stays: float, seed: int = 3) -> tuple[np.ndarray, np.ndarray]:
    """Dose and strength of five strips at each dose, of which the share `stays` is never lost."""
    law, shape = read_law(own), {"c": stays / (1 - stays)}
    dose = np.repeat(DOSES, 5)
    left = law.retained(dose / HALF * float(law.half_loss(shape)), shape)
    noise = np.random.default_rng(seed).standard_normal(dose.size)
    return dose, START * left * np.exp(SPREAD * noise)


def truth(stays: float, q: float) -> float:
    """Arithmetic: (1 + u)**-3 = (q - stays)/(1 - stays), and half the loss is at HALF."""
    return HALF * (((1 - stays) / (q - stays)) ** (1 / 3) - 1) / (2 ** (1 / 3) - 1)


def test_by_likelihood_the_interval_holds_the_truth(own):
    fit = fit_curve(own, *strips(own, 0.2))
    found = fit.threshold_dose(0.5)
    assert found.low is not None
    assert found.high is not None
    assert found.low < truth(0.2, 0.5) < found.high
    assert found.high / found.low < 1.6


@pytest.fixture(scope="module")
def fit(own):
    columns: dict[str, np.ndarray] = {}
    for material, stays in (("falls", 0.2), ("stays", 0.65)):
        dose, strength = strips(own, stays)
        made = {
            "material": np.full(dose.size, material), "lot": np.full(dose.size, "L0"),
            "direction": np.full(dose.size, "machine"), "dose": dose, "strength": strength,
            "exposure": np.where(dose > 0, "X", ""),
            "specimen": np.array([str(i) for i in range(dose.size)]),
        }  # fmt: skip
        columns = {k: np.concatenate([columns[k], v]) if columns else v for k, v in made.items()}
    done = durability.fit(study_of(columns), law=own, seed=1)
    assert done.diagnostics.ok
    return done


@pytest.mark.parametrize(
    ("material", "stays", "q"), [("falls", 0.2, 0.5), ("falls", 0.2, 0.8), ("stays", 0.65, 0.8)]
)
def test_by_bayes_the_interval_holds_the_truth(fit, material, stays, q):
    said = fit.threshold_dose(q, of="mean", material=material).one()
    assert said.low is not None
    assert said.high is not None
    assert said.low < truth(stays, q) < said.high
    assert said.probability == pytest.approx(1.0, abs=0.01)


def test_by_bayes_a_level_that_is_never_left_is_crossed_by_no_draw(fit):
    draws = fit.threshold_draws(0.5, of="mean", material="stays", direction="machine", exposure="X")
    assert np.mean(np.isfinite(draws)) < 0.05


def test_by_bayes_what_never_comes_is_no_number(fit):
    said = fit.threshold_dose(0.5, of="mean", material="stays")
    for s in said:
        assert s.probability is None or s.probability < 0.05
        assert "never_reached" in s.flags
        for number in (s.value, s.low, s.high):
            assert number is None or math.isfinite(number)
