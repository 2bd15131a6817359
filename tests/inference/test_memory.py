"""Is a study too large for the machine's memory refused before a draw is made?"""

from __future__ import annotations

import importlib

import pytest
from known_truth import simulated

from durability import fit
from durability.inference import Sampler, diagnostics, memory
from durability.inference.build import build_model
from durability.laws import read_law
from durability.study import StudyError

fit_room = importlib.import_module("durability.inference.fit")  # the function hides the module


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


def silent(monkeypatch) -> None:
    """A machine without /proc, which does not count free pages either."""

    class Nowhere:
        def __init__(self, _):
            pass

        def read_text(self):
            raise FileNotFoundError

    def unknown(name):
        raise ValueError("unrecognized configuration name")

    monkeypatch.setattr(memory, "Path", Nowhere)
    monkeypatch.setattr(memory.os, "sysconf", unknown)


def test_a_machine_that_does_not_tell_its_memory_refuses_nothing_and_says_so(monkeypatch):
    silent(monkeypatch)
    assert memory.memory_free() is None
    study, _ = simulated(1)
    model = build_model(study, read_law("exponential"))
    said: list[str] = []
    memory.refuse_if_too_large(model, 1000, 4000, progress=lambda text, _: said.append(text))
    assert said == []
    memory.refuse_if_too_large(model, 10**5, 4000, progress=lambda text, _: said.append(text))
    assert said == ["the draws need about 9.7 GB; what is free is not known"]


def test_without_linux_account_free_pages_are_counted(monkeypatch):
    silent(monkeypatch)
    pages = {"SC_AVPHYS_PAGES": 1000, "SC_PAGE_SIZE": 4096}
    monkeypatch.setattr(memory.os, "sysconf", pages.__getitem__)
    assert memory.memory_free() == 4_096_000


@pytest.mark.parametrize(
    ("free", "kept"), [(None, 8000), (1e12, 8000), (1e8 + 24 * 50 * 6000.0, 6000)]
)
def test_a_second_run_is_as_long_as_memory_allows(monkeypatch, free, kept):
    model = build_model(simulated(1)[0], read_law("exponential"))
    monkeypatch.setattr(memory, "memory_free", lambda: free)
    assert memory.draws_of_second_run(model, 50, 4000, 8000) == kept


def test_a_second_run_that_does_not_fit_is_refused_and_the_first_is_named(monkeypatch):
    study, _ = simulated(1)
    rooms = [1e12, 2e8, 2e8]  # before the first run, and twice before the second
    monkeypatch.setattr(memory, "memory_free", lambda: rooms.pop(0))
    monkeypatch.setattr(memory, "COPIES", 1e4)
    monkeypatch.setattr(diagnostics, "ESS", 1e9)  # no run keeps it
    with pytest.raises(StudyError) as told:
        fit(study, seed=1, sampler=Sampler(draws=200, tune=100, chains=2))
    assert "second run, since the first missed" in told.value.problems[0].found


def test_the_second_run_is_cut_in_words(monkeypatch):
    study, _ = simulated(1)
    monkeypatch.setattr(fit_room, "draws_of_second_run", lambda *_: 500)
    monkeypatch.setattr(diagnostics, "ESS", 1e9)
    said: list[str] = []
    made = fit(study, seed=1, sampler=Sampler(draws=200, tune=100, chains=2),
               progress=lambda text, _: said.append(text))  # fmt: skip
    assert "sampling again with smaller steps: 250 draws a chain, as memory allows" in said
    assert made.settings.draws in (200, 250)


def test_free_memory_is_read_where_the_machine_tells_it():
    free = memory.memory_free()
    assert free is None or 1e6 < free < 1e14


def test_the_estimate_covers_what_was_measured_and_is_no_more_than_twice_that():
    """Peak less what was held before sampling, [MB] in the module's text."""
    for lots, measured in ((1000, 416 - 283), (4000, 706 - 334)):
        assert measured <= memory.memory_needed(lots, 4000) / 1e6 < 2 * measured
