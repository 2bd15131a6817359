"""Which groups depart from their product, in threshold dose, strength, shape or scatter?"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from durability.inference.items import PRODUCT, Items
from durability.inference.model import Structure
from durability.laws import Law


@dataclass(slots=True, kw_only=True, eq=False)
class Effects:
    """Families of effects as they are found; those on threshold doses (`groups`) first."""

    groups: list[str]
    others: list[str]
    keys: list[tuple[str, Any]]
    names: list[tuple[str, str]]
    parents: list[int]

    def add(self, family: str, key: Any, name: str, parent: int = -1) -> int:
        self.keys.append((family, key))
        self.names.append((family, name))
        self.parents.append(parent)
        return len(self.keys) - 1

    def finished(self) -> tuple[tuple[tuple[str, str], ...], np.ndarray, dict[Any, int]]:
        families = [*self.groups, *self.others, "start"]
        index = [(families.index(k[0]), p) for k, p in zip(self.keys, self.parents, strict=True)]
        code = {key: i for i, key in enumerate(self.keys)}
        return tuple(self.names), np.array(index, dtype=np.int64).reshape(-1, 2), code


FEWEST_LOTS = 3  # in both directions, for a spread of the directions of a lot


def _lots_in_both(series: list[Any]) -> set[tuple[str, str]]:
    """(material, lot) tested machine and cross, of materials with enough of them."""
    way: dict[tuple[str, str], set[str]] = {}
    for m, lot, direction, _ in series:
        if lot != PRODUCT and direction in ("machine", "cross"):
            way.setdefault((m, lot), set()).add(direction)
    both = [k for k, found in way.items() if len(found) == 2]
    return {k for k in both if sum(m == k[0] for m, _ in both) >= FEWEST_LOTS}


def effects_on_dose(
    items: Items, series: list[Any], mains: list[Any], single: set[str], one_lot: set[str]
) -> Effects:
    """Group effects on the threshold dose: lots of products with several, then the other groups."""
    found = Effects(groups=["lot"], others=[], keys=[], names=[], parents=[])

    def parent(material: str) -> int:
        return next((i for i, k in enumerate(mains) if k[0] == material), -1)

    for m, lot in dict.fromkeys((m, lot) for m, lot, _, _ in series if lot != PRODUCT):
        if m not in single and parent(m) >= 0:
            found.add("lot", (m, lot), f"{m} {lot}".strip(), parent(m))
    lit = items.dose > 0
    for group in ("laboratory", "run"):
        members = sorted(set(items.text[group][lit]) - {""})
        if len(members) > 1:
            found.groups.append(group)
            for name in members:
                found.add(group, name, name)
    read = [
        (items.key(i, "material", "lot", "direction", "laboratory"), str(items.text["specimen"][i]))
        for i in np.flatnonzero(items.kind == "reading")
    ]
    if len(set(read)) > 1:
        found.groups.append("specimen")
        for key in dict.fromkeys(read):
            found.add("specimen", key, " ".join(filter(None, (*key[0], key[1]))))
    both = _lots_in_both([k for k in series if k[0] not in one_lot and parent(k[0]) >= 0])
    if both:
        found.groups.append("direction_of_lot")
        for m, lot, direction in dict.fromkeys(k[:3] for k in series if k[:2] in both):
            if direction:
                key = (m, lot, direction)
                found.add("direction_of_lot", key, " ".join(filter(None, key)))
    return found


def own_effects(
    found: Effects, materials: list[str], law: Law, structure: Structure
) -> tuple[np.ndarray, np.ndarray]:
    """Which shape and strip spread is a product's, and the effects on them."""
    n = len(materials)
    slot = np.zeros((n, 2), dtype=np.int64)
    effect = np.full((n, 1 + len(law.shapes)), -1, dtype=np.int64)
    wanted = [(0, "strip_spread", structure.spread)]
    wanted += [(1 + i, f"shape_{s.name}", structure.shape) for i, s in enumerate(law.shapes)]
    for k, family, sharing in wanted:
        if sharing not in ("product", "shared", "pooled"):
            raise ValueError(f'"{sharing}" is unknown; known: product, shared, pooled')
        if sharing == "product":
            slot[:, 0 if k else 1] = np.arange(n)
        elif sharing == "pooled" and n > 1:
            found.others.append(family)
            for i, m in enumerate(materials):
                effect[i, k] = found.add(family, m, m)
    return slot, effect


def effects_on_strength(
    found: Effects, series: list[Any], starts: list[Any], percent: bool
) -> np.ndarray:
    """The effect on unexposed strength that the directions of a lot share, by series."""
    shared = np.full(len(series), -1, dtype=np.int64)
    both = _lots_in_both([k for k in series if (k[0], k[2]) in starts])
    if percent or not both:
        return shared
    found.others.append("lot_in_both_directions")
    for m, lot in dict.fromkeys(k[:2] for k in series if k[:2] in both):
        e = found.add("lot_in_both_directions", (m, lot), f"{m} {lot}")
        for i, k in enumerate(series):
            if k[:2] == (m, lot):
                shared[i] = e
    return shared
