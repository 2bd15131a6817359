"""What is the answer when no law is certain? Threshold doses averaged over laws.

Each draw of the average is a draw of one of the laws, taken as often as its weight says, so that
statements, translations and comparisons read it as they read a single fit. Weights come from
stacking: how well each law foretold the largest doses when they were hidden
(`durability.inference.checking.scores`).
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.inference.averaged import AveragedFit
from durability.inference.build import build_model
from durability.inference.checking.earlier import default_law, taught_by
from durability.inference.checking.scores import LawScore, rules, score_laws
from durability.inference.fit import fit, fit_model
from durability.inference.fitted import Fit
from durability.inference.sampling import Sampler
from durability.laws import read_law
from durability.study.model import AVERAGED

if TYPE_CHECKING:
    import xarray

    from durability.inference.model import Errors
    from durability.inference.sampling import Progress
    from durability.laws import Law
    from durability.study import Study


def average_laws(
    study: Study | str | Path,
    *,
    laws: Sequence[str | Path | Law] | None = None,
    errors: Errors | None = None,
    weights: str = "forecast",
    level: float | None = None,
    sampler: Sampler | None = None,
    seed: int = 0,
    progress: Progress | None = None,
    keep: str | Path | None = None,
) -> AveragedFit:
    """Fit several laws and average their answers by how well each foretells.

    Parameters
    ----------
    study : a study or the path of its folder.
    laws : candidates; by default those of models/averaging.toml, and the law that study.toml names.
    errors, level, sampler, seed, progress, keep : as in `durability.fit`.
    weights : ``"forecast"`` (by the largest doses hidden; by leave-one-out where no exposure has
        three), ``"leave-one-out"`` or ``"equal"``.

    Returns
    -------
    AveragedFit

    Raises
    ------
    StudyError, LookupError : as `durability.fit`.
    ValueError : no law passed its diagnostics, or an unknown kind of weights.

    Examples
    --------
    >>> from durability.inference.averaging import average_laws
    >>> mixed = average_laws("examples/uv-cycles", laws=["exponential", "linear"], seed=1)
    >>> float(mixed.weights.sum())
    1.0
    """
    from durability.study import read_study

    _check_weights(weights)
    if isinstance(study, str | Path):
        study = read_study(study)
    names = list(laws) if laws is not None else _candidates(study)
    fits = []
    for i, law in enumerate(names):
        if progress is not None:
            progress(f"fitting {getattr(law, 'name', law)}", i / len(names))
        options: dict[str, Any] = {"sampler": sampler, "seed": seed, "keep": keep}
        fits.append(fit(study, law=law, errors=errors, level=level, **options))
    return mix(fits, reweighted(score_laws(fits, progress=progress), weights), seed=seed)


def _candidates(study: Study) -> list[str | Path | Law]:
    from durability.study.choices import law_named

    own = law_named(study)
    usual: list[str | Path | Law] = list(rules()["candidates"]["laws"])
    return usual if own in (None, AVERAGED, *usual) else [*usual, own]


def _check_weights(weights: str) -> None:
    if weights not in ("forecast", "leave-one-out", "equal"):
        raise ValueError(f'weights "{weights}" are unknown; known: forecast, leave-one-out, equal')


def reweighted(scores: Sequence[LawScore], weights: str) -> tuple[LawScore, ...]:
    """The scores with the kind of weights asked for; see `average_laws`."""
    _check_weights(weights)
    if weights == "leave-one-out":
        return tuple(replace(s, weight=s.weight_leave_one_out) for s in scores)
    if weights == "equal":
        free = max(1, sum(not s.left_out for s in scores))
        return tuple(replace(s, weight=0.0 if s.left_out else 1 / free) for s in scores)
    return tuple(scores)


def mix(fits: Sequence[Fit], scores: Sequence[LawScore], *, seed: int = 0) -> AveragedFit:
    """Pool the draws of fits by the weights of their scores.

    Parameters
    ----------
    fits : of one study; scores : in the same order.
    seed : of the order of the pooled draws.

    Raises
    ------
    ValueError : no law has weight.
    """
    w = np.array([s.weight for s in scores])
    if not w.sum() > 0:
        reasons = "; ".join(f"{s.law}: {s.left_out}" for s in scores)
        raise ValueError(f"no law may be averaged: {reasons}")
    total = min(f.n_draws for f in fits)
    counts = _shared_out(w / w.sum(), total)
    kept = [i for i in range(len(fits)) if counts[i] > 0]
    rng = np.random.default_rng([seed, 808])
    order = rng.permutation(total)
    edges = np.cumsum([0, *(counts[i] for i in kept)])
    places = tuple(np.sort(order[a:b]) for a, b in itertools.pairwise(edges))
    draws = tuple(np.sort(rng.choice(fits[i].n_draws, counts[i], replace=False)) for i in kept)
    return pool([fits[i] for i in kept], scores, places, draws, seed=seed)


def pool(
    fits: Sequence[Fit],
    scores: Sequence[LawScore],
    places: Sequence[np.ndarray],
    draws: Sequence[np.ndarray],
    *,
    seed: int,
) -> AveragedFit:
    """The average of which each fit has the draws `draws` at the places `places`.

    Parameters
    ----------
    fits : that have weight; scores : of all candidates.
    places, draws : one array a fit; the places together are 0, 1, ... without gaps.
    seed : kept with it.
    """
    total = sum(p.size for p in places)
    weights = np.array([p.size for p in places]) / total
    lead = fits[int(weights.argmax())]
    worst = min(fits, key=lambda f: (f.diagnostics.ok, f.diagnostics.ess_tail))
    return AveragedFit(
        study=lead.study, model=lead.model, stats=lead.stats, level=lead.level, seed=seed,
        posterior=_pooled_posterior(fits, places, draws, total), diagnostics=worst.diagnostics,
        settings=lead.settings, seconds=float(sum(f.seconds for f in fits)), fits=tuple(fits),
        weights=weights, scores=tuple(scores), places=tuple(places), draws=tuple(draws),
    )  # fmt: skip


def _shared_out(weights: np.ndarray, total: int) -> np.ndarray:
    """Whole numbers in proportion to the weights, of the given sum (largest remainders)."""
    exact = weights * total
    counts = np.floor(exact).astype(int)
    short = total - counts.sum()
    counts[np.argsort(-(exact - counts))[:short]] += 1
    return counts


def _pooled_posterior(
    fits: Sequence[Fit], places: Sequence[np.ndarray], draws: Sequence[np.ndarray], total: int
) -> xarray.Dataset:
    """Draws of the variables that all laws have, (chain, draw, ...) in the pooled order."""
    import xarray

    lead = fits[0].posterior
    chains = lead.sizes["chain"] if total % lead.sizes["chain"] == 0 else 1
    variables: dict[str, Any] = {}
    for name in lead.data_vars:
        if not all(name in f.posterior and f.posterior[name].dims == lead[name].dims
                   for f in fits) or str(name).startswith(
                       ("shape_", "common_shape_")):  # fmt: skip
            continue
        tail = lead[name].shape[2:]
        pooled = np.empty((total, *tail))
        for f, place, draw in zip(fits, places, draws, strict=True):
            values = f.posterior[name].values
            pooled[place] = values.reshape(f.n_draws, *tail)[draw]
        variables[str(name)] = (lead[name].dims, pooled.reshape(chains, total // chains, *tail))
    coords = {k: v for k, v in lead.coords.items() if k not in ("chain", "draw")}
    coords |= {"chain": np.arange(chains), "draw": np.arange(total // chains)}
    attrs = {**lead.attrs, "law": AVERAGED}
    return xarray.Dataset(variables, coords=coords, attrs=attrs)


def answering_fit(
    study: Study | str | Path,
    *,
    law: str | Path | Law | None = None,
    errors: Errors | None = None,
    level: float | None = None,
    sampler: Sampler | None = None,
    seed: int = 0,
    progress: Progress | None = None,
) -> Fit:
    """The fit whose numbers are quoted when nobody names a law.

    With a law named, here or in study.toml, its fit (``"averaged"``: the average). Else the default
    law, unless a threshold dose asked about lies beyond the last dose tested and the laws disagree
    there: then the average.

    Parameters
    ----------
    study, law, errors, level, sampler, seed, progress : as in `durability.fit`.

    Returns
    -------
    Fit or AveragedFit
    """
    from durability.study import read_study
    from durability.study.choices import law_named

    options: dict[str, Any] = {
        "errors": errors, "level": level, "sampler": sampler, "seed": seed, "progress": progress,
    }  # fmt: skip
    if isinstance(study, str | Path):
        study = read_study(study)
    law = law or law_named(study)
    if law == AVERAGED:
        return average_laws(study, **options)
    plain = fit(study, law=law or default_law(study), **options)
    if law is not None or not laws_may_part(plain):
        return plain
    mixed = average_laws(plain.study, **options)
    return mixed if mixed.laws_part else plain


def laws_may_part(plain: Fit) -> bool:
    """A quick look whether an average is worth its time.

    Short runs of the candidates, those against which the strips speak left out, all counted alike:
    do they part about a threshold beyond the last dose?
    """
    if not plain.diagnostics.ok or not may_reach_beyond(plain):
        return False
    short = Sampler(draws=500, tune=200, chains=2)
    fits = [
        fit_model(
            plain.study,
            taught_by(
                plain.study, build_model(plain.study, read_law(law), errors=plain.model.errors)
            ),
            sampler=short, seed=plain.seed, level=plain.level, retry=False,
        )
        for law in rules()["candidates"]["laws"]
    ]  # fmt: skip
    scores = reweighted(score_laws(fits, forecasts=False, strict=False), "equal")
    if sum(s.weight > 0 for s in scores) < 2:
        return False
    return bool(mix(fits, scores, seed=plain.seed).laws_part)


def may_reach_beyond(plain: Fit) -> bool:
    """A threshold of the median lot lies beyond the last dose in one draw of forty or more."""
    asked: list[float | None] = list(plain.study.thresholds)
    if plain.study.required_strength is not None:
        asked.append(None)
    return any(
        (plain.threshold_draws(q, of="mean", material=m, direction=d, exposure=x)
         > plain.last_dose(m, x)).mean() > 0.025
        for m, d, x in plain.model.conditions
        for q in asked
    )  # fmt: skip
