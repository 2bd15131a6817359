"""Do other ways of looking at the same strips say the same?

The Bayesian threshold dose stands beside the likelihood's (same law, lots joined by restricted
likelihood, profile limits) and beside brackets of the crossing alone, which lean on no law.
Intervals that exclude each other are flagged. The fraction left at each dose stands beside that of
the strips of that dose alone: the model looks at all doses through one law, so its interval is
narrower where the law holds and off where it does not. Of single groups, Fieller's interval stands
beside that of the log ratio.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from durability.inference.crossing import Disagreement, disagreement
from durability.inference.threshold import about, threshold_statements
from durability.statement import Statement, Statements

if TYPE_CHECKING:
    from durability.inference.fitted import Fit
    from durability.study import Study


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SecondLook:
    """Threshold doses by other ways.

    Parameters
    ----------
    bayes : threshold doses of the median lot at the study's thresholds, as the fit states them.
    likelihood, brackets : the same by maximum likelihood, and from bracketed crossings.
    disagreements : pairs that do not fit together.
    retained : the fraction left of the mean of the lots, by the strips of one dose alone and by the
        model, one pair a dose.
    fieller : the fraction left of each group of strips, by Fieller's interval.
    refused : why a way gives no answer, in words.
    """

    bayes: Statements
    likelihood: Statements
    brackets: Statements
    disagreements: tuple[Disagreement, ...]
    retained: tuple[tuple[Statement, Statement], ...]
    fieller: Statements
    refused: tuple[str, ...]

    def statements(self) -> Statements:
        """Those of the other ways, and the model's fraction left at each dose."""
        retained = (m for _, m in self.retained)
        return Statements([*self.likelihood, *self.brackets, *retained, *self.fieller])


def second_look(fit: Fit) -> SecondLook:
    """Threshold doses of a fit's study by likelihood and from brackets.

    Parameters
    ----------
    fit : the Bayesian fit.

    Returns
    -------
    SecondLook
    """
    from durability.inference import crossing, likelihood
    from durability.study import StudyError

    refused: list[str] = []

    def tried(way: str, state: Callable[[], Statements]) -> Statements:
        try:
            said = state()
        except StudyError as reason:
            refused.append(f"{way}: {'; '.join(str(p) for p in reason.problems)}")
            return Statements([])
        return Statements([s for s in said if s.quantity == "threshold_dose" and s.of == "mean"])

    study = fit.study
    asked = [*study.thresholds, *([None] if study.required_strength is not None else [])]
    bayes = threshold_statements(fit, fractions=asked, subjects=("mean",))
    by_likelihood = tried(
        "likelihood",
        lambda: likelihood.fit_study(
            study, law=fit.model.law, errors=fit.model.errors, level=fit.level
        ).statements(),
    )

    def bracketed() -> Statements:
        found = [
            s
            for q in study.thresholds
            for s in crossing.fit_study(study, fraction=q, level=fit.level)
        ]
        return Statements(found)

    by_brackets = tried("brackets", bracketed)
    pairs = (*disagreement(bayes, by_likelihood), *disagreement(bayes, by_brackets))
    return SecondLook(
        bayes=bayes,
        likelihood=by_likelihood,
        brackets=by_brackets,
        disagreements=pairs,
        retained=retained_beside(fit),
        fieller=by_fieller(study),
        refused=tuple(refused),
    )


def by_fieller(study: Study) -> Statements:
    """The fraction left of each group by Fieller's interval, where it has unexposed strips."""
    from durability.retention import retained_strength

    said = retained_strength(study, level=study.question.level, method="fieller")
    return Statements([s for s in said if "fieller" in s.assumptions and not s.is_bound])


def retained_beside(fit: Fit) -> tuple[tuple[Statement, Statement], ...]:
    """Fraction left of the mean of the lots at each dose: by its strips alone, and by the model.

    Parameters
    ----------
    fit : of a study whose property falls; without unexposed strips there is nothing to compare.

    Returns
    -------
    tuple of (confidence interval by the log ratio or between lots, credible interval).
    """
    import numpy as np

    from durability.retention import retained_strength

    if fit.model.rises:
        return ()
    tail = [0.5, 0.5 - fit.level / 2, 0.5 + fit.level / 2]
    found = []
    for alone in retained_strength(fit.study, level=fit.level):
        material, direction = alone.material or "", alone.direction or ""
        exposure = alone.exposure or ""
        known = (material, direction, exposure) in fit.model.conditions
        if alone.of != "mean" or alone.unit != "1" or not alone.dose or not known:
            continue
        draws = fit.retained_draws(
            alone.dose, material=material, direction=direction, exposure=exposure
        )[:, 0]
        value, low, high = (float(x) for x in np.quantile(draws, tail))
        model = Statement(
            quantity="retained_strength", unit="1", of="mean", material=alone.material,
            direction=alone.direction, exposure=alone.exposure, dose=alone.dose, value=value,
            low=low, high=high, level=fit.level, law=fit.law,
            **about(fit, material, "mean"),
        )  # fmt: skip
        found.append((alone, model))
    return tuple(found)
