"""What lies in a results folder? Its record, statements, rows and draws, read back together."""

from __future__ import annotations

import json
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from durability.report.record import DESCRIPTION, RECORD
from durability.report.results import ResultsFolderError
from durability.statement import SCHEMA, Statement, Statements

if TYPE_CHECKING:
    import xarray

RESULTS = "results.json"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Kept:
    """One results folder as it lies.

    Parameters
    ----------
    folder : the results folder.
    record : content of provenance.json.
    document : content of results.json.
    statements : every statement of it, those of the second look included.
    """

    folder: Path
    record: dict[str, Any]
    document: dict[str, Any]
    statements: Statements

    def tables(self, below: str = "") -> dict[str, xarray.Dataset]:
        """The groups of results.nc that hold something, by their path; those `below` a group."""
        import xarray

        file = self.folder / "results.nc"
        if not file.is_file():
            return {}
        try:
            with xarray.open_datatree(file, engine="h5netcdf", group=below or None) as tree:
                loaded = tree.load()
        except KeyError:  # results that do not keep this group
            return {}
        except (OSError, ValueError) as error:
            raise ResultsFolderError(f"results.nc of {self.folder.name} cannot be read") from error
        return {
            f"{below}{node.path}".rstrip("/"): node.to_dataset()
            for node in loaded.subtree
            if node.has_data or node.attrs
        }


def description_of(tables: dict[str, xarray.Dataset]) -> dict[str, Any] | None:
    """study.toml as it was read, from the tables of results; None where they do not keep it."""
    group = tables.get("/study")
    if group is None or not group.attrs.get(DESCRIPTION):
        return None
    return tomllib.loads(str(group.attrs[DESCRIPTION]))


def results_folder(place: str | Path) -> Path:
    """The results folder that a path means: itself, or ``results`` in a study folder.

    Raises
    ------
    ResultsFolderError : neither holds results.
    """
    place = Path(place)
    for folder in (place, place / "results"):
        if (folder / RECORD).is_file() and (folder / RESULTS).is_file():
            return folder
    what = "no such folder" if not place.is_dir() else f"no {RECORD} and {RESULTS} in it"
    raise ResultsFolderError(
        f"{place.name or place} is no results folder ({what}). Write one with:  durability report"
    )


def read_kept(place: str | Path) -> Kept:
    """Read a results folder.

    Parameters
    ----------
    place : the results folder, or the study folder that holds it.

    Raises
    ------
    ResultsFolderError : it holds no results, or they cannot be read.
    """
    folder = results_folder(place)
    record, document = (_document(folder / name) for name in (RECORD, RESULTS))
    if document.get("schema") != SCHEMA:
        raise ResultsFolderError(
            f"{RESULTS} has schema {document.get('schema')!r}; expected {SCHEMA!r}"
        )
    try:
        listed = [*document["statements"], *document.get("second_look", ())]
        statements = Statements(Statement.from_dict(r) for r in listed)
    except (KeyError, TypeError, ValueError) as error:
        raise ResultsFolderError(f"{RESULTS} holds a statement that cannot be read") from error
    return Kept(folder=folder, record=record, document=document, statements=statements)


def _document(file: Path) -> dict[str, Any]:
    try:
        content = json.loads(file.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise ResultsFolderError(f"{file.name} cannot be read as JSON") from error
    if not isinstance(content, dict):
        raise ResultsFolderError(f"{file.name} holds no record")
    return content
