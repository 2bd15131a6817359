"""The fit of a command: read back where it matches, else made and kept."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from durability.cli.app import FIT_FAILED
from durability.terminal import progress

if TYPE_CHECKING:
    from durability.inference import Fit
    from durability.study import Study

REUSED = "The earlier fit was reused: inputs, models and seed are the same."
FITTED_AGAIN = "Fitted again: the earlier results are of other inputs, models, settings or seed."


def sites_asked(study: Study, named: list[str] | None) -> list[str]:
    """The sites named, or those of the study's own question; each is read, so that a misspelt name
    is known before anything is fitted."""
    from durability.report import check_sites

    asked = named or list(study.question.sites)
    if not asked:
        raise ValueError("name a site with --site, or in study.toml under [question] sites")
    check_sites(asked)
    return asked


def fitted(
    study: Study,
    law: str | None,
    errors: str,
    level: float | None,
    seed: int,
    out: Path | None,
    quiet: bool,
) -> tuple[Fit, dict[str, Any]]:
    """The fit, read back from the results folder where it matches, else made and kept there."""
    from durability.inference.checking.earlier import default_law
    from durability.report import fit_or_reuse
    from durability.report.results import keep_fit

    folder = out if out is not None else study.folder / "results"
    earlier = (folder / "provenance.json").is_file()
    with progress(quiet) as tell:
        made, record, reused = fit_or_reuse(
            study, law=law or default_law(study), errors=errors, level=level, seed=seed,
            sampler=None, out=folder, progress=tell,
        )  # fmt: skip
        if not reused and made.diagnostics.ok:
            keep_fit(made, record, folder)
    if not quiet and reused:
        print(REUSED, file=sys.stderr)
    elif not quiet and earlier:
        print(FITTED_AGAIN, file=sys.stderr)
    return made, record


def gate(made: Fit) -> None:
    if not made.diagnostics.ok:
        print(f"error: {made.diagnostics}", file=sys.stderr)
        print("Nothing above may be quoted. Try another --law, or more strips.", file=sys.stderr)
        raise typer.Exit(FIT_FAILED)
