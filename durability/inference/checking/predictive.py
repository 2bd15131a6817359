"""Do the strips of each dose look like strips of the model? Posterior predictive checks by group.

For each lot, direction and dose: the mean, the coefficient of variation and the weakest strip that
were found stand against those of strips drawn again from the model, for the same lot. A group
outside its limits asks for a look at its strips; many groups outside on one side at one dose ask
for another law. The strips judged have been fitted, so the check is a little mild (Gelman, Meng and
Stern 1996, Statistica Sinica 6:733, from memory); doses left out are in `last_dose`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.inference.checking.items import CENSORED, GROUP, STRIP, Items, items_of
from durability.inference.checking.pointwise import parts_of
from durability.inference.checking.replicate import SHOWN, Again, drawn_again, found_strength

if TYPE_CHECKING:
    from durability.inference.fitted import Fit

STATISTICS: dict[str, str] = {
    "mean": "mean strength",
    "cv": "coefficient of variation",
    "weakest": "weakest strip",
    "censored": "share that could not be measured",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupCheck:
    """One statistic of one group of strips beside the model's.

    Parameters
    ----------
    material, lot, direction, exposure, dose : the group; exposure ``""`` at dose 0.
    strips : how many.
    statistic : one of `STATISTICS`.
    found : by the strips. [unit of the study] for mean and weakest, 1 for the others.
    expected : median of what the model draws again.
    low_50, high_50, low_95, high_95 : limits that hold 50 and 95 % of it.
    below : probability that the model gives less than was found (half of an equal counts).
    """

    material: str
    lot: str
    direction: str
    exposure: str
    dose: float
    strips: int
    statistic: str
    found: float
    expected: float
    low_50: float
    high_50: float
    low_95: float
    high_95: float
    below: float

    @property
    def inside_50(self) -> bool:
        return self.low_50 <= self.found <= self.high_50

    @property
    def inside_95(self) -> bool:
        return self.low_95 <= self.found <= self.high_95

    def name(self) -> str:
        """The group in words."""
        who = " ".join(filter(None, (self.material, self.lot, self.direction)))
        return f"{who} at {self.exposure + ' ' if self.exposure else ''}{self.dose:.4g}"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PredictiveCheck:
    """All groups of a study beside the model.

    Parameters
    ----------
    law, unit : of the fit; dose_unit by exposure.
    rows : one a group and statistic.
    """

    law: str
    unit: str
    dose_units: dict[str, str]
    rows: tuple[GroupCheck, ...]

    def of(self, statistic: str) -> tuple[GroupCheck, ...]:
        """Rows of one statistic."""
        return tuple(r for r in self.rows if r.statistic == statistic)

    def share(self, statistic: str, level: int = 95) -> float:
        """Share of groups inside their 50 or 95 % limits; nan without groups."""
        rows = self.of(statistic)
        inside = [r.inside_95 if level == 95 else r.inside_50 for r in rows]
        return float(np.mean(inside)) if inside else float("nan")

    def standing_out(self) -> tuple[GroupCheck, ...]:
        """Rows outside their 95 % limits, the farthest first."""
        out = [r for r in self.rows if not r.inside_95]
        return tuple(sorted(out, key=lambda r: min(r.below, 1 - r.below)))

    def too_many(self, statistic: str) -> bool:
        """More groups outside 95 % limits than chance gives once in a hundred studies."""
        from scipy.stats import binom

        rows = self.of(statistic)
        outside = sum(not r.inside_95 for r in rows)
        return bool(rows) and bool(outside > binom.ppf(0.99, len(rows), 0.05))

    def verdict(self) -> str:
        """What the check says, in sentences."""
        found = []
        for statistic, words in STATISTICS.items():
            rows = self.of(statistic)
            if not rows:
                continue
            outside = [r for r in rows if not r.inside_95]
            text = (
                f"{words}: {len(rows) - len(outside)} of {len(rows)} groups lie inside their 95 %"
                f" limits, {sum(r.inside_50 for r in rows)} inside their 50 % limits"
            )
            if self.too_many(statistic):
                side = np.sign([r.found - r.expected for r in outside]).sum()
                way = "mostly above the model" if side > 0 else "mostly below the model"
                way = way if side else "on both sides of the model"
                text += f"; more lie outside, {way}, than chance would give"
            found.append(text + ".")
        return " ".join(s[0].upper() + s[1:] for s in found)

    def table(self) -> list[tuple[str, ...]]:
        """Groups as text: (group, strips, statistic, found, expected, 95 % limits, remark)."""
        return [
            (
                r.name(), str(r.strips), STATISTICS[r.statistic], _figure(r, r.found),
                _figure(r, r.expected), f"{_figure(r, r.low_95)} to {_figure(r, r.high_95)}",
                "" if r.inside_95 else "above" if r.found > r.high_95 else "below",
            )
            for r in self.rows
        ]  # fmt: skip

    def __repr__(self) -> str:
        lines = [f"PredictiveCheck, law {self.law}", f"  {self.verdict()}"]
        for r in self.standing_out()[:12]:
            lines.append(
                f"  {r.name()}: {STATISTICS[r.statistic]} {_figure(r, r.found)}; the model gives"
                f" {_figure(r, r.low_95)} to {_figure(r, r.high_95)}"
            )
        return "\n".join(lines)

    def to_dict(self) -> dict[str, Any]:
        """Plain types for JSON."""
        from dataclasses import asdict

        return {
            "law": self.law,
            "unit": self.unit,
            "verdict": self.verdict(),
            "inside": {
                s: {"groups": len(self.of(s)), "share_50": self.share(s, 50),
                    "share_95": self.share(s, 95), "too_many_outside": self.too_many(s)}
                for s in STATISTICS if self.of(s)
            },
            "groups": [asdict(r) | {"inside_95": r.inside_95} for r in self.rows],
        }  # fmt: skip


def _figure(row: GroupCheck, x: float) -> str:
    if row.statistic in ("cv", "censored"):
        return f"{100 * x:.1f} %"
    return f"{x:.4g}"


def groups_of(items: Items) -> list[tuple[tuple[str, str, str, str, float], np.ndarray]]:
    """Groups of items found together: ((material, lot, direction, exposure, dose), indices).

    A summary is a group of its own; strips and censored strips of one cell are one; so are the
    readings of all specimens of a lot at one dose.
    """
    members: dict[Any, list[int]] = {}
    for i in np.flatnonzero(np.isin(items.kind, (STRIP, GROUP, CENSORED)) & (items.series >= 0)):
        where = (
            str(items.material[i]), str(items.lot[i]), str(items.direction[i]),
            str(items.exposure[i]), float(items.dose[i]),
        )  # fmt: skip
        summary = items.kind[i] == GROUP and items.sub[i] < 0
        members.setdefault((where, int(items.cell[i]) if summary else -1), []).append(int(i))
    return [(where, np.array(mine)) for (where, _), mine in members.items()]


def predictive_check(fit: Fit, *, seed: int | None = None) -> PredictiveCheck:
    """Mean, coefficient of variation and weakest strip of each group beside the model.

    Parameters
    ----------
    fit : the fit.
    seed : of the strips drawn again; the fit's by default.

    Returns
    -------
    PredictiveCheck

    Examples
    --------
    >>> import durability
    >>> from durability.inference.checking import predictive_check
    >>> check = predictive_check(durability.fit("examples/uv-cycles", seed=1))
    >>> 0.5 < check.share("mean", 95) <= 1.0
    True
    """
    items = items_of(fit.model)
    step = max(1, fit.n_draws // SHOWN)
    parts = parts_of(fit, items=items, step=step)
    again = drawn_again(parts, fit.seed if seed is None else seed)
    rng = np.random.default_rng([fit.seed, 5151])
    found = found_strength(fit.model, items)
    rows: list[GroupCheck] = []
    for where, mine in groups_of(items):
        rows += _group(where, mine, again, found, rng, normal=not fit.model.on_logs)
    return PredictiveCheck(
        law=fit.law, unit=fit.study.unit, rows=tuple(rows),
        dose_units={n: x.dose_unit for n, x in fit.study.exposures.items()},
    )  # fmt: skip


def _group(
    where: tuple[str, str, str, str, float],
    mine: np.ndarray,
    again: Again,
    found: np.ndarray,
    rng: np.random.Generator,
    *,
    normal: bool,
) -> list[GroupCheck]:
    items = again.items
    drawn, seen = again.strength[:, mine], found[mine]
    strips = round(float(items.n[mine].sum()))
    pairs: list[tuple[str, float, np.ndarray]] = []
    if (items.kind[mine] == CENSORED).any():
        limit = items.limit[mine][items.kind[mine] == CENSORED]
        low = items.sign[mine][items.kind[mine] == CENSORED] < 0
        if low.all() and np.ptp(limit) < 1e-9:
            edge = found[mine][items.kind[mine] == CENSORED][0]
            pairs.append(("censored", float(low.sum() / mine.size), (drawn < edge).mean(axis=1)))
    elif mine.size == 1 and items.kind[mine[0]] == GROUP and items.sub[mine[0]] < 0:
        i = mine[0]
        pairs.append(("mean", float(seen[0]), drawn[:, 0]))
        if items.squares[i] > 0 and items.freedom[i] > 1:
            dof = float(items.freedom[i] - 1)
            cv = np.sqrt(items.squares[i] / dof)
            chance = np.sqrt(rng.chisquare(dof, drawn.shape[0]) / dof)
            if again.freedom is not None:  # the strips of a summary depart together
                chance *= np.sqrt(again.freedom / rng.chisquare(again.freedom))
            if normal:
                cv = cv / found[i]
            pairs.append(("cv", float(cv), again.spread[:, i] * chance))
    else:
        pairs.append(("mean", float(seen.mean()), drawn.mean(axis=1)))
        if mine.size >= 3:
            cv = seen.std(ddof=1) / seen.mean()
            pairs.append(("cv", float(cv), drawn.std(axis=1, ddof=1) / drawn.mean(axis=1)))
        if mine.size >= 2:
            pairs.append(("weakest", float(seen.min()), drawn.min(axis=1)))
    return [_row(where, strips, name, value, draws) for name, value, draws in pairs]


def _row(
    where: tuple[str, str, str, str, float], strips: int, name: str, value: float, draws: np.ndarray
) -> GroupCheck:
    low95, low50, middle, high50, high95 = np.quantile(draws, [0.025, 0.25, 0.5, 0.75, 0.975])
    return GroupCheck(
        material=where[0], lot=where[1], direction=where[2], exposure=where[3], dose=where[4],
        strips=strips, statistic=name, found=value, expected=float(middle), low_50=float(low50),
        high_50=float(high50), low_95=float(low95), high_95=float(high95),
        below=float((draws < value).mean() + 0.5 * (draws == value).mean()),
    )  # fmt: skip
