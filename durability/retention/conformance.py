"""Does the product meet what is required after a named exposure? Pass, fail or undecided.

The probability that the true value meets a requirement q is that of the t interval read one-sided:
P(T ≤ (log R - log q)/se) for a fraction left R, with Welch's degrees of freedom, and
P(T ≤ (m - q)/se) for a mean strength m (equal to the posterior probability under the usual flat
prior). With an assurance of 95 % it is

    pass       where the probability is at least 95 %: the lower one-sided limit reaches q
    fail       where it is at most 5 %: the upper one-sided limit falls short of q
    undecided  between: test more strips

so that the *guard band* is the one-sided half-width of the interval: a value passes only from
q·exp(t se) up (q + t se) and fails only below q·exp(-t se). Guard bands: JCGM 106 (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from durability.retention.cells import Cells, cells_of
from durability.retention.estimates import of_lots
from durability.retention.groups import groups
from durability.retention.ratios import Interval, log_ratio_interval, mean_interval, t_quantile
from durability.retention.rule_risks import RuleRisks
from durability.retention.tolerance import share_that_holds, tolerance_factor
from durability.retention.unexposed import unexposed_of
from durability.statement import round_by_uncertainty

if TYPE_CHECKING:
    from durability.study.model import Study

Verdict = Literal["pass", "fail", "undecided"]
SAME_PLACE = 0.01
"""Hours or doses that differ by less than this share are the same withdrawal."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Conformance:
    """One comparison with a requirement.

    Parameters
    ----------
    material, lot, direction, exposure : the subject; lot ``""`` for the lots together.
    place : the exposure in words, ``"500 h"``.
    of : what is compared: ``"mean"``, or ``"share"`` of single strips.
    required : fraction of the unexposed strength [1], or strength [unit].
    unit : ``"1"`` or the unit of the study.
    share : of single strips that must hold the requirement, or None.
    value, low, high : found, with its two-sided interval at the level of the study; None where
        there is none. Of a share: the strength that it holds at least with the assurance (low).
    verdict : pass, fail or undecided.
    probability : that the true value meets the requirement; None in a bound.
    assurance : at which a verdict is given.
    pass_from, fail_below : guard-banded limits for the value [unit]; None where not defined.
    rule_accepts : whether the mean alone reaches the requirement, as the usual rule asks.
    risks : of that rule at the scatter found, or None.
    flags : names of `durability.retention.FLAGS`.
    """

    material: str
    lot: str
    direction: str
    exposure: str
    place: str
    of: Literal["mean", "share"]
    required: float
    unit: str
    share: float | None
    value: float | None
    low: float | None
    high: float | None
    verdict: Verdict
    probability: float | None
    assurance: float
    pass_from: float | None
    fail_below: float | None
    rule_accepts: bool | None
    risks: RuleRisks | None
    flags: tuple[str, ...]

    def _number(self, x: float | None, *others: float | None) -> str:
        if x is None:
            return "nothing"
        factor, unit = (100, " %") if self.unit == "1" else (1, f" {self.unit}")
        scaled = [None if o is None else factor * o for o in others]
        shown = round_by_uncertainty(factor * x, *scaled)["value"]
        return f"{shown}{unit}"

    def subject(self) -> str:
        """Who, where and after what, in words."""
        who = f"lot {self.lot} of {self.material}" if self.lot else self.material
        way = f", {self.direction} direction" if self.direction else ""
        return f"{who}{way}, after {self.place} under {self.exposure}"

    def sentence(self) -> str:
        """The verdict and what it rests on, in words."""
        ratio = self.unit == "1"
        required = f"{self.required * (100 if ratio else 1):g} {'%' if ratio else self.unit}"
        if self.of == "share":
            needed = f"{100 * (self.share or 0):g} % of strips at {required} or more"
        else:
            needed = f"at least {required}"
        found = self._number(self.value, self.low, self.high)
        if self.low is not None and self.high is not None:
            low, high = (self._number(x, self.low, self.high) for x in (self.low, self.high))
            found += f" ({low} to {high})"
        chance = ""
        if self.probability is not None:
            chance = f"; probability that it is met {_percent(self.probability)}"
        guard = ""
        if self.pass_from is not None and self.fail_below is not None:
            guard = (
                f". Passes from {self._number(self.pass_from, self.low, self.high)}, fails below "
                f"{self._number(self.fail_below, self.low, self.high)}"
            )
        return f"{self.subject()}: {self.verdict}. Required {needed}, found {found}{chance}{guard}."

    def __repr__(self) -> str:
        return self.sentence()

    def to_dict(self) -> dict[str, Any]:
        """The record as plain types for JSON."""
        names = [n for n in self.__slots__ if n not in ("risks", "flags")]
        return {
            **{n: getattr(self, n) for n in names},
            "risks": None if self.risks is None else self.risks.to_dict(),
            "flags": list(self.flags),
            "sentence": self.sentence(),
        }


def conformance(
    study: Study,
    *,
    retained: float | None = None,
    strength: float | None = None,
    exposure: str | None = None,
    hours: float | None = None,
    dose: float | None = None,
    share: float | None = None,
    assurance: float | None = None,
    level: float = 0.95,
) -> tuple[Conformance, ...]:
    """Compare every material, lot and direction with a requirement after a named exposure.

    Parameters
    ----------
    study : as read.
    retained : required fraction of the unexposed strength, 0 to 1; or
    strength : required mean strength [unit of the study].
    exposure : which; may be left out where only one has strips at that place.
    hours, dose : the withdrawal: clock hours [h], or dose [unit of the exposure].
    share : with `strength`: the share of single strips that must hold it, instead of the mean
        (normal scatter; noncentral t).
    assurance : probability at which a verdict is given; the study's where left out.
    level : of the two-sided interval shown.

    Returns
    -------
    tuple of Conformance : of each lot, then of the lots together where there are several.

    Raises
    ------
    ValueError : for no or two requirements or places, or a place at which nothing was withdrawn.

    Examples
    --------
    >>> from durability.study import read_study
    >>> found = conformance(read_study("examples/quarry-cover"), retained=0.5, hours=600)
    >>> [(c.lot, c.direction, c.verdict) for c in found if c.material == "B"][0]  # in a clone
    ('B1', 'machine', 'undecided')
    """
    if (retained is None) == (strength is None):
        raise ValueError("give one requirement: retained (a fraction) or strength")
    if (hours is None) == (dose is None):
        raise ValueError("name one withdrawal: hours or dose")
    if retained is not None and not 0 < retained < 1:
        raise ValueError(f"retained is {retained}; it must lie between 0 and 1: 0.5 for half")
    if strength is not None and not strength > 0:
        raise ValueError(f"strength is {strength}; it must be above 0")
    if share is not None and (strength is None or not 0 < share < 1):
        raise ValueError("share lies between 0 and 1 and goes with strength")
    sure = study.question.assurance if assurance is None else assurance
    if not 0.5 < sure < 1:
        raise ValueError(f"assurance is {sure}; it must lie between 0.5 and 1")
    if retained is not None and study.unit == "%":
        raise ValueError(
            "a study in percent has no unexposed strips to compare with; give strength"
        )
    cells = cells_of(groups(study))
    at = _places(cells, study, exposure, hours, dose)
    if retained is not None:
        start = unexposed_of(cells, at)
        keep = start.mean > 0
        if not keep.any():
            raise ValueError(
                "there are no unexposed strips, so no fraction is left of them; give strength"
            )
        at, start = at[keep], start.take(keep)
        against = (start.mean, start.sd, start.n)
        two = log_ratio_interval(cells.mean[at], cells.sd[at], cells.n[at], *against, level,
                                 df1=cells.df[at], df0=start.df)  # fmt: skip
        flags = [(*cells.flags(i), *start.flags[k]) for k, i in enumerate(at.tolist())]
    else:
        start = None
        two = mean_interval(cells.mean[at], cells.sd[at], cells.n[at], level, df=cells.df[at])
        flags = [cells.flags(i) for i in at.tolist()]
    required, unit = (retained, "1") if retained is not None else (strength, study.unit)
    ask = _Asked(float(required or 0.0), unit, share, sure, level, retained is not None)
    place = _place_words(study, cells, at, hours, dose)
    found, by_product = [], {}
    for k, i in enumerate(at.tolist()):
        found.append(_of_cell(cells, i, k, two, start, ask, place[k], flags[k]))
        if not cells.bound[i] and (start is None or start.own[k]):
            key = (cells.material[i], cells.direction[i], cells.exposure[i])
            by_product.setdefault(key, []).append((found[-1], float(two.value[k]), place[k]))
    if share is None:
        together = (_of_product(key, x, ask) for key, x in by_product.items() if len(x) > 1)
        found += together
    return tuple(found)


@dataclass(frozen=True, slots=True)
class _Asked:
    required: float
    unit: str
    share: float | None
    assurance: float
    level: float
    is_ratio: bool

    def judge(self, value: float, se: float, df: float) -> dict[str, Any]:
        """Verdict, probability and guard-banded limits of a value with its standard error."""
        from scipy.special import stdtr

        if not (math.isfinite(se) and df > 0):
            return {"verdict": "undecided", "probability": None, "pass_from": None,
                    "fail_below": None}  # fmt: skip
        guard = float(t_quantile(self.assurance, df, 1)) * se
        if self.is_ratio:
            away = math.log(value) - math.log(self.required)
            limits = self.required * math.exp(guard), self.required * math.exp(-guard)
        else:
            away = value - self.required
            limits = self.required + guard, max(self.required - guard, 0.0)
        p = float(stdtr(df, away / se)) if se > 0 else float(away >= 0)
        return {"verdict": _verdict(p, self.assurance), "probability": p,
                "pass_from": limits[0], "fail_below": limits[1]}  # fmt: skip


def _verdict(p: float, assurance: float) -> Verdict:
    return "pass" if p >= assurance else "fail" if p <= 1 - assurance else "undecided"


def _of_cell(
    cells: Cells, i: int, k: int, two: Interval, start: Any, ask: _Asked, place: str,
    flags: Iterable[str],
) -> Conformance:  # fmt: skip
    value, low, high, df = (float(x[k]) for x in two)
    side = int(cells.bound[i])
    side = side or (0 if start is None else -int(start.bound[k]))
    half = float(t_quantile(ask.level, df))
    se = (math.log(high / low) if ask.is_ratio else high - low) / 2 / half
    if not ask.is_ratio:
        se = float(cells.sd[i] / math.sqrt(cells.n[i])) if cells.n[i] > 0 else math.nan
    judged = ask.judge(value, se, df)
    risks = _risks(cells, i, k, start, ask)
    names = ("material", "lot", "direction", "exposure")
    subject: dict[str, Any] = {name: str(getattr(cells, name)[i]) for name in names}
    numbers: dict[str, Any] = {
        "of": "mean", "value": value, "low": _or_none(low), "high": _or_none(high),
        "rule_accepts": value >= ask.required, "risks": risks,
    }  # fmt: skip
    if side:
        # strips known only by limits: what is found is at most, or at least, so much
        certain = judged["verdict"] == ("fail" if side < 0 else "pass")
        judged = {"verdict": judged["verdict"] if certain else "undecided", "probability": None,
                  "pass_from": None, "fail_below": None}  # fmt: skip
        numbers |= {"low": None, "high": None, "rule_accepts": None, "risks": None}
    elif ask.share is not None:
        judged, numbers = _of_strips(cells, i, ask), numbers | {"of": "share"}
        numbers |= {"low": None, "high": None, "value": judged.pop("value"), "risks": None}
    return Conformance(
        **subject, place=place, required=ask.required, unit=ask.unit, share=ask.share,
        assurance=ask.assurance, flags=tuple(dict.fromkeys(flags)), **numbers, **judged,
    )  # fmt: skip


def _of_strips(cells: Cells, i: int, ask: _Asked) -> dict[str, Any]:
    """The share of single strips that hold the requirement, by noncentral t."""
    mean, sd, n = float(cells.mean[i]), float(cells.sd[i]), int(cells.n[i])
    share = ask.share or 0.0
    if n < 2 or not sd > 0 or cells.borrowed[i]:
        return {"verdict": "undecided", "probability": None, "pass_from": None,
                "fail_below": None, "value": None}  # fmt: skip
    p = share_that_holds(mean, sd, n, ask.required, share)
    k = tolerance_factor(n, share, ask.assurance)
    return {"verdict": _verdict(p, ask.assurance), "probability": p, "pass_from": None,
            "fail_below": None, "value": max(mean - k * sd, 0.0)}  # fmt: skip


def _of_product(key: tuple[Any, ...], lots: list[Any], ask: _Asked) -> Conformance:
    """The lots together: geometric mean of the lots, each counting once."""
    centre, sd, count = of_lots(np.log([value for _, value, _ in lots]))
    se, df, value = sd / math.sqrt(count), count - 1, math.exp(centre)
    reach = float(t_quantile(ask.level, df)) * se
    asked = _Asked(ask.required, ask.unit, None, ask.assurance, ask.level, True)
    risks = [c.risks for c, _, _ in lots if c.risks is not None]
    rule = None
    if risks:
        inside = sum(r.cv**2 / r.n + (r.cv_unexposed**2 / r.n_unexposed if r.n_unexposed else 0)
                     for r in risks) / len(risks)  # fmt: skip
        rule = RuleRisks(
            required=ask.required,
            cv=math.sqrt(sum(r.cv**2 for r in risks) / len(risks)),
            n=min(r.n for r in risks),
            cv_unexposed=math.sqrt(sum(r.cv_unexposed**2 for r in risks) / len(risks)),
            n_unexposed=min(r.n_unexposed for r in risks),
            lot_sd=math.sqrt(max(sd**2 - inside, 0.0)),
        )
    return Conformance(
        material=str(key[0]), lot="", direction=str(key[1]), exposure=str(key[2]),
        place=lots[0][2], of="mean", required=ask.required, unit=ask.unit, share=None,
        value=value, low=math.exp(centre - reach), high=math.exp(centre + reach),
        assurance=ask.assurance, rule_accepts=value >= ask.required, risks=rule,
        flags=("two_lots",) if count == 2 else (), **asked.judge(value, se, df),
    )  # fmt: skip


def _risks(cells: Cells, i: int, k: int, start: Any, ask: _Asked) -> RuleRisks | None:
    """The usual rule at the scatter of this group and its unexposed strips."""
    cv, n = float(cells.sd[i] / cells.mean[i]), int(cells.n[i])
    cv0, n0 = 0.0, 0
    if start is not None:
        cv0, n0 = float(start.sd[k] / start.mean[k]), int(start.n[k])
        if not (math.isfinite(cv0) and start.own[k]):
            return None
    if not (math.isfinite(cv) and cv > 0 and n >= 1):
        return None
    return RuleRisks(required=ask.required, cv=cv, n=n, cv_unexposed=cv0, n_unexposed=n0)


def _places(
    cells: Cells, study: Study, exposure: str | None, hours: float | None, dose: float | None
) -> Any:
    """Cells at the withdrawal that is asked about; an error names those there are."""
    asked = hours if hours is not None else float(dose or 0.0)
    axis = cells.hours if hours is not None else cells.dose
    if exposure is not None and exposure not in study.exposures:
        raise ValueError(f"exposure {exposure} is none of {', '.join(study.exposures)}")
    light = [name for name, x in study.exposures.items() if x.control is None]
    of = np.isin(cells.exposure.astype(str), [exposure] if exposure else light)
    of &= cells.dose > 0
    hit = of & (np.abs(axis - asked) <= SAME_PLACE * asked)
    if hit.any():
        return np.flatnonzero(hit)
    there = sorted({f"{x:.4g}" for x in axis[of & np.isfinite(axis)].tolist()}, key=float)
    unit = "h" if hours is not None else "(dose)"
    raise ValueError(
        f"nothing was withdrawn at {asked:g} {unit}; withdrawals: {', '.join(there) or 'none'}"
    )


def _place_words(
    study: Study, cells: Cells, at: Any, hours: float | None, dose: float | None
) -> list[str]:
    if hours is not None:
        return [f"{hours:g} h"] * at.size
    return [f"{dose:g} {study.exposures[str(cells.exposure[i])].dose_unit}" for i in at.tolist()]


def _or_none(x: float) -> float | None:
    return x if math.isfinite(x) else None


def _percent(p: float) -> str:
    """A probability as percent, never rounded to a certainty.

    Examples
    --------
    >>> _percent(0.714), _percent(0.99996), _percent(0.0002)
    ('71 %', 'over 99.9 %', 'under 0.1 %')
    """
    if p > 0.999:
        return "over 99.9 %"
    if p < 0.001:
        return "under 0.1 %"
    return f"{100 * p:.3g} %" if p > 0.99 or p < 0.01 else f"{100 * p:.2g} %"
