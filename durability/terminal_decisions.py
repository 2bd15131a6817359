"""How do decisions look at a terminal? Comparisons, and records of a decision."""

from __future__ import annotations

from textwrap import fill
from typing import TYPE_CHECKING

from durability.terminal import print_table

if TYPE_CHECKING:
    from collections.abc import Iterable

    from durability.decisions import Decision, PackageComparison


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
