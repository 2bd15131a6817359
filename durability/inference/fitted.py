"""What does a fitted study answer? Draws of threshold doses, of what is left, of strengths."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from durability import catalogue
from durability.inference.build import build_model
from durability.inference.diagnostics import Diagnostics
from durability.inference.learned import WhatWasLearned, learned
from durability.inference.model import (
    Model,
    Structure,
    relative_spread,
)
from durability.inference.sampling import Sampler
from durability.laws import Law, read_law
from durability.retention import with_strength
from durability.statement import Statements, Subject

if TYPE_CHECKING:
    import xarray

    from durability.study import Study

DEFAULT_LAW = "stretched-exponential"

_SETTINGS = tuple(f.name for f in fields(Sampler))
_CHECKS = tuple(f.name for f in fields(Diagnostics))


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
