"""At what dose is a fraction left, and how sure? Fits a study and answers with draws.

import durability
study = durability.read_study("examples/quarry-cover")
fit = durability.fit(study, law="stretched-exponential", seed=1)
fit.threshold_dose(0.5, of="new_lot")
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, overload

from durability.inference.build import build_model
from durability.inference.coordinates import layout
from durability.inference.diagnostics import Diagnostics, diagnose
from durability.inference.fitted import Fit
from durability.inference.memory import draws_of_second_run, refuse_if_too_large
from durability.inference.model import ERRORS, Errors, Form, Model, Sharing
from durability.inference.posterior import parameter_names, posterior_of
from durability.inference.sampling import Progress, Sample, Sampler, sample
from durability.laws import Law
from durability.retention import with_strength
from durability.study.model import AVERAGED

if TYPE_CHECKING:
    from durability.inference.likelihood import LikelihoodFit
    from durability.study import Study

DEFAULT_LAW = "stretched-exponential"


@overload
def fit(
    study: Study | str | Path,
    *,
    method: Literal["bayes", "quick"] = "bayes",
    law: str | Path | Law | None = None,
    errors: Errors | None = None,
    level: float | None = None,
    sampler: Sampler | None = None,
    seed: int = 0,
    progress: Progress | None = None,
    keep: str | Path | None = None,
    shape: Sharing | None = None,
    spread: Sharing | None = None,
    covariates: Mapping[str, Form] | None = None,
    pool: bool | None = None,
) -> Fit: ...
@overload
def fit(
    study: Study | str | Path,
    *,
    method: Literal["likelihood"],
    law: str | Path | Law | None = None,
    errors: Errors | None = None,
    level: float | None = None,
) -> LikelihoodFit: ...
def fit(
    study: Study | str | Path,
    *,
    method: Literal["bayes", "quick", "likelihood"] = "bayes",
    law: str | Path | Law | None = None,
    errors: Errors | None = None,
    level: float | None = None,
    sampler: Sampler | None = None,
    seed: int = 0,
    progress: Progress | None = None,
    keep: str | Path | None = None,
    shape: Sharing | None = None,
    spread: Sharing | None = None,
    covariates: Mapping[str, Form] | None = None,
    pool: bool | None = None,
) -> Fit | LikelihoodFit:
    """Fit a degradation law to a study: by Bayesian hierarchical inference, or by likelihood.

    Lots are partially pooled; the threshold dose, not a rate, is what is sampled. A run that misses
    its diagnostics is repeated once with smaller steps.

    Parameters
    ----------
    study : a study or the path of its folder.
    method : ``"bayes"``; ``"quick"`` for weighted draws within a second, approximate and with a
        verdict on itself (`durability.inference.quick`); or ``"likelihood"`` for
        `durability.inference.likelihood.fit_study`, which takes neither sampler nor seed.
    law : name of a law of models/laws, path of a law file, a `Law`, or ``"averaged"`` over laws.
        None takes that of study.toml, else that of the earlier results it names, else
        `DEFAULT_LAW`.
    errors : ``"lognormal"``: scatter is a constant share of the strength; ``"normal"``: scatter is
        constant; ``"power"``: scatter goes as a power, estimated, of what is left of the product (0
        is normal, 1 close to lognormal); ``"student"``: as lognormal, with long tails (Student's t,
        degrees of freedom estimated), so that a few strips far out do not rule the answer. By
        likelihood ``"student"`` is about a constant scatter, on fixed degrees of freedom. None
        takes those of study.toml.
    level : of intervals; the study's by default.
    sampler : settings; four chains of 1000 draws by default.
    seed : same seed, same answer on one machine.
    progress : called with a word and the share done.
    keep : folder in which finished chains are kept, so that a run that was cut off goes on where
        it was and ends with the same draws; whoever names it removes it.
    shape, spread : shapes of the law, and scatter of strips, by ``"product"``, one ``"shared"`` by
        all, or ``"pooled"``: by product about a common centre, with an estimated spread. None, as
        for the three below, takes what study.toml says under [model].
    covariates : name of a covariate of study.toml to its form: ``"linear"``, ``"log"``,
        ``"smooth"`` or ``"class"``. Threshold doses of products are then partially pooled about
        the line. Where study.toml is silent too, covariates that at least four products hold with
        three values are taken; an empty mapping takes none.
    pool : partial pooling of products about a common level without any covariate.

    Returns
    -------
    Fit

    Raises
    ------
    StudyError : the folder has problems, or no strip was exposed.
    LookupError : an unknown law.
    ValueError : unknown errors, or an average asked of a quick look or of the likelihood.
    """
    from durability.inference.checking.earlier import default_law, one_law, taught_by
    from durability.study import Problem, StudyError, read_study
    from durability.study.choices import with_choices

    if isinstance(study, str | Path):
        study = read_study(study)
    study = with_strength(study)
    if method == "likelihood":
        from durability.inference.likelihood import fit_study

        return fit_study(study, law=law, errors=errors, level=level)
    study = with_choices(study, shape=shape, spread=spread, covariates=covariates, pool=pool)
    errors = errors or study.choices.errors
    if errors not in ERRORS:
        raise ValueError(f'errors "{errors}" is unknown; known: {", ".join(ERRORS)}')
    if method == "bayes" and (law or default_law(study)) == AVERAGED:
        from durability.inference.averaging import average_laws

        options: dict[str, Any] = {"sampler": sampler, "seed": seed, "progress": progress}
        return average_laws(study, errors=errors, level=level, keep=keep, **options)
    the_law = one_law(study, law)
    model = build_model(study, the_law, errors=errors)
    if not model.mains:
        raise StudyError(
            [Problem(file="study.toml", expected="at least one exposed strip that may be used")]
        )
    model = taught_by(study, model, sampler=sampler, seed=seed)
    return fit_model(
        study, model, sampler=sampler, seed=seed, level=level or study.question.level,
        quick=method == "quick", progress=progress, keep=keep,
    )  # fmt: skip


def fit_model(
    study: Study,
    model: Model,
    *,
    sampler: Sampler | None = None,
    seed: int = 0,
    level: float = 0.95,
    retry: bool = True,
    quick: bool = False,
    progress: Progress | None = None,
    keep: str | Path | None = None,
) -> Fit:
    """Draw from a model as it stands; a run that misses its diagnostics is repeated once.

    Parameters
    ----------
    study : whose model it is.
    model : from `durability.inference.build.build_model`, possibly changed.
    sampler, seed, level, progress, keep : as in `durability.fit`.
    retry : repeat such a run; a quick look need not.
    quick : weighted draws instead of chains.

    Returns
    -------
    Fit

    Raises
    ------
    StudyError : the draws would not fit into memory.
    """
    settings = sampler or Sampler()
    if not quick:
        kept = settings.chains * settings.draws
        refuse_if_too_large(model, layout(model).size, kept, progress=progress)
    with model.own_priors():
        if quick:
            drawn, checked = _quick(model, settings, seed, progress)
        else:
            place = None if keep is None else Path(keep)
            drawn, checked = _chains(model, settings, seed, progress, place, retry=retry)
        posterior = posterior_of(model, drawn, seed)
    posterior.attrs |= asdict(drawn.settings) | {"seed": seed, "seconds": drawn.seconds}
    posterior.attrs |= {f"check_{k}": v for k, v in asdict(checked).items()}
    posterior.attrs["check_retried"] = int(checked.retried)  # netCDF has no booleans
    if model.taught is not None:
        posterior.attrs |= {
            "prior_from": model.taught.source, "prior_power": model.taught.power,
            "changed_priors": json.dumps(model.taught.tables),
            "earlier_prior": json.dumps(model.taught.earlier),
        }  # fmt: skip
    return Fit(
        study=study,
        model=model,
        posterior=posterior,
        stats=drawn.stats,
        diagnostics=checked,
        level=level,
        seed=seed,
        settings=drawn.settings,
        seconds=drawn.seconds,
    )


def _chains(
    model: Model,
    settings: Sampler,
    seed: int,
    progress: Progress | None,
    keep: Path | None,
    *,
    retry: bool,
) -> tuple[Sample, Diagnostics]:
    """Chains and their diagnostics; where they miss a limit, once more by longer and safer ones."""
    names = parameter_names(model)
    drawn = sample(model, sampler=settings, seed=seed, progress=progress, keep=keep)
    checked = diagnose(drawn.theta, names, drawn.stats)
    if not retry or (checked.ok and not checked.divergences):
        return drawn, checked
    made = settings.chains * settings.draws
    more = draws_of_second_run(model, layout(model).size, made, 2 * made) // settings.chains
    careful = replace(
        settings, moves="no-u-turn", target_accept=0.995, tune=max(1000, settings.tune),
        draws=more,
    )  # fmt: skip
    if progress is not None:
        cut = "" if more == 2 * settings.draws else f": {more:,} draws a chain, as memory allows"
        progress(f"sampling again with smaller steps{cut}", 0.0)
    again = sample(
        model, sampler=careful, seed=seed + 1, progress=progress, keep=keep,
        coordinates=drawn.coordinates,
    )  # fmt: skip
    second = diagnose(again.theta, names, again.stats, retried=True)
    return (again, second) if second.ok or not checked.ok else (drawn, checked)


def _quick(
    model: Model, settings: Sampler, seed: int, progress: Progress | None
) -> tuple[Sample, Diagnostics]:
    from durability.inference.diagnostics import diagnose_quick
    from durability.inference.quick import quick_sample

    drawn, weighted = quick_sample(model, sampler=settings, seed=seed, progress=progress)
    return drawn, diagnose_quick(weighted.pareto, weighted.effective, len(weighted.z))
