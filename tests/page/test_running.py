"""Is a run followed, stopped and kept from meeting another, and do earlier results stay?"""

from __future__ import annotations

import json
import time

import pytest


def until(visitor, state, study="covers"):
    end = time.monotonic() + 40
    while (now := visitor.get(f"/study/{study}/progress").json())["state"] != state:
        assert time.monotonic() < end, now
        time.sleep(0.05)
    return now


def stage(visitor, words):
    end = time.monotonic() + 40
    while visitor.get("/study/covers/progress").json().get("stage") != words:
        assert time.monotonic() < end
        time.sleep(0.05)


@pytest.fixture
def earlier(covers):
    (covers / "results").mkdir()
    (covers / "results" / "results.json").write_text("earlier")
    return covers / "results"


def test_a_run_is_followed_and_stopped_and_earlier_results_stay(visitor, covers, earlier):
    assert visitor.get("/study/covers/progress").json() == {"state": "none"}
    assert visitor.post("/study/covers/run").status == 202
    stage(visitor, "sampling")
    now = until(visitor, "running")
    assert now["share"] == 0.25
    assert 'data-act="stop"' in visitor.get("/study/covers/work").text
    visitor.post("/study/covers/stop")
    assert "Stopped" in until(visitor, "stopped")["words"]
    assert (earlier / "results.json").read_text() == "earlier"
    assert not list(covers.glob(".results-*"))  # what was half written is gone


def test_a_second_window_cannot_start_a_second_run(visitor, covers, start):
    assert visitor.post("/study/covers/run").status == 202
    second = visitor.post("/study/covers/run")
    assert second.status == 409
    assert "another window" in second.json()["words"]
    (covers.parent / "other").mkdir()
    (covers.parent / "other" / "study.toml").write_text("")
    other = visitor.post("/study/other/run")
    assert other.status == 409
    assert "covers is being run" in other.json()["words"]
    visitor.post("/study/covers/stop")
    until(visitor, "stopped")
    assert visitor.post("/study/covers/run").status == 202


def test_a_run_that_does_not_listen_is_ended(visitor, covers, monkeypatch, tmp_path):
    from durability.page import running

    monkeypatch.setattr(running, "PATIENCE", 0.3)
    (tmp_path / "deaf").write_text("")
    monkeypatch.chdir(tmp_path)
    visitor.post("/study/covers/run")
    stage(visitor, "sampling")
    visitor.post("/study/covers/stop")
    until(visitor, "stopped")
    assert visitor.page.runs.of(covers.resolve()).process.poll() is not None


@pytest.mark.parametrize(("name", "state", "words"), [("quick", "done", ""),
                                                      ("faulty", "failed", "a fault")])  # fmt: skip
def test_the_end_of_a_run_is_told(visitor, covers, name, state, words):
    (covers.parent / name).mkdir()
    (covers.parent / name / "study.toml").write_text("")
    visitor.post(f"/study/{name}/run")
    assert words in until(visitor, state, name)["words"]


def test_results_that_a_killed_run_had_set_aside_come_back(covers):
    from durability.page.running import tidy

    aside = covers / ".results-abc-old"
    aside.mkdir()
    (aside / "results.json").write_text("earlier")
    (covers / ".results-abc").mkdir()
    tidy(covers)
    assert (covers / "results" / "results.json").read_text() == "earlier"
    assert not list(covers.glob(".results-*"))


def test_an_answer_of_earlier_data_says_so(visitor, covers):
    from durability.statement import SCHEMA

    results = covers / "results"
    results.mkdir()
    document = {"schema": SCHEMA, "statements": [], "answer": ["It holds 400 h."],
                "study": {"title": "Covers"}}  # fmt: skip
    (results / "results.json").write_text(json.dumps(document))
    record = {"inputs": {"specimens.csv": "0" * 64}, "created": "2031-05-14T08:30:00+00:00"}
    (results / "provenance.json").write_text(json.dumps(record))
    (results / "report.html").write_text("<p>report</p>")
    text = visitor.get("/study/covers").text
    assert "It holds 400 h." in text
    assert "of earlier data: specimens.csv has" in " ".join(text.split())
    report = visitor.get("/study/covers/results/report.html")
    assert report.body == b"<p>report</p>"
    assert "sandbox" in report.headers["content-security-policy"]
    assert "allow-same-origin" not in report.headers["content-security-policy"]
    assert visitor.get("/study/covers/archive.zip").status == 409  # the inputs have changed


@pytest.mark.slow
def test_a_real_run_is_stopped_in_the_middle(start, covers):
    text = (covers / "specimens.csv").read_text()
    (covers / "specimens.csv").write_text(text.replace("mashine", "machine").replace("6O7", "607"))
    visitor = start(covers.parent, real=True)
    visitor.post("/study/covers/run")
    end = time.monotonic() + 100
    while visitor.get("/study/covers/progress").json()["stage"] == "starting":
        assert time.monotonic() < end
        time.sleep(0.1)
    visitor.post("/study/covers/stop")
    assert until(visitor, "stopped")["words"] == "Stopped; earlier results are untouched."
    assert sorted(p.name for p in covers.iterdir()) == ["specimens.csv", "study.toml"]
