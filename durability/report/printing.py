"""How does it look on paper? Prints the page of a report to PDF with a browser, if there is one.

Any browser built on Chromium prints so; ``DURABILITY_BROWSER`` names one that is not found by
itself. It is started without a network of its own use, in a profile that is removed after.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import tempfile
from pathlib import Path

from durability import catalogue

BROWSERS = ("chromium", "chromium-browser")
OWN = "DURABILITY_BROWSER"
PATIENCE = 120.0
"""Seconds that a browser may take."""


def browser() -> str | None:
    """Path of the browser that prints, or None where there is none."""
    asked = os.environ.get(OWN)
    names = (asked,) if asked else BROWSERS
    return next((found for name in names if (found := shutil.which(name))), None)


def print_pdf(folder: str | Path) -> Path:
    """Print ``report.html`` of a results folder to ``report.pdf`` beside it.

    Parameters
    ----------
    folder : a results folder that holds a report; its record notes the hash of the new file.

    Returns
    -------
    Path : of the PDF.

    Raises
    ------
    ValueError : there is no report, no browser, or the browser printed nothing.
    """
    folder = Path(folder).absolute()
    page, to = folder / "report.html", folder / "report.pdf"
    if not page.is_file():
        raise ValueError(f"{folder.name} holds no report.html; run durability report first")
    program = browser()
    if program is None:
        raise ValueError(
            "no browser was found to print the PDF: install Chromium, or name a browser that is"
            f" built on it in the environment variable {OWN}. report.html prints from any browser"
        )
    with tempfile.TemporaryDirectory(prefix="durability-") as place:
        printed = Path(place) / "report.pdf"
        command = [
            program, "--headless", "--disable-gpu", "--no-first-run", "--disable-sync",
            "--disable-background-networking", "--disable-component-update",
            "--no-pdf-header-footer", "--generate-pdf-document-outline",
            f"--user-data-dir={place}/profile", f"--print-to-pdf={printed}",
        ]  # fmt: skip
        if getattr(os, "geteuid", lambda: 1)() == 0:  # Chromium refuses its sandbox to root
            command.append("--no-sandbox")
        try:
            subprocess.run(
                [*command, page.as_uri()], timeout=PATIENCE, capture_output=True, check=False
            )
        except (OSError, subprocess.TimeoutExpired) as error:
            raise ValueError(f"the browser did not print: {error}") from error
        if not printed.is_file() or not printed.stat().st_size:
            raise ValueError(f"the browser {Path(program).name} printed nothing")
        fresh = to.with_suffix(".pdf.part")
        shutil.copyfile(printed, fresh)
        os.replace(fresh, to)
    _note(folder, to)
    return to


def _note(folder: Path, file: Path) -> None:
    record = folder / "provenance.json"
    if record.is_file():
        content = json.loads(record.read_text(encoding="utf-8"))
        content.setdefault("files", {})[file.name] = catalogue.sha256(file)
        text = json.dumps(content, indent=1, ensure_ascii=False) + "\n"
        record.write_text(text, encoding="utf-8")


__all__ = ["BROWSERS", "OWN", "browser", "print_pdf"]
