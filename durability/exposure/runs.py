"""Did every run of the chamber treat a control material alike? Its own threshold dose, run by run.

Strips of one well-known material hang in every run. With a common shape k and each run its own
threshold dose tau_r,

    ln strength = ln S0(lot, direction) + ln(q) (dose / tau_r)^k + scatter,

fitted by least squares. If lamp, sensor and heat were the same in all runs, so are the tau_r; an F
test asks whether they are, and each run is compared with the others. A run that is out says that
its doses, and all products in it, need a second look.

The curve is the stretched exponential; the F test of nested least squares fits is the usual one
(any text on regression; from memory).
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from durability.study.model import Study

if TYPE_CHECKING:
    from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True)
class RunThreshold:
    """The control's threshold dose in one run.

    Parameters
    ----------
    run : as the rows name it.
    strips : exposed strips of it.
    value, low, high : dose at which the fraction is left, with its confidence interval.
    of_others : that, over the geometric mean of the other runs that are not out.
    probability : of so large a difference by chance if the run were like those, for this run alone.
    out : set aside, the worst first, while its probability among the runs that are left is below
        0.05 over the number of runs. Of two that differ neither can be said to be right: both are.
    beyond : the value over the largest dose tested in the run; above 1 it is extrapolated.
    """

    run: str
    strips: int
    value: float
    low: float
    high: float
    of_others: float
    probability: float
    out: bool
    beyond: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RunCheck:
    """How alike the runs of one exposure were, by a control material.

    Parameters
    ----------
    material, exposure, fraction, level, dose_unit : what was asked.
    runs : one entry a run, in order of name.
    probability : of such differences between runs by chance (F test).
    scatter : standard deviation of ln strength about the curves.
    shape, degrees : k, and degrees of freedom.
    """

    material: str
    exposure: str
    fraction: float
    level: float
    dose_unit: str
    runs: tuple[RunThreshold, ...]
    probability: float
    scatter: float
    shape: float
    degrees: int

    def to_dict(self) -> dict[str, Any]:
        """Everything as plain types for JSON."""
        return asdict(self)

    def __repr__(self) -> str:
        head = (
            f"Control {self.material} under {self.exposure}: dose at which {100 * self.fraction:g}"
            f" % is left [{self.dose_unit}], run by run; differences as large come by chance with "
            f"probability {self.probability:.2g}"
        )
        rows = [
            f"  {r.run}: {r.value:.4g} ({100 * self.level:g} % confidence interval {r.low:.4g} to "
            f"{r.high:.4g}), {r.of_others:.3g} of the others'{'; out' if r.out else ''}"
            for r in self.runs
        ]
        return "\n".join([head, *rows])


def run_check(
    study: Study,
    material: str,
    *,
    fraction: float = 0.5,
    level: float = 0.95,
    exposure: str | None = None,
) -> RunCheck:
    """The threshold dose of a control material in every run of a chamber.

    Parameters
    ----------
    study : with a column ``run`` that names the run of every exposed strip.
    material : the control.
    fraction : of its unexposed strength.
    level : of the confidence intervals.
    exposure : which, where the control is under several.

    Returns
    -------
    RunCheck

    Raises
    ------
    ValueError : no such strips, one run only, no unexposed strips, or too few to judge scatter.

    Notes
    -----
    Measured strips alone are used: censored and excluded ones, and summaries, are left out. Doses
    are those of `with_doses`, so a record that is wrong shows as a run that is out.
    """
    import numpy
    from scipy import stats

    from durability.exposure.dosing import with_dose

    if not 0 < fraction < 1 or not 0 < level < 1:
        raise ValueError(f"fraction is {fraction} and level {level}; both must lie in 0 to 1")
    rows = with_dose(study)
    mine = (rows["material"].values == material) & rows["used"].values
    mine &= (rows["censored"].values == 0) & ~rows["summary"].values
    mine &= rows["strength"].values > 0
    if not mine.any():
        raise ValueError(f"the study has no measured strips of material {material!r}")
    rows = rows.isel(row=mine.nonzero()[0])
    dose, run = rows["dose"].values.astype(float), rows["run"].values.astype(str)
    names = sorted(set(rows["exposure"].values.astype(str)[dose > 0]))
    if exposure is None and len(names) > 1:
        raise ValueError(f"{material} is under {', '.join(names)}; name one exposure")
    under = exposure or (names[0] if names else "")
    keep = (dose == 0) | (rows["exposure"].values.astype(str) == under)
    dose, run = dose[keep], run[keep]
    series = _codes(rows["lot"].values[keep], rows["direction"].values[keep])
    y = numpy.log(rows["strength"].values.astype(float)[keep])
    runs = sorted({r for r, d in zip(run.tolist(), dose.tolist(), strict=True) if d > 0})
    if "" in runs:
        raise ValueError(f"exposed strips of {material} have no run; fill in the column run")
    if len(runs) < 2:
        raise ValueError(f"{material} is in {len(runs)} run; a comparison needs two or more")
    if set(numpy.unique(series[dose > 0])) - set(numpy.unique(series[dose == 0])):
        raise ValueError(f"a lot or direction of {material} has no unexposed strips")
    of_run = numpy.array([runs.index(r) if d > 0 else -1 for r, d in zip(run, dose, strict=True)])
    degrees = int(y.size - series.max() - 1 - len(runs) - 1)
    if degrees < 1:
        raise ValueError(f"{y.size} strips of {material} are too few for {len(runs)} runs")
    each = _least_squares(y, dose, series, of_run, len(runs), fraction)
    alike = _least_squares(y, dose, series, numpy.minimum(of_run, 0), 1, fraction)
    more = len(runs) - 1
    ratio = (alike.square - each.square) / more / (each.square / degrees)
    variance = each.square / degrees
    covariance = variance * each.inverse
    t = float(stats.t.ppf(0.5 + level / 2, degrees))

    def against(i: int, others: list[int]) -> tuple[float, float]:
        """(difference of ln tau from the mean of others, its probability by chance)."""
        contrast = numpy.zeros(len(runs))
        contrast[[j for j in others if j != i]] = -1 / len([j for j in others if j != i])
        contrast[i] = 1.0
        difference = float(contrast @ each.log_tau)
        error = math.sqrt(float(contrast @ covariance @ contrast))
        return difference, 2 * float(stats.t.sf(abs(difference) / error, degrees))

    alike_runs = list(range(len(runs)))
    while len(alike_runs) > 1:  # one bad run must not accuse the good ones
        chances = {i: against(i, alike_runs)[1] for i in alike_runs}
        worst = min(chances, key=lambda i: chances[i])
        if chances[worst] >= 0.05 / len(runs):
            break
        alike_runs = [] if len(alike_runs) == 2 else [i for i in alike_runs if i != worst]
    found = []
    for i, name in enumerate(runs):
        others = alike_runs if set(alike_runs) - {i} else list(range(len(runs)))
        difference, chance = against(i, others)
        half = t * math.sqrt(float(covariance[i, i]))
        value = math.exp(each.log_tau[i])
        found.append(
            RunThreshold(
                run=name,
                strips=int((of_run == i).sum()),
                value=value,
                low=value * math.exp(-half),
                high=value * math.exp(half),
                of_others=math.exp(difference),
                probability=chance,
                out=i not in alike_runs,
                beyond=value / float(dose[of_run == i].max()),
            )
        )
    return RunCheck(
        material=material,
        exposure=under,
        fraction=fraction,
        level=level,
        dose_unit=study.exposures[under].dose_unit,
        runs=tuple(found),
        probability=float(stats.f.sf(max(ratio, 0.0), more, degrees)),
        scatter=math.sqrt(variance),
        shape=each.shape,
        degrees=degrees,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    log_tau: NDArray
    shape: float
    square: float
    inverse: NDArray


def _least_squares(
    y: NDArray, dose: NDArray, series: NDArray, of_run: NDArray, runs: int, fraction: float
) -> _Fit:
    """Least squares over ln tau of each run and ln k; the levels are projected out exactly."""
    import numpy
    from scipy.optimize import least_squares

    count = numpy.bincount(series)
    lit = of_run >= 0
    scale = float(dose[lit].max())

    def lost(theta: NDArray) -> NDArray:
        power = numpy.zeros(y.size)
        at = dose[lit] / scale / numpy.exp(theta[:runs][of_run[lit]])
        power[lit] = at ** math.exp(theta[-1])
        return math.log(fraction) * power

    def residual(theta: NDArray) -> NDArray:
        rest = y - lost(theta)
        return rest - (numpy.bincount(series, rest) / count)[series]

    bounds = ([-5.0] * runs + [-2.0], [5.0] * runs + [2.5])
    starts = [numpy.append(numpy.zeros(runs), math.log(shape)) for shape in (1.0, 2.0)]
    fits = [least_squares(residual, s, bounds=bounds, x_scale=0.3) for s in starts]
    best = min(fits, key=lambda f: f.cost)
    inverse = numpy.linalg.pinv(best.jac.T @ best.jac)
    return _Fit(
        best.x[:runs] + math.log(scale),
        math.exp(best.x[-1]),
        2 * float(best.cost),
        inverse[:runs, :runs],
    )


def _codes(lot: NDArray, direction: NDArray) -> NDArray:
    import numpy

    pairs = [f"{a}\x00{b}" for a, b in zip(lot.tolist(), direction.tolist(), strict=True)]
    return numpy.unique(pairs, return_inverse=True)[1]
