"""How much would planned strips teach of one number? Its intervals and verdicts in many futures.

Each future takes one posterior draw as true and simulates the strips of a plan from it. The draws,
weighed by the likelihood of those strips, are the posterior that would then be held; its quantiles
and probabilities are read and averaged over the futures. The draw that was true is left out, since
it would speak for itself.

Where a plan teaches so much that few draws keep any weight, the number is regressed on what the
strips show, over one future of every draw (linear in group means and in the squares of their main
directions), and so is the log of the squares that are left: what is left of it, stretched and moved
to where both put it, is the posterior that would then be held. After Strong, Oakley, Brennan and
Breeze 2015, Medical Decision Making 35:570 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from durability.decisions.planned_strips import Block, assumptions, foretold, log_likelihood

Method = Literal["weights", "regression"]
GRID = 400
MAIN = 4  # main directions whose squares enter the regression


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Asked:
    """The number that is asked about, by draw.

    Parameters
    ----------
    log_value : (draw,) its logarithm without the lot's chance; inf where it does not exist.
    spread : (draw,) sd of the lot's chance on the log scale, 0 where there is none.
    required : the value that it is held against, or None.
    """

    log_value: np.ndarray
    spread: np.ndarray
    required: float | None = None

    def grid(self) -> np.ndarray:
        """Logs of values (GRID,) between which everything lies, but draws that do not exist."""
        there = np.isfinite(self.log_value)
        if not there.any():
            raise ValueError("no draw of the posterior reaches what is asked about")
        value, spread = self.log_value[there], self.spread[there]
        return np.linspace((value - 4 * spread).min(), (value + 4 * spread).max(), GRID)

    def below(self, log_value: np.ndarray) -> np.ndarray:
        """Probability (draw, value) of each draw that the number lies at or below some values."""
        from scipy.special import ndtr

        away = np.asarray(log_value) - self.log_value[:, None]
        with np.errstate(divide="ignore", invalid="ignore"):
            score = away / self.spread[:, None]
        chance = self.spread[:, None] > 0
        return np.where(chance, ndtr(np.where(chance, score, 0.0)), away >= 0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Futures:
    """What would be held of a number in each future.

    Parameters
    ----------
    half_width : (future,) log of the factor of the interval, either way.
    low, middle, high : (future,) logs of limits and median.
    above : (future,) probability that the number lies above what is required; nan without.
    truths : (future,) draw that was true.
    effective : median number of draws that keep weight.
    method : how the draws were updated.
    """

    half_width: np.ndarray
    low: np.ndarray
    middle: np.ndarray
    high: np.ndarray
    above: np.ndarray
    truths: np.ndarray
    effective: float
    method: Method

    @property
    def rough(self) -> bool:
        """Few draws agree with a future."""
        return self.effective < assumptions()["reading"]["rough_below"]


def futures(
    blocks: list[Block],
    asked: Asked,
    *,
    level: float,
    seed: int,
    count: int | None = None,
    method: Method | None = None,
) -> Futures:
    """Simulate futures of a plan.

    Parameters
    ----------
    blocks : of the plan, from `Outlook.blocks`.
    asked : the number.
    level : of its interval.
    seed : the same seed gives all plans the same truths.
    count : futures; None takes that of models/planning.toml.
    method : None weighs draws where enough of them keep weight, else regresses.
    """
    rules = assumptions()["reading"]
    number = int(rules["futures"]) if count is None else count
    size = asked.log_value.size
    truths = truths_of(size, number, seed)
    rng = np.random.default_rng([seed, 90125])
    if method == "regression":
        return _by_regression(blocks, asked, level, truths, rng, 0.0)
    log_weight = log_likelihood(blocks, foretold(blocks, truths, rng))
    log_weight[np.arange(number), truths] = -np.inf
    weight = _normalised(log_weight)
    effective = float(np.median(1 / (weight**2).sum(1)))
    if method is None and effective < rules["least_effective"]:
        return _by_regression(blocks, asked, level, truths, rng, effective)
    return read_weights(weight, asked, level, truths, effective)


def truths_of(size: int, count: int, seed: int) -> np.ndarray:
    """Draws (count,) that are taken as true, spread evenly over all of them."""
    rng = np.random.default_rng([seed, 1492])
    if count <= size:
        return rng.permutation(size)[:count]
    return rng.integers(size, size=count)


def _normalised(log_weight: np.ndarray) -> np.ndarray:
    weight = np.exp(log_weight - log_weight.max(1, keepdims=True))
    return weight / weight.sum(1, keepdims=True)


def read_weights(
    weight: np.ndarray, asked: Asked, level: float, truths: np.ndarray, effective: float
) -> Futures:
    """What is held of a number under weights (future, draw) of the draws."""
    grid = asked.grid()
    cdf = weight @ asked.below(grid)
    tails = np.array([0.5 - level / 2, 0.5, 0.5 + level / 2])
    found = np.array([np.interp(tails, row, grid) for row in cdf])
    above = np.full(truths.size, np.nan)
    if asked.required is not None:
        above = 1 - (weight @ asked.below(np.log([asked.required])))[:, 0]
    # a spread found from so many draws is too small by this; one draw has none at all
    few = np.sqrt(np.clip(1 - (weight**2).sum(1), 0.1, 1)) if not asked.spread.any() else 1.0
    return Futures(
        half_width=(found[:, 2] - found[:, 0]) / 2 / few, low=found[:, 0], middle=found[:, 1],
        high=found[:, 2], above=above, truths=truths, effective=effective, method="weights",
    )  # fmt: skip


def _by_regression(
    blocks: list[Block],
    asked: Asked,
    level: float,
    truths: np.ndarray,
    rng: np.random.Generator,
    effective: float,
) -> Futures:
    """Regress the number on what a future of every draw shows."""
    size = asked.log_value.size
    shown = foretold(blocks, np.arange(size), rng)
    features = _features(blocks, shown.means, shown.squares)
    grid = asked.grid()
    chance = asked.spread * rng.standard_normal(size)
    value = np.where(np.isfinite(asked.log_value), asked.log_value, grid[-1]) + chance
    coefficients, *_ = np.linalg.lstsq(features, value, rcond=None)
    fitted = features @ coefficients
    lost = size / max(size - features.shape[1], 1)
    rest = (value - fitted) * np.sqrt(lost)
    log_square = np.log(rest**2 + 1e-6 * rest.var())
    coefficients, *_ = np.linalg.lstsq(features, log_square, rcond=None)
    stretch = np.exp((features @ coefficients - log_square.mean()) / 2)
    rest = rest / stretch
    tails = np.quantile(rest, [0.5 - level / 2, 0.5, 0.5 + level / 2])
    middle, stretch = fitted[truths], stretch[truths]
    above = np.full(truths.size, np.nan)
    if asked.required is not None:
        ordered = np.sort(rest)
        gap = (np.log(asked.required) - middle) / stretch
        above = 1 - np.searchsorted(ordered, gap, side="right") / size
    return Futures(
        half_width=stretch * (tails[2] - tails[0]) / 2, low=middle + stretch * tails[0],
        middle=middle + stretch * tails[1], high=middle + stretch * tails[2], above=above,
        truths=truths, effective=effective, method="regression",
    )  # fmt: skip


def _features(
    blocks: list[Block], means: tuple[np.ndarray, ...], squares: tuple[np.ndarray, ...]
) -> np.ndarray:
    """What a future shows, as columns of a regression (draw, feature).

    Lots that are planned alike enter by the mean of each group over them, and by the log of how
    much they differ; the others group by group.
    """
    places: dict[int, list[int]] = {}
    for k, b in enumerate(blocks):
        places.setdefault(id(b), []).append(k)
    columns, freedom = [], 0
    total = np.zeros(len(means[0]))
    for same in places.values():
        several = np.stack([means[k] for k in same])
        columns.append(several.mean(0))
        if len(same) > 1:
            columns.append(np.log(several.var(0).mean(1) + 1e-12)[:, None])
        total += sum(squares[k] for k in same)
        freedom += sum(blocks[k].freedom for k in same)
    if freedom:
        columns.append(np.log(total)[:, None])
    plain = np.hstack(columns)
    plain = (plain - plain.mean(0)) / np.maximum(plain.std(0), 1e-12)
    left, sizes, _ = np.linalg.svd(plain, full_matrices=False)
    main = left[:, : min(MAIN, sizes.size)] * np.sqrt(len(plain))
    pairs = [main[:, a] * main[:, b] for a in range(main.shape[1]) for b in range(a + 1)]
    return np.column_stack([np.ones(len(plain)), plain, *pairs])


__all__ = ["Asked", "Futures", "Method", "futures", "read_weights", "truths_of"]
