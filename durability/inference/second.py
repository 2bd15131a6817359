"""Do other ways of looking at the same strips give the same threshold dose?

The Bayesian answer stands beside the likelihood's (same law, lots joined by restricted likelihood,
profile limits) and beside brackets of the crossing alone, which lean on no law. Intervals that
exclude each other are flagged.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from durability.inference.crossing import Disagreement, disagreement
from durability.statement import Statements

if TYPE_CHECKING:
    from durability.inference.fit import Fit


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SecondLook:
    """Threshold doses by other ways.

    Parameters
    ----------
    bayes : threshold doses of the median lot at the study's thresholds, as the fit states them.
    likelihood, brackets : the same by maximum likelihood, and from bracketed crossings.
    disagreements : pairs that do not fit together.
    refused : why a way gives no answer, in words.
    """

    bayes: Statements
    likelihood: Statements
    brackets: Statements
    disagreements: tuple[Disagreement, ...]
    refused: tuple[str, ...]

    def statements(self) -> Statements:
        """Those of the other ways."""
        return Statements([*self.likelihood, *self.brackets])


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
    bayes: Statements = fit.statements().where(quantity="threshold_dose", of="mean")
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
        refused=tuple(refused),
    )
