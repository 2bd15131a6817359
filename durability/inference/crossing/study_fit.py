"""What threshold dose do a study's brackets give? Statements that stand beside the model's.

Two routes lead to the median lot's threshold dose:

- ``unit="strip"`` (and inspected specimens): for each material, direction and exposure, one
  location a lot and one spread. The median of a lot's strips crosses at the lot's threshold dose.
  Lots then count once each, by the t interval of their logarithms.
- ``unit="lot"``: for each direction and exposure, one location a material and one spread between
  lots; the interval is of profile likelihood.

What cannot be fitted is answered by a bound that needs no distribution, or not at all.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.inference.crossing.existence import CrossingBound, NoEstimate, distribution_free
from durability.inference.crossing.flags import FLAGS, explain
from durability.inference.crossing.from_study import Unit, crossings_of
from durability.inference.crossing.regression import fit_crossings
from durability.inference.crossing.result import CrossingFit
from durability.retention.ratios import t_quantile
from durability.statement import Statement, Statements

if TYPE_CHECKING:
    import xarray

    from durability.study import Study

SOURCES = {
    "groups": ("lots_are_units", "group_means_taken_as_exact", "unexposed_taken_as_exact"),
    "strips": ("strips_are_units", "unexposed_taken_as_exact"),
    "inspections": ("specimens_are_units",),
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CrossingGroup:
    """Units fitted together.

    Parameters
    ----------
    source : ``groups``, ``strips`` or ``inspections``.
    material : None where several are fitted together.
    direction, exposure : of all units.
    units : the brackets (Dataset along ``unit``).
    level_of : ``lot`` or ``material``: what has its own location.
    labels : those that were fitted, in order.
    fit : None where there is none.
    refused : label to (reason, bound) where there is no fit.
    """

    source: str
    material: str | None
    direction: str
    exposure: str
    units: xarray.Dataset
    level_of: str
    labels: tuple[str, ...]
    fit: CrossingFit | None
    refused: dict[str, tuple[str, CrossingBound]]

    def at(self, label: str) -> dict[str, float] | None:
        """Covariates of one label."""
        return {n: float(n == label) for n in self.labels[1:]} or None

    @property
    def name(self) -> str:
        """The group in words."""
        return ", ".join(x for x in (self.material, self.direction, self.exposure) if x)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StudyCrossings:
    """The crossing view of a study.

    Parameters
    ----------
    fraction : of the unexposed value; None for the required strength.
    family, unit : as asked.
    brackets : from `crossings_of`.
    groups : fits and refusals.
    statements : threshold doses of kind ``confidence`` (and ``prediction`` for a new lot).
    notes : in words, what could not be said and why.
    """

    fraction: float | None
    family: str
    unit: str
    brackets: xarray.Dataset
    groups: tuple[CrossingGroup, ...]
    statements: Statements = field(default_factory=Statements)
    notes: tuple[str, ...] = ()

    def headline(self) -> str:
        """What was asked, in words."""
        share = "required strength" if self.fraction is None else f"{100 * self.fraction:g} % left"
        return f"{share}, from brackets by {self.unit}; crossing doses {self.family}"

    def __repr__(self) -> str:
        head = f"StudyCrossings: {self.headline()}"
        return "\n".join([head, repr(self.statements), *self.notes])

    def to_dict(self) -> dict[str, Any]:
        """Everything as plain types for JSON; a bracket without an upper end has None there."""
        names = ("material", "lot", "direction", "exposure", "specimen", "source", "remark")
        columns = {n: self.brackets[n].values for n in (*names, "low", "high", "n")}
        used = {x for s in self.statements for x in (*s.assumptions, *s.flags)}
        return {
            "crossings": {"fraction": self.fraction, "family": self.family, "unit": self.unit},
            "statements": self.statements.to_list(),
            "explanations": {name: explain(name) for name in sorted(used)},
            "fits": [
                {"source": g.source, "material": g.material, "direction": g.direction,
                 "exposure": g.exposure, "of": g.level_of, "labels": list(g.labels),
                 **g.fit.to_dict()}
                for g in self.groups
                if g.fit is not None
            ],
            "brackets": [
                {n: str(columns[n][i]) for n in names}
                | {n: _finite(columns[n][i]) for n in ("low", "high", "n")}
                for i in range(self.brackets.sizes["unit"])
            ],
            "notes": list(self.notes),
        }  # fmt: skip


def fit_study(
    study: Study,
    *,
    fraction: float | None = None,
    family: str = "lognormal",
    unit: Unit | str = "strip",
    level: float | None = None,
) -> Statements:
    """The threshold doses of a study from its brackets alone; see `study_crossings`."""
    return study_crossings(
        study, fraction=fraction, family=family, unit=unit, level=level
    ).statements


def study_crossings(
    study: Study,
    *,
    fraction: float | None = None,
    family: str = "lognormal",
    unit: Unit | str = "strip",
    level: float | None = None,
) -> StudyCrossings:
    """Fit the brackets of a study and state its threshold doses.

    Parameters
    ----------
    study : as read.
    fraction : of the unexposed value; None takes the required strength, or else the first
        threshold of the study.
    family : of crossing doses.
    unit : ``strip`` uses every strip; ``lot`` uses brackets of group means, for many lots.
    level : of intervals; the study's by default.

    Raises
    ------
    StudyError : nothing in the study brackets this crossing.
    LookupError : an unknown family.

    Examples
    --------
    >>> from durability.study import read_study
    >>> study = read_study("examples/quarry-cover")  # in a clone
    >>> found = study_crossings(study, fraction=0.8).statements
    >>> print(found.one(material="B", direction="machine", of="mean").figures())
    239 kJ/(m² nm) at 340 nm (95 % confidence interval 196 to 292)
    """
    from durability.inference.crossing.families import family as known

    known(family)
    if fraction is None and study.required_strength is None:
        fraction = study.thresholds[0]
    level = study.question.level if level is None else level
    brackets = crossings_of(study, fraction, unit=unit)
    made = [_group(brackets, key, family, level) for key in _keys(brackets)]
    statements: list[Statement] = []
    notes: list[str] = []
    for group in made:
        states = _Stating(study, group, fraction, level)
        statements += states.all()
        notes += states.notes
    return StudyCrossings(
        fraction=fraction, family=family, unit=unit, brackets=brackets, groups=tuple(made),
        statements=Statements(statements), notes=tuple(notes),
    )  # fmt: skip


def _keys(brackets: xarray.Dataset) -> list[tuple[str, str | None, str, str]]:
    """Which units are fitted together: lots of all materials, else specimens of one."""
    found: dict[tuple[str, str | None, str, str], None] = {}
    for source, material, direction, exposure in zip(
        *(brackets[n].values for n in ("source", "material", "direction", "exposure")), strict=True
    ):
        found[(source, None if source == "groups" else material, direction, exposure)] = None
    return list(found)


def _group(
    brackets: xarray.Dataset, key: tuple[str, str | None, str, str], family: str, level: float
) -> CrossingGroup:
    source, material, direction, exposure = key
    mine = (brackets["source"].values == source) & (brackets["exposure"].values == exposure)
    mine &= brackets["direction"].values == direction
    if material is not None:
        mine &= brackets["material"].values == material
    units = brackets.isel(unit=np.flatnonzero(mine))
    level_of = "material" if material is None else "lot"
    label = units[level_of].values.astype(str)
    low, high, n = (units[name].values for name in ("low", "high", "n"))
    refused: dict[str, tuple[str, CrossingBound]] = {}

    def refuse(name: str, reason: str) -> None:
        at = label == name
        once = np.full(int(at.sum()), source == "strips")
        bound = distribution_free(low[at], high[at], n[at], once=once, level=level)
        refused[name] = (reason, bound)

    names = list(dict.fromkeys(label.tolist()))
    for name in names:
        if np.isinf(high[label == name]).all():
            refuse(name, "all_held")
        elif (low[label == name] == 0).all():
            refuse(name, "all_crossed")
    names = [name for name in names if name not in refused]
    fit = None
    if names:
        kept = np.isin(label, names)
        try:
            fit = fit_crossings(
                low[kept], high[kept], weights=n[kept], family=family, level=level, start="own",
                covariates={name: (label[kept] == name).astype(float) for name in names[1:]},
            )  # fmt: skip
        except NoEstimate as error:
            for name in names:
                refuse(name, error.reason)
    return CrossingGroup(
        source=source, material=material, direction=direction, exposure=exposure, units=units,
        level_of=level_of, labels=tuple(names if fit is not None else ()), fit=fit,
        refused=refused,
    )  # fmt: skip


class _Stating:
    """Turns one group into statements."""

    def __init__(
        self, study: Study, group: CrossingGroup, fraction: float | None, level: float
    ) -> None:
        self.group, self.level = group, level
        self.notes: list[str] = []
        looks = np.concatenate([group.units["low"].values, group.units["high"].values])
        self.last = float(looks[np.isfinite(looks)].max())
        self.assumptions = SOURCES[group.source]
        remarks = {x for r in group.units["remark"].values for x in str(r).split()}
        self.remarks = tuple(sorted(remarks))
        self.common: dict[str, Any] = {
            "quantity": "threshold_dose",
            "unit": study.exposures[group.exposure].dose_unit,
            "material": group.material,
            "direction": group.direction or None,
            "exposure": group.exposure,
            "fraction": fraction,
            "level": level,
            "kind": "confidence",
        }

    def all(self) -> list[Statement]:
        """Every statement of the group."""
        return self._of_materials() if self.group.level_of == "material" else self._of_lots()

    def _of_materials(self) -> list[Statement]:
        fit, found = self.group.fit, []
        for name in self.group.labels:
            assert fit is not None
            found += self._quantile(name, material=name, of="mean")
            low, high = fit.new_unit(at=self.group.at(name), level=self.level)
            middle = fit.quantile(0.5, at=self.group.at(name), method="delta").value
            found += self._say(
                middle, low, high, ("crossing_family", "lots_exchangeable"),
                material=name, of="new_lot", kind="prediction",
            )  # fmt: skip
        for name in self.group.refused:
            found += self._bound(name, material=name, of="mean")
        return found

    def _of_lots(self) -> list[Statement]:
        lots = [*self.group.labels, *self.group.refused]
        if len(lots) == 1:
            flags = ("one_lot",) if lots[0] else ("lots_not_named",)
            if self.group.labels:
                return self._quantile(lots[0], of="mean", flags=flags)
            return self._bound(lots[0], of="mean", flags=flags)
        found: list[Statement] = []
        for lot in self.group.labels:
            found += self._quantile(lot, lot=lot)
        for lot in self.group.refused:
            found += self._bound(lot, lot=lot)
        if self.group.refused:
            word = "some lots have only a bound: nothing is said of the mean of the lots"
            self.notes.append(f"{self.group.name}: {word}")
            return [replace(s, flags=(*s.flags, "lots_bounded")) for s in found]
        return found + self._mean_of_lots()

    def _mean_of_lots(self) -> list[Statement]:
        fit = self.group.fit
        assert fit is not None
        each = [fit.quantile(0.5, at=self.group.at(n), method="delta") for n in self.group.labels]
        logs = np.array([q.log_value for q in each])
        k = logs.size
        middle, sd = float(logs.mean()), float(logs.std(ddof=1))
        t = float(t_quantile(self.level, k - 1))
        flags = ("two_lots",) if k == 2 else ()
        found: list[Statement] = []
        for of, spread, kind in (
            ("mean", sd / math.sqrt(k), "confidence"),
            ("new_lot", sd * math.sqrt(1 + 1 / k), "prediction"),
        ):
            low, high = (math.exp(min(middle + s * t * spread, 700.0)) for s in (-1, 1))
            extra = ("lots_exchangeable",) if of == "new_lot" else ()
            found += self._say(math.exp(middle), low, high,
                               ("crossing_family", "lots_by_t", *extra), flags=flags,
                               of=of, kind=kind)  # fmt: skip
        return found

    def _quantile(self, name: str, *, flags: tuple[str, ...] = (), **subject: Any):
        fit = self.group.fit
        assert fit is not None
        at = self.group.at(name)
        q = fit.quantile(0.5, at=at, level=self.level)
        low, high = q.low, q.high
        if (low == 0) != math.isinf(high):  # one limit only: all of the level on its side
            one = fit.quantile(0.5, at=at, level=2 * self.level - 1)
            low, high = (one.low, high) if math.isinf(high) else (low, one.high)
        return self._say(q.value, low, high, ("crossing_family",), flags=flags, **subject)

    def _say(
        self,
        value: float,
        low: float,
        high: float,
        assumptions: Iterable[str],
        *,
        flags: tuple[str, ...] = (),
        **subject: Any,
    ) -> list[Statement]:
        limits: dict[str, Any] = {
            "low": low if low > 0 else None,
            "high": high if math.isfinite(high) else None,
        }
        if limits["low"] is None and limits["high"] is None:
            self.notes.append(f"{self.group.name}: the units set no limit to the threshold dose")
            return []
        factor = value / self.last
        told = (*self.remarks, *flags, *(["extrapolated"] if factor > 1 else []))
        return [
            Statement(
                **{**self.common, **subject},
                value=value,
                **limits,
                sides=1 if None in limits.values() else 2,
                extrapolated=factor > 1,
                extrapolation_factor=round(factor, 4),
                assumptions=(*assumptions, *self.assumptions),
                flags=tuple(dict.fromkeys(told)),
            )
        ]

    def _bound(self, name: str, *, flags: tuple[str, ...] = (), **subject: Any) -> list[Statement]:
        reason, bound = self.group.refused[name]
        who = ", ".join(x for x in (self.group.name, name) if x)
        if bound.low is None and bound.high is None:
            self.notes.append(f"{who}: {_reason(reason)} There is {bound}.")
            return []
        self.notes.append(f"{who}: {_reason(reason)}")
        told = (*self.remarks, *flags, reason)
        return [
            Statement(
                **{**self.common, **subject},
                low=bound.low,
                high=bound.high,
                sides=2 if bound.low is not None and bound.high is not None else 1,
                assumptions=("any_distribution", *self.assumptions),
                flags=tuple(dict.fromkeys(told)),
            )
        ]


def _reason(name: str) -> str:
    return FLAGS[name]


def _finite(x: float) -> float | None:
    return float(x) if math.isfinite(x) else None
