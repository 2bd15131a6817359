"""What may be written into a report?"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from durability.cli.app import command, errors_in_words
from durability.cli.fitted import fitted
from durability.cli.lying import Lying
from durability.cli.options import Fitting, Folder, ToldInFolder
from durability.terminal import print_json, progress

if TYPE_CHECKING:
    from durability.report import Results


@command(epilog="Example:  durability quote examples/quarry-cover --style methods --form latex")
def quote(
    study: Folder,
    *,
    style: Annotated[
        str, typer.Option("--style", help="short: the answer; full: every statement; methods.")
    ] = "short",
    form: Annotated[
        str, typer.Option("--form", help="markdown, plain, latex, or word (needs --to).")
    ] = "plain",
    of: Annotated[
        str | None,
        typer.Option("--of", help="With full: mean, new_lot, single_specimen or all."),
    ] = None,
    to: Annotated[
        Path | None, typer.Option("--to", help="Write here instead; .docx for word.")
    ] = None,
    lying: Lying,
    fitting: Fitting,
    told: ToldInFolder,
) -> None:
    """Print sentences to copy into a report, or the methods paragraph with its references."""
    with errors_in_words(told.json):
        from durability.report.markup import FORMS, write_word, written
        from durability.report.quoting import STYLES
        from durability.report.quoting import quote as quoted

        if style not in STYLES:
            raise ValueError(f"style {style!r} is unknown; known: {', '.join(STYLES)}")
        if form not in FORMS:
            raise ValueError(f"form {form!r} is unknown; known: {', '.join(FORMS)}")
        if form == "word" and to is None:
            raise ValueError("word is a file: name it with --to, such as --to sentences.docx")
        results = results_of(study, lying, fitting, told)
        text = quoted(results, style=style, of=of)  # pyright: ignore[reportArgumentType]
        if told.json:
            print_json({"style": style, "blocks": text.to_list()})
        elif form == "word" and to is not None:
            write_word(text, to)
            print(f"Written: {to}")
        elif to is not None:
            _write(written(text, form), to)  # pyright: ignore[reportArgumentType]
            print(f"Written: {to}")
        else:
            print(written(text, form), end="")  # pyright: ignore[reportArgumentType]


@command(epilog="Example:  durability figures examples/quarry-cover --to figures")
def figures(
    study: Folder,
    *,
    to: Annotated[
        Path | None, typer.Option("--to", help="Folder for SVG, PNG and CSV; else in the results.")
    ] = None,
    page: Annotated[
        Path | None, typer.Option("--page", help="Write only one page with every figure, .html.")
    ] = None,
    margin: Annotated[
        float | None,
        typer.Option("--margin", help="A ratio of threshold doses that is worth having."),
    ] = None,
    lying: Lying,
    fitting: Fitting,
    told: ToldInFolder,
) -> None:
    """Draw every figure, one a question, as SVG and PNG with its numbers as CSV."""
    with errors_in_words(told.json):
        if margin is not None and not margin > 1:
            raise ValueError(f"--margin is {margin:g}; it must lie above 1, such as 1.2")
        from durability.report.gallery import gallery_page, plates, write_figures

        results = results_of(study, lying, fitting, told)
        with progress(told.quiet) as tell:
            if page is not None:
                drawn = plates(results, margin=margin, progress=tell)
                _write(gallery_page(results, drawn), page)
                written = [page]
            else:
                folder = (told.out or study / "results") / "figures" if to is None else to
                written = write_figures(results, folder, margin=margin, progress=tell)
        if told.json:
            print_json({"written": [str(p) for p in written]})
        else:
            print(f"Figures: {written[-1]}")


def results_of(study: Path, lying: Lying, fitting: Fitting, told: ToldInFolder) -> Results:
    """All that a study says, from the kept fit where it matches."""
    from durability.report import translations_of
    from durability.report.results import collect
    from durability.report.run import last_dose_of
    from durability.translation.plane import counted

    read = lying.asked(fitting.read(study))
    asked = lying.sites(read, needed=False)
    made, record = fitted(read, fitting, told.out, told.quiet)
    made = counted(made)
    with progress(told.quiet) as tell:
        done, refused = (
            translations_of(made, asked, progress=tell) if made.diagnostics.ok else ([], [])
        )
        found = collect(made, done, refused, record, sites=asked)
        return replace(found, last_dose=last_dose_of(made, tell))


def _write(text: str, to: Path) -> None:
    try:
        to.write_text(text, encoding="utf-8")
    except OSError as error:
        raise ValueError(f"{to.name} cannot be written ({error.strerror})") from error
