"""How is it shown on one page? Fills the template of the report: self-contained.

The page opens offline. Its content security policy forbids everything but its own style and one
script, named by its hash, which looks up answers in the page's own tables; the page is whole
without it. Text of a study is escaped; each quoted number names its statement in
``data-statement``.
"""

from __future__ import annotations

import base64
import hashlib
from importlib.resources import files
from typing import TYPE_CHECKING

from durability.report import deciding, method, model_checks, tables
from durability.report.pictures import Picture, pictures
from durability.report.question import questions, unit_of
from durability.report.sentences import (
    answer_sentences,
    beware,
    failed_notice,
    not_translated,
)

if TYPE_CHECKING:
    from jinja2 import Environment

    from durability.report.results import Results


MOST_TOLD = 6000
"""Statements of which each quote also tells its interval on pointing; more would swell the page."""
_TEMPLATES = files("durability.report") / "templates"


def environment() -> Environment:
    """The templates of this room; every text put in is escaped, and none may be missing."""
    from jinja2 import DictLoader, Environment, StrictUndefined

    sources = {
        p.name: p.read_text(encoding="utf-8")
        for p in _TEMPLATES.iterdir()
        if p.name.endswith(".j2")
    }
    return Environment(
        loader=DictLoader(sources), autoescape=True, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip


def render_html(results: Results, *, drawn: list[Picture] | None = None) -> str:
    """The report as one HTML document.

    Parameters
    ----------
    results : of a run.
    drawn : the figures, where `pictures` has drawn them already.

    Returns
    -------
    str : the document; it needs no other file and no network.
    """
    from markupsafe import Markup

    from durability.report.results import CAUTIONS

    shown: dict[str, list[dict[str, object]]] = {
        "decisions": [], "evidence": [], "budget": [],
    }  # fmt: skip
    for n, p in enumerate(pictures(results) if drawn is None else drawn, start=1):
        # svg() escapes all text of the study
        shown[p.section].append({"svg": Markup(p.svg()), "caption": p.caption, "number": n})
    failed = failed_notice(results)
    script = (_TEMPLATES / "question.js").read_text(encoding="utf-8")
    page = (
        environment()
        .get_template("report.html.j2")
        .render(
            study=results.study,
            made=method.made(results),
            results=results,
            failed=failed,
            asked=[] if failed else questions(results),
            unit_of=unit_of,
            hover=len(results.quotable()) <= MOST_TOLD,
            script=Markup(script),  # a file of this package; nothing of a study is in it
            script_hash=base64.b64encode(hashlib.sha256(script.encode()).digest()).decode(),
            answer=[] if failed else answer_sentences(results),
            answer_table=None if failed else tables.answer_table(results),
            not_translated=not_translated(results),
            decisions=[] if failed else deciding.shown(results),
            pairs=None if failed else deciding.pairs_table(results),
            chances=None if failed else deciding.best_table(results),
            compared=[] if failed else deciding.beside(results),
            waiting=[] if failed else deciding.waiting(results),
            plans=None if failed else deciding.plans(results),
            ahead=[] if failed else results.decided.ahead.notes(),
            beware={} if failed else beware(results),
            retention=tables.retention_table_of(results),
            declared=tables.declared_table(results),
            second=None if failed else tables.second_table(results),
            retained=None if failed else tables.retained_table(results),
            pictures=shown,
            equation=results.fit.model.equation(),
            law=method.law_rows(results),
            priors=method.prior_table(results),
            model=model_checks.model_rows(results),
            learned=model_checks.learned_table(results),
            outlying=None if failed else model_checks.outlying(results),
            last_dose=None if failed else model_checks.last_dose_words(results),
            last_doses=None if failed else model_checks.last_dose_table(results),
            sampler=method.sampler_rows(results),
            sites=[(t, method.site_rows(results, t)) for t in results.translations],
            inputs=method.input_table(results),
            budget_sentences=[] if failed else method.budget_sentences(results),
            budget=None if failed else method.budget_table(results),
            thresholds=tables.threshold_table(results),
            days=tables.days_tables(results),
            others=tables.other_table(results),
            record=method.record_rows(results),
            entered=method.entered_table(results),
            hashes=method.hash_table(results),
            explanations=results.explanations(),
            cautions=results.cautions(),
            standing=CAUTIONS,
        )
    )
    return page.lstrip() + "\n"


__all__ = ["environment", "render_html"]
