"""Which strip is cut where, hung where and tested when? The plan of a study before its first day.

A fabric varies across its roll and a chamber from place to place. So the strips of a group (one
lot, direction and withdrawal) are spread over the width of the roll, with other groups between
them, hung at random places, and tested in one random order: what varies then becomes scatter that
the statistics see, and no bias that they do not.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy
    from numpy.typing import NDArray

DIRECTIONS = ("machine", "cross")
EXPOSURE = "X1"
PLANNED = ("cut_across", "cut_along", "chamber_position", "test_order")
"""Columns of specimens.csv that say where a strip was cut, hung and tested; no number uses them."""

_TRIES = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Design:
    """What is to be planned.

    Parameters
    ----------
    materials : names of the products.
    lots : names of each product's lots; one tuple a material.
    directions : among ``"machine"`` and ``"cross"``.
    hours : clock hours of the withdrawals, ascending, without 0 [h].
    strips : strips of each group at each withdrawal.
    unexposed : unexposed strips of each lot and direction; None takes twice `strips`, as every
        retained fraction is divided by their mean.
    strip_width, strip_length : of one strip as cut [mm].
    roll_width : of the roll, or of the piece that is cut [mm].
    edge : kept free at either edge of the roll [mm] (common practice, no source).
    tiers : rows of holders in the chamber.
    places : holders a row; None takes as many as the strips need.
    seed : same seed, same plan.
    """

    materials: tuple[str, ...]
    lots: tuple[tuple[str, ...], ...]
    directions: tuple[str, ...] = DIRECTIONS
    hours: tuple[float, ...]
    strips: int = 5
    unexposed: int | None = None
    strip_width: float = 50.0
    strip_length: float = 200.0
    roll_width: float = 2000.0
    edge: float = 100.0
    tiers: int = 3
    places: int | None = None
    seed: int = 0

    def __post_init__(self) -> None:
        faults = [
            *_names(self.materials, "material"),
            *(f for own in self.lots for f in _names(own, "lot")),
            *_names(self.directions, "direction"),
        ]
        if len(self.lots) != len(self.materials):
            faults.append(f"lots names {len(self.lots)} products; {len(self.materials)} are meant")
        faults += [
            f"direction is {d!r}; it must be machine or cross"
            for d in self.directions
            if d not in DIRECTIONS
        ]
        hours = self.hours
        if not hours or not all(math.isfinite(h) and h > 0 for h in hours):
            faults.append("withdrawals must be at least one time above 0")
        elif list(hours) != sorted(set(hours)):
            faults.append("withdrawals must ascend, each named once")
        for name, least in (("strips", 1), ("unexposed", 1), ("tiers", 1), ("places", 1)):
            value = getattr(self, name)
            if value is not None and value < least:
                faults.append(f"{name} is {value}; it must be at least {least}")
        for name in ("strip_width", "strip_length", "roll_width"):
            if not getattr(self, name) > 0:
                faults.append(f"{name} is {getattr(self, name):g}; it must be above 0")
        free = self.roll_width - 2 * self.edge
        if not faults and free < max(self.strip_width, self.strip_length):
            faults.append(
                f"a strip of {self.strip_width:g} x {self.strip_length:g} mm does not fit in "
                f"{free:g} mm, the roll's width less its edges"
            )
        if not faults and self.places is not None and self.exposed > self.tiers * self.places:
            faults.append(
                f"{self.exposed} strips are to be exposed and the chamber holds "
                f"{self.tiers * self.places}; expose fewer, or plan two runs"
            )
        if faults:
            raise ValueError("; ".join(faults))

    @property
    def starts(self) -> int:
        """Unexposed strips of each lot and direction."""
        return 2 * self.strips if self.unexposed is None else self.unexposed

    @property
    def exposed(self) -> int:
        """Strips that go into the chamber."""
        series = sum(len(own) for own in self.lots) * len(self.directions)
        return series * len(self.hours) * self.strips

    def series(self) -> Iterator[tuple[str, str, str]]:
        """(material, lot, direction), in order."""
        for material, own in zip(self.materials, self.lots, strict=True):
            for lot in own:
                for direction in self.directions:
                    yield material, lot, direction


@dataclass(frozen=True, slots=True, kw_only=True)
class Strip:
    """One planned strip.

    Parameters
    ----------
    material, lot, direction : which series.
    hours : clock hours of its withdrawal [h]; 0 for an unexposed strip.
    specimen : its label; it says nothing of the withdrawal, so that the operator stays blind.
    across, along : middle of the strip, from the roll's edge and along the roll [mm].
    tier, place : where it hangs in the chamber, from 1; 0 for an unexposed strip.
    order : place in the order of testing, from 1.
    """

    material: str
    lot: str
    direction: str
    hours: float
    specimen: str
    across: float
    along: float
    tier: int
    place: int
    order: int

    @property
    def position(self) -> str:
        """Where it hangs, in words: ``"2-14"`` for tier 2, place 14."""
        return f"{self.tier}-{self.place}" if self.tier else ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """Every strip of a study to be made; `tiers` and `places` are the chamber's."""

    design: Design
    strips: tuple[Strip, ...]
    tiers: int
    places: int

    def of(self, hours: float) -> tuple[Strip, ...]:
        """The strips of one withdrawal, by their place in the chamber."""
        mine = [s for s in self.strips if s.hours == hours]
        return tuple(sorted(mine, key=lambda s: (s.tier, s.place)))

    def __repr__(self) -> str:
        d = self.design
        return (
            f"Plan: {len(self.strips)} strips, of which {d.exposed} in a chamber of {self.tiers} x "
            f"{self.places} places; withdrawals at {', '.join(f'{h:g}' for h in d.hours)} h"
        )


def plan(design: Design) -> Plan:
    """Plan where each strip is cut and hung, and in which order strips are tested.

    Parameters
    ----------
    design : products, withdrawals, strips, roll and chamber.

    Returns
    -------
    Plan : strips in the order of testing.

    Examples
    --------
    >>> plan(Design(materials=("A",), lots=(("A1",),), hours=(150.0, 300.0, 500.0), seed=1))
    Plan: 50 strips, of which 30 in a chamber of 3 x 10 places; withdrawals at 150, 300, 500 h
    """
    import numpy

    generator = numpy.random.default_rng(design.seed)
    levels = (0.0, *design.hours)
    stems = _stems(design)
    drafts: list[tuple[str, str, str, float, str, float, float]] = []
    for material, lot, direction in design.series():
        counts = [design.starts, *[design.strips] * len(design.hours)]
        cut = _cut(counts, design, direction, generator)
        letter = "M" if direction == "machine" else "C"
        stem = stems[material, lot]
        for number, (group, across, along) in enumerate(cut, 1):
            label = f"{stem}-{letter}{number:02d}"
            drafts.append((material, lot, direction, levels[group], label, across, along))
    hung = [i for i, d in enumerate(drafts) if d[3] > 0]
    places = design.places or math.ceil(len(hung) / design.tiers)
    of_group: dict[tuple[str, str, str, float], int] = {}
    groups = [of_group.setdefault(drafts[i][:4], len(of_group)) for i in hung]
    holders = _hang(groups, design.tiers, places, generator)
    at = dict(zip(hung, holders, strict=True))
    order = generator.permutation(len(drafts))
    strips = []
    for rank, i in enumerate(order.tolist(), 1):
        material, lot, direction, hours, label, across, along = drafts[i]
        tier, place = at.get(i, (0, 0))
        strips.append(
            Strip(
                material=material, lot=lot, direction=direction, hours=hours, specimen=label,
                across=across, along=along, tier=tier, place=place, order=rank,
            )
        )  # fmt: skip
    return Plan(design=design, strips=tuple(strips), tiers=design.tiers, places=places)


def _cut(
    counts: Sequence[int], design: Design, direction: str, generator: numpy.random.Generator
) -> list[tuple[int, float, float]]:
    """(group, across, along) of each strip, row by row of the cutting plan."""
    wide, tall = design.strip_width, design.strip_length
    if direction == "cross":
        wide, tall = tall, wide
    free = design.roll_width - 2 * design.edge
    columns = int(free // wide)
    rows = math.ceil(sum(counts) / columns)
    columns = math.ceil(sum(counts) / rows)
    grid = spread(counts, rows, columns, generator)
    pitch = free / columns
    return [
        (int(grid[r, c]), design.edge + (c + 0.5) * pitch, (r + 0.5) * tall)
        for r in range(rows)
        for c in range(columns)
        if grid[r, c] >= 0
    ]


def _hang(
    groups: Sequence[int], tiers: int, places: int, generator: numpy.random.Generator
) -> list[tuple[int, int]]:
    """(tier, place) of each strip."""
    tally = Counter(groups)
    grid = spread([tally[g] for g in range(len(tally))], tiers, places, generator)
    where: dict[int, list[tuple[int, int]]] = {}
    for tier in range(tiers):
        for place in range(places):
            where.setdefault(int(grid[tier, place]), []).append((tier + 1, place + 1))
    for free in where.values():
        generator.shuffle(free)
    return [where[g].pop() for g in groups]


def spread(
    counts: Sequence[int], rows: int, columns: int, generator: numpy.random.Generator
) -> NDArray:
    """Lay groups out on a grid so that each is spread over the columns and neighbours differ.

    Each group's members fall one into each of as many equal parts of the width as it has members;
    then members that touch one of their own group, side by side or above each other, are exchanged
    with near ones while that helps.

    Parameters
    ----------
    counts : members of each group.
    rows, columns : of the grid; it may have more cells than there are members.
    generator : source of randomness.

    Returns
    -------
    int array (rows, columns): the group of each cell, -1 for an empty one. The best of a few
    tries: where one group outnumbers the rest, some of its members must touch.

    Examples
    --------
    >>> import numpy
    >>> grid = spread([5, 5, 5, 5], 1, 20, numpy.random.default_rng(1))
    >>> touching(grid)
    0
    """
    import numpy

    cells = rows * columns
    if sum(counts) > cells:
        raise ValueError(f"{sum(counts)} strips do not fit on {rows} x {columns} places")
    best, fewest = numpy.empty((0, 0), dtype=int), None
    sizes = [*counts, cells - sum(counts)]  # the empty cells are spread too
    for _ in range(_TRIES):
        key = numpy.concatenate([(generator.permutation(m) + generator.random(m)) / m
                                 for m in sizes if m])  # fmt: skip
        member = numpy.repeat([*range(len(counts)), -1], sizes)
        dealt = member[numpy.argsort(key)]
        # cells from left to right, a column's cells in random order
        grid = numpy.empty((rows, columns), dtype=int)
        for c in range(columns):
            grid[:, c] = generator.permutation(dealt[c * rows : (c + 1) * rows])
        left = _part(grid, generator)
        if fewest is None or left < fewest:
            best, fewest = grid, left
        if fewest == 0:
            break
    return best


def touching(grid: NDArray) -> int:
    """Pairs of neighbours of one group, side by side or above each other."""
    side = (grid[:, 1:] == grid[:, :-1]) & (grid[:, 1:] >= 0)
    above = (grid[1:] == grid[:-1]) & (grid[1:] >= 0)
    return int(side.sum() + above.sum())


def _part(grid: NDArray, generator: numpy.random.Generator) -> int:
    """Exchange touching members with the nearest that mends it; the pairs that are left."""
    rows, columns = grid.shape

    def pairs(r: int, c: int) -> int:
        near = ((r, c - 1), (r, c + 1), (r - 1, c), (r + 1, c))
        return sum(
            0 <= i < rows and 0 <= j < columns and grid[i, j] == grid[r, c] >= 0 for i, j in near
        )

    places = [(r, c) for r in range(rows) for c in range(columns)]
    for _ in range(4):
        bad = [p for p in places if pairs(*p)]
        if not bad:
            return 0
        generator.shuffle(bad)
        for r, c in bad:
            before = pairs(r, c)
            if not before:
                continue
            near = sorted(places, key=lambda p: (abs(p[1] - c), abs(p[0] - r)))
            for i, j in near[1 : 8 * rows + 1]:
                if grid[i, j] == grid[r, c]:
                    continue
                old = before + pairs(i, j)
                grid[r, c], grid[i, j] = grid[i, j], grid[r, c]
                if pairs(r, c) + pairs(i, j) < old:
                    break
                grid[r, c], grid[i, j] = grid[i, j], grid[r, c]
    return touching(grid)


def lots_of(
    materials: Sequence[str], named: Sequence[str], number: int
) -> tuple[tuple[str, ...], ...]:
    """Lots of each product: those named as ``"MATERIAL:LOT"``, else `number` of them, numbered.

    Raises
    ------
    ValueError : every name that is of no product.

    Examples
    --------
    >>> lots_of(["A", "B"], ["A:7741", "A:7742"], 2)
    (('7741', '7742'), ('B1', 'B2'))
    """
    own: dict[str, list[str]] = {m: [] for m in materials}
    wrong = []
    for text in named:
        material, mark, lot = text.partition(":")
        if mark and material.strip() in own and lot.strip():
            own[material.strip()].append(lot.strip())
        else:
            wrong.append(f"{text!r} is no lot of {', '.join(materials)}; write MATERIAL:LOT")
    if wrong:
        raise ValueError("; ".join(wrong))
    return tuple(tuple(v or [f"{m}{i + 1}" for i in range(number)]) for m, v in own.items())


def _stems(design: Design) -> dict[tuple[str, str], str]:
    """The head of a label: the lot where it carries its product's name, else both."""
    pairs = [(m, lot) for m, own in zip(design.materials, design.lots, strict=True) for lot in own]
    short = {(m, lot): lot if lot.startswith(m) else f"{m}-{lot}" for m, lot in pairs}
    if len(set(short.values())) == len(pairs):
        return short
    return {(m, lot): f"{m}-{lot}" for m, lot in pairs}


def _names(values: Sequence[str], kind: str) -> list[str]:
    faults = [f"a {kind} has no name" for v in values if not v.strip()]
    faults += [f"{kind} {v!r} has blanks around it" for v in values if v.strip() and v != v.strip()]
    faults += [f"{kind} {v!r} begins like a formula" for v in values if v[:1] in "=+-@" and v]
    faults += [f"{kind} {v!r} is named {n} times" for v, n in Counter(values).items() if n > 1]
    return faults or ([] if values else [f"name at least one {kind}"])
