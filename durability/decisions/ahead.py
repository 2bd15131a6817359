"""Are strips still out needed, and which should be tested next? What a study itself asks of both.

Strips that its table lists without a result are weighed (`going_on`); plans are made where [plan]
says what may be spent (`next_strips`). Of an average over laws the law with most weight is asked.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.decisions.asked_number import required_number
from durability.decisions.going_on import GoingOn, going_on
from durability.decisions.next_strips import NextStrips, next_strips
from durability.decisions.waiting import waiting_strips

if TYPE_CHECKING:
    from collections.abc import Callable

    from durability.decisions.decision import Decision
    from durability.inference import Fit


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ahead:
    """What may still be learned of a study.

    Parameters
    ----------
    going_on : one a material of which strips are still out.
    plans : what to test next, or None where nobody asks.
    law : under which both were foretold, where the answer is an average over laws; else None.
    refused : what could not be said, and why.
    """

    going_on: tuple[GoingOn, ...] = ()
    plans: NextStrips | None = None
    law: str | None = None
    refused: tuple[str, ...] = ()

    def decisions(self) -> tuple[Decision, ...]:
        """Withdraw now or go on, then what to test next."""
        made = [g.decision() for g in self.going_on]
        return (*made, *([] if self.plans is None else [self.plans.decision()]))

    def notes(self) -> list[str]:
        """What to know before strips are withdrawn or cut."""
        found = [n for g in self.going_on for n in g.notes()]
        found += [] if self.plans is None else self.plans.notes()
        if self.law is not None and found:
            found.append(f"Strips to come were foretold under one law, {self.law}.")
        return list(dict.fromkeys([*found, *self.refused]))

    def to_dict(self) -> dict[str, Any]:
        """Plain types for JSON; of the plans, the best of each kind."""
        plans = self.plans
        return {
            "going_on": [g.to_dict() for g in self.going_on],
            "next_strips": None
            if plans is None
            else replace(plans, values=tuple(plans.best_of_each())).to_dict(),
            "law": self.law,
            "refused": list(self.refused),
        }


def ahead(fit: Any, *, seed: int = 0) -> Ahead:
    """What strips still out may change, and which to test next, as far as the study asks.

    Parameters
    ----------
    fit : of the strips tested so far, or an average over laws.
    seed : of the futures.
    """
    study = fit.study
    asked, waiting = study.further, waiting_strips(study)
    if not waiting and asked.strips is None:
        return Ahead()
    one, law = one_law(fit)
    common: dict[str, Any] = {"against": asked.against, "site": asked.site}
    refused: list[str] = []

    def tried(what: str, make: Callable[[], Any]) -> Any:
        try:
            return make()
        except (ValueError, LookupError) as reason:  # a refused translation is a ValueError
            refused.append(f"{what}: {_plain(reason)}.")
            return None

    def required(material: str) -> float | None:
        if asked.required is None:
            return None
        return required_number(one, asked.required, material=material, **common)

    still: list[GoingOn] = []
    for m in dict.fromkeys(w.material for w in waiting):
        if asked.material not in (None, m):
            continue
        mine = tuple(w for w in waiting if w.material in (m, asked.against))
        found = tried(
            f"Whether strips of {m} that are still out are needed cannot be said",
            lambda m=m, mine=mine: going_on(
                one, mine, required=required(m), material=m, seed=seed, **common
            ),
        )
        still += [] if found is None else [found]
    plans = None
    if asked.strips is not None:
        material = asked.material or next(m for m in one.materials if m != asked.against)
        plans = tried(
            "What to test next cannot be said",
            lambda: next_strips(
                one, strips=asked.strips, hours=asked.hours, material=material,
                required=required(material), seed=seed, **common,
            ),
        )  # fmt: skip
    return Ahead(going_on=tuple(still), plans=plans, law=law, refused=tuple(refused))


def one_law(fit: Any) -> tuple[Fit, str | None]:
    """The fit itself and None; of an average, the fit of the law with most weight, and its name.

    Parameters
    ----------
    fit : a fit or an average over laws.
    """
    parts = getattr(fit, "fits", None)
    if parts is None:
        return fit, None
    one = parts[int(np.argmax(fit.weights))]
    return one, one.law


def _plain(reason: Exception) -> str:
    words = str(reason.args[0]) if reason.args else str(reason)
    return words.replace("--required", "required").rstrip(".")


__all__ = ["Ahead", "ahead", "one_law"]
