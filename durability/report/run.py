"""How does a study become results? Reads, fits or reuses, translates, and writes the folder."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from durability.report.record import asked_of, lying_of
from durability.report.results import (
    Results,
    collect,
    provenance,
    refuse_place,
    save,
    stored_document,
    stored_fit,
    whole_key,
    write_folder,
)
from durability.study.model import AVERAGED

if TYPE_CHECKING:
    from durability.inference import Fit, Sampler
    from durability.inference.checking import LastDose
    from durability.laws import Law
    from durability.study import Study
    from durability.study.model import Question
    from durability.translation import Translation

Progress = Callable[[str, float], None]


class FitFailed(RuntimeError):
    """The sampler missed its limits: nothing is quoted; `fit` says which and by how much."""

    def __init__(self, fit: Fit) -> None:
        self.fit = fit
        super().__init__(f"{fit.study.title}: {fit.diagnostics}")


BY_RULE = "; law by rule"
"""Marks the key of a report whose law nobody named."""


def _quiet(stage: str, share: float) -> None:
    pass


def fit_record(
    study: Study, *, law: Law | str, errors: str, seed: int, sampler: Sampler
) -> dict[str, Any]:
    """Provenance of a fit; its ``key`` is equal for runs that must give the same draws."""
    settings = asdict(replace(sampler, cores=0))
    return provenance(study, law=_identity(law), errors=errors, seed=seed, settings=settings)


def fit_or_reuse(
    study: Study,
    *,
    law: str | Path,
    errors: Any = None,
    level: float | None,
    seed: int,
    sampler: Sampler | None,
    out: Path,
    progress: Progress = _quiet,
    reuse: bool = True,
) -> tuple[Fit, dict[str, Any], bool]:
    """The fit of a study: read from `out` when it was made from the same things, else made anew.

    Returns
    -------
    fit, its provenance, and whether it was reused.

    Raises
    ------
    ResultsFolderError : `out` is a file, or holds other things.
    """
    from durability.inference import Sampler, fit
    from durability.inference.averaging import average_laws

    refuse_place(out)
    settings = sampler or Sampler()
    errors = errors or study.choices.errors
    the_law = _law_asked(law)
    record = fit_record(study, law=the_law, errors=errors, seed=seed, sampler=settings)
    level = level or study.question.level
    record["asked"] = asked_of(study, law=law, level=level, sites=None)
    if reuse:
        progress("looking for an earlier fit", 0.0)
        kept = stored_fit(out, study, record["key"], law=the_law, level=level)
        if kept is not None:
            return kept, _with_earlier(record, kept), True
    progress("finding the mode", 0.0)
    options: dict[str, Any] = {
        "errors": errors, "level": level, "sampler": settings, "seed": seed, "progress": progress,
        "keep": chains_of(out) if reuse else None,
    }  # fmt: skip
    if isinstance(the_law, str):
        made: Fit = average_laws(study, **options)
    else:
        made = fit(study, law=the_law, **options)
    shutil.rmtree(chains_of(out), ignore_errors=True)
    return made, _with_earlier(record, made), False


def chains_of(out: Path) -> Path:
    """Hidden folder beside a results folder, in which chains of an unfinished fit are kept."""
    return out.parent / f".chains-of-{out.name}"


def _with_earlier(record: dict[str, Any], made: Fit) -> dict[str, Any]:
    """The record with what earlier studies said, so that a run repeats without their files."""
    taught = made.model.taught
    return record if taught is None else record | {"earlier": taught.earlier}


def _law_asked(law: str | Path) -> Law | str:
    """The law of a name or file; ``"averaged"`` stays a word."""
    from durability.laws import read_law

    return AVERAGED if law == AVERAGED else read_law(law)


def _identity(law: Law | str) -> str:
    """All of a law that bears on a fit: a file of the user's own is not among the hashed models."""
    if isinstance(law, str):
        return law
    shapes = [
        f"{s.name} {s.lower!r} to {s.upper!r}, median {s.median!r}, sd of log {s.sd_log!r}"
        for s in law.shapes
    ]
    inverse = law.inverse_expression or "by root finding"
    return "; ".join([f"{law.name}: {law.expression}", inverse, f"floor {law.floor!r}", *shapes])


def last_dose_of(made: Fit, progress: Progress = _quiet) -> LastDose | None:
    """The last dose hidden and foretold; None where the fit itself may not be quoted."""
    from durability.inference.checking import last_dose_check

    if not made.diagnostics.ok:
        return None
    progress("hiding the last dose", 0.0)
    return last_dose_check(made, short=True)


def check_sites(sites: Sequence[str | Path], question: Question) -> None:
    """Read every site, so that a misspelt name or a bad file is known before anything is fitted.

    Parameters
    ----------
    sites : names or files.
    question : that is asked of them.

    Raises
    ------
    LookupError, StudyError : as `durability.exposure.read_site`.
    ValueError : ultraviolet measured at one place is said of several.
    """
    from durability.translation.plane import place_of

    if question.measured_uv is not None and len(sites) > 1:
        raise ValueError(
            f"measured ultraviolet is a total of one place, and {len(sites)} sites are asked for; "
            "name one"
        )
    for site in sites:
        place_of(question, site)


def translations_of(
    fit: Fit, sites: Sequence[str | Path], *, progress: Progress = _quiet
) -> tuple[list[Translation], list[str]]:
    """Translations to each site, and why some could not be made."""
    from durability.translation import TranslationRefused, translate

    def one(site: str | Path) -> Translation | str:
        progress(f"translating to {Path(site).name}", 0.5)
        try:
            return translate(fit, site=site)
        except TranslationRefused as reason:
            return f"{Path(site).name}: {reason}"

    with ThreadPoolExecutor(max_workers=2) as pool:  # the kernel runs without Python's lock
        found = list(pool.map(one, sites))
    refused = [f for f in found if isinstance(f, str)]
    return [f for f in found if not isinstance(f, str)], refused


def unchanged_report(
    study: Study,
    *,
    sites: Sequence[str | Path] | None = None,
    law: str | Path | None = None,
    errors: str | None = None,
    level: float | None = None,
    seed: int = 0,
    out: Path,
) -> dict[str, Any] | None:
    """The document of the report that lies in `out`, if `report` would write the same again.

    Parameters are those of `report`, with its default sampler.
    """
    from durability.inference import Sampler
    from durability.inference.checking.earlier import default_law
    from durability.study.choices import law_named

    asked = study.question.sites if sites is None else sites
    law, errors = law or law_named(study), errors or study.choices.errors
    for name in (law,) if law is not None else (AVERAGED, default_law(study)):
        record = fit_record(
            study, law=_law_asked(name), errors=errors, seed=seed, sampler=Sampler()
        )
        key = whole_key(record, level=level or study.question.level, sites=asked,
                        lying=lying_of(study))  # fmt: skip
        kept = stored_document(out, key + (BY_RULE if law is None else ""))
        if kept is not None:
            return kept
    return None


def report(
    study: Study | str | Path,
    *,
    sites: Sequence[str | Path] | None = None,
    law: str | Path | None = None,
    errors: str | None = None,
    level: float | None = None,
    seed: int = 0,
    sampler: Sampler | None = None,
    out: str | Path | None = None,
    progress: Progress | None = None,
    despite_diagnostics: bool = False,
) -> Results:
    """Do the whole job: read, fit, translate, and write results and report.

    Chains that are finished are kept in a hidden folder beside `out` until the last one is: a run
    that was interrupted or killed meanwhile goes on from them and ends with the same numbers.

    Parameters
    ----------
    study : a study, or the path of its folder; its question says how the fabric lies in the open.
    sites : names or weather files; the study's own question by default.
    law : a law of models/laws, a law file, or ``"averaged"`` over laws. By default that of
        study.toml, else the stretched exponential, unless laws part about a threshold beyond the
        last dose: then the average.
    errors : ``"lognormal"``, ``"normal"``, ``"power"`` or ``"student"``, as in `durability.fit`; as
        study.toml says by default.
    level : of intervals; the study's by default.
    seed : same seed, same numbers.
    sampler : settings.
    out : results folder; ``results`` in the study folder by default.
    progress : called with a word and the share done.
    despite_diagnostics : write numbers even where the sampler missed its limits; they are flagged.

    Returns
    -------
    Results

    Raises
    ------
    StudyError : the input has problems.
    FitFailed : the sampler missed its limits.
    ResultsFolderError : the folder cannot be written; the earlier results are untouched.
    """
    from durability.inference.averaging import laws_may_part
    from durability.inference.checking.earlier import default_law
    from durability.report.html import render_html
    from durability.report.pictures import pictures
    from durability.report.word import write_docx
    from durability.study import read_study
    from durability.study.choices import law_named
    from durability.translation.plane import counted

    tell = progress or _quiet
    if isinstance(study, str | Path):
        tell("reading the study", 0.0)
        study = read_study(study)
    folder = Path(out) if out is not None else study.folder / "results"
    asked = study.question.sites if sites is None else sites
    check_sites(asked, study.question)
    options: dict[str, Any] = {
        "errors": errors, "level": level, "seed": seed, "sampler": sampler, "out": folder,
        "progress": tell,
    }  # fmt: skip
    law = law or law_named(study)
    used = law or default_law(study)
    fitted, record, reused = fit_or_reuse(study, law=used, **options)
    if law is None:
        tell("asking other laws", 0.0)
        if laws_may_part(fitted):
            mixed, its_record, again = fit_or_reuse(study, law=AVERAGED, **options)
            if mixed.laws_part:
                fitted, record, reused, used = mixed, its_record, again, AVERAGED
    if not fitted.diagnostics.ok and not despite_diagnostics:
        raise FitFailed(fitted)
    fitted = counted(fitted)
    record["whole"] = whole_key(record, level=fitted.level, sites=asked, lying=lying_of(study))
    record["whole"] += BY_RULE if law is None else ""
    record["asked"] = asked_of(study, law=used, level=fitted.level, sites=asked) | {
        "despite_diagnostics": despite_diagnostics
    }
    made, refused = translations_of(fitted, asked, progress=tell)
    tell("collecting statements", 0.0)
    results = replace(
        collect(fitted, made, refused, record, sites=asked), folder=folder, reused=reused,
        last_dose=last_dose_of(fitted, tell),
    )  # fmt: skip

    def fill(fresh: Path) -> None:
        save(results, fresh)
        tell("drawing the report", 0.3)
        drawn = pictures(results)
        (fresh / "report.html").write_text(render_html(results, drawn=drawn), encoding="utf-8")
        tell("writing the Word report", 0.8)
        write_docx(results, fresh / "report.docx", drawn=drawn)

    tell("writing results", 0.0)
    write_folder(folder, fill)
    return results
