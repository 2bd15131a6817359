"""What do the data say of everything linear, to second order, whatever the spreads?

    log density ~ - v C v / 2 + sum over terms of the spreads,   v = x - origin

of x: log shapes, log spreads of strips, main effects, unexposed strengths, effects, and columns
that enter their exposures straight. C holds what does not depend on a spread: the weight of each
cell's strips, of inspections and declared values, and priors. What depends on a spread is a term of
its own: an effect or a main effect about its line (weight 1 / w^2), and the strength of a series,
which is integrated out with a spread that varies.

The kernel makes of it the conditional mean and spread of x at the current spreads. Rows and columns
are ordered so that the triangular root of C has few entries: what belongs to a lot together, then
what belongs to its product, then what all share. It only sets coordinates; the density is exact.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from durability.inference.coordinates import (
    Layout,
    column_values,
    layout,
    log_curve,
    own_values,
    plain_priors,
    spread_of_score,
    spread_priors,
)
from durability.inference.model import Model, relative_spread
from durability.inference.straight import Straight

if TYPE_CHECKING:
    from scipy.sparse import csr_array

EFFECT, SERIES = 0, 1  # kinds of terms; the kernel knows them by number
STEP = 1e-4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Quadratic:
    """The approximation, as the kernel reads it.

    Parameters
    ----------
    inner : (n,) places in theta, in their order.
    origin : (n,) values there.
    outer : (m,) places of the columns that bend; outer_at : their values at the origin.
    follow : (m, n) of C, how the lean moves with them.
    first : (n,) first entry of each row of the triangular matrix.
    curvature : rows of C one after the other, from the first entry to the diagonal.
    lean : (n,) slope at the origin, terms apart.
    term : (t, 2) kind, place of the spread.
    term_number : (t, 2) m and c.
    term_range : (t, 3) first in `entry`, first of outer columns, end.
    entry, entry_value : places in `inner`, rising, then in `outer`, and coefficients of each term.
    """

    inner: np.ndarray
    origin: np.ndarray
    outer: np.ndarray
    outer_at: np.ndarray
    follow: np.ndarray
    first: np.ndarray
    curvature: np.ndarray
    lean: np.ndarray
    term: np.ndarray
    term_number: np.ndarray
    term_range: np.ndarray
    entry: np.ndarray
    entry_value: np.ndarray

    @property
    def row(self) -> np.ndarray:
        """(n,) place of the (absent) column 0 of each row in `curvature`."""
        size = np.arange(self.first.size) - self.first + 1
        return np.cumsum(size) - size - self.first


def nothing() -> Quadratic:
    """No coordinate is linear."""
    whole, number = np.zeros(0, dtype=np.int64), np.zeros(0)
    return Quadratic(
        inner=whole, origin=number, outer=whole, outer_at=number, follow=number, first=whole,
        curvature=number, lean=number,
        term=whole.reshape(0, 2), term_number=number.reshape(0, 2),
        term_range=whole.reshape(0, 3), entry=whole, entry_value=number,
    )  # fmt: skip


def outer_columns(model: Model, taken: Straight) -> np.ndarray:
    """(n_column,) True for columns that bend something before the rest is known, and are bent."""
    outer = np.array([c.bounded for c in model.columns], dtype=bool)
    for j, *inputs, last in taken.shear.tolist():
        if not last:
            outer[[j, *(i for i in inputs if i >= 0)]] = True
    outer[taken.gain.ravel()] = True
    return outer


def quadratic(model: Model, taken: Straight, theta: np.ndarray) -> Quadratic:
    """The approximation about a point that is the mode for its own spreads.

    Parameters
    ----------
    model : of the study.
    taken : what main effects and columns take up (`durability.inference.straight`).
    theta : (n_y,) the point, plain parameters.
    """
    from scipy.sparse import diags_array, vstack

    lay = layout(model)
    at = _Point(model, lay, theta)
    straight = _straight(lay, taken, at.by_score)
    cells = _csr(at.cells() @ straight)
    weight, lean = at.strips()
    # readings of a specimen share its own departure; the strips of a series share the lot's
    part = _members(model.sub_range, weight.size)
    own2 = np.exp(2 * at.log_spread[at.product_of_subs()])
    kept = 1 / (1 + own2 * (part @ weight))  # what its departure leaves of a specimen's weight
    sub_rows = _csr(part @ diags_array(weight) @ cells)
    left = weight * (1 - part.T @ (1 - kept))
    of_series = _members(model.series_index[:, 2:4], weight.size)
    of_series = of_series + _members(model.series_index[:, 4:6], kept.size) @ part
    rows = _csr(of_series @ diags_array(left) @ cells)
    shared, told = of_series @ left, of_series @ (left * lean)
    words, by_words = at.words(straight)
    beliefs, strength = at.beliefs(straight)
    keep = np.ones(lay.size, dtype=bool)
    keep[lay.reading.start : lay.main.start] = False
    outer = np.flatnonzero(outer_columns(model, taken))
    keep[outer] = False
    fixed = _csr(vstack([cells, words, beliefs]))
    by_fixed = np.concatenate([weight, by_words, strength])
    terms = at.terms(straight)
    if not lay.start_fixed:
        apart = model.series_index[:, 9] >= 0  # a parameter of its own
        for s in np.flatnonzero((model.series_index[:, 1] >= 0) & ~apart & (shared > 0)):
            its = slice(rows.indptr[s], rows.indptr[s + 1])
            terms.append(
                (SERIES, lay.n_family, shared[s], told[s], rows.indices[its], rows.data[its])
            )
    order = _order(model, lay, keep)
    place = np.full(lay.size, -1)
    place[order] = np.arange(order.size)
    column = np.full(lay.size, -1)
    column[outer] = np.arange(outer.size)
    found = [(place[i], v) for *_, i, v in terms]
    first = np.arange(order.size)
    for pattern in (fixed, sub_rows, rows):
        row = np.repeat(np.arange(len(pattern.indptr) - 1), np.diff(pattern.indptr))
        _reach(first, row, place[pattern.indices])
    if terms:
        row = np.repeat(np.arange(len(terms)), [i.size for i, _ in found])
        _reach(first, row, np.concatenate([i for i, _ in found]))
    size = np.arange(order.size) - first + 1
    row_at = np.cumsum(size) - size - first
    curvature = np.zeros(size.sum())
    square = _csr(fixed.T @ diags_array(by_fixed) @ fixed)
    square = square - sub_rows.T @ diags_array(own2 * kept) @ sub_rows
    square = square.tocoo()
    i, j = place[square.row], place[square.col]
    follow, k = np.zeros((outer.size, order.size)), column[square.col]
    both = (i >= 0) & (k >= 0)
    np.add.at(follow, (k[both], i[both]), square.data[both])
    lower = (i >= j) & (j >= 0)
    np.add.at(curvature, row_at[i[lower]] + j[lower], square.data[lower])
    lean = np.zeros(order.size)
    entry: list[np.ndarray] = [np.zeros(0, dtype=np.int64)]
    value, number, ranges, used = [np.zeros(0)], [], [], 0
    spread2 = at.spreads**2
    for (kind, family, m, c, place_of, v), (where, _) in zip(terms, found, strict=True):
        inside = np.flatnonzero(where >= 0)
        inside = inside[np.argsort(where[inside])]
        beside = np.flatnonzero(column[place_of] >= 0)
        w2 = spread2[family]
        weight = 1 / w2 if kind == EFFECT else -w2 / (1 + m * w2)
        lean[where[inside]] -= weight * c * v[inside]
        entry += [where[inside], column[place_of[beside]]]
        value += [v[inside], v[beside]]
        number.append((m, c))
        ranges.append((used, used + inside.size, used + inside.size + beside.size))
        used = ranges[-1][2]
    return Quadratic(
        inner=order,
        origin=theta[order],
        outer=outer,
        outer_at=theta[outer],
        follow=follow,
        first=first,
        curvature=curvature,
        lean=lean,
        term=np.array([t[:2] for t in terms], dtype=np.int64).reshape(-1, 2),
        term_number=np.array(number).reshape(-1, 2),
        term_range=np.array(ranges, dtype=np.int64).reshape(-1, 3),
        entry=np.concatenate(entry),
        entry_value=np.concatenate(value),
    )


Term = tuple[int, int, float, float, np.ndarray, np.ndarray]


class _Point:
    """The model at one point: slopes of cells, weights of what was found there."""

    def __init__(self, model: Model, lay: Layout, theta: np.ndarray) -> None:
        self.model, self.lay, self.theta = model, lay, theta
        self.beta = column_values(model, theta)
        up, down = column_values(model, theta + STEP), column_values(model, theta - STEP)
        self.by_score = (up - down) / (2 * STEP)  # 1 save where a prior is cut off
        self.log_spread, self.log_shape = own_values(model, theta)
        names = spread_priors(model)
        score = theta[lay.scale.start : lay.main.start]
        self.spreads = np.array(
            [float(spread_of_score(s, n)) for s, n in zip(score, names, strict=True)]
        )
        curve = log_curve(model, theta)
        self.curve = np.where(np.isfinite(curve), curve, math.log(model.law.floor))

    def _slope(self, places: Any) -> np.ndarray:
        up, down = self.theta.copy(), self.theta.copy()
        up[places] += STEP
        down[places] -= STEP
        with np.errstate(invalid="ignore"):
            slope = (log_curve(self.model, up) - log_curve(self.model, down)) / (2 * STEP)
        return np.where(np.isfinite(slope), slope, 0.0)

    def curves(self) -> csr_array:
        """(cell, theta) slopes of the log retained fraction."""
        model, lay = self.model, self.lay
        n = self.curve.size
        by_log_tau = self._slope(np.arange(lay.main.start, lay.main.stop))
        lit = np.flatnonzero(np.isfinite(model.log_dose))
        p, main = model.cell_index[lit, 0], model.cell_index[lit, 1]
        row, place, value = [lit], [lay.main.start + main], [by_log_tau[lit]]
        for effect in model.cell_effect[lit].T:
            has = effect >= 0
            row.append(lit[has])
            place.append(lay.effect.start + effect[has])
            value.append(by_log_tau[lit[has]])
        cell, column = np.nonzero(model.design)
        row.append(cell)
        place.append(column)
        value.append(by_log_tau[cell] * model.design[cell, column] * self.by_score[column])
        of_bow = np.repeat(np.arange(n), np.diff(model.bow_range, axis=1).ravel())
        for a, b in ((0, 1), (1, 0)):
            if of_bow.size:
                row.append(of_bow)
                i, j = model.bow_index[:, a], model.bow_index[:, b]
                place.append(i)
                value.append(-by_log_tau[of_bow] * model.bow * self.beta[j] * self.by_score[i])
        for k in range(lay.n_shape):
            slope = self._slope(np.arange(lay.shape.start + k, lay.shape.stop, lay.n_shape))[lit]
            row.append(lit)
            place.append(lay.shape.start + model.own_slot[p, 0] * lay.n_shape + k)
            value.append(slope)
            effect = model.own_effect[p, 1 + k]
            has = effect >= 0
            row.append(lit[has])
            place.append(lay.effect.start + effect[has])
            value.append(slope[has])
        return _rows(row, place, value, (n, lay.size))

    def cells(self) -> csr_array:
        """(cell, theta) slopes of the log strength of the series in that cell."""
        model, lay = self.model, self.lay
        n = self.curve.size
        series = self.series_of_cells()
        seen = np.flatnonzero(series >= 0)
        start = model.series_index[series[seen], 1]
        has = (start >= 0) & ~np.array(lay.start_fixed)
        row, place = [seen[has]], [lay.start.start + start[has]]
        for effect in model.series_index[series[seen], 8:].T:
            has = effect >= 0
            row.append(seen[has])
            place.append(lay.effect.start + effect[has])
        one = [np.ones(r.size) for r in row]
        return self.curves() + _rows(row, place, one, (n, lay.size))

    def series_of_cells(self) -> np.ndarray:
        """(cell,) the series of each cell."""
        model = self.model
        out = np.full(self.curve.size, -1)
        for s, row in enumerate(model.series_index):
            out[row[2] : row[3]] = s
            for first, end in model.sub_range[row[4] : row[5]]:
                out[first:end] = s
        return out

    def product_of_subs(self) -> np.ndarray:
        """(sub,) the product of each specimen that was read."""
        return self.model.cell_index[self.model.sub_range[:, 0], 0]

    def strips(self) -> tuple[np.ndarray, np.ndarray]:
        """(cell,) weight and mean departure of strips and readings, censored ones included."""
        model, lay = self.model, self.lay
        product, series = model.cell_index[:, 0], self.series_of_cells()
        noise = self.log_spread[product]
        read = np.zeros(noise.size, dtype=bool)
        for first, end in model.sub_range:
            read[first:end] = True
        if lay.n_reading:
            noise = np.where(read, self.theta[lay.reading][model.reading_index[product]], noise)
        effect = np.append(self.theta[lay.effect], 0.0)  # the last entry serves no effect
        index = model.series_index[series]
        start = np.append(self.theta[lay.start], 0.0)  # nor does this one
        mu = start[index[:, 1]] if model.start_known is None else model.start_known
        mu = mu + effect[index[:, 8]] + effect[index[:, 9]]
        if model.errors == "power":
            noise = noise + np.log(relative_spread(np.exp(self.curve), self.theta[lay.error][0]))
        noise2, n = np.exp(2 * noise), model.count
        if model.errors == "student":  # information on a mean, of so many degrees of freedom
            freedom = math.exp(self.theta[lay.error][0])
            noise2 = noise2 * (freedom + 3) / (freedom + 1)
        weight = n / (noise2 + n * model.extra)
        if model.on_logs:
            level, gap, scale = self.curve, model.mean - mu - self.curve, 1.0
        else:
            level = np.exp(self.curve)
            gap, scale = model.mean * np.exp(-mu) / np.maximum(level, 1e-12) - 1, level
            weight = weight * level**2
        weight = np.where((series >= 0) & ((index[:, 1] >= 0) | lay.start_fixed), weight, 0.0)
        pull = weight * np.where(n > 0, gap, 0.0)
        if model.censored_limit.size:
            cell, sign = model.censored_index.T
            sd = np.exp(noise[cell])
            if model.on_logs:
                away, lean = model.censored_limit - mu[cell] - level[cell], 1.0
            else:
                away = model.censored_limit * np.exp(-mu[cell]) - level[cell]
                lean = np.asarray(scale)[cell]
            slope, bend = _tail(-sign * away / sd)
            np.add.at(weight, cell, bend * (lean / sd) ** 2)
            np.add.at(pull, cell, slope * sign * lean / sd)
        return weight, np.divide(pull, weight, out=np.zeros_like(pull), where=weight > 0)

    def words(self, straight: Any) -> tuple[csr_array, np.ndarray]:
        """Rows (n, theta) and weights of inspections and declared values."""
        from scipy.sparse import vstack
        from scipy.special import log_ndtr

        model, lay = self.model, self.lay
        normal = not model.on_logs
        rows = [_rows([], [], [], (0, lay.size))]
        weights: list[float] = []
        if len(model.inspected_index) or len(model.declared_index):
            curves = _csr(self.curves() @ straight)
        for (low, high, start), (limit, n) in zip(
            model.inspected_index, model.inspected_number, strict=True
        ):
            by_start = _rows([], [], [], (1, lay.size))
            if start >= 0:
                mu = self.theta[lay.start][start]
                limit = limit * math.exp(-mu) if normal else limit - mu
                by_start = _rows(
                    [np.array([0])], [np.array([lay.start.start + start])],
                    [np.array([limit if normal else 1.0])], (1, lay.size),
                )  # fmt: skip
            sd = math.exp(self.log_spread[model.cell_index[max(low, high), 0]])
            ends, looks = [], []
            for cell in (low, high):
                if cell < 0:
                    continue
                level = math.exp(self.curve[cell]) if normal else self.curve[cell]
                looks.append((curves[[cell]] * (level if normal else 1.0) + by_start) / sd)
                ends.append((level - limit) / sd)
            a, b = (ends[0] if low >= 0 else np.inf), (ends[-1] if high >= 0 else -np.inf)
            flip = a > 0 and b > 0
            upper, lower = (-b, -a) if flip else (a, b)
            top = float(log_ndtr(upper))
            inside = top + math.log(max(-math.expm1(float(log_ndtr(lower)) - top), 1e-300))
            slopes = [
                sign * math.exp(-0.5 * e * e - 0.918938533204673 - inside)
                for e, sign in ((a, 1), (b, -1)) if math.isfinite(e)
            ]  # fmt: skip
            bend = np.outer(slopes, slopes) + np.diag(np.multiply(ends, slopes))
            values, vectors = np.linalg.eigh(np.minimum(bend, 1e8))
            for v, vector in zip(values, vectors.T, strict=True):
                if v > 0:
                    rows.append(_csr(sum(x * r for x, r in zip(vector, looks, strict=True))))
                    weights.append(float(v * n))
        for (cell, start), (said, width, skew) in zip(
            model.declared_index, model.declared_number, strict=True
        ):
            row = curves[[cell]]
            left = self.curve[cell] if np.isfinite(model.log_dose[cell]) else 0.0
            if start >= 0:
                left += self.theta[lay.start][start]
                row = row + _rows(
                    [np.array([0])], [np.array([lay.start.start + start])], [np.ones(1)],
                    (1, lay.size),
                )  # fmt: skip
            _, bend = _tail(np.array([skew * (left - said) / width]))
            rows.append(row)
            weights.append((1 + skew**2 * float(bend[0])) / width**2)
        return _csr(vstack(rows)), np.array(weights)

    def _to_asked(self, shift: Any = 0.0) -> np.ndarray:
        """(main,) log threshold dose at the asked fraction less at the anchor, log shapes moved."""
        model, p = self.model, np.asarray(self.model.main_product)
        if model.half_loss:
            return np.zeros(p.size)
        shapes = np.exp(self.log_shape[p] + shift)
        shape: dict[str, Any] = {s.name: shapes[:, i] for i, s in enumerate(model.law.shapes)}
        asked = model.law.inverse(model.fraction, shape)
        return np.log(asked / model.law.inverse(model.anchor[p], shape))

    def _by_shapes(self) -> csr_array:
        """(main, theta) slopes of `_to_asked`."""
        model, lay, p = self.model, self.lay, np.asarray(self.model.main_product)
        row, place, value = [], [], []
        for k in range(lay.n_shape):
            step = STEP * np.eye(1, lay.n_shape, k)
            slope = (self._to_asked(step) - self._to_asked(-step)) / (2 * STEP)
            row.append(np.arange(lay.n_main))
            place.append(lay.shape.start + model.own_slot[p, 0] * lay.n_shape + k)
            value.append(slope)
            effect = model.own_effect[p, 1 + k]
            has = effect >= 0
            row.append(np.flatnonzero(has))
            place.append(lay.effect.start + effect[has])
            value.append(slope[has])
        return _rows(row, place, value, (lay.n_main, lay.size))

    def _mains(self, straight: Any) -> csr_array:
        """(main, theta): what of each main effect its prior speaks of, its line apart."""
        lay = self.lay
        main = _rows(
            [np.arange(lay.n_main)], [np.arange(lay.main.start, lay.main.stop)],
            [np.ones(lay.n_main)], (lay.n_main, lay.size),
        )  # fmt: skip
        return _csr((main + self._by_shapes()) @ straight)

    def beliefs(self, straight: Any) -> tuple[csr_array, np.ndarray]:
        """Rows (n, theta) and weights of priors that hang on no spread, and of strips' scatter."""
        from scipy.sparse import vstack

        model, lay = self.model, self.lay
        _, sd = plain_priors(model)
        plain = np.arange(lay.reading.start)
        starts = np.arange(lay.start.start, lay.start.stop)
        at = np.concatenate([plain, starts])
        own = _rows([np.arange(at.size)], [at], [np.ones(at.size)], (at.size, lay.size))
        rows = [_csr(own @ straight)]
        weights = [sd[plain] ** -2.0, model.start_prior[: lay.n_start, 1] ** -2.0]
        # scatter: twice the degrees of freedom on the log of a spread
        p = np.arange(lay.n_product)
        freedom = np.zeros(lay.n_product)
        np.add.at(freedom, model.cell_index[:, 0], model.freedom)
        for first, end in model.sub_range:
            freedom[model.cell_index[first, 0]] += 1 - model.freedom[first:end].sum()
        effect = model.own_effect[:, 0]
        has = effect >= 0
        rows.append(
            _rows([p, p[has]], [lay.spread.start + model.own_slot[:, 1],
                  lay.effect.start + effect[has]], [np.ones(p.size), np.ones(has.sum())],
                  (p.size, lay.size))
        )  # fmt: skip
        weights.append(2 * freedom)
        if lay.pool_scale is None:
            rows.append(self._mains(straight))
            lot2 = np.where(model.single_lot[model.main_product] > 0, self.spreads[0] ** 2, 0.0)
            weights.append(1 / (model.main_prior[:, 1] ** 2 + lot2))
        return _csr(vstack(rows)), np.concatenate(weights)

    def terms(self, straight: Any) -> list[Term]:
        """Effects, and main effects about their line."""
        model, lay = self.model, self.lay
        found: list[Term] = []
        for k, (family, _) in enumerate(model.effect_index.tolist()):
            i = lay.effect.start + k
            found.append((EFFECT, family, 0.0, -float(self.theta[i]), np.array([i]), np.ones(1)))
        if lay.pool_scale is not None:
            main, column = np.nonzero(model.line)
            line = _rows([main], [column], [model.line[main, column]], (lay.n_main, lay.size))
            rows = _csr(self._mains(straight) - line @ straight)
            gap = self.theta[lay.main] + self._to_asked() - model.main_prior[:, 0]
            gap = gap - model.line @ self.theta[: lay.n_beta]
            for c in range(lay.n_main):
                its = slice(rows.indptr[c], rows.indptr[c + 1])
                place = lay.pool_scale - lay.scale.start
                away = float(gap[c])
                found.append((EFFECT, place, 0.0, -away, rows.indices[its], rows.data[its]))
        return found


def _csr(matrix: Any) -> csr_array:
    """In compressed rows, entries in order."""
    from scipy.sparse import csr_array

    found = csr_array(matrix)
    found.sum_duplicates()
    return found


def _rows(row: list[Any], place: list[Any], value: list[Any], shape: tuple[int, int]) -> csr_array:
    from scipy.sparse import csr_array

    none = [np.zeros(0, dtype=np.int64)]
    whole = (np.concatenate([*none, *row]), np.concatenate([*none, *place]))
    return csr_array((np.concatenate([np.zeros(0), *value]), whole), shape=shape)


def _members(ranges: np.ndarray, n: int) -> csr_array:
    """(range, n) ones from each first to each end."""
    size = ranges[:, 1] - ranges[:, 0]
    row = np.repeat(np.arange(len(ranges)), size)
    at = np.arange(size.sum()) - np.repeat(np.cumsum(size) - size, size)
    at = at + np.repeat(ranges[:, 0], size)
    return _rows([row], [at], [np.ones(row.size)], (len(ranges), n))


def _straight(lay: Layout, taken: Straight, by_score: np.ndarray) -> csr_array:
    """(theta, theta) plain parameters by straight ones at the point where terms are taken."""
    own = np.arange(lay.size)
    mine = taken.shear[:, 2] < 0
    target, source = taken.shear[mine, 0], taken.shear[mine, 1]
    value = taken.shear_number[mine] * by_score[source]
    column = taken.shear[mine, 3] == 0  # what it stands for takes the others' share from it
    moved = _rows(
        [own, target[column]], [own, source[column]],
        [np.ones(own.size), -value[column]], (lay.size, lay.size),
    )  # fmt: skip
    mains = _rows(
        [own, target[~column]], [own, source[~column]],
        [np.ones(own.size), value[~column]], (lay.size, lay.size),
    )  # fmt: skip
    return _csr(mains @ moved)


def _tail(x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Slope and minus the second slope of the log of the normal distribution function."""
    from scipy.special import log_ndtr

    slope = np.exp(-0.5 * x * x - 0.918938533204673 - log_ndtr(x))
    return slope, slope * (slope + x)


def _reach(first: np.ndarray, row: np.ndarray, place: np.ndarray) -> None:
    """Widen the envelope so that entries of one row meet; places below 0 do not count."""
    row, place = row[place >= 0], place[place >= 0]
    if row.size:
        least = np.full(row.max() + 1, first.size)
        np.minimum.at(least, row, place)
        np.minimum.at(first, place, least[row])


def _order(model: Model, lay: Layout, keep: np.ndarray) -> np.ndarray:
    """Places in theta that are kept, lot by lot and product by product; what all share is last."""
    last = np.iinfo(np.int64).max
    key = np.full((lay.size, 3), last)  # product, lot, level
    key[:, 2] = np.arange(lay.size)
    own = np.arange(lay.n_product)
    if lay.n_shape_slot == lay.n_product:
        key[lay.shape, 0] = np.repeat(own, lay.n_shape)
    if lay.n_spread_slot == lay.n_product:
        key[lay.spread, 0] = own
    key[lay.main, 0] = model.main_product
    for product, start in model.series_index[:, :2]:
        if start >= 0 and not lay.start_fixed:
            key[lay.start.start + start, 0] = product
    used = model.design != 0
    for j in range(lay.n_beta):
        products = set(model.cell_index[used[:, j], 0].tolist())
        if model.line.size:
            products |= set(model.main_product[model.line[:, j] != 0].tolist())
        if len(products) == 1 and not (model.bow_index == j).any():
            key[j, 0] = products.pop()
    families = (*model.groups, *model.others)
    lot = np.full(lay.n_effect, last)
    product = np.full(lay.n_effect, last)
    of_lot = model.cell_effect[:, 0]
    for row in model.series_index[model.series_index[:, 9] >= 0]:
        product[row[9]] = row[0]
        inside = of_lot[row[2] : row[3]]
        if (inside >= 0).any():
            lot[row[9]] = inside.max()
    for f, family in enumerate(families):
        mine = np.flatnonzero(model.effect_index[:, 0] == f)
        if family == "lot":
            lot[mine], product[mine] = mine, model.main_product[model.effect_index[mine, 1]]
        elif family in ("specimen", "direction_of_lot"):
            at = model.cell_effect[:, f]
            has = at >= 0
            product[at[has]] = model.cell_index[has, 0]
            lot[at[has]] = np.where(of_lot[has] >= 0, of_lot[has], last)
        elif family == "lot_in_both_directions":
            for row in model.series_index[model.series_index[:, 8] >= 0]:
                product[row[8]] = row[0]
                inside = of_lot[row[2] : row[3]]
                if (inside >= 0).any():
                    lot[row[8]] = inside.max()
        elif family in model.others:
            for p, row in enumerate(model.own_effect):
                product[row[np.isin(row, mine)]] = p
    level = np.full(lay.n_effect, 0)
    rank = {"lot": 3, "lot_in_both_directions": 2, "direction_of_lot": 1}
    for f, family in enumerate(families):
        level[model.effect_index[:, 0] == f] = rank.get(family, 0)
    key[lay.effect, 0], key[lay.effect, 1], key[lay.effect, 2] = product, lot, level
    order = np.lexsort((key[:, 2], key[:, 1], key[:, 0]))
    return order[keep[order]].astype(np.int64)
