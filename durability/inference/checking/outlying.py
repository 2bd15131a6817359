"""Does a small share of outlying strips drive the answer? Which strips, and how far is it moved?

Two views. Strip by strip: how probable is it that this strip comes from a component some times as
wide as the scatter of its lot, when the others do not? The mean over draws of each component's
density over the one that the fit gave the strip has the odds exactly: dividing takes out what the
strip itself did to the draws. Second, the threshold doses are asked again with long tails (Student
errors), in which a strip far out counts for little. The draws at hand are weighed towards that
posterior where the weights can be trusted (Pareto k up to 0.7); where they cannot, the study is
fitted again, or it is said that it must be. Several outlying strips widen a normal scatter and hide
each other: where a fit with long tails was made, strips are judged by its draws.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.inference.checking.items import CENSORED, GROUP, STRIP
from durability.inference.checking.leave_out import GOOD_K
from durability.inference.checking.pointwise import (
    Parts,
    parts_of,
    start_effects,
    with_long_tails,
)
from durability.inference.checking.replicate import found_strength
from durability.inference.model import priors
from durability.inference.threshold import practice
from durability.inference.weights import pareto_weights

if TYPE_CHECKING:
    from durability.inference.fitted import Fit


@dataclass(frozen=True, slots=True, kw_only=True)
class OutlyingStrip:
    """One strip that may lie out of the scatter of its lot.

    Parameters
    ----------
    material, lot, direction, exposure, dose : where it was found [canonical unit of the exposure].
    rows : rows of the table of strips that hold this strength there.
    found, expected : strength [unit of the study]; the latter the median of its lot at that dose.
    probability : that it comes from the wide component.
    """

    material: str
    lot: str
    direction: str
    exposure: str
    dose: float
    rows: tuple[int, ...]
    found: float
    expected: float
    probability: float


@dataclass(frozen=True, slots=True, kw_only=True)
class MovedThreshold:
    """One threshold dose as fitted, and with long tails [canonical unit of the exposure].

    Parameters
    ----------
    median, low, high : as fitted; long_median, long_low, long_high : with long tails.
    moved : change of the log median over the distance from centre to limit, as fitted.
    narrowed : width of the log interval with long tails over that as fitted, less 1.
    """

    material: str
    direction: str
    exposure: str
    fraction: float
    median: float
    low: float
    high: float
    long_median: float
    long_low: float
    long_high: float

    @property
    def moved(self) -> float:
        half = math.log(self.high / self.low) / 2
        return math.log(self.long_median / self.median) / half

    @property
    def narrowed(self) -> float:
        return math.log(self.long_high / self.long_low) / math.log(self.high / self.low) - 1

    @property
    def hangs(self) -> bool:
        """The threshold hangs on outlying strips."""
        return max(abs(self.moved), abs(self.narrowed)) > practice()["outlying_moved"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Contamination:
    """Outlying strips, and what long tails make of the threshold doses.

    Parameters
    ----------
    law, errors, unit : of the fit.
    strips : those that lie out, by the probability of models/practice.toml, most probable first.
    share : expected share of single strips that lie out.
    n_strip : single strips looked at.
    thresholds : with long tails; empty where a fit is needed that was not made.
    freedom : median degrees of freedom found; None likewise.
    pareto_k : of the weights; None where none could be made.
    how : ``"weights"``, ``"fitted"``, ``"needed"``, or ``"as fitted"`` for a fit with long tails.
    """

    law: str
    errors: str
    unit: str
    strips: tuple[OutlyingStrip, ...]
    share: float
    n_strip: int
    thresholds: tuple[MovedThreshold, ...]
    freedom: float | None
    pareto_k: float | None
    how: str

    def verdict(self) -> str:
        """The answer in plain words."""
        n = len(self.strips)
        if not self.n_strip:
            return "No single strips: nothing can be said of outlying ones."
        out = (
            f"{n} of {self.n_strip} strips lie{'s' if n == 1 else ''} out of the scatter of"
            f" {'its lot' if n == 1 else 'their lots'}, with a probability above"
            f" {100 * practice()['outlying_named']:.0f} %."
            if n else f"Of {self.n_strip} strips no one lies out of the scatter of its lot."
        )  # fmt: skip
        if self.how == "as fitted":
            return f"{out} The fit has long tails: such strips count for little in it."
        if self.how == "needed":
            return (
                f"{out} The draws at hand cannot tell what long tails would make of the threshold"
                " doses: fit the study with student errors as well."
            )
        hung = [t for t in self.thresholds if t.hangs]
        if not hung:
            return (
                f"{out} With long tails the threshold doses stay as they are: none hangs on them."
            )
        worst = max(hung, key=lambda t: max(abs(t.moved), abs(t.narrowed)))
        change = 100 * (worst.long_median / worst.median - 1)
        longer = (
            "later if these strips are accidents of testing; the answer given is the safer one"
            if change > 0
            else "earlier: the answer given is too long if these strips are accidents of testing"
        )
        width = f"{100 * abs(worst.narrowed):.0f} % {'wider' if worst.narrowed > 0 else 'narrower'}"
        return (
            f"{out} The answer hangs on a few strips: with long tails the threshold dose of"
            f" {' '.join(filter(None, (worst.material, worst.direction)))} comes {change:+.0f} %"
            f" ({longer}), its interval {width}. Look at the strips named, and quote"
            " the fit with student errors beside this one."
        )

    def table(self) -> list[tuple[str, ...]]:
        """Header, then the strips named."""
        rows = [("strip", "row", f"found [{self.unit}]", f"its lot [{self.unit}]", "lies out")]
        for s in self.strips:
            where = " ".join(filter(None, (s.material, s.lot, s.direction, s.exposure)))
            rows.append(
                (f"{where} at {s.dose:.4g}", ", ".join(map(str, s.rows)) or "?", f"{s.found:.3g}",
                 f"{s.expected:.3g}", f"{100 * s.probability:.0f} %")
            )  # fmt: skip
        return rows

    def to_dict(self) -> dict[str, Any]:
        """Plain types for JSON."""
        return {
            "law": self.law, "errors": self.errors, "verdict": self.verdict(),
            "strips": [asdict(s) for s in self.strips], "share": self.share,
            "n_strip": self.n_strip, "how": self.how, "freedom": self.freedom,
            "pareto_k": self.pareto_k,
            "thresholds": [
                asdict(t) | {"moved": t.moved, "narrowed": t.narrowed, "hangs": t.hangs}
                for t in self.thresholds
            ],
        }  # fmt: skip

    def __repr__(self) -> str:
        lines = [self.verdict(), *("  ".join(r) for r in self.table())]
        return "Contamination\n" + "\n".join(
            f"  {x}" for x in lines[: 1 if not self.strips else 99]
        )


def contamination(fit: Fit, *, refit: bool = True) -> Contamination:
    """Does a small share of outlying strips drive the threshold doses?

    Parameters
    ----------
    fit : of one law; of an average over laws, that of the largest weight is taken.
    refit : fit the study again with Student errors where the draws at hand cannot be weighed
        towards it; else such a study is answered with ``how="needed"``.

    Returns
    -------
    Contamination

    Examples
    --------
    >>> import durability
    >>> from durability.inference.checking import contamination
    >>> found = contamination(durability.fit("examples/uv-cycles", seed=1))
    >>> len(found.strips), found.how
    (0, 'weights')
    """
    from durability.inference.averaged import AveragedFit

    if isinstance(fit, AveragedFit):
        fit = fit.fits[int(fit.weights.argmax())]
    parts, effect = _given_starts(fit)
    rng = np.random.default_rng([fit.seed, 5253])
    judged = parts, effect
    long: tuple[Fit, np.ndarray | None] | None = None
    how, shape, freedom = "as fitted", None, None
    if fit.model.errors != "student":
        weights, nu, shape = _weights(parts, effect, rng)
        if weights is not None and shape is not None and shape <= GOOD_K:
            how, long = "weights", (fit, weights)
            order = np.argsort(nu)
            freedom = float(nu[order][np.searchsorted(np.cumsum(weights[order]), 0.5)])
        elif refit and (parts.items.kind == STRIP).any():
            how, again = "fitted", _with_student(fit)
            long, judged = (again, None), _given_starts(again)
            freedom = float(np.median(again.posterior["tail_freedom"].values))
        else:
            how = "needed"
    strips, share, n_strip = _outlying(*judged)
    return Contamination(
        law=fit.law, errors=fit.model.errors, unit=fit.study.unit, strips=strips, share=share,
        n_strip=n_strip, thresholds=() if long is None else _moved(fit, *long, parts.step),
        freedom=freedom, pareto_k=shape, how=how,
    )  # fmt: skip


def _given_starts(fit: Fit) -> tuple[Parts, np.ndarray]:
    """Parts with the start effect of each series drawn, not integrated out, and it (draw, item)."""
    parts = parts_of(fit)
    rng = np.random.default_rng([fit.seed, 5252])
    effect = start_effects(parts, rng)[:, np.maximum(parts.items.series, 0)]
    residual = parts.residual - effect * parts.lean
    none = np.zeros_like(parts.start_variance)
    return replace(parts, residual=residual, start_variance=none), effect


def _shrunk(nu: np.ndarray) -> np.ndarray:
    """About what the spread of Student errors is beside that of normal ones, for sound strips."""
    return np.sqrt((nu + 0.1) / (nu + 1.7))


def _outlying(parts: Parts, effect: np.ndarray) -> tuple[tuple[OutlyingStrip, ...], float, int]:
    items, model, rules = parts.items, parts.fit.model, practice()
    mine = np.flatnonzero(items.kind == STRIP)
    if not mine.size:
        return (), 0.0, 0
    width, share = rules["outlying_width"], rules["outlying_share"]
    z2 = (parts.residual[:, mine] / parts.noise[:, mine]) ** 2
    given, sound = -0.5 * z2, 1.0  # log density of the fit; spread of sound strips over its own
    if parts.freedom is not None:
        nu = parts.freedom[:, None]
        given, sound = -0.5 * (nu + 1) * np.log1p(z2 / nu), 1 / _shrunk(nu)
    log_odds = math.log(share / (1 - share) / width)
    log_odds += _log_mean(-0.5 * z2 / (width * sound) ** 2 - np.log(sound) - given)
    log_odds -= _log_mean(-0.5 * z2 / sound**2 - np.log(sound) - given)
    probability = 1 / (1 + np.exp(-np.clip(log_odds, -700, 700)))
    found = found_strength(model, items)
    named = []
    for j in np.argsort(-probability):
        if probability[j] <= rules["outlying_named"]:
            break
        i = mine[j]
        level, start = parts.level[:, items.cell[i]], parts.start[:, i]
        if model.on_logs:
            middle = np.exp((-1.0 if model.rises else 1.0) * (start + effect[:, i] + level))
        else:
            middle = np.exp(start) * (1 + effect[:, i]) * level
        named.append(
            OutlyingStrip(
                material=str(items.material[i]), lot=str(items.lot[i]),
                direction=str(items.direction[i]),
                exposure=str(items.exposure[i]) if items.dose[i] > 0 else "",
                dose=float(items.dose[i]), found=float(found[i]),
                expected=float(np.median(middle)), probability=float(probability[j]),
                rows=_rows(parts.fit, int(i), parts, float(found[i])),
            )
        )  # fmt: skip
    return tuple(named), float(probability.mean()), int(mine.size)


def _log_mean(log: np.ndarray) -> np.ndarray:
    """log of the mean over draws (draw, strip) of exponentials."""
    top = log.max(axis=0)
    return top + np.log(np.exp(log - top).mean(axis=0))


def _rows(fit: Fit, i: int, parts: Parts, strength: float) -> tuple[int, ...]:
    """Rows of the table that hold this strength of this lot and exposure."""
    table, items = fit.study.rows, parts.items
    if "line" not in table:
        return ()
    same = np.isclose(table["strength"].values.astype(float), strength, rtol=1e-9)
    for name in ("material", "lot", "direction"):
        same &= table[name].values.astype(str) == str(getattr(items, name)[i])
    if items.dose[i] > 0:
        same &= table["exposure"].values.astype(str) == str(items.exposure[i])
    return tuple(int(n) for n in table["line"].values[same])


def _weights(
    parts: Parts, effect: np.ndarray, rng: np.random.Generator
) -> tuple[np.ndarray | None, np.ndarray, float | None]:
    """Weights (draw,) towards Student errors on the log scale, degrees of freedom, Pareto k.

    Degrees of freedom come from their prior. The scatter of a draw is narrowed to what a Student
    spread would be beside it, and the prior density of that is paid for. None for data whose
    change of density is not closed here (looks), or that were fitted on another scale.
    """
    fit, items, book = parts.fit, parts.items, priors()
    shared = fit.model.structure.spread != "product"
    known = np.isin(items.kind, (STRIP, GROUP, CENSORED)) & (items.sub < 0)
    if fit.model.errors != "lognormal" or shared or not known.all():
        return None, np.zeros(0), None
    n_draw = len(effect)
    of = book["tail_freedom"]
    nu = of["median"] * np.exp(of["sd_log"] * rng.standard_normal(n_draw))
    shrink = _shrunk(nu)[:, None]
    noise = parts.noise * shrink
    # an error of the source does not shrink with the scatter
    weight = items.n / (noise**2 + items.n * items.extra)
    log = np.zeros_like(noise)
    with_long_tails(log, items, weight, parts.residual, noise, nu)
    for sd, precision, sign in ((noise, weight, 1.0), (parts.noise, parts.weight, -1.0)):
        inside = precision * parts.residual**2 + items.squares / sd**2
        one = -items.freedom * np.log(sd) - 0.5 * inside
        one += 0.5 * np.log(np.where(items.extra > 0, precision * sd**2 / items.n, 1.0))
        log += np.where(items.measured, sign * one, 0.0)
    cut = np.flatnonzero(items.kind == CENSORED)
    if cut.size:
        gap = items.limit[cut] - parts.start[:, cut] - effect[:, cut]
        z = -items.sign[cut] * (gap - parts.level[:, items.cell[cut]])
        log[:, cut] = replace(parts, freedom=nu).log_below(z / noise[:, cut])
        log[:, cut] -= parts.log_below(z / parts.noise[:, cut])
    total = log.sum(axis=1)
    median, sd_log = math.log(book["strip_spread"]["median"]), book["strip_spread"]["sd_log"]
    for p in np.unique(items.product):
        own = np.log(parts.noise[:, items.product == p][:, 0])
        t, s = (own + np.log(shrink[:, 0]) - median) / sd_log, (own - median) / sd_log
        total += 0.5 * (s * s - t * t)
    found, shape = pareto_weights(total)
    return found, nu, shape


def _with_student(fit: Fit) -> Fit:
    """The study fitted again with Student errors."""
    from durability.inference.build import build_model
    from durability.inference.fit import fit_model

    model = build_model(fit.study, fit.model.law, errors="student", structure=fit.model.structure)
    return fit_model(fit.study, model, sampler=fit.settings, seed=fit.seed, level=fit.level)


def _moved(
    fit: Fit, other: Fit, weights: np.ndarray | None, step: int
) -> tuple[MovedThreshold, ...]:
    """Thresholds at the study's fractions, both ways; those never reached are left out."""
    found = []
    sizes = fit.posterior.sizes
    tails = [0.5, 0.5 - fit.level / 2, 0.5 + fit.level / 2]
    for material, direction, exposure in fit.model.conditions:
        for fraction in fit.study.thresholds:
            subject: dict[str, Any] = {
                "of": "mean", "material": material, "direction": direction, "exposure": exposure,
            }  # fmt: skip
            ours = fit.threshold_draws(fraction, **subject)
            theirs = other.threshold_draws(fraction, **subject)
            if weights is not None:
                theirs = theirs.reshape(sizes["chain"], sizes["draw"])[:, ::step].ravel()
            now = np.quantile(ours, tails, method="inverted_cdf")
            then = np.quantile(theirs, tails, method="inverted_cdf", weights=weights)
            both = np.concatenate([now, then])
            if not (np.isfinite(both).all() and (both > 0).all() and now[1] < now[2]):
                continue
            found.append(
                MovedThreshold(
                    material=material, direction=direction, exposure=exposure, fraction=fraction,
                    median=float(now[0]), low=float(now[1]), high=float(now[2]),
                    long_median=float(then[0]), long_low=float(then[1]), long_high=float(then[2]),
                )
            )  # fmt: skip
    return tuple(found)
