"""What is written down?"""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from durability.cli.app import app, errors_in_words, read_folder
from durability.cli.fitted import REUSED
from durability.cli.options import (
    Errors,
    Folder,
    Json,
    LawName,
    Level,
    Out,
    Quiet,
    Seed,
    Sites,
    model_options,
)
from durability.terminal import print_json, progress


@app.command(epilog="Example:  durability report examples/quarry-cover --site phoenix")
@model_options
def report(
    study: Folder,
    site: Sites = None,
    law: LawName = None,
    errors: Errors = None,
    level: Level = None,
    seed: Seed = 0,
    out: Out = None,
    pdf: Annotated[
        bool, typer.Option("--pdf", help="Also print the report to PDF; needs a browser.")
    ] = False,
    json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Do the whole job: read, fit, translate, and write the results folder with its report."""
    with errors_in_words(json):
        from durability.compiling import compile_meanwhile

        compiled = compile_meanwhile()
        read = read_folder(study)
        compiled()
        from durability.report import report as run
        from durability.report import unchanged_report

        folder = out if out is not None else read.folder / "results"
        word = "Nothing has changed since this report was written."
        document = unchanged_report(
            read, sites=site, law=law, errors=errors, level=level, seed=seed, out=folder
        )
        if document is None:
            with progress(quiet) as tell:
                results = run(
                    read, sites=site, law=law, errors=errors, level=level, seed=seed, out=folder,
                    progress=tell,
                )  # fmt: skip
            document = results.to_document()
            word = REUSED if results.reused else ""
        if pdf:
            from durability.report import print_pdf

            print_pdf(folder)
        if json:
            print_json(document)
            return
        for sentence in document["answer"]:
            print(sentence)
        if not quiet:
            for caution in document["cautions"]:
                print(f"caution: {caution['text']}", file=sys.stderr)
            if word:
                print(word)
        print(f"Report: {folder / 'report.html'}")
        if pdf:
            print(f"PDF: {folder / 'report.pdf'}")
