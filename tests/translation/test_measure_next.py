"""Total shares against products of log-normals, and what measuring would gain."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from durability.translation import measure_next as module
from durability.translation.inputs import draw_links, draw_shared
from durability.translation.lamp import lamp_clock
from durability.translation.measure_next import MeasureNext, _inputs, _totals
from durability.translation.reading import SkyClock
from durability.translation.sky import sky_year


@pytest.fixture
def totals(fit_of, even_sky, certain_inputs, lamp):
    def make(tau, **spread):
        inputs = dict(certain_inputs)
        for name, log_sd in spread.items():
            inputs[name] = replace(inputs[name], log_sd=log_sd)
        fit, n = fit_of(tau), len(tau)
        clock = replace(lamp_clock(lamp), temperature_sd=0.0)
        shared = draw_shared(inputs, draws=n, seed=1)
        links = draw_links(
            fit, "A", clock, lab_to_sky=inputs["lab_to_sky"], shared=shared, draws=n, seed=1
        )
        year = sky_year(even_sky, "e340")
        sky = SkyClock(material="A", lamp=clock, year=year, links=links, cloud=0.8)
        given = _inputs(sky, fit.tau, None, np.zeros(n))
        y = np.log(fit.tau * links["lab_to_sky"] / links["year_to_year"])
        return _totals(sky, given, (100, 1), float(y.var()), 1, 1.0)

    return make


def test_total_shares_of_a_product_of_log_normals_are_the_ratios_of_their_variances(totals):
    """Days are tau · s / y at p = 1: variances 0.09, 0.16 and 0.01 (arithmetic)."""
    tau = 500 * np.exp(0.3 * np.random.default_rng(2).standard_normal(3000))
    found = totals(tau, lab_to_sky=0.4, year_to_year=0.1)
    expected = {"threshold_dose": 9 / 26, "lab_to_sky": 16 / 26, "year_to_year": 1 / 26}
    for name, share in expected.items():
        assert found[name] == pytest.approx(share, abs=0.05), name
    assert found["cloud_power"] == 0
    assert found["lamp_temperature"] == 0


def result(**change):
    made = MeasureNext(
        site="s", title="S", material="A", direction="", of="mean", fraction=0.5, month=6,
        first={"lab_to_sky": 0.75, "year_to_year": 0.2, "lamp_dose": 0.05},
        total={"lab_to_sky": 0.75, "year_to_year": 0.2, "lamp_dose": 0.05},
        variance=0.16, level=0.95, left_out=0.0,
    )  # fmt: skip
    return replace(made, **change)


def test_knowing_three_quarters_of_the_variance_halves_the_log_interval():
    """exp(1.96 · 0.4) = 2.19; with a quarter of the variance exp(1.96 · 0.2) = 1.48."""
    made = result()
    assert made.factor() == pytest.approx(2.19, abs=0.005)
    assert made.factor("lab_to_sky") == pytest.approx(1.48, abs=0.005)
    assert "1.5 at best" in made.sentence()


def test_what_no_measurement_can_settle_is_not_proposed():
    made = result(first={"year_to_year": 0.9, "lamp_dose": 0.1})
    assert made.best() == "lamp_dose"
    assert "calibrate" in made.sentence()
    assert result(first={"year_to_year": 1.0}).best() is None


def test_every_remedy_is_of_an_input_of_the_budget():
    from durability.translation import BUDGET_INPUTS

    assert set(module.REMEDIES) < set(BUDGET_INPUTS)
