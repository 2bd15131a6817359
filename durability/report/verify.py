"""Do the same inputs give the same results? Repeats a run and compares, file by file and statement
by statement.

Before anything is repeated the record is held against what lies there: the files of the results
(changed since they were written?), the inputs, the model files, the versions. Numbers that are
equal as quoted and differ in digits that are not quoted are told apart from equal ones.
"""

from __future__ import annotations

import html
import re
import tempfile
import zipfile
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path
from typing import Any, Literal

from durability.report.archive import (
    asked_files,
    input_states,
    model_states,
    not_found,
    opened,
    seal_states,
    study_of,
)
from durability.report.kept import Kept, read_kept
from durability.report.movement import Movement, movements
from durability.report.record import machine
from durability.report.results import EXTRAS, source_hash

Outcome = Literal["same", "same as quoted", "different", "missing", "not compared"]
Verdict = Literal["same", "same as quoted", "different", "cannot be repeated"]

_OF_THE_MOMENT = re.compile(
    r"\d{4}-\d{2}-\d{2}(?:[T ]\d{2}:\d{2}(?::\d{2})?(?:\.\d+)?(?:Z|[+-]\d{2}:\d{2})?)?(?: UTC)?"
    r"|\b\d+(?:\.\d+)? s\b"
)
"""Dates of writing and seconds of sampling, which a repetition has of its own."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One thing that was held against the record.

    Parameters
    ----------
    group : ``"results as written"``, ``"inputs"``, ``"model files"``, ``"versions"``, ``"machine"``
        or ``"repeated"``.
    name : file, library or part.
    outcome : ``"same"``, ``"same as quoted"``, ``"different"``, ``"missing"``, ``"not compared"``.
    text : what is different, where it is.
    """

    group: str
    name: str
    outcome: Outcome
    text: str = ""

    def to_dict(self) -> dict[str, str]:
        """The record as plain types for JSON."""
        return {"group": self.group, "name": self.name, "outcome": self.outcome, "text": self.text}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Verification:
    """Whether a run repeats.

    Parameters
    ----------
    kept : the results that were verified.
    checks : everything that was compared.
    moved : statements that came out differently.
    alike : number of statements that are equal to the last digit.
    obstacle : why the run could not be repeated; ``""`` where it was.
    """

    kept: Kept
    checks: tuple[Check, ...]
    moved: tuple[Movement, ...] = ()
    alike: int = 0
    obstacle: str = ""

    @property
    def verdict(self) -> Verdict:
        """Same to the last digit, same as quoted, different, or not to be repeated."""
        if self.obstacle:
            return "cannot be repeated"
        told = {c.outcome for c in self.checks if c.group in ("repeated", "results as written")}
        kinds = {m.kind for m in self.moved}
        if told & {"different", "missing"} or kinds - {"reworded"}:
            return "different"
        return "same as quoted" if kinds or "same as quoted" in told else "same"

    def sentence(self) -> str:
        """The verdict in words."""
        if self.obstacle:
            return f"Cannot be repeated: {self.obstacle}"
        quoted = [m for m in self.moved if m.kind != "reworded"]
        if self.verdict == "same":
            return f"Same: repeated, and {self.alike} statements are equal to the last digit."
        if self.verdict == "same as quoted":
            return "Same as quoted: every number that is shown is equal; digits that are not" \
                   " shown differ."  # fmt: skip
        if not quoted:
            where = [c.name for c in self.checks if c.outcome in ("different", "missing")
                     and c.group in ("repeated", "results as written")]  # fmt: skip
            return f"Different: the statements repeat, and {', '.join(where)} differ."
        return f"Different: {len(quoted)} statements came out differently, {self.alike} are equal."

    def rows(self) -> list[tuple[str, str, str]]:
        """(what, outcome, text): groups in which all is the same are told in one row."""
        rows: list[tuple[str, str, str]] = []
        for group in dict.fromkeys(c.group for c in self.checks):
            mine = [c for c in self.checks if c.group == group]
            odd = [c for c in mine if c.outcome != "same"]
            if len(odd) < len(mine):
                rows.append((group, "same", f"{len(mine) - len(odd)} of {len(mine)}"))
            rows += [(f"{group}: {c.name}", c.outcome, c.text) for c in odd]
        return rows + [(m.id, m.kind, m.words()) for m in self.moved]

    def to_dict(self) -> dict[str, Any]:
        """The whole as plain types for JSON."""
        return {
            "verdict": self.verdict,
            "sentence": self.sentence(),
            "checks": [c.to_dict() for c in self.checks],
            "statements": [m.to_dict() for m in self.moved],
            "alike": self.alike,
        }

    def __repr__(self) -> str:
        lines = [f"  {a}: {b}{f' ({c})' if c else ''}" for a, b, c in self.rows()]
        return "\n".join(["Verification", f"  {self.sentence()}", *lines])

    def _repr_html_(self) -> str:
        body = "".join(
            "<tr>" + "".join(f"<td>{html.escape(t)}</td>" for t in row) + "</tr>"
            for row in self.rows()
        )
        return f"<p>{html.escape(self.sentence())}</p><table>{body}</table>"


def verify(
    results: str | Path,
    *,
    study: str | Path | None = None,
    files: Iterable[str | Path] = (),
    progress: Callable[[str, float], None] | None = None,
) -> Verification:
    """Repeat a run from the inputs, model files and seed of its record, and compare.

    Parameters
    ----------
    results : a results folder, the study folder that holds it, or an archive from `pack`.
    study : the study folder, where the results do not lie in it.
    files : laws and weather files from elsewhere that the run was asked for.
    progress : called with a word and the share done.

    Returns
    -------
    Verification
        The run is not repeated where an input is missing or no longer the one that was read. Other
        model files and versions do not stop it: the numbers tell whether they bear on it. An
        archive is repeated with the model files that it holds.

    Raises
    ------
    ResultsFolderError : there are no results.
    ArchiveError : the archive is damaged or no archive of results.
    """
    with opened(results) as kept, tempfile.TemporaryDirectory(prefix="durability-verify-") as place:
        models = kept.folder.parent / "models" if Path(results).is_file() else None
        return _verify(kept, study_of(kept, study), models, list(files), Path(place), progress)


def _verify(
    kept: Kept, study: Path | None, models: Path | None, files: list[str | Path], place: Path,
    progress: Callable[[str, float], None] | None,
) -> Verification:  # fmt: skip
    from durability.report.repeat import RepeatFailed, repeat

    inputs = input_states(kept, study)
    found = asked_files(kept, study, files)
    checks = [
        *_checks("results as written", seal_states(kept)),
        *_checks("inputs", inputs),
        *_checks("model files", model_states(kept, models)),
        *_versions(kept.record),
    ]
    wrong = [f"{name} is {'missing' if s == 'missing' else 'no longer the one that was read'}"
             for name, s in inputs.items() if s != "same"]  # fmt: skip
    wrong += [f"{name} is missing; name it with --with" for name in not_found(kept, found)]
    if study is None:
        wrong = ["the study folder is not beside the results; name it with --study"]
    if wrong:
        return Verification(kept=kept, checks=tuple(checks), obstacle="; ".join(wrong) + ".")
    assert study is not None
    other = models if models and _differ(models) else None
    try:
        repeat(kept.record, study, place / "again", files=found, models=other, progress=progress)
    except RepeatFailed as error:
        return Verification(kept=kept, checks=tuple(checks), obstacle=str(error))
    again = read_kept(place / "again")
    moved = movements(kept.statements, again.statements)
    differing = {m.id for m in moved}
    return Verification(
        kept=kept,
        checks=(*checks, *_compared(kept, again)),
        moved=moved,
        alike=sum(s.id not in differing for s in kept.statements),
    )


def _checks(group: str, states: dict[str, str]) -> list[Check]:
    outcomes: dict[str, Outcome] = {"same": "same", "changed": "different", "missing": "missing"}
    return [Check(group=group, name=n, outcome=outcomes[s]) for n, s in states.items()]


def _differ(models: Path) -> bool:
    """Whether model files of an archive are not those that are installed."""
    from durability import catalogue

    files = [p for p in models.rglob("*") if p.is_file()]
    root = catalogue.models_folder()
    return any(
        not (root / p.relative_to(models)).is_file()
        or (root / p.relative_to(models)).read_bytes() != p.read_bytes()
        for p in files
    )


def _versions(record: dict[str, Any]) -> list[Check]:
    from durability import __version__

    then = {"durability": record.get("version"), **record.get("libraries", {})}
    now: dict[str, Any] = {"durability": __version__}
    for name in record.get("libraries", {}):
        try:
            now[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            now[name] = None
    here = machine()
    pairs = [("versions", n, v, now[n]) for n, v in then.items()]
    if "source" in record:
        text = ("the program as it was", "a program that has changed")
        pairs.append(("versions", "source", text[0], text[record["source"] != source_hash()]))
    pairs += [("machine", n, v, here.get(n)) for n, v in record.get("machine", {}).items()]
    return [
        Check(group=group, name=name, outcome="same" if a == b else "different",
              text="" if a == b else f"{a} then, {b or 'none'} now")
        for group, name, a, b in pairs
    ]  # fmt: skip


def _compared(kept: Kept, again: Kept) -> list[Check]:
    """Each file of the results against the repetition's."""
    names = kept.record.get("files") or {"results.json": "", "results.nc": ""}
    found = []
    for name in names:
        a, b = kept.folder / name, again.folder / name
        if a.is_file() and not b.is_file() and name.split("/")[0] in EXTRAS:
            text = "made on request; its numbers are those of results.json"
            found.append(Check(group="repeated", name=name, outcome="not compared", text=text))
            continue
        if not a.is_file() or not b.is_file():
            text = "not among the results" if not a.is_file() else "not written again"
            found.append(Check(group="repeated", name=name, outcome="missing", text=text))
            continue
        outcome, text = _compare_file(name, kept, again)
        found.append(Check(group="repeated", name=name, outcome=outcome, text=text))
    return found


def _compare_file(name: str, kept: Kept, again: Kept) -> tuple[Outcome, str]:
    a, b = kept.folder / name, again.folder / name
    if a.read_bytes() == b.read_bytes():
        return "same", ""
    if name == "results.json":
        return _compare_documents(kept, again)
    if name == "results.nc":
        return _compare_tables(kept, again)
    if name.endswith(".html"):
        return _compare_words(_visible(a.read_text(encoding="utf-8")),
                              _visible(b.read_text(encoding="utf-8")))  # fmt: skip
    if name.endswith(".docx"):
        return _compare_words(_paragraphs(a), _paragraphs(b))
    if name.endswith((".svg", ".csv", ".txt", ".md", ".json")):
        return _compare_words(_visible(a.read_text(encoding="utf-8")),
                              _visible(b.read_text(encoding="utf-8")))  # fmt: skip
    return "not compared", "a picture or a printed page; its numbers are those of results.json"


def _compare_documents(kept: Kept, again: Kept) -> tuple[Outcome, str]:
    a, b = ({k: v for k, v in d.items() if k != "run"} for d in (kept.document, again.document))
    parts = [k for k in dict.fromkeys([*a, *b]) if a.get(k) != b.get(k)]
    if not parts:
        return "same", ""
    kinds = {m.kind for m in movements(kept.statements, again.statements)}
    outcome = "different" if kinds - {"reworded"} or "answer" in parts else "same as quoted"
    return outcome, f"parts that differ: {', '.join(parts)}"


def _compare_tables(kept: Kept, again: Kept) -> tuple[Outcome, str]:
    import numpy as np

    a, b = kept.tables(), again.tables()
    if a.keys() != b.keys():
        return "different", f"groups: {', '.join(sorted(a.keys() ^ b.keys()))}"
    largest, odd = 0.0, []
    for path in a:
        for name in dict.fromkeys([*a[path].variables, *b[path].variables]):
            label = f"{path}/{name}"
            if name not in a[path].variables or name not in b[path].variables:
                odd.append(label)
                continue
            x, y = a[path][name].values, b[path][name].values
            if x.shape != y.shape:
                odd.append(label)
            elif x.dtype.kind in "fc" and y.dtype.kind in "fc":
                if not np.array_equal(x, y, equal_nan=True):
                    odd.append(label)
                    scale = np.nanmax(np.abs(x), initial=0.0) or 1.0
                    largest = max(largest, float(np.nanmax(np.abs(x - y), initial=0.0) / scale))
            elif not np.array_equal(x, y):
                odd.append(label)
    if not odd:
        return "same", ""
    more = f" and {len(odd) - 4} more" if len(odd) > 4 else ""
    text = f"{', '.join(odd[:4])}{more}; at most {largest:.2g} of the largest value"
    return "same as quoted" if 0 < largest < 1e-6 else "different", text


def _visible(text: str) -> list[str]:
    """Words of a page as a reader sees them, without what the moment of writing gives."""
    text = re.sub(r"<(style|script|defs|metadata)\b.*?</\1>", " ", text, flags=re.DOTALL)
    text = html.unescape(re.sub(r"<[^>]*>", "\n", text))
    lines = (" ".join(line.split()) for line in text.splitlines())
    return [_OF_THE_MOMENT.sub("…", line) for line in lines if line]


def _paragraphs(file: Path) -> list[str]:
    with zipfile.ZipFile(file) as archive:
        return _visible(archive.read("word/document.xml").decode("utf-8"))


def _compare_words(a: list[str], b: list[str]) -> tuple[Outcome, str]:
    if a == b:
        return "same", ""
    pairs = zip(a + [""] * (len(b) - len(a)), b + [""] * (len(a) - len(b)), strict=True)
    before, after = next((x, y) for x, y in pairs if x != y)
    return "different", f"first at: {before[:60]!r} became {after[:60]!r}"
