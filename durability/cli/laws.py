"""Which laws are there, and which do the strips support?"""

from __future__ import annotations

from pathlib import Path
from textwrap import fill
from typing import TYPE_CHECKING, Annotated

import typer

from durability.cli.app import command, errors_in_words, keep
from durability.cli.groups import without
from durability.cli.options import Errors, Folder, Level, Told
from durability.terminal import print_cautions, print_json, print_law, print_laws

if TYPE_CHECKING:
    pass


@command(epilog="Example:  durability laws show rise-then-fall --out picture.svg")
def laws(
    name: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="show NAME",
            help="A law, or a file of a law or free curve; all laws if left out.",
        ),
    ] = None,
    *,
    out: Annotated[
        Path | None,
        typer.Option("--out", help="Write the picture (.svg, .png) or the JSON document here."),
    ] = None,
    told: Annotated[Told, without("out")],
) -> None:
    """List the degradation laws; show one with its picture, its priors and its source."""
    with errors_in_words(told.json):
        from durability.laws import Law, read_law, read_law_or_curve
        from durability.laws import laws as names

        words = list(name or ())
        asked = words[1:] if words[:1] == ["show"] else words
        chosen = [read_law_or_curve(n) for n in asked] or [read_law(n) for n in names()]
        pictured = [law for law in chosen if isinstance(law, Law)]
        records = [law.to_dict() for law in chosen]
        if out is not None and out.suffix.lower() in (".svg", ".png"):
            from durability.report.law_figure import law_figure, law_gallery, save_picture

            if not pictured:
                raise ValueError("a free curve has no picture: its parameters have no prior")
            one = len(pictured) == 1
            save_picture(law_figure(pictured[0]) if one else law_gallery(pictured), out)
        else:
            keep(records, out)
        if told.json:
            print_json(records)
        elif not asked:
            print_laws(pictured)
        else:
            for law in chosen:
                print_law(law, picture=not told.quiet)


@command(epilog="Example:  durability compare-laws examples/quarry-cover --figure laws.svg")
def compare_laws(
    study: Folder,
    *,
    law: Annotated[
        list[str] | None, typer.Option("--law", help="A law to compare; may be repeated.")
    ] = None,
    errors: Errors = None,
    level: Level = None,
    figure: Annotated[
        Path | None, typer.Option("--figure", help="Draw the laws here, .svg or .png.")
    ] = None,
    told: Told,
) -> None:
    """Fit every law by likelihood and show which the strips support, and what each would say."""
    with errors_in_words(told.json):
        from durability.inference.likelihood import EXPLANATIONS
        from durability.inference.likelihood import compare_laws as compare
        from durability.study import read_study

        read = read_study(study)
        tables = compare(read, names=law, level=level, errors=errors)  # type: ignore[arg-type]
        document = {"tables": [t.to_dict() for t in tables]}
        if not told.document(document):
            for table in tables:
                print(repr(table), "\n")
            flags = dict.fromkeys(f for t in tables for r in t.rows for f in r.fit.flags)
            for name in flags if not told.quiet else ():
                print(fill(f"{name}: {EXPLANATIONS[name]}", 98, subsequent_indent="    "))
            if not told.quiet:
                print_cautions(read.cautions)
        if figure is not None:
            from durability.report.laws_figure import save_tables

            save_tables(tables, figure)
