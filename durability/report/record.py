"""What must be noted so that a run can be repeated, and its files known again?

`asked_of` notes what was asked beside the study; `data_groups` keeps the rows that were read with
the numbers made from them; `seal` notes the hash of every file written.
"""

from __future__ import annotations

import json
import platform
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from durability import catalogue

if TYPE_CHECKING:
    import xarray

    from durability.study import Study

RECORD = "provenance.json"
DESCRIPTION = "study.toml"
LYING = (
    "laying", "on_ground", "light", "slope", "azimuth", "horizon", "snow_cover", "wetness",
    "action_spectrum", "measured_uv",
)  # fmt: skip
"""What a question says of fabric in the open."""


def asked_of(
    study: Study, *, law: str | Path, level: float, sites: Sequence[str | Path] | None
) -> dict[str, Any]:
    """What was asked of a run beside its study, with the hash of each file that was named.

    Parameters
    ----------
    study : that was read.
    law : name or file.
    level : of intervals.
    sites : names or files; None where nothing was translated (a fit alone).

    Returns
    -------
    ``lying``, what the question says of fabric in the open; ``law``, each of ``sites`` and an
    ``action_spectrum`` as ``{"name": ...}``, or ``{"file": ..., "sha256": ...}`` with the
    name inside the study folder, or the bare name of a file that lies elsewhere.
    """
    return {
        "law": _named(law, study.folder),
        "level": level,
        "sites": None if sites is None else [_named(s, study.folder) for s in sites],
        "lying": lying_of(study),
    }


def lying_of(study: Study) -> dict[str, Any]:
    """What the question of a study, or an option, says of fabric in the open."""
    said = {name: getattr(study.question, name) for name in LYING}
    spectrum = study.question.action_spectrum
    return said | {"action_spectrum": None if spectrum is None else _named(spectrum, study.folder)}


def files_asked(record: dict[str, Any]) -> list[dict[str, str]]:
    """The law, sites and action spectrum of a record, those of a file with its hash."""
    asked = record.get("asked") or {}
    spectrum = (asked.get("lying") or {}).get("action_spectrum")
    return [t for t in (asked.get("law"), *(asked.get("sites") or ()), spectrum) if t]


def _named(thing: str | Path, folder: Path) -> dict[str, str]:
    for file in (Path(thing), folder / thing):
        if file.is_file():
            whole, inside = file.resolve(), folder.resolve()
            near = whole.relative_to(inside).as_posix() if whole.is_relative_to(inside) else ""
            return {"file": near or file.name, "sha256": catalogue.sha256(file)}
    return {"name": str(thing)}


def machine() -> dict[str, str]:
    """The interpreter and kind of machine: numbers may differ in their last digits between two."""
    return {
        "python": platform.python_version(),
        "system": platform.system(),
        "processor": platform.machine(),
    }


def data_groups(study: Study) -> dict[str, xarray.Dataset]:
    """The rows that were read and the text of study.toml, as groups of results.nc.

    Columns in which nothing stands are left out.
    """
    from xarray import Dataset

    groups = {"rows": study.rows, **study.others()}
    found = {f"/study/{name}": _filled(table) for name, table in groups.items()}
    file = study.folder / DESCRIPTION
    text = file.read_text(encoding="utf-8-sig") if file.is_file() else ""
    return {"/study": Dataset(attrs={DESCRIPTION: text.replace("\r\n", "\n")}), **found}


def _filled(table: xarray.Dataset) -> xarray.Dataset:
    blank = [
        name
        for name, values in table.items()
        if (values.isnull() if values.dtype.kind == "f" else values.astype(str) == "").all()
    ]
    return table.drop_vars(blank)


def seal(folder: Path) -> None:
    """Note in provenance.json the SHA-256 of every other file of a results folder."""
    record = folder / RECORD
    if not record.is_file():
        return
    content = json.loads(record.read_text(encoding="utf-8"))
    files = sorted(p for p in folder.rglob("*") if p.is_file() and p != record)
    content["files"] = {p.relative_to(folder).as_posix(): catalogue.sha256(p) for p in files}
    record.write_text(json.dumps(content, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
