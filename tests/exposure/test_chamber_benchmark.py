"""The benchmark of a year of minutes measures what it says, on two weeks of them."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest

FILE = Path(__file__).parents[2] / "benchmarks" / "chamber_record.py"


def test_two_weeks_of_minutes_give_the_dose_that_was_written_in_a_moment(tmp_path) -> None:
    spec = importlib.util.spec_from_file_location("chamber_record", FILE)
    assert spec is not None and spec.loader is not None
    benchmark = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(benchmark)
    dose = benchmark.write_record(tmp_path / "log.csv", 14 * 1440)
    found = benchmark.measure(tmp_path)
    assert found["dose"] == pytest.approx(dose, rel=1e-12)
    assert found["judged dose"] == found["dose"]
    # a year of it is asked in 2 s: 26 times as many rows; the careful reader takes 8 times as long
    assert found["read"] + found["integrate"] < 1.0
