"""What does an average over laws say? Draws of several laws, pooled and read as a fit is.

With m_k and v_k the mean and variance of log threshold dose under law k and w_k its weight, the
choice of law brings

    sum w_k (m_k - m)^2 / (sum w_k (m_k - m)^2 + sum w_k v_k)

of the variance (law of total variance).
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.inference.checking.scores import LawScore, rules
from durability.inference.fitted import Fit
from durability.inference.threshold import practice
from durability.statement import Subject
from durability.study.model import AVERAGED

if TYPE_CHECKING:
    import xarray

    from durability.study import Study


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

    @property
    def laws_part(self) -> tuple[str, ...]:
        """Materials for which a threshold beyond the last dose hangs on the law."""
        if "laws part" not in self._draws:
            names = dict.fromkeys(s.material for s in self.laws_apart())
            self._draws["laws part"] = np.array(list(names), dtype=str)
        return tuple(self._draws["laws part"].tolist())

    def laws_apart(self) -> tuple[LawShare, ...]:
        """Thresholds beyond the last dose about which the laws disagree."""
        return tuple(s for s in self.law_shares() if s.apart)

    def to_datatree(self) -> xarray.DataTree:
        """Pooled draws, and the draws of each law's own fit."""
        import xarray

        tree = {name: node.to_dataset() for name, node in Fit.to_datatree(self).children.items()}
        for one in self.fits:
            for name in ("posterior", "sample_stats"):
                tree[f"{name}_of_{one.law}"] = one.to_datatree()[name].to_dataset()
        law_of, draw_of = np.zeros(self.n_draws, dtype=int), np.zeros(self.n_draws, dtype=int)
        for k, (place, draw) in enumerate(zip(self.places, self.draws, strict=True)):
            law_of[place], draw_of[place] = k, draw
        tree["mixture"] = xarray.Dataset(
            {"law": ("pooled", law_of), "draw": ("pooled", draw_of)},
            attrs={
                "laws": [one.law for one in self.fits],
                "scores": json.dumps([s.to_dict() for s in self.scores]),
                "seed": self.seed,
            },
        )
        return xarray.DataTree.from_dict(tree)

    @classmethod
    def of_datatree(cls, study: Study, tree: xarray.DataTree, *, level: float) -> AveragedFit:
        """An average read back from what `to_datatree` gave; the study must be the one fitted."""
        import xarray

        from durability.inference.averaging import pool

        mixture = tree["mixture"].to_dataset()
        names = np.atleast_1d(mixture.attrs["laws"]).tolist()
        fits = []
        for name in names:
            own = {g: tree[f"{g}_of_{name}"].to_dataset() for g in ("posterior", "sample_stats")}
            own_tree = xarray.DataTree.from_dict(own)
            fits.append(Fit.from_datatree(study, own_tree, law=name, level=level))
        law_of, draw_of = mixture["law"].values, mixture["draw"].values
        places = [np.flatnonzero(law_of == k) for k in range(len(names))]
        scores = [LawScore(**s) for s in json.loads(mixture.attrs["scores"])]
        return pool(fits, scores, places, [draw_of[p] for p in places],
                    seed=int(mixture.attrs["seed"]))  # fmt: skip

    def to_document(self) -> dict[str, Any]:
        """Scores, weights and what the choice of law brings, as plain types for JSON."""
        return {
            "laws": [s.to_dict() for s in self.scores],
            "threshold_doses_by_law": [s.to_dict() for s in self.law_shares()],
            "laws_disagree_about": list(self.laws_part),
            "diagnostics": self.diagnostics.to_dict(),
        }

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
