"""In which coordinates is an exposure's dose linear? Takes up the quadratic terms of its clock.

What strips tell well is the effective dose of each exposure, which is a sum of products of columns:
a thin curved sheet. In y a column that acts on one exposure alone (how warm its specimens are)
stands for that exposure's whole log dose, and the sheet is flat:

    column = at + (y - at - shift) / gain,   shift = products of the others / slope,
                                             gain = its coefficient / slope

An exposure without such a column shifts the main effects instead.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from durability.inference.model import Model

SMALLEST_GAIN = 0.15  # over the others' priors; below, a column cannot stand for the dose
WIDE_ENOUGH = 0.5  # sd that a column brings, over that of the products it would take up

Pairs = dict[tuple[int, int], float]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Straight:
    """Terms for the kernel.

    Parameters
    ----------
    shear : (n, 3) place in theta of a column or main effect, column, column.
    shear_number : (n,) coefficients of the products.
    gain : (n, 2) column, other column.
    gain_number : (n,) change of the gain by the other.
    """

    shear: np.ndarray
    shear_number: np.ndarray
    gain: np.ndarray
    gain_number: np.ndarray


def straightened(model: Model, at: np.ndarray) -> Straight:
    """How columns and main effects take up the quadratic terms.

    Parameters
    ----------
    model : of the study.
    at : (n_column,) values about which the terms are taken.
    """
    shear: list[tuple[int, int, int]] = []
    number: list[float] = []
    gain: list[tuple[int, int]] = []
    rate: list[float] = []
    if model.bow.size:
        _take_up(model, at, shear, number, gain, rate)
    return Straight(
        shear=np.array(shear, dtype=np.int64).reshape(-1, 3),
        shear_number=np.array(number, dtype=float),
        gain=np.array(gain, dtype=np.int64).reshape(-1, 2),
        gain_number=np.array(rate, dtype=float),
    )


def _take_up(
    model: Model, at: np.ndarray, shear: list[Any], number: list[float], gain: list[Any],
    rate: list[float],
) -> None:  # fmt: skip
    names = np.array(model.cell_exposure)
    pairs: dict[str, Pairs] = {}
    slope: dict[str, np.ndarray] = {}
    touched: dict[str, np.ndarray] = {}
    for x in dict.fromkeys(n for n in model.cell_exposure if n):
        cells = np.flatnonzero(names == x)
        pairs[x] = {}
        slope[x] = -model.design[cells].mean(axis=0)  # of log effective dose
        touched[x] = (model.design[cells] != 0).any(axis=0)
        for g in cells:
            for b in range(*model.bow_range[g]):
                i, j = (int(n) for n in model.bow_index[b])
                share = model.bow[b] / cells.size
                pairs[x][(i, j)] = pairs[x].get((i, j), 0.0) + share
                slope[x][i] += share * at[j]
                slope[x][j] += share * at[i]
                touched[x][[i, j]] = True
    width = np.array([c.sd for c in model.columns])
    pivots: dict[str, int] = {}
    for x in pairs:
        others = [touched[o] for o in pairs if o != x]
        alone = touched[x] & ~np.any(others, axis=0) if others else touched[x]
        fit = [
            j
            for j in np.flatnonzero(alone).tolist()
            if _can_stand(model, at, pairs[x], slope[x], j)
        ]
        if fit:
            pivots[x] = max(fit, key=lambda j: abs(slope[x][j]) * width[j])
    taken = set(pivots.values())
    common: dict[str, Pairs] = {}
    for family in {model.families[x] for x in pairs}:
        rest = [x for x in pairs if model.families[x] == family and x not in pivots]
        common[family] = {}
        for x in rest:
            for (i, j), value in pairs[x].items():
                if not {i, j} & taken:
                    common[family][(i, j)] = common[family].get((i, j), 0.0) + value / len(rest)
        first_main = model_main(model)
        for c, (_, of) in enumerate(model.mains):
            if of == family:
                for (i, j), value in common[family].items():
                    shear.append((first_main + c, i, j))
                    number.append(value)
    for x, pivot in pivots.items():
        shared = common[model.families[x]]
        for i, j in pairs[x].keys() | shared.keys():
            value = pairs[x].get((i, j), 0.0)
            if pivot in (i, j):
                if i != j and not {i, j} & (taken - {pivot}):
                    gain.append((pivot, j if i == pivot else i))
                    rate.append(value / slope[x][pivot])
            elif not {i, j} & taken:
                shear.append((pivot, i, j))
                number.append((value - shared.get((i, j), 0.0)) / slope[x][pivot])


def _can_stand(model: Model, at: np.ndarray, pairs: Pairs, slope: np.ndarray, j: int) -> bool:
    """Whether a column can stand for an exposure's dose: wide, and its coefficient keeps its sign.

    A pivot of another exposure may turn out among `pairs`; then its term is left where it is.
    """
    column = model.columns[j]
    if column.bounded or slope[j] == 0:
        return False
    least, products = 1.0, 0.0
    for (i, k), value in pairs.items():
        if j not in (i, k):
            products += (value * model.columns[i].sd * model.columns[k].sd) ** 2
        elif i != k:
            other = model.columns[k if i == j else i]
            reach = 4 * other.sd
            ends = np.array(
                [max(other.low, other.mean - reach), min(other.high, other.mean + reach)]
            )
            least += (value / slope[j] * (ends - at[k if i == j else i])).min()
    wide = abs(slope[j]) * column.sd >= WIDE_ENOUGH * np.sqrt(products)
    return bool(least > SMALLEST_GAIN and wide)


def model_main(model: Model) -> int:
    """Place of the first main effect in theta."""
    from durability.inference.coordinates import layout

    return layout(model).main.start
