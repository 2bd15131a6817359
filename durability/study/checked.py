"""Is a table of study.toml what it may be? All that is wrong in it, in the user's words."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from durability.study import schema
from durability.study.findings import Findings, near

if TYPE_CHECKING:
    from pydantic import BaseModel

FILE = "study.toml"


def checked[T: BaseModel](
    model: type[T], raw: Any, path: str, findings: Findings, *, required: bool = False
) -> T | None:
    """One table as its model, or None after noting everything that is wrong in it."""
    if raw is None and not required:
        raw = {}
    if not isinstance(raw, dict):
        findings.problem(FILE, f"a table [{path}]", found="" if raw is None else raw, column=path)
        return None
    try:
        return model.model_validate(raw)
    except ValidationError as error:
        for item in error.errors(include_url=False):
            _translate(model, item, path, findings)
        return None


def _translate(model: type[BaseModel], item: Any, path: str, findings: Findings) -> None:
    """One of pydantic's errors as a problem in the user's words."""
    location = [part for part in item["loc"] if part not in ("str", "date", "datetime", "nullable")]
    owner: type[BaseModel] = model
    if location[:1] == ["cycle"] and len(location) > 2:
        owner = schema.SegmentTable
    elif location[:1] == ["calibrations"] and len(location) > 2:
        owner = schema.CalibrationTable
    key = next((p for p in reversed(location) if isinstance(p, str)), "")
    column = path
    for part in location:
        column += f"[{part + 1}]" if isinstance(part, int) else f".{part}"
    column = re.sub(r"\.function-after\[.*?\]$", "", column)
    known = owner.model_fields
    if item["type"] == "extra_forbidden":
        findings.problem(FILE, "a known key", found=key, column=column, mend=near(key, known))
        return
    expected = known[key].description if key in known else "another value"
    context = item.get("ctx", {})
    missing = item["type"] == "missing"
    findings.problem(
        FILE,
        (context.get("expected") if item["type"] == "study" else "") or expected or "",
        found="" if missing else as_written(item["input"]),
        column=column,
        mend=f"The key {key} is missing." if missing else context.get("mend", ""),
    )


def as_written(value: Any) -> str:
    """A value much as it stands in the file."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, list | tuple):
        return "[" + ", ".join(as_written(v) for v in value) + "]"
    return str(value)
