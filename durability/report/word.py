"""How is it shown to people who write in Word? The same report with shorter tables."""

from __future__ import annotations

import io
import re
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from durability.report import deciding, method, model_checks, tables
from durability.report.pictures import Picture, pictures
from durability.report.sentences import (
    Quote,
    Sentence,
    answer_sentences,
    beware,
    failed_notice,
    not_translated,
)
from durability.report.tables import Table

if TYPE_CHECKING:
    from docx.document import Document

    from durability.report.results import Results

TEXT_WIDTH, CHARACTER = 17.0, 0.16  # [cm]: of a line, and of a character in a table
WIDE = 9  # tables of more columns stand on a page turned on its side
UNPRINTABLE = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff\ud800-\udfff]")


def write_docx(results: Results, path: Path, *, drawn: list[Picture] | None = None) -> None:
    """Write the report as a Word document.

    Parameters
    ----------
    results : of a run.
    path : of the file to write.
    drawn : the figures, where `pictures` has drawn them already.
    """
    import docx
    from docx.shared import Cm, Pt

    document = docx.Document()
    section = document.sections[0]
    section.page_width, section.page_height = Cm(21.0), Cm(29.7)
    section.left_margin = section.right_margin = Cm(2.0)
    section.top_margin = section.bottom_margin = Cm(1.9)
    document.styles["Normal"].font.size = Pt(10)  # type: ignore[attr-defined]
    _properties(document, results)
    writer = _Writer(document)
    _front(writer, results)
    shown = pictures(results) if drawn is None else drawn
    _answer(writer, results)
    _decisions(writer, results, shown)
    _evidence(writer, results, shown)
    _method(writer, results, shown)
    _statements(writer, results)
    _record(writer, results)
    document.save(str(path))


def clean(text: object) -> str:
    """Text without the control characters that the format forbids."""
    return UNPRINTABLE.sub("\N{REPLACEMENT CHARACTER}", str(text))


def _properties(document: Document, results: Results) -> None:
    core = document.core_properties
    core.title = clean(results.study.title)[:255]
    core.author = clean(results.study.laboratory or "")[:255]
    core.comments = ""
    core.language = "en"


def column_widths(t: Table) -> list[float]:
    """Widths of the columns [cm], by their longest word and by how much they hold.

    Each column has room for its longest word; what is left goes by the longest cell, a little less
    than in proportion, so that long texts break over lines and short ones do not.
    """
    columns = [[str(h), *(str(r[j]) for r in t.rows)] for j, h in enumerate(t.head)]
    words = [
        max((len(w) for c in cells for w in re.split(r"[ \n-]", c)), default=1) for cells in columns
    ]
    least = [min(w, 24) + 2.0 for w in words]
    wish = [max(len(c) for c in cells) ** 0.8 for cells in columns]
    scale = TEXT_WIDTH / max(sum(least) * CHARACTER, TEXT_WIDTH)
    least = [w * CHARACTER * scale for w in least]
    spare = TEXT_WIDTH - sum(least)
    return [w + spare * x / sum(wish) for w, x in zip(least, wish, strict=True)]


class _Writer:
    """Puts headings, lists, tables and figures into a document and counts them."""

    def __init__(self, document: Document) -> None:
        self.document = document
        self.tables = 0
        self.figures = 0

    def heading(self, text: str, level: int) -> None:
        self.document.add_heading(clean(text), level)

    def text(self, text: str, style: str | None = None, *, bold: bool = False) -> None:
        run = self.document.add_paragraph(style=style).add_run(clean(text))
        run.bold = bold

    def bullets(self, items: Iterable[str | Sentence]) -> None:
        for item in items:
            self.sentence(item, "List Bullet")

    def sentence(self, item: str | Sentence, style: str | None = None) -> None:
        """A paragraph whose quoted numbers are bold."""
        paragraph = self.document.add_paragraph(style=style)
        for part in item.parts if isinstance(item, Sentence) else (item,):
            paragraph.add_run(clean(part)).bold = isinstance(part, Quote)

    def rows(self, pairs: Iterable[tuple[str, str]]) -> None:
        for a, b in pairs:
            paragraph = self.document.add_paragraph()
            paragraph.paragraph_format.space_after = 0
            paragraph.add_run(clean(a) + ": ").bold = True
            paragraph.add_run(clean(b))

    def table(self, t: Table | None) -> None:
        """A real table with a caption, its head repeated on each page."""
        from docx.oxml import OxmlElement
        from docx.shared import Cm, Pt

        if t is None or not t.rows:
            return
        self.tables += 1
        caption = self.document.add_paragraph(style="Caption")
        caption.add_run(clean(f"Table {self.tables}. {t.caption}"))
        caption.paragraph_format.keep_with_next = True
        grid = self.document.add_table(rows=1, cols=len(t.head), style="Light Shading")
        grid.autofit = False
        widths = [Cm(w) for w in column_widths(t)]
        for column, width in zip(grid.columns, widths, strict=True):
            column.width = width
        _unbanded(grid)
        size = Pt(8 if len(t.head) <= WIDE else 6)
        mark = OxmlElement("w:tblHeader")
        grid.rows[0]._tr.get_or_add_trPr().append(mark)
        # cells of a row are fetched once: asking for each cell anew walks the table each time
        for row in (t.head, *t.rows):
            line = grid.rows[0] if row is t.head else grid.add_row()
            line._tr.get_or_add_trPr().append(OxmlElement("w:cantSplit"))
            for cell, width in zip(line.cells, widths, strict=True):
                cell.width = width
            for j, (cell, text) in enumerate(zip(line.cells, row, strict=True)):
                paragraph = cell.paragraphs[0]
                paragraph.paragraph_format.space_after = 0
                run = paragraph.add_run(clean(text))
                run.font.size = size
                run.bold = row is t.head or j < t.labels
        self.document.add_paragraph()

    def picture(self, p: Picture) -> None:
        """A figure with its caption and alternative text."""
        from docx.shared import Cm

        self.figures += 1
        paragraph = self.document.add_paragraph()
        paragraph.paragraph_format.keep_with_next = True
        inline: Any = paragraph.add_run().add_picture(io.BytesIO(p.png()), width=Cm(12.5))
        inline._inline.docPr.set("descr", clean(p.alternative))
        inline._inline.docPr.set("title", clean(p.caption)[:255])
        self.text(f"Figure {self.figures}. {p.caption}", "Caption")


def _unbanded(grid: Any) -> None:
    """Rules above and below, no shading of every other row: shaded figures print badly in grey."""
    from docx.oxml.ns import qn

    look = grid._tbl.tblPr.find(qn("w:tblLook"))
    if look is not None:
        look.set(qn("w:noHBand"), "1")
        look.set(qn("w:val"), "0620")


def _front(w: _Writer, results: Results) -> None:
    study = results.study
    w.heading(study.title, 0)
    if study.invented:
        w.text("Invented data, for demonstration.", bold=True)
    done = f"{method.made(results)}, durability {results.provenance['version']}"
    rows = [("laboratory", study.laboratory), *study.front.rows(),
            ("source of the data", study.source), ("measured", f"{study.property} [{study.unit}]"),
            ("made", done)]  # fmt: skip
    w.rows((a, b) for a, b in rows if b)


def _answer(w: _Writer, results: Results) -> None:
    from durability.report.results import CAUTIONS

    w.heading("What may be said", 1)
    failed = failed_notice(results)
    if failed:
        w.text(failed, bold=True)
    else:
        w.bullets(answer_sentences(results))
        w.table(tables.answer_table(results))
    for text in not_translated(results):
        w.text(text)
    w.heading("What to beware of", 2)
    flags = {} if failed else beware(results)
    w.bullets([*flags.values(), *CAUTIONS])


def _decisions(w: _Writer, results: Results, drawn: list[Picture]) -> None:
    decisions = [] if failed_notice(results) else deciding.shown(results)
    notes = results.decided.ahead.notes()
    if not (decisions or notes):
        return
    w.heading("What may be decided", 1)
    for d in decisions:
        w.heading(d.question, 2)
        w.sentence(Sentence((f"{d.verdict}. ", *d.answer.parts)))
        for label, text in d.costs:
            w.sentence(Sentence((f"{label}: ", *text.parts)))
        if d.changes:
            w.text("What would change it:")
            w.bullets(d.changes)
    w.table(deciding.pairs_table(results))
    w.table(deciding.best_table(results))
    w.bullets(deciding.beside(results))
    if notes:
        _coming(w, results, drawn, notes)


def _coming(w: _Writer, results: Results, drawn: list[Picture], notes: list[str]) -> None:
    w.heading("Strips to come", 2)
    plans = deciding.plans(results)
    for words, t in (*deciding.waiting(results), *([] if plans is None else [plans])):
        if words:
            w.text(words)
        w.table(t)
    for p in drawn:
        if p.section == "decisions":
            w.picture(p)
    w.bullets(f"{n[:1].upper()}{n[1:].rstrip('.')}." for n in notes)


def _evidence(w: _Writer, results: Results, shown: list[Picture]) -> None:
    w.heading("Evidence", 1)
    for p in shown:
        if p.section == "evidence":
            w.picture(p)
    w.table(tables.retention_table_of(results, lots=False))
    w.table(tables.declared_table(results))
    if failed_notice(results):
        return
    others = [tables.retained_table(results), tables.second_table(results)]
    if any(others):
        w.heading("The same strips looked at in other ways", 2)
    for t in filter(None, others):
        w.table(t)
    outlying = model_checks.outlying(results)
    if outlying:
        w.heading("Does the answer hang on a few strips?", 2)
        w.text(outlying[0])
        w.table(outlying[1])
    words = model_checks.last_dose_words(results)
    if words:
        w.heading("The last dose, hidden and foretold", 2)
        w.text(words)
        w.table(model_checks.last_dose_table(results))
    cautions = results.cautions()
    if cautions:
        w.heading("Noted while reading and translating", 2)
        w.bullets(f"{c.text.rstrip('.')}." for c in cautions)


def _method(w: _Writer, results: Results, shown: list[Picture]) -> None:
    w.heading("Method", 1)
    w.text(
        "A Bayesian hierarchical model: the threshold dose of each product, lots partially pooled"
        " about it, strips scattered about the curve of their lot."
    )
    w.bullets(results.fit.model.equation())
    w.rows(model_checks.model_rows(results))
    w.table(model_checks.learned_table(results))
    w.heading("Law", 2)
    w.rows(method.law_rows(results))
    w.heading("Priors", 2)
    w.table(method.prior_table(results))
    w.heading("Sampling and its checks", 2)
    w.rows(method.sampler_rows(results))
    if not results.translations:
        return
    w.heading("From dose to days", 2)
    w.text(
        "Each draw of the threshold dose is read on the clock of the site: irradiance to a power"
        " and temperature by Arrhenius’s law, under the lamp and under the sky alike. The reading"
        " is approximate: no universal factor leads from lamp hours to time outdoors."
    )
    for t in results.translations:
        w.heading(t.title, 3)
        w.rows(method.site_rows(results, t))
    w.table(method.input_table(results))
    if results.fit.diagnostics.ok:
        w.bullets(method.budget_sentences(results))
        for p in shown:
            if p.section == "budget":
                w.picture(p)


def _statements(w: _Writer, results: Results) -> None:
    if not results.fit.diagnostics.ok:
        return
    of = results.study.question.of
    w.heading("Statements", 1)
    w.text("Those of the subject asked about; all are in report.html and results.json.")
    w.table(tables.threshold_table(results, of=of))
    for t in tables.days_tables(results, of=of, quantities=("days_to_cover",)):
        w.table(t)


def _record(w: _Writer, results: Results) -> None:
    from durability.report.results import CAUTIONS

    w.heading("Record", 1)
    w.text("With the same files, model files, versions and seed the run gives the same numbers.")
    w.rows(method.record_rows(results))
    w.rows((f"SHA-256 of {name}", h) for name, h in results.provenance["inputs"].items())
    w.heading("Cautions and terms", 1)
    w.bullets(CAUTIONS)
    for kind, title in (("assumptions", "What the statements lean on"), ("flags", "Flags")):
        book = results.explanations()[kind]
        if book:
            w.heading(title, 2)
            w.rows((name.replace("_", " "), text) for name, text in book.items())


__all__ = ["write_docx"]
