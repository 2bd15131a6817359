"""What is being run, how far is it, and how is it stopped? One run at a time, each a process."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import threading
import time
from collections import deque
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

State = Literal["running", "done", "failed", "stopped"]

WORKER = (sys.executable, "-P", "-m", "durability.page.worker")  # -P: nothing of the folder is run

PATIENCE = 5.0
"""Seconds after which a run that does not stop is ended."""


class Busy(RuntimeError):
    """Another study is being run."""


@dataclass(slots=True)
class Run:
    """One run of a study.

    Parameters
    ----------
    folder : the study folder.
    state : where it stands; words : what is to be said of its end.
    stage, share : what is being done, and the share of it that is done.
    """

    folder: Path
    process: subprocess.Popen[str]
    state: State = "running"
    stage: str = "starting"
    share: float = 0.0
    words: str = ""
    began: float = field(default_factory=time.monotonic)
    ended: float | None = None
    stopping: bool = False

    def to_dict(self) -> dict[str, Any]:
        """What the page asks for while it waits."""
        seconds = (self.ended or time.monotonic()) - self.began
        return {
            "state": self.state,
            "stage": "stopping" if self.stopping and self.state == "running" else self.stage,
            "share": self.share,
            "seconds": round(seconds),
            "words": self.words,
        }


class Runs:
    """The runs of the page: the last one of each study, at most one of them at work.

    Parameters
    ----------
    command : that runs a study whose folder is added to it, and tells how far it is.
    """

    def __init__(self, command: tuple[str, ...] = WORKER) -> None:
        self.command = command
        self._runs: dict[Path, Run] = {}
        self._lock = threading.Lock()

    def of(self, folder: Path) -> Run | None:
        """The last run of a study."""
        return self._runs.get(folder)

    def start(self, folder: Path) -> Run:
        """Run a study.

        Raises
        ------
        Busy : this study or another is being run.
        """
        with self._lock:
            for other in self._runs.values():
                if other.state == "running":
                    mine = other.folder == folder
                    raise Busy(
                        "This study is being run already, perhaps from another window."
                        if mine
                        else f"{other.folder.name} is being run; wait for it, or stop it."
                    )
            process = subprocess.Popen(
                [*self.command, str(folder.resolve())],
                stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
                text=True, encoding="utf-8", errors="replace",
            )  # fmt: skip
            run = self._runs[folder] = Run(folder, process)
        threading.Thread(target=self._follow, args=(run,), daemon=True).start()
        return run

    def stop(self, folder: Path) -> None:
        """Stop the run of a study, if there is one at work; its earlier results stay."""
        run = self._runs.get(folder)
        if run is None or run.state != "running":
            return
        run.stopping = True
        if run.process.stdin is not None:
            with suppress(OSError):
                run.process.stdin.close()
        try:
            run.process.wait(PATIENCE)
        except subprocess.TimeoutExpired:
            run.process.kill()
            run.process.wait()

    def stop_all(self) -> None:
        """Stop whatever is at work: the page is being left."""
        for folder in list(self._runs):
            self.stop(folder)

    def _follow(self, run: Run) -> None:
        said: deque[str] = deque(maxlen=5)
        end: dict[str, Any] = {}
        assert run.process.stdout is not None
        for line in run.process.stdout:
            record = _record(line)
            if record is None:
                said.append(line.strip())
            elif "end" in record:
                end = record
            else:
                run.stage = str(record.get("stage", run.stage))
                run.share = float(record.get("share", 0.0))
        run.process.wait()
        run.process.stdout.close()
        if run.process.stdin is not None:
            with suppress(OSError):
                run.process.stdin.close()
        tidy(run.folder)
        run.ended = time.monotonic()
        told = end.get("end")
        if told == "done":
            run.words, run.state = "", "done"
        elif run.stopping or told == "stopped":
            run.words, run.state = "Stopped; earlier results are untouched.", "stopped"
        else:
            fault = " ".join(said) or f"it ended with status {run.process.returncode}"
            run.words = str(end.get("words") or f"The run ended by a fault: {fault[-400:]}")
            run.state = "failed"


def _record(line: str) -> dict[str, Any] | None:
    try:
        record = json.loads(line)
    except ValueError:
        return None
    return record if isinstance(record, dict) and ({"stage", "end"} & record.keys()) else None


def tidy(folder: Path) -> None:
    """Remove what a run that was ended left half written; bring back results it had set aside."""
    results = folder / "results"
    for aside in folder.glob(".results-*-old"):
        if not results.exists():
            os.replace(aside, results)
    for left in folder.glob(".results-*"):
        shutil.rmtree(left, ignore_errors=True)
