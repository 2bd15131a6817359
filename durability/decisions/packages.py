"""Which package is to be taken? Every pair compared, the best named if it may be, and its price.

A package is compared at the worse of its directions, draw by draw. All probabilities are of one
joint posterior in which the packages are pooled (`durability.decisions.pooling`), so that the
probability of being best already knows how many there are.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING, Any, get_args

from durability.decisions.compare import OnePackage, one_package, ratio_statement
from durability.decisions.decision import Decision, percent
from durability.decisions.loading import LoadingEffect, loading_effects
from durability.decisions.package_words import WHO, best_decision, pair_decision
from durability.decisions.pooling import pooled_factors
from durability.decisions.prices import cost_statements
from durability.statement import Statement, Statements, Subject

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from durability.study.model import Study
    from durability.translation import ThresholdPosterior, Translation

OPEN = "open"
VERDICTS = {
    "longer_by_margin": "lasts longer by the margin",
    "alike": "alike within the margin",
    "shorter_by_margin": "lasts less by the margin",
    "longer": "lasts longer",
    "shorter": "lasts less",
    OPEN: "open",
}
MULTIPLE = {
    True: "The packages are pooled: they vary about a common level by a spread that the study"
    " informs, so a package that did best by luck is drawn towards the others. The probability of"
    " being best is counted draw by draw over all of them at once. No further correction for the"
    " number of pairs is needed, or made.",
    False: "The packages stand as they were fitted, each with a wide prior of its own: they were"
    " not pooled, since they have no band in common. The best of several may look better than it"
    " is.",
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pair:
    """Two packages compared.

    Parameters
    ----------
    material, against : numerator and denominator of the ratio.
    of : subject: mean, new_lot or single_specimen.
    ratio : the ratio of threshold doses, or None where nothing may be said of it.
    longer, longer_by_margin, alike, shorter, shorter_by_margin : probability that the ratio lies
        above 1, at or above the margin, within 1/margin and margin, below 1, at or below 1/margin.
        Draws in which neither package reaches the fraction count for none of them.
    verdict : a key of `VERDICTS`.
    if_wrong : median of the ratio where the verdict is wrong, None where it never was.
    """

    material: str
    against: str
    of: Subject
    ratio: Statement | None
    longer: float
    longer_by_margin: float
    alike: float
    shorter: float
    shorter_by_margin: float
    verdict: str
    if_wrong: float | None

    @property
    def decided(self) -> bool:
        """True where the verdict is more than "open"."""
        return self.verdict != OPEN

    def probability(self) -> float | None:
        """That of the verdict."""
        return getattr(self, self.verdict) if self.decided else None

    def to_dict(self) -> dict[str, Any]:
        """Plain types for JSON."""
        names = ("material", "against", "of", "longer", "longer_by_margin", "alike", "shorter",
                 "shorter_by_margin", "verdict", "if_wrong")  # fmt: skip
        record = {name: getattr(self, name) for name in names}
        return record | {"ratio": None if self.ratio is None else self.ratio.to_dict()}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PackageComparison:
    """All packages of a study, compared.

    Parameters
    ----------
    control : the package that the others are held against, or None.
    margin : a ratio worth having; within 1/margin and margin packages count as alike.
    assurance : probability that a verdict needs.
    fraction : retained fraction that the thresholds are of; None is the required strength.
    of : the subject that verdicts and costs are about.
    materials : packages compared.
    pairs : every pair, for the mean, a new lot and single strips; against the control first.
    best : subject to material to the probability of the largest threshold dose.
    together : probability that every decided verdict about `of` holds at once.
    pooled : whether the packages were pooled.
    costs : price over threshold dose, and over days where a translation was given.
    loading : effect of each covariate that differs between packages.
    decisions : what is decided or left open.
    left_out : material to the reason why it is not compared.
    """

    control: str | None
    margin: float
    assurance: float
    fraction: float | None
    of: Subject
    materials: tuple[str, ...]
    pairs: tuple[Pair, ...]
    best: dict[Subject, dict[str, float]]
    together: float | None
    pooled: bool
    costs: Statements
    loading: tuple[LoadingEffect, ...]
    decisions: tuple[Decision, ...]
    left_out: dict[str, str]

    def statements(self) -> Statements:
        """Ratios of every pair, then costs."""
        return Statements([*(p.ratio for p in self.pairs if p.ratio is not None), *self.costs])

    def notes(self) -> list[str]:
        """What to know before anything is quoted."""
        lines = [MULTIPLE[self.pooled]]
        if self.together is not None:
            lines.append(
                f"All verdicts on {WHO[self.of]} hold at once with probability"
                f" {percent(self.together)}."
            )
        return lines + [f"{m} is not compared: {why}" for m, why in self.left_out.items()]

    def to_dict(self) -> dict[str, Any]:
        """Plain types for JSON."""
        return {
            "control": self.control,
            "margin": self.margin,
            "assurance": self.assurance,
            "fraction": self.fraction,
            "of": self.of,
            "pairs": [p.to_dict() for p in self.pairs],
            "best": {of: dict(found) for of, found in self.best.items()},
            "together": self.together,
            "pooled": self.pooled,
            "costs": self.costs.to_list(),
            "loading": [effect.to_dict() for effect in self.loading],
            "decisions": [d.to_dict() for d in self.decisions],
            "notes": self.notes(),
        }

    def __repr__(self) -> str:
        lines = ["PackageComparison"]
        lines += [f"  {d.sentence()}" for d in self.decisions]
        lines += [f"  {effect.sentence()}" for effect in self.loading]
        return "\n".join([*lines, *(f"  note: {n}" for n in self.notes())])

    def _repr_html_(self) -> str:
        return "".join(d._repr_html_() for d in self.decisions)


def compare_packages(
    fit: ThresholdPosterior,
    control: str | None = None,
    *,
    margin: float | None = None,
    fraction: float | None = None,
    of: Subject | None = None,
    assurance: float | None = None,
    level: float | None = None,
    translation: Translation | None = None,
) -> PackageComparison:
    """Compare every pair of packages, name the best if it may be named, and count its price.

    Parameters
    ----------
    fit : a fit of at least two materials.
    control : the package that the others are held against; None takes the study's, if any.
    margin : ratio of threshold doses that is worth having, above 1; None takes the study's, else
        that of models/practice.toml. Packages whose ratio lies within 1/margin and margin are
        alike in practice.
    fraction : retained fraction; None takes the study's first threshold, or its required strength
        where it names no threshold.
    of : subject of the verdicts; None takes the study's. Ratios are given for all three.
    assurance : probability that a verdict needs; None takes the study's.
    level : of intervals; None takes the study's.
    translation : of this fit, for the price of a day in the open.

    Returns
    -------
    PackageComparison

    Raises
    ------
    ValueError : fewer than two materials share an exposure, an unknown control, or a margin that is
        not above 1.
    """
    question = fit.study.question
    control = question.control if control is None else control
    of = question.of if of is None else of
    assurance = question.assurance if assurance is None else assurance
    level = question.level if level is None else level
    margin = useful_margin(fit.study) if margin is None else margin
    if not 1 < margin < 100:
        raise ValueError(f"margin is {margin:g}; it must lie above 1, such as 1.2 for 20 % more")
    if control is not None and control not in fit.materials:
        raise ValueError(f'control "{control}" is unknown; known: {", ".join(fit.materials)}')
    if fraction is None and fit.study.thresholds:
        fraction = fit.study.thresholds[0]
    exposure, materials, left_out = _comparable(fit, control)
    factors = pooled_factors(fit, fit.materials)
    directions = {m: fit.directions(m) for m in materials}
    shared = [d for d in directions[materials[0]] if all(d in x for x in directions.values())]

    order = sorted(materials, key=lambda m: m == control)  # the control is a denominator
    pairs: list[Pair] = []
    best: dict[Subject, dict[str, float]] = {}
    barred: set[str] = set()
    right: NDArray[np.bool_] | None = None
    for subject in (of, *(s for s in get_args(Subject) if s != of)):
        share = question.share if subject == "single_specimen" else None
        sides = {
            m: one_package(
                fit, m, shared or directions[m], exposure, subject, fraction, share=share,
                pooled=factors,
            )
            for m in order
        }  # fmt: skip
        best[subject] = _best(sides)
        if subject == of:
            barred = _not_to_be_named_best(sides)
        found = []
        for a, b in combinations(order, 2):
            pair, held = _pair(
                fit, sides[a], sides[b], margin, assurance, level, factors is not None
            )
            found.append(pair)
            if subject == of and pair.decided:
                right = held if right is None else right & held
        pairs += sorted(found, key=lambda p: p.against != control)
    costs = cost_statements(
        fit, materials, directions, exposure, of, fraction, level=level, translation=translation
    )
    mine = [p for p in pairs if p.of == of]
    against = [p for p in mine if p.against == control] or mine
    decisions = [pair_decision(p, margin, assurance, fit.study.materials) for p in against]
    decisions.append(best_decision(best[of], mine, of, assurance, barred))
    return PackageComparison(
        control=control,
        margin=margin,
        assurance=assurance,
        fraction=fraction,
        of=of,
        materials=tuple(materials),
        pairs=tuple(pairs),
        best=best,
        together=None if right is None else float(right.mean()),
        pooled=factors is not None,
        costs=costs,
        loading=loading_effects(fit, materials, directions, exposure, fraction, level=level),
        decisions=tuple(decisions),
        left_out=left_out,
    )


def useful_margin(study: Study) -> float:
    """The ratio of threshold doses that a study names as worth having, else the common one."""
    from durability.inference.threshold import practice

    asked = study.question.margin
    return practice()["useful_margin"] if asked is None else asked


def _comparable(
    fit: ThresholdPosterior, control: str | None
) -> tuple[str, list[str], dict[str, str]]:
    """The exposure that most packages share, the control's among them; who went through it."""
    exposures = {m: fit.exposures(m) for m in fit.materials}
    names = list(dict.fromkeys(x for found in exposures.values() for x in found))
    if control is not None:
        names = [x for x in names if x in exposures[control]]
    count = {x: sum(x in found for found in exposures.values()) for x in names}
    exposure = max(count, key=lambda x: count[x])
    materials = [str(m) for m in fit.materials if exposure in exposures[m]]
    if len(materials) < 2:
        raise ValueError(
            "a comparison needs two materials that went through one exposure; the study has "
            + "; ".join(f"{m}: {', '.join(x)}" for m, x in exposures.items())
        )
    left_out = {
        m: f"it was not in exposure {exposure}" for m in fit.materials if m not in materials
    }
    return exposure, materials, left_out


def _pair(
    fit: ThresholdPosterior,
    mine: OnePackage,
    theirs: OnePackage,
    margin: float,
    assurance: float,
    level: float,
    pooled: bool,
) -> tuple[Pair, NDArray[np.bool_]]:
    """The pair, and in which draws its verdict holds."""
    import numpy as np

    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = mine.tau / theirs.tau  # nan compares as False: it counts for nothing
    holds = {
        "longer_by_margin": ratio >= margin,
        "alike": (ratio > 1 / margin) & (ratio < margin),
        "shorter_by_margin": ratio <= 1 / margin,
        "longer": ratio > 1,
        "shorter": ratio < 1,
    }
    # a bound supports what lies on its own side only
    no_upper = mine.bound == "lower" or theirs.bound == "upper"
    no_lower = mine.bound == "upper" or theirs.bound == "lower"
    barred = {
        "longer_by_margin": no_lower,
        "alike": no_lower or no_upper,
        "shorter_by_margin": no_upper,
        "longer": no_lower,
        "shorter": no_upper,
    }
    chance = {name: float(where.mean()) for name, where in holds.items()}
    verdict = next((n for n in holds if chance[n] >= assurance and not barred[n]), OPEN)
    held = holds.get(verdict, np.ones(ratio.size, dtype=bool))
    wrong = ratio[~held & ~np.isnan(ratio)]
    against = None if theirs.material == fit.study.question.control else theirs.material
    pair = Pair(
        material=mine.material,
        against=theirs.material,
        of=mine.of,
        ratio=ratio_statement(
            fit, mine, theirs, direction=None, level=level, against=against, pooled=pooled
        ),
        verdict=verdict,
        if_wrong=float(np.median(wrong)) if wrong.size and np.isfinite(np.median(wrong)) else None,
        **chance,
    )
    return pair, held


def _best(sides: dict[str, OnePackage]) -> dict[str, float]:
    """Probability of each package of the largest threshold dose.

    Draws in which several never fall so far name no best.
    """
    import numpy as np

    tau = np.stack([side.tau for side in sides.values()])
    top = np.nanmax(np.where(np.isnan(tau), -1.0, tau), axis=0)
    is_top = tau == top
    alone = is_top.sum(axis=0) == 1
    return {m: float((is_top[i] & alone).mean()) for i, m in enumerate(sides)}


def _not_to_be_named_best(sides: dict[str, OnePackage]) -> set[str]:
    """Packages for which only an upper bound is known, or a rival of which only a lower one."""
    lower = [m for m, side in sides.items() if side.bound == "lower"]
    return {m for m, side in sides.items() if side.bound == "upper" or set(lower) - {m}}


__all__ = [
    "MULTIPLE",
    "OPEN",
    "VERDICTS",
    "PackageComparison",
    "Pair",
    "compare_packages",
    "useful_margin",
]
