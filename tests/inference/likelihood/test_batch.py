"""Do many series fitted at once get the answers of each fitted alone?"""

from __future__ import annotations

import numpy as np
import pytest
import xarray

from durability.inference.likelihood import batch, batch_kernel, fit_curve, fit_series
from durability.laws import expression, laws

DOSES = np.array([0.0, 100.0, 200.0, 300.0, 450.0, 600.0])


def made(shape, seed=1, strips=5):
    rng = np.random.default_rng(seed)
    scale = 300 * np.exp(rng.normal(0, 0.3, shape))[..., None, None]
    curve = 20 * np.exp(-((DOSES[:, None] / scale) ** 1.5))
    y = curve * np.exp(rng.normal(0, 0.08, (*shape, DOSES.size, strips)))
    dims = [f"d{i}" for i in range(len(shape))]
    return xarray.DataArray(y, dims=(*dims, "dose", "strip"), coords={"dose": DOSES})


@pytest.mark.parametrize("law", ["stretched-exponential", "exponential", "logistic", "gompertz"])
@pytest.mark.parametrize("errors", ["lognormal", "normal"])
def test_each_series_has_the_answer_of_its_own_fit(law, errors):
    many = made((6,))
    found = fit_series(law, many, errors=errors)
    x = np.repeat(DOSES, 5)
    for i in range(6):
        fit = fit_curve(law, x, many[i].values.ravel(), errors=errors)
        for name, value in fit.estimates.items():
            assert found[name].values[i] == pytest.approx(value, rel=1e-5)
        assert found["residual_sd"].values[i] == pytest.approx(fit.sigma, rel=1e-6)
        assert found["log_likelihood"].values[i] == pytest.approx(fit.log_likelihood, rel=1e-8)
        alone = fit.threshold_dose(0.5, method="wald")
        assert found["threshold_dose"].values[i] == pytest.approx(alone.value, rel=1e-5)
        assert found["log_threshold_se"].values[i] == pytest.approx(
            alone.standard_error / alone.value, rel=1e-3
        )


@pytest.mark.parametrize("law", laws())
@pytest.mark.parametrize("errors", ["lognormal", "normal"])
def test_compiled_steps_reach_what_the_plain_steps_reach(law, errors, monkeypatch):
    many = made((40,), seed=2)
    plain = fit_series(law, many, errors=errors)
    monkeypatch.setattr(batch, "MANY", 1)
    found = fit_series(law, many, errors=errors)
    both = (plain["converged"] == 1) & (found["converged"] == 1)
    assert both.mean() > 0.8
    gap = abs(found["log_likelihood"] - plain["log_likelihood"])[both]
    assert gap.max() < 1e-3  # two-stage laws lie flat along a bound
    assert (gap < 1e-6).mean() > (0.6 if law == "two-stage-exponential" else 0.95)


def test_operation_codes_are_those_of_the_formulas():
    for name in ("CONST", "ADD", "SUB", "MUL", "DIV", "POW", "NEG", "EXP", "LOG", "SQRT", "EXPM1",
                 "LOG1P", "TANH", "SIN", "COS", "ATAN", "ABS", "MIN", "MAX", "LT", "LE",
                 "WHERE"):  # fmt: skip
        assert getattr(batch_kernel, name) == getattr(expression, name)


def test_dimensions_are_kept_and_missing_strips_left_out():
    many = made((2, 3))
    many[1, 2, 4, 3:] = np.nan
    found = fit_series("exponential", many)
    assert found["scale"].dims == ("d0", "d1")
    y = many[1, 2].values.ravel()
    x = np.repeat(DOSES, 5)
    fit = fit_curve("exponential", x[np.isfinite(y)], y[np.isfinite(y)])
    assert found["scale"].values[1, 2] == pytest.approx(fit.estimates["scale"], rel=1e-6)
    assert found["residual_sd"].values[1, 2] == pytest.approx(fit.sigma, rel=1e-6)


def test_chunks_of_dask_give_the_same_answer():
    many = made((8,))
    lazy = fit_series("exponential", many.chunk({"d0": 4})).compute()
    assert np.allclose(lazy["scale"], fit_series("exponential", many)["scale"], rtol=1e-12)


def test_a_threshold_never_reached_is_missing_not_infinite():
    rng = np.random.default_rng(1)
    y = 20 * (0.7 + 0.3 * np.exp(-DOSES / 60))[:, None] * np.exp(rng.normal(0, 0.01, (1, 6, 5)))
    many = xarray.DataArray(y, dims=("series", "dose", "strip"), coords={"dose": DOSES})
    found = fit_series("exponential-plateau", many)
    assert np.isnan(found["threshold_dose"].values[0])
    assert found["converged"].values[0] == 1
