"""What is written down?"""

from __future__ import annotations

import sys
from typing import Annotated, Any

import typer

from durability.cli.app import command, errors_in_words
from durability.cli.fitted import REUSED
from durability.cli.lying import Lying
from durability.cli.options import Fitting, Folder, ToldInFolder
from durability.terminal import print_json, progress


@command(epilog="Example:  durability report examples/quarry-cover --site phoenix")
def report(
    study: Folder,
    *,
    lying: Lying,
    fitting: Fitting,
    pdf: Annotated[
        bool, typer.Option("--pdf", help="Also print the report to PDF; needs a browser.")
    ] = False,
    told: ToldInFolder,
) -> None:
    """Do the whole job: read, fit, translate, and write the results folder with its report."""
    with errors_in_words(told.json):
        from durability.report import report as run
        from durability.report import unchanged_report

        read = lying.asked(fitting.read(study))
        folder = told.out if told.out is not None else read.folder / "results"
        word = "Nothing has changed since this report was written."
        asked: dict[str, Any] = fitting.asked() | {"sites": lying.site, "out": folder}
        document = unchanged_report(read, **asked)
        if document is None:
            with progress(told.quiet) as tell:
                results = run(read, progress=tell, **asked)
            document = results.to_document()
            word = REUSED if results.reused else ""
        if pdf:
            from durability.report import print_pdf

            print_pdf(folder)
        if told.json:
            print_json(document)
            return
        for sentence in document["answer"]:
            print(sentence)
        if not told.quiet:
            for caution in document["cautions"]:
                print(f"caution: {caution['text']}", file=sys.stderr)
            if word:
                print(word)
        print(f"Report: {folder / 'report.html'}")
        if pdf:
            print(f"PDF: {folder / 'report.pdf'}")
