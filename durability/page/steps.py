"""What is done at each step between a dropped spreadsheet and a study that can be run?

Every step changes files of one study folder and nothing else, one change at a time.
"""

from __future__ import annotations

import shutil
import threading
from pathlib import Path
from typing import Any
from urllib.parse import quote

from durability.page import describing, intake, planning, views
from durability.page.sheet import read_sheet
from durability.page.shelf import HERE, ORIGINALS, Shelf


class Steps:
    """The steps of the studies of one folder.

    Parameters
    ----------
    shelf : the folder.
    """

    def __init__(self, shelf: Shelf) -> None:
        self.shelf = shelf
        self.lock = threading.RLock()
        self.told: dict[Path, list[str]] = {}
        """What a person must know of how each study's file was read."""

    def base(self, folder: Path) -> str:
        """The address of a study."""
        key = HERE if folder == self.shelf.folder else folder.name
        return f"/study/{quote(key, safe='')}"

    def take(self, folder: Path | None, name: str, data: bytes) -> str:
        """Take a dropped file into a study, or into a new one; the address of the next question."""
        safe = intake.look_at(name, data)
        with self.lock:
            place = folder if folder is not None else self.shelf.new_folder(Path(safe).stem)
            try:
                taken = intake.take(place, name, data)
            except intake.NotTaken:
                if folder is None:
                    place.rmdir()
                raise
            self.told[place] = list(taken.told)
        return f"{self.base(place)}/columns?original={quote(taken.original.name)}"

    def record(self, folder: Path, exposure: str, name: str, data: bytes) -> str:
        """Keep the chamber's record of an exposure and name it in study.toml; the study's address.

        Raises
        ------
        NotTaken : no such exposure, or no table.
        """
        safe = intake.look_at(name, data)
        with self.lock:
            if exposure not in [lamp["name"] for lamp in views.lamps_of(folder)]:
                raise intake.NotTaken("There is no such exposure in the study.")
            file = intake.free_place(folder / safe)
            file.write_bytes(data)
            describing.set_record(folder, exposure, file.name)
        return self.base(folder)

    def columns(
        self, folder: Path, name: str, sheet: str | None, kind: str | None
    ) -> dict[str, Any]:
        """What the question about the columns shows."""
        original = self._original(folder, name)
        sheets: tuple[str, ...] = ()
        if original.suffix.casefold() == ".xlsx":
            sheets = intake.sheets_of(original.name, original.read_bytes())
            sheet = sheet if sheet in sheets else sheets[0]
        table = intake.read_original(folder, original, sheet)
        offered = kind if kind in intake.KINDS else intake.likely_kind(table)
        samples = [table.column(i) for i in range(len(table.headers))]
        return {
            "original": original.name, "sheet": sheet, "sheets": sheets, "kind": offered,
            "kinds": intake.KINDS, "rows": len(table.data()),
            "columns": views.columns_view(table.headers, samples, offered),
            "known": intake.known_columns(offered), "told": self.told.get(folder, []),
            "units": intake.UNIT_OFFERS, "words": intake.COLUMN_WORDS,
        }  # fmt: skip

    def name_columns(self, folder: Path, pairs: list[tuple[str, str]]) -> None:
        """Write the working copy with the columns named as the form says."""
        given = dict(pairs)
        kind = given.get("kind", "specimens")
        if kind not in intake.KINDS:
            raise ValueError("Say what stands in a row of the table.")
        original = self._original(folder, given.get("original", ""))
        file = f"{kind}.csv"
        with self.lock:
            self.told[folder] = intake.working_copy(
                folder, original, given.get("sheet") or None, file
            )
            table = read_sheet(folder, file)
            if table is None:
                raise ValueError("The table holds nothing that can be read.")
            table.rename(intake.new_headers(table.headers, given))
            table.save(folder / file)
            if (folder / describing.DESCRIPTION).is_file():
                describing.point_at(folder, kind, file)

    def _original(self, folder: Path, name: str) -> Path:
        for file in sorted((folder / ORIGINALS).glob("*")):
            if file.name == name and file.is_file() and not file.is_symlink():
                return file
        raise FileNotFoundError("There is no such spreadsheet in the study; drop it again.")

    def form_view(self, folder: Path) -> dict[str, Any]:
        """What the question about the test shows."""
        kind, file, sheet = self._table(folder)
        table = read_sheet(folder, file, sheet)
        heads = [intake.column_name(h) for h in table.headers] if table else []
        return {
            "answers": describing.answers_of(folder, table), "choices": describing.choices(),
            "units": describing.UNITS, "of": describing.OF, "own": describing.OWN_AXIS,
            "asks_width": "peak_force" in heads and "width" not in heads,
            "fills": [c for c in ("material", "exposure") if table and c not in heads],
            "kind": intake.KINDS.get(kind, kind),
        }  # fmt: skip

    def _table(self, folder: Path) -> tuple[str, str, str | None]:
        named = describing.table_of(folder)
        if named is not None:
            return named
        for kind in intake.KINDS:
            if (folder / f"{kind}.csv").is_file():
                return kind, f"{kind}.csv", None
        return "specimens", "specimens.csv", None

    def describe(self, folder: Path, answers: describing.Answers) -> None:
        """Write study.toml as answered, and the columns that the table lacks."""
        with self.lock:
            kind, file, _ = self._table(folder)
            describing.write(folder, answers, kind=kind, file=file)
            table = read_sheet(folder, file) if file.endswith(".csv") else None
            if table is None:
                return
            heads = [intake.column_name(h) for h in table.headers]
            told = self.told.setdefault(folder, [])
            for column, named in (("material", answers.materials), ("exposure", answers.exposures)):
                if column not in heads and len(named) == 1:
                    keep_first(folder, file)
                    table.add_column(column, named[0].name)
                    told.append(f"The working copy has a new column {column}: {named[0].name} in"
                                " every row.")  # fmt: skip
                    table.save(folder / file)

    def print_report(self, folder: Path) -> None:
        """Print the report to PDF beside it; ValueError says why it cannot be."""
        from durability.report.printing import print_pdf

        with self.lock:
            print_pdf(folder / "results")

    def write_text(self, folder: Path, text: str, was: str) -> None:
        """Replace study.toml by a text, where it still is what was shown; else raises Changed."""
        with self.lock:
            describing.write_text(folder, text, was)

    def plan(self, wanted: planning.Wanted) -> str:
        """Plan a study; its address. ValueError and LookupError say what cannot be."""
        with self.lock:
            return self.base(planning.plan_study(self.shelf, wanted))

    def mend(self, folder: Path, asked: dict[str, Any]) -> None:
        """Change one cell, or add a column, of a table of the study.

        Raises
        ------
        Changed : the cell holds something else by now.
        ValueError : no such table or cell; KeyError, TypeError for what is no change at all.
        """
        file = asked["file"]
        with self.lock:
            if file not in views.tables_of(folder):
                raise ValueError("This file is no table of the study.")
            if file.casefold().endswith(".xlsx"):
                raise ValueError(
                    f"{file} is read as it is. Mend it in a spreadsheet program and drop it here."
                )
            table = read_sheet(folder, file)
            if table is None:
                raise ValueError("The table holds nothing that can be read.")
            if "column_name" in asked:
                name, text = str(asked["column_name"])[:60], str(asked["text"])[:200]
                table.add_column(" ".join(name.split()), " ".join(text.split()))
            else:
                row, column = asked["row"], asked["column"]
                if type(row) is not int or type(column) is not int:
                    raise ValueError("There is no such cell in the table.")
                table.mend(row, column, str(asked["was"]), str(asked["text"]))
            keep_first(folder, file)
            table.save(folder / file)


def keep_first(folder: Path, file: str) -> None:
    """Keep a table as the laboratory wrote it, before its first change here."""
    keep = folder / ORIGINALS
    if not keep.is_dir():
        keep.mkdir()
        shutil.copyfile(folder / file, keep / Path(file).name)
