"""Arguments and options that several commands take."""

from __future__ import annotations

import functools
import inspect
from collections.abc import Callable, Mapping
from contextvars import ContextVar
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, get_type_hints

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
    str | None,
    typer.Option(
        "--law",
        help="A law of `durability laws`, a law file, or averaged; else as in study.toml.",
    ),
]
Errors = Annotated[
    str | None,
    typer.Option(
        "--errors",
        help="Scatter of strips: lognormal, normal, power or student; else as in study.toml.",
    ),
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
_SHARINGS = ("product", "shared", "pooled")
MODEL_OPTIONS: dict[str, Any] = {
    "shape": Annotated[str | None, typer.Option("--shape", help=f"The law's shapes: {_SHARED}")],
    "spread": Annotated[str | None, typer.Option("--spread", help=f"Scatter of strips: {_SHARED}")],
    "covariate": Annotated[
        list[str] | None,
        typer.Option(
            "--covariate",
            help="NAME=FORM, with form linear, log, smooth or class, or none; may be repeated.",
        ),
    ],
    "pool": Annotated[
        bool | None,
        typer.Option("--pool/--no-pool", help="Products partially pooled about a common level."),
    ],
    "prior_from": Annotated[
        Path | None,
        typer.Option(
            "--prior-from",
            help="results.nc of an earlier study, or a folder of earlier study folders.",
        ),
    ],
    "power": Annotated[
        float | None,
        typer.Option(
            "--power",
            min=0.001,
            max=1.0,
            help="How much earlier studies count: 1 in full, 0.5 half.",
        ),
    ],
}
"""What [model] of study.toml says, as options of every command that fits."""
_asked: ContextVar[Mapping[str, Any]] = ContextVar("choices of the model at the command line")


def model_options[F: Callable[..., None]](command: F) -> F:
    """A command with `MODEL_OPTIONS`, which `as_chosen` heeds while it runs."""

    @functools.wraps(command)
    def run(*args: Any, **named: Any) -> None:
        token = _asked.set({name: named.pop(name, None) for name in MODEL_OPTIONS})
        try:
            command(*args, **named)
        finally:
            _asked.reset(token)

    own = inspect.signature(command)
    before = [p for p in own.parameters.values() if p.name not in LAST]
    last = [p for p in own.parameters.values() if p.name in LAST]
    keyword, hints = inspect.Parameter.KEYWORD_ONLY, get_type_hints(command, include_extras=True)
    more = [inspect.Parameter(n, keyword, default=None, annotation=a)
            for n, a in MODEL_OPTIONS.items()]  # fmt: skip
    last = [p.replace(kind=keyword) for p in last]
    made: Any = run
    made.__signature__ = own.replace(
        parameters=[
            p.replace(annotation=hints.get(p.name, p.annotation)) for p in (*before, *more, *last)
        ]
    )
    made.__annotations__ = hints | MODEL_OPTIONS
    return made


LAST = ("out", "json", "quiet")  # stand at the end of --help


def as_chosen(study: Study) -> Study:
    """The study with the choices of the model that the command line makes."""
    asked = _asked.get({})
    if all(value is None for value in asked.values()):
        return study
    from durability.study.choices import with_choices

    for name in ("shape", "spread"):
        if asked[name] not in (None, *_SHARINGS):
            known = ", ".join(_SHARINGS)
            raise ValueError(f'--{name} "{asked[name]}" is unknown; known: {known}')
    return with_choices(
        study, shape=asked["shape"], spread=asked["spread"],
        covariates=_forms(asked["covariate"]), pool=asked["pool"],
        prior_from=asked["prior_from"], prior_power=asked["power"],
    )  # fmt: skip


def refuse_model_options(why: str) -> None:
    """Without a study there is no model to choose.

    Raises
    ------
    ValueError : an option of the model was given.
    """
    given = [name for name, value in _asked.get({}).items() if value is not None]
    if given:
        named = ", ".join(f"--{name.replace('_', '-')}" for name in given)
        raise ValueError(f"{named}: these go with a study folder, not with {why}")


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
