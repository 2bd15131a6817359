"""What do strips that broke at the jaw, or slipped in it, change? The rule taken, and the others.

Such a strip was at least as strong as it read. A study leaves it out with that reason, or keeps it
as a bound (``[rules] jaw_breaks``). Here the fraction left is worked out both ways, and with the
readings taken as they are.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.retention.groups import group_codes
from durability.retention.retained import retained_strength
from durability.retention.strength import strip_rows, with_strength
from durability.study.model import Study

if TYPE_CHECKING:
    from durability.statement import Statement

LOW = 0.5
"""A jaw break under this share of the mean of the others is low (strip practice, from memory)."""

_OWN = ("", "broke at the jaw", "slipped in the jaw")


@dataclass(frozen=True, slots=True, kw_only=True)
class JawBreak:
    """One strip that broke at the jaw or slipped in it.

    Parameters
    ----------
    material, lot, direction, exposure, dose, specimen, file, line : the strip.
    how : ``"jaw"`` or ``"slip"``.
    strength : as read [unit of the study].
    share_of_others : strength over the mean of the other measured strips of its group [1]; nan
        where there are none.
    """

    material: str
    lot: str
    direction: str
    exposure: str
    dose: float
    specimen: str
    file: str
    line: int
    how: str
    strength: float
    share_of_others: float

    @property
    def is_low(self) -> bool:
        """Whether the practice would discard it as low; others are kept by some laboratories."""
        return self.share_of_others < LOW


@dataclass(frozen=True, slots=True, kw_only=True)
class JawEffect:
    """What one number becomes under each rule; None where a rule gives no number.

    Parameters
    ----------
    excluded : jaw breaks left out.
    at_least : jaw breaks kept as bounds.
    as_read : jaw breaks taken like other strips.
    """

    excluded: Statement | None
    at_least: Statement | None
    as_read: Statement | None

    @property
    def subject(self) -> Statement:
        """A statement that names what it is about."""
        found = self.excluded or self.at_least or self.as_read
        assert found is not None
        return found


def jaw_breaks(study: Study) -> tuple[JawBreak, ...]:
    """Every strip that broke at the jaw or slipped, beside the others of its group.

    Parameters
    ----------
    study : as read, with the column ``break_at``.

    Returns
    -------
    tuple of JawBreak; empty where the study names none.
    """
    at = _at_jaw(study)
    if not at.any():
        return ()
    rows = strip_rows(study)
    code, _ = group_codes(rows)
    strength = rows["strength"].values.astype(float)
    plain = (rows["reason"].values.astype(str) == "") & (rows["censored"].values == 0) & ~at
    found = []
    for i in np.flatnonzero(at).tolist():
        others = strength[plain & (code == code[i])]
        label = {
            n: str(rows[n].values[i])
            for n in ("material", "lot", "direction", "exposure", "specimen", "file")
        }
        found.append(
            JawBreak(
                **label,
                dose=float(rows["dose"].values[i]),
                line=int(rows["line"].values[i]),
                how=str(rows["break_at"].values[i]),
                strength=float(strength[i]),
                share_of_others=float(strength[i] / others.mean()) if others.size else np.nan,
            )
        )
    return tuple(found)


def jaw_effect(study: Study, *, level: float = 0.95) -> tuple[JawEffect, ...]:
    """Every number of `retained_strength` that the rule on jaw breaks changes, under each rule.

    Parameters
    ----------
    study : as read.
    level : probability of the intervals.

    Returns
    -------
    tuple of JawEffect; empty where the study names no jaw breaks.
    """
    at = _at_jaw(study)
    if not at.any():
        return ()
    full = with_strength(study)
    censored = np.where(at, 0, full.rows["censored"].values)
    rules: dict[str, tuple[Any, Any]] = {
        "excluded": (full.rows["used"].values & ~at, censored),
        "at_least": (full.rows["used"].values | at, np.where(at, 1, censored)),
        "as_read": (full.rows["used"].values | at, censored),
    }
    stated: dict[str, dict[tuple[Any, ...], Statement]] = {}
    for name, (used, sides) in rules.items():
        rows = full.rows.assign(used=("row", used), censored=("row", sides))
        changed = dataclasses.replace(full, rows=rows)
        stated[name] = {_key(s): s for s in retained_strength(changed, level=level)}
    keys = dict.fromkeys(k for by_key in stated.values() for k in by_key)
    effects = (JawEffect(**{n: stated[n].get(k) for n in rules}) for k in keys)
    return tuple(e for e in effects if len({_numbers(e.excluded), _numbers(e.at_least),
                                            _numbers(e.as_read)}) > 1)  # fmt: skip


def _at_jaw(study: Study) -> Any:
    """Strips that broke at the jaw or slipped, save those left out for another reason."""
    rows = study.rows
    if "break_at" not in rows:
        return np.zeros(rows.sizes["row"], dtype=bool)
    at = np.isin(rows["break_at"].values.astype(str), ("jaw", "slip"))
    return at & np.isin(rows["reason"].values.astype(str), _OWN)


def _key(s: Statement) -> tuple[Any, ...]:
    return s.quantity, s.material, s.lot, s.direction, s.exposure, s.dose, s.of


def _numbers(s: Statement | None) -> tuple[float | None, ...]:
    return () if s is None else (s.value, s.low, s.high)
