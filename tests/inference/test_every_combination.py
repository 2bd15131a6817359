"""Does any combination of what a study can hold have the density that the plain PyMC model states?

Studies are drawn from strategies: law, errors, products, lots, directions, laboratories, runs,
kinds of data, clocks, covariates, what products share. Where the kernel integrates nothing out, the
two log densities differ by one constant at 100 points to 1e-8. What it integrates out in closed
form (unexposed strengths, levels of specimens) is integrated here from PyMC's density by
differences, which are exact for a normal integral; beside censored strips, and over what the strips
of a Student summary share, by quadrature with nodes doubled until it stands still.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pymc  # noqa: F401 (it raises the recursion limit, which hypothesis wants settled before)
import pytest
import xarray
from hypothesis import HealthCheck, Phase, example, given, settings
from hypothesis import strategies as st
from scipy import special, stats
from test_kernel import Case, case_of, density
from test_kinds import point_of, study_with_rows, table
from test_structure import LAMPS, sky_terms

from durability.inference import clock
from durability.inference.coordinates import column_values
from durability.inference.graph import plain_model
from durability.inference.model import ERRORS, ON_LOGS, Structure
from durability.laws import laws, read_law
from durability.study import Exposure
from durability.study.model import Study

DOSES = np.array([0.0, 80.0, 200.0, 400.0])
IN_THE_GRAPH = [
    name for name in laws()
    if read_law(name).inverse_tape is not None
    or not (read_law(name).monotone and read_law(name).reaches_zero)
]  # fmt: skip
FORMS = ("none", "linear", "log", "smooth", "class", "linear and class", "pool")
SHARING = ("product", "shared", "pooled")


@dataclass(frozen=True, kw_only=True)
class Held:
    """What a study holds and what is asked of its model."""

    law: str = "stretched-exponential"
    errors: str = "lognormal"
    products: int = 2
    lots: tuple[int, ...] = (2, 1)
    directions: int = 1
    laboratories: int = 1
    runs: int = 1
    clock: str = "one"  # one or two exposures that nothing joins, lamps, or a lamp and a sky
    percent: bool = False
    rises: bool = False
    unexposed: bool = True
    censored: str = ""  # below, above, both
    summaries: str = ""  # plain, figure
    readings: int = 0
    inspections: str = ""  # share, required
    declared: str = ""  # of a lot, of the product
    covariates: str = "none"
    shape: str = "product"
    spread: str = "product"
    seed: int = 1


@st.composite
def held(draw: st.DrawFn) -> Held:
    """A combination that a study may hold; what excludes each other is not drawn together."""
    few = st.integers(1, 2)
    law = draw(st.sampled_from(IN_THE_GRAPH))
    rises = draw(st.integers(0, 5)) == 0
    errors = draw(st.sampled_from(ON_LOGS if rises else ERRORS))
    covariates = draw(st.sampled_from(FORMS))
    products = 6 if covariates == "smooth" else 3 if covariates != "none" else draw(few)
    most = 1 if products > 3 else 2 if products > 1 else 4
    percent = draw(st.integers(0, 3)) == 0
    return Held(
        law=law,
        errors=errors,
        products=products,
        lots=tuple(draw(st.lists(st.integers(1, most), min_size=products, max_size=products))),
        directions=draw(few),
        laboratories=draw(few),
        runs=draw(few),
        clock=draw(st.sampled_from(("one", "two", "lamps", "sky"))),
        percent=percent,
        rises=rises,
        unexposed=not percent and draw(st.booleans()),
        censored=draw(st.sampled_from(("", "below", "above", "both"))),
        summaries=draw(st.sampled_from(("", "plain", "figure"))),
        readings=draw(st.integers(0, 2)),
        inspections=draw(st.sampled_from(("", "share") if percent else ("", "share", "required"))),
        declared=draw(st.sampled_from(("", "of a lot", "of the product"))),
        covariates=covariates,
        shape=draw(st.sampled_from(SHARING)),
        spread=draw(st.sampled_from(SHARING)),
        seed=draw(st.integers(0, 2**16)),
    )


def study(it: Held) -> Study:
    """A study that holds it: two strips a place, about one curve."""
    rng = np.random.default_rng(it.seed)
    exposures = {"one": ("X",), "two": ("X", "Y"), "lamps": ("X", "Y", "Z"), "sky": ("X", "Y")}
    names = exposures[it.clock]
    places = [
        (m, lot, way, lab, x, dose)
        for m in range(it.products) for lot in range(it.lots[m]) for way in range(it.directions)
        for lab in range(it.laboratories) for x in range(len(names)) for dose in DOSES
        if (dose > 0 or x == 0) and (dose > 0 or it.unexposed)
    ]  # fmt: skip
    m, lot, way, lab, x, dose = np.repeat(np.array(places), 2, axis=0).T
    m, lot, way, lab, x = (a.astype(int) for a in (m, lot, way, lab, x))
    left = np.exp(-((dose / (320 + 40 * m + 20 * way)) ** 1.2) + 0.04 * (lot - 1))
    left = left * np.exp(0.06 * rng.standard_normal(dose.size))
    start = 100.0 if it.percent else 15.0 + m
    columns: dict[str, Any] = {
        "material": np.array(list("ABCDEF"))[m],
        "lot": np.array([f"L{i}" for i in range(9)])[lot],
        "direction": np.array(["machine", "cross"] if it.directions > 1 else [""])[way],
        "laboratory": np.array(["P", "Q"] if it.laboratories > 1 else [""])[lab],
        "run": np.where(dose > 0, np.array(["r", "s"] if it.runs > 1 else [""])[lot % it.runs], ""),
        "exposure": np.where(dose > 0, np.array(names)[x], ""), "dose": dose,
        "strength": start / left if it.rises else start * left,
    }  # fmt: skip
    if it.summaries:
        first = (m == 0) & (lot == 0) & (way == 0) & (lab == 0) & (x == 0)
        whole = first & (np.arange(dose.size) % 2 == 0)  # beside strips in the same cells
        if it.errors == "student":  # each is integrated over in what its strips share
            whole &= dose == 200.0
        columns |= {"summary": whole, "n": np.where(whole, 4, 1),
                    "sd": np.where(whole, 0.07 * columns["strength"], np.nan)}  # fmt: skip
    if it.summaries == "figure":
        columns |= {"value_sd": np.where(columns["summary"], 0.02 * columns["strength"], np.nan),
                    "dose_sd": np.where((dose == 200.0) & columns["summary"], 8.0, np.nan),
                    "hours_sd": np.nan}  # fmt: skip
    sides = {"below": (-1,), "above": (1,), "both": (-1, 1)}.get(it.censored, ())
    single = ~columns.get("summary", np.zeros(dose.size, dtype=bool))
    here = single & (dose > 80) & (m == 0) & (lot == 0) & (way == 0) & (lab == 0)
    censored = np.zeros(dose.size, dtype=int)
    for place, side in enumerate(sides):
        censored[np.flatnonzero(here)[place::6]] = side
    columns["censored"] = censored
    unit = "kJ/(m² nm) at 340 nm"
    lamps = LAMPS[: len(names)] if it.clock == "lamps" else (
        LAMPS[0], Exposure(name="Y", lamp="outdoor", axis="h", dose_unit="h", site="phoenix"),
    ) if it.clock == "sky" else tuple(
        Exposure(name=n, axis="cycles", dose_unit=f"cycles of {n}") for n in names
    )  # fmt: skip
    assert it.clock != "lamps" or lamps[0].dose_unit == unit
    made = study_with_rows(
        columns, unit="%" if it.percent else "kN/m", exposures=lamps,
        polymer="polypropylene" if it.clock == "lamps" else None,
        thresholds=(2.0,) if it.rises else (0.5,),
        required_strength=None if it.inspections != "required" else 25.0 if it.rises else 8.0,
    )  # fmt: skip
    values = {m: {"loading": 0.1 * 1.6**i, "colour": float(i % 3)}
              for i, m in enumerate(made.materials)}  # fmt: skip
    made = replace(
        made, changes="rises" if it.rises else made.changes,
        materials={m: replace(of, covariates=values[m]) for m, of in made.materials.items()},
        readings=_readings(it, rng), inspections=_inspections(it), declared=_declared(it),
    )  # fmt: skip
    return made


def _way(it: Held) -> str:
    return "machine" if it.directions > 1 else ""


def _readings(it: Held, rng: np.random.Generator) -> xarray.Dataset | None:
    if not it.readings:
        return None
    who, dose = (a.ravel() for a in np.meshgrid(range(it.readings), DOSES, indexing="ij"))
    left = np.exp(-dose / 400 + 0.02 * rng.standard_normal(dose.size))
    start = 100.0 if it.percent else 15.0
    keep = dose > 0 if it.percent else dose >= 0
    value = start / left if it.rises else start * left
    return table(
        "reading", lot=f"L{it.lots[0] - 1}", direction=_way(it),
        specimen=who.astype(str)[keep], dose=dose[keep], value=value[keep], censored=0,
        laboratory="P" if it.laboratories > 1 else "",
    )  # fmt: skip


def _inspections(it: Held) -> xarray.Dataset | None:
    if not it.inspections:
        return None
    low, high = np.array([0.0, 80.0, 200.0, 80.0]), np.array([80.0, 200.0, np.inf, 80.0])
    if it.clock == "sky":  # whose clock knows the doses of its strips
        high[3] = 200.0
    share = np.nan if it.inspections == "required" else 2.0 if it.rises else 0.5
    return table("inspection", lot="L0", direction=_way(it), fraction=share, dose_low=low,
                 dose_high=high, n=np.array([1.0, 2.0, 3.0, 1.0]),
                 laboratory="P" if it.laboratories > 1 else "")  # fmt: skip


def _declared(it: Held) -> xarray.Dataset | None:
    if not it.declared:
        return None
    retained = np.array([0.5, 0.7, np.nan])
    retained = 1 / retained if it.rises else retained
    strength = np.array([np.nan, np.nan, 18.0 if it.rises else 14.0])
    keep = slice(0, 2 if it.percent else 3)
    return table(
        "declaration", lot="" if it.declared == "of the product" else "L0", direction=_way(it),
        dose=np.array([200.0, 80.0, 0.0])[keep], retained=retained[keep], strength=strength[keep],
        sense=np.array(["minimum", "typical", "minimum average roll value"])[keep], n=0,
        laboratory="" if it.declared == "of the product" or it.laboratories == 1 else "P",
    )  # fmt: skip


def structure(it: Held) -> Structure:
    chosen: dict[str, Any] = {
        "none": (), "pool": (), "linear and class": (("loading", "linear"), ("colour", "class")),
        "class": (("colour", "class"),),
    }  # fmt: skip
    covariates = chosen.get(it.covariates, (("loading", it.covariates),))
    shape: Any = it.shape
    spread: Any = it.spread
    return Structure(
        shape=shape, spread=spread, covariates=covariates, pool=it.covariates == "pool"
    )


def case(it: Held) -> Case:
    errors: Any = it.errors
    with pytest.MonkeyPatch.context() as patch:
        if it.clock == "sky":
            patch.setattr(clock, "_terms", lambda s, ms: {m: sky_terms(s, m) for m in ms})
        return case_of(study(it), it.law, errors, structure(it))


# --- the two densities ----------------------------------------------------------------------------


class Plain:
    """PyMC's log density of a case, and what the kernel integrates out taken out of it."""

    def __init__(self, it: Case) -> None:
        self.it = it
        built = plain_model(it.model)
        self.terms = built.compile_logp(sum=False, mode="FAST_COMPILE")
        model = it.model
        told = np.flatnonzero(model.series_index[:, 1] >= 0)
        integrated = model.start_known is None and not model.start_effects.size
        self.sizes = {
            "start_effect": told.size if integrated else 0,
            "specimen_level": len(model.sub_range) if model.start_known is None else 0,
            "single_lot": int(model.single_lot.sum()),
            "summary_precision_log__": int(built["summary_precision"].shape.eval()[0])
            if "summary_precision" in built.named_vars else 0,
        }  # fmt: skip
        self.blocks: list[tuple[list[int], bool]] = []  # of each series, and whether censored
        n = self.sizes["start_effect"]
        for place, s in enumerate(told):
            first, end, censored, last = model.series_index[s, 4:8]
            levels = [n + int(i) for i in range(first, end)] if self.sizes["specimen_level"] else []
            self.blocks.append((([place] if n else []) + levels, bool(n) and last > censored))

        n = self.sizes["start_effect"] + self.sizes["specimen_level"]
        self.blocks += [([n + i], False) for i in range(self.sizes["single_lot"])]

    @property
    def integrates(self) -> bool:
        return any(self.sizes.values())

    def gap(self, y: np.ndarray) -> float:
        """PyMC's log density, integrated as far as the kernel does, less the kernel's."""
        it = self.it
        theta = it.theta(y)
        point, jacobian = point_of(it, theta)
        if "linear_score" in point:  # values of cut-off priors: the kernel's come from a spline
            change = _exact_scores(it, point["linear_score"])
            jacobian += 0.5 * ((change**2).sum() - (point["linear_score"] ** 2).sum())
            point["linear_score"] = change
        return self._integrated(point) + jacobian - density(it.raw, theta)[0]

    def _integrated(self, point: dict[str, Any]) -> float:
        whole = sum(self.sizes.values())
        names = [n for n, size in self.sizes.items() if size]
        ends = np.cumsum([self.sizes[n] for n in names])

        def at(x: np.ndarray) -> float:
            parts = dict(zip(names, np.split(x, ends[:-1]) if names else [], strict=True))
            single = parts.pop("single_lot", None)
            if single is not None:  # the kernel has the level of such a product with its lot's
                parts |= self._apart(point, single)
            return float(sum(term.sum() for term in self.terms(point | parts)))

        zero = np.zeros(whole)
        base = at(zero)
        if base == -np.inf:
            return base
        total = base

        def change(places: list[int], values: np.ndarray) -> float:
            x = zero.copy()
            x[places] = values
            return at(x) - base

        for places, censored in self.blocks:
            if censored:
                total += _quadrature(lambda v, p=places: change(p, v), len(places) - 1)
            elif places:
                total += _normal_integral(lambda v, p=places: change(p, v), len(places))
        for k in range(self.sizes["summary_precision_log__"]):
            place = whole - self.sizes["summary_precision_log__"] + k
            total += _quadrature(lambda v, p=place: change([p], v), 0, (-40.0, 6.0))
        return total

    def _apart(self, point: dict[str, Any], single: np.ndarray) -> dict[str, Any]:
        """Level of products and effect of their one lot, whose sum the kernel has."""
        model = self.it.model
        level = "log_half_loss_dose" if model.half_loss else "log_threshold_dose"
        of = dict(zip(np.flatnonzero(model.single_lot), single, strict=True))
        less = np.array([of.get(p, 0.0) for p in model.main_product])
        return {level: point[level] - less, "lot_effect": np.append(point["lot_effect"], single)}


def _exact_scores(it: Case, score: np.ndarray) -> np.ndarray:
    """Normal scores whose cut-off values are those of the kernel, which reads them off a spline."""
    value = column_values(it.model, np.asarray(score)[None, :])[0]
    found = np.array(score, dtype=float)
    for j, c in enumerate(it.model.columns):
        if c.bounded:
            low, high, u = (special.ndtr((v - c.mean) / c.sd) for v in (c.low, c.high, value[j]))
            found[j] = stats.norm.ppf((u - low) / (high - low))
    return found


def _normal_integral(change: Any, size: int, about: np.ndarray | None = None) -> float:
    """log of the integral of exp(change), which is quadratic: read off by differences."""
    h = 0.3
    about = np.zeros(size) if about is None else about
    unit = np.eye(size) * h
    base = change(about)
    plus = np.array([change(about + u) for u in unit])
    minus = np.array([change(about - u) for u in unit])
    slope, hessian = (plus - minus) / (2 * h), np.diag((plus - 2 * base + minus) / h**2)
    for i in range(size):
        for j in range(i):
            mixed = change(about + unit[i] + unit[j]) - plus[i] - plus[j] + base
            hessian[i, j] = hessian[j, i] = mixed / h**2
    log_det = np.linalg.slogdet(-hessian)[1]
    return base + 0.5 * slope @ np.linalg.solve(-hessian, slope) - 0.5 * log_det


def _quadrature(change: Any, levels: int, within: tuple[float, float] = (-1.0, 1.0)) -> float:
    """log of the integral over a start beside censored strips, by the trapezoid rule about its
    peak, which converges as fast as any for a smooth peak: nodes are doubled until that changes
    nothing. Levels of specimens inside."""

    def at(s: float) -> float:
        if not levels:
            return change(np.array([s]))
        return _normal_integral(lambda v: change(np.concatenate([[s], v])), levels)

    grid = np.linspace(*within, 33)
    found = np.array([at(s) for s in grid])
    while found.argmax() in (0, 32):  # the peak lies beyond
        grid = 4 * grid
        found = np.array([at(s) for s in grid])
    for _ in range(4):  # closer about the peak, until the ends hold nothing
        inside = grid[found > found.max() - 40]
        step = grid[1] - grid[0]
        if inside.size > 20:
            break
        grid = np.linspace(inside[0] - step, inside[-1] + step, 41)
        found = np.array([at(s) for s in grid])
    total = np.inf
    for _ in range(7):
        top, before = found.max(), total
        total = top + np.log(np.trapezoid(np.exp(found - top), grid))
        if abs(total - before) < 1e-9:
            return total
        between = (grid[1:] + grid[:-1]) / 2
        grid = np.insert(grid, np.arange(1, grid.size), between)
        found = np.insert(found, np.arange(1, found.size), [at(s) for s in between])
    raise AssertionError(f"the quadrature still moves by {abs(total - before):.1e}")


# --- the facts ------------------------------------------------------------------------------------


def assert_same(of: Held) -> None:
    """The densities differ by one constant, as closely as what is integrated allows."""
    it = case(of)
    plain = Plain(it)
    tolerance = 1e-6 if plain.integrates else 1e-8
    wanted = 2 if plain.integrates else 100
    found, possible, impossible = [], [], []
    for y in (y for y in it.points(130) if within_limits(it, y)):
        gap, kernel = plain.gap(y), density(it.raw, it.theta(y))[0]
        if gap == -np.inf and it.model.inspected_index.size:
            impossible.append(kernel)
            continue
        found.append(gap)
        possible.append(kernel)
        if len(found) == wanted:
            break
    assert len(found) >= 2 and np.isfinite(found).all() and np.ptp(found) < tolerance
    # no unit crosses between two looks that lie on a law's floor: no density in PyMC, and in the
    # kernel, which stays finite, less by what counts as none
    assert all(k < max(possible) - 300 for k in impossible)


def within_limits(it: Case, y: np.ndarray) -> bool:
    """Parameters with limits are within 4 sd: beyond, the kernel's spline may lie on a limit."""
    bounded = [j for j, c in enumerate(it.model.columns) if c.bounded]
    return bool((np.abs(it.theta(y)[bounded]) < 4).all())


combinations = settings(
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much],
    phases=[Phase.explicit, Phase.generate],  # to shrink a failure takes minutes
)
STRIPS_BESIDE_A_SUMMARY = Held(law="exponential", errors="normal", summaries="plain")


@settings(combinations, max_examples=5, derandomize=True)
@example(STRIPS_BESIDE_A_SUMMARY)
@example(replace(STRIPS_BESIDE_A_SUMMARY, errors="student", readings=1))
@given(held())
def test_every_combination_has_the_density_of_the_plain_model(of):
    assert_same(of)


@pytest.mark.slow
@settings(combinations, max_examples=25)
@given(held())
def test_many_combinations_have_the_density_of_the_plain_model(of):
    assert_same(of)
