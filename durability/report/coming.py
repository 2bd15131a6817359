"""How are strips to come shown? Plans of what to test next, and what those still out may change."""

from __future__ import annotations

from durability.decisions.candidates import KINDS
from durability.decisions.decision import percent, share_of
from durability.decisions.going_on import VERDICTS, GoingOn
from durability.decisions.next_strips import NextStrips
from durability.report.tables import Table, table


def plans_table(found: NextStrips, *, every: bool = False) -> Table:
    """Plans, the best first, with what each is expected to leave.

    Parameters
    ----------
    found : from `durability.decisions.next_strips.next_strips`.
    every : all of them, not the best of each kind.
    """
    rows = []
    for v in found.values if every else found.best_of_each():
        strips, unexposed = v.plan.each
        doses = ", ".join(f"{d:.4g}" for d in v.plan.doses)
        rows.append(
            (
                KINDS[v.plan.kind].partition(":")[0],
                v.plan.lots_in_words().partition(" new")[0] if v.plan.lots else "tested",
                f"{doses} days" if v.plan.way == "open air" else doses,
                "" if v.hours is None else f"{v.hours:.0f}",
                f"{strips}" + (f" + {unexposed}" if unexposed else ""),
                str(v.plan.strips),
                f"{v.factor:.2f}" + (" rough" if v.rough else ""),
                "" if v.clear is None else share_of(v.clear, found.futures),
                "" if v.stated is None else share_of(v.stated, found.futures),
            )
        )
    return table(
        f"What to test next to know {found.subject()}: half-width of its"
        f" {100 * found.level:g} % interval, as a factor either way, that each plan is expected to"
        f" leave; now {found.factor:.2f}. Strips a group exposed + unexposed.",
        ("plan", "new lots", f"withdrawn at [{found.dose_unit}]", "hours", "a group", "strips",
         "factor then", "clear verdict", "dose stated"),
        rows,
    )  # fmt: skip


def standing(found: GoingOn | NextStrips) -> str:
    """The claim or the requirement as it stands now, in a sentence; nothing where none is asked."""
    needs = f"a verdict needs {percent(found.assurance)}"
    if isinstance(found, GoingOn):
        return (
            f"Claim: {found.claim}. Now {VERDICTS[found.verdict]} (probability"
            f" {percent(found.probability)} that it holds; {needs})."
        )
    if found.above is None:
        return ""
    unit = "" if found.unit == "1" else f" {'days' if found.unit == 'd' else found.unit}"
    subject = found.subject()
    return (
        f"{subject[:1].upper()}{subject[1:]}, exceeds {found.required:.4g}{unit} with probability"
        f" {percent(found.above)}; {needs}."
    )


def waiting_table(found: GoingOn) -> Table:
    """What each withdrawal still to come may make of the verdict.

    Parameters
    ----------
    found : from `durability.decisions.going_on.going_on`.
    """
    rows = [
        (
            f"{a.dose:.4g}", "" if a.hours is None else f"{a.hours:.0f}", str(a.strips),
            *(share_of(x, found.futures) for x in (a.change, *(a.chances[v] for v in VERDICTS))),
        )
        for a in found.after
    ]  # fmt: skip
    return table(
        f"What strips of {found.material} that are still out may make of the verdict, once all up"
        " to a withdrawal are tested: shares of simulated futures.",
        (f"after [{found.dose_unit}]", "hours", "strips", "verdict changes", *VERDICTS.values()),
        rows,
    )


__all__ = ["plans_table", "standing", "waiting_table"]
