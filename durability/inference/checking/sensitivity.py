"""Does a quoted number hang on the priors? Power-scaling of prior and likelihood.

The draws are weighted as if the prior (or the likelihood) had been raised to a power near 1, and
the distance by which a quantity then moves is its sensitivity (Kallioinen et al. 2024, Statistics
and Computing 34:57, as cited in ArviZ, whose estimator and limit of 0.05 are used). What the answer
would be with the priors counted half, or twice, is found by the same weights and says it in the
unit of the quantity.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.inference.checking.log_prior import WORDS, log_prior
from durability.inference.checking.pointwise import marginal, parts_of
from durability.inference.weights import pareto_weights
from durability.statement import SUBJECTS, Subject

if TYPE_CHECKING:
    from durability.inference.fitted import Fit

LIMIT = 0.05
GOOD_K = 0.7
VERDICTS: dict[str, str] = {
    "data": "the strips speak: the priors hardly move it",
    "conflict": "prior-data conflict: the priors pull one way, the strips another",
    "prior": "strong prior or weak likelihood: the priors decide where the strips say little",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class PriorSensitivity:
    """How one threshold dose moves with the priors.

    Parameters
    ----------
    material, direction, exposure, fraction, of : whose threshold dose.
    prior, likelihood : sensitivity to each; below 0.05 counts as none.
    verdict : a key of `VERDICTS`.
    strongest : the single prior that moves it most (a key of `WORDS`), and by_prior : all of them.
    value : median as quoted; halved, doubled : with all priors counted half and twice. None where
        it is never reached or the weights cannot be trusted (Pareto k above 0.7).
    pareto_k : of the worse of both weights.
    """

    material: str
    direction: str
    exposure: str
    fraction: float | None
    of: Subject
    prior: float
    likelihood: float
    verdict: str
    strongest: str
    by_prior: dict[str, float]
    value: float | None
    halved: float | None
    doubled: float | None
    pareto_k: float

    def words(self) -> str:
        """The verdict in a sentence or two."""
        share = "required strength" if self.fraction is None else f"{100 * self.fraction:g} % left"
        who = ", ".join(filter(None, (self.material, self.direction, self.exposure, share)))
        text = f"{who}, {SUBJECTS[self.of]}: {VERDICTS[self.verdict]}"
        if self.verdict != "data":
            text += f", most of all {WORDS.get(self.strongest, self.strongest)}"
        if self.value and self.halved and self.doubled:
            half, twice = self.halved / self.value - 1, self.doubled / self.value - 1
            text += f"; priors counted half: {100 * half:+.1f} %, twice: {100 * twice:+.1f} %"
        return text + "."


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sensitivity:
    """Every quoted threshold dose of a fit, and how it moves with the priors."""

    law: str
    rows: tuple[PriorSensitivity, ...]

    def verdict(self) -> str:
        """What to know, in a sentence."""
        asked = [r for r in self.rows if r.verdict != "data"]
        if not asked:
            return "No quoted threshold dose hangs on a prior."
        conflict = sum(r.verdict == "conflict" for r in asked)
        parts = [f"{conflict} in conflict with the strips"] if conflict else []
        weak = len(asked) - conflict
        parts += [f"{weak} where the strips say little"] if weak else []
        return f"Of {len(self.rows)} threshold doses {len(asked)} hang on priors: " + (
            " and ".join(parts) + ".")  # fmt: skip

    def __repr__(self) -> str:
        return "\n".join(
            [f"Sensitivity, law {self.law}", f"  {self.verdict()}",
             *(f"  {r.words()}" for r in self.rows)]
        )  # fmt: skip

    def to_dict(self) -> dict[str, Any]:
        """Plain types for JSON."""
        return {
            "law": self.law,
            "verdict": self.verdict(),
            "limit": LIMIT,
            "threshold_doses": [asdict(r) | {"words": r.words()} for r in self.rows],
        }


def sensitivity(
    fit: Fit, *, subjects: Sequence[Subject] = ("mean", "new_lot", "single_specimen")
) -> Sensitivity:
    """How every quoted threshold dose moves with priors and likelihood.

    Parameters
    ----------
    fit : of one law.
    subjects : of whom.

    Returns
    -------
    Sensitivity

    Examples
    --------
    >>> import durability
    >>> from durability.inference.checking import sensitivity
    >>> found = sensitivity(durability.fit("examples/uv-cycles", seed=1), subjects=["mean"])
    >>> found.rows[0].verdict in ("data", "conflict", "prior")
    True
    """
    whole = log_prior(fit)
    each = {str(n): v.values.ravel() for n, v in whole.data_vars.items()}
    total = sum(each.values(), np.zeros(fit.n_draws))
    data = marginal(parts_of(fit, step=1))
    scaled = {"prior": _weights(total), "likelihood": _weights(data)}
    scaled |= {f"prior of {n}": _weights(v) for n, v in each.items()}
    half, k_half = pareto_weights(-0.5 * total)
    twice, k_twice = pareto_weights(total)
    asked: list[float | None] = list(fit.study.thresholds)
    if fit.study.required_strength is not None:
        asked.append(None)
    rows = []
    for m, d, x in fit.model.conditions:
        for q in asked:
            for of in subjects:
                draws = fit.threshold_draws(q, of=of, material=m, direction=d, exposure=x)
                if np.isnan(draws).any():
                    continue
                last = fit.last_dose(m, x)
                log = np.log(np.clip(draws, 1e-3 * last, 1e3 * last))
                found = {n: _sense(log, w) for n, w in scaled.items()}
                by_prior = {n: round(found[f"prior of {n}"], 4) for n in each}
                rows.append(
                    PriorSensitivity(
                        material=m, direction=d, exposure=x, fraction=q, of=of,
                        prior=round(found["prior"], 4),
                        likelihood=round(found["likelihood"], 4),
                        verdict=_verdict(found["prior"], found["likelihood"]),
                        strongest=max(by_prior, key=lambda n: by_prior[n]), by_prior=by_prior,
                        value=_median(draws), halved=_median(draws, half, k_half),
                        doubled=_median(draws, twice, k_twice),
                        pareto_k=round(max(k_half, k_twice), 3),
                    )
                )  # fmt: skip
    return Sensitivity(law=fit.law, rows=tuple(rows))


def _verdict(prior: float, likelihood: float) -> str:
    if prior < LIMIT:
        return "data"
    return "conflict" if likelihood >= LIMIT else "prior"


_ALPHAS = (0.99, 1.01)


def _stats() -> Any:
    import arviz_stats.base

    return arviz_stats.base.array_stats  # pyright: ignore[reportPrivateImportUsage]


def _weights(log_density: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Weights of the draws with a density raised to a power just below and just above 1."""
    if np.ptp(log_density) == 0:
        flat = np.full(log_density.size, 1 / log_density.size)
        return flat, flat
    found = []
    for alpha in _ALPHAS:
        log = np.asarray(_stats().power_scale_lw(log_density, alpha=alpha, axis=-1))
        weight = np.exp(log - log.max())
        found.append(weight / weight.sum())
    return found[0], found[1]


def _sense(values: np.ndarray, weights: tuple[np.ndarray, np.ndarray]) -> float:
    if np.ptp(values) == 0:
        return 0.0
    low, high = weights
    found = _stats().power_scale_sense(
        values[None], low[None], high[None], lower_alpha=_ALPHAS[0], upper_alpha=_ALPHAS[1]
    )
    return float(np.nan_to_num(found))


def _median(
    draws: np.ndarray, weights: np.ndarray | None = None, pareto_k: float = 0.0
) -> float | None:
    if pareto_k > GOOD_K:
        return None
    if weights is None:
        middle = np.quantile(draws, 0.5, method="inverted_cdf")
    else:
        order = np.argsort(draws)
        place = np.searchsorted(np.cumsum(weights[order]), 0.5)
        middle = draws[order][min(place, draws.size - 1)]
    return float(middle) if np.isfinite(middle) else None
