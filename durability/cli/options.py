"""Arguments and options that several commands take."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from durability.study import Study


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
Errors = Annotated[
    str, typer.Option("--errors", help="Scatter of strips: lognormal, normal, power or student.")
]
Level = Annotated[
    float | None,
    typer.Option("--level", callback=_level, help="Level of intervals, such as 0.9."),
]
Sites = Annotated[
    list[str] | None,
    typer.Option("--site", help="A site of `durability sites` or a weather file; may be repeated."),
]

_SHARED = "product, shared or pooled; as in study.toml if left out."
Shape = Annotated[str | None, typer.Option("--shape", help=f"The law's shapes: {_SHARED}")]
Spread = Annotated[str | None, typer.Option("--spread", help=f"Scatter of strips: {_SHARED}")]
Covariates = Annotated[
    list[str] | None,
    typer.Option(
        "--covariate",
        help="NAME=FORM, with form linear, log, smooth or class, or none; may be repeated.",
    ),
]
Pool = Annotated[
    bool | None,
    typer.Option("--pool/--no-pool", help="Products partially pooled about a common level."),
]
PriorFrom = Annotated[
    Path | None,
    typer.Option(
        "--prior-from",
        help="results.nc of an earlier study, or a folder of earlier study folders.",
    ),
]
PriorPower = Annotated[
    float | None,
    typer.Option(
        "--power",
        min=0.001,
        max=1.0,
        help="How much earlier studies count: 1 in full, 0.5 half.",
    ),
]


def chosen(
    study: Study,
    *,
    shape: str | None = None,
    spread: str | None = None,
    covariates: list[str] | None = None,
    pool: bool | None = None,
    prior_from: Path | None = None,
    power: float | None = None,
) -> Study:
    """The study with the choices of the model that the command line makes."""
    from durability.study.choices import with_choices

    for name, value in (("--shape", shape), ("--spread", spread)):
        if value not in (None, "product", "shared", "pooled"):
            raise ValueError(f'{name} "{value}" is unknown; known: product, shared, pooled')
    return with_choices(
        study, shape=shape, spread=spread, covariates=_forms(covariates), pool=pool,
        prior_from=prior_from, prior_power=power,
    )  # fmt: skip


def _forms(texts: list[str] | None) -> dict[str, str] | None:
    if texts is None:
        return None
    forms = {}
    for text in texts:
        name, _, form = text.rpartition("=")
        if text == "none" and len(texts) == 1:
            return {}
        if form not in ("linear", "log", "smooth", "class") or not name:
            raise ValueError(
                f'--covariate "{text}" is not understood; say NAME=FORM with form linear, log,'
                " smooth or class, such as loading=log, or none alone"
            )
        forms[name] = form
    return forms
