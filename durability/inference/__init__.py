"""At what dose is a fraction left, and how sure? Bayesian hierarchical fits of degradation laws."""

from durability.inference.diagnostics import Diagnostics
from durability.inference.fit import DEFAULT_LAW, Fit, fit
from durability.inference.sampling import Sampler
from durability.inference.threshold import EXPLANATIONS

__all__ = ["DEFAULT_LAW", "EXPLANATIONS", "Diagnostics", "Fit", "Sampler", "fit"]
