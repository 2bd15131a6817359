"""What does a person see of a study? Findings at their cells, the state of its run, its answer.

Everything here is read from the same calls that the commands use; no number is made.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from durability.page.describing import description_text, table_of
from durability.page.intake import column_name
from durability.page.planning import PLAN_FILES
from durability.page.shelf import DESCRIPTION, ORIGINALS
from durability.study.places import Raw, raw_file
from durability.units import header

if TYPE_CHECKING:
    from durability.study import Caution, Problem

PAGE_ROWS = 60
MOST_MARKED = 120
MOST_SHOWN = 60
MOST_COLUMNS = 60
_OFFER = re.compile(r'(?:Write|Did you mean) "([^"]+)"[.?,]')
_MISSING = re.compile(r'a column "(\w+)"')

PRINTED = "report.pdf"
RESULT_FILES = {
    "report.html": "the report, one page for any browser",
    "report.pdf": "the report as a printed page",
    "report.docx": "the report for a word processor",
    "results.json": "every quoted number, for programs",
    "results.nc": "every draw, for programs",
    "provenance.json": "the record by which the run is repeated",
}


def study_view(
    folder: Path, *, file: str | None = None, start: int | None = None
) -> dict[str, Any]:
    """Everything that the page of a study shows.

    Parameters
    ----------
    folder : the study folder.
    file : whose cells are shown; the table of the study if left out.
    start : first row to show; None shows the rows with findings.
    """
    from durability.retention.readiness import findings_of

    if not (folder / DESCRIPTION).is_file():
        return {"described": False, "problems": [], "cautions": [], "table": None, "files": [],
                "answer": None, "originals": originals(folder), "lamps": [],
                "plan": []}  # fmt: skip
    problems, cautions = findings_of(folder)
    named = table_of(folder)
    files = tables_of(folder)
    shown = file if file in files else next(iter(files), None)
    sheet = named[2] if named and shown == named[1] else None
    raw = raw_file(folder, shown, sheet, most=1_000_000) if shown else None
    return {
        "described": True,
        "problems": [_problem(p, n, folder, raw) for n, p in enumerate(problems[:MOST_SHOWN], 1)],
        "more_problems": max(0, len(problems) - MOST_SHOWN),
        "count": len(problems),
        "cautions": [{"text": c.text, "file": c.file, "row": c.row} for c in cautions],
        "files": files,
        "file": shown,
        "table": table_view(raw, problems[:MOST_SHOWN], cautions, start) if raw else None,
        "editable": bool(shown) and not str(shown).casefold().endswith(".xlsx"),
        "lamps": lamps_of(folder),
        "plan": [
            (n, w)
            for n, w in PLAN_FILES.items()
            if (folder / "plan.pdf").is_file() and (folder / n).is_file()
        ],
        "answer": answer_view(folder),
    }


def tables_of(folder: Path) -> list[str]:
    """Tables and chamber records that study.toml names and that lie in the folder."""
    from durability.study.findings import Findings
    from durability.study.toml import read_description

    described = read_description(folder, Findings(), {})
    if described is None:
        return []
    records = [e.record_file for e in described.exposures.values() if e and e.record_file]
    named = [file for file, _ in described.tables.values()]
    return [f for f in dict.fromkeys([*named, *records]) if _inside(folder, f)]


def lamps_of(folder: Path) -> list[dict[str, str]]:
    """Exposures to a lamp or the sky, with the record of the chamber where there is one."""
    from durability.study.findings import Findings
    from durability.study.toml import read_description

    described = read_description(folder, Findings(), {})
    found = [e for e in described.exposures.values() if e] if described else []
    return [{"name": e.name, "record": e.record_file or ""} for e in found if e.is_radiant]


def originals(folder: Path) -> list[str]:
    """Names of the spreadsheets that were dropped for a study."""
    found = sorted(p for p in (folder / ORIGINALS).glob("*") if p.is_file())
    return [p.name for p in found if not p.name.startswith("earlier-")]


def _inside(folder: Path, name: str) -> bool:
    path = Path(name)
    return not path.is_absolute() and ".." not in path.parts and (folder / path).is_file()


def _problem(p: Problem, number: int, folder: Path, raw: Raw | None) -> dict[str, Any]:
    here = raw is not None and raw.file == p.file
    cells = raw.cells(p.row, p.column) if raw is not None and here else []
    missing = _MISSING.match(p.expected) if p.row is not None else None
    offer = None
    if missing is None and len(cells) == 1 and raw is not None:
        offer = _offered(p, _cell(raw, *cells[0]))
    line = None
    if p.file == DESCRIPTION:
        found = raw_file(folder, DESCRIPTION)
        line = found.cells(p.row, p.column)[0][0] if found else None
    return {
        "number": number,
        "text": str(p),
        "where": ", ".join(
            [p.file, *([f"row {p.row}"] if p.row else []), *([p.column] if p.column else [])]
        ),
        "found": p.found if missing is None else "",
        "expected": p.expected,
        "mend": p.mend,
        "cell": cells[0] if cells and missing is None else None,
        "was": _cell(raw, *cells[0]) if cells and raw is not None else "",
        "offer": offer,
        "missing": missing[1] if missing and here else None,
        "undescribed": "in study.toml" in p.expected and p.file != DESCRIPTION,
        "line": line,
    }


def _offered(p: Problem, cell: str) -> str | None:
    """What the mend proposes to write in the cell; a header keeps its unit."""
    match = _OFFER.match(p.mend)
    if match is None:
        return None
    name, measured = header(cell)
    keeps = p.expected == "a known column" and measured is not None and name != cell.strip()
    return f"{match[1]} [{measured}]" if keeps else match[1]


def _cell(raw: Raw, row: int, column: int) -> str:
    cells = raw.rows.get(row, [])
    return cells[column - 1] if 0 < column <= len(cells) else ""


def table_view(
    raw: Raw, problems: Sequence[Problem], cautions: Sequence[Caution], start: int | None
) -> dict[str, Any]:
    """Rows of a table with their marks: those with findings, or a page of all.

    The header is always there, and one blank row and column follow the last, to be filled in.
    """
    marks: dict[tuple[int, int], dict[str, Any]] = {}
    for number, p in enumerate(problems, 1):
        if p.file != raw.file or (p.row is not None and _MISSING.match(p.expected)):
            continue
        for cell in raw.cells(p.row, p.column):
            mark = marks.setdefault(cell, {"kind": "problem", "numbers": [], "words": []})
            mark["numbers"].append(number)
            mark["words"].append(f"expected {p.expected}. {p.mend}")
    for c in cautions:
        if c.file != raw.file or c.row is None:
            continue
        for row in c.rows[:50] or (c.row,):
            for cell in raw.cells(row, c.column)[:1]:
                mark = marks.setdefault(cell, {"kind": "caution", "numbers": [], "words": []})
                mark["words"].append(c.text)
    last = max(raw.rows, default=0)
    width = min(max((len(c) for c in raw.rows.values()), default=0) + 1, MOST_COLUMNS)
    if start is None:
        near = {r + d for r, _ in marks for d in (-1, 0, 1)}
        rows = sorted(r for r in near if raw.header_row < r <= last)[:MOST_MARKED]
        rows = rows or list(range(raw.header_row + 1, min(last, raw.header_row + 6) + 1))
    else:
        first = max(start, raw.header_row + 1)
        rows = list(range(first, min(first + PAGE_ROWS - 1, last + 1) + 1))
    heads = [raw.header_row] if raw.header_row else []

    def line(row: int) -> dict[str, Any]:
        cells = raw.rows.get(row, [])
        return {
            "row": row,
            "cells": [
                {
                    "column": column,
                    "text": cells[column - 1] if column <= len(cells) else "",
                    "mark": marks.get((row, column)),
                }
                for column in range(1, width + 1)
            ],
        }

    shown: list[dict[str, Any]] = []
    before = raw.header_row
    for row in rows:
        if row > before + 1:
            shown.append({"row": None, "gap": row - before - 1})
        shown.append(line(row))
        before = row
    return {
        "head": line(heads[0]) if heads else None,
        "rows": shown,
        "last": last,
        "start": start,
        "first": rows[0] if rows else 0,
        "final": rows[-1] if rows else 0,
        "all": len(rows) >= last - raw.header_row,
    }


def answer_view(folder: Path) -> dict[str, Any] | None:
    """What the results say, whether they still belong to the data, and the files to read."""
    from durability.report.archive import input_states
    from durability.report.kept import read_kept
    from durability.report.printing import browser
    from durability.report.results import ResultsFolderError

    try:
        kept = read_kept(folder / "results")
    except ResultsFolderError:
        return None
    changed = [n for n, s in input_states(kept, folder).items() if s != "same"]
    files = [
        {"name": name, "words": words, "size": (kept.folder / name).stat().st_size}
        for name, words in RESULT_FILES.items()
        if (kept.folder / name).is_file()
    ]
    there = {f["name"] for f in files}
    if "report.html" in there and PRINTED not in there and browser() is not None:
        files.append({"name": PRINTED, "words": RESULT_FILES[PRINTED], "size": None})
    return {
        "sentences": [str(s) for s in kept.document.get("answer", ())],
        "cautions": [str(c) for c in kept.document.get("standing_cautions", ())],
        "created": str(kept.record.get("created", ""))[:16].replace("T", " "),
        "changed": changed,
        "invented": bool(kept.document["study"].get("invented")),
        "files": files,
    }


def columns_view(headers: Sequence[str], samples: Sequence[Sequence[str]], kind: str) -> list[dict]:
    """Each column of a dropped table: its header, some cells, and what it may be."""
    from durability.page.intake import known_columns, likely_column
    from durability.study.bench import NUMBER_COLUMNS

    known = known_columns(kind)
    taken: set[str] = set()
    rows = []
    for place, head in enumerate(headers):
        filled = [s[:30] for s in samples[place][:3]]
        meant = likely_column(head, known) if head else None
        meant = None if meant in taken else meant
        if meant:
            taken.add(meant)
        rows.append(
            {
                "place": place,
                "head": head,
                "samples": filled,
                "meant": meant or ("" if filled else "out"),
                "sure": meant is not None and meant == column_name(head),
                "unit": header(head)[1] or "",
                "number": meant in NUMBER_COLUMNS,
            }
        )
    return rows


def text_view(folder: Path) -> dict[str, Any]:
    """study.toml as text, with what is wrong in it."""
    from durability.study import check_study

    problems = [p for p in check_study(folder)[0] if p.file == DESCRIPTION]
    raw = raw_file(folder, DESCRIPTION)
    return {
        "text": description_text(folder),
        "problems": [
            {"text": str(p), "line": raw.cells(p.row, p.column)[0][0] if raw else None}
            for p in problems
        ],
    }
