"""Would the laboratory have foretold the strips in the open, and what do these teach?"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from durability.cli.app import command, errors_in_words, keep
from durability.cli.fitted import fitted, gate
from durability.cli.groups import without
from durability.cli.options import Fitting, Folder, Told, ToldInFolder
from durability.terminal import print_cautions, print_json, progress, title_of

if TYPE_CHECKING:
    from durability.inference.hindcast import Hindcast


@command(epilog="Example:  durability hindcast STUDY --level 0.9 --figure foretold.png")
def hindcast(
    study: Folder,
    *,
    fitting: Annotated[Fitting, without("errors", "level")],
    level: Annotated[
        float, typer.Option("--level", min=0.01, max=0.999, help="Level of predicted intervals.")
    ] = 0.9,
    figure: Annotated[
        Path | None, typer.Option("--figure", help="Write a picture here: .png, .svg or .pdf.")
    ] = None,
    told: Told,
) -> None:
    """Predict strips in the open from the laboratory alone, and count those foretold."""
    with errors_in_words(told.json):
        from durability.inference.hindcast import hindcast as predicted

        read = fitting.read(study)
        with progress(told.quiet) as tell:
            found = predicted(read, law=fitting.law, level=level, seed=fitting.seed, progress=tell)
        keep(found.to_dict(), told.out)
        if figure is not None:
            from durability.report.hindcast_figure import save_figure

            save_figure(found, figure)
        if told.json:
            print_json(found.to_dict())
            return
        print_hindcast(found, invented=read.invented)
        if not told.quiet:
            print_cautions(read.cautions)


@command("lab-to-sky", epilog="Example:  durability lab-to-sky STUDY --seed 1")
def lab_to_sky(
    study: Folder,
    *,
    fitting: Fitting,
    told: ToldInFolder,
) -> None:
    """What strips in the open say of the step from lamp to sky, site by site."""
    with errors_in_words(told.json):
        from durability.translation import lab_to_sky as learned

        read = fitting.read(study)
        made, _ = fitted(read, fitting, told.out, told.quiet)
        gate(made)
        found = learned(made, level=fitting.level)
        if told.json:
            print_json(found.to_dict())
            return
        print(title_of(read.title, read.invented))
        for label, text in found.rows()[1:]:
            print(f"{label}: {text}")
        if not told.quiet:
            print_cautions(read.cautions)


def print_hindcast(found: Hindcast, *, invented: bool = False) -> None:
    """The counts, then one line a group of strips."""
    print(title_of(found.title, invented))
    for label, text in found.rows()[1:]:
        print(f"{label}: {text}")
    heads = ("given", "material", "lot", "direction", "exposure", "days", "found", "predicted")
    groups: Any = found.groups.itertuples()
    lines = [heads] + [
        (
            g.given, g.material, g.lot, g.direction, g.exposure, f"{g.days:g}", f"{g.observed:.2f}",
            f"{g.predicted:.2f} ({g.low:.2f} to {g.high:.2f}){'' if g.inside else '  outside'}",
        )
        for g in groups
    ]  # fmt: skip
    wide = [max(len(str(line[i])) for line in lines) for i in range(len(heads))]
    print()
    for line in lines:
        print("  ".join(str(x).ljust(w) for x, w in zip(line, wide, strict=True) if w).rstrip())
