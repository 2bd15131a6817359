"""Is the compiled density the model that is stated? Against scipy, strip by strip, nothing summed.

The oracle here is written from the model's sentences: one normal (or log-normal) factor a strip,
one distribution function a censored strip, priors, and numerical integrals over what the kernel
integrates out. It shares the law's formula with the kernel, and nothing else.
"""

from __future__ import annotations

import functools
import itertools
import math
from dataclasses import dataclass, replace

import numpy as np
import pytest
from known_truth import Truth, strips_of, study_of
from scipy import integrate, special, stats

from durability import catalogue
from durability.inference import kernel
from durability.inference.build import build_model
from durability.inference.coordinates import (
    Coordinates,
    Layout,
    layout,
    pack,
    spread_of_score,
)
from durability.inference.model import ERRORS, Errors, Model, Structure, priors
from durability.inference.search import find
from durability.laws import Law, read_law
from durability.study.model import Exposure, Segment, Study

COMBINATIONS = list(
    itertools.product(
        ("lognormal", "normal"),
        (False, True),
        (1, 3),
        ("exponential", "logistic"),
        (False, True),
    )
) + list(
    itertools.product(("power", "student"), (False, True), (1, 3), ("logistic",), (False, True))
)
each = pytest.mark.parametrize(("errors", "censored", "lots", "law", "percent"), COMBINATIONS)


@dataclass(frozen=True, kw_only=True, eq=False)
class Case:
    """A study, its model, its coordinates and both buffers."""

    study: Study
    model: Model
    layout: Layout
    at: Coordinates
    buffer: np.ndarray
    raw: np.ndarray

    def theta(self, y: np.ndarray) -> np.ndarray:
        theta = np.empty(y.size)
        kernel.from_y(y, self.buffer, theta)
        return theta

    def points(self, count: int) -> np.ndarray:
        """Points y about the mode, 1.5 standard deviations wide."""
        z = 1.5 * np.random.default_rng(5).standard_normal((count, self.layout.size))
        return self.at.y(z)


def density(buffer: np.ndarray, at: np.ndarray) -> tuple[float, np.ndarray]:
    """The kernel's log density and gradient."""
    gradient = np.empty(at.size)
    return float(kernel.log_density(at, gradient, buffer)), gradient


def case_of(
    study: Study, law: str | Law, errors: Errors = "lognormal", structure: Structure = Structure()
) -> Case:
    read = read_law(law) if isinstance(law, str) else law
    return case_of_model(study, build_model(study, read, errors=errors, structure=structure))


def case_of_model(study: Study, model: Model) -> Case:
    at, _ = find(model)
    lay = layout(model)
    plain = replace(
        at, centre=np.zeros(lay.size), chol=np.zeros((0, 0)), diagonal=np.ones(lay.size)
    )  # z is y
    return Case(
        study=study,
        model=model,
        layout=lay,
        at=at,
        buffer=pack(model, plain),
        raw=pack(model, replace(plain, raw=True)),
    )


@functools.cache
def case(errors: Errors, censored: bool, lots: int, law: str, percent: bool) -> Case:
    """A small simulated study of two materials with the properties asked."""
    truth = Truth(
        law=read_law(law),
        log_tau=np.log([350.0, 150.0]),
        lot_spread=0.15,
        lot_effect=np.array([[0.1, -0.15, 0.02], [0.0, 0.2, -0.1]])[:, :lots],
        strip_spread=np.array([0.06, 0.1]),
        shape={s.name: np.array([1.5, 2.5]) for s in read_law(law).shapes},
        log_start=np.log([100.0, 100.0] if percent else [20.0, 12.0]),
        start_effect=np.zeros((2, lots)) if percent else 0.05 * np.ones((2, lots)),
        start_spread=0.05,
        new_lot=np.zeros(2),
    )
    columns = strips_of(
        np.random.default_rng(3),
        truth,
        doses=(100.0, 300.0, 500.0) if percent else (0.0, 100.0, 300.0, 500.0),
        strips=3,
        limit=0.3 if censored else None,
        errors=errors,
    )
    if censored:  # and one strip that was at least so strong
        columns["censored"][0] = 1
        assert (columns["censored"] == -1).sum() >= 2
    return case_of(study_of(columns, unit="%" if percent else "kN/m"), law, errors)


# --- the oracle -----------------------------------------------------------------------------------


def strips_log_density(case: Case, theta: np.ndarray, start: np.ndarray, series: int) -> np.ndarray:
    """Log density of the strips of one series at each start (log, or share for normal errors)."""
    model, lay = case.model, case.layout
    material, lot, direction, _ = model.series[series]
    p = model.materials.index(material)
    rows = case.study.rows
    mine = np.flatnonzero(
        (rows["material"].values == material)
        & (rows["lot"].values == lot)
        & (rows["direction"].values == direction)
    )
    dose = rows["dose"].values[mine].astype(float)
    strength = rows["strength"].values[mine].astype(float)[:, None]
    sign = rows["censored"].values[mine].astype(int)[:, None]
    shapes = np.exp(theta[lay.shape]).reshape(lay.n_product, lay.n_shape)[p]
    shape = {s.name: shapes[i] for i, s in enumerate(model.law.shapes)}
    sd = math.exp(theta[lay.spread][p])
    family = [model.families.get(x, "") for x in rows["exposure"].values[mine]]
    log_tau = np.array([
        theta[lay.main][model.mains.index((material, f))] if d > 0 else 0.0
        for f, d in zip(family, dose, strict=True)
    ])  # fmt: skip
    if (material, lot) in model.lots:
        log_tau += theta[lay.effect][model.lots.index((material, lot))]
    for j, column in enumerate(model.columns):
        assert column.name == "direction"
        if column.subject == material:
            log_tau += theta[j] * (0.5 if direction == "machine" else -0.5)
    scaled = dose / np.exp(log_tau) * model.law.inverse(model.anchor[p], shape)
    left = model.law.retained(scaled, shape)[:, None]
    if model.errors == "student":
        z = (np.log(strength) - start - np.log(left)) / sd
        t = stats.t(math.exp(theta[lay.error][0]))
        return np.where(sign == 0, t.logpdf(z) - math.log(sd), t.logcdf(-sign * z)).sum(axis=0)
    if model.errors == "lognormal":
        z = (np.log(strength) - start - np.log(left)) / sd
        measured = stats.norm.logpdf(z) - math.log(sd)
    else:
        if model.errors == "power":
            sd = sd * np.maximum(left, 0.02) ** theta[lay.error][0]
        by_series = theta[lay.start][model.series_index[series][1]] if lay.n_start else 0.0
        mu = by_series if model.start_known is None else model.start_known
        z = (strength / math.exp(mu) - start * left) / sd
        measured = stats.norm.logpdf(z) - np.log(sd) - mu
    censored = special.log_ndtr(-sign * z)
    return np.where(sign == 0, measured, censored).sum(axis=0)


def series_log_density(case: Case, theta: np.ndarray, series: int) -> float:
    """The same with the start of the series integrated out on a fine grid about its peak."""
    model, lay = case.model, case.layout
    lognormal = model.errors in ("lognormal", "student")
    if lay.start_fixed:
        known = np.array([model.start_known if lognormal else 1.0])
        return float(strips_log_density(case, theta, known, series)[0])
    centre = theta[lay.start][model.series_index[series][1]] if lognormal else 1.0
    width = priors()["lot_spread_of_strength"]["scale"] * half_normal(float(theta[lay.start_scale]))

    if model.errors == "student":  # a parameter, not integrated out
        effect = theta[lay.effect][model.series_index[series, 9]]
        at = np.array([centre + effect])
        prior = float(stats.norm.logpdf(effect, 0.0, width))
        return float(strips_log_density(case, theta, at, series)[0]) + prior

    def log_integrand(x: np.ndarray) -> np.ndarray:
        return strips_log_density(case, theta, x, series) + stats.norm.logpdf(x, centre, width)

    x = centre + width * np.linspace(-9, 9, 4001)
    for _ in range(2):  # narrow down to where the integrand is not negligible
        values = log_integrand(x)
        inside = x[values > values.max() - 50]
        x = np.linspace(inside[0], inside[-1], 4001)
    values = log_integrand(x)
    top = values.max()
    return float(top + math.log(integrate.simpson(np.exp(values - top), x=x)))


def half_normal(score: float) -> float:
    """The half-normal variate that has the probability of a normal score."""
    if score < 0:
        return math.sqrt(2) * float(special.erfinv(special.ndtr(score)))
    return math.sqrt(2) * float(special.erfcinv(special.ndtr(-score)))


def prior_log_density(case: Case, theta: np.ndarray) -> float:
    """Priors, with the effect of a single lot integrated out by quadrature."""
    model, lay, book = case.model, case.layout, priors()
    width = book["lot_spread_of_threshold"]["scale"] * half_normal(float(theta[lay.scale.start]))
    logp = stats.norm.logpdf(theta[lay.scale.start])
    lots = model.effect_index[:, 0] == 0
    logp += stats.norm.logpdf(theta[lay.effect][lots], 0, width).sum()
    if model.errors == "power":
        of = book["spread_power"]
        logp += stats.norm.logpdf(theta[lay.error][0], of["mean"], of["sd"])
    if model.errors == "student":
        of = book["tail_freedom"]
        logp += stats.norm.logpdf(theta[lay.error][0], math.log(of["median"]), of["sd_log"])
    strip = book["strip_spread"]
    logp += stats.norm.logpdf(theta[lay.spread], math.log(strip["median"]), strip["sd_log"]).sum()
    for j, column in enumerate(model.columns):
        logp += stats.norm.logpdf(theta[j], column.mean, column.sd)
    if not lay.start_fixed:
        logp += stats.norm.logpdf(theta[lay.start_scale])
        logp += stats.norm.logpdf(
            theta[lay.start], model.start_prior[:, 0], model.start_prior[:, 1]
        ).sum()
    shapes = theta[lay.shape].reshape(lay.n_product, lay.n_shape)
    for p in range(lay.n_product):
        for i, s in enumerate(model.law.shapes):
            logp += stats.norm.logpdf(shapes[p, i], math.log(s.median), s.sd_log)
        shape = {s.name: math.exp(shapes[p, i]) for i, s in enumerate(model.law.shapes)}
        mine = np.flatnonzero(model.main_product == p)
        at_asked = theta[lay.main][mine] + math.log(
            model.law.inverse(model.fraction, shape) / model.law.inverse(model.anchor[p], shape)
        )
        mean, sd = model.main_prior[mine].T
        if not model.single_lot[p]:
            logp += stats.norm.logpdf(at_asked, mean, sd).sum()
            continue

        effect = width * np.linspace(-12, 12, 4001)[:, None]
        integrand = stats.norm.logpdf(at_asked - effect, mean, sd).sum(axis=1)
        integrand += stats.norm.logpdf(effect[:, 0], 0, width)
        total = integrate.simpson(np.exp(integrand), x=effect[:, 0])
        logp += math.log(total)
    return float(logp)


def oracle(case: Case, theta: np.ndarray) -> float:
    strips = sum(series_log_density(case, theta, s) for s in range(len(case.model.series)))
    return strips + prior_log_density(case, theta)


def assert_same_density(case: Case, *, count: int = 3, tolerance: float = 1e-6) -> None:
    """Differences of log density between points; the kernel leaves out constants."""
    thetas = [case.theta(y) for y in case.points(count)]
    compiled = np.array([density(case.raw, t)[0] for t in thetas])
    expected = np.array([oracle(case, t) for t in thetas])
    assert np.diff(compiled) == pytest.approx(np.diff(expected), abs=tolerance)


def assert_gradient(case: Case, points: np.ndarray, buffer: np.ndarray) -> None:
    for y in points:
        value, grad = density(buffer, y)
        assert math.isfinite(value)
        for j in range(y.size):
            step = 1e-5
            up, down = y.copy(), y.copy()
            up[j] += step
            down[j] -= step
            slope = (density(buffer, up)[0] - density(buffer, down)[0]) / (2 * step)
            assert grad[j] == pytest.approx(slope, rel=2e-5, abs=2e-4), f"entry {j} of {y.size}"


# --- the facts ------------------------------------------------------------------------------------


@each
def test_density_is_that_of_the_strips_one_by_one(errors, censored, lots, law, percent):
    assert_same_density(case(errors, censored, lots, law, percent))


@each
def test_gradient_agrees_with_central_differences(errors, censored, lots, law, percent):
    it = case(errors, censored, lots, law, percent)
    points = it.points(3)
    assert_gradient(it, points, it.buffer)
    assert_gradient(it, np.array([it.theta(y) for y in points]), it.raw)
    rounded = np.linalg.solve(it.at.chol, (points - it.at.centre).T).T
    assert_gradient(it, rounded, pack(it.model, it.at))


@each
def test_coordinates_change_nothing_but_the_jacobian(errors, censored, lots, law, percent):
    it = case(errors, censored, lots, law, percent)
    for y in it.points(3):
        theta = np.empty(y.size)
        log_jacobian = kernel.from_y(y, it.buffer, theta)
        assert density(it.buffer, y)[0] - log_jacobian == pytest.approx(
            density(it.raw, theta)[0], abs=1e-8
        )
        matrix = np.empty((y.size, y.size))
        for j in range(y.size):
            up, down = y.copy(), y.copy()
            up[j] += 1e-5
            down[j] -= 1e-5
            matrix[:, j] = (it.theta(up) - it.theta(down)) / 2e-5
        assert np.linalg.slogdet(matrix)[1] == pytest.approx(log_jacobian, abs=1e-6)


def columns_of(seed: int, *labels: tuple[str, str, str, str], censored: bool = False):
    """Three strips at four doses for each (material, lot, direction, exposure)."""
    rng = np.random.default_rng(seed)
    doses = np.array([0.0, 100.0, 250.0, 500.0])
    dose = np.tile(np.repeat(doses, 3), len(labels))
    strength = 15 * np.exp(-dose / 500 + 0.1 * rng.standard_normal(dose.size))
    names = ("material", "lot", "direction", "exposure")
    columns = {name: np.repeat([label[i] for label in labels], 12) for i, name in enumerate(names)}
    columns["exposure"] = np.where(dose > 0, columns["exposure"], "")
    below = censored & (strength < 6.5)
    return columns | {
        "dose": dose, "strength": np.where(below, 6.5, strength),
        "censored": np.where(below, -1, 0),
    }  # fmt: skip


@pytest.mark.parametrize("errors", ERRORS)
def test_directions_and_a_single_lot_under_two_exposures_keep_density_and_gradient(
    errors,
):
    labels = [
        ("A", "L1", d, x) for d in ("machine", "cross") for x in ("X", "Y")
    ] + [("B", lot, "machine", x) for lot in ("L1", "L2") for x in ("X", "Y")]  # fmt: skip
    it = case_of(study_of(columns_of(1, *labels, censored=True)), "logistic", errors)
    assert len(it.model.mains) == 4 and it.model.single_lot.tolist() == [1, 0]
    assert len(it.model.columns) == 1
    assert_same_density(it)
    assert_gradient(it, it.points(2), it.buffer)


def test_two_lamp_settings_keep_the_gradient():
    dry = Segment(minutes=60, light=True, black_panel=65.0, air=40.0)
    warm = Segment(minutes=60, light=True, black_panel=80.0, air=50.0)
    unit = "kJ/(m² nm) at 340 nm"
    lamps = [
        Exposure(name="X", irradiance=0.35, band="340 nm", cycle=(dry,), dose_unit=unit),
        Exposure(name="Y", irradiance=0.7, band="340 nm", cycle=(warm,), dose_unit=unit),
    ]
    labels = [("A", lot, "machine", x) for lot in ("L1", "L2", "L3") for x in ("X", "Y")]
    study = study_of(columns_of(2, *labels), exposures=lamps, polymer="polypropylene")
    it = case_of(study, "stretched-exponential")
    assert {c.name for c in it.model.columns} == {
        "reciprocity_exponent", "activation_energy", "dose_calibration", "lamp_temperature",
    }  # fmt: skip
    assert_gradient(it, it.points(3), it.buffer)


def test_a_law_without_its_inverse_has_the_same_density_and_gradient(tmp_path):
    lines = catalogue.path("laws", "stretched-exponential").read_text(encoding="utf-8").splitlines()
    mine = tmp_path / "mine.toml"
    mine.write_text("\n".join(x for x in lines if not x.startswith("inverse")), encoding="utf-8")
    study = study_of(columns_of(3, ("A", "L1", "machine", "X"), ("A", "L2", "machine", "X")))
    closed, searched = (
        case_of(study, "stretched-exponential"),
        case_of(study, read_law(mine)),
    )
    assert searched.model.law.inverse_tape is None
    for y in closed.points(3):
        theta = closed.theta(y)
        there, slope = density(closed.raw, theta)
        here, found = density(searched.raw, theta)
        assert here == pytest.approx(there, abs=1e-8)
        assert found == pytest.approx(slope, abs=1e-6)


def test_summaries_with_sd_and_count_equal_their_strips_when_errors_are_normal():
    columns = columns_of(4, ("A", "L1", "machine", "X"), ("A", "L2", "machine", "X"))
    strength = columns["strength"].reshape(8, 3)
    means = {k: v[::3] for k, v in columns.items()} | {
        "strength": strength.mean(axis=1), "sd": strength.std(axis=1, ddof=1), "n": 3,
        "summary": True,
    }  # fmt: skip
    strips = case_of(study_of(columns), "logistic", "normal")
    summed = case_of(study_of(means), "logistic", "normal")
    for y in strips.points(3):
        theta = strips.theta(y)
        assert density(summed.raw, theta)[0] == pytest.approx(
            density(strips.raw, theta)[0], abs=1e-7
        )


def test_tail_of_the_normal_distribution_agrees_with_scipy():
    for x in (*np.linspace(-60, 8, 69), -30.0001, -29.9999):
        value, slope = kernel.log_phi(float(x))
        assert value == pytest.approx(special.log_ndtr(x), rel=1e-6, abs=1e-15)
        mills = math.exp(stats.norm.logpdf(x) - special.log_ndtr(x))
        assert slope == pytest.approx(mills, rel=2e-6, abs=1e-15)


def test_score_of_a_half_normal_spread_agrees_with_scipy():
    for score in np.linspace(-6, 6, 49):
        log_x, slope = kernel.half_normal_score(float(score))
        assert log_x == pytest.approx(math.log(half_normal(score)), abs=1e-9)
        ahead = math.log(half_normal(score + 1e-5)) - math.log(half_normal(score - 1e-5))
        assert slope == pytest.approx(ahead / 2e-5, rel=1e-5)


def test_spreads_are_read_off_their_scores_far_out_as_the_kernel_takes_them():
    scale = priors()["lot_spread_of_threshold"]["scale"]
    for score in (-6.0, -1.0, 0.0, 1.0, 5.0, 8.2, 8.3, 20.0, 35.0):
        log_x, _ = kernel.half_normal_score(score)
        found = spread_of_score(score, "lot_spread_of_threshold")
        assert found == pytest.approx(scale * math.exp(log_x), rel=1e-9)


@pytest.mark.parametrize(("measured", "tolerance"), [(1, 1e-4), (0, 0.1)])
def test_lot_of_censored_strips_is_integrated_closely_where_the_posterior_lies(measured, tolerance):
    """The nodes lie where the measured strips put the start; a lot with none is the worst case.

    Seen: 4e-6 with one measured strip, 0.03 without (and 0.06 for twenty strips).
    """
    columns = columns_of(5, *[("A", lot, "machine", "X") for lot in ("L1", "L2", "L3")])
    last = columns["dose"] == 500.0
    columns["strength"] = np.where(last, 6.0, columns["strength"])
    columns["censored"] = np.where(last, -1, 0)
    keep = (columns["lot"] != "L1") | last
    keep[:measured] = True
    it = case_of(study_of({k: v[keep] for k, v in columns.items()}), "stretched-exponential")
    assert ((columns["lot"] == "L1") & (columns["censored"] == 0) & keep).sum() == measured
    top = density(it.buffer, it.at.centre)[0]
    thetas = [it.theta(y) for y in it.points(40) if density(it.buffer, y)[0] > top - 15]
    assert len(thetas) > 10
    gaps = np.array([density(it.raw, t)[0] - oracle(it, t) for t in thetas])
    assert np.abs(gaps - np.median(gaps)).max() < tolerance
