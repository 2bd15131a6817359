"""What is a dose in days at a site? Reads the posterior of a threshold dose on a sky's clock.

`translate` gives a `Translation`: draws of days from laying to the threshold, with a budget of
what makes them uncertain. `explain` gives the sentence of an assumption or flag by its name.
"""

from durability.translation.budget import INPUTS as BUDGET_INPUTS
from durability.translation.discrepancy import LabToSky, lab_to_sky
from durability.translation.explanations import EXPLANATIONS, explain
from durability.translation.lamp import ThresholdPosterior, TranslationRefused
from durability.translation.result import Translation
from durability.translation.translate import translate

__all__ = [
    "BUDGET_INPUTS",
    "EXPLANATIONS",
    "LabToSky",
    "ThresholdPosterior",
    "Translation",
    "TranslationRefused",
    "explain",
    "lab_to_sky",
    "translate",
]
