"""What is decided, how sure, what does it cost to be wrong, and what would change it? One record.

A decision is made of statements and probabilities that were computed before; it computes nothing.
"""

from __future__ import annotations

import html
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """One thing decided, or left open.

    Parameters
    ----------
    name : short and unique in one result, such as ``"package/A/B/new_lot"``.
    question : what was asked, as a sentence.
    answer : what is decided, as a clause without a full stop.
    decided : False where the data leave it open.
    assurance : the probability that was asked for.
    probability : that the answer holds, given the data, the law and the priors; None where no
        probability belongs to it.
    wrong_to_act : what follows if the answer is acted on and is wrong.
    wrong_to_wait : what follows if it is not acted on and is right.
    would_change : what would change the answer, most effective first.
    statements : ids of the statements that it rests on.

    Examples
    --------
    >>> d = Decision(name="package/A/B/mean", question="Does A last 1.2 times as long as B?",
    ...     answer="A lasts at least 1.2 times as long as B", decided=True, assurance=0.95,
    ...     probability=0.993, wrong_to_act="A is paid for and lasts 1.1 times as long",
    ...     wrong_to_wait="1.6 times the time in the open is forgone")
    >>> d.sentence()
    'A lasts at least 1.2 times as long as B (probability 99.3 %; 95 % was asked for).'
    """

    name: str
    question: str
    answer: str
    decided: bool
    assurance: float
    probability: float | None = None
    wrong_to_act: str = ""
    wrong_to_wait: str = ""
    would_change: tuple[str, ...] = ()
    statements: tuple[str, ...] = ()

    def sentence(self) -> str:
        """The answer with its probability, as one sentence."""
        if self.probability is None:
            return f"{_begin(self.answer)} (a verdict needs {percent(self.assurance)})."
        asked = f"{percent(self.assurance)} was asked for"
        return f"{_begin(self.answer)} (probability {percent(self.probability)}; {asked})."

    def rows(self) -> list[tuple[str, str]]:
        """(label, text) pairs: the page of a decision."""
        rows = [
            ("question", self.question),
            ("decided" if self.decided else "left open", self.sentence()),
            ("if it is acted on and wrong", self.wrong_to_act),
            ("if it is not acted on and right", self.wrong_to_wait),
            ("what would change it", "; ".join(self.would_change)),
        ]
        return [(label, text) for label, text in rows if text]

    def to_dict(self) -> dict[str, Any]:
        """Plain types for JSON."""
        return {
            "name": self.name,
            "question": self.question,
            "answer": self.answer,
            "decided": self.decided,
            "assurance": self.assurance,
            "probability": self.probability,
            "wrong_to_act": self.wrong_to_act,
            "wrong_to_wait": self.wrong_to_wait,
            "would_change": list(self.would_change),
            "statements": list(self.statements),
            "sentence": self.sentence(),
        }

    def __repr__(self) -> str:
        return "Decision\n" + "\n".join(f"  {a}: {b}" for a, b in self.rows())

    def _repr_html_(self) -> str:
        body = "".join(
            f"<tr><th>{html.escape(a)}</th><td>{html.escape(b)}</td></tr>" for a, b in self.rows()
        )
        return f"<table>{body}</table>"


def percent(probability: float) -> str:
    """A probability in percent; never 0 or 100, since draws cannot show either.

    Examples
    --------
    >>> [percent(p) for p in (0.5, 0.934, 0.9934, 0.99996, 0.0002)]
    ['50 %', '93 %', '99.3 %', 'over 99.9 %', 'under 0.1 %']
    """
    if probability > 0.999:
        return "over 99.9 %"
    if probability < 0.001:
        return "under 0.1 %"
    digits = 0 if 0.05 <= probability <= 0.95 else 1
    text = f"{100 * probability:.{digits}f}"
    return text.removesuffix(".0") + " %"


def share_of(part: float, count: int) -> str:
    """A share of so many simulated futures in percent; none and all are only bounds.

    Examples
    --------
    >>> share_of(0.5, 64), share_of(0.0, 64), share_of(1.0, 64)
    ('50 %', 'under 2 %', 'over 98 %')
    """
    least = max(1, round(100 / count))
    if part * count < 0.5:
        return f"under {least} %"
    if (1 - part) * count < 0.5:
        return f"over {100 - least} %"
    return f"{100 * part:.0f} %"


def _begin(text: str) -> str:
    return text[:1].upper() + text[1:]


__all__ = ["Decision", "percent", "share_of"]
