"""At what dose do units cross a threshold, when only brackets of the dose are known?

`fit_crossings` fits brackets by likelihood (accelerated-failure-time regression in dose),
`turnbull` draws the curve without a family.
"""

from durability.inference.crossing.existence import (
    CrossingBound,
    NoEstimate,
    distribution_free,
)
from durability.inference.crossing.families import FAMILIES
from durability.inference.crossing.regression import arrhenius, fit_crossings, power
from durability.inference.crossing.result import CrossingFit, CrossingQuantile

__all__ = [
    "FAMILIES",
    "CrossingBound",
    "CrossingFit",
    "CrossingQuantile",
    "NoEstimate",
    "arrhenius",
    "distribution_free",
    "fit_crossings",
    "power",
]
