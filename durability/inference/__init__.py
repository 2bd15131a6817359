"""At what dose is a fraction left, and how sure? Bayesian hierarchical fits of degradation laws."""

from durability.inference.crossing.flags import FLAGS as CROSSING_FLAGS
from durability.inference.diagnostics import Diagnostics
from durability.inference.fit import DEFAULT_LAW, fit
from durability.inference.fitted import Fit
from durability.inference.sampling import Sampler
from durability.inference.threshold import EXPLANATIONS as MODEL_EXPLANATIONS

EXPLANATIONS: dict[str, str] = {**MODEL_EXPLANATIONS, **CROSSING_FLAGS}
"""Every name of an assumption or flag of this room, with one sentence."""

__all__ = ["DEFAULT_LAW", "EXPLANATIONS", "Diagnostics", "Fit", "Sampler", "fit"]
