"""What did the data say beyond the prior? Clock parameters, directions and covariates of a fit.

A posterior that is as wide as its prior was told nothing. Each parameter is shown with how far the
data narrowed it (posterior sd / prior sd), how far they moved it (in prior sds), and with which
other it is confused.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.inference.model import Column, Model

if TYPE_CHECKING:
    import pandas

    from durability.inference.fitted import Fit

CLOCK = ("activation_energy", "reciprocity_exponent")
CONFUSED = 0.9  # correlation from which two parameters are not told apart
TOLD_LITTLE = 0.8  # posterior sd / prior sd above which the prior speaks
COLLINEAR = 0.98  # correlation of two settings over the exposures


@dataclass(frozen=True, slots=True, kw_only=True)
class Learned:
    """One parameter before and after the data.

    Parameters
    ----------
    name, subject, unit : of the parameter.
    prior_mean, prior_sd : of its prior, limits heeded.
    value, low, high : posterior median and interval.
    level : of the interval.
    narrowing : posterior sd / prior sd; 1 where nothing was learned.
    shift : (posterior mean - prior mean) / prior sd.
    confused_with : label of the parameter most correlated with it, where beyond 0.9.
    correlation : with that one.
    """

    name: str
    subject: str
    unit: str
    prior_mean: float
    prior_sd: float
    value: float
    low: float
    high: float
    level: float
    narrowing: float
    shift: float
    confused_with: str | None
    correlation: float

    def __str__(self) -> str:
        unit = "" if self.unit == "1" else f" {self.unit}"
        of = f" of {self.subject}" if self.subject else ""
        told = (
            "the data say little"
            if self.narrowing > TOLD_LITTLE
            else f"the data narrow it to {100 * self.narrowing:.0f} %"
        )
        text = (
            f"{self.name.replace('_', ' ')}{of}: {self.value:.3g}{unit}"
            f" ({100 * self.level:.3g} % {self.low:.3g} to {self.high:.3g});"
            f" prior {self.prior_mean:.3g} ± {self.prior_sd:.2g}, {told},"
            f" moved by {self.shift:+.1f} prior sd"
        )
        if self.confused_with:
            text += f"; not told apart from {self.confused_with} ({self.correlation:+.2f})"
        return text


@dataclass(frozen=True, slots=True, eq=False)
class WhatWasLearned:
    """The parameters of a fit before and after the data, in the order of the model's columns."""

    items: tuple[Learned, ...]
    notes: tuple[str, ...] = ()

    def __iter__(self) -> Any:
        return iter(self.items)

    def __len__(self) -> int:
        return len(self.items)

    def one(self, name: str, subject: str | None = None) -> Learned:
        """The parameter of a name (and subject); an error where there is none or several."""
        found = [i for i in self.items if i.name == name and subject in (None, i.subject)]
        if len(found) != 1:
            known = ", ".join(f"{i.name}[{i.subject}]" for i in self.items) or "none"
            raise LookupError(f"{len(found)} parameters are {name} {subject or ''}; known: {known}")
        return found[0]

    def to_list(self) -> list[dict[str, Any]]:
        """Plain records."""
        return [asdict(i) for i in self.items]

    def to_frame(self) -> pandas.DataFrame:
        """One row a parameter."""
        import pandas

        return pandas.DataFrame(self.to_list())

    def __repr__(self) -> str:
        lines = [str(i) for i in self.items] or ["no clock parameter, direction or covariate"]
        return "\n".join([*lines, *(f"note: {n}" for n in self.notes)])


def prior_moments(column: Column) -> tuple[float, float]:
    """Mean and standard deviation of a column's prior, cut off at its limits."""
    if not column.bounded:
        return column.mean, column.sd
    from scipy.special import ndtri

    from durability.inference.coordinates import cut_off

    drawn = cut_off(column, ndtri((np.arange(4001) + 0.5) / 4001))
    return float(drawn.mean()), float(drawn.std())


def learned(fit: Fit, *, level: float | None = None) -> WhatWasLearned:
    """What the data say of each parameter of the clock, direction and covariate.

    Parameters
    ----------
    fit : the fit.
    level : of the intervals; the fit's by default.

    Returns
    -------
    WhatWasLearned
    """
    level = level or fit.level
    columns = fit.model.columns
    draws = fit.posterior["linear"].values.reshape(fit.n_draws, len(columns))
    found = []
    shown = [j for j, c in enumerate(columns) if c.name not in ("dose_read_off", "pooled")]
    together = _correlations(draws)
    for j in shown:
        column, mine = columns[j], draws[:, j]
        mean, sd = prior_moments(column)
        low, value, high = np.quantile(mine, [0.5 - level / 2, 0.5, 0.5 + level / 2])
        others = [i for i in shown if i != j]
        partner = max(others, key=lambda i: abs(together[i, j]), default=None)
        beyond = partner is not None and abs(together[partner, j]) > CONFUSED
        found.append(
            Learned(
                name=column.name,
                subject=column.subject,
                unit=column.unit,
                prior_mean=mean,
                prior_sd=sd,
                value=float(value),
                low=float(low),
                high=float(high),
                level=level,
                narrowing=float(mine.std() / sd),
                shift=float((mine.mean() - mean) / sd),
                confused_with=columns[partner].label if beyond else None,  # pyright: ignore
                correlation=float(together[partner, j]) if partner is not None else 0.0,
            )
        )
    return WhatWasLearned(tuple(found), (*fit.model.notes, *_clock_warnings(fit, found)))


def _clock_warnings(fit: Fit, found: Sequence[Learned]) -> list[str]:
    """What the exposures cannot tell of each clock, and how far each parameter left its prior."""
    of: dict[str, dict[str, None]] = {}
    for material in fit.materials:
        polymer = fit.study.materials[material].polymer or "unknown"
        of.setdefault(polymer, {}).update(dict.fromkeys(clock_flags(fit, material)))
    words = []
    for polymer, flags in of.items():
        mine = [i for i in found if i.name in CLOCK and i.subject == polymer]
        moved = "; ".join(
            f"the {i.name.replace('_', ' ')} moved from its prior by {i.shift:+.1f} of the prior's"
            f" standard deviations and kept {100 * min(i.narrowing, 1.0):.0f} % of its width"
            for i in mine
        )
        if "clock_not_told_apart" in flags:
            words.append(
                f"temperature and irradiance of {polymer} changed together over the exposures, so"
                " that strips do not tell activation energy and reciprocity exponent apart:"
                f" {moved}; an exposure in which one changes and the other does not would tell"
            )
        elif flags:
            names = " and ".join(
                i.name.replace("_", " ") for i in mine if i.narrowing > TOLD_LITTLE
            )
            words.append(
                f"the exposures of {polymer} differ too little, or in too few settings, to say much"
                f" of the {names}: {moved}"
            )
    return words


def clock_flags(fit: Fit, material: str) -> list[str]:
    """Flags of a material whose activation energy and reciprocity exponent are in the model."""
    polymer = fit.study.materials[material].polymer or "unknown"
    place = {c.name: j for j, c in enumerate(fit.model.columns)
             if c.name in CLOCK and c.subject == polymer}  # fmt: skip
    if not place:
        return []
    draws = fit.posterior["linear"].values.reshape(fit.n_draws, len(fit.model.columns))
    flags = []
    for j in place.values():
        if draws[:, j].std() > TOLD_LITTLE * prior_moments(fit.model.columns[j])[1]:
            flags.append("clock_from_prior")
    if len(place) == 2:
        a, b = (draws[:, j] for j in place.values())
        confused = abs(float(np.corrcoef(a, b)[0, 1])) > CONFUSED
        if confused or collinear(fit.model, material, *place.values()):
            flags.append("clock_not_told_apart")
    return flags


def collinear(model: Model, material: str, first: int, second: int) -> bool:
    """Whether two columns change together over a material's exposures, whatever strips would say.

    Settings are compared within each family of exposures, whose threshold dose is free.
    """
    rows: dict[str, list[np.ndarray]] = {}
    for (m, _, x), (_, design) in model.conditions.items():
        if m == material:
            rows.setdefault(model.families[x], []).append(design[[first, second]])
    centred = np.concatenate([np.array(r) - np.mean(r, axis=0) for r in rows.values()])
    size = np.sqrt((centred**2).sum(axis=0))
    if (size < 1e-9).any():
        return False
    return bool(abs(centred[:, 0] @ centred[:, 1]) > COLLINEAR * size.prod())


def _correlations(draws: np.ndarray) -> np.ndarray:
    if draws.shape[1] < 2:
        return np.eye(draws.shape[1])
    centred = draws - draws.mean(axis=0)
    size = np.sqrt((centred**2).sum(axis=0))
    return (centred.T @ centred) / np.maximum(np.outer(size, size), 1e-300)
