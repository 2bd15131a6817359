"""How is a comparison of packages told? In decisions, each way of being wrong with its cost."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from durability.decisions.decision import Decision, percent
from durability.statement import Subject

if TYPE_CHECKING:
    from durability.decisions.packages import Pair
    from durability.study.model import Material

WHO: dict[Subject, str] = {
    "mean": "the median lot",
    "new_lot": "a new lot",
    "single_specimen": "the stated share of single strips",
}


def pair_decision(
    pair: Pair, margin: float, assurance: float, materials: Mapping[str, Material]
) -> Decision:
    """One package against another, decided or left open.

    Parameters
    ----------
    pair : the two compared.
    margin, assurance : as asked.
    materials : for their prices.
    """
    a, b = pair.material, pair.against
    who = WHO[pair.of]
    answers = {
        "longer_by_margin": f"{a} lasts at least {margin:g} times as long as {b} ({who})",
        "alike": f"{a} and {b} last alike, within a factor of {margin:g} ({who})",
        "shorter_by_margin": f"{b} lasts at least {margin:g} times as long as {a} ({who})",
        "longer": f"{a} lasts longer than {b}; whether by a factor of {margin:g} is open ({who})",
        "shorter": f"{b} lasts longer than {a}; whether by a factor of {margin:g} is open ({who})",
        "open": f"whether {a} or {b} lasts longer is open ({who}):"
        f" {a} does with probability {percent(pair.longer)},"
        f" by a factor of {margin:g} with {percent(pair.longer_by_margin)}",
    }
    ratio = pair.ratio
    figures = None if ratio is None else ratio.figures()
    probability = pair.probability()
    act = wait = ""
    if probability is not None and pair.verdict != "alike":
        winner, loser = (a, b) if pair.verdict.startswith("longer") else (b, a)
        typical = pair.if_wrong
        if typical is not None and winner == b:
            typical = 1 / typical
        act = f"{winner} is taken, with probability {percent(1 - probability)} in error"
        if typical is not None:
            act += f": its threshold dose is then typically {typical:.3g} times that of {loser}"
        act += _dearer(winner, loser, materials)
        wait = f"{loser} is kept, and what {winner} would have lasted longer is forgone"
        wait += "" if figures is None else f": {a} over {b} is {figures}"
    elif probability is not None:
        act = f"the cheaper of {a} and {b} is taken, with probability {percent(1 - probability)}"
        act += f" more than a factor of {margin:g} apart"
        wait = f"more strips are broken to part {a} from {b}, to no practical end"
    elif figures is not None:
        act = f"either is taken at a venture: {a} over {b} is {figures}"
        wait = "strips and chamber hours are spent on parting them"
    return Decision(
        name=f"package/{a}/{b}/{pair.of}",
        question=f"Does {a} last longer than {b}, by a factor of {margin:g} or more?",
        answer=answers[pair.verdict],
        decided=pair.decided,
        assurance=assurance,
        probability=probability,
        wrong_to_act=act,
        wrong_to_wait=wait,
        would_change=_would_change(pair),
        statements=() if ratio is None else (ratio.id,),
    )


def best_decision(
    best: Mapping[str, float],
    pairs: list[Pair],
    of: Subject,
    assurance: float,
    barred: set[str],
) -> Decision:
    """Which package lasts longest, named only where its probability reaches the assurance.

    Parameters
    ----------
    best : material to the probability of the largest threshold dose.
    pairs : the pairs of that subject.
    of, assurance : as asked.
    barred : packages that may not be named, whatever their probability: they, or a rival, are
        known by a bound only.
    """
    first, *rest = sorted(best, key=lambda m: -best[m])
    decided = best[first] >= assurance and first not in barred
    chances = ", ".join(f"{m} {percent(best[m])}" for m in (first, *rest))
    # the smallest set that holds the best one with the assurance
    kept, total = [], 0.0
    for m in (first, *rest):
        kept.append(m)
        total += best[m]
        if total >= assurance:
            break
    if decided:
        answer = f"{first} lasts longest of {len(best)} packages ({WHO[of]})"
    else:
        why = "; bounds only bar a name" if best[first] >= assurance else ""
        answer = f"which of {len(best)} packages lasts longest is open ({WHO[of]}): {chances}{why}"
    second = rest[0] if rest else ""
    near = next((p for p in pairs if {p.material, p.against} == {first, second}), None)
    ratio = None if near is None else near.ratio
    figures = "" if ratio is None or near is None else ratio.figures()
    apart = (
        "" if near is None or not figures else f": {near.material} over {near.against} is {figures}"
    )
    dropped = [m for m in best if m not in kept]
    return Decision(
        name=f"best/{of}",
        question="Which package lasts longest?",
        answer=answer,
        decided=decided,
        assurance=assurance,
        probability=best[first] if decided else None,
        wrong_to_act=f"{first} is taken where another, most likely {second}, lasts longer{apart}",
        wrong_to_wait=(
            f"{', '.join(dropped)} may be dropped from the next series: the best is among"
            f" {' and '.join(kept)} with probability {percent(min(total, 1.0))}"
            if dropped and not decided
            else ""
        ),
        would_change=(f"strips that part {first} from {second}",) if second else (),
        statements=() if ratio is None else (ratio.id,),
    )


def _dearer(winner: str, loser: str, materials: Mapping[str, Material]) -> str:
    mine, theirs = (materials[m].price if m in materials else None for m in (winner, loser))
    if mine is None or theirs is None or mine.currency != theirs.currency:
        return ""
    more = mine.per_square_metre - theirs.per_square_metre
    if more == 0:
        return "; the price is the same"
    word = "dearer" if more > 0 else "cheaper"
    return f"; {winner} is {abs(more):.3g} {mine.currency}/m² {word}"


def _would_change(pair: Pair) -> tuple[str, ...]:
    ratio = pair.ratio
    if ratio is None:
        return (f"longer exposure, until {pair.material} or {pair.against} reaches the threshold",)
    found = []
    if "lower_bound_only" in ratio.flags or ratio.extrapolated:
        found.append("longer exposure: the threshold lies beyond the largest dose tested")
    if "upper_bound_only" in ratio.flags:
        found.append("earlier withdrawals: most was lost before the first")
    if pair.of != "mean":
        found.append("more lots: the spread between lots is in the interval")
    found.append("more strips near the threshold dose")
    return tuple(found)


__all__ = ["WHO", "best_decision", "pair_decision"]
