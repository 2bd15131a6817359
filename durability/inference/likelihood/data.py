"""Can these numbers be fitted? Checks arrays; reduces strips to sufficient statistics."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from durability.inference.likelihood.errors import Rows
from durability.study.problem import Problem, StudyError


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Strips:
    """What was measured, strip by strip, and the rows that the strips were reduced to.

    Parameters
    ----------
    x : predictors of each row by name.
    rows : sufficient statistics.
    groups : label of each row (empty text where there are none).
    effects : parameter -> covariate -> value of each row.
    partitions : parameter -> label of each row.
    strip_row : row of each strip that was measured itself; strip_value : its value (log for
        lognormal errors). Empty where the data are summaries.
    constant : what the log-likelihood of the strengths has beyond that of the values.
    """

    x: dict[str, np.ndarray]
    rows: Rows
    groups: np.ndarray
    effects: dict[str, dict[str, np.ndarray]]
    partitions: dict[str, np.ndarray]
    strip_row: np.ndarray
    strip_value: np.ndarray
    constant: float

    @property
    def place(self) -> np.ndarray:
        """(n_row,) code of the distinct place (predictors, group, covariates) of each row."""
        return np.unique(self.keys(), axis=0, return_inverse=True)[1].ravel()

    def keys(self) -> np.ndarray:
        labels = [self.groups, *self.partitions.values()]
        columns = [np.unique(g, return_inverse=True)[1] for g in labels]
        values = [v for by in self.effects.values() for v in by.values()]
        return np.column_stack([*columns, *self.x.values(), *values])


def gather(
    x: Mapping[str, Any],
    y: Any,
    *,
    log: bool,
    whole: bool,
    n: Any = None,
    sd: Any = None,
    weights: Any = None,
    censored: Any = None,
    groups: Sequence[str] | None = None,
    effects: Mapping[str, Mapping[str, Any]] | None = None,
    partitions: Mapping[str, Sequence[str]] | None = None,
    dose: bool = True,
) -> Strips:
    """Check and reduce.

    Parameters
    ----------
    x, y : predictors by name and values, each (n,).
    log : values become logs (lognormal errors); they must be above 0.
    whole : keep every strip a row of its own (Student errors).
    n, sd : of summaries: strips behind a mean, and their standard deviation.
    weights, censored, groups, effects, partitions : see `fit_curve`.
    dose : the predictor is a dose: not negative.

    Raises
    ------
    StudyError : every problem at once.
    """
    values = np.atleast_1d(np.asarray(y, dtype=float)).ravel()
    size = values.size
    problems: list[Problem] = []

    def column(name: str, given: Any, default: float) -> np.ndarray:
        if given is None:
            return np.full(size, default)
        found = np.asarray(given, dtype=float).ravel()
        if found.size == 1:
            found = np.full(size, found[0])
        if found.size != size:
            problems.append(
                Problem(
                    file=name,
                    found=f"{found.size} values",
                    expected=f"{size}, one for each value of y",
                )
            )
            return np.full(size, default)
        return found

    xs = {k: column(k, v, 1.0) for k, v in x.items()}
    count, spread = column("n", n, 1.0), column("sd", sd, np.nan)
    weight, cut = column("weights", weights, 1.0), column("censored", censored, 0.0)
    covariates = {
        p: {k: column(k, v, 0.0) for k, v in by.items()} for p, by in (effects or {}).items()
    }

    def labels(name: str, given: Sequence[str] | None) -> np.ndarray:
        found = np.full(size, "") if given is None else np.asarray(given).astype(str).ravel()
        if found.size != size:
            problems.append(
                Problem(
                    file=name,
                    found=f"{found.size} labels",
                    expected=f"{size}, one for each value of y",
                )
            )
            return np.full(size, "")
        return found

    named = labels("groups", groups)
    parts = {k: labels(f"partition of {k}", v) for k, v in (partitions or {}).items()}

    def refuse(name: str, bad: np.ndarray, data: np.ndarray, expected: str) -> None:
        for i in np.flatnonzero(bad)[:20]:
            problems.append(
                Problem(file=name, row=int(i) + 1, found=f"{data[i]:g}", expected=expected)
            )

    if size == 0:
        problems.append(Problem(file="y", found="no values", expected="at least two"))
    for k, v in xs.items():
        low = -np.inf if not dose else 0.0
        refuse(
            k, ~np.isfinite(v) | (v < low), v, "a dose of 0 or more" if dose else "a finite number"
        )
    refuse(
        "y",
        ~np.isfinite(values) | (log & (values <= 0)),
        values,
        "a number above 0; mark a strip too weak to measure as censored (-1) with the limit"
        if log
        else "a finite number",
    )
    refuse("n", ~(count >= 1), count, "at least 1")
    refuse("weights", ~(weight > 0) | ~np.isfinite(weight), weight, "a number above 0")
    refuse("censored", ~np.isin(cut, (-1, 0, 1)), cut, "-1 (below), 0 (measured) or 1 (at least)")
    refuse("sd", spread < 0, spread, "a number of 0 or more")
    if size and not problems and (cut != 0).all():
        problems.append(
            Problem(
                file="censored",
                found="every strip is censored",
                expected="some measured strips",
                mend=_what_censored_say(next(iter(xs.values())), values, cut),
            )
        )
    if problems:
        raise StudyError(problems)
    summary = (count > 1) | np.isfinite(spread)
    constant = 0.0
    inner = np.where(summary & (count > 1) & np.isfinite(spread), (count - 1) * spread**2, 0.0)
    if log:
        with np.errstate(divide="ignore", invalid="ignore"):
            share = np.log1p(np.where(np.isfinite(spread), spread / values, 0.0) ** 2)
        logs = np.log(values) - np.where(summary & (count > 1), share / 2, 0.0)
        inner = np.where(summary & (count > 1), (count - 1) * share, 0.0)
        values = logs
        constant = -float((count * logs)[cut == 0].sum())
    measured_n = np.where(summary & ~np.isfinite(spread), 1.0, count)
    single = ~summary & (cut == 0)
    columns = [np.unique(g, return_inverse=True)[1] for g in (named, *parts.values())]
    covs = [v for by in covariates.values() for v in by.values()]
    keys = np.column_stack([*columns, *xs.values(), *covs, weight, cut])
    if whole:
        keys = np.column_stack([keys, np.arange(size)])
    keys = np.column_stack([keys, np.where(cut != 0, values, 0.0)])
    unique, row = np.unique(keys, axis=0, return_inverse=True)
    row = row.ravel()
    first = np.full(len(unique), size)
    np.minimum.at(first, row, np.arange(size))
    total = np.bincount(row, count, len(unique))
    mean = np.bincount(row, count * values, len(unique)) / total
    squares = np.bincount(row, inner + count * (values - mean[row]) ** 2, len(unique))
    freedom = np.bincount(row, measured_n, len(unique))
    rows = Rows(
        mean=mean,
        count=total,
        squares=squares,
        freedom=freedom,
        weight=weight[first],
        censored=cut[first].astype(int),
    )
    constant += 0.5 * float((rows.freedom * np.log(rows.weight))[rows.censored == 0].sum())
    return Strips(
        x={k: v[first] for k, v in xs.items()},
        rows=rows,
        groups=named[first],
        effects={p: {k: v[first] for k, v in by.items()} for p, by in covariates.items()},
        partitions={k: v[first] for k, v in parts.items()},
        strip_row=row[single],
        strip_value=values[single],
        constant=constant,
    )


def _what_censored_say(dose: np.ndarray, limit: np.ndarray, cut: np.ndarray) -> str:
    below = cut < 0
    if below.any():
        at = int(np.flatnonzero(below)[np.argmin(dose[below])])
        return (
            f"What the data still say: at dose {dose[at]:g} the strength was already below"
            f" {limit[at]:g}; the threshold of any higher strength is not after that dose"
        )
    at = int(np.argmax(dose))
    return (
        f"What the data still say: at dose {dose[at]:g} the strength was still at least"
        f" {limit[at]:g}"
    )
