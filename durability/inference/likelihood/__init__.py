"""What does the likelihood say? Laws and free curves fitted by maximum likelihood.

`fit_curve` takes arrays, `fit_series` many series at once, `fit_study` a study; `compare_laws`
makes the table of laws. A fit answers with intervals, thresholds and checks of itself.
"""

from durability.inference.likelihood.batch import fit_series
from durability.inference.likelihood.bootstrap import Bootstrap
from durability.inference.likelihood.checks import likelihood_ratio
from durability.inference.likelihood.compare import LawTable, compare_curves, compare_laws
from durability.inference.likelihood.curve import fit_curve
from durability.inference.likelihood.flags import EXPLANATIONS
from durability.inference.likelihood.interval import WHY_PROFILE, Interval
from durability.inference.likelihood.lots import RandomLots
from durability.inference.likelihood.result import CurveFit
from durability.inference.likelihood.study import LikelihoodFit, fit_study

__all__ = [
    "EXPLANATIONS",
    "WHY_PROFILE",
    "Bootstrap",
    "CurveFit",
    "Interval",
    "LawTable",
    "LikelihoodFit",
    "RandomLots",
    "compare_curves",
    "compare_laws",
    "fit_curve",
    "fit_series",
    "fit_study",
    "likelihood_ratio",
]
