"""How much may be promised, at each assurance? One-sided lower limits in the worse direction.

The answer to "how long, with what assurance?" for a set of assurances, so that a reader may weigh
them. Days come from `cover_limits`; doses are lower quantiles of the draws of the threshold
dose, order statistics as everywhere.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from durability.decisions.cover import cover_limits
from durability.statement import Statement, Statements

if TYPE_CHECKING:
    from durability.translation import ThresholdPosterior, Translation

ASSURANCES = (0.5, 0.8, 0.9, 0.95)


def assured(
    fit: ThresholdPosterior,
    translations: Sequence[Translation] = (),
    *,
    assurances: Iterable[float] = ASSURANCES,
) -> Statements:
    """Lower limits of threshold doses and days to cover, for each assurance.

    Parameters
    ----------
    fit : the fit.
    translations : of this fit, one a site.
    assurances : probabilities, 0 to 1; the study's own is added.

    Returns
    -------
    Statements
        ``threshold_dose`` then ``days_to_cover``, one-sided (``low`` alone, ``level`` is the
        assurance), of the direction in which the limit is lowest. A subject of whose threshold
        dose only an upper limit may be stated is left out. Where the strips do not reach the
        threshold, a low assurance would only quote law and prior: the fit's level, or the study's
        assurance, is then the least.
    """
    levels = sorted({*assurances, fit.study.question.assurance})
    found = _doses(fit, levels)
    for translation in translations:
        found += cover_limits(translation, fit, levels)
    least = min(fit.level, fit.study.question.assurance)
    return Statements(
        s for s in _worse_direction(found) if "lower_bound_only" not in s.flags or s.level >= least
    )


def _doses(fit: ThresholdPosterior, levels: Sequence[float]) -> list[Statement]:
    import numpy as np

    found = []
    for s in fit.statements().where(quantity="threshold_dose"):
        material, exposure = s.material or "", s.exposure or ""
        if s.low is None:
            continue
        draws = fit.threshold_draws(
            s.fraction, of=s.of or "mean", material=material, direction=s.direction or "",
            exposure=exposure, share=s.share,
        )  # fmt: skip
        lows = np.quantile(draws, [1 - a for a in levels], method="inverted_cdf")
        last = fit.last_dose(material, exposure)
        for level, low in zip(levels, lows.tolist(), strict=True):
            if level == s.level and s.sides == 1:
                found.append(s)
            elif np.isfinite(low):
                found.append(_limit(s, low, low / last, level))
    return found


def _limit(s: Statement, low: float, factor: float, level: float) -> Statement:
    """The lower limit alone, beyond the doses tested or not by what it is itself."""
    flags = [f for f in s.flags if f != "extrapolated"]
    return replace(
        s, value=None, low=low, high=None, level=level, sides=1, extrapolated=factor > 1,
        extrapolation_factor=round(factor, 4),
        flags=(*flags, *(["extrapolated"] if factor > 1 else [])),
    )  # fmt: skip


def _worse_direction(statements: Iterable[Statement]) -> list[Statement]:
    worst: dict[tuple[object, ...], Statement] = {}
    for s in statements:
        subject = (s.quantity, s.material, s.exposure, s.of, s.fraction, s.site, s.month, s.level)
        known = worst.get(subject)
        if known is None or (s.low or 0.0) < (known.low or 0.0):
            worst[subject] = s
    return list(worst.values())


__all__ = ["ASSURANCES", "assured"]
