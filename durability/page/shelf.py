"""Which studies lie in the folder? Names a study by its folder, and never reaches outside."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from pathlib import Path

HERE = "-"
"""Key of the folder itself, where it is a study."""

ORIGINALS = "originals"
DESCRIPTION = "study.toml"
LONGEST = 60

_RESERVED = re.compile(r"(?i)(con|prn|aux|nul|com\d|lpt\d)(\..*)?")


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One study as the list shows it.

    Parameters
    ----------
    key : names it in addresses.
    folder : where it lies.
    title : of study.toml, or the folder's name.
    state : ``"begun"`` (no description yet), ``"described"`` or ``"answered"`` (results are there).
    """

    key: str
    folder: Path
    title: str
    state: str


class NoStudy(LookupError):
    """No study of this name lies in the folder."""


@dataclass(frozen=True, slots=True)
class Shelf:
    """A folder with studies in it; it may be a study itself."""

    folder: Path

    def studies(self) -> list[Entry]:
        """Every study, by name; links to other places are no studies of this folder."""
        found = [self.folder] if _is_study(self.folder) else []
        below = sorted(p for p in self.folder.iterdir() if not p.name.startswith("."))
        found += [p for p in below if p.name != HERE and not p.is_symlink() and _is_study(p)]
        return [self._entry(p) for p in found]

    def find(self, key: str) -> Path:
        """The folder of a study by its key.

        Raises
        ------
        NoStudy : the list has no such study.
        """
        for entry in self.studies():
            if entry.key == key:
                return entry.folder
        raise NoStudy("There is no such study in this folder.")

    def new_folder(self, title: str) -> Path:
        """Make a folder for a new study, named after its title; numbered where that is taken."""
        stem = safe_name(title).replace(".", "_").strip("_-") or "study"
        for n in range(1, 1000):
            folder = self.folder / (stem if n == 1 else f"{stem}-{n}")
            try:
                folder.mkdir()
            except FileExistsError:
                continue
            return folder
        raise ValueError("There are too many studies of this name.")

    def _entry(self, folder: Path) -> Entry:
        described = (folder / DESCRIPTION).is_file()
        answered = (folder / "results" / "results.json").is_file()
        return Entry(
            key=HERE if folder == self.folder else folder.name,
            folder=folder,
            title=title_of(folder),
            state="answered" if described and answered else "described" if described else "begun",
        )


def _is_study(folder: Path) -> bool:
    return folder.is_dir() and ((folder / DESCRIPTION).is_file() or (folder / ORIGINALS).is_dir())


def title_of(folder: Path) -> str:
    """The title that study.toml gives, or the folder's name."""
    import tomllib

    try:
        raw = tomllib.loads((folder / DESCRIPTION).read_text(encoding="utf-8-sig"))
        title = raw["study"]["title"]
    except (OSError, ValueError, KeyError, TypeError):
        return folder.resolve().name
    return title if isinstance(title, str) and title.strip() else folder.resolve().name


def safe_name(text: str) -> str:
    """A file name that no system reads as a path, a device or a hidden file.

    Examples
    --------
    >>> safe_name("../../etc/passwd")
    'passwd'
    >>> safe_name("C:\\\\data\\\\Strips (May).xlsx")
    'Strips (May).xlsx'
    >>> safe_name("<script>.csv"), safe_name("..."), safe_name("con.csv")
    ('_script_.csv', 'table', '_con.csv')
    """
    name = unicodedata.normalize("NFC", text).replace("\\", "/").rpartition("/")[2]
    name = re.sub(r"[^\w .()+-]", "_", name).strip(" .")
    stem, dot, ending = name.rpartition(".")
    if not dot:
        stem, ending = ending, ""
    name = (
        stem[:LONGEST].strip(" .") + dot + ending[:8] if dot else ending[:LONGEST] or stem[:LONGEST]
    )
    name = name.strip(" .") or "table"
    return f"_{name}" if _RESERVED.fullmatch(name) or name.startswith("-") else name
