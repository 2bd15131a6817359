"""How is a results folder written whole or not at all? Beside its place, then moved there."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path

from durability.report.record import seal

FILES = ("results.nc", "results.json", "report.html", "report.docx", "provenance.json")
EXTRAS = ("report.pdf", "figures")
"""What else may lie in a results folder, made when asked for."""


class ResultsFolderError(OSError):
    """The results cannot be written there; says why and what to do."""


def refuse_place(out: Path) -> None:
    """Refuse a place that is not a results folder; ask before sampling, not after.

    Raises
    ------
    ResultsFolderError : `out` is a file, or a folder that holds other things.
    """
    if out.exists() and not out.is_dir():
        raise ResultsFolderError(f"{out.name} is a file; name a folder with --out")
    if out.is_dir() and any(p.name not in (*FILES, *EXTRAS) for p in out.iterdir()):
        raise ResultsFolderError(
            f"{out.name} holds files that are not results; name another folder with --out"
        )


def write_folder(out: Path, fill: Callable[[Path], None]) -> None:
    """Fill a folder beside `out` and move it there whole; on any failure `out` stays as it was.

    Raises
    ------
    ResultsFolderError : the place is not writable or the disk is full.
    """
    out = out.absolute()
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        refuse_place(out)
        fresh = Path(tempfile.mkdtemp(prefix=f".{out.name}-", dir=out.parent))
    except ResultsFolderError:
        raise
    except OSError as error:
        raise _cannot(out, error) from error
    try:
        fill(fresh)
        seal(fresh)
        fresh.chmod(0o755)
        old = fresh.with_name(fresh.name + "-old")
        if out.exists():
            os.replace(out, old)
            try:
                os.replace(fresh, out)
            except BaseException:  # an interrupt here must not leave the old results aside
                os.replace(old, out)
                raise
            shutil.rmtree(old, ignore_errors=True)
        else:
            os.replace(fresh, out)
    except ResultsFolderError:
        raise
    except OSError as error:
        raise _cannot(out, error) from error
    finally:
        shutil.rmtree(fresh, ignore_errors=True)


def _cannot(out: Path, error: OSError) -> ResultsFolderError:
    reason = error.strerror or type(error).__name__
    return ResultsFolderError(
        f"the results folder {out.name} cannot be written ({reason.lower()});"
        " the earlier results are untouched. Free space or name another folder with --out"
    )
