"""What does the likelihood say? Laws and free curves fitted by maximum likelihood."""

from durability.inference.likelihood.curve import fit_curve
from durability.inference.likelihood.flags import EXPLANATIONS
from durability.inference.likelihood.result import CurveFit, Interval

__all__ = ["EXPLANATIONS", "CurveFit", "Interval", "fit_curve"]
