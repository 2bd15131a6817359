"""How are many studies done at once?"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from durability.cli.app import BAD_INPUT, FIT_FAILED, command, errors_in_words
from durability.cli.groups import without
from durability.cli.lying import Lying
from durability.cli.options import Fitting, Told
from durability.terminal import print_json, print_table


@command(epilog="Example:  durability batch examples/quarry-cover examples/uv-cycles --out all")
def batch(
    studies: Annotated[list[Path], typer.Argument(help="Study folders.")],
    *,
    lying: Lying,
    fitting: Fitting,
    workers: Annotated[
        int | None,
        typer.Option("--workers", min=1, help="Studies at once; as many as cores if left out."),
    ] = None,
    address: Annotated[
        str | None,
        typer.Option("--address", help="A dask scheduler, such as tcp://10.0.0.5:8786."),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option("--out", help="Folder with a results folder for each; else STUDY/results."),
    ] = None,
    told: Annotated[Told, without("out")],
) -> None:
    """Report on many studies at once; what is unchanged is left, so a broken batch goes on."""
    with errors_in_words(told.json):
        from durability.report.batch import Done
        from durability.report.batch import batch as run

        def tell(one: Done, number: int) -> None:
            if not told.quiet:
                print(f"{number} of {len(studies)}  {one.study}: {one.state}", file=sys.stderr)

        done = run(
            studies, out=out, workers=workers, address=address, sites=lying.site,
            choices=fitting.choices(), question=lying.question(), progress=tell,
            **fitting.asked(),
        )  # fmt: skip
        if told.json:
            print_json({"studies": [d.to_dict() for d in done]})
        else:
            rows = [[d.study, d.state, f"{d.seconds:.1f} s", d.words] for d in done]
            print_table(["study", "state", "time", "answer"], rows)
        bad = [d for d in done if d.state == "problems"]
        failed = [d for d in done if d.state in ("failed", "fault")]
        if not told.quiet and (bad or failed):
            print(f"{len(bad) + len(failed)} of {len(done)} not done", file=sys.stderr)
        if bad or failed:
            raise typer.Exit(BAD_INPUT if bad else FIT_FAILED)
