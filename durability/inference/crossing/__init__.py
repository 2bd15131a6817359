"""At what dose do units cross a threshold, when only brackets of the dose are known?

`fit_crossings` fits brackets by likelihood (accelerated-failure-time regression in dose),
`turnbull` draws the curve without a family, `crossings_of` takes brackets from a study, `fit_study`
states threshold doses from them and `disagreement` compares those with the degradation model's.
"""

from durability.inference.crossing.existence import (
    REASONS,
    CrossingBound,
    NoEstimate,
    distribution_free,
)
from durability.inference.crossing.families import FAMILIES
from durability.inference.crossing.flags import FLAGS
from durability.inference.crossing.from_study import crossings_of
from durability.inference.crossing.regression import arrhenius, fit_crossings, power
from durability.inference.crossing.result import CrossingFit, CrossingQuantile
from durability.inference.crossing.side_by_side import Disagreement, disagreement
from durability.inference.crossing.study_fit import (
    CrossingGroup,
    StudyCrossings,
    fit_study,
    study_crossings,
)
from durability.inference.crossing.turnbull import TurnbullCurve, turnbull

__all__ = [
    "FAMILIES",
    "FLAGS",
    "REASONS",
    "CrossingBound",
    "CrossingFit",
    "CrossingGroup",
    "CrossingQuantile",
    "Disagreement",
    "NoEstimate",
    "StudyCrossings",
    "TurnbullCurve",
    "arrhenius",
    "crossings_of",
    "disagreement",
    "distribution_free",
    "fit_crossings",
    "fit_study",
    "power",
    "study_crossings",
    "turnbull",
]
