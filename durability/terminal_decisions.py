"""How do decisions look at a terminal? Comparisons, and records of a decision."""

from __future__ import annotations

from textwrap import fill
from typing import TYPE_CHECKING

from durability.terminal import print_table

if TYPE_CHECKING:
    from collections.abc import Iterable

    from durability.decisions import Decision, PackageComparison
    from durability.decisions.first_strips import FirstStrips
    from durability.decisions.going_on import GoingOn
    from durability.decisions.next_strips import NextStrips
    from durability.report.tables import Table


def print_decisions(decisions: Iterable[Decision]) -> None:
    """Each decision with what it costs to be wrong, and what would change it."""
    for decision in decisions:
        print()
        for label, text in decision.rows():
            print(fill(f"{label}: {text}", 98, subsequent_indent="    "))


def print_comparison(found: PackageComparison) -> None:
    """Pairs, the best, prices, loadings, then the decisions."""
    from durability.decisions.decision import percent
    from durability.decisions.packages import VERDICTS
    from durability.statement import SUBJECTS

    left = "the required strength" if found.fraction is None else f"{100 * found.fraction:g} % left"
    print(
        f"Ratio of threshold doses, {left}; margin {found.margin:g},"
        f" verdicts at {percent(found.assurance)}"
    )
    rows = [
        [
            f"{p.material} / {p.against}",
            SUBJECTS[p.of],
            "not to be said" if p.ratio is None else p.ratio.figures(),
            percent(p.longer),
            percent(p.longer_by_margin),
            percent(p.alike),
            VERDICTS[p.verdict],
        ]
        for p in sorted(found.pairs, key=lambda p: (p.material, p.against))
    ]
    margin = f"{found.margin:g}"
    print_table(["pair", "of", "ratio", "above 1", f"above {margin}", "alike", "verdict"], rows)
    print("\nProbability of lasting longest")
    print_table(
        ["package", *(SUBJECTS[of] for of in found.best)],
        [[m, *(percent(chances[m]) for chances in found.best.values())] for m in found.materials],
    )
    for cost in found.costs:
        what = "price over dose" if cost.quantity == "price_of_dose" else "price of a day"
        where = "" if cost.site is None else f" at {cost.site}, laid in the worst month"
        print(f"{what} of {cost.material}{where}: {cost.figures()}")
    for effect in found.loading:
        print(fill(effect.sentence(), 98))
    print_decisions(found.decisions)
    print()
    for note in found.notes():
        print(fill(note, 98))


def print_next_strips(found: NextStrips, *, every: bool, notes: bool) -> None:
    """Plans, the best first, then what to test."""
    from durability.report.coming import plans_table, standing

    unit = "" if found.unit == "1" else f" {'days' if found.unit == 'd' else found.unit}"
    now = f"about {found.value:.3g}{unit}" if found.quoted is None else found.quoted.figures()
    print(fill(f"Asked: {found.subject()}. Now {now}.", 98))
    print(f"The {100 * found.level:g} % interval is a factor of {found.factor:.2f} either way.")
    if found.above is not None:
        print(standing(found))
    print()
    _print(plans_table(found, every=every))
    print_decisions([found.decision()])
    if notes:
        print()
        for note in found.notes():
            print(fill(note, 98))


def _print(t: Table) -> None:
    print_table(list(t.head), [[str(c) for c in row] for row in t.rows])


def print_first_strips(found: FirstStrips) -> None:
    """Designs in order of strips, then the smallest that is enough."""
    from durability.decisions.decision import share_of

    rows = [
        [
            ", ".join(f"{h:.4g}" for h in v.design.hours), str(v.design.lots),
            f"{v.design.strips} + {v.design.unexposed}", str(v.design.total), f"{v.factor:.2f}",
            "" if v.narrow is None else share_of(v.narrow, found.studies),
            "" if v.told_apart is None else share_of(v.told_apart, found.studies),
            "the usual practice" if v.practice else "enough" if found.enough(v) else "",
        ]
        for v in found.values
    ]  # fmt: skip
    print_table(
        ["withdrawn at [h]", "lots", "a group", "strips", "factor", "within it", "told apart", ""],
        rows,
    )
    print_decisions([found.decision()])
    print()
    for note in found.notes():
        print(fill(note, 98))


def print_going_on(found: GoingOn, *, notes: bool) -> None:
    """The verdict now, what each withdrawal may make of it, and what follows."""
    from durability.report.coming import standing, waiting_table

    print(fill(standing(found), 98))
    print()
    _print(waiting_table(found))
    print_decisions([found.decision()])
    if notes:
        print()
        for note in found.notes():
            print(fill(note, 98))
