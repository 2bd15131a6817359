"""Do threshold times agree with answers computed by R? Values, delta, Wald and profile limits."""

from __future__ import annotations

import csv
import json
import math
from pathlib import Path

import numpy as np
import pytest

from durability.inference.likelihood import fit_curve
from durability.laws import read_curve

DATA = Path(__file__).parent / "data"
# Answers computed by R 4.2.2 (stats, MASS 7.3-58.2), the command beside each in the file; the
# profile limits that R interpolates were solved directly (profile95_exact). Data: the source line
# of each file.
ANSWERS = json.loads((DATA / "degradation/answers.json").read_text(encoding="utf-8"))


def table(name: str) -> dict[str, np.ndarray]:
    lines = (DATA / name).read_text(encoding="utf-8").splitlines()
    rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    return {k: np.array([float(r[k]) for r in rows]) for k in rows[0]}


@pytest.fixture(scope="module")
def weight():
    data = table("degradation/weight_loss.csv")
    curve = read_curve(
        "b0 + b1*exp(-log(2)*day/th)", predictors=["day"], parameters=["b0", "b1", "th"]
    )
    return fit_curve(curve, data["day"], data["weight"])


def test_weight_loss_estimates_agree_with_r_nls(weight):
    fit = ANSWERS["weight_loss"]["fit"]
    for name, value in fit["coefficients"].items():
        assert weight.estimates[name] == pytest.approx(value, rel=1e-6)
        assert weight.standard_errors[name] == pytest.approx(fit["standard_errors"][name], rel=1e-5)
        found = weight.interval(name)
        assert [found.low, found.high] == pytest.approx(fit["profile95"][name], rel=1e-4)
    assert weight.residual_squares == pytest.approx(fit["residual_sum_of_squares"], rel=1e-8)
    assert weight.sigma == pytest.approx(fit["residual_sd"], rel=1e-8)


@pytest.mark.parametrize("target", [120, 110, 100, 90])
def test_day_of_a_target_weight_agrees_with_r(weight, target):
    answer = ANSWERS["weight_loss"]["day_of_target"]["targets"][str(target)]
    found = weight.threshold_dose(level_left=target)
    assert found.value == pytest.approx(answer["day"], rel=1e-6)
    assert found.standard_error == pytest.approx(answer["se_delta"], rel=1e-5)
    assert [found.low, found.high] == pytest.approx(answer["profile95_exact"], rel=1e-6)
    wald = weight.threshold_dose(level_left=target, method="wald")
    assert [wald.low, wald.high] == pytest.approx(answer["wald95"], rel=1e-5)


@pytest.mark.parametrize("temperature", [150, 180, 225])
def test_weeks_to_two_kilovolt_agree_with_r(temperature):
    data = table("nist/nelson.csv")
    curve = read_curve(
        "b1 - b2*x1*exp(-b3*x2)", predictors=["x1", "x2"], parameters=["b1", "b2", "b3"]
    )
    fit = fit_curve(curve, {"x1": data["x1"], "x2": data["x2"]}, np.log(data["y"]))
    answer = ANSWERS["nelson_threshold_time"]["answers"][str(temperature)]
    asked = {"level_left": math.log(2), "predictor": "x1", "at": {"x2": temperature}}
    found = fit.threshold_dose(**asked)
    assert found.value == pytest.approx(answer["weeks"], rel=1e-5)
    assert found.standard_error / found.value == pytest.approx(answer["se"], rel=1e-5)
    assert [found.low, found.high] == pytest.approx(answer["profile95_weeks_exact"], rel=1e-5)
    wald = fit.threshold_dose(**asked, method="wald", log=True)
    assert [wald.low, wald.high] == pytest.approx(answer["wald95_weeks"], rel=1e-5)


def test_projected_times_of_drifting_resistors_agree_with_r():
    data = table("degradation/resistor_drift.csv")
    answer = ANSWERS["resistor_drift"]
    units = [f"{t:g}/{c:g}" for t, c in zip(data["temp"], data["component"], strict=True)]
    line = read_curve("slope*time", predictors=["time"], parameters=["slope"])
    fit = fit_curve(line, data["time"], data["drift_percent"], groups=units)
    times, temperatures = [], []
    expected = answer["unit_slopes"]
    for c, t, slope, time in zip(
        expected["component"], expected["temp"], expected["slope"], expected["projected_time"],
        strict=True,
    ):  # fmt: skip
        assert fit.estimates[f"slope[{t}/{c}]"] == pytest.approx(slope, rel=1e-9)
        found = fit.threshold_dose(level_left=30.0, group=f"{t}/{c}", method="wald")
        assert found.value == pytest.approx(time, rel=1e-9)
        times.append(found.value)
        temperatures.append(t)
    arrhenius = read_curve(
        "exp(a + ea*11604.83/(temp + 273.15))", predictors=["temp"], parameters=["a", "ea"]
    )
    line = read_curve("a + ea*w", predictors=["w"], parameters=["a", "ea"])
    w = 11604.83 / (np.array(temperatures) + 273.15)
    projected = fit_curve(line, w, np.log(times))
    wanted = answer["arrhenius"]
    assert arrhenius.predictors == ("temp",)
    assert projected.estimates["ea"] == pytest.approx(wanted["activation_energy_eV"], rel=1e-6)
    assert projected.standard_errors["ea"] == pytest.approx(
        wanted["se_activation_energy"], rel=1e-6
    )
    assert projected.sigma == pytest.approx(wanted["sigma"], rel=1e-6)
    at = 11604.83 / (30 + 273.15)
    cold = projected.interval(lambda e: e["a"] + e["ea"] * at)
    assert cold.value == pytest.approx(wanted["at_30_degC"]["log_median"], rel=1e-7)
    assert cold.standard_error == pytest.approx(wanted["at_30_degC"]["se"], rel=1e-6)
    assert [math.exp(cold.low), math.exp(cold.high)] == pytest.approx(
        wanted["at_30_degC"]["ci95"], rel=1e-5
    )


def test_crossing_times_of_falling_voltage_agree_with_r():
    data = table("degradation/threshold_voltage.csv")
    answer = ANSWERS["threshold_voltage"]
    units = [f"{c:g}" for c in data["component"]]
    line = read_curve("a + b*time", predictors=["time"], parameters=["a", "b"])
    fit = fit_curve(line, data["time"], data["voltage"], groups=units)
    times = []
    for i, unit in enumerate(dict.fromkeys(units)):
        found = fit.threshold_dose(level_left=0.5, group=unit, method="wald")
        assert fit.estimates[f"b[{unit}]"] == pytest.approx(
            answer["unit_lines"]["slope"][i], rel=1e-9
        )
        assert found.value == pytest.approx(answer["unit_lines"]["crossing_time"][i], rel=1e-6)
        times.append(found.value)
    mean = read_curve("m + 0*one", predictors=["one"], parameters=["m"])
    median = fit_curve(mean, np.ones(5), np.log(times))
    assert math.exp(median.estimates["m"]) == pytest.approx(answer["lognormal"]["median"], rel=1e-6)
    assert median.sigma == pytest.approx(answer["lognormal"]["sd_log"], rel=1e-6)
    found = median.interval("m")
    assert [math.exp(found.low), math.exp(found.high)] == pytest.approx(
        answer["lognormal"]["ci95_median"], rel=1e-6
    )
