"""Can a run be made again as it was asked? Runs a study as a record says, into a folder of its own.

    python -m durability.report.repeat REQUEST.json

does the same in a process whose model files are those of an archive.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from durability import catalogue
from durability.report.results import keep_fit
from durability.report.run import FitFailed, fit_or_reuse, report

if TYPE_CHECKING:
    from durability.study import Study

Progress = Callable[[str, float], None]


class RepeatFailed(RuntimeError):
    """The run could not be made again; says why."""


def repeat(
    record: dict[str, Any],
    study: Path,
    out: Path,
    *,
    files: dict[str, Path],
    models: Path | None = None,
    progress: Progress | None = None,
) -> None:
    """Make a run again, without reusing anything.

    Parameters
    ----------
    record : provenance.json of the run.
    study : the study folder.
    out : where to write; not the earlier results.
    files : laws and weather files that were asked for, by their hash.
    models : a folder of model files to use in place of the installed ones.
    progress : called with a word and the share done.

    Raises
    ------
    RepeatFailed : the study cannot be read, or the fit misses its diagnostics.
    """
    asked = record.get("asked") or {}
    law = asked.get("law") or {"name": str(record["law"]).partition(":")[0]}
    sites = asked.get("sites")
    request = {
        "study": str(study),
        "out": str(out),
        "law": _place(law, files),
        "sites": None if sites is None else [_place(s, files) for s in sites],
        "lying": _lying(asked.get("lying"), files),
        "level": asked.get("level"),
        "errors": record["errors"],
        "seed": record["seed"],
        "settings": {k: v for k, v in record["settings"].items() if k != "cores"},
        "despite_diagnostics": bool(asked.get("despite_diagnostics")),
        "model": record.get("model"),
        "earlier": record.get("earlier"),
    }
    if models is None or models.resolve() == catalogue.models_folder().resolve():
        try:
            _run(request, progress)
        except (FitFailed, LookupError, ValueError, OSError) as error:
            raise RepeatFailed(_words(error)) from error
    else:
        if progress is not None:
            progress("repeating with the model files of the archive", 0.0)
        _elsewhere(request, models)


def _words(error: Exception) -> str:
    return str(error.args[0]) if error.args else type(error).__name__


def _place(thing: dict[str, str], files: dict[str, Path]) -> str:
    return str(files[thing["sha256"]]) if "sha256" in thing else thing["name"]


def _lying(said: dict[str, Any] | None, files: dict[str, Path]) -> dict[str, Any]:
    """What was said of fabric in the open; nothing of it in an earlier record."""
    spectrum = (said or {}).get("action_spectrum")
    return {**(said or {}), **({"action_spectrum": _place(spectrum, files)} if spectrum else {})}


def _run(request: dict[str, Any], progress: Progress | None) -> None:
    from durability.study import read_study

    with tempfile.TemporaryDirectory() as place:
        _run_study(_as_asked(read_study(request["study"]), request, Path(place)), request, progress)


def _as_asked(study: Study, request: dict[str, Any], place: Path) -> Study:
    """The study with the choices of model and sky that were made; earlier studies as recorded."""
    from durability.study import ModelChoices

    study = replace(study, question=replace(study.question, **request["lying"]))
    asked = request.get("model")
    if asked is None:
        return study
    prior = None
    if request.get("earlier") is not None:
        prior = place / "earlier.json"
        prior.write_text(json.dumps(request["earlier"]), encoding="utf-8")
    named = asked["covariates"]
    choices = {
        **asked,
        "covariates": None if named is None else tuple((n, form) for n, form in named),
        "prior_from": None if prior is None else str(prior),
    }
    return replace(study, choices=ModelChoices(**choices))


def _run_study(study: Study, request: dict[str, Any], progress: Progress | None) -> None:
    from durability.inference import Sampler

    out = Path(request["out"])
    options: dict[str, Any] = {
        "law": request["law"],
        "errors": request["errors"],
        "level": request["level"],
        "seed": request["seed"],
        "sampler": Sampler(**request["settings"]),
    }
    tell = progress or (lambda stage, share: None)
    if request["sites"] is None:
        made, record, _ = fit_or_reuse(study, out=out, progress=tell, reuse=False, **options)
        if not made.diagnostics.ok:
            raise FitFailed(made)
        keep_fit(made, record, out)
    else:
        report(
            study, sites=request["sites"], out=out, progress=tell,
            despite_diagnostics=request["despite_diagnostics"], **options,
        )  # fmt: skip


def _elsewhere(request: dict[str, Any], models: Path) -> None:
    """The same in a second process, since model files are read once a process."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "request.json"
        file.write_text(json.dumps(request), encoding="utf-8")
        done = subprocess.run(
            [sys.executable, "-P", "-m", "durability.report.repeat", str(file)],
            env={**os.environ, "DURABILITY_MODELS": str(models.resolve())},
            stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False,
        )  # fmt: skip
    if done.returncode:
        last = done.stderr.strip().splitlines()[-1:] or ["it ended without a word"]
        raise RepeatFailed(last[0])


if __name__ == "__main__":
    try:
        _run(json.loads(Path(sys.argv[1]).read_text(encoding="utf-8")), None)
    except (FitFailed, LookupError, ValueError, OSError) as error:
        print(_words(error).replace("\n", " "), file=sys.stderr)
        sys.exit(1)
