"""How often does the usual rule err? Accepting a mean of a few strips at or above a limit.

The rule takes a product whose strips after exposure average at least q times its unexposed strips
(or at least a required strength). With true fraction R, normal scatter of the strips (cv, cv0) and
n, n0 of them, it accepts with probability

    Φ((R - q) / √(cv² R²/n + q² cv0²/n0))

exactly; a product that just meets the requirement is accepted half the time. Where lots differ, R
is that of the lot that happens to be tested, and the probability is averaged over lots about the
product's.

Producer's risk: a good product is refused. Consumer's risk: a poor one is accepted.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

MARGIN = 0.1
"""Risks are quoted for products this share better and poorer than required (our choice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleRisks:
    """The usual rule at a given scatter.

    Parameters
    ----------
    required : fraction of the unexposed strength [1], or a strength in any unit.
    cv, n : coefficient of variation and number of the exposed strips.
    cv_unexposed, n_unexposed : of the unexposed strips; both 0 where a strength is required.
    lot_sd : standard deviation of the log of the true value between lots [1]; 0 for one lot.
    """

    required: float
    cv: float
    n: int
    cv_unexposed: float = 0.0
    n_unexposed: int = 0
    lot_sd: float = 0.0

    def __post_init__(self) -> None:
        if not self.required > 0:
            raise ValueError(f"required is {self.required}; it must be above 0")
        if not (self.cv > 0 and self.n >= 1):
            raise ValueError("the rule's risks need strips and their scatter (cv above 0)")
        if self.cv_unexposed > 0 and self.n_unexposed < 1:
            raise ValueError("n_unexposed is missing")

    def accepts(self, true: float) -> float:
        """Probability that the rule accepts a product whose true value is `true`.

        Examples
        --------
        >>> rule = RuleRisks(required=0.5, cv=0.08, n=5, cv_unexposed=0.08, n_unexposed=5)
        >>> rule.accepts(0.5), round(rule.accepts(0.45), 3)
        (0.5, 0.019)
        """
        import numpy as np
        from scipy.special import ndtr

        node, weight = np.polynomial.hermite_e.hermegauss(41)
        of_lot = true * np.exp(self.lot_sd * node)
        start = self.cv_unexposed**2 / self.n_unexposed if self.n_unexposed else 0.0
        sd = np.sqrt(self.cv**2 * of_lot**2 / self.n + self.required**2 * start)
        return float((weight * ndtr((of_lot - self.required) / sd)).sum() / weight.sum())

    @property
    def consumer(self) -> float:
        """Probability that a product a tenth short of the requirement is accepted."""
        return self.accepts((1 - MARGIN) * self.required)

    @property
    def producer(self) -> float:
        """Probability that a product a tenth better than required is refused."""
        return 1 - self.accepts((1 + MARGIN) * self.required)

    def true_value_accepted(self, probability: float) -> float:
        """The true value that the rule accepts with this probability; nan where there is none.

        Examples
        --------
        >>> rule = RuleRisks(required=0.5, cv=0.08, n=5, cv_unexposed=0.08, n_unexposed=5)
        >>> round(rule.true_value_accepted(0.05), 3), round(rule.true_value_accepted(0.95), 3)
        (0.46, 0.543)
        """
        from scipy.optimize import brentq

        if not 0 < probability < 1:
            raise ValueError(f"probability is {probability}; it must lie between 0 and 1")
        low, high = 1e-3 * self.required, 1e3 * self.required
        if not self.accepts(low) < probability < self.accepts(high):
            return math.nan
        found: Any = brentq(lambda x: self.accepts(x) - probability, low, high, xtol=1e-10)
        return float(found)

    def sentence(self) -> str:
        """What the rule does at this scatter, in words."""
        unit = "" if self.n_unexposed else " of the requirement"
        poor, good = (self.true_value_accepted(p) for p in (0.05, 0.95))
        if not self.n_unexposed:
            poor, good = poor / self.required, good / self.required
        reach = (
            f" It is refused 19 times in 20 only below {100 * poor:.3g} %{unit} and accepted 19 "
            f"times in 20 only above {100 * good:.3g} %{unit}."
            if math.isfinite(poor) and math.isfinite(good) else ""
        )  # fmt: skip
        lots = " of a lot taken at random" if self.lot_sd else ""
        return (
            f"At this scatter the mean of {self.n} strips{lots} accepts a product a tenth short "
            f"of what is required in {100 * self.consumer:.2g} % of cases (consumer's risk) and "
            f"refuses one a tenth better in {100 * self.producer:.2g} % (producer's risk).{reach}"
        )

    def to_dict(self) -> dict[str, Any]:
        """The record as plain types for JSON."""
        poor, good = (self.true_value_accepted(p) for p in (0.05, 0.95))
        return {
            "required": self.required, "cv": self.cv, "n": self.n,
            "cv_unexposed": self.cv_unexposed, "n_unexposed": self.n_unexposed,
            "lot_sd": self.lot_sd, "consumer_risk": self.consumer, "producer_risk": self.producer,
            "accepted_in_5_percent": poor if math.isfinite(poor) else None,
            "accepted_in_95_percent": good if math.isfinite(good) else None,
        }  # fmt: skip
