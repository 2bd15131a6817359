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
    from durability.decisions.candidates import KINDS
    from durability.decisions.decision import percent, share_of

    unit = "" if found.unit == "1" else f" {'days' if found.unit == 'd' else found.unit}"
    if found.quoted is not None:
        print(fill(f"Asked: {found.subject()}. Now {found.quoted.figures()}.", 98))
    else:
        print(fill(f"Asked: {found.subject()}. Now about {found.value:.3g}{unit}.", 98))
    print(f"The {100 * found.level:g} % interval is a factor of {found.factor:.2f} either way.")
    if found.above is not None:
        print(f"It exceeds {found.required:.4g}{unit} with probability {percent(found.above)};"
              f" a verdict needs {percent(found.assurance)}.")  # fmt: skip
    print()
    rows = []
    for v in found.values if every else found.best_of_each():
        strips, unexposed = v.plan.each
        doses = ", ".join(f"{d:.4g}" for d in v.plan.doses)
        rows.append(
            [
                KINDS[v.plan.kind].partition(":")[0], v.plan.lots_in_words().partition(" new")[0]
                if v.plan.lots else "tested",
                f"{doses} days" if v.plan.way == "open air" else doses,
                "" if v.hours is None else f"{v.hours:.0f}",
                f"{strips}" + (f" + {unexposed}" if unexposed else ""), str(v.plan.strips),
                f"{v.factor:.2f}" + (" rough" if v.rough else ""),
                "" if v.clear is None else share_of(v.clear, found.futures),
                "" if v.stated is None else share_of(v.stated, found.futures),
            ]
        )  # fmt: skip
    print_table(
        ["plan", "new lots", f"withdrawn at [{found.dose_unit}]", "hours", "a group", "strips",
         "factor then", "clear verdict", "dose stated"],
        rows,
    )  # fmt: skip
    print_decisions([found.decision()])
    if notes:
        print()
        for note in found.notes():
            print(fill(note, 98))


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
    from durability.decisions.decision import percent, share_of
    from durability.decisions.going_on import VERDICTS

    print(fill(f"Claim: {found.claim}. Now {VERDICTS[found.verdict]} (probability"
               f" {percent(found.probability)} that it holds; a verdict needs"
               f" {percent(found.assurance)}).", 98))  # fmt: skip
    print()
    rows = [
        [
            f"{a.dose:.4g}", "" if a.hours is None else f"{a.hours:.0f}", str(a.strips),
            *(share_of(x, found.futures) for x in (a.change, *(a.chances[v] for v in VERDICTS))),
        ]
        for a in found.after
    ]  # fmt: skip
    heads = [f"after [{found.dose_unit}]", "hours", "strips", "verdict changes"]
    print_table([*heads, *VERDICTS.values()], rows)
    print_decisions([found.decision()])
    if notes:
        print()
        for note in found.notes():
            print(fill(note, 98))
