"""Is a study too large for the machine's memory refused before a draw is made?"""

from __future__ import annotations

import pytest
from known_truth import simulated

from durability import fit
from durability.inference import Sampler, memory
from durability.study import StudyError


def test_a_run_that_does_not_fit_is_refused_early_with_the_estimate(monkeypatch):
    study, _ = simulated(1)
    monkeypatch.setattr(memory, "memory_free", lambda: 0.5e9)
    with pytest.raises(StudyError) as told:
        fit(study, sampler=Sampler(draws=10_000_000))
    (problem,) = told.value.problems
    assert "40,000,000 draws" in problem.found
    assert "0.5 GB" in problem.expected and "GB" in problem.expected.split("need")[1]
    assert "fewer draws" in problem.mend


def test_what_fits_is_not_refused(monkeypatch):
    study, _ = simulated(1)
    monkeypatch.setattr(memory, "memory_free", lambda: 0.5e9)
    assert fit(study, seed=1, sampler=Sampler(draws=500, tune=200)).n_draws >= 2000


def test_a_machine_that_does_not_tell_its_memory_refuses_nothing(monkeypatch):
    monkeypatch.setattr(memory.sys, "platform", "elsewhere")
    assert memory.memory_free() is None


def test_free_memory_is_read_where_the_machine_tells_it():
    free = memory.memory_free()
    assert free is None or 1e6 < free < 1e14


def test_the_estimate_covers_what_was_measured_and_is_no_more_than_twice_that():
    """Peak less what was held before sampling, [MB] in the module's text."""
    for lots, measured in ((1000, 416 - 283), (4000, 706 - 334)):
        assert measured <= memory.memory_needed(lots, 4000) / 1e6 < 2 * measured
