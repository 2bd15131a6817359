"""How do checks of laws and priors look at a terminal?"""

from __future__ import annotations

from typing import TYPE_CHECKING

from durability.terminal import print_table

if TYPE_CHECKING:
    from collections.abc import Sequence

    from durability.inference.averaged import AveragedFit
    from durability.inference.checking import (
        Contamination,
        LastDose,
        PredictiveCheck,
        PriorPredictive,
        Sensitivity,
    )
    from durability.inference.checking.earlier import Weight


def print_predictive(check: PredictiveCheck) -> None:
    """The verdict, and the groups that stand out."""
    print(f"Do the strips look as the law {check.law} says?")
    print(check.verdict())
    out = check.standing_out()
    if out:
        rows = [r for r in check.table() if r[-1]][:15]
        print_table(["group", "strips", "what", "found", "model", "its 95 %", ""],
                    [list(r) for r in rows])  # fmt: skip
        if len(out) > len(rows):
            print(f"and {len(out) - len(rows)} more; --json names them all")


def print_contamination(found: Contamination) -> None:
    """Outlying strips, and whether the answer hangs on them."""
    print("\nDoes the answer hang on a few strips?")
    print(found.verdict())
    if found.strips:
        head, *rows = found.table()
        print_table(list(head), [list(r) for r in rows[:15]])
        if len(rows) > 15:
            print(f"and {len(rows) - 15} more; --json names them all")


def print_last_doses(checks: Sequence[LastDose]) -> None:
    """The hidden last dose, a law a line."""
    print("\nThe last dose hidden and foretold")
    if not any(c.rows for c in checks):
        print(checks[0].verdict())
        return
    rows = []
    for c in checks:
        if c.bias is None or c.bias_low is None or c.bias_high is None or c.coverage is None:
            continue
        rows.append([
            c.law, f"{100 * (c.bias - 1):+.1f} %",
            f"{100 * (c.bias_low - 1):+.0f} to {100 * (c.bias_high - 1):+.0f} %",
            f"{c.groups_held} of {len(c.rows)}", f"{100 * c.coverage:.0f} %",
            "" if c.foretold else "not foretold",
        ])  # fmt: skip
    level = f"{100 * checks[0].level:g} %"
    print_table(["law", "found over foretold", f"{level} limits", "means inside", "strips inside",
                 ""], rows)  # fmt: skip


def print_average(mixed: AveragedFit) -> None:
    """Scores and weights of the laws, threshold doses by law, and what follows."""
    print("\nHow well each law foretells what it has not seen")
    rows = []
    for s in sorted(mixed.scores, key=lambda s: -s.weight):
        rows.append([
            s.law, "" if s.leave_one_out is None else f"{s.leave_one_out:.1f}",
            "" if s.behind is None else f"{s.behind:.1f} ± {s.behind_se or 0:.1f}",
            "" if s.forecast is None else f"{s.forecast:.1f}",
            f"{100 * s.weight_leave_one_out:.0f} %", f"{100 * s.weight:.0f} %", s.left_out,
        ])  # fmt: skip
    print_table(["law", "strips left out", "behind the best", "last doses hidden",
                 "weight by strips", "weight", ""], rows)  # fmt: skip
    print("\nThreshold doses of the median lot, by law and averaged")
    shares = mixed.law_shares()
    laws = [f.law for f in mixed.fits]
    rows = []
    for s in shares:
        who = ", ".join(filter(None, (s.material, s.direction, s.exposure)))
        left = "required" if s.fraction is None else f"{100 * s.fraction:g} %"
        each = ["never" if s.by_law[n] is None else f"{s.by_law[n]:.4g}" for n in laws]
        average = "never" if s.median is None else f"{s.median:.4g}"
        rows.append([who, left, *each, average, f"{100 * s.share:.0f} %",
                     "laws disagree" if s.apart else "beyond" if s.beyond else ""])  # fmt: skip
    print_table(["of", "left", *laws, "average", "variance by law", ""], rows)
    print(verdict(mixed))


def verdict(mixed: AveragedFit) -> str:
    """Which answer to quote."""
    apart = mixed.laws_apart()
    if apart:
        names = ", ".join(dict.fromkeys(s.material for s in apart))
        return (
            f"Beyond the last dose the laws disagree for {names}: quote the average"
            " (--law averaged), or test to a larger dose."
        )
    if any(s.beyond for s in mixed.law_shares()):
        return "The laws agree about the thresholds beyond the last dose."
    return "Every threshold lies within the doses tested: the choice of law matters little there."


def print_priors(belief: PriorPredictive) -> None:
    """What is believed before and after the strips."""
    print(f"Believed before the strips (law {belief.law}), with 95 % limits, and after them")
    rows = []
    for r in belief.rows:
        unit = "" if r.unit == "1" else f" {r.unit}"
        after = "" if r.after is None else (
            f"{r.after[0]:.3g} ({r.after[1]:.3g} to {r.after[2]:.3g})")  # fmt: skip
        rows.append([r.subject, r.quantity, f"{r.median:.3g} ({r.low:.3g} to {r.high:.3g}){unit}",
                     after])  # fmt: skip
    print_table(["of", "what", "before", "after"], rows)


def print_sensitivity(found: Sensitivity, weights: Sequence[Weight] = ()) -> None:
    """How quoted threshold doses hang on the priors."""
    print(f"\nDo the threshold doses hang on the priors? {found.verdict()}")
    for r in found.rows:
        print(f"  {r.words()}")
    for w in weights:
        print(f"  {w.words()}")
