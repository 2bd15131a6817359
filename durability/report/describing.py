"""How was it done, in a paragraph to publish? Model, priors, sampling, intervals, site, versions.

Numbers are read from the fit and from the files that it used; each source gets a number in the list
of references.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import TYPE_CHECKING

from durability.report.sentences import join
from durability.translation.plane import lying_words

if TYPE_CHECKING:
    from durability.report.results import Results

UNREAD = ("common practice, no source", "from memory", "study.toml")
SOFTWARE = {
    "arviz": "diagnostics",
    "pvlib": "sun and sky at the site",
    "xarray": "arrays",
}
"""Libraries that a paper would name, and what they did."""
_WORDS = {"sd_log": "standard deviation of the logarithm"}
SPLITTING = (
    "Casas, Sanz-Serna and Shaw 2022, Split Hamiltonian Monte Carlo revisited, Statistics and"
    " Computing 32, article 86, doi 10.1007/s11222-022-10149-4"
)
DIAGNOSTICS = (
    "Vehtari et al. 2021, Rank-normalization, folding, and localization: an improved Rhat for"
    " assessing convergence of MCMC, Bayesian Analysis 16(2), doi 10.1214/20-BA1221 (as cited in"
    " the documentation of ArviZ)"
)


def references(results: Results) -> list[str]:
    """What the methods paragraphs cite, in the order in which they cite it.

    Parameters
    ----------
    results : of a run.
    """
    found = [results.fit.model.law.source, _sampler_source(results), DIAGNOSTICS]
    if results.study.source:
        found.insert(0, results.study.source)
    for t in results.translations:
        found.append(site_source(t.site))
        found += [i.source for i in t.inputs]
    found += _clock(results)[1]
    found = [f for f in found if f and not f.lower().startswith(UNREAD)]
    p = results.provenance
    found.append(f"durability, version {p['version']}")
    found += [f"{name}, version {p['libraries'][name]}" for name in SOFTWARE]
    found = list(dict.fromkeys(found))
    text = " ".join(methods_paragraphs(results, found))
    groups = re.findall(r"\[([\d, ]+)\]", text)
    cited = dict.fromkeys(int(n) for group in groups for n in group.split(", "))
    return [found[n - 1] for n in cited if n <= len(found)]


def site_source(site: str) -> str:
    """Where the weather of a site comes from."""
    from durability import catalogue

    try:
        return str(catalogue.read("sites", site)["source"])
    except (LookupError, KeyError):
        return f"weather file {site}"


def methods_paragraphs(results: Results, numbered: Sequence[str]) -> list[str]:
    """The methods as paragraphs, with numbers of references in brackets.

    Parameters
    ----------
    results : of a run.
    numbered : the references, as `references` gives them.
    """
    numbers = {text: n for n, text in enumerate(numbered, start=1)}

    def cite(*texts: str | None) -> str:
        known = sorted({numbers[t] for t in texts if t in numbers})
        return f" [{', '.join(str(n) for n in known)}]" if known else ""

    paragraphs = [_model(results, cite), _priors(results), _sampling(results, cite),
                  _intervals(results)]  # fmt: skip
    if results.translations:
        paragraphs.append(_days(results, cite))
    return [*paragraphs, _versions(results, cite)]


def _model(results: Results, cite) -> str:
    study, fit = results.study, results.fit
    law = fit.model.law
    rows = study.rows
    named = zip(rows["material"].values.tolist(), rows["lot"].values.tolist(), strict=True)
    lots = len({(m, lot) for m, lot in named if lot})
    errors = {
        "lognormal": "log-normal, by a share of the strength",
        "normal": "normal, by an amount",
        "power": "normal, by an amount that goes as a power of what is left",
        "student": "with long tails (Student's t), by a share of the strength",
    }[fit.model.errors]
    of_lots = f", {_count(lots, 'lot')}" if lots else ""
    unit = "" if study.unit == "1" else f" [{study.unit}]"  # [1] would be a reference
    return (
        f"{study.property[:1].upper()}{study.property[1:]}{unit} of"
        f" {_count(len(fit.materials), 'material')}{of_lots} and {fit.model.n_strips} strips that"
        " carry information was described by one Bayesian hierarchical model"
        f"{cite(study.source)}. The fraction of the unexposed value left at a dose follows the law"
        f" named {law.title.lower()}, R = {law.expression}, with u the dose over a scale"
        f"{cite(law.source)}. The model is written in the logarithm of the threshold dose, the dose"
        " at which a stated fraction is left; lots are partially pooled about their product, and"
        f" strips scatter about the curve of their lot ({errors}). The unexposed strength is"
        " estimated with the rest, so that its uncertainty is carried into every fraction."
    )


def _priors(results: Results) -> str:
    from durability.inference.checking.prior_predictive import changed_book

    used = {"threshold_dose", "strip_spread", "unexposed_strength"}
    model = results.fit.model
    used |= {"power": {"spread_power"}, "student": {"tail_freedom"}}.get(model.errors, set())
    if len(model.series) > 1:
        used |= {"lot_spread_of_threshold", "lot_spread_of_strength"}
    if any(d for _, d, _ in model.conditions):
        used.add("direction")
    told = []
    for name, p in changed_book(model).items():
        if name in used:
            spread = ", ".join(
                f"{_WORDS.get(k, k.replace('_', ' '))} {v}"
                for k, v in p.items()
                if k not in ("reason", "source")
            )
            told.append(f"{name.replace('_', ' ')} ({spread})")
    shapes = [
        f"shape {s.name} (log-normal, median {s.median:g}, standard deviation of the logarithm"
        f" {s.sd_log:g})"
        for s in model.law.shapes
    ]
    return (
        f"Priors are weakly informative, on the log scale: {join([*told, *shapes])}. Spreads given"
        " by a scale have half-normal priors. Sources and reasons of each prior are part of the"
        " record of the run."
    )


def _sampling(results: Results, cite) -> str:
    fit, d = results.fit, results.fit.diagnostics
    verdict = "All limits of the diagnostics were met" if d.ok else "Diagnostics missed a limit"
    split = fit.settings.moves == "rotations"
    how = "Hamiltonian Monte Carlo with split steps" if split else "the no-U-turn sampler of nutpie"
    return (
        f"The posterior was sampled by {how}{cite(_sampler_source(results))}:"
        f" {fit.settings.chains} chains of {fit.settings.draws} draws after {fit.settings.tune} of"
        f" adaptation, seed {fit.seed}."
        f" {verdict}: largest R-hat {d.rhat:.3f}, at least {d.ess_bulk:.0f} effective draws in the"
        f" bulk and {d.ess_tail:.0f} in the tails, {_count(d.divergences, 'divergence')}"
        f"{cite(DIAGNOSTICS)}."
    )


def _sampler_source(results: Results) -> str:
    """What a paper would cite for the moves of the chains."""
    if results.fit.settings.moves == "rotations":
        return SPLITTING
    return f"nutpie, version {results.provenance['libraries']['nutpie']}"


def _intervals(results: Results) -> str:
    fit, question = results.fit, results.study.question
    return (
        f"Intervals carry {100 * fit.level:g} % and are equal-tailed. Those of the median lot are"
        " credible intervals; those of a lot not yet made, and of single strips of it, are"
        f" prediction intervals; single strips are stated for the dose at which"
        f" {100 * question.share:g} % of them still hold. Intervals of measured group means are"
        " confidence intervals. Where the strips do not reach a threshold, only a one-sided bound"
        " is stated. Numbers are rounded to two digits of the half-width of their interval."
    )


def _days(results: Results, cite) -> str:
    places = [f"{t.title}{cite(site_source(t.site))}" for t in results.translations]
    sources = dict.fromkeys(i.source for t in results.translations for i in t.inputs)
    question = results.study.question
    lies = lying_words(question) or "flat on open ground"
    values, cited = _clock(results)
    return (
        "Each draw of the threshold dose was read as days in the open at"
        f" {join(places)}: hourly irradiance in the band of the lamp, to the power of a reciprocity"
        " exponent, and specimen temperature by Arrhenius’s law, for the lamp and the sky alike,"
        f" with every input drawn with its uncertainty{cite(*sources, *cited)}: {join(values)}."
        f" The fabric was taken to lie {lies}. Days to cover are whole"
        " days that the product lasts with the probability stated"
        f" ({100 * question.assurance:g} % unless said otherwise), a one-sided lower bound. The"
        " translation is approximate: no universal factor leads from lamp hours to time outdoors."
    )


def _clock(results: Results) -> tuple[list[str], list[str]]:
    """Exponent and activation energy of each polymer in words, and their sources."""
    from durability.exposure import material_assumptions

    materials = results.study.materials
    polymers = dict.fromkeys(
        materials[m].polymer or "unknown" for t in results.translations for m in t.exposures
    )
    values, sources = [], []
    for polymer in polymers:
        for name, i in material_assumptions(polymer).items():
            if name not in ("activation_energy", "reciprocity_exponent"):
                continue
            told = f"{name}[{polymer}]" in results.fit.posterior
            after = ", updated by this study" if told else ""
            of = "polymer not stated" if polymer == "unknown" else polymer
            values.append(f"{name.replace('_', ' ')} {i} ({of}{after})".replace("+-", "±"))
            sources.append(i.source)
    return values, sources


def _versions(results: Results, cite) -> str:
    p = results.provenance
    named = [f"{name} {p['libraries'][name]}" for name in SOFTWARE]
    used = [f"{name}, version {p['libraries'][name]}" for name in SOFTWARE]
    own = f"durability, version {p['version']}"
    return (
        f"Computed with durability {p['version']}{cite(own)} and"
        f" {join(named)}{cite(*used)}; with the same input files, model files, versions and seed"
        " the run gives the same numbers."
    )


def _count(n: int, word: str) -> str:
    return f"{n if n else 'no'} {word}{'' if n == 1 else 's'}"


__all__ = ["methods_paragraphs", "references", "site_source"]
