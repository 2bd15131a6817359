"""Arguments and options that several commands take."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def _level(value: float | None) -> float | None:
    if value is not None and not 0 < value < 1:
        raise typer.BadParameter(f"{value:g} does not lie between 0 and 1; say 0.9 for 90 %")
    return value


Folder = Annotated[Path, typer.Argument(help="Study folder, with its study.toml.")]
Json = Annotated[bool, typer.Option("--json", help="Print one JSON document and nothing else.")]
Quiet = Annotated[bool, typer.Option("--quiet", "-q", help="No progress and no cautions.")]
Seed = Annotated[int, typer.Option("--seed", min=0, max=2**32 - 1, help="Same seed, same numbers.")]
Out = Annotated[
    Path | None, typer.Option("--out", help="Results folder; STUDY/results if left out.")
]
File = Annotated[Path | None, typer.Option("--out", help="Also write the JSON document here.")]
LawName = Annotated[
    str | None, typer.Option("--law", help="A law of `durability laws`, a law file, or averaged.")
]
Errors = Annotated[str, typer.Option("--errors", help="Scatter of strips: lognormal or normal.")]
Level = Annotated[
    float | None,
    typer.Option("--level", callback=_level, help="Level of intervals, such as 0.9."),
]
Sites = Annotated[
    list[str] | None,
    typer.Option("--site", help="A site of `durability sites` or a weather file; may be repeated."),
]
