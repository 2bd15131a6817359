"""How is the covering of a product told? As a decision, each way of being wrong with its cost."""

from __future__ import annotations

from collections.abc import Sequence

from durability.decisions.cover import not_reached
from durability.decisions.decision import Decision, percent
from durability.statement import MONTHS, Statement
from durability.translation.budget import INPUTS
from durability.translation.measure_next import REMEDIES

WHO = {
    "mean": "the median lot of {m}",
    "new_lot": "a new lot of {m}",
    "single_specimen": "{share} of single strips of a new lot of {m}",
}


def cover_decision(
    worst: Statement,
    *,
    title: str,
    left: str,
    lasts: float,
    if_wrong: float | None,
    typical: Statement | None = None,
    best: Statement | None = None,
    tested: Statement | None = None,
    others: Sequence[Statement] = (),
    shares: Sequence[tuple[str, float]] = (),
) -> Decision:
    """By when the product is to be covered, laid in the month that allows the fewest days.

    Parameters
    ----------
    worst : ``days_to_cover`` of that month, in the direction in which they are fewest.
    title : of the site.
    left : what must be left, in words: ``"half the unexposed strength"``.
    lasts : probability that at least so much is left for so many days.
    if_wrong : median of the days where they are fewer, None where they never are.
    typical : ``outdoor_days`` of the same subject and month.
    best : ``days_to_cover`` of the month that allows most; None where there is but one month.
    tested : ``days_tested``, where the doses tested bear out fewer days than `worst`.
    others : ``days_to_cover`` at other assurances.
    shares : (input of the translation, its share of the variance of log days), largest first.
    """
    who = WHO[worst.of or "mean"].format(
        m=worst.material, share="" if worst.share is None else percent(worst.share)
    )
    month = MONTHS[(worst.month or 1) - 1]
    days = _days(worst)
    where = f" in the {worst.direction} direction" if worst.direction else ""
    laid = f"laid in {month}" + (", the worst month" if best is not None else "")
    if not_reached(worst):
        answer = (
            f"{who} has at least {left} left{where} for {days}, all that are counted, if {laid}"
        )
        act = "it lies open and falls below that in the years counted"
    elif worst.low:
        answer = f"cover {who} within {days} if {laid}: so long at least {left} is left{where}"
        if tested is not None:
            answer += f"; the doses tested bear out {_days(tested)} of them by themselves"
        act = f"it lies open for {days} and has less than {left} left before they are over"
    else:
        answer = f"cover {who} on the day of laying if {laid}"
        act = f"even covered on the day of laying it has less than {left} left"
    act += f", with probability {percent(1 - lasts)}"
    if if_wrong is not None and worst.low and not not_reached(worst):
        act += f"; it then falls so far typically after {if_wrong:.0f} days"
    bound = "lower_bound_only" in worst.flags
    if bound:
        act += "; that probability leans on the law and its priors, since no strip lost so much"
    wait = "it is covered sooner than it need be"
    if typical is not None:
        wait += f": laid then, it falls to {left} after {typical.figures()}"
    return Decision(
        name=f"cover/{worst.site}/{worst.material}/{worst.of}",
        question=f"How long may {who} lie open at {title}, {laid}?",
        answer=answer,
        decided=True,
        assurance=worst.level,
        probability=lasts if worst.low else None,
        wrong_to_act=act,
        wrong_to_wait=wait,
        would_change=_would_change(worst, best, tested, others, shares, bound),
        statements=tuple(s.id for s in (worst, typical, best, tested, *others) if s is not None),
    )


def _would_change(
    worst: Statement,
    best: Statement | None,
    tested: Statement | None,
    others: Sequence[Statement],
    shares: Sequence[tuple[str, float]],
    bound: bool,
) -> tuple[str, ...]:
    found = []
    if tested is not None:
        found.append(
            "longer exposure of strips: what goes beyond the days that the doses tested bear out is"
            " the law and its priors"
        )
    elif worst.extrapolated or bound:
        found.append("longer exposure of strips: the threshold lies beyond the largest dose tested")
    barred = ("threshold_dose",) if bound else ()  # no strip is near the threshold
    mended = next(((n, x) for n, x in shares if n in REMEDIES and n not in barred), None)
    if mended is not None:
        name, share = mended
        found.append(
            f"{REMEDIES[name]}: {percent(share)} of the variance of log days comes from"
            f" {INPUTS[name]}"
        )
    if best is not None and best.low != worst.low:
        found.append(f"another month of laying: {_days(best)} in {MONTHS[(best.month or 1) - 1]}")
    if others and not bound:
        each = ", ".join(f"{_days(s)} at {percent(s.level)}" for s in others)
        found.append(f"another assurance: {each}")
    return tuple(found)


def _days(s: Statement) -> str:
    text = s.numbers()["low"]
    return f"{text} day{'' if text == '1' else 's'}"


__all__ = ["cover_decision"]
