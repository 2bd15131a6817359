"""The fit of a command: read back where it matches, else made, and kept where no report lies."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from durability.cli.app import FIT_FAILED
from durability.terminal import progress

if TYPE_CHECKING:
    from durability.cli.lying import Lying
    from durability.cli.options import Fitting, Told
    from durability.inference import Fit
    from durability.study import Study

REUSED = "The earlier fit was reused: inputs, models and seed are the same."
FITTED_AGAIN = "Fitted again: the earlier results are of other inputs, models, settings or seed."
NOT_KEPT = (
    "Fitted again, and not kept: the report in the results folder is of other inputs, models,"
    " settings or seed. `durability report` makes it anew."
)


def fitted(
    study: Study, fitting: Fitting, out: Path | None, quiet: bool
) -> tuple[Fit, dict[str, Any]]:
    """The fit, read back from the results folder where it matches, else made.

    What is made is kept there, unless a whole report lies there. Where neither an option nor
    study.toml names a law, it is that of the report, if the report chose it by rule: so a command
    and the report answer alike.
    """
    from durability.inference.checking.earlier import default_law
    from durability.report import fit_or_reuse
    from durability.report.results import keep_fit
    from durability.study.choices import law_named

    folder = out if out is not None else study.folder / "results"
    earlier, whole = ((folder / name).is_file() for name in ("provenance.json", "report.html"))
    used = fitting.law or law_named(study) or _law_of_report(folder) or default_law(study)
    with progress(quiet) as tell:
        made, record, reused = fit_or_reuse(
            study, law=used, errors=fitting.errors, level=fitting.level, seed=fitting.seed,
            sampler=None, out=folder, progress=tell,
        )  # fmt: skip
        if not reused and not whole and made.diagnostics.ok:
            keep_fit(made, record, folder)
    if not quiet and reused:
        print(REUSED, file=sys.stderr)
    elif not quiet and earlier:
        print(NOT_KEPT if whole else FITTED_AGAIN, file=sys.stderr)
    return made, record


def fitted_there(
    folder: Path, fitting: Fitting, lying: Lying, told: Told, out: Path | None = None
) -> tuple[Fit, list[str]]:
    """The fit of a study, read as its question or an option says, and the sites asked about."""
    from durability.translation.plane import counted

    study = lying.asked(fitting.read(folder))
    sites = lying.sites(study)
    made, _ = fitted(study, fitting, out, told.quiet)
    gate(made)
    say_lying(study, told)
    return counted(made), sites


def say_lying(study: Study, told: Told) -> None:
    """How the fabric lies, where it is not flat on open ground."""
    from durability.translation.plane import lying_words

    lies = lying_words(study.question)
    if lies and not told.json:
        print(f"Days are counted for fabric that lies {lies}.\n")


def _law_of_report(folder: Path) -> str | None:
    """The name of the law under which a report answers, where a rule chose it."""
    from durability.report.run import BY_RULE

    try:
        record = json.loads((folder / "provenance.json").read_text(encoding="utf-8"))
        chosen = str(record["whole"]).endswith(BY_RULE)
        return str(record["asked"]["law"]["name"]) if chosen else None
    except (OSError, ValueError, LookupError, TypeError):
        return None


def gate(made: Fit) -> None:
    if not made.diagnostics.ok:
        print(f"error: {made.diagnostics}", file=sys.stderr)
        way = (
            "Leave out --quick." if made.diagnostics.quick else "Try another --law, or more strips."
        )
        print(f"Nothing above may be quoted. {way}", file=sys.stderr)
        raise typer.Exit(FIT_FAILED)
