"""What must a reader of a likelihood fit know? Names of flags and one sentence each."""

from __future__ import annotations

import numpy as np

from durability.inference.likelihood.errors import Likelihood
from durability.inference.likelihood.mean import SCALE
from durability.laws import Curve, Law

EXPLANATIONS: dict[str, str] = {
    "shape_held": "There are fewer distinct doses than parameters: the shape of the law was held at"
    " its usual value, and the interval does not carry its uncertainty.",
    "no_loss_seen": "The strips show no loss that this law could follow: the fit is at its limit of"
    " no loss, and only a bound on the threshold dose can be stated.",
    "lost_before_first_dose": "All was lost before the first dose tested: the fit is at its limit,"
    " and only an upper bound on the threshold dose can be stated.",
    "at_bound": "A parameter rests on the bound that the law sets; its interval is one-sided and"
    " chi-square or F levels are approximate there.",
    "perfect_fit": "The curve passes through every mean: there is no scatter from which an interval"
    " could be made.",
    "constant_response": "All strips have the same value: neither loss nor scatter can be told.",
    "not_converged": "The search did not settle: do not quote these numbers.",
    "not_identified": "The data cannot tell some parameters apart; their values are one choice of"
    " many, and they have no standard error.",
    "lack_of_fit": "The law misses the group means by more than the scatter of strips explains"
    " (p below 0.05).",
    "limit_open": "A limit of the interval does not exist: the data never exclude larger (or"
    " smaller) values at this level.",
    "profile_interval": "Limits are where the likelihood of the whole fit, the threshold dose being"
    " held, falls by the amount that the F distribution allows; asymmetry is kept.",
    "lots_not_joined": "A lot shows no loss from which its threshold could be fitted: the bound is"
    " the smallest of the lots' own.",
    "relative_to_fitted_start": "No unexposed strips were tested: the fraction is relative to a"
    " start that the law extrapolates.",
}
"""Flags and assumptions of `durability.inference.likelihood`."""


def at_bounds(law: Law | Curve, likelihood: Likelihood, theta: np.ndarray) -> list[str]:
    """Flags of the estimates that rest on a bound."""
    found = []
    low, high, free = likelihood.lower, likelihood.upper, likelihood.free
    for i, name in enumerate(likelihood.names):
        if not free[i] or (low[i] < theta[i] < high[i]):
            continue
        if isinstance(law, Law) and name.partition("[")[0] == SCALE:
            found.append("no_loss_seen" if theta[i] >= high[i] else "lost_before_first_dose")
        else:
            found.append("at_bound")
    return found
