"""What does the laboratory ask of the model? Law, structure and earlier studies, from [model].

Absent keys leave each choice to the data: shapes and scatter by product, covariates where enough
products hold them, and a law by rule.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field

from durability import catalogue
from durability.study.checked import FILE, checked
from durability.study.findings import Findings, near
from durability.study.model import AVERAGED, Material, ModelChoices, Study
from durability.study.schema import Text, _Table, _wrong

_SHARING = '"product", "shared" or "pooled"'
_FORMS = '"linear", "log", "smooth" or "class"'
_LAW = f'a name of models/laws, a .toml file in the study folder, or "{AVERAGED}"'
_ERRORS = ("lognormal", "normal", "power", "student")


def _errors(text: str) -> str:
    if text not in _ERRORS:
        raise _wrong(near(text, _ERRORS))
    return text


class ModelTable(_Table):
    """[model]"""

    shape: Literal["product", "shared", "pooled"] = Field(default="product", description=_SHARING)
    spread: Literal["product", "shared", "pooled"] = Field(default="product", description=_SHARING)
    law: Text | None = Field(default=None, description=_LAW)
    errors: Annotated[Text, AfterValidator(_errors)] = Field(
        default="lognormal", description='"lognormal", "normal", "power" or "student"'
    )
    covariates: dict[str, str] | None = Field(
        default=None,
        description=f'covariates with their forms, such as {{ loading = "log" }}: {_FORMS}',
    )
    pool: bool = Field(default=False, description="true or false")
    prior_from: Text | None = Field(
        default=None,
        description="results.nc of an earlier study, its results folder, or a folder of studies",
    )
    prior_power: Annotated[float, Field(gt=0, le=1)] = Field(
        default=1.0, description="how much earlier studies count, above 0 and up to 1"
    )


def choices_of(
    raw: Any,
    materials: Mapping[str, Material | None],
    folder: Path,
    findings: Findings,
    inputs: dict[str, str],
) -> ModelChoices:
    """The table [model]; what is wrong in it is noted, and a law file counted among the inputs."""
    asked = raw if isinstance(raw, dict) else {}  # names are looked up whatever else is wrong
    if isinstance(asked.get("law"), str) and asked["law"].strip():
        _find_law(asked["law"].strip(), folder, findings, inputs)
    known = dict.fromkeys(n for m in materials.values() if m is not None for n in m.covariates)
    named = asked.get("covariates")
    for name, form in named.items() if isinstance(named, dict) else ():
        column = f"model.covariates.{name}"
        if name not in known:
            findings.problem(
                FILE, "the name of a covariate under [materials.NAME.covariates]", found=name,
                column=column, mend=near(name, known),
            )  # fmt: skip
        if isinstance(form, str) and form not in ("linear", "log", "smooth", "class"):
            findings.problem(FILE, _FORMS, found=form, column=column)
    table = checked(ModelTable, raw, "model", findings)
    if table is None:
        return ModelChoices()
    if "prior_power" in asked and table.prior_from is None:
        findings.problem(
            FILE, "prior_from beside prior_power", column="model.prior_from",
            mend="Name the earlier results, or remove prior_power.",
        )  # fmt: skip
    kept = table.model_dump()
    named = kept.pop("covariates")
    return ModelChoices(covariates=None if named is None else tuple(named.items()), **kept)


def _find_law(named: str, folder: Path, findings: Findings, inputs: dict[str, str]) -> None:
    """Note a law that is neither known nor a file of the study folder."""
    known = (*catalogue.names("laws"), AVERAGED)
    if named in known:
        return
    file = folder / named
    inside = file.resolve().is_relative_to(folder.resolve())
    if named.endswith(".toml") and inside and file.is_file():
        inputs[named] = catalogue.sha256(file)
        return
    findings.problem(FILE, _LAW, found=named, column="model.law", mend=near(named, known))


def law_named(study: Study) -> str | None:
    """The law that study.toml asks for, to be read as `durability.read_law` does.

    Returns
    -------
    A name, ``"averaged"``, the path of a law file in the study folder, or None where it names none.

    Examples
    --------
    >>> import durability
    >>> law_named(durability.read_study("examples/quarry-cover")) is None
    True
    """
    named = study.choices.law
    if named is None or not named.endswith(".toml"):
        return named
    return str(study.folder / named)


def with_choices(
    study: Study,
    *,
    shape: str | None = None,
    spread: str | None = None,
    covariates: Mapping[str, str] | None = None,
    pool: bool | None = None,
    prior_from: str | Path | None = None,
    prior_power: float | None = None,
) -> Study:
    """The study with other choices of the model than its study.toml makes.

    Parameters
    ----------
    study : read or made.
    shape, spread, covariates, pool, prior_from, prior_power : as in
        `durability.study.ModelChoices`; None keeps the study's own. A `prior_from` that exists is
        kept as an absolute path.

    Returns
    -------
    Study

    Examples
    --------
    >>> import durability
    >>> study = durability.read_study("examples/quarry-cover")
    >>> with_choices(study, shape="shared").choices.shape
    'shared'
    """
    given: dict[str, Any] = {
        "shape": shape,
        "spread": spread,
        "covariates": None if covariates is None else tuple(covariates.items()),
        "pool": pool,
        "prior_from": str(Path(prior_from).absolute()) if prior_from is not None else None,
        "prior_power": prior_power,
    }
    changed = {k: v for k, v in given.items() if v is not None}
    return replace(study, choices=replace(study.choices, **changed)) if changed else study
