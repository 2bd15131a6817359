"""A long log is read quickly and exactly as the careful way reads it, or not at all."""

from __future__ import annotations

from pathlib import Path

import numpy
import pytest

from durability.study.findings import Findings
from durability.study.long_log import read_long_log
from durability.study.model import Exposure
from durability.study.record import read_record

HEAD = "time,irradiance [W/m^2/nm],black_panel [degC],humidity [%],light"
GOOD = (
    "2031-05-14T08:00,0.351,65.2,50,1",
    "2031-05-14T08:30,0.3500,-3.25,49.5,1",
    "2031-05-14T09:00,-0.001,65,50,0",
    "2031-05-14T09:30,,.5,+50,",
)


def record(folder: Path, text: str):
    (folder / "log.csv").write_bytes(text.encode())
    findings = Findings()
    exposure = Exposure(name="X1", band="340 nm", record_file="log.csv")
    return read_record(folder, exposure, findings, {}), findings.problems


@pytest.mark.parametrize(
    "text",
    [
        "\n".join([HEAD, *GOOD]),
        "\r\n".join([HEAD, *GOOD, ""]),
        "\ufeff" + "\n".join([HEAD, *GOOD, "", "\n"]),
        "\n".join([HEAD, *GOOD]).replace(",", ";").replace(".", ","),
        "\n".join([HEAD, *(g.replace("T", " ") for g in GOOD)]),
        "\n".join([HEAD, *(g.replace(":00,", ":00Z,").replace(":30,", ":30Z,") for g in GOOD)]),
        "\n".join([HEAD.replace(",", "\t"), *(g.replace(",", "\t") for g in GOOD)]),
    ],
    ids=["plain", "cr lf", "mark", "semicolons", "blank for T", "zone", "tabs"],
)
def test_the_quick_way_reads_what_the_careful_way_reads(tmp_path, monkeypatch, text) -> None:
    quick, problems = record(tmp_path, text)
    assert problems == [] and quick is not None
    assert read_long_log(text.encode()) is not None
    monkeypatch.setattr("durability.study.record._quick", lambda *rest: None)
    careful, problems = record(tmp_path, text)
    assert problems == [] and careful is not None
    assert quick.identical(careful)


def test_numbers_are_rounded_like_pythons_own() -> None:
    generator = numpy.random.default_rng(1)
    texts = [f"{x:.{d}f}" for x in generator.normal(0, 400, 4000) for d in (0, 1, 4, 9)]
    rows = [f"2031-05-14T08:{i % 60:02d},{t}" for i, t in enumerate(texts)]
    log = read_long_log("\n".join(["time,irradiance", *rows]).encode())
    assert log is not None
    assert log.numbers[1].tolist() == [float(t) for t in texts]


@pytest.mark.parametrize(
    "bad",
    [
        "2031-05-14T10:00,0.35,65,50",
        "2031-05-14T10:00,0.35,65,50,1,1",
        "2031-05-14T10:00,0.3.5,65,50,1",
        "2031-05-14T10:00,3-5,65,50,1",
        "2031-05-14T10:00,-,65,50,1",
        "2031-05-14T10:00,0.35,x,50,1",
        "2031-05-14T10:00,nan,65,50,1",
        "2031-05-14T10:00,1e-1,65,50,1",
        "2031-05-14T10:00,0.35,65,50%,1",
        "2031-02-30T10:00,0.35,65,50,1",
        "2031-05-14T25:00,0.35,65,50,1",
        "14.05.2031 10:00,0.35,65,50,1",
        '2031-05-14T10:00,"0.35",65,50,1',
        "=A1,0.35,65,50,1",
        "",
        "2031-05-14T10:00,0.35123456789012345,65,50,1",
    ],
)
def test_anything_odd_is_left_to_the_careful_way(bad: str) -> None:
    rows = [*GOOD, bad, "2031-05-14T11:00,0.35,65,50,1"]
    assert read_long_log("\n".join([HEAD, *rows]).encode()) is None


@pytest.mark.parametrize(
    ("bad", "row", "column"),
    [
        ("2031-05-14T09:30,0.35,65,50,1\n2031-05-14T09:00,0.35,65,50,1", 7, "time"),
        ("2031-05-14T10:00,-0.35,65,50,1", 6, "irradiance [W/m^2/nm]"),
        ("2031-05-14T10:00,0.35,650,50,1", 6, "black_panel [degC]"),
        ("2031-05-14T10:00,0.35,65,150,1", 6, "humidity [%]"),
        ("2031-05-14T10:00,0.35,65,50,2", 6, "light"),
    ],
)
def test_an_impossible_reading_is_named_with_its_row(tmp_path, bad, row, column) -> None:
    text = "\n".join([HEAD, *GOOD, bad]).replace("2031-05-14T09:30,,.5", "2031-05-14T09:15,,.5", 1)
    found, problems = record(tmp_path, text)
    assert found is None
    assert [(p.row, p.column) for p in problems] == [(row, column)]


@pytest.mark.parametrize("size", [1, 7, 100, 1 << 21])
def test_pieces_of_any_size_give_the_same_log(monkeypatch, size: int) -> None:
    data = "\n".join([HEAD, *GOOD]).encode()
    whole = read_long_log(data)
    monkeypatch.setattr("durability.study.long_log._PIECE", size)
    pieces = read_long_log(data)
    assert whole is not None and pieces is not None
    assert (whole.times == pieces.times).all()
    for a, b in zip(whole.numbers[1:], pieces.numbers[1:], strict=True):
        assert numpy.array_equal(a, b, equal_nan=True)
