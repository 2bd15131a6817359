"""How many strips, lots and doses does a study need, before there is any? From priors alone.

Truths are drawn from models/priors.toml (the threshold dose, where it is guessed, from the guess),
studies are simulated from them, and each is answered by the same priors: draws from a normal about
the truth, fitted again to what keeps weight, and weighed by the exact density against the mixture
of all rounds, as in `durability.inference.quick`, for all studies at once. The model is that of one
product in one direction: threshold dose, shapes of the law, scatter of strips, spread of lots in
threshold dose and in unexposed strength.
"""

from __future__ import annotations

import html
import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from durability.decisions.decision import Decision, percent
from durability.decisions.planned_strips import assumptions
from durability.inference.model import priors
from durability.laws import Law, read_law
from durability.statement import SUBJECTS, Subject

STUDIES, ROUND, ROUNDS = 64, 500, 4
WIDER = 1.5  # every other round is so much wider, for the tails
LOTS, STRIPS = (1, 2, 3, 5, 8, 12), (3, 5, 10)
FAR = 50.0  # log of a scaled dose at which nothing is left under any law


@dataclass(frozen=True, slots=True, kw_only=True)
class Design:
    """A study of one product in one direction.

    Parameters
    ----------
    lots : of the product.
    hours : of the withdrawals [h, or any unit of dose].
    strips, unexposed : of each lot at each withdrawal, and before exposure.
    """

    lots: int
    hours: tuple[float, ...]
    strips: int
    unexposed: int

    @property
    def total(self) -> int:
        """All strips."""
        return self.lots * (self.unexposed + self.strips * len(self.hours))


@dataclass(frozen=True, slots=True, kw_only=True)
class DesignValue:
    """What a design is expected to tell.

    Parameters
    ----------
    design : the study.
    practice : it is the usual practice.
    factor : expected half-width of the interval of the threshold dose, as a factor either way
        (geometric mean over studies); factor_error : standard error of its logarithm.
    narrow : share of studies whose interval is no wider than wanted; None where none is wanted.
    told_apart : share of studies that tell two packages apart; None where no ratio is asked.
    effective : draws that keep weight in the median study.
    """

    design: Design
    practice: bool
    factor: float
    factor_error: float
    narrow: float | None
    told_apart: float | None
    effective: float

    def to_dict(self) -> dict[str, Any]:
        """Plain types for JSON."""
        d = self.design
        return {
            "lots": d.lots, "hours": list(d.hours), "strips_each": d.strips,
            "unexposed_each": d.unexposed, "strips": d.total, "usual_practice": self.practice,
            "factor": self.factor, "factor_error": self.factor_error, "narrow": self.narrow,
            "told_apart": self.told_apart, "effective_draws": self.effective,
        }  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FirstStrips:
    """Designs of a study to be made, by what each is expected to tell.

    Parameters
    ----------
    of, fraction, law : of the threshold dose.
    expected : threshold dose that is guessed [h], None for the prior alone.
    wanted_factor, wanted_ratio : interval wanted, and ratio of two packages to be told apart.
    level : of intervals; assurance : that telling apart needs.
    chance : share of studies in which what is wanted must come out.
    values : every design, in order of strips.
    studies : simulated of each design.
    seed : of the studies.
    """

    of: Subject
    fraction: float
    law: str
    expected: float | None
    wanted_factor: float | None
    wanted_ratio: float | None
    level: float
    assurance: float
    chance: float
    values: tuple[DesignValue, ...]
    studies: int
    seed: int

    def enough(self, value: DesignValue) -> bool:
        """The design gives what is wanted in as many studies as asked."""
        asked = [x for x in (value.narrow, value.told_apart) if x is not None]
        return bool(asked) and all(x >= self.chance for x in asked)

    @property
    def smallest(self) -> DesignValue | None:
        """The design with the fewest strips that is enough; None where none is, or none wanted."""
        return next((v for v in self.values if self.enough(v)), None)

    def asked(self) -> str:
        """What is wanted, in words."""
        parts = []
        if self.wanted_factor is not None:
            parts.append(
                f"the {100 * self.level:g} % interval of the threshold dose at "
                f"{100 * self.fraction:g} % left, for {SUBJECTS[self.of]}, within a factor of "
                f"{self.wanted_factor:g} either way"
            )
        if self.wanted_ratio is not None:
            parts.append(
                f"two packages whose threshold doses differ by a factor of {self.wanted_ratio:g} "
                f"told apart at {percent(self.assurance)}, for {SUBJECTS[self.of]} of each"
            )
        return " and ".join(parts)

    def decision(self) -> Decision:
        """Which design to take, as a record."""
        found = self.smallest
        answer = "no design tried is enough: more lots, or a longer exposure"
        if not self.asked():
            best = min(self.values, key=lambda v: v.factor)
            answer = f"the narrowest interval of those tried: {in_words(best.design)}"
        elif found is not None:
            answer = f"{in_words(found.design)} is the least that is enough"
        return Decision(
            name=f"first strips/{self.of}",
            question=f"How many strips does it take: {self.asked()}?"
            if self.asked()
            else "Which design tells most?",
            answer=answer,
            decided=found is not None or not self.asked(),
            assurance=self.chance,
            wrong_to_act="strips are spent, and the study may yet not tell what is wanted",
            wrong_to_wait="",
            would_change=("a guess of the threshold dose", "scatter and spread of lots that are "
                          "known to be smaller: models/priors.toml"),
        )  # fmt: skip

    def notes(self) -> list[str]:
        """What the numbers lean on."""
        where = (
            "it is drawn from its prior, centred on the longest exposure"
            if self.expected is None
            else f"it is drawn about {self.expected:g} h, 95 % within a factor of "
            f"{math.exp(1.96 * assumptions()['guess_spread']['sd_log']):.2g}"
        )
        lines = [
            f"Nothing is known of the threshold dose but this: {where}. Scatter, spread of lots "
            "and shape are those of the priors; each interval is what these priors and the strips "
            "would give.",
            "Strips are counted for one product in one direction.",
        ]
        if self.wanted_ratio is not None:
            lines.append(
                "Each of the two packages takes the design. The ratio is read as normal on the log "
                "scale, without the pooling of packages that `durability compare` does."
            )
        return lines

    def to_dict(self) -> dict[str, Any]:
        """Plain types for JSON."""
        names = ("of", "fraction", "law", "expected", "wanted_factor", "wanted_ratio", "level",
                 "assurance", "chance", "studies", "seed")  # fmt: skip
        return {name: getattr(self, name) for name in names} | {
            "designs": [v.to_dict() | {"enough": self.enough(v)} for v in self.values],
            "smallest": None if self.smallest is None else self.smallest.to_dict(),
            "decision": self.decision().to_dict(),
            "notes": self.notes(),
        }

    def __repr__(self) -> str:
        lines = [f"  {v.factor:.3g}  {in_words(v.design)}" for v in self.values]
        return "\n".join([f"FirstStrips: {self.decision().sentence()}", *lines])

    def _repr_html_(self) -> str:
        return f"<p>{html.escape(self.decision().sentence())}</p>"


def in_words(design: Design) -> str:
    """Lots, withdrawals and strips of a design.

    Examples
    --------
    >>> in_words(Design(lots=1, hours=(500.0,), strips=5, unexposed=5))
    '1 lot, withdrawn at 500 h; 5 strips a withdrawal, 5 unexposed, 10 in all'
    """
    hours = ", ".join(f"{h:.4g}" for h in design.hours)
    return (
        f"{design.lots} lot{'s' if design.lots > 1 else ''}, withdrawn at {hours} h;"
        f" {design.strips} strips a withdrawal, {design.unexposed} unexposed, {design.total} in all"
    )


def first_strips(
    *,
    hours: float,
    strips: int | None = None,
    withdrawals: int = 3,
    lots: int = 12,
    expected: float | None = None,
    factor: float | None = None,
    ratio: float | None = None,
    of: Subject = "new_lot",
    fraction: float = 0.5,
    law: str = "stretched-exponential",
    level: float = 0.95,
    assurance: float = 0.95,
    chance: float = 0.8,
    seed: int = 0,
    studies: int = STUDIES,
) -> FirstStrips:
    """Designs of a study to be made, by what each is expected to tell, from priors alone.

    Parameters
    ----------
    hours : longest exposure [h].
    strips : that may be broken for one product in one direction; None tries a range of designs.
    withdrawals, lots : most of each.
    expected : where the threshold dose is guessed to lie [h]; None leaves it to its prior.
    factor : half-width that is wanted of the interval of the threshold dose, such as 1.3.
    ratio : of the threshold doses of two packages that should be told apart, such as 1.5.
    of : the median lot, or a new one.
    fraction, law, level : of the threshold dose.
    assurance : probability at which two packages are told apart.
    chance : share of studies in which what is wanted must come out.
    seed, studies : of the simulation.

    Returns
    -------
    FirstStrips

    Raises
    ------
    ValueError : numbers out of range, strips too few for any design, a law that may never fall to
        the fraction.

    Examples
    --------
    >>> found = first_strips(hours=1000.0, strips=20, lots=2, expected=500.0, studies=8)
    >>> any(v.practice for v in found.values)
    True
    """
    the_law = read_law(law)
    faults = [
        *(["hours must be above 0"] if not hours > 0 else []),
        *([f"factor is {factor:g}; it must be above 1"] if factor and factor <= 1 else []),
        *([f"ratio is {ratio:g}; it must be above 1"] if ratio and ratio <= 1 else []),
        *(["expected must be above 0"] if expected is not None and not expected > 0 else []),
        *([f"of is {of}; before any data it is mean or new_lot"]
          if of not in ("mean", "new_lot") else []),
        *([f"{law} may never fall to {fraction:g}; name another law"]
          if not the_law.always_reaches(fraction) else []),
    ]  # fmt: skip
    if faults:
        raise ValueError("; ".join(faults))
    usual = assumptions()["usual_practice"]
    practice = Design(lots=1, hours=(float(usual["hours"]),), strips=int(usual["strips"]),
                      unexposed=int(usual["strips"]))  # fmt: skip
    designs = [practice, *_designs(hours, strips, withdrawals, lots)]
    if len(designs) == 1:
        raise ValueError(f"{strips} strips are too few: two of each group are the least")
    values = []
    for design in dict.fromkeys(designs):
        told = _Told(the_law, design, fraction, expected, seed, studies)
        width = told.half_widths(of, level)
        values.append(
            DesignValue(
                design=design, practice=design == practice, factor=float(np.exp(width.mean())),
                factor_error=float(width.std(ddof=1) / math.sqrt(width.size)),
                narrow=None if factor is None else float((width <= math.log(factor)).mean()),
                told_apart=None if ratio is None else told.apart(of, ratio, assurance),
                effective=told.effective,
            )
        )  # fmt: skip
    values.sort(key=lambda v: (v.design.total, v.factor))
    return FirstStrips(
        of=of, fraction=fraction, law=the_law.name, expected=expected, wanted_factor=factor,
        wanted_ratio=ratio, level=level, assurance=assurance, chance=chance, values=tuple(values),
        studies=studies, seed=seed,
    )  # fmt: skip


def _designs(hours: float, strips: int | None, withdrawals: int, lots: int) -> list[Design]:
    """Designs within a number of strips, or over a range of them."""
    even = tuple(hours * k / withdrawals for k in range(1, withdrawals + 1))
    found = []
    for number in (n for n in LOTS if n <= lots):
        for at in dict.fromkeys((even, (hours,))):
            tried = STRIPS if at == even else STRIPS[1:2]
            sizes = tried if strips is None else (strips // (number * (len(at) + 1)),)
            found += [Design(lots=number, hours=at, strips=n, unexposed=n) for n in sizes if n > 1]
    return found


class _Told:
    """Studies of one design, each answered: draws of the parameters with weights.

    Parameters are log threshold dose, log shapes, log scatter, logs of the spreads of lots in
    threshold dose and in unexposed strength, and log unexposed strength about its prior.
    """

    def __init__(
        self, law: Law, design: Design, fraction: float, expected: float | None, seed: int,
        studies: int,
    ) -> None:  # fmt: skip
        book = priors()
        self.law, self.design, self.fraction = law, design, fraction
        self.expected, self.seed, self.studies = expected, seed, studies
        self.count = np.array([design.unexposed, *[design.strips] * len(design.hours)])
        self.freedom = int(design.lots * (self.count - 1).sum())
        self.shapes = [s.name for s in law.shapes]
        self.centre = np.array(
            [math.log(design.hours[-1]), *(math.log(s.median) for s in law.shapes),
             math.log(book["strip_spread"]["median"])]
        )  # fmt: skip
        self.sd = np.array(
            [book["threshold_dose"]["sd_log"], *(s.sd_log for s in law.shapes),
             book["strip_spread"]["sd_log"]]
        )  # fmt: skip
        self.scale = np.array(
            [book[f"lot_spread_of_{what}"]["scale"] for what in ("threshold", "strength")]
        )
        self.start_sd = book["unexposed_strength"]["sd_log"]
        truths = self._truths()
        self.draws, self.weight = self._answered(truths)

    @property
    def effective(self) -> float:
        """Draws that keep weight in the median study."""
        return float(np.median(1 / (self.weight**2).sum(1)))

    def _truths(self) -> np.ndarray:
        """Parameters (study, parameter) that are true."""
        rng = np.random.default_rng([self.seed, 512])  # the same truths for every design
        n = self.centre.size
        normal = rng.standard_normal((self.studies, n))
        plain = self.centre + self.sd * normal
        if self.expected is not None:
            spread = assumptions()["guess_spread"]["sd_log"]
            plain[:, 0] = math.log(self.expected) + spread * normal[:, 0]
        spreads = np.log(self.scale * np.abs(rng.standard_normal((self.studies, 2))))
        start = self.start_sd * rng.standard_normal((self.studies, 1))
        return np.hstack([plain, spreads, start])

    def log_prior(self, theta: np.ndarray) -> np.ndarray:
        """Log prior density of parameters (..., parameter), up to a constant."""
        n = self.centre.size
        plain = (theta[..., :n] - self.centre) / self.sd
        log_spread = theta[..., n : n + 2]
        half = -0.5 * (np.exp(log_spread) / self.scale) ** 2 + log_spread
        start = theta[..., -1] / self.start_sd
        return -0.5 * (plain**2).sum(-1) + half.sum(-1) - 0.5 * start**2

    def groups(self, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Mean (..., group) and covariance (..., group, group) of the groups of a lot."""
        n, m = self.centre.size, len(self.shapes)
        shape = {s: np.exp(theta[..., 1 + i, None]) for i, s in enumerate(self.shapes)}
        log_scale = theta[..., :1] - np.log(self.law.inverse(self.fraction, shape))
        sd, lots, strengths = (np.exp(theta[..., k, None]) for k in (m + 1, n, n + 1))
        dose = np.log(np.array(self.design.hours)) - log_scale
        weakest = assumptions()["weakest_strip"]["value"]
        low, high = (
            np.log(
                np.maximum(
                    self.law.retained(np.exp(np.minimum(dose + side * lots, FAR)), shape), weakest
                )
            )
            for side in (1.0, -1.0)
        )
        flat = np.zeros((*dose.shape[:-1], 1))
        mean = np.concatenate([flat, (low + high) / 2], axis=-1) + theta[..., -1:]
        lot = np.concatenate([flat, (high - low) / 2], axis=-1)
        cov = lot[..., :, None] * lot[..., None, :] + strengths[..., None] ** 2
        own = np.arange(self.count.size)
        cov[..., own, own] += sd**2 / self.count
        return mean, cov

    def _simulated(self, truths: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Group means (study, lot, group) and squares within groups (study,)."""
        rng = np.random.default_rng([self.seed, 1066])
        mean, cov = self.groups(truths)
        noise = rng.standard_normal((len(truths), self.design.lots, self.count.size))
        means = mean[:, None] + np.einsum("jab,jlb->jla", np.linalg.cholesky(cov), noise)
        scatter = np.exp(truths[:, len(self.shapes) + 1])
        return means, scatter**2 * rng.chisquare(self.freedom, len(truths))

    def log_density(self, theta: np.ndarray, means: np.ndarray, squares: np.ndarray) -> np.ndarray:
        """Log posterior density (study, draw), up to a constant of the study."""
        mean, cov = self.groups(theta)
        inverse = np.linalg.inv(np.linalg.cholesky(cov))
        away = means[:, None] - mean[:, :, None]  # study, draw, lot, group
        score = np.einsum("jnab,jnlb->jnla", inverse, away)
        log_det = -np.log(np.diagonal(inverse, axis1=-2, axis2=-1)).sum(-1)
        log_sd = theta[..., len(self.shapes) + 1]
        inside = -self.freedom * log_sd - 0.5 * squares[:, None] * np.exp(-2 * log_sd)
        fit = -0.5 * (score**2).sum((-1, -2)) - self.design.lots * log_det
        return self.log_prior(theta) + fit + inside

    def _information(self, theta: np.ndarray) -> np.ndarray:
        """Expected information (study, parameter, parameter) at parameters, prior included."""
        size, step = theta.shape[-1], 1e-3
        mean, cov = self.groups(theta)
        precision = np.linalg.inv(cov)
        by_mean, by_cov = [], []
        for k in range(size):
            up = theta + step * (np.arange(size) == k)
            moved = self.groups(up)
            by_mean.append((moved[0] - mean) / step)
            by_cov.append(precision @ ((moved[1] - cov) / step))
        slopes, turns = np.stack(by_mean, 1), np.stack(by_cov, 1)
        found = np.einsum("jpa,jab,jqb->jpq", slopes, precision, slopes)
        found = self.design.lots * (found + 0.5 * np.einsum("jpab,jqba->jpq", turns, turns))
        at = len(self.shapes) + 1
        found[:, at, at] += 2 * self.freedom
        sd = np.array([*self.sd, 1.1, 1.1, self.start_sd])  # 1.1: of the log of a half-normal
        return found + np.diag(sd**-2.0)

    def _answered(self, truths: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Draws (study, draw, parameter) and their weights (study, draw)."""
        return self.answered(truths, *self._simulated(truths))

    def answered(
        self, truths: np.ndarray, means: np.ndarray, squares: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """As `_answered`, of studies that showed these means and squares.

        Parameters
        ----------
        truths : (study, parameter) about which draws start.
        means : (study, lot, group) of log strength.
        squares : (study,) within groups.
        """
        rng = np.random.default_rng([self.seed, 1789])
        size = truths.shape[1]
        centre, cov = truths, 1.5 * np.linalg.inv(self._information(truths))
        parts: list[tuple[np.ndarray, np.ndarray]] = []
        draws, density = np.empty((len(truths), 0, size)), np.empty((len(truths), 0))
        weight = density
        for k in range(ROUNDS):
            root = np.linalg.cholesky(cov) * (WIDER if k % 2 else 1.0)
            parts.append((centre, root))
            normal = rng.standard_normal((len(truths), ROUND, size))
            fresh = centre[:, None] + np.einsum("jab,jnb->jna", root, normal)
            draws = np.concatenate([draws, fresh], axis=1)
            found = self.log_density(fresh, means, squares)
            density = np.concatenate([density, found], axis=1)
            mixture = np.logaddexp.reduce([_normal(draws, *part) for part in parts])
            log_weight = density - mixture
            weight = np.exp(log_weight - log_weight.max(1, keepdims=True))
            weight /= weight.sum(1, keepdims=True)
            centre = np.einsum("jn,jnp->jp", weight, draws)
            gap = draws - centre[:, None]
            kept = np.einsum("jn,jnp,jnq->jpq", weight, gap, gap)
            few = 1 / (1 + 1 / (weight**2).sum(1) / (10 * size))  # of draws: keep some of before
            cov = 1.1 * ((1 - few)[:, None, None] * kept + few[:, None, None] * cov)
            cov += 1e-9 * np.eye(size)
        return draws, weight

    def half_widths(self, of: Subject, level: float) -> np.ndarray:
        """Log half-width (study,) of the interval of the threshold dose."""
        from scipy.special import ndtr

        log_tau = self.draws[..., 0]
        tails = np.array([0.5 - level / 2, 0.5 + level / 2])
        spread = np.exp(self.draws[..., self.centre.size]) if of == "new_lot" else None
        found = np.empty((len(log_tau), 2))
        for j, (x, w) in enumerate(zip(log_tau, self.weight, strict=True)):
            keep = w > 1e-7
            x, w = x[keep], w[keep]
            if spread is None:
                order = np.argsort(x)
                found[j] = np.interp(tails, np.cumsum(w[order]) / w.sum(), x[order])
                continue
            s = spread[j][keep]
            grid = np.linspace((x - 4 * s).min(), (x + 4 * s).max(), 200)
            cdf = (w / w.sum()) @ ndtr((grid - x[:, None]) / np.maximum(s, 1e-9)[:, None])
            found[j] = np.interp(tails, cdf, grid)
        return (found[:, 1] - found[:, 0]) / 2

    def apart(self, of: Subject, ratio: float, assurance: float) -> float:
        """Share of pairs of studies that tell two packages apart.

        The second package has the truth of the first with a threshold dose so many times lower,
        and strips of its own; the ratio of both is read as normal on the log scale.
        """
        from scipy.special import ndtr

        other = object.__new__(_Told)
        other.__dict__.update(self.__dict__)
        other.seed = self.seed + 1_000_003
        truths = self._truths()
        truths[:, 0] -= math.log(ratio)
        other.draws, other.weight = other._answered(truths)
        (m1, v1), (m2, v2) = (told.moments(of) for told in (self, other))
        above = ndtr((m1 - m2) / np.sqrt(v1 + v2))
        return float((above >= assurance).mean())

    def moments(self, of: Subject) -> tuple[np.ndarray, np.ndarray]:
        """Mean and variance (study,) of log threshold dose."""
        x = self.draws[..., 0]
        mean = (self.weight * x).sum(1)
        variance = (self.weight * (x - mean[:, None]) ** 2).sum(1)
        if of == "new_lot":
            variance += (self.weight * np.exp(2 * self.draws[..., self.centre.size])).sum(1)
        return mean, variance


def _normal(x: np.ndarray, centre: np.ndarray, root: np.ndarray) -> np.ndarray:
    """Log density (study, draw) of normals, up to the constant of the standard normal."""
    score = np.einsum("jab,jnb->jna", np.linalg.inv(root), x - centre[:, None])
    log_det = np.log(np.diagonal(root, axis1=1, axis2=2)).sum(1)
    return -0.5 * (score**2).sum(-1) - log_det[:, None]


__all__ = ["Design", "DesignValue", "FirstStrips", "first_strips", "in_words"]
