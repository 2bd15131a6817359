"""Do clocks, covariates, shared and pooled parameters and lots in two directions enter as stated?

The density against the same model in PyMC, in which nothing is integrated out, and the gradient by
differences; see test_kinds.py for how the integrals are taken.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from known_truth import study_of
from scipy import stats
from test_kernel import Case, assert_gradient, case_of, case_of_model
from test_kinds import gaps

from durability.inference import clock
from durability.inference.build import build_model
from durability.inference.coordinates import bound_table, column_values, cut_off, pack
from durability.inference.model import ERRORS, ClockTerms, Column, Structure
from durability.laws import read_law
from durability.study import Exposure, Segment, StudyError
from durability.study.model import Study

DOSES = np.array([0.0, 80.0, 200.0, 400.0])
LAW = "stretched-exponential"


def strips(
    seed: int, *, materials: int = 2, lots: int = 1, directions: tuple[str, ...] = ("machine",),
    exposures: tuple[str, ...] = ("X",), number: int = 2,
) -> dict[str, Any]:  # fmt: skip
    """Columns of strips about one curve; unexposed strips are listed once."""
    rng = np.random.default_rng(seed)
    m, lot, way, x, dose, _ = (
        a.ravel() for a in np.meshgrid(range(materials), range(lots), range(len(directions)),
                                       range(len(exposures)), DOSES, range(number), indexing="ij")
    )  # fmt: skip
    keep = (dose > 0) | (x == 0)
    m, lot, way, x, dose = m[keep], lot[keep], way[keep], x[keep], dose[keep]
    left = np.exp(-((dose / (300 + 80 * m + 20 * way)) ** 1.3) + 0.05 * (lot - 1))
    return {
        "material": np.array(list("ABCDEF"))[m], "lot": np.array(["L1", "L2", "L3", "L4"])[lot],
        "direction": np.array(directions)[way], "dose": dose,
        "exposure": np.where(dose > 0, np.array(exposures)[x], ""),
        "strength": (15 + m) * left * np.exp(0.06 * rng.standard_normal(dose.size)),
    }  # fmt: skip


def lamp(name: str, irradiance: float, panel: float, uncertainty: float = 0.05) -> Exposure:
    return Exposure(
        name=name, irradiance=irradiance, band="340 nm", irradiance_uncertainty=uncertainty,
        dose_unit="kJ/(m² nm) at 340 nm",
        cycle=(Segment(minutes=60, light=True, black_panel=panel, air=panel - 20),),
    )  # fmt: skip


LAMPS = (lamp("X", 0.35, 63.0), lamp("Y", 0.7, 63.0), lamp("Z", 0.5, 83.0))


def of_lamps(seed: int = 1, **options: Any) -> Study:
    columns = strips(seed, exposures=("X", "Y", "Z"), **options)
    return study_of(columns, exposures=LAMPS, polymer="polypropylene")


def with_covariates(seed: int, values: dict[str, list[float]], **options: Any) -> Study:
    n = len(next(iter(values.values())))
    study = study_of(strips(seed, materials=n, **options))
    return replace(study, materials={
        m: replace(of, covariates={k: v[i] for k, v in values.items()})
        for i, (m, of) in enumerate(study.materials.items())
    })  # fmt: skip


LOADED = with_covariates(3, {"loading": [0.1, 0.2, 0.4, 0.8], "area": [100.0, 120.0, 90.0, 110.0]})
SIX = with_covariates(
    6, {"loading": [0.1, 0.2, 0.3, 0.4, 0.6, 0.9], "colour": [1.0, 2.0, 1.0, 3.0, 2.0, 3.0]}
)
BOTH_WAYS = study_of(strips(4, materials=1, lots=3, directions=("machine", "cross")))


def sky_terms(study: Study, material: str) -> ClockTerms:
    """A made-up clock that bends: Y is a sky beside the lamp X."""
    dose = np.concatenate([DOSES[1:], DOSES[1:]])
    exposure = np.repeat(["X", "Y"], 3)
    sky = exposure == "Y"
    k = np.arange(6)
    bend = 0.02 * np.array([[1.0, 0.3, 0.0], [0.3, -0.5, 0.2], [0.0, 0.2, 0.0]])
    return ClockTerms(
        parameters=(
            Column(name="activation_energy", subject="p", mean=30.0, sd=8.0, low=15.0, high=60.0),
            Column(name="reciprocity_exponent", subject="p", mean=0.9, sd=0.1, low=0.5, high=1.0),
            Column(name="lab_to_sky", subject="site", mean=0.0, sd=0.4),
        ),
        family={"X": "dose", "Y": "dose"},
        exposure=exposure,
        dose=dose,
        constant=np.log(dose) + np.where(sky, -0.2 + 0.02 * k, 0.0),
        linear=np.where(sky[:, None], np.array([0.3, -0.2, 1.0]) + 0.01 * k[:, None], 0.0),
        quadratic=np.where(sky[:, None, None], bend * (1 + 0.1 * k[:, None, None]), 0.0),
    )


@pytest.fixture
def under_a_sky(monkeypatch: pytest.MonkeyPatch) -> Study:
    monkeypatch.setattr(clock, "_terms", lambda s, ms: {m: sky_terms(s, m) for m in ms})
    columns = strips(5, exposures=("X", "Y"), materials=1, lots=2)
    return study_of(columns, exposures=(
        lamp("X", 0.35, 63.0),
        Exposure(name="Y", lamp="outdoor", axis="h", dose_unit="h", site="phoenix"),
    ))  # fmt: skip


CASES: dict[str, tuple[Study, str, Structure]] = {
    "lamps": (of_lamps(lots=2), LAW, Structure()),
    "shared shape": (study_of(strips(2, lots=2)), LAW, Structure(shape="shared", spread="shared")),
    "pooled shape": (
        study_of(strips(2, materials=3, lots=2)), LAW, Structure(shape="pooled", spread="pooled")
    ),
    "two shapes, pooled": (
        study_of(strips(2, materials=3, lots=2)), "exponential-plateau", Structure(shape="pooled")
    ),
    "a line": (LOADED, LAW, Structure(covariates=(("loading", "log"), ("area", "linear")))),
    "a line, pooled shape": (LOADED, LAW, Structure(shape="pooled", spread="pooled")),
    "a smooth line": (
        SIX, LAW, Structure(covariates=(("loading", "smooth"), ("colour", "class")))
    ),
    "lots both ways": (BOTH_WAYS, LAW, Structure()),
}  # fmt: skip


def assert_stated(it: Case, tolerance: float = 2e-5) -> None:
    """The density of the plain model, and its own gradient in every coordinate."""
    assert np.ptp(gaps(it)) < tolerance
    points = it.points(2)
    assert_gradient(it, points, it.buffer)
    assert_gradient(it, np.array([it.theta(y) for y in points]), it.raw)
    z = 0.7 * np.random.default_rng(1).standard_normal((1, it.layout.size))
    assert_gradient(it, z, pack(it.model, it.at))


@pytest.mark.parametrize(
    "errors", ["lognormal", *(pytest.param(e, marks=pytest.mark.slow) for e in ERRORS[1:])]
)
@pytest.mark.parametrize("name", CASES)
def test_every_structure_has_the_density_of_the_plain_model_and_its_own_gradient(name, errors):
    study, law, structure = CASES[name]
    it = case_of(study, law, errors, structure)
    assert_stated(without_limits(it) if name == "lamps" else it)


def test_a_clock_that_bends_has_the_density_of_the_plain_model(under_a_sky):
    it = case_of(under_a_sky, LAW)
    assert it.model.bow.size
    assert_stated(without_limits(it))


def test_priors_cut_off_at_limits_have_the_density_of_the_plain_model(under_a_sky):
    it = case_of(under_a_sky, LAW)
    assert any(c.bounded for c in it.model.columns)
    assert_stated(it, 5e-3)  # a spline here, an inverse error function there


def without_limits(it: Case) -> Case:
    columns = tuple(replace(c, low=-np.inf, high=np.inf) for c in it.model.columns)
    return case_of_model(it.study, replace(it.model, columns=columns))


def test_a_cell_under_a_sky_has_the_effective_dose_that_its_clock_says(under_a_sky):
    model = build_model(under_a_sky, read_law(LAW))
    terms = sky_terms(under_a_sky, "A")
    rng = np.random.default_rng(2)
    value = np.array([rng.uniform(20, 45), rng.uniform(0.7, 1.0), rng.normal(0, 0.4)])
    z = (value - [p.mean for p in terms.parameters]) / [p.sd for p in terms.parameters]
    said = terms.constant + terms.linear @ z + 0.5 * np.einsum("nij,i,j->n", terms.quadratic, z, z)
    for g in np.flatnonzero(model.cell_dose > 0):
        first, end = model.bow_range[g]
        got = model.log_dose[g] - model.design[g] @ value
        got += (model.bow[first:end] * value[model.bow_index[first:end]].prod(axis=1)).sum()
        mine = (terms.exposure == model.cell_exposure[g]) & (terms.dose == model.cell_dose[g])
        assert got == pytest.approx(said[mine][0], abs=1e-10)
    assert ("A", "machine", "X") in model.conditions
    assert ("A", "machine", "Y") not in model.conditions  # no one factor reads it


def test_a_prior_cut_off_at_limits_is_a_truncated_normal():
    column = Column(name="p", subject="", mean=0.9, sd=0.1, low=0.5, high=1.0)
    u = np.linspace(0.001, 0.999, 57)
    exact = stats.truncnorm.ppf(u, -4.0, 1.0, loc=0.9, scale=0.1)
    assert cut_off(column, stats.norm.ppf(u)) == pytest.approx(exact, abs=1e-12)
    model = replace(build_model(of_lamps(), read_law(LAW)), columns=(column,))
    found = column_values(model, stats.norm.ppf(u)[:, None])
    assert found[:, 0] == pytest.approx(exact, abs=1e-5)
    assert bound_table(column).shape[1] == 5


@pytest.mark.parametrize(
    ("covariates", "expected"),
    [
        ({"density": "log"}, "loading"),  # names what there is
        ({"loading": "smooth"}, "at least 5"),
    ],
)
def test_a_covariate_that_cannot_be_used_is_a_problem_in_words(covariates, expected):
    with pytest.raises(StudyError, match=expected):
        structure = Structure(covariates=tuple(covariates.items()))
        build_model(LOADED, read_law(LAW), structure=structure)
