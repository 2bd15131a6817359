"""How is a study run so that it can be stopped? In a process of its own, which tells how far it is.

    python -m durability.page.worker STUDY

writes one JSON record a line: ``{"stage": ..., "share": ...}`` while it works and one with ``end``
when it is over. It ends when its standard input closes or says stop, so that it never outlives the
page; a run that is stopped leaves the earlier results as they were.
"""

from __future__ import annotations

import _thread
import json
import os
import sys
import threading
from pathlib import Path
from typing import Any

PATIENCE = 3.0
"""Seconds that a run has to end by itself."""


def _tell(**record: Any) -> None:
    print(json.dumps(record), flush=True)


def _listen() -> None:
    sys.stdin.readline()
    _thread.interrupt_main()
    threading.Timer(PATIENCE, os._exit, (130,)).start()


def run(folder: Path) -> None:
    """Do the whole job for one study folder and tell how it went."""
    from durability.report import FitFailed, ResultsFolderError, report
    from durability.study import StudyError

    last = {"stage": "", "share": -1.0}

    def progress(stage: str, share: float) -> None:
        if stage != last["stage"] or share - float(last["share"]) > 0.01:
            last.update(stage=stage, share=share)
            _tell(stage=stage, share=round(share, 3))

    try:
        report(folder, progress=progress)
    except StudyError as error:
        _tell(end="problems", words=f"{len(error.problems)} problems must be mended first.")
    except FitFailed as error:
        _tell(end="failed", words=f"{error}. Nothing was written; earlier results are untouched.")
    except (ResultsFolderError, LookupError, ValueError) as error:
        _tell(end="failed", words=str(error.args[0]) if error.args else str(error))
    except KeyboardInterrupt:
        _tell(end="stopped", words="Stopped; earlier results are untouched.")
    else:
        _tell(end="done", words="")


if __name__ == "__main__":
    threading.Thread(target=_listen, daemon=True).start()
    run(Path(sys.argv[1]))
    sys.stdout.flush()
    os._exit(0)  # the listening thread waits for a line that need not come
