"""Do several laboratories agree? Repeatability, reproducibility and consistency of each.

With p laboratories, n results each, and for one material: s_r the root of the mean variance within
laboratories, s_x the standard deviation of their means,

    s_L² = max(0, s_x² - s_r²/n),   s_R² = s_L² + s_r²
    h = (mean of a laboratory - mean of means) / s_x
    k = standard deviation of a laboratory / s_r

A laboratory whose |h| or k passes its critical value is inconsistent with the others and worth a
look; it is never left out here. Critical values are exact for normal results:

    h: (p - 1) t / √(p (t² + p - 2)), t with p - 2 degrees of freedom at 1 - α/2
    k: √(p / (1 + (p - 1)/F)), F with n - 1 and (p - 1)(n - 1) degrees of freedom at 1 - α

Where the laboratories report different numbers of results, s_r² weighs variances by n - 1 and n is
replaced by (N - Σn²/N)/(p - 1), and k has no single critical value (that of its own n is given).

References: the interlaboratory practice ASTM E691 (formulas, α = 0.005 and at least six
laboratories: from memory), for unequal numbers ISO 5725-2 (from memory). Checked against the
practice's worked example in tests/outside/test_interlaboratory.py.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from durability.study.model import Study

ALPHA = 0.005
FEWEST_LABORATORIES = 6
_SUBJECT = ("material", "direction", "exposure", "dose")

FLAGS: dict[str, str] = {
    "few_laboratories": (
        "Fewer than six laboratories: reproducibility is itself very uncertain (the practice asks "
        "for six at least; from memory)."
    ),
    "unequal_numbers": "Laboratories report different numbers of results.",
    "one_result": "A laboratory with a single result says nothing of repeatability and has no k.",
    "lots_differ": (
        "Laboratories tested different lots, so that differences between lots are in the "
        "reproducibility."
    ),
}
"""Names under `Agreement.flags`, explained."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Laboratory:
    """One laboratory's results on one material.

    Parameters
    ----------
    name : of the laboratory.
    n, mean, sd : its results; sd nan for a single one.
    h, k : consistency of its mean and of its scatter [1]; nan where not defined.
    h_critical, k_critical : beyond which a consistent laboratory comes by chance with probability
        `ALPHA`.
    """

    name: str
    n: int
    mean: float
    sd: float
    h: float
    k: float
    h_critical: float
    k_critical: float

    @property
    def stands_out(self) -> tuple[str, ...]:
        """``"h"`` and ``"k"`` where they pass their critical values."""
        found = []
        if abs(self.h) > self.h_critical:
            found.append("h")
        if self.k > self.k_critical:
            found.append("k")
        return tuple(found)


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """How well laboratories agree on one material (or one group of strips).

    Parameters
    ----------
    subject : what was tested, in words.
    unit : of the results.
    mean : mean of the laboratories' means.
    s_of_means, s_r, s_L, s_R : standard deviations: of the means, repeatability, between
        laboratories, reproducibility; nan where they are not defined.
    laboratories : each of them.
    flags : names of `FLAGS`.
    """

    subject: str
    unit: str
    mean: float
    s_of_means: float
    s_r: float
    s_L: float
    s_R: float
    laboratories: tuple[Laboratory, ...]
    flags: tuple[str, ...]

    @property
    def r(self) -> float:
        """Repeatability limit 1.96 √2 s_r: two results of one laboratory lie closer in 95 %."""
        return 1.96 * math.sqrt(2) * self.s_r

    @property
    def R(self) -> float:
        """Reproducibility limit 1.96 √2 s_R: results of two laboratories lie closer in 95 %."""
        return 1.96 * math.sqrt(2) * self.s_R

    def rows(self) -> list[tuple[str, ...]]:
        """One line a laboratory: name, n, mean, sd, h, k, what stands out."""

        def text(x: float, form: str = ".4g") -> str:
            return f"{x:{form}}" if math.isfinite(x) else ""

        return [
            (x.name, str(x.n), text(x.mean, ".5g"), text(x.sd), text(x.h, ".2f"),
             text(x.k, ".2f"), " and ".join(x.stands_out))
            for x in self.laboratories
        ]  # fmt: skip

    def sentence(self) -> str:
        """What may be said, in one sentence."""
        unit = f" {self.unit}" if self.unit else ""
        return (
            f"{self.subject}: mean {self.mean:.4g}{unit}, repeatability {self.s_r:.3g} "
            f"({100 * self.s_r / self.mean:.2g} %), reproducibility {self.s_R:.3g} "
            f"({100 * self.s_R / self.mean:.2g} %); limits r {self.r:.3g}, R {self.R:.3g}{unit}"
        )

    def __repr__(self) -> str:
        lines = [f"  {'  '.join(row)}" for row in self.rows()]
        return "\n".join([self.sentence(), *lines])

    def to_dict(self) -> dict[str, Any]:
        """The record as plain types for JSON; None for a number that does not exist."""

        def plain(x: float) -> float | None:
            return float(x) if math.isfinite(x) else None

        names = ("mean", "s_of_means", "s_r", "s_L", "s_R", "r", "R")
        numbers = ("mean", "sd", "h", "k", "h_critical", "k_critical")
        return {
            "subject": self.subject,
            "unit": self.unit,
            **{n: plain(getattr(self, n)) for n in names},
            "laboratories": [
                {"name": x.name, "n": x.n, **{n: plain(getattr(x, n)) for n in numbers},
                 "stands_out": list(x.stands_out)}
                for x in self.laboratories
            ],
            "flags": list(self.flags),
        }  # fmt: skip


def h_critical(p: int, alpha: float = ALPHA) -> float:
    """Critical |h| among `p` laboratories; nan for fewer than three.

    Examples
    --------
    >>> round(h_critical(8), 2)
    2.15
    """
    from scipy.special import stdtrit

    if p < 3:
        return math.nan
    t = float(stdtrit(p - 2, 1 - alpha / 2))
    return (p - 1) * t / math.sqrt(p * (t**2 + p - 2))


def k_critical(p: int, n: int, alpha: float = ALPHA) -> float:
    """Critical k among `p` laboratories of `n` results each; nan where it is not defined.

    Examples
    --------
    >>> round(k_critical(8, 3), 2)
    2.06
    """
    from scipy.special import fdtri

    if p < 2 or n < 2:
        return math.nan
    f = float(fdtri(n - 1, (p - 1) * (n - 1), 1 - alpha))
    return math.sqrt(p / (1 + (p - 1) / f))


def agreement(
    results: Mapping[str, Sequence[float]], *, subject: str = "", unit: str = "",
    flags: Iterable[str] = (),
) -> Agreement:  # fmt: skip
    """Repeatability and reproducibility of one material.

    Parameters
    ----------
    results : laboratory to its results, one unit; at least two laboratories.
    subject, unit : for words.
    flags : further names of `FLAGS`.

    Raises
    ------
    ValueError : fewer than two laboratories, or none with two results.

    Examples
    --------
    >>> a = agreement({"L1": [9.8, 10.0], "L2": [10.4, 10.4], "L3": [9.9, 10.3]})
    >>> round(a.s_r, 3), round(a.s_R, 3)
    (0.183, 0.283)
    """
    p = len(results)
    if p < 2:
        raise ValueError(f"{p} laboratory; agreement needs at least two")
    n = np.array([len(x) for x in results.values()])
    if (n == 0).any() or (n < 2).all():
        raise ValueError("repeatability needs a laboratory with two results on the same material")
    mean = np.array([np.mean(x) for x in results.values()])
    sd = np.array([np.std(x, ddof=1) if len(x) > 1 else np.nan for x in results.values()])
    free = n - 1
    s_r = math.sqrt(float(np.nansum(free * sd**2) / free.sum()))
    centre, s_x = float(mean.mean()), float(mean.std(ddof=1))
    if (n == n[0]).all():
        between = s_x**2 - s_r**2 / n[0]
    else:
        weighted = float(np.average(mean, weights=n))
        typical = float(n.sum() - (n**2).sum() / n.sum()) / (p - 1)
        among = float((n * (mean - weighted) ** 2).sum()) / (p - 1)
        between = (among - s_r**2) / typical
    s_l = math.sqrt(max(between, 0.0))
    found = list(flags)
    found += ["few_laboratories"] if p < FEWEST_LABORATORIES else []
    found += ["unequal_numbers"] if (n != n[0]).any() else []
    found += ["one_result"] if (n == 1).any() else []
    return Agreement(
        subject=subject,
        unit=unit,
        mean=centre,
        s_of_means=s_x,
        s_r=s_r,
        s_L=s_l,
        s_R=math.hypot(s_l, s_r),
        laboratories=tuple(
            Laboratory(
                name=name,
                n=int(n[i]),
                mean=float(mean[i]),
                sd=float(sd[i]),
                h=float((mean[i] - centre) / s_x) if s_x > 0 else math.nan,
                k=float(sd[i] / s_r) if s_r > 0 else math.nan,
                h_critical=h_critical(p),
                k_critical=k_critical(p, int(n[i])),
            )
            for i, name in enumerate(results)
        ),
        flags=tuple(dict.fromkeys(found)),
    )


def interlaboratory(data: Study | str | Path) -> tuple[Agreement, ...]:
    """Agreement of the laboratories of a study, group by group, or of a table of results.

    Parameters
    ----------
    data : a study whose rows name their laboratory: each material, direction, exposure and dose is
        one subject, its measured strips that are used the results. Or a table (.csv or .xlsx) with
        the columns ``material``, ``laboratory`` and ``value`` (with a unit in the header).

    Returns
    -------
    tuple of Agreement : subjects that at least two laboratories tested.

    Raises
    ------
    StudyError : for a table that cannot be read.
    ValueError : nothing was tested by two laboratories.
    """
    found = _of_table(Path(data)) if isinstance(data, str | Path) else _of_study(data)
    if not found:
        raise ValueError("no material was tested by two laboratories, one of them twice at least")
    return found


def _of_study(study: Study) -> tuple[Agreement, ...]:
    from durability.retention.strength import strip_rows

    rows = strip_rows(study)
    columns = {n: rows[n].values.tolist() for n in (*_SUBJECT, "lot", "laboratory", "strength")}
    keep = rows["used"].values & (rows["censored"].values == 0) & ~rows["summary"].values
    tested: dict[tuple[Any, ...], dict[str, list[float]]] = {}
    lots: dict[tuple[Any, ...], dict[str, set[str]]] = {}
    for i in keep.nonzero()[0].tolist():
        row = {name: column[i] for name, column in columns.items()}
        if not (of := str(row["laboratory"])):
            continue
        exposure = str(row["exposure"]) if row["dose"] else ""
        key = (str(row["material"]), str(row["direction"]), exposure, row["dose"])
        tested.setdefault(key, {}).setdefault(of, []).append(row["strength"])
        lots.setdefault(key, {}).setdefault(of, set()).add(str(row["lot"]))
    found = []
    for (material, direction, exposure, dose), results in tested.items():
        if len(results) < 2 or all(len(x) < 2 for x in results.values()):
            continue
        key = (material, direction, exposure, dose)
        unit = study.exposures[exposure].dose_unit if exposure in study.exposures else ""
        place = f"{exposure} {dose:.4g} {unit}".strip() if dose else "unexposed"
        differ = len({frozenset(x) for x in lots[key].values()}) > 1
        words = ", ".join(x for x in (material, direction, place) if x)
        flags = ("lots_differ",) if differ else ()
        found.append(agreement(results, subject=words, unit=study.unit, flags=flags))
    return tuple(found)


def _of_table(path: Path) -> tuple[Agreement, ...]:
    from durability.study import StudyError
    from durability.study.columns import name_columns, read_numbers
    from durability.study.findings import Findings
    from durability.study.tables import read_table

    findings = Findings()
    table = read_table(path.parent, path.name, findings, {})
    known = ("material", "laboratory", "value", "replicate", "note")
    columns = name_columns(table, known, findings) if table is not None else {}
    for name in ("laboratory", "value"):
        if table is not None and name not in columns:
            findings.problem(path.name, f'a column "{name}"', found=", ".join(table.headers))
    if table is None or findings.problems:
        raise StudyError(findings.problems)
    values = read_numbers(columns["value"], table, findings)
    if findings.problems:
        raise StudyError(findings.problems)
    size = table.rows.size
    materials = columns["material"].cells.tolist() if "material" in columns else [""] * size
    tested: dict[str, dict[str, list[float]]] = {}
    for material, of, value in zip(
        materials, columns["laboratory"].cells.tolist(), values.values.tolist(), strict=True
    ):
        if math.isfinite(value):
            tested.setdefault(material, {}).setdefault(of, []).append(value)
    unit = columns["value"].unit_text or ""
    return tuple(
        agreement(results, subject=material or "results", unit=unit)
        for material, results in tested.items()
        if len(results) > 1 and any(len(x) > 1 for x in results.values())
    )
