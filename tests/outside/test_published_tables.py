"""Do a published table's numbers come out of the study that was made of it?

The table: three marine fabrics, Dean and Voss, Design and Analysis of Experiments, Springer 1999,
table 7.18. The answers: R 4.2.2, in data/fabric_weathering.json with the command beside each.
"""

from __future__ import annotations

import functools
import itertools
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import stats
from scipy.optimize import curve_fit

import durability
from durability.inference import Fit
from durability.laws import read_law
from durability.study import Study

HERE = Path(__file__).parent
ANSWERS = json.loads((HERE / "data" / "fabric_weathering.json").read_text(encoding="utf-8"))
CONDITIONS = {
    "continuous light": "continuous",
    "alternating light and condensation": "alternating",
}


@functools.cache
def study() -> Study:
    return durability.read_study(HERE.parents[1] / "examples" / "marine-fabrics")


@functools.cache
def fit() -> Fit:
    return durability.fit(study(), seed=1)


def table() -> dict[str, np.ndarray]:
    """The study's rows with the five censored cells put back to the printed 0."""
    rows = study().rows
    printed = np.where(rows["censored"].values == -1, 0.0, rows["strength"].values)
    assert (printed == 0).sum() == 5
    names = ("material", "direction", "exposure", "dose")
    return {n: rows[n].values for n in names} | {"printed": printed}


def test_analysis_of_variance_agrees_with_r():
    data = table()
    factors = {
        "exposure": data["exposure"],
        "dosef": data["dose"],
        "direction": data["direction"],
        "fabric": data["material"],
    }
    total = data["printed"]

    def columns(names: tuple[str, ...]) -> np.ndarray:
        """Indicator columns of every combination of the levels of these factors."""
        keys = np.array(["|".join(str(factors[n][i]) for n in names) for i in range(total.size)])
        return (keys[:, None] == np.unique(keys)[None, :]).astype(float)

    def residual_squares(design: np.ndarray) -> tuple[float, int]:
        solution, _, rank, _ = np.linalg.lstsq(design, total, rcond=None)
        return float(((total - design @ solution) ** 2).sum()), int(rank)

    expected = ANSWERS["anova_retained_percent"]["table"]
    design = np.ones((total.size, 1))
    left, rank = residual_squares(design)
    found = {}
    for size in (1, 2, 3):
        for names in itertools.combinations(factors, size):
            design = np.hstack([design, columns(names)])
            now, new_rank = residual_squares(design)
            found[":".join(names)] = (left - now, new_rank - rank)
            left, rank = now, new_rank
    freedom = total.size - rank
    assert (freedom, left) == (
        expected["Residuals"]["df"],
        pytest.approx(expected["Residuals"]["sum_sq"], rel=1e-8),
    )
    assert set(found) == set(expected) - {"Residuals"}
    for name, (squares, df) in found.items():
        answer = expected[name]
        assert df == answer["df"]
        assert squares == pytest.approx(answer["sum_sq"], rel=1e-8)
        f = squares / df / (left / freedom)
        assert f == pytest.approx(answer["F"], rel=1e-7)
        assert stats.f.sf(f, df, freedom) == pytest.approx(answer["p"], rel=1e-6)


@pytest.mark.parametrize("group", list(ANSWERS["straight_lines"]["fits"]))
def test_straight_lines_agree_with_r(group):
    answer = ANSWERS["straight_lines"]["fits"][group]
    material, condition = group.split(" / ")
    data = table()
    mine = (data["material"] == material) & (data["exposure"] == CONDITIONS[condition])
    line: Any = stats.linregress(data["dose"][mine], data["printed"][mine])
    rest = data["printed"][mine] - line.intercept - line.slope * data["dose"][mine]
    assert mine.sum() == answer["n"]
    assert line.intercept == pytest.approx(answer["intercept"], rel=1e-9)
    assert 1000 * line.slope == pytest.approx(answer["slope_per_1000_AFU"], rel=1e-9)
    assert 1000 * line.stderr == pytest.approx(answer["se_slope_per_1000_AFU"], rel=1e-9)
    assert np.sqrt((rest**2).sum() / 4) == pytest.approx(answer["residual_sd"], rel=1e-9)


def test_least_squares_with_our_law_agree_with_r_to_five_digits():
    answer = ANSWERS["polyester_stretched_exponential"]
    law = read_law("stretched-exponential")
    data = table()
    mine = data["material"] == "polyester"

    def curve(dose: np.ndarray, tau: float, b: float) -> np.ndarray:
        return 100 * law.retained(dose / tau, {"k": b})

    found, covariance = curve_fit(
        curve, data["dose"][mine], data["printed"][mine], p0=(5000.0, 0.5), xtol=1e-14, ftol=1e-14
    )
    errors = np.sqrt(np.diag(covariance))
    for i, name in enumerate(("tau", "b")):
        assert found[i] == pytest.approx(answer["coefficients"][name], rel=1e-5)
        assert errors[i] == pytest.approx(answer["standard_errors"][name], rel=1e-4)
    rest = data["printed"][mine] - curve(data["dose"][mine], *found)
    assert np.sqrt((rest**2).sum() / 10) == pytest.approx(answer["residual_sd"], rel=1e-6)
    half = found[0] * law.inverse(0.5, {"k": found[1]})
    assert half == pytest.approx(answer["dose_to_half_strength"], rel=1e-5)


def test_fit_of_the_table_passes_its_diagnostics():
    assert fit().diagnostics.ok


def test_intervals_of_polyester_cover_the_dose_of_half_strength_by_least_squares():
    half = ANSWERS["polyester_stretched_exponential"]["dose_to_half_strength"]
    found = fit().threshold_dose(0.5, of="mean", material="polyester")
    assert len(found) == 4
    for s in found:
        assert s.low is not None and s.high is not None
        assert s.low < half < s.high
        assert {"one_lot", "unexposed_error_unknown", "spread_not_given"} <= set(s.flags)


def test_zeros_of_nylon_are_censored_and_not_dropped():
    model = fit().model
    assert model.censored_limit.size == 5
    assert np.exp(model.censored_limit) == pytest.approx(1.0)
    assert (model.censored_index[:, 1] == -1).all()
    assert set(model.cell_dose[model.censored_index[:, 0]]) == {2400.0, 3600.0}
    assert model.n_strips == 36


def test_nylon_is_at_half_before_or_about_the_first_dose():
    for s in fit().threshold_dose(0.5, of="mean", material="nylon"):
        assert {"before_first_dose", "upper_bound_only"} & set(s.flags)
        assert s.high is not None and (s.value is None or s.value < 1200)


def test_acrylic_has_a_lower_bound_only():
    found = fit().threshold_dose(0.5, of="mean", material="acrylic")
    others = fit().threshold_dose(0.5, of="new_lot", material="acrylic")
    assert len(found) == len(others) == 4
    for mean, new in zip(found, others, strict=True):
        for s in (mean, new):
            assert s.is_bound and s.high is None and s.low is not None
            assert "lower_bound_only" in s.flags
            assert ("extrapolated" in s.flags) == (s.low > 3600)
        assert mean.low is not None and new.low is not None
        assert mean.low > 3600  # nothing was lost at 3600 AFU
        assert new.low < mean.low  # one lot was tested


def test_fading_units_are_not_read_as_days_and_the_refusal_says_why():
    with pytest.raises(ValueError, match="AFU") as refused:
        durability.translate(fit(), site="miami")
    assert "continuous" in str(refused.value)
    assert not fit().statements().where(quantity="threshold_hours")
