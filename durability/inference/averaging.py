"""What is the answer when no law is certain? Threshold doses averaged over laws.

Each draw of the average is a draw of one of the laws, taken as often as its weight says, so that
statements, translations and comparisons read it as they read a single fit. Weights come from
stacking: how well each law foretold the largest doses when they were hidden
(`durability.inference.checking.scores`).

With m_k and v_k the mean and variance of log threshold dose under law k and w_k its weight, the
choice of law brings

    sum w_k (m_k - m)^2 / (sum w_k (m_k - m)^2 + sum w_k v_k)

of the variance (law of total variance).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.inference.checking.scores import LawScore, rules, score_laws
from durability.inference.fit import DEFAULT_LAW, Fit, fit
from durability.inference.threshold import practice
from durability.statement import Subject

if TYPE_CHECKING:
    import xarray

    from durability.inference.model import Errors
    from durability.inference.sampling import Progress, Sampler
    from durability.laws import Law
    from durability.study import Study

AVERAGED = "averaged"
"""Name that stands in the place of a law in statements of an average."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LawShare:
    """What the choice of law brings to one threshold dose of the median lot.

    Parameters
    ----------
    material, direction, exposure, fraction : whose; fraction None for the required strength.
    unit : of doses; last_dose : largest tested.
    median : of the average; None where more than half of the draws never fall so far.
    by_law : median under each law that has weight; None where it never falls so far.
    share : of the variance of log threshold dose that the choice of law brings (0 to 1). A dose
        beyond five times the last tested one counts as that.
    """

    material: str
    direction: str
    exposure: str
    fraction: float | None
    unit: str
    last_dose: float
    median: float | None
    by_law: dict[str, float | None]
    share: float

    @property
    def beyond(self) -> bool:
        """The average, or a law that has weight, puts the threshold beyond the last dose."""
        values = [self.median, *self.by_law.values()]
        return any(v is None or v > self.last_dose for v in values)

    @property
    def apart(self) -> bool:
        """Laws disagree about this threshold beyond the last dose."""
        return self.beyond and self.share >= rules()["disagreement"]["value"]

    def to_dict(self) -> dict[str, Any]:
        """Plain types for JSON."""
        from dataclasses import asdict

        return asdict(self) | {"beyond_last_dose": self.beyond, "laws_disagree": self.apart}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class AveragedFit(Fit):
    """A mixture of fits of one study under several laws; read as a `Fit` is.

    `model` and `study` are those of the law with the largest weight, `posterior` holds the pooled
    draws of what all laws share.

    Parameters
    ----------
    fits : of the laws that have weight.
    weights : (law,) of them.
    scores : of all candidates.
    places, draws : for each fit, where in the pooled draws its draws lie, and which they are.
    """

    fits: tuple[Fit, ...]
    weights: np.ndarray
    scores: tuple[LawScore, ...]
    places: tuple[np.ndarray, ...]
    draws: tuple[np.ndarray, ...]

    @property
    def law(self) -> str:
        """``"averaged"``."""
        return AVERAGED

    def _pooled(self, ask: Callable[[Fit], np.ndarray]) -> np.ndarray:
        out: np.ndarray | None = None
        for one, place, draw in zip(self.fits, self.places, self.draws, strict=True):
            values = ask(one)
            if out is None:
                out = np.empty((self.n_draws, *values.shape[1:]))
            out[place] = values[draw]
        assert out is not None
        return out

    def shape_draws(self, material: str) -> dict[str, np.ndarray]:
        """An average over laws has no shape in common."""
        raise LookupError(
            "an average over laws has no shape in common; ask one of its `fits`: "
            + ", ".join(f.law for f in self.fits)
        )

    def unexposed_draws(self, material: str, direction: str) -> np.ndarray:
        """As `Fit.unexposed_draws`."""
        return self._pooled(lambda f: f.unexposed_draws(material, direction))

    def scale_draws(self, *, of: Subject, material: str, direction: str, exposure: str) -> Any:
        """As `Fit.scale_draws`; of each draw's own law."""
        return self._pooled(
            lambda f: f.scale_draws(of=of, material=material, direction=direction,
                                    exposure=exposure)
        )  # fmt: skip

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
        """As `Fit.threshold_draws`; of each draw's own law."""
        return self._pooled(
            lambda f: f.threshold_draws(fraction, of=of, material=material, direction=direction,
                                        exposure=exposure, share=share)
        )  # fmt: skip

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
        """As `Fit.retained_draws`; of each draw's own law."""
        return self._pooled(
            lambda f: f.retained_draws(dose, of=of, material=material, direction=direction,
                                       exposure=exposure, share=share)
        )  # fmt: skip

    def clock_draws(self, material: str) -> dict[str, np.ndarray]:
        """As `Fit.clock_draws`; of each draw's own law."""
        names = list(self.fits[0].clock_draws(material))
        return {n: self._pooled(lambda f, n=n: f.clock_draws(material)[n]) for n in names}

    def law_shares(self, of: Subject = "mean") -> tuple[LawShare, ...]:
        """What the choice of law brings to each threshold dose asked about."""
        asked: list[float | None] = list(self.study.thresholds)
        if self.study.required_strength is not None:
            asked.append(None)
        return tuple(
            self._share(q, of, m, d, x) for m, d, x in self.model.conditions for q in asked
        )

    def _share(self, fraction: Any, of: Subject, m: str, d: str, x: str) -> LawShare:
        last = float(self.last_dose(m, x))
        farthest = practice()["upper_limit_reach"] * last
        by_law: dict[str, float | None] = {}
        means, variances = [], []
        for one in self.fits:
            draws = one.threshold_draws(fraction, of=of, material=m, direction=d, exposure=x)
            middle = float(np.quantile(draws, 0.5, method="inverted_cdf"))
            by_law[one.law] = middle if np.isfinite(middle) else None
            log = np.log(np.clip(draws, 1e-3 * last, farthest))
            means.append(log.mean())
            variances.append(log.var())
        w, mean = self.weights, np.array(means)
        between = float(w @ (mean - w @ mean) ** 2)
        within = float(w @ np.array(variances))
        pooled = self.threshold_draws(fraction, of=of, material=m, direction=d, exposure=x)
        middle = float(np.quantile(pooled, 0.5, method="inverted_cdf"))
        return LawShare(
            material=m, direction=d, exposure=x, fraction=fraction,
            unit=self.study.exposures[x].dose_unit, last_dose=last,
            median=middle if np.isfinite(middle) else None, by_law=by_law,
            share=between / (between + within) if between + within > 0 else 0.0,
        )  # fmt: skip

    def laws_apart(self) -> tuple[LawShare, ...]:
        """Thresholds beyond the last dose about which the laws disagree."""
        return tuple(s for s in self.law_shares() if s.apart)

    def to_datatree(self) -> xarray.DataTree:
        """Pooled draws, and under ``laws`` the tree of each law's own fit."""
        import xarray

        tree = {name: node.to_dataset() for name, node in Fit.to_datatree(self).children.items()}
        for one in self.fits:
            for name, node in one.to_datatree().children.items():
                tree[f"laws/{one.law}/{name}"] = node.to_dataset()
        return xarray.DataTree.from_dict(tree)

    def rows(self) -> list[tuple[str, str]]:
        """(label, text) pairs that both reprs show."""
        weights = ", ".join(
            f"{f.law} {100 * w:.0f} %" for f, w in zip(self.fits, self.weights, strict=True)
        )
        apart = self.laws_apart()
        words = "laws disagree beyond the last dose" if apart else "laws do not part the answer"
        return [
            ("study", self.study.title),
            ("laws", weights),
            *(("no", f"{s.law}: {s.left_out}") for s in self.scores if s.left_out),
            ("so", words),
            ("draws", f"{self.n_draws}, seed {self.seed}"),
            ("check", str(self.diagnostics)),
        ]

    def __repr__(self) -> str:
        return "AveragedFit\n" + "\n".join(f"  {a:<7} {b}" for a, b in self.rows())


def average_laws(
    study: Study | str | Path,
    *,
    laws: Sequence[str | Path | Law] | None = None,
    errors: Errors = "lognormal",
    weights: str = "forecast",
    level: float | None = None,
    sampler: Sampler | None = None,
    seed: int = 0,
    progress: Progress | None = None,
) -> AveragedFit:
    """Fit several laws and average their answers by how well each foretells.

    Parameters
    ----------
    study : a study or the path of its folder.
    laws : candidates; those of models/averaging.toml by default.
    errors, level, sampler, seed, progress : as in `durability.fit`.
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

    if weights not in ("forecast", "leave-one-out", "equal"):
        raise ValueError(
            f'weights "{weights}" are unknown; known: forecast, leave-one-out, equal'
        )
    if isinstance(study, str | Path):
        study = read_study(study)
    names = list(laws) if laws is not None else list(rules()["candidates"]["laws"])
    fits = []
    for i, law in enumerate(names):
        if progress is not None:
            progress(f"fitting {getattr(law, 'name', law)}", i / len(names))
        fits.append(fit(study, law=law, errors=errors, level=level, sampler=sampler, seed=seed))
    scores = score_laws(fits, progress=progress)
    if weights == "leave-one-out":
        scores = tuple(replace(s, weight=s.weight_leave_one_out) for s in scores)
    elif weights == "equal":
        free = sum(not s.left_out for s in scores)
        scores = tuple(replace(s, weight=0.0 if s.left_out else 1 / free) for s in scores)
    return mix(fits, scores, seed=seed)


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
    places = tuple(np.sort(order[a:b]) for a, b in zip(edges[:-1], edges[1:], strict=True))
    draws = tuple(
        np.sort(rng.choice(fits[i].n_draws, counts[i], replace=False)) for i in kept
    )
    chosen = tuple(fits[i] for i in kept)
    weights = np.array([counts[i] for i in kept]) / total
    lead = chosen[int(weights.argmax())]
    worst = min(chosen, key=lambda f: (f.diagnostics.ok, f.diagnostics.ess_tail))
    return AveragedFit(
        study=lead.study, model=lead.model, stats=lead.stats, level=lead.level, seed=seed,
        posterior=_pooled_posterior(chosen, places, draws, total), diagnostics=worst.diagnostics,
        settings=lead.settings, seconds=float(sum(f.seconds for f in fits)), fits=chosen,
        weights=weights, scores=tuple(scores), places=places, draws=draws,
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
                   for f in fits) or str(name).startswith("shape_"):  # fmt: skip
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
    errors: Errors = "lognormal",
    level: float | None = None,
    sampler: Sampler | None = None,
    seed: int = 0,
    progress: Progress | None = None,
) -> Fit:
    """The fit whose numbers are quoted when nobody names a law.

    With a law named, its fit (``"averaged"``: the average). Else the default law, unless a
    threshold dose asked about lies beyond the last dose tested and the laws disagree there: then
    the average.

    Parameters
    ----------
    study, law, errors, level, sampler, seed, progress : as in `durability.fit`.

    Returns
    -------
    Fit or AveragedFit
    """
    options: dict[str, Any] = {
        "errors": errors, "level": level, "sampler": sampler, "seed": seed, "progress": progress,
    }  # fmt: skip
    if law == AVERAGED:
        return average_laws(study, **options)
    plain = fit(study, law=law or DEFAULT_LAW, **options)
    if law is not None or not _may_reach_beyond(plain):
        return plain
    mixed = average_laws(plain.study, **options)
    return mixed if mixed.laws_apart() else plain


def _may_reach_beyond(plain: Fit) -> bool:
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
