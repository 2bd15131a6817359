"""In which coordinates is an exposure's dose linear? Takes up the quadratic terms of its clock.

What strips tell well is the effective dose of each exposure beside another's, which is a sum of
products of columns: a thin curved sheet. In y it is flat. The main effect of a product takes up the
whole log dose of one exposure, so that it and its lots stand for what strips tell there and not for
the reference conditions; where products are pooled, so does the level that they share. Of any other
exposure, a column that acts on it alone (how warm its specimens are) stands for its log dose beside
that one:

    gain t + bow t^2 = y - at - shift,   t = column - at, shift = products of the others / slope,
                                         gain = its coefficient / slope, bow = its square's / slope

A column whose prior is cut off at limits is sampled as a normal score, in which its value bends:
its linear term is taken up too.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from durability.inference.model import Model

SMALLEST_GAIN = 0.15  # over the others' priors; below, a column cannot stand for the dose
WIDE_ENOUGH = 0.02  # sd of log dose that a column brings; strips tell a log dose about as well

Pairs = dict[tuple[int, int], float]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Straight:
    """Terms for the kernel.

    Parameters
    ----------
    shear : (n, 4) place in theta of a column or main effect, column, column (-1 for none); 1 for
        what is moved last: main effects, and the level that they are pooled about.
    shear_number : (n,) coefficients of the products.
    gain : (n, 2) column, other column (or itself).
    gain_number : (n,) change of the gain by the other (bow).
    """

    shear: np.ndarray
    shear_number: np.ndarray
    gain: np.ndarray
    gain_number: np.ndarray


def straightened(model: Model, at: np.ndarray, first_main: int) -> Straight:
    """How columns and main effects take up the quadratic terms.

    Parameters
    ----------
    model : of the study.
    at : (n_column,) values about which the terms are taken.
    first_main : place of the first main effect in theta.
    """
    shear: list[tuple[int, int, int, int]] = []
    number: list[float] = []
    gain: list[tuple[int, int]] = []
    rate: list[float] = []
    if model.bow.size or any(c.bounded for c in model.columns):
        _take_up(model, at, first_main, shear, number, gain, rate)
    return Straight(
        shear=np.array(shear, dtype=np.int64).reshape(-1, 4),
        shear_number=np.array(number, dtype=float),
        gain=np.array(gain, dtype=np.int64).reshape(-1, 2),
        gain_number=np.array(rate, dtype=float),
    )


def _take_up(
    model: Model, at: np.ndarray, first_main: int, shear: list[Any], number: list[float],
    gain: list[Any], rate: list[float],
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
        for j in np.flatnonzero(touched[x]):
            if model.columns[j].bounded:
                pairs[x][(int(j), -1)] = float(slope[x][j])
    width = np.array([c.sd for c in model.columns])
    # what each main effect's exposures are, and the one of a family that most products share
    main = np.where(model.cell_dose > 0, model.cell_index[:, 1], -1)
    held = [[str(x) for x in names[main == c]] for c in range(len(model.mains))]
    base: dict[str, str] = {}
    for family in {f for _, f in model.mains}:
        of = [x for x in pairs if model.families[x] == family]
        base[family] = max(of, key=lambda x: sum(x in exposures for exposures in held))
    pivots: dict[str, int] = {}
    for x in pairs:
        if x in base.values():
            continue
        others = [touched[o] for o in pairs if o != x]
        alone = touched[x] & ~np.any(others, axis=0)
        fit = [
            j
            for j in np.flatnonzero(alone).tolist()
            if _can_stand(model, at, pairs[x], slope[x], j)
        ]
        if fit:
            pivots[x] = max(fit, key=lambda j: abs(slope[x][j]) * width[j])
    taken = set(pivots.values())
    for x, pivot in pivots.items():
        beside = pairs[base[model.families[x]]]
        for i, j in dict.fromkeys([*pairs[x], *beside]):
            value = pairs[x].get((i, j), 0.0)
            if pivot in (i, j):
                if not {i, j} & (taken - {pivot}):
                    gain.append((pivot, j if i == pivot else i))
                    rate.append(value / slope[x][pivot])
            elif not {i, j} & taken:
                shear.append((pivot, i, j, 0))
                number.append((value - beside.get((i, j), 0.0)) / slope[x][pivot])
    moved = [
        (first_main + c, [base[family]] if base[family] in held[c] else held[c])
        for c, (_, family) in enumerate(model.mains)
    ]
    moved += [
        (j, [base[column.subject]])
        for j, column in enumerate(model.columns)
        if column.name == "pooled" and column.subject in base
    ]
    for place, its in moved:
        mean: Pairs = {}
        for x in its:
            for j in np.flatnonzero(slope[x]).tolist():
                mean[(j, -1)] = mean.get((j, -1), 0.0) + float(slope[x][j]) / len(its)
            for pair, value in pairs[x].items():
                if pair[1] >= 0:
                    mean[pair] = mean.get(pair, 0.0) + value / len(its)
        for (i, j), value in mean.items():
            shear.append((place, i, j, 1))
            number.append(value)


def _can_stand(model: Model, at: np.ndarray, pairs: Pairs, slope: np.ndarray, j: int) -> bool:
    """Whether a column can stand for an exposure's dose: wide, and its coefficient keeps its sign.

    A pivot of another exposure may turn out among `pairs`; then its term is left where it is.
    """
    column = model.columns[j]
    if column.bounded or slope[j] == 0:
        return False
    least = 1.0
    for (i, k), value in pairs.items():
        if i == k == j:
            least -= 8 * abs(value / slope[j]) * column.sd  # twice, over four sds
        elif j in (i, k):
            other = model.columns[k if i == j else i]
            reach = 4 * other.sd
            ends = np.array(
                [max(other.low, other.mean - reach), min(other.high, other.mean + reach)]
            )
            least += (value / slope[j] * (ends - at[k if i == j else i])).min()
    return bool(least > SMALLEST_GAIN and abs(slope[j]) * column.sd > WIDE_ENOUGH)
