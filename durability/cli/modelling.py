"""Which model do the study's columns call for? Shown before anything is sampled."""

from __future__ import annotations

from pathlib import Path
from textwrap import fill
from typing import TYPE_CHECKING, Annotated

import typer

from durability.cli.app import command, errors_in_words, keep
from durability.cli.groups import without
from durability.cli.options import Fitting, Folder, Told
from durability.terminal import print_cautions, print_json, title_of

if TYPE_CHECKING:
    from durability.inference.described import Described


@command(epilog="Example:  durability model examples/quarry-cover --graph model.svg")
def model(
    study: Folder,
    *,
    fitting: Annotated[Fitting, without("level", "seed")],
    graph: Annotated[
        Path | None, typer.Option("--graph", help="Draw what hangs on what here: .svg or .png.")
    ] = None,
    told: Told,
) -> None:
    """Show the model that the study's columns call for: equation, priors, and what is left out.

    Nothing is sampled. `fit` and `report` with the same options use this model.
    """
    with errors_in_words(told.json):
        from durability.inference.checking.earlier import one_law
        from durability.inference.described import described

        read = fitting.read(study)
        found = described(read, law=one_law(read, fitting.law), errors=fitting.errors)  # type: ignore[arg-type]
        keep(found.to_dict(), told.out)
        if graph is not None:
            from durability.report.law_figure import save_picture
            from durability.report.model_figure import model_figure

            save_picture(model_figure(found), graph)
        if told.json:
            print_json(found.to_dict())
            return
        print(title_of(read.title, read.invented))
        print_model(found)
        if not told.quiet:
            print_cautions(read.cautions)


def print_model(found: Described) -> None:
    """Equation, terms by what they move, and what was left out."""

    def say(text: str, indent: int = 2) -> None:
        print(fill(text, 98, initial_indent=" " * indent, subsequent_indent=" " * (indent + 4)))

    print(f"\nlaw: {found.law}\n\nThe model, as the report holds it:")
    for line in found.equation:
        say(line)
    print("\nWhat is estimated, from which columns, and what is believed before the strips:")
    before = None
    for moves, term, source, prior in found.rows()[1:]:
        if moves != before:
            print(f"  {moves}")
        before = moves
        say(f"{term}; from {source}; before: {prior}", 4)
    if found.left_out:
        print("\nLeft out:")
        for what, why in found.left_out:
            say(f"{what}: {why}")
    print("\nWhat carries information:")
    for kind, n in found.data:
        say(f"{kind}: {n}")
    print()


__all__ = ["model", "print_model"]
