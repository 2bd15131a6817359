"""Which tests run in one process? Those that share what is costly to make."""

from __future__ import annotations

from pathlib import Path

import pytest

HERE = Path(__file__).parent
TOGETHER = {"report": "report"}
"""Folder of tests whose files share results, and the name of the process they run in."""


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Give every test a group: its file, or its folder where files share results."""
    for item in items:
        inside = item.path.relative_to(HERE).parts if item.path.is_relative_to(HERE) else ()
        group = TOGETHER.get(inside[0]) if inside else None
        item.add_marker(pytest.mark.xdist_group(group or str(item.path)))
