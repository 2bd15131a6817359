"""How does a referee get everything? Results, inputs and model files as one zip, and back.

The archive holds ``results/``, ``study/`` (the inputs), ``models/``, ``asked/`` (laws and weather
files from elsewhere), a README and ``SHA256SUMS``, which ``sha256sum -c`` checks too. The same
content gives the same bytes: entries in order, one date, one compression.
"""

from __future__ import annotations

import hashlib
import os
import stat
import tempfile
import zipfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path, PurePosixPath
from typing import Any

from durability import catalogue
from durability.report.kept import Kept, read_kept
from durability.report.record import DESCRIPTION, RECORD, files_asked
from durability.report.results import ResultsFolderError

SUMS = "SHA256SUMS"
README = "README.txt"
MOST_BYTES = 2_000_000_000
MOST_FILES = 10_000
_DATE = (1980, 1, 1, 0, 0, 0)  # the first that a zip can carry

_WORDS = """\
{title}

The results of one durability run with all that is needed to repeat it.

results/     what was found: report.html opens in any browser, results.json and results.nc
study/       what was read
models/      the assumptions: laws, lamps, sites, materials and priors with their sources
asked/       laws and weather files from elsewhere that the run was asked for, if any
{sums}   the hash of every file:  sha256sum -c {sums}

Repeat and compare:  durability verify NAME-OF-THIS-ARCHIVE.zip
Made with durability {version}.
"""


class ArchiveError(ResultsFolderError):
    """The archive cannot be made or read; says every reason."""


def study_of(kept: Kept, study: str | Path | None = None) -> Path | None:
    """The study folder of some results: the one named, or the folder in which they lie."""
    if study is not None:
        return Path(study)
    for folder in (kept.folder.parent, kept.folder.parent / "study"):
        if (folder / DESCRIPTION).is_file():
            return folder
    return None


def input_states(kept: Kept, study: Path | None) -> dict[str, str]:
    """Each input of the results and whether the study folder holds it: same, changed, missing."""
    states = {}
    for name, digest in kept.record.get("inputs", {}).items():
        file = None if study is None else _inside(study, name)
        if file is None or not file.is_file():
            states[name] = "missing"
        else:
            states[name] = "same" if catalogue.sha256(file) == digest else "changed"
    return states


def asked_files(kept: Kept, study: Path | None, files: Iterable[str | Path]) -> dict[str, Path]:
    """Where each law or weather file that the run was asked for lies now, by its hash.

    Those that are not found are left out.
    """
    offered = {catalogue.sha256(Path(f)): Path(f) for f in files if Path(f).is_file()}
    found = {}
    for thing in files_asked(kept.record):
        digest = thing.get("sha256")
        if digest is None:
            continue
        own = _inside(study, thing["file"]) if study is not None else None
        beside = _inside(kept.folder.parent / "asked", thing["file"])
        for place in (offered.get(digest), own, beside):
            if place is not None and place.is_file() and catalogue.sha256(place) == digest:
                found[digest] = place
                break
    return found


def not_found(kept: Kept, found: dict[str, Path]) -> list[str]:
    """Names of the law and weather files that a repetition needs and that are not there."""
    wanted = files_asked(kept.record)
    return [t["file"] for t in wanted if "sha256" in t and t["sha256"] not in found]


def _inside(folder: Path, name: str) -> Path | None:
    """A file of a folder by its recorded name; None for a name that leads out of it."""
    pure = PurePosixPath(name)
    if pure.is_absolute() or ".." in pure.parts:
        return None
    return folder / pure


def pack(
    results: str | Path,
    out: str | Path | None = None,
    *,
    study: str | Path | None = None,
    files: Iterable[str | Path] = (),
) -> Path:
    """Put results, their inputs and the model files into one archive.

    Parameters
    ----------
    results : the results folder, or the study folder that holds it.
    out : the .zip to write; beside the results folder, with its study's name, if left out.
    study : the study folder, where the results do not lie in it.
    files : laws and weather files from elsewhere that the run was asked for.

    Returns
    -------
    The archive.

    Raises
    ------
    ResultsFolderError : there are no results.
    ArchiveError : an input or a model file is missing or no longer the one that was used, so that
        the archive would not repeat the run; every one is named.
    """
    kept = read_kept(results)
    folder = study_of(kept, study)
    found = asked_files(kept, folder, files)
    wrong = [f"{n} is {s}" for n, s in input_states(kept, folder).items() if s != "same"]
    wrong += [f"{n} of models/ is {s}" for n, s in model_states(kept).items() if s != "same"]
    wrong += [f"{n} is missing: name it with --with" for n in not_found(kept, found)]
    wrong += [f"{n} of the results is {s}" for n, s in seal_states(kept).items() if s != "same"]
    if wrong:
        raise ArchiveError(
            "the archive would not repeat the run: "
            + "; ".join(wrong)
            + ". Write the report again, or bring back what was used"
        )
    title = str(kept.document["study"]["title"])
    target = Path(out) if out is not None else (folder or kept.folder.parent) / _name(folder)
    if target.suffix.casefold() != ".zip":
        raise ArchiveError(f"{target.name} must end in .zip")
    content = dict(_entries(kept, folder, found))
    content[README] = _WORDS.format(title=title, sums=SUMS, version=kept.record["version"]).encode()
    sums = "".join(f"{hashlib.sha256(content[n]).hexdigest()}  {n}\n" for n in sorted(content))
    content[SUMS] = sums.encode()
    _write(target, content)
    return target


def _name(folder: Path | None) -> str:
    return f"{folder.resolve().name if folder else 'results'}-archive.zip"


def _entries(kept: Kept, study: Path | None, found: dict[str, Path]) -> Iterable[tuple[str, bytes]]:
    names = [RECORD, *kept.record.get("files", {})]
    yield from ((f"results/{name}", (kept.folder / name).read_bytes()) for name in names)
    if study is not None:
        for name in kept.record.get("inputs", {}):
            yield f"study/{name}", (study / name).read_bytes()
    root = catalogue.models_folder()
    for name in kept.record.get("models", {}):
        yield f"models/{name}", (root / name).read_bytes()
    for thing in files_asked(kept.record):
        if "sha256" in thing:
            yield f"asked/{thing['file']}", found[thing["sha256"]].read_bytes()


def model_states(kept: Kept, models: Path | None = None) -> dict[str, str]:
    """Each model file of the record: same, changed or missing in `models` (the installed ones)."""
    root = models or catalogue.models_folder()
    states = {}
    for name, digest in kept.record.get("models", {}).items():
        file = _inside(root, name)
        if file is None or not file.is_file():
            states[name] = "missing"
        else:
            states[name] = "same" if catalogue.sha256(file) == digest else "changed"
    return states


def seal_states(kept: Kept) -> dict[str, str]:
    """Each file that the run wrote: same, changed or missing since."""
    states = {}
    for name, digest in kept.record.get("files", {}).items():
        file = _inside(kept.folder, name)
        if file is None or not file.is_file():
            states[name] = "missing"
        else:
            states[name] = "same" if catalogue.sha256(file) == digest else "changed"
    return states


def _write(target: Path, content: dict[str, bytes]) -> None:
    """Write beside the target and move, so that an archive is whole or not there."""
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        handle, beside = tempfile.mkstemp(prefix=".archive-", suffix=".zip", dir=target.parent)
        try:
            with os.fdopen(handle, "wb") as stream, zipfile.ZipFile(stream, "w") as archive:
                for name in sorted(content):
                    entry = zipfile.ZipInfo(name, date_time=_DATE)
                    entry.external_attr = 0o644 << 16
                    entry.create_system = 3
                    archive.writestr(entry, content[name], zipfile.ZIP_DEFLATED, 6)
            os.chmod(beside, 0o644)
            os.replace(beside, target)
        finally:
            Path(beside).unlink(missing_ok=True)
    except OSError as error:
        raise ArchiveError(f"{target.name} cannot be written ({error.strerror})") from error


def unpack(archive: str | Path, folder: str | Path) -> Path:
    """Read an archive back into a folder, and check every file against its hash.

    Parameters
    ----------
    archive : that `pack` wrote.
    folder : an empty folder, or one to be made.

    Returns
    -------
    The results folder in it.

    Raises
    ------
    ArchiveError : no archive of results, a file whose hash is not the one listed, or an entry that
        would be written outside the folder.
    """
    archive, folder = Path(archive), Path(folder)
    if folder.is_dir() and any(folder.iterdir()):
        raise ArchiveError(f"{folder.name} is not empty; name a new folder")
    try:
        with zipfile.ZipFile(archive) as zipped:
            content = {e.filename: zipped.read(e) for e in _sound(zipped, archive.name)}
    except ArchiveError:
        raise
    except OSError as error:
        raise ArchiveError(f"{archive.name} cannot be read ({error.strerror})") from error
    except (zipfile.BadZipFile, RuntimeError, ValueError) as error:
        raise ArchiveError(f"{archive.name} is no archive of results ({error})") from error
    _check(content, archive.name)
    for name, data in content.items():
        file = folder / PurePosixPath(name)
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(data)
    return folder / "results"


@contextmanager
def opened(place: str | Path) -> Iterator[Kept]:
    """Results in a folder, or in an archive that is unpacked for as long as they are read.

    Raises
    ------
    ResultsFolderError : there are no results.
    ArchiveError : the archive is damaged or no archive of results.
    """
    if not Path(place).is_file():
        yield read_kept(place)
        return
    with tempfile.TemporaryDirectory(prefix="durability-archive-") as folder:
        yield read_kept(unpack(place, Path(folder) / "archive"))


def _sound(zipped: zipfile.ZipFile, name: str) -> list[zipfile.ZipInfo]:
    entries = zipped.infolist()
    if len(entries) > MOST_FILES or sum(e.file_size for e in entries) > MOST_BYTES:
        raise ArchiveError(f"{name} is larger than an archive of results is")
    names: set[str] = set()
    for entry in entries:
        pure = PurePosixPath(entry.filename)
        bad = pure.is_absolute() or ".." in pure.parts or "\\" in entry.filename
        bad = bad or ":" in entry.filename or entry.is_dir() or str(pure) != entry.filename
        if bad or stat.S_ISLNK(entry.external_attr >> 16):
            raise ArchiveError(f"{name} holds an entry that leads out of it: {entry.filename!r}")
        if entry.filename in names:
            raise ArchiveError(f"{name} holds {entry.filename!r} twice")
        names.add(entry.filename)
    return entries


def _check(content: dict[str, bytes], name: str) -> None:
    if SUMS not in content or f"results/{RECORD}" not in content:
        raise ArchiveError(
            f"{name} is no archive of results: {SUMS} or results/{RECORD} is missing"
        )
    listed: dict[str, Any] = {}
    for line in content[SUMS].decode("utf-8", "replace").splitlines():
        digest, _, file = line.partition("  ")
        listed[file] = digest
    wrong = [f"{n} is not listed" for n in content if n != SUMS and n not in listed]
    wrong += [f"{n} is missing" for n in listed if n not in content]
    wrong += [
        f"{n} has changed"
        for n, digest in listed.items()
        if n in content and hashlib.sha256(content[n]).hexdigest() != digest
    ]
    if wrong:
        raise ArchiveError(f"{name} is not as it was packed: {'; '.join(wrong)}")
