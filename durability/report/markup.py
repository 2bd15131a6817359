"""In which form is a text handed over? Markdown, plain text, LaTeX or a Word file.

Names of a study are escaped, so that a name cannot become a heading, a command or a link.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from textwrap import fill
from typing import TYPE_CHECKING, Literal, get_args

if TYPE_CHECKING:
    from durability.report.quoting import Block, Writing

Form = Literal["markdown", "plain", "latex", "word"]
FORMS: tuple[str, ...] = get_args(Form)

_LATEX = {
    "\\": r"\textbackslash{}", "{": r"\{", "}": r"\}", "$": r"\$", "&": r"\&", "#": r"\#",
    "%": r"\%", "_": r"\_", "~": r"\textasciitilde{}", "^": r"\textasciicircum{}",
    "<": r"\textless{}", ">": r"\textgreater{}", "|": r"\textbar{}", '"': r"\textquotedbl{}",
    "\N{NO-BREAK SPACE}": "~", "²": r"\textsuperscript{2}", "³": r"\textsuperscript{3}",
    "°": r"\textdegree{}", "±": r"\textpm{}", "×": r"\texttimes{}", "·": r"\textperiodcentered{}",
    "µ": r"\textmu{}", "μ": r"\textmu{}", "≤": r"$\leq$", "≥": r"$\geq$", "−": r"$-$",
    "–": "--", "’": "'", "“": "``", "”": "''", "τ": r"$\tau$", "σ": r"$\sigma$",
    "Δ": r"$\Delta$", "λ": r"$\lambda$", "∫": r"$\int$", "→": r"$\to$",
}  # fmt: skip
PREAMBLE = r"""\documentclass{article}
\usepackage[T1]{fontenc}
\usepackage[utf8]{inputenc}
\usepackage{textcomp}
\begin{document}
"""


def latex(text: str) -> str:
    """Text with every character that LaTeX reads as a command escaped.

    Examples
    --------
    >>> print(latex("50 % of A_1 & B"))
    50 \\% of A\\_1 \\& B
    """
    return "".join(_LATEX.get(c, c) for c in _one_line(text))


def markdown(text: str) -> str:
    """Text with every mark of CommonMark escaped.

    Examples
    --------
    >>> print(markdown("A_1 *new* <b>"))
    A\\_1 \\*new\\* \\<b\\>
    """
    text = re.sub(r"([\\`*_\[\]<>#|~&$])", r"\\\1", _one_line(text))
    return re.sub(r"^(\s*)([-+=])", r"\1\\\2", re.sub(r"^(\s*\d+)([.)])", r"\1\\\2", text))


def _one_line(text: str) -> str:
    return re.sub(r"[\x00-\x1f\x7f\u2028\u2029]+", " ", text)


def written(writing: Writing, form: Form = "markdown") -> str:
    """A text in one of the forms that are text.

    Parameters
    ----------
    writing : see `durability.report.quoting.quote`.
    form : ``markdown``, ``plain`` or ``latex``; ``word`` is written by `write_word`.

    Raises
    ------
    ValueError : unknown form.
    """
    makers: dict[str, Callable[[Writing], str]] = {
        "markdown": _markdown,
        "plain": _plain,
        "latex": _latex,
    }
    if form not in makers:
        raise ValueError(f"form {form!r} is no text; known: {', '.join(makers)}, word (a file)")
    return makers[form](writing)


def _markdown(writing: Writing) -> str:
    shapes = {
        "title": "# {}", "heading": "## {}", "text": "{}", "item": "- {}{}", "note": "- ({1}) {0}",
        "reference": "{1}. {0}",
    }  # fmt: skip

    def line(b: Block) -> str:
        mark = f" ({b.mark})" if b.mark and b.role == "item" else b.mark
        return shapes[b.role].format(markdown(str(b)), mark)

    return _joined(writing, line)


def _plain(writing: Writing) -> str:
    def line(b: Block) -> str:
        text = _one_line(str(b))
        if b.role == "title":
            return f"{text}\n{'=' * min(len(text), 100)}"
        if b.role == "heading":
            return f"{text}\n{'-' * min(len(text), 100)}"
        first = {"item": "* ", "note": f"({b.mark}) ", "reference": f"[{b.mark}] "}.get(b.role, "")
        if b.role == "item" and b.mark:
            text = f"{text} ({b.mark})"
        return fill(text, 100, initial_indent=first, subsequent_indent=" " * len(first),
                    break_long_words=False, break_on_hyphens=False)  # fmt: skip

    return _joined(writing, line)


def _joined(writing: Writing, line: Callable[[Block], str]) -> str:
    """Blocks with a blank line between, none between the items of a list."""
    lists = ("item", "note", "reference")
    text = ""
    before = ""
    for b in writing.blocks:
        if text:
            text += "\n" if b.role == before and b.role in lists else "\n\n"
        text += line(b)
        before = b.role
    return text + "\n"


def _latex(writing: Writing) -> str:
    lines: list[str] = []
    inside = ""
    kinds = {"item": "itemize", "note": "description", "reference": "thebibliography"}
    listed = {b.mark for b in writing.blocks if b.role == "reference"}
    for b in writing.blocks:
        kind = kinds.get(b.role, "")
        if kind != inside:
            if inside:
                lines.append(rf"\end{{{inside}}}")
            if kind:
                width = "{99}" if kind == "thebibliography" else ""
                lines.append(rf"\begin{{{kind}}}{width}")
            inside = kind
        text = latex(str(b))
        if b.role == "title":
            lines.append(rf"\section*{{{text}}}")
        elif b.role == "heading":
            if b.sentence.parts != ("References",):  # its list brings its own heading
                lines.append(rf"\subsection*{{{text}}}")
        elif b.role == "item":
            mark = f" ({b.mark})" if b.mark else ""
            lines.append(rf"\item {{}}{text}{mark}")
        elif b.role == "note":
            lines.append(rf"\item[({b.mark})] {text}")
        elif b.role == "reference":
            lines.append(rf"\bibitem{{d{b.mark}}} {text}")
        else:
            lines += [_cited(text, listed), ""]
    if inside:
        lines.append(rf"\end{{{inside}}}")
    return PREAMBLE + "\n".join(lines) + "\n\\end{document}\n"


def _cited(text: str, listed: set[str]) -> str:
    r"""Numbers of references in brackets as citations.

    Examples
    --------
    >>> print(_cited("as in [1, 2], within [5 to 6]", {"1", "2"}))
    as in \cite{d1,d2}, within [5 to 6]
    """

    def cite(found: re.Match[str]) -> str:
        numbers = found[1].split(", ")
        return (
            rf"\cite{{{','.join(f'd{n}' for n in numbers)}}}"
            if listed.issuperset(numbers)
            else found[0]
        )

    return re.sub(r"\[(\d+(?:, \d+)*)\]", cite, text)


def write_word(writing: Writing, path: Path) -> None:
    """A text as a Word document.

    Parameters
    ----------
    writing : see `durability.report.quoting.quote`.
    path : of the file to write.

    Raises
    ------
    ValueError : the file cannot be written.
    """
    import docx

    from durability.report.sentences import Quote
    from durability.report.word import clean

    document = docx.Document()
    document.core_properties.comments = ""
    document.core_properties.author = ""
    styles = {"item": "List Bullet"}
    levels = {"title": 0, "heading": 1}
    for b in writing.blocks:
        if b.role in levels:
            document.add_heading(clean(str(b)), levels[b.role])
            continue
        paragraph = document.add_paragraph(style=styles.get(b.role))
        if b.role in ("note", "reference"):
            paragraph.add_run(f"[{b.mark}] " if b.role == "reference" else f"({b.mark}) ")
        for part in b.sentence.parts:
            paragraph.add_run(clean(part)).bold = isinstance(part, Quote)
        if b.role == "item" and b.mark:
            paragraph.add_run(f" ({b.mark})").font.superscript = True
    try:
        document.save(str(path))
    except OSError as error:
        raise ValueError(f"{path.name} cannot be written ({error.strerror})") from error


__all__ = ["FORMS", "Form", "latex", "markdown", "write_word", "written"]
