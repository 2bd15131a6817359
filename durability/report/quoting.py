"""What may be copied into a report? Sentences, the methods paragraph, and the references.

A `Writing` is made of blocks; `durability.report.markup` writes them as Markdown, plain text, LaTeX
or Word. Numbers are those of statements, rounded once by the statement itself.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, get_args

from durability.report.deciding import shown
from durability.report.describing import methods_paragraphs, references
from durability.report.sentences import (
    Quote,
    Sentence,
    Wording,
    answer_sentences,
    beware,
    failed_notice,
    not_translated,
)
from durability.statement import QUANTITIES, SUBJECTS, Statement, Statements

if TYPE_CHECKING:
    from durability.report.results import Results

Style = Literal["short", "full", "methods"]
STYLES: tuple[str, ...] = get_args(Style)
Role = Literal["title", "heading", "text", "item", "note", "reference"]

GROUPS = (
    ("Strength before and after exposure",
     ("unexposed_strength", "retained_strength", "unexposed_elongation", "retained_elongation",
      "unexposed_stiffness", "retained_stiffness", "strength_against_control")),
    ("Threshold doses", ("threshold_dose", "threshold_hours")),
    ("Comparison", ("ratio_of_threshold_doses",)),
    ("Days at the sites", ("days_to_cover", "outdoor_days")),
)  # fmt: skip
OTHERS = tuple(q for q in QUANTITIES if not any(q in names for _, names in GROUPS))


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """One paragraph of a text.

    Parameters
    ----------
    role : ``title``, ``heading``, ``text``, ``item`` (a quoted sentence), ``note`` (explains a
        mark) or ``reference``.
    sentence : words and quotes.
    mark : letters that notes are known by, or the number of a reference.
    """

    role: Role
    sentence: Sentence
    mark: str = ""

    def __str__(self) -> str:
        return str(self.sentence)


@dataclass(frozen=True, slots=True, kw_only=True)
class Writing:
    """A text to copy from, in blocks."""

    blocks: tuple[Block, ...]

    def statements(self) -> Statements:
        """What is quoted, each once, in order."""
        parts = [p for b in self.blocks for p in b.sentence.parts if isinstance(p, Quote)]
        return Statements({p.statement.id: p.statement for p in parts}.values())

    def to_list(self) -> list[dict[str, Any]]:
        """Blocks as plain records: role, mark, text and the ids of what is quoted."""
        return [
            {
                "role": b.role,
                "mark": b.mark,
                "text": str(b),
                "statements": [p.statement.id for p in b.sentence.parts if isinstance(p, Quote)],
            }
            for b in self.blocks
        ]

    def __repr__(self) -> str:
        return "\n".join(str(b) for b in self.blocks)


def quote(results: Results, *, style: Style = "short", of: str | None = None) -> Writing:
    """Sentences of a run that may be copied into a report.

    Parameters
    ----------
    results : of a run.
    style : ``short``, what answers the study's question and what to beware of; ``full``, every
        statement of the subject, with what it leans on, and the decisions; ``methods``, how it
        was found, with references.
    of : subject of ``full``; the study's by default, ``"all"`` for every one.

    Returns
    -------
    Writing : where the fit missed its diagnostics, it quotes what the strips alone show.

    Raises
    ------
    ValueError : unknown style or subject.
    """
    if style not in STYLES:
        raise ValueError(f"style {style!r} is unknown; known: {', '.join(STYLES)}")
    if of is not None and of not in (*SUBJECTS, "all"):
        raise ValueError(f"of {of!r} is unknown; known: {', '.join(SUBJECTS)}, all")
    failed = failed_notice(results)
    study = results.study
    front = [_block("title", study.title)]
    if study.invented:
        front.append(_block("text", "Invented data, for demonstration."))
    if failed:
        front.append(_block("text", failed))
    if style == "methods":
        body = [_block("heading", "Methods")]
        numbered = references(results)
        body += [_block("text", text) for text in methods_paragraphs(results, numbered)]
        body.append(_block("heading", "References"))
        body += [_block("reference", text, str(n)) for n, text in enumerate(numbered, start=1)]
    elif style == "short":
        body = [] if failed else _short(results)
    else:
        body = _full(results, of or study.question.of)
    return Writing(blocks=(*front, *body))


def _block(role: Role, text: str | Sentence, mark: str = "") -> Block:
    return Block(
        role=role, sentence=text if isinstance(text, Sentence) else Sentence((text,)), mark=mark
    )


def _short(results: Results) -> list[Block]:
    from durability.report.results import CAUTIONS

    found = [_block("item", s) for s in answer_sentences(results)]
    found += [_block("text", text) for text in not_translated(results)]
    found.append(_block("heading", "What to beware of"))
    return found + [_block("item", text) for text in (*beware(results).values(), *CAUTIONS)]


def _full(results: Results, of: str) -> list[Block]:
    """Every statement, its sentence marked with letters of what it leans on."""
    from durability.report.results import CAUTIONS
    from durability.report.tables import quotable

    w, book = Wording.of(results), results.explanations()
    explained = {**book["assumptions"], **book["flags"]}
    marks: dict[str, str] = {}
    said = quotable(results).where(lambda s: of == "all" or s.of in (None, of))
    found: list[Block] = []
    for title, quantities in (*GROUPS, ("Other numbers", OTHERS)):
        here = [s for q in quantities for s in said.where(quantity=q)]
        if here:
            found.append(_block("heading", title))
        for s in here:
            names = [n for n in (*s.assumptions, *s.flags) if n in explained]
            letters = [marks.setdefault(n, letter(len(marks))) for n in names]
            found.append(_block("item", w.sentence(s), ", ".join(sorted(letters, key=_order))))
    decisions = shown(results)
    if decisions:
        found.append(_block("heading", "Decisions"))
        found += [_block("item", str(d.answer)) for d in decisions]  # its numbers are quoted above
    found += [_block("text", text) for text in not_translated(results)]
    if marks:
        found.append(_block("heading", "What the sentences lean on"))
        found += [_block("note", explained[name], mark) for name, mark in marks.items()]
    found.append(_block("heading", "What to beware of"))
    return found + [_block("item", text) for text in CAUTIONS]


def letter(n: int) -> str:
    """a, b, ..., z, aa, ab, ... for 0, 1, ...

    Examples
    --------
    >>> [letter(n) for n in (0, 25, 26)]
    ['a', 'z', 'aa']
    """
    return (letter(n // 26 - 1) if n >= 26 else "") + "abcdefghijklmnopqrstuvwxyz"[n % 26]


def _order(mark: str) -> tuple[int, str]:
    return len(mark), mark


def sentences_of(results: Results, statements: Iterable[Statement]) -> list[str]:
    """Any statements of a run as sentences.

    Parameters
    ----------
    results : whose names the sentences bear.
    statements : of that run.
    """
    w = Wording.of(results)
    return [str(w.sentence(s)) for s in statements]


__all__ = ["STYLES", "Block", "Style", "Writing", "letter", "quote", "sentences_of"]
