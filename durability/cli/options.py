"""Arguments and options that several commands take, alone or as groups."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, ClassVar

import typer

from durability.cli.app import keep
from durability.cli.groups import Group
from durability.terminal import print_json

if TYPE_CHECKING:
    from durability.inference import Fit
    from durability.laws import Law
    from durability.statement import Subject
    from durability.study import Study


def _level(value: float | None) -> float | None:
    if value is not None and not 0 < value < 1:
        raise typer.BadParameter(f"{value:g} does not lie between 0 and 1; say 0.9 for 90 %")
    return value


Folder = Annotated[Path, typer.Argument(help="Study folder, with its study.toml.")]
Seed = Annotated[int, typer.Option("--seed", min=0, max=2**32 - 1, help="Same seed, same numbers.")]
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
Material = Annotated[str | None, typer.Option("--material", help="The first if left out.")]
Fraction = Annotated[
    float | None, typer.Option("--fraction", help="Of the unexposed strength; the study's first.")
]
Of = Annotated[
    str | None, typer.Option("--of", help="mean, new_lot or single_specimen; the study's question.")
]
Assurance = Annotated[
    float | None, typer.Option("--assurance", help="Probability that an answer needs; the study's.")
]


def subject_named(of: str | None) -> Subject | None:
    """The subject of --of; None takes the study's."""
    from durability.translation.translate import SUBJECTS

    if of is None:
        return None
    for known in SUBJECTS:
        if of == known:
            return known
    raise ValueError(f"--of is {of!r}; known: {', '.join(SUBJECTS)}")


_SHARED = "product, shared or pooled; as in study.toml if left out."
_SHARINGS = ("product", "shared", "pooled")


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitting(Group):
    """How a study is fitted; None takes what [model] of study.toml says."""

    heading: ClassVar[str] = "How it is fitted"

    law: Annotated[
        str | None,
        typer.Option(
            "--law",
            help="A law of `durability laws`, a law file, or averaged; else as in study.toml.",
        ),
    ] = None
    errors: Errors = None
    level: Level = None
    seed: Seed = 0
    shape: Annotated[str | None, typer.Option("--shape", help=f"The law's shapes: {_SHARED}")] = (
        None
    )
    spread: Annotated[
        str | None, typer.Option("--spread", help=f"Scatter of strips: {_SHARED}")
    ] = None
    covariate: Annotated[
        list[str] | None,
        typer.Option(
            "--covariate",
            help="NAME=FORM, with form linear, log, smooth or class, or none; may be repeated.",
        ),
    ] = None
    pool: Annotated[
        bool | None,
        typer.Option("--pool/--no-pool", help="Products partially pooled about a common level."),
    ] = None
    prior_from: Annotated[
        Path | None,
        typer.Option(
            "--prior-from",
            help="results.nc of an earlier study, or a folder of earlier study folders.",
        ),
    ] = None
    power: Annotated[
        float | None,
        typer.Option(
            "--power",
            min=0.001,
            max=1.0,
            help="How much earlier studies count: 1 in full, 0.5 half.",
        ),
    ] = None

    def choices(self) -> dict[str, Any]:
        """Keywords of `durability.study.choices.with_choices`; None keeps the study's own."""
        for name, said in (("shape", self.shape), ("spread", self.spread)):
            if said not in (None, *_SHARINGS):
                raise ValueError(f'--{name} "{said}" is unknown; known: {", ".join(_SHARINGS)}')
        return {
            "shape": self.shape, "spread": self.spread, "covariates": _forms(self.covariate),
            "pool": self.pool, "prior_from": self.prior_from, "prior_power": self.power,
        }  # fmt: skip

    def read(self, folder: Path) -> Study:
        """The study, with the choices of its model that the command line makes."""
        from durability.study import read_study
        from durability.study.choices import with_choices

        return with_choices(read_study(folder), **self.choices())

    def asked(self, law: str | Law | None = None) -> dict[str, Any]:
        """Keywords of fits and reports; the law is the one given, or that of --law."""
        return {
            "law": self.law if law is None else law, "errors": self.errors, "level": self.level,
            "seed": self.seed,
        }  # fmt: skip

    def refuse_choices(self, why: str) -> None:
        """Without a study there is no model to choose.

        Raises
        ------
        ValueError : an option of the model was given.
        """
        names = ("shape", "spread", "covariate", "pool", "prior_from", "power")
        given = [f"--{n.replace('_', '-')}" for n in names if getattr(self, n) is not None]
        if given:
            raise ValueError(f"{', '.join(given)}: these go with a study folder, not with {why}")


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked(Group):
    """What must be left, of what, and how sure; None takes the study's."""

    heading: ClassVar[str] = "What is asked"

    required: Annotated[
        float | None,
        typer.Option(
            "--required", help="Fraction that must be left, such as 0.5; the study's own."
        ),
    ] = None
    of: Of = None
    assurance: Assurance = None
    share: Annotated[
        float | None,
        typer.Option("--share", help="Share of single strips that must hold; the study's."),
    ] = None

    def keywords(self) -> dict[str, Any]:
        """Of `durability.decisions.covering.cover` and its like."""
        return {
            "required": self.required, "of": subject_named(self.of), "assurance": self.assurance,
            "share": self.share,
        }  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Number(Group):
    """Which number strips to come are to tell; None takes [plan] or [question] of the study."""

    heading: ClassVar[str] = "Which number is asked about"

    material: Material = None
    direction: Annotated[
        str | None, typer.Option("--direction", help="machine or cross; the weaker if left out.")
    ] = None
    fraction: Fraction = None
    of: Of = None
    site: Annotated[
        str | None, typer.Option("--site", help="Ask for days there, laid in the worst month.")
    ] = None
    against: Annotated[
        str | None, typer.Option("--against", help="Ask for the ratio to this package.")
    ] = None
    required: Annotated[
        str | None,
        typer.Option(
            "--required", help="What is to be exceeded: '500 h', a dose, '30 days', a ratio."
        ),
    ] = None
    assurance: Assurance = None

    def subject(self) -> Subject | None:
        """Of --of; None takes the study's."""
        return subject_named(self.of)

    def keywords(self, fit: Fit) -> dict[str, Any]:
        """Of `durability.decisions.next_strips.next_strips` and its like."""
        from durability.decisions.asked_number import required_number

        where = {"material": self.material, "site": self.site, "against": self.against}
        needed = self.required
        return where | {
            "direction": self.direction, "of": self.subject(), "fraction": self.fraction,
            "assurance": self.assurance,
            "required": None if needed is None else required_number(fit, needed, **where),
        }  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Told(Group):
    """What is printed and kept."""

    heading: ClassVar[str] = "What is printed and kept"

    out: Annotated[
        Path | None, typer.Option("--out", help="Also write the JSON document here.")
    ] = None
    json: Annotated[
        bool, typer.Option("--json", help="Print one JSON document and nothing else.")
    ] = False
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="No progress and no cautions.")] = (
        False
    )

    def document(self, document: Any) -> bool:
        """Keep a document where it is asked for, print it under --json; whether that is all."""
        keep(document, self.out)
        if self.json:
            print_json(document)
        return self.json


@dataclass(frozen=True, slots=True, kw_only=True)
class ToldInFolder(Told):
    """What is printed, of a command that keeps a results folder."""

    out: Annotated[
        Path | None, typer.Option("--out", help="Results folder; STUDY/results if left out.")
    ] = None
