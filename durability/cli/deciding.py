"""Which package is to be taken?"""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Annotated

import typer

from durability.cli.app import command, errors_in_words
from durability.cli.fitted import fitted, gate, say_lying
from durability.cli.groups import without
from durability.cli.lying import Lying
from durability.cli.options import (
    Assurance,
    Fitting,
    Folder,
    Fraction,
    Of,
    ToldInFolder,
    subject_named,
)
from durability.terminal import print_cautions, print_json, progress, title_of
from durability.terminal_decisions import print_comparison

if TYPE_CHECKING:
    pass


@command(epilog="Example:  durability compare examples/quarry-cover --control B --margin 1.2")
def compare(
    study: Folder,
    *,
    control: Annotated[
        str | None,
        typer.Option("--control", help="Package compared with; the study's if left out."),
    ] = None,
    margin: Annotated[
        float | None,
        typer.Option("--margin", help="A ratio worth having, above 1; within it they are alike."),
    ] = None,
    fraction: Fraction = None,
    of: Of = None,
    assurance: Assurance = None,
    site: Annotated[
        str | None, typer.Option("--site", help="For the price of a day in the open.")
    ] = None,
    lying: Annotated[Lying, without("site")],
    fitting: Fitting,
    told: ToldInFolder,
) -> None:
    """Which package lasts longer, by how much, how sure, and at what price."""
    with errors_in_words(told.json):
        from durability.decisions import compare_packages
        from durability.report import check_sites, translations_of
        from durability.translation.plane import counted

        read = lying.asked(fitting.read(study))
        lying.refuse_without(site)
        if site is not None:
            check_sites([site], read.question)
            if not any(m.price for m in read.materials.values()):
                raise ValueError(
                    "--site asks for the price of a day, and study.toml gives no price; add one, "
                    'such as price = "0.85 EUR/m^2" under [materials.NAME]'
                )
        made, _ = fitted(read, fitting, told.out, told.quiet)
        gate(made)
        there = None
        if site is not None:
            say_lying(read, told)
            with progress(told.quiet) as tell:
                done, refused = translations_of(counted(made), [site], progress=tell)
            there = done[0] if done else None
            for reason in refused:
                print(f"not translated: {reason}", file=sys.stderr)
        found = compare_packages(
            made, control, margin=margin, fraction=fraction, of=subject_named(of),
            assurance=assurance, level=fitting.level, translation=there,
        )  # fmt: skip
        if told.json:
            print_json(found.to_dict())
            return
        print(title_of(read.title, read.invented))
        print_comparison(found)
        if not told.quiet:
            print_cautions(read.cautions)


__all__ = ["compare"]
