"""What changed between two results, and why? Data, description, model files, versions, settings.

The causes are what differs between the records; the effects are the statements that moved. Which
cause moved which statement is only told where there is a single cause.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from durability.report.archive import opened
from durability.report.kept import Kept, description_of
from durability.report.movement import Movement, movements

if TYPE_CHECKING:
    import xarray

_SUBJECT = ("material", "lot", "direction", "exposure", "specimen", "hours", "dose", "hours_low",
            "hours_high", "dose_low", "dose_high", "fraction", "kind", "sense")  # fmt: skip
_PLACE = ("file", "line")
_KINDS = {
    "rows": "strips and summaries",
    "readings": "readings",
    "inspections": "inspections",
    "declared": "declared values",
}
Record = dict[str, Any]
Tables = dict[str, "xarray.Dataset"]

MOST_ROWS = 20
"""Changed rows that are told one by one; the rest are counted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """One thing on which two results do not agree.

    Parameters
    ----------
    kind : ``"data"``, ``"description"``, ``"input"``, ``"model file"``, ``"version"``,
        ``"machine"``, ``"seed"``, ``"law"``, ``"settings"`` or ``"question"``.
    name : file, library, key or row.
    text : what was there and what is there now.
    """

    kind: str
    name: str
    text: str

    def to_dict(self) -> dict[str, str]:
        """The record as plain types for JSON."""
        return {"kind": self.kind, "name": self.name, "text": self.text}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Difference:
    """What differs between two results.

    Parameters
    ----------
    before, after : the results compared.
    causes : everything on which their records differ.
    moved : statements that differ, the largest shift first.
    alike : number of statements that are equal in both to the last digit.
    """

    before: Kept
    after: Kept
    causes: tuple[Cause, ...]
    moved: tuple[Movement, ...]
    alike: int

    def headline(self) -> str:
        """What changed and why, in one or two sentences."""
        quoted = [m for m in self.moved if m.kind != "reworded"]
        kinds = list(dict.fromkeys(c.kind for c in self.causes if c.kind != "input"))
        if not self.causes and not self.moved:
            return f"Nothing differs: {self.alike} statements are the same to the last digit."
        why = (
            "Nothing that is recorded differs"
            if not self.causes
            else f"What differs is of one kind, {kinds[0]}"
            if len(kinds) == 1
            else f"Several things differ ({', '.join(kinds)}), so that no movement has one cause"
        )
        if not self.moved:
            return f"{why}; all {self.alike} statements are the same to the last digit."
        if not quoted:
            return f"{why}; no quoted number differs, in {len(self.moved)} statements what lies" \
                   " behind it does."  # fmt: skip
        return f"{why}. {len(quoted)} statements differ as quoted, {self.alike} are the same."

    def rows(self) -> list[tuple[str, str]]:
        """(what, text) pairs that the repr shows: causes first, then statements."""
        causes = [(f"{c.kind}: {c.name}", c.text) for c in self.causes]
        return causes + [(m.id, m.words()) for m in self.moved]

    def to_dict(self) -> dict[str, Any]:
        """The whole as plain types for JSON."""
        return {
            "headline": self.headline(),
            "causes": [c.to_dict() for c in self.causes],
            "statements": [m.to_dict() for m in self.moved],
            "alike": self.alike,
        }

    def __repr__(self) -> str:
        return "\n".join(["Difference", f"  {self.headline()}",
                          *(f"  {a}: {b}" for a, b in self.rows())])  # fmt: skip

    def _repr_html_(self) -> str:
        import html

        body = "".join(
            f"<tr><th>{html.escape(a)}</th><td>{html.escape(b)}</td></tr>" for a, b in self.rows()
        )
        return f"<p>{html.escape(self.headline())}</p><table>{body}</table>"


def compare_results(before: str | Path, after: str | Path) -> Difference:
    """Compare two results: what they were made from, and what they say.

    Parameters
    ----------
    before, after : results folders, study folders that hold one, or archives from `pack`.

    Returns
    -------
    Difference

    Raises
    ------
    ResultsFolderError : one of them holds no results.
    ArchiveError : one is a file that is no archive of results.
    """
    with opened(before) as first, opened(after) as second:
        return _compare(first, second)


def _compare(first: Kept, second: Kept) -> Difference:
    moved = movements(first.statements, second.statements)
    differing = {m.id for m in moved}
    alike = sum(s.id not in differing for s in second.statements)
    return Difference(
        before=first, after=second, causes=tuple(_causes(first, second)), moved=moved, alike=alike
    )


def _causes(first: Kept, second: Kept) -> list[Cause]:
    a, b = first.record, second.record
    tables = (first.tables("/study"), second.tables("/study"))
    found = [*_data_causes(*tables), *_description_causes(*tables)]
    explained = {"study.toml"} if any(c.kind == "description" for c in found) else set()
    for c in _changes("input", a.get("inputs", {}), b.get("inputs", {}), hashes=True):
        if c.name not in explained:
            found.append(c)
    found += _changes("model file", a.get("models", {}), b.get("models", {}), hashes=True)
    found += _changes("version", _versions(a), _versions(b))
    if a.get("source") != b.get("source"):
        text = "the program's own source differs"
        found.append(Cause(kind="version", name="source", text=text))
    found += _changes("machine", a.get("machine", {}), b.get("machine", {}))
    found += _changes("seed", {"seed": a.get("seed")}, {"seed": b.get("seed")})
    found += _changes("law", _law(a), _law(b))
    found += _changes("settings", a.get("settings", {}), b.get("settings", {}))
    found += _changes("question", _asked(a), _asked(b))
    return found


def _versions(record: dict[str, Any]) -> dict[str, Any]:
    return {"durability": record.get("version"), **record.get("libraries", {})}


def _law(record: dict[str, Any]) -> dict[str, Any]:
    return {"law": record.get("law"), "errors": record.get("errors")}


def _asked(record: dict[str, Any]) -> dict[str, Any]:
    asked = record.get("asked", {})
    sites = asked.get("sites")
    named = {
        f"site {s.get('name') or s.get('file')}": s.get("sha256", "asked") for s in sites or ()
    }
    return {"level": asked.get("level"), **named, **_lying(asked)} if asked else {}


def _lying(asked: dict[str, Any]) -> dict[str, Any]:
    """What was said of fabric in the open, by words; an earlier record holds nothing of it."""
    said = asked.get("lying") or {}
    words = {name: value for name, value in said.items() if not isinstance(value, dict)}
    spectrum = said.get("action_spectrum")
    if isinstance(spectrum, dict):
        words["action_spectrum"] = spectrum.get("sha256") or spectrum.get("name")
    return {name.replace("_", " "): value for name, value in words.items()}


def _changes(
    kind: str, a: Mapping[str, Any], b: Mapping[str, Any], *, hashes: bool = False
) -> list[Cause]:
    """Keys whose values differ; a hash is not shown, since it tells a reader nothing."""
    found = []
    for name in [*a, *(n for n in b if n not in a)]:
        if a.get(name) == b.get(name):
            continue
        if name not in a or name not in b:
            text = "only in the first" if name in a else "only in the second"
        else:
            text = "its content differs" if hashes else f"{a[name]} became {b[name]}"
        found.append(Cause(kind=kind, name=name, text=text))
    return found


def _description_causes(first: Tables, second: Tables) -> list[Cause]:
    a, b = description_of(first), description_of(second)
    if a is None or b is None:
        return []
    return _changes("description", dict(_flat(a)), dict(_flat(b)))


def _flat(table: Mapping[str, Any], above: str = "") -> Iterable[tuple[str, Any]]:
    """Keys of study.toml with their path, such as exposures.X1.irradiance."""
    for key, value in table.items():
        if isinstance(value, dict):
            yield from _flat(value, f"{above}{key}.")
        else:
            yield f"{above}{key}", value


def _data_causes(a: Tables, b: Tables) -> list[Cause]:
    if "/study" not in a or "/study" not in b:
        return []
    found = []
    for kind, words in _KINDS.items():
        found += _row_causes(words, _records(a.get(f"/study/{kind}")),
                             _records(b.get(f"/study/{kind}")))  # fmt: skip
    return found


def _records(table: xarray.Dataset | None) -> dict[tuple[Any, ...], Record]:
    """Rows by their subject; a second row of one subject is numbered."""
    if table is None or not table.sizes:
        return {}
    columns = {str(n): v.values.tolist() for n, v in table.items()}
    seen: Counter[tuple[Any, ...]] = Counter()
    rows: dict[tuple[Any, ...], Record] = {}
    for i in range(next(iter(table.sizes.values()))):
        row = {n: v[i] for n, v in columns.items() if v[i] == v[i] and v[i] != ""}
        subject = tuple((n, row[n]) for n in _SUBJECT if n in row)
        seen[subject] += 1
        rows[*subject, seen[subject]] = row
    return rows


def _row_causes(
    words: str, a: dict[tuple[Any, ...], Record], b: dict[tuple[Any, ...], Record]
) -> list[Cause]:
    gone, added = [k for k in a if k not in b], [k for k in b if k not in a]
    found = []
    for keys, table, text in ((gone, a, "removed"), (added, b, "added")):
        if keys:
            first = ", ".join(_place(table[k]) for k in keys[:3])
            more = f" and {len(keys) - 3} more" if len(keys) > 3 else ""
            found.append(Cause(kind="data", name=words, text=f"{len(keys)} {text}: {first}{more}"))
    changed = [(k, _changed(a[k], b[k])) for k in a if k in b]
    changed = [(k, c) for k, c in changed if c]
    for key, columns in changed[:MOST_ROWS]:
        told = "; ".join(f"{n} {_shown(a[key], n)} became {_shown(b[key], n)}" for n in columns)
        found.append(Cause(kind="data", name=_place(b[key]), text=told))
    if len(changed) > MOST_ROWS:
        text = f"{len(changed) - MOST_ROWS} more rows changed"
        found.append(Cause(kind="data", name=words, text=text))
    return found


def _changed(a: Record, b: Record) -> list[str]:
    return [n for n in dict.fromkeys([*a, *b]) if n not in _PLACE and a.get(n) != b.get(n)]


def _place(row: Record) -> str:
    subject = " ".join(str(row[n]) for n in ("material", "lot", "direction", "specimen")
                       if n in row)  # fmt: skip
    return f"{row.get('file', '')} row {row.get('line', '?')} ({subject})"


def _shown(row: Record, name: str) -> str:
    value = row.get(name)
    if isinstance(value, bool):
        return "yes" if value else "no"
    return "blank" if value is None else f"{value:.6g}" if isinstance(value, float) else str(value)
