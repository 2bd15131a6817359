"""At what dose is a fraction left, and how sure? Fits a study and answers with draws.

import durability
study = durability.read_study("examples/quarry-cover")
fit = durability.fit(study, law="stretched-exponential", seed=1)
fit.threshold_dose(0.5, of="new_lot")
"""

from __future__ import annotations

import functools
import json
import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, overload

import numpy as np

from durability import catalogue
from durability.inference.build import build_model
from durability.inference.coordinates import (
    column_values,
    common_values,
    layout,
    own_values,
    spread_of_score,
    spread_priors,
)
from durability.inference.diagnostics import Diagnostics, diagnose
from durability.inference.learned import WhatWasLearned, learned
from durability.inference.memory import refuse_if_too_large
from durability.inference.model import (
    ERRORS,
    Errors,
    Form,
    Model,
    Sharing,
    Structure,
    relative_spread,
    spread_name,
)
from durability.inference.sampling import Progress, Sample, Sampler, sample
from durability.laws import Law, read_law
from durability.retention import with_strength
from durability.statement import Statements, Subject

if TYPE_CHECKING:
    import xarray

    from durability.inference.likelihood import LikelihoodFit
    from durability.study import Study

DEFAULT_LAW = "stretched-exponential"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fit:
    """The posterior of one study under one law.

    Parameters
    ----------
    study, model : what was fitted.
    posterior : draws of every parameter along ``chain`` and ``draw`` (xarray Dataset).
    stats : the sampler's statistics.
    diagnostics : whether the draws may be quoted.
    level : default level of intervals.
    seed : of the sampler and of predictive draws.
    settings : of the sampler.
    seconds : spent sampling.
    """

    study: Study
    model: Model
    posterior: xarray.Dataset
    stats: xarray.Dataset
    diagnostics: Diagnostics
    level: float
    seed: int
    settings: Sampler
    seconds: float
    _draws: dict[str, np.ndarray] = field(default_factory=dict, repr=False)

    @property
    def law(self) -> str:
        """Name of the law."""
        return self.model.law.name

    @property
    def laws_part(self) -> tuple[str, ...]:
        """Materials about whose thresholds several laws disagree; none for a fit of one law."""
        return ()

    @property
    def materials(self) -> tuple[str, ...]:
        """Materials that were exposed."""
        return tuple(dict.fromkeys(m for m, _ in self.model.mains))

    def directions(self, material: str) -> tuple[str, ...]:
        """Directions of a material, ``""`` where the study names none."""
        return tuple(dict.fromkeys(d for m, d, _ in self.model.conditions if m == material))

    def exposures(self, material: str) -> tuple[str, ...]:
        """Exposures that a material went through."""
        found = {x for m, _, x in self.model.conditions if m == material}
        return tuple(x for x in self.study.exposures if x in found)

    def last_dose(self, material: str, exposure: str) -> float:
        """Largest tested dose [canonical unit of the exposure]."""
        return self.model.last_dose[(material, exposure)]

    @property
    def n_draws(self) -> int:
        """Draws over all chains."""
        return self.posterior.sizes["chain"] * self.posterior.sizes["draw"]

    def _flat(self, name: str) -> np.ndarray:
        """A posterior variable as (draw over chains, ...), kept for reuse."""
        if name not in self._draws:
            values = self.posterior[name].values
            self._draws[name] = values.reshape(-1, *values.shape[2:])
        return self._draws[name]

    def _normal(self, what: str) -> np.ndarray:
        """Standard normal draws for one predictive quantity; same seed, same draws."""
        key = f"normal {what}"
        if key not in self._draws:
            words = [self.seed, *what.encode()]
            self._draws[key] = np.random.default_rng(words).standard_normal(self.n_draws)
        return self._draws[key]

    def shape_draws(self, material: str) -> dict[str, np.ndarray]:
        """Draws (draw,) of each shape parameter of the law."""
        i = self.model.materials.index(material)
        return {s.name: self._flat(f"shape_{s.name}")[:, i] for s in self.model.law.shapes}

    def unexposed_draws(self, material: str, direction: str) -> np.ndarray:
        """Unexposed strength of the product (median of lots) [unit of the study].

        nan where no strength was found, only fractions (a data sheet's word, inspections).
        """
        sign = -1.0 if self.model.rises else 1.0
        if self.model.start_known is not None:
            return np.full(self.n_draws, math.exp(sign * self.model.start_known))
        if (material, direction) not in self.model.starts:
            return np.full(self.n_draws, np.nan)
        i = self.model.starts.index((material, direction))
        return np.exp(sign * self._flat("log_unexposed_strength")[:, i])

    def scale_draws(self, *, of: Subject, material: str, direction: str, exposure: str) -> Any:
        """Draws of s, the dose at which u = 1, read on an exposure's own conditions."""
        where = (material, direction, exposure)
        if where not in self.model.conditions:
            known = ", ".join(" ".join(k) for k in self.model.conditions)
            raise LookupError(f"no strips of {' '.join(where)}; the study has: {known}")
        offset, design = self.model.conditions[where]
        main = self.model.mains.index((material, self.model.families[exposure]))
        level = "log_half_loss_dose" if self.model.half_loss else "log_threshold_dose"
        log_tau = self._flat(level)[:, main] - offset
        if design.size:
            beta = self._flat("linear")
            log_tau = log_tau + beta @ design
            for i, j, coefficient in self.model.condition_bows.get(where, ()):
                log_tau = log_tau - coefficient * beta[:, i] * beta[:, j]
        if of != "mean":
            spread = self._flat("lot_spread_of_threshold")
            log_tau = log_tau + spread * self._normal(f"lot {material}")
            if material in self.model.both_ways:
                apart = self._flat("direction_of_lot_spread_of_threshold")
                log_tau = log_tau + apart * self._normal(f"lot {material} {direction}")
        shape = self.shape_draws(material)
        if self.model.half_loss:
            return np.exp(log_tau) / self.model.law.half_loss(shape)
        return np.exp(log_tau) / self.model.law.inverse(self.model.fraction, shape)

    def threshold_draws(
        self,
        fraction: float | None,
        *,
        of: Subject,
        material: str,
        direction: str,
        exposure: str,
        share: float | None = None,
    ) -> np.ndarray:
        """Draws of the threshold dose.

        Parameters
        ----------
        fraction : retained fraction of the unexposed strength; None asks for the study's
            required strength.
        of : ``"mean"`` (median lot), ``"new_lot"`` or ``"single_specimen"``.
        material, direction, exposure : the subject; the dose is read at that lamp setting.
        share : for single specimens, the share of strips of the new lot that still hold; the
            study's by default.

        Returns
        -------
        ndarray (draw,) in the exposure's canonical dose unit; 0 where a draw does not hold even
        unexposed, inf where it never falls so far, nan where a required strength is asked of a
        product whose strength is not known.
        """
        q = self._fraction_draws(fraction, of, material, direction, share)
        scale = self.scale_draws(of=of, material=material, direction=direction, exposure=exposure)
        shape = self.shape_draws(material)
        inside = (q > self.model.law.floor) & (q < 1)
        u, exists = self.model.law.crossings(np.where(inside, q, 0.5), shape)
        reached = np.where(exists, scale * u, np.inf)
        found = np.where(inside, reached, np.where(q >= 1, 0.0, np.inf))
        return np.where(np.isnan(q), np.nan, found)

    def _fraction_draws(
        self,
        fraction: float | None,
        of: Subject,
        material: str,
        direction: str,
        share: float | None,
    ) -> np.ndarray:
        """The share of its own lot's mean unexposed curve at which a draw meets the threshold.

        Of a property that rises, the reciprocal: its curve is one over the law.
        """
        if fraction is None:
            if self.study.required_strength is None:
                raise ValueError("the study names no required strength; give a fraction")
            q = self.study.required_strength / self.unexposed_draws(material, direction)
        else:
            q = np.full(self.n_draws, float(fraction))
        if self.model.rises:
            q = 1 / q
        if of == "mean" or (of == "new_lot" and fraction is not None):
            return q
        lot = np.zeros(self.n_draws)
        if self.model.start_known is None and (material, direction) in self.model.starts:
            spread = self._flat("lot_spread_of_strength")
            lot = spread * self._normal(f"start {material} {direction}")
            if material in self.model.strong_both_ways:
                together = self._flat("shared_lot_spread_of_strength")
                lot = lot + together * self._normal(f"start {material}")
        depart = 0.0 if of != "single_specimen" else self._strip_departure(material, share)
        if self.model.on_logs:
            return q * np.exp(depart - lot)
        if self.model.errors == "power":
            return curve_of_strip(q, depart, 1 + lot, self._flat("spread_power"))
        return (q + depart) / np.maximum(1 + lot, 1e-6)

    def _strip_departure(self, material: str, share: float | None) -> np.ndarray:
        """How far below its curve lies the strip that a share of strips exceeds (draw,) [log of
        strength, or share of the unexposed strength where nothing is lost]."""
        from scipy.special import ndtri, stdtrit

        share = self.study.question.share if share is None else share
        spread = self._flat("strip_spread")[:, self.model.materials.index(material)]
        if self.model.errors == "student":
            return spread * stdtrit(self._flat("tail_freedom"), share)
        return spread * float(ndtri(share))

    def retained_draws(
        self,
        dose: Any,
        *,
        of: Subject = "mean",
        material: str,
        direction: str,
        exposure: str,
        share: float | None = None,
    ) -> np.ndarray:
        """Draws (draw, dose) of the retained fraction of the product's unexposed strength.

        For ``single_specimen`` the value that the stated share of strips still carries.
        """
        dose = np.atleast_1d(np.asarray(dose, dtype=float))
        scale = self.scale_draws(of=of, material=material, direction=direction, exposure=exposure)
        shape = {k: v[:, None] for k, v in self.shape_draws(material).items()}
        curve = self.model.law.retained(dose[None, :] / scale[:, None], shape)
        if of == "single_specimen" and self.model.on_logs:
            curve = curve / self._fraction_draws(1.0, of, material, direction, share)[:, None]
        elif of != "mean":
            depart = 0.0
            if of == "single_specimen":
                depart = self._strip_departure(material, share)[:, None]
            if self.model.errors == "power":
                depart = depart * relative_spread(curve, self._flat("spread_power")[:, None])
            level = self._fraction_draws(1.0, "single_specimen", material, direction, 0.5)
            curve = np.maximum(curve / level[:, None] - depart, 0.0)
        return 1 / curve if self.model.rises else curve

    def clock_draws(self, material: str) -> dict[str, np.ndarray]:
        """Reciprocity exponent and activation energy [kJ/mol] of a material, one a draw.

        Posterior draws where several lamp settings inform them, prior draws (within the bounds of
        models/materials) otherwise.
        """
        polymer = self.study.materials[material].polymer or "unknown"
        book = catalogue.read("materials", polymer)
        out = {}
        for name in ("reciprocity_exponent", "activation_energy"):
            if f"{name}[{polymer}]" in self.posterior:
                out[name] = self._flat(f"{name}[{polymer}]")
                continue
            prior = book[name]
            draw = prior["value"] + prior["sd"] * self._normal(f"{name} {polymer}")
            out[name] = np.clip(draw, prior.get("low", -np.inf), prior.get("high", np.inf))
        return out

    def bound(
        self,
        fraction: float | None,
        *,
        of: Subject,
        material: str,
        direction: str,
        exposure: str,
        share: float | None = None,
    ) -> str | None:
        """``"lower"`` or ``"upper"`` where only a bound may be stated, else None.

        See `durability.inference.threshold.bound_of`.
        """
        from durability.inference.threshold import bound_of

        draws = self.threshold_draws(
            fraction,
            of=of,
            material=material,
            direction=direction,
            exposure=exposure,
            share=share,
        )
        return bound_of(draws, self.model, material, exposure, self.level)

    def threshold_dose(
        self,
        fraction: float | None = None,
        *,
        of: Subject | None = None,
        material: str | None = None,
        direction: str | None = None,
        exposure: str | None = None,
        share: float | None = None,
        level: float | None = None,
    ) -> Statements:
        """Threshold dose statements; every subject that is left open is answered.

        Parameters
        ----------
        fraction : retained fraction; the study's first threshold by default.
        of : subject; the study's question by default.
        material, direction, exposure : None takes all.
        share : content of a single-specimen statement.
        level : of intervals.

        Returns
        -------
        Statements
        """
        from durability.inference.threshold import threshold_statements

        return threshold_statements(
            self,
            fractions=(fraction if fraction is not None else self.study.thresholds[0],),
            subjects=(of or self.study.question.of,),
            material=material,
            direction=direction,
            exposure=exposure,
            share=share,
            level=level,
        )

    def learned(self, *, level: float | None = None) -> WhatWasLearned:
        """What the data say of clock parameters, directions and covariates beyond their priors.

        See `durability.inference.learned.learned`.
        """
        return learned(self, level=level)

    def statements(self, *, level: float | None = None) -> Statements:
        """Every statement of the fit: strengths, threshold doses and hours."""
        from durability.inference.threshold import fit_statements

        return fit_statements(self, level=level)

    def summary(self) -> Any:
        """ArviZ's table of the posterior: means, intervals, R-hat, effective draws."""
        import arviz

        return arviz.summary(self.to_datatree())

    def to_datatree(self) -> xarray.DataTree:
        """Posterior, sampler statistics and the data's sufficient statistics, as ArviZ reads it."""
        import xarray

        cells = xarray.Dataset(
            {
                "dose": ("cell", self.model.cell_dose),
                "strips": ("cell", self.model.count),
                "mean": ("cell", self.model.mean),
                "squares": ("cell", self.model.squares),
            },
            attrs={
                "mean": "of log strength" if self.model.errors == "lognormal" else "of strength"
            },
        )
        return xarray.DataTree.from_dict(
            {"posterior": self.posterior, "sample_stats": self.stats, "observed_data": cells}
        )

    def to_pymc(self) -> Any:
        """The same statistical model, strip by strip, as a PyMC model to extend or check."""
        from durability.inference.graph import plain_model

        return plain_model(self.model)

    @classmethod
    def from_datatree(
        cls, study: Study, tree: xarray.DataTree, *, law: str | Path | Law, level: float
    ) -> Fit:
        """A fit read back from what `to_datatree` gave; the study must be the one fitted.

        The model is built again from the study; draws, statistics and seed are the stored ones.
        """
        posterior, stats = tree["posterior"].to_dataset(), tree["sample_stats"].to_dataset()
        the_law = law if isinstance(law, Law) else read_law(law)
        study = with_strength(study)
        structure = Structure.from_json(posterior.attrs.get("structure", "{}"))
        model = build_model(study, the_law, errors=posterior.attrs["errors"], structure=structure)
        if "earlier_prior" in posterior.attrs:
            from durability.inference.checking.earlier import EarlierPrior, with_earlier

            earlier = EarlierPrior.from_dict(json.loads(posterior.attrs["earlier_prior"]))
            model = with_earlier(model, earlier, float(posterior.attrs["prior_power"]), part=True)
        plain = {k: getattr(v, "item", lambda v=v: v)() for k, v in posterior.attrs.items()}
        settings = Sampler(**{k: plain[k] for k in _SETTINGS if k in plain})
        kept: dict[str, Any] = {k: plain[f"check_{k}"] for k in _CHECKS}
        return cls(
            study=study,
            model=model,
            posterior=posterior,
            stats=stats,
            diagnostics=Diagnostics(**{**kept, "retried": bool(kept["retried"])}),
            level=level,
            seed=int(posterior.attrs["seed"]),
            settings=settings,
            seconds=float(posterior.attrs["seconds"]),
        )

    def rows(self) -> list[tuple[str, str]]:
        """(label, text) pairs that both reprs show."""
        told = self.learned()
        return [
            ("study", self.study.title),
            ("law", f"{self.model.law.title}: {self.model.law.expression}"),
            *(("model", line) for line in self.model.equation()),
            *(
                ("learned", str(i))
                for i in told
                if i.name in ("activation_energy", "reciprocity_exponent", "covariate")
            ),
            *(("note", note) for note in told.notes),
            ("strips", f"{self.model.n_strips} in {len(self.model.series)} lots and directions"),
            ("draws", f"{self.n_draws} in {self.seconds:.2f} s, seed {self.seed}"),
            ("check", str(self.diagnostics)),
        ]

    def __repr__(self) -> str:
        return "Fit\n" + "\n".join(f"  {a:<7} {b}" for a, b in self.rows())

    def _repr_html_(self) -> str:
        import html

        body = "".join(
            f"<tr><th>{html.escape(a)}</th><td>{html.escape(b)}</td></tr>" for a, b in self.rows()
        )
        return f"<table>{body}</table>"


def curve_of_strip(q: Any, depart: Any, lot: Any, power: Any) -> np.ndarray:
    """What the product has left where a strip of a lot still carries q, the spread a power of it.

    Parameters
    ----------
    q : wanted, as a share of the product's unexposed strength.
    depart : how far below its curve the strip lies where nothing is lost; lot : of the lot's
        unexposed strength to the product's; power : of the spread.

    Returns
    -------
    ndarray (draw,): h with ``lot h - depart relative_spread(h, power) = q``; at least 1 where q is
    not even met unexposed, 0 where it always is.

    Examples
    --------
    >>> [round(float(h), 9) for h in curve_of_strip(0.5, 0.1, 1.0, [0.0, 1.0])]
    [0.6, 0.555555556]
    """
    q, depart, lot, power = np.broadcast_arrays(*np.atleast_1d(q, depart, lot, power))
    low, high = np.full(q.shape, math.log(1e-9)), np.zeros(q.shape)  # logs of h
    for _ in range(60):
        middle = 0.5 * (low + high)
        met = lot * np.exp(middle) - depart * relative_spread(np.exp(middle), power) >= q
        low, high = np.where(met, low, middle), np.where(met, middle, high)
    unmet = lot - depart < q
    short = (q + depart) / np.maximum(lot, 1e-6)  # by the spread of unexposed strips: at least 1
    found = np.where(high < math.log(2e-9), 0.0, np.exp(high))
    return np.where(unmet, np.maximum(short, 1.0), found)


_SETTINGS = tuple(f.name for f in fields(Sampler))
_CHECKS = tuple(f.name for f in fields(Diagnostics))


@overload
def fit(
    study: Study | str | Path,
    *,
    method: Literal["bayes", "quick"] = "bayes",
    law: str | Path | Law = DEFAULT_LAW,
    errors: Errors = "lognormal",
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
    law: str | Path | Law = DEFAULT_LAW,
    errors: Errors = "lognormal",
    level: float | None = None,
) -> LikelihoodFit: ...
def fit(
    study: Study | str | Path,
    *,
    method: Literal["bayes", "quick", "likelihood"] = "bayes",
    law: str | Path | Law = DEFAULT_LAW,
    errors: Errors = "lognormal",
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
    law : name of a law of models/laws, path of a law file, or a `Law`.
    errors : ``"lognormal"``: scatter is a constant share of the strength; ``"normal"``: scatter is
        constant; ``"power"``: scatter goes as a power, estimated, of what is left of the product (0
        is normal, 1 close to lognormal); ``"student"``: as lognormal, with long tails (Student's t,
        degrees of freedom estimated), so that a few strips far out do not rule the answer. By
        likelihood ``"student"`` is about a constant scatter, on fixed degrees of freedom.
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
    """
    from durability.study import Problem, StudyError, read_study
    from durability.study.choices import with_choices

    if isinstance(study, str | Path):
        study = read_study(study)
    study = with_strength(study)
    if method == "likelihood":
        from durability.inference.likelihood import fit_study

        return fit_study(study, law=law, errors=errors, level=level)
    the_law = law if isinstance(law, Law) else read_law(law)
    if errors not in ERRORS:
        raise ValueError(f'errors "{errors}" is unknown; known: {", ".join(ERRORS)}')
    study = with_choices(study, shape=shape, spread=spread, covariates=covariates, pool=pool)
    model = build_model(study, the_law, errors=errors)
    if not model.mains:
        raise StudyError(
            [Problem(file="study.toml", expected="at least one exposed strip that may be used")]
        )
    from durability.inference.checking.earlier import taught_by

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
        refuse_if_too_large(model, layout(model).size, settings.chains * settings.draws)
    with model.own_priors():
        if quick:
            drawn, checked = _quick(model, settings, seed, progress)
        else:
            place = None if keep is None else Path(keep)
            drawn, checked = _chains(model, settings, seed, progress, place, retry=retry)
        posterior = _posterior(model, drawn, seed)
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
    careful = replace(
        settings, moves="no-u-turn", target_accept=0.995, tune=max(1000, settings.tune),
        draws=2 * settings.draws,
    )  # fmt: skip
    if progress is not None:
        progress("sampling again with smaller steps", 0.0)
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


def parameter_names(model: Model) -> list[str]:
    """A name for each entry of theta, in the study's words."""
    lay = layout(model)
    names = [f"{c.name} {c.subject}" for c in model.columns]
    by = model.materials if lay.n_shape_slot == len(model.materials) else ("all",)
    names += [f"shape {s.name} of {m}" for m in by for s in model.law.shapes]
    by = model.materials if lay.n_spread_slot == len(model.materials) else ("all",)
    names += [f"strip spread of {m}" for m in by]
    read = [m for m, i in zip(model.materials, model.reading_index, strict=True) if i >= 0]
    names += [f"reading spread of {m}" for m in read]
    if lay.n_error:
        names.append("power of the spread" if model.errors == "power" else "degrees of freedom")
    names += [n.replace("_", " ") for n in spread_priors(model)]
    names += [f"threshold dose of {m}" for m, _ in model.mains]
    if not lay.start_fixed:
        names += [f"unexposed strength of {' '.join(k).strip()}" for k in model.starts]
    return names + [" ".join(effect) for effect in model.effects]


def _single_lot_effects(
    model: Model, asked: np.ndarray, spread: np.ndarray, seed: int
) -> np.ndarray:
    """Lot effects of products of one lot, drawn given the sum (chain, draw, main)."""
    effect = np.zeros_like(asked)
    rng = np.random.default_rng([seed, 77])
    for p in np.flatnonzero(model.single_lot):
        mine = np.flatnonzero(model.main_product == p)
        precision = 1 / model.main_prior[mine, 1] ** 2
        pull = ((asked[..., mine] - model.main_prior[mine, 0]) * precision).sum(-1)
        damp = 1 / (1 + spread**2 * precision.sum())
        normal = rng.standard_normal(spread.shape)
        effect[..., mine] = (spread**2 * damp * pull + spread * np.sqrt(damp) * normal)[..., None]
    return effect


def _posterior(model: Model, drawn: Sample, seed: int) -> xarray.Dataset:
    import xarray

    lay = layout(model)
    theta = drawn.theta
    dims = ("chain", "draw")
    log_spread, log_shapes = own_values(model, theta)
    shapes, beta = np.exp(log_shapes), column_values(model, theta)
    shape = {s.name: shapes[..., i] for i, s in enumerate(model.law.shapes)}
    at = np.asarray(model.main_product)
    mine = {k: v[..., at] for k, v in shape.items()}
    asked = theta[..., lay.main]
    if not model.half_loss:
        inverse = functools.partial(model.law.inverse, shape=mine)
        asked = asked + np.log(inverse(model.fraction) / inverse(model.anchor[at]))
    spreads = {
        g: spread_of_score(theta[..., lay.scale][..., f], spread_name(g))
        for f, g in enumerate((*model.groups, *model.others))
    }
    own = _single_lot_effects(model, asked, spreads["lot"], seed)
    asked = asked - own
    level = "log_half_loss_dose" if model.half_loss else "log_threshold_dose"
    variables: dict[str, Any] = {
        level: ((*dims, "product"), asked),
        "own_lot_effect": ((*dims, "product"), own),  # 0 where a product has several lots
        "strip_spread": ((*dims, "material"), np.exp(log_spread)),
        "linear": ((*dims, "term"), beta),
    }
    for f, (group, spread) in enumerate(spreads.items()):
        members = np.flatnonzero(model.effect_index[:, 0] == f)
        of_product = group in model.others and group != "lot_in_both_directions"
        label = f"product_spread_of_{group}" if of_product else spread_name(group)
        variables[label] = (dims, spread)
        if not of_product:  # of each product's own shape and scatter, the sums are kept
            variables[f"{group}_effect"] = ((*dims, group), theta[..., lay.effect][..., members])
    if lay.n_reading:
        variables["reading_spread"] = ((*dims, "read_material"), np.exp(theta[..., lay.reading]))
    for name, values in shape.items():
        variables[f"shape_{name}"] = ((*dims, "material"), values)
    for name, values in common_values(model, theta).items():
        variables[f"common_{name}"] = (dims, np.exp(values))
    if lay.start_scale is not None:
        variables["lot_spread_of_strength"] = (
            dims,
            spread_of_score(theta[..., lay.start_scale], "lot_spread_of_strength"),
        )
        variables["log_unexposed_strength"] = ((*dims, "start"), theta[..., lay.start])
    if lay.pool_scale is not None:
        name = spread_name("product")
        variables[name] = (dims, spread_of_score(theta[..., lay.pool_scale], name))
    if model.errors == "power":
        variables["spread_power"] = (dims, theta[..., lay.error.start])
    elif model.errors == "student":
        variables["tail_freedom"] = (dims, np.exp(theta[..., lay.error.start]))
    if model.start_effects.size:
        of_series = theta[..., lay.effect][..., model.start_effects]
        variables["start_effect"] = ((*dims, "start_series"), of_series)
    for j, column in enumerate(model.columns):
        variables[column.label] = (dims, beta[..., j])
    coords = {
        "chain": np.arange(theta.shape[0]),
        "draw": np.arange(theta.shape[1]),
        "product": [f"{m} | {f}" for m, f in model.mains],
        "lot": [f"{m} | {lot}" for m, lot in model.lots],
        **{
            g: [name for group, name in model.effects if group == g]
            for g in (*model.groups[1:], *model.others)
            if f"{g}_effect" in variables
        },
        "material": list(model.materials),
        "start_series": [model.effects[e][1] for e in model.start_effects],
        "start": [f"{m} | {d}" for m, d in model.starts],
        "term": [c.label for c in model.columns],
    }
    if lay.start_scale is None:
        del coords["start"]
    if "start_effect" not in variables:
        del coords["start_series"]
    nuts = drawn.settings.moves == "no-u-turn"
    attrs = {
        "law": model.law.name,
        "errors": model.errors,
        "structure": model.structure.to_json(),
        "fraction": model.fraction,
        "inference_library": "nutpie" if nuts else "durability",
    }
    return xarray.Dataset(variables, coords=coords, attrs=attrs)
