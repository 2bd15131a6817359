"""Which plans can be afforded? Candidates within a budget of strips, exposure and withdrawals.

Every plan spends the strips it is given, as evenly as whole strips allow: the lots tested or new
ones, at the doses tested, between them, around the threshold dose, beyond the last dose, or at the
largest dose alone; the lots tested under a warmer lamp; a rack at the site; and the usual practice.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass, replace

from durability.decisions.planned_strips import WAYS, PlannedSeries, Way, assumptions

KINDS: dict[str, str] = {
    "more_strips": "more strips of the lots tested, at the doses tested",
    "more_doses": "more doses, of the lots tested",
    "longer": "longer exposure of the lots tested",
    "more_lots": "more lots, up to the last dose tested",
    "more_lots_longer": "more lots, exposed for longer",
    "second_temperature": "a second temperature, of the lots tested",
    "outdoor_rack": "a rack outdoors at the site",
    "usual_practice": "the usual practice: 5 + 5 strips at 500 h, of one new lot",
}
NEW_LOTS = (1, 2, 3, 4, 6, 8, 12)
LEAST_STRIPS = 2  # of a group, so that it tells of its scatter


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """What may be spent.

    Parameters
    ----------
    strips : that may be broken, unexposed ones among them.
    dose : largest dose under the lamp [canonical unit of the exposure].
    withdrawals : most times at which strips are taken out.
    lots : most new lots that can be had.
    """

    strips: int
    dose: float
    withdrawals: int = 3
    lots: int = 12

    def __post_init__(self) -> None:
        faults = [
            f"{name} is {value}; it must be at least {least}"
            for name, value, least in (
                ("strips", self.strips, 2), ("withdrawals", self.withdrawals, 1),
                ("lots", self.lots, 0),
            )
            if value < least
        ]  # fmt: skip
        if not self.dose > 0:
            faults.append(f"dose is {self.dose}; it must be above 0")
        if faults:
            raise ValueError("; ".join(faults))


@dataclass(frozen=True, slots=True, kw_only=True)
class SoFar:
    """What a study has already of one material under one lamp.

    Parameters
    ----------
    material : its name.
    lots, directions : tested.
    doses : tested, ascending, without 0.
    threshold : where the threshold dose is expected.
    has_unexposed : the lots have unexposed strips.
    """

    material: str
    lots: tuple[str, ...]
    directions: tuple[str, ...]
    doses: tuple[float, ...]
    threshold: float
    has_unexposed: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class StripPlan:
    """Strips that could be tested next.

    Parameters
    ----------
    kind : a key of `KINDS`.
    series : its strips.
    """

    kind: str
    series: tuple[PlannedSeries, ...]

    @property
    def strips(self) -> int:
        """Strips of it, unexposed ones among them."""
        return sum(sum(s.count) for s in self.series)

    @property
    def lots(self) -> int:
        """New lots."""
        return len({(s.material, s.lot) for s in self.series if s.new})

    @property
    def doses(self) -> tuple[float, ...]:
        """Of the withdrawals, ascending [canonical unit of the exposure; days in the open air]."""
        return tuple(sorted({d for s in self.series for d in s.doses}))

    @property
    def way(self) -> Way:
        """Where the strips are exposed."""
        return self.series[0].way

    @property
    def each(self) -> tuple[int, int]:
        """Fewest strips of a withdrawal, and of unexposed ones."""
        return min(n for s in self.series for n in s.strips), min(s.unexposed for s in self.series)

    def lots_in_words(self) -> str:
        """``"3 new lots"``, or that they are those tested."""
        if not self.lots:
            return "the lots tested"
        materials = len({s.material for s in self.series})
        number = self.lots // materials
        return f"{number} new lot{'s' if number > 1 else ''}" + (" each" if materials > 1 else "")

    def where(self) -> str:
        """Where strips are exposed, in words."""
        return WAYS[self.way]


def candidates(
    tested: tuple[SoFar, ...],
    budget: Budget,
    *,
    practice_dose: float | None = None,
    warmer: bool = False,
    rack_days: float | None = None,
) -> list[StripPlan]:
    """Plans within a budget, each once.

    Parameters
    ----------
    tested : materials asked about; strips are shared evenly between them.
    budget : what may be spent.
    practice_dose : dose of the usual practice; None leaves it out.
    warmer : the lamp's temperature can be read, so that a warmer one is a plan.
    rack_days : days in the open in which the threshold is expected; None leaves a rack out.

    Returns
    -------
    list of StripPlan. The usual practice has its own number of strips, whatever the budget.

    Examples
    --------
    >>> had = SoFar(material="A", lots=("A1",), directions=("machine",), doses=(150.0, 300.0),
    ...     threshold=400.0)
    >>> found = candidates((had,), Budget(strips=20, dose=600.0, withdrawals=2, lots=2))
    >>> sorted({p.kind for p in found})
    ['longer', 'more_doses', 'more_lots', 'more_lots_longer', 'more_strips']
    >>> max(p.strips for p in found) <= 20
    True
    """
    found: list[StripPlan] = []
    for kind, doses in _patterns(tested, budget):
        found += _of_tested(kind, tested, budget, doses, "lamp")
    if warmer:
        found += _of_tested("second_temperature", tested, budget, _even(budget), "warmer")
    for number in NEW_LOTS:
        if number > budget.lots:
            break
        for doses in _new_lot_patterns(tested, budget):
            found += _of_new(tested, budget, number, doses)
    if rack_days is not None:
        days = tuple(
            dict.fromkeys(max(round(rack_days * k / budget.withdrawals), 1)
                          for k in range(1, budget.withdrawals + 1))
        )  # fmt: skip
        found += _of_tested("outdoor_rack", tested, budget, days, "open air")
    if practice_dose is not None:
        n = int(assumptions()["usual_practice"]["strips"])
        series = [
            PlannedSeries(material=t.material, lot="new lot 1", direction=d, new=True,
                          doses=(practice_dose,), strips=(n,), unexposed=n)
            for t in tested for d in t.directions
        ]  # fmt: skip
        found.append(StripPlan(kind="usual_practice", series=tuple(series)))
    return list({p.series: p for p in reversed(found)}.values())[::-1]


def _even(budget: Budget) -> tuple[float, ...]:
    return tuple(budget.dose * k / budget.withdrawals for k in range(1, budget.withdrawals + 1))


def _thinned(doses: tuple[float, ...], most: int) -> tuple[float, ...]:
    """At most so many of some ascending doses, the last among them."""
    if len(doses) <= most:
        return doses
    step = len(doses) / most
    return tuple(doses[round((k + 1) * step) - 1] for k in range(most))


def _patterns(tested: tuple[SoFar, ...], budget: Budget) -> Iterator[tuple[str, tuple]]:
    """(kind, doses) for lots that were tested; of the first material's doses."""
    had = tuple(d for d in tested[0].doses if d <= budget.dose * 1.001)
    last = tested[0].doses[-1]
    if had:
        yield "more_strips", _thinned(had, budget.withdrawals)
        yield "more_strips", had[-1:]
    steps = (0.0, *had)
    between = [(a + b) / 2 for a, b in itertools.pairwise(steps)]
    near = sorted(between, key=lambda d: abs(d - tested[0].threshold))[: budget.withdrawals]
    if near:
        yield "more_doses", tuple(sorted(near))
    around = _around(tested, budget)
    if around and around[-1] <= last * 1.001:
        yield "more_doses", around
    if budget.dose > last * 1.05:
        w = budget.withdrawals
        yield "longer", tuple(last + (budget.dose - last) * k / w for k in range(1, w + 1))
        yield "longer", (budget.dose,)
        if around and around[-1] > last * 1.05:
            yield "longer", around


def _around(tested: tuple[SoFar, ...], budget: Budget) -> tuple[float, ...]:
    """Doses about the expected threshold."""
    share = {1: (1.0,), 2: (0.8, 1.2)}.get(budget.withdrawals, (0.7, 1.0, 1.3))
    doses = [s * tested[0].threshold for s in share]
    return tuple(sorted({d for d in doses if d <= budget.dose * 1.001}))


def _new_lot_patterns(tested: tuple[SoFar, ...], budget: Budget) -> list[tuple[float, ...]]:
    had = tuple(d for d in tested[0].doses if d <= budget.dose * 1.001)
    found = [
        _thinned(had, budget.withdrawals), had[-1:], _even(budget), (budget.dose,),
        _around(tested, budget),
    ]  # fmt: skip
    return list(dict.fromkeys(p for p in found if p))


def _of_tested(
    kind: str, tested: tuple[SoFar, ...], budget: Budget, doses: tuple[float, ...], way: Way
) -> list[StripPlan]:
    """Strips of every tested lot at some doses; no plan where the strips do not suffice."""
    lots = [(t, lot, d) for t in tested for lot in t.lots for d in t.directions]
    groups = len(doses) + (0 if all(t.has_unexposed for t in tested) else 1)
    n = budget.strips // (len(lots) * groups)
    if n < LEAST_STRIPS:
        return []
    series = tuple(
        PlannedSeries(
            material=t.material, lot=lot, direction=d, new=False, doses=doses,
            strips=(n,) * len(doses), way=way, unexposed=0 if t.has_unexposed else n,
        )
        for t, lot, d in lots
    )  # fmt: skip
    return [StripPlan(kind=kind, series=series)]


def _of_new(
    tested: tuple[SoFar, ...], budget: Budget, number: int, doses: tuple[float, ...]
) -> list[StripPlan]:
    """New lots at some doses, with unexposed strips of each."""
    series = sum(len(t.directions) for t in tested) * number
    n = budget.strips // (series * (len(doses) + 1))
    if n < LEAST_STRIPS:
        return []
    longer = doses[-1] > tested[0].doses[-1] * 1.05
    one = PlannedSeries(
        material="", lot="", direction="", new=True, doses=doses, strips=(n,) * len(doses),
        unexposed=n,
    )  # fmt: skip
    planned = tuple(
        replace(one, material=t.material, lot=f"new lot {k + 1}", direction=d)
        for t in tested
        for k in range(number)
        for d in t.directions
    )
    return [StripPlan(kind="more_lots_longer" if longer else "more_lots", series=planned)]


__all__ = ["KINDS", "Budget", "SoFar", "StripPlan", "candidates"]
