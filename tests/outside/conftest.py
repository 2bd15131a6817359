"""Where do outside numbers lie that may be looked at but not shipped?

Tests that need them are skipped where they are absent, and say so.
"""

import os
from collections.abc import Callable
from pathlib import Path

import pytest

BESIDE = Path(__file__).resolve().parents[3] / "shared" / "reference"
"""Used unless the environment variable DURABILITY_REFERENCE names another folder."""


@pytest.fixture(scope="session")
def reference() -> Callable[[str], Path]:
    """``reference("retention/answers.json")``: a file of the reference folder, or a skip."""

    def find(path: str) -> Path:
        folder = Path(os.environ.get("DURABILITY_REFERENCE") or BESIDE)
        found = folder / path
        if not found.exists():
            pytest.skip(f"the reference file {path} is not on this machine and may not be shipped")
        return found

    return find
