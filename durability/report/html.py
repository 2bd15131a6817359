"""How is it shown on one page? Fills the template of the report: self-contained, no scripts.

The page opens offline. Its content security policy forbids everything but its own style; text of a
study is escaped; each quoted number stands in a ``data`` element that names its statement.
"""

from __future__ import annotations

from importlib.resources import files
from typing import TYPE_CHECKING

from durability.report import contents
from durability.report.pictures import pictures
from durability.report.sentences import (
    answer_sentences,
    beware,
    failed_notice,
    not_translated,
)

if TYPE_CHECKING:
    from durability.report.results import Results


def render_html(results: Results) -> str:
    """The report as one HTML document.

    Parameters
    ----------
    results : of a run.

    Returns
    -------
    str : the document; it needs no other file and no network.
    """
    from jinja2 import DictLoader, Environment, StrictUndefined
    from markupsafe import Markup

    folder = files("durability.report") / "templates"
    sources = {
        p.name: p.read_text(encoding="utf-8") for p in folder.iterdir() if p.name.endswith(".j2")
    }
    environment = Environment(
        loader=DictLoader(sources), autoescape=True, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    shown: dict[str, list[dict[str, object]]] = {"evidence": [], "days": [], "budget": []}
    for n, p in enumerate(pictures(results), start=1):
        # svg() escapes all text of the study
        shown[p.section].append({"svg": Markup(p.svg()), "caption": p.caption, "number": n})
    failed = failed_notice(results)
    page = environment.get_template("report.html.j2").render(
        study=results.study,
        results=results,
        failed=failed,
        answer=[] if failed else answer_sentences(results),
        answer_table=None if failed else contents.answer_table(results),
        not_translated=not_translated(results),
        beware={} if failed else beware(results),
        retention=contents.retention_table_of(results),
        pictures=shown,
        equation=results.fit.model.equation(),
        law=contents.law_rows(results),
        priors=contents.prior_table(),
        sampler=contents.sampler_rows(results),
        sites=[(t, contents.site_rows(t)) for t in results.translations],
        inputs=contents.input_table(results),
        budget_sentences=[] if failed else contents.budget_sentences(results),
        budget=None if failed else contents.budget_table(results),
        thresholds=contents.threshold_table(results),
        days=contents.days_tables(results),
        others=contents.other_table(results),
        record=contents.record_rows(results),
        hashes=contents.hash_table(results),
        explanations=results.explanations(),
        cautions=results.cautions(),
        standing=contents.standing_cautions(),
    )
    return page.lstrip() + "\n"


__all__ = ["render_html"]
