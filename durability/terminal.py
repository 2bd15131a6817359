"""How does an answer look at a terminal? Plain aligned tables, problems, cautions and progress.

Standard output carries the answer, standard error what was wrong, doubtful or being done.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pathlib import Path

    from durability.exposure import Chamber, Converted
    from durability.laws import Curve, Law
    from durability.statement import Statements
    from durability.study.calendar import Withdrawal
    from durability.study.plan import Plan
    from durability.translation import Translation


@contextmanager
def progress(quiet: bool) -> Iterator[Callable[[str, float], None]]:
    """A callback that shows what is being done on standard error."""
    if quiet:
        yield lambda stage, share: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    console = Console(stderr=True)
    if not console.is_terminal:
        said: set[str] = set()

        def line(stage: str, share: float) -> None:
            if stage not in said:
                said.add(stage)
                print(stage, file=sys.stderr, flush=True)

        yield line
        return
    columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=console, transient=True) as bar:
        task = bar.add_task("starting", total=1.0)
        yield lambda stage, share: bar.update(task, description=stage, completed=share)


def print_json(document: Any) -> None:
    print(json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False))


def print_problems(problems: Any) -> None:
    """Every problem, file by file and row by row; each line names its place in full."""
    for file, mine in by_file(problems).items():
        print(f"{file}: {count(len(mine), 'problem')}", file=sys.stderr)
        for problem in mine:
            print(f"  {problem}", file=sys.stderr)
    if problems:
        print(f"{count(len(problems), 'problem')}; nothing was computed", file=sys.stderr)


def by_file(findings: Any) -> dict[str, list[Any]]:
    """Problems or cautions by file, study.toml first, each file's in the order of its rows."""
    files: dict[str, list[Any]] = {}
    for finding in sorted(findings, key=lambda f: (f.file != "study.toml", f.row or 0)):
        files.setdefault(finding.file, []).append(finding)
    return files


def print_cautions(cautions: Any) -> None:
    for caution in cautions:
        print(f"caution: {caution.text}", file=sys.stderr)


def title_of(title: str, invented: bool) -> str:
    """The opening line: the study's title, and that its data are invented where they are."""
    return f"{title}  [invented data]" if invented else title


def count(n: int, word: str) -> str:
    return f"{n} {word}" if n == 1 else f"{n} {word}s"


def print_statements(statements: Statements) -> None:
    """One line a statement; below them, by letters, what must be known to read the figures."""
    from textwrap import fill

    from durability.report.results import BOOK

    flags = dict.fromkeys(name for s in statements for name in s.flags)
    letters = dict(zip(flags, _letters(), strict=False))
    rows = [
        [*row, " ".join(letters[name] for name in s.flags)]
        for row, s in zip(statements.rows(), statements, strict=True)
    ]
    print_table(["subject", "quantity", "statement", "note"], rows)
    if letters:
        print()
    for name, letter in letters.items():
        print(fill(f"{letter}  {BOOK[name]}", 98, subsequent_indent=" " * (len(letter) + 2)))


def _letters() -> Iterator[str]:
    """a to z, then aa, ab and so on."""
    from itertools import count, product
    from string import ascii_lowercase

    for length in count(1):
        yield from map("".join, product(ascii_lowercase, repeat=length))


def print_cover(translation: Translation, said: Statements) -> None:
    """Days to cover at one site, a month a row and a material a column; then the budget."""
    from durability.decisions.cover import likeliest_reached, not_reached
    from durability.decisions.decision import percent
    from durability.report.headline import worst_by_month
    from durability.statement import MONTHS, SUBJECTS
    from durability.translation import BUDGET_INPUTS, explain

    for label, text in translation.summary_rows()[:-1]:
        print(f"{label:<10} {text}")
    cover = said.where(quantity="days_to_cover")
    for fraction in dict.fromkeys(s.fraction for s in cover):
        asked = cover.where(fraction=fraction)
        first = asked[0]
        left = "the required strength" if fraction is None else f"{100 * fraction:g} %"
        share = "" if first.share is None else f" ({100 * first.share:g} % of them)"
        print(
            f"\nWhole days to cover: {SUBJECTS[first.of or 'mean']}{share}, {left} left,"
            f" worse direction, {100 * first.level:g} % assurance"
        )
        materials = list(dict.fromkeys(s.material or "" for s in asked))
        worse = {m: worst_by_month(asked.where(material=m)) for m in materials}
        days = {
            (s.month, m): s.numbers()["low"]
            + (" or more" if not_reached(s) else "")
            + (" *" if s.extrapolated else "")
            for m in materials
            for s in worse[m]
        }
        rows = [
            [MONTHS[month - 1], *(days.get((month, m), "") for m in materials)]
            for month in range(1, 13)
            if any((month, m) in days for m in materials)
        ]
        print_table(["laid in", *materials], rows)
        if any(s.extrapolated for s in asked):
            print("* the threshold dose lies beyond the largest dose tested")
        for m in materials:
            likeliest = likeliest_reached(worse[m])
            if likeliest is not None:
                print(
                    f"{m}: probability that it falls so far within the "
                    f"{translation.horizon_years:g} years counted, "
                    f"{percent(likeliest.probability or 0.0)} (laid in "
                    f"{MONTHS[(likeliest.month or 1) - 1]}, where it is largest)"
                )
    print()
    for material in translation.budget["material"].values:
        shares = [r for r in translation.budget_rows() if r[0] == material and "day" not in r[1]]
        words = [f"{BUDGET_INPUTS.get(r[2], r[2])} {100 * r[3]:.0f} %" for r in shares[:4]]
        print(f"What makes the days of {material} uncertain ({shares[0][1]}): {', '.join(words)}")
    print(explain(("translation_approximate",))["translation_approximate"], "\n")


def shown(row: dict[str, Any]) -> list[str]:
    """One row of the retention table as a technician reads it: `RETENTION` names its columns."""
    from durability.statement import round_by_uncertainty

    def number(value: float | None, digits: str) -> str:
        return "" if value is None else format(value, digits)

    mean = round_by_uncertainty(row["mean"])["value"] or ""
    return [
        row["material"],
        row["lot"],
        row["direction"],
        row["exposure"],
        f"{row['hours']:g} h" if row["dose"] and row["hours"] is not None else "",
        f"{row['dose']:.4g} {row['dose_unit']}" if row["dose"] else "unexposed",
        str(row["n"]),
        f"{mean} {row['unit']}" if mean else "",
        "" if row["cv"] is None else f"{100 * row['cv']:.1f} %",
        row["left"],
        row["remarks"],
    ]


RETENTION = (
    "material", "lot", "direction", "exposure", "hours", "dose", "n", "mean", "cv", "left",
    "remarks",
)  # fmt: skip


def print_table(columns: list[str], rows: list[list[str]]) -> None:
    """Plain aligned columns, so that they can be cut and searched; empty ones are left out."""
    shown = [[str(c) for c in row] for row in rows]
    keep = [i for i in range(len(columns)) if not shown or any(r[i] for r in shown)]
    columns, shown = [columns[i] for i in keep], [[r[i] for i in keep] for r in shown]
    widths = [max([len(h), *(len(r[i]) for r in shown)]) for i, h in enumerate(columns)]
    for row in [columns, *shown]:
        print("  ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True)).rstrip())


def print_records(records: list[dict[str, Any]]) -> None:
    """Records one after another, the first field as the head of each."""
    for record in records:
        for i, (key, value) in enumerate(record.items()):
            lead = "" if i == 0 else "  "
            if isinstance(value, dict):
                value = "; ".join(f"{k}: {v}" for k, v in value.items()) or "none"
            print(f"{lead}{value if i == 0 else f'{key}: {value}'}")
        print()


def print_laws(laws: list[Law]) -> None:
    """One line a law: name, formula, shapes."""
    rows = [[law.name, law.expression, ", ".join(s.name for s in law.shapes)] for law in laws]
    print_table(["law", "strength left at u = dose / scale", "shapes"], rows)
    print("\n`durability laws show NAME` says when to use one, with its priors and its picture.")


def print_law(law: Law | Curve, *, picture: bool) -> None:
    """Everything about one law or free curve, wrapped; then its curve in characters."""
    from textwrap import fill

    from durability.laws import Law

    for label, text in law.summary_rows():
        print(fill(f"{label:<22} {text}", 98, subsequent_indent=" " * 23))
    if picture and isinstance(law, Law):
        print()
        for row in plotted(law):
            print(row)
    print()


def plotted(law: Law, width: int = 64, height: int = 13) -> list[str]:
    """A law's curve at the medians of its priors, in characters: one text a row.

    Examples
    --------
    >>> from durability.laws import read_law
    >>> rows = plotted(read_law("linear"), 21, 5)
    >>> print(rows[0])
    100 % |**
    """
    from durability.report.law_figure import DOSE, FURTHEST, law_curve

    dose, left = law_curve(law)
    top = max(100.0, float(left.max()))
    columns = [round(float(x)) for x in dose / FURTHEST * (width - 1)]
    levels = [round(float(y)) for y in (top - left) / top * (height - 1)]
    grid = [[" "] * width for _ in range(height)]
    for column, level in zip(columns, levels, strict=True):
        grid[level][column] = "*"
    rows = []
    for level, cells in enumerate(grid):
        percent = f"{top * (1 - level / (height - 1)):.0f} %"
        shown = percent if level % 3 == 0 or level == height - 1 else ""
        rows.append(f"{shown:>5} |{''.join(cells)}".rstrip())
    rows.append(" " * 6 + "+" + "-" * width)
    marks = "".join(f"{i * FURTHEST / 4:<{width // 4}g}" for i in range(4)) + f"{FURTHEST:g}"
    rows.append(" " * 7 + marks)
    rows.append(" " * 7 + f"{DOSE}; shapes at the medians of their priors")
    return rows


def plan_document(plan: Plan, folder: Path, dates: Sequence[Withdrawal]) -> dict[str, Any]:
    """A plan that was written, as plain types."""
    return {
        "folder": str(folder),
        "files": sorted(f.name for f in folder.iterdir()),
        "strips": len(plan.strips),
        "exposed": plan.design.exposed,
        "tiers": plan.tiers,
        "places": plan.places,
        "seed": plan.design.seed,
        "hours": list(plan.design.hours),
        "withdrawals": [
            {
                "hours": w.hours,
                "dose": w.dose,
                "time": w.time.isoformat(),
                "strips": w.strips,
                "out_of_hours": w.out_of_hours,
            }
            for w in dates
        ],
    }


def print_plan(plan: Plan, folder: Path, dates: Sequence[Withdrawal], doses: Sequence[str]) -> None:
    """A plan that was written, and what to do next."""
    print(repr(plan), "\n")
    rows = [
        [f"{h:g} h", dose, str(len(plan.of(h))), *when]
        for h, dose, when in zip(
            plan.design.hours, doses,
            [[w.moment + ("  (out of hours)" if w.out_of_hours else "")] for w in dates]
            or [[] for _ in doses],
            strict=True,
        )
    ]  # fmt: skip
    print_table(["after", "planned dose", "strips", *(["when"] if dates else [])], rows)
    files = ", ".join(sorted(f.name for f in folder.iterdir()))
    print(f"\n{folder} holds {files}.")
    print(f"Fill in specimens.csv as strips break, then:  durability check {folder}")


def print_chamber(chamber: Chamber, other: Converted | None) -> None:
    """One chamber record: what it gave, phase by phase, and how its set points were kept."""
    print(repr(chamber))
    if other is not None:
        print(f"  {'that is':<11} {other}, dose and conversion together")
        print(f"  {'':<11} {other.source}")
    print()
    print_table(
        ["phase", "hours", "dose", "mean irradiance"],
        [[p.phase, f"{p.hours:.4g}", f"{p.dose:.4g}", f"{p.irradiance:.4g}"]
         for p in chamber.phases],
    )  # fmt: skip
    print()
    if not chamber.kept:
        print("No tolerance is known: the lamp file has none, or no lamp is named.\n")
        return
    print_table(
        ["quantity", "phase", "asked", "mean", "range", "judged", "out of tolerance"],
        [[k.quantity.replace("_", " "), k.phase, f"{k.set_point:g} +- {k.tolerance:g} {k.unit}",
          f"{k.mean:.3g}", f"{k.least:.3g} to {k.most:.3g}", f"{k.hours:.4g} h",
          f"{k.hours_out:.3g} h ({100 * k.share_out:.1f} %)"] for k in chamber.kept],
    )  # fmt: skip
    for stop in chamber.interruptions:
        print(f"{stop.kind} for {stop.hours:.3g} h from {stop.start:.5g} h")
    print()
