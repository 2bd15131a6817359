"""Mixed models: exact slopes, crossed groups, known spreads and plain refusals."""

from __future__ import annotations

import numpy as np
import pytest

from durability.inference.mixed import Grouping, fit_mixed
from durability.inference.profiled_deviance import Block, System


def crossed(rng, *, lots=12, days=10, lot_sd=2.0, day_sd=1.0, sd=0.5):
    lot, day = (a.ravel() for a in np.meshgrid(np.arange(lots), np.arange(days), indexing="ij"))
    y = 10 + lot_sd * rng.standard_normal(lots)[lot] + day_sd * rng.standard_normal(days)[day]
    return y + sd * rng.standard_normal(y.size), lot, day


@pytest.mark.parametrize("reml", [True, False])
def test_the_slope_is_that_of_the_deviance(reml):
    rng = np.random.default_rng(1)
    lot, x = np.repeat(np.arange(5), 6), rng.standard_normal(30)
    y = rng.standard_normal(30) + lot + 0.3 * lot * x
    blocks = [Block.of(Grouping(name="lot", labels=lot, slopes={"x": x})),
              Block.of(Grouping(name="day", labels=np.tile(np.arange(6), 5)))]  # fmt: skip
    system = System.of(np.column_stack([np.ones(30), x]), y, blocks, reml)
    theta = np.array([0.8, 0.3, 0.5, 0.6])
    slope = system.solve(theta).slope
    for i, e in enumerate(np.eye(4)):
        up, down = (system.solve(theta + s * 1e-5 * e).deviance for s in (1, -1))
        assert slope[i] == pytest.approx((up - down) / 2e-5, rel=1e-6, abs=1e-6)


@pytest.mark.parametrize("method", ["REML", "ML"])
def test_the_criterion_is_the_likelihood_written_out_in_full(method):
    rng = np.random.default_rng(2)
    y, lot, day = crossed(rng, lots=4, days=5)
    random = [Grouping(name="lot", labels=lot), Grouping(name="day", labels=day)]
    fit = fit_mixed(y, random=random, method=method)
    covariance = fit.residual_sd**2 * np.eye(y.size)
    for name, label in (("lot", lot), ("day", day)):
        same = label[:, None] == label[None, :]
        covariance += fit.component(name).covariance[0, 0] * same
    inverse = np.linalg.inv(covariance)
    one = np.ones(y.size)
    information = one @ inverse @ one
    rest = y - (one @ inverse @ y) / information
    full = np.linalg.slogdet(covariance)[1] + rest @ inverse @ rest + y.size * np.log(2 * np.pi)
    if method == "REML":
        full += np.log(information) - np.log(2 * np.pi)
    assert fit.criterion == pytest.approx(full, rel=1e-9)
    assert fit.standard_errors[0] == pytest.approx(information**-0.5, rel=1e-9)


def test_crossed_groups_give_the_moments_of_a_balanced_table():
    # two-way table without replicates: REML is the analysis of variance where all are positive
    rng = np.random.default_rng(3)
    y, lot, day = crossed(rng)
    fit = fit_mixed(y, random=[Grouping(name="lot", labels=lot), Grouping(name="day", labels=day)])
    table = y.reshape(12, 10)
    rows, columns = table.mean(1), table.mean(0)
    rest = table - rows[:, None] - columns + table.mean()
    error = (rest**2).sum() / (11 * 9)
    assert fit.residual_sd**2 == pytest.approx(error, rel=1e-7)
    lots = rows.var(ddof=1) - error / 10
    assert fit.component("lot").covariance[0, 0] == pytest.approx(lots, rel=1e-7)
    days = columns.var(ddof=1) - error / 12
    assert fit.component("day").covariance[0, 0] == pytest.approx(days, rel=1e-7)


def test_known_spreads_are_found_on_average_by_reml():
    rng = np.random.default_rng(4)
    found = []
    for _ in range(30):
        y, lot, _ = crossed(rng, lots=8, days=4, day_sd=0.0)
        fit = fit_mixed(y, random=[Grouping(name="lot", labels=lot)])
        found.append([fit.component("lot").covariance[0, 0], fit.residual_sd**2])
    mean, se = np.mean(found, 0), np.std(found, 0) / np.sqrt(30)
    assert (np.abs(mean - [4.0, 0.25]) < 3.5 * se).all()


def test_another_unit_gives_the_same_model_in_that_unit():
    rng = np.random.default_rng(5)
    x, lot = rng.standard_normal(40), np.repeat(np.arange(8), 5)
    y = 5 + 2 * x + rng.standard_normal(8)[lot] * (1 + 0.5 * x) + 0.3 * rng.standard_normal(40)

    def fit(a, b):
        who = Grouping(name="lot", labels=lot, slopes={"x": b * x})
        return fit_mixed(a * y, fixed={"x": b * x}, random=[who])

    here, there = fit(1, 1), fit(1e6, 1e-4)
    assert there.coefficients == pytest.approx(here.coefficients * [1e6, 1e10], rel=1e-6)
    sd, other = here.component("lot").sd, there.component("lot").sd
    assert other == pytest.approx(sd * [1e6, 1e10], rel=1e-4)


def test_effects_are_pulled_towards_the_mean_as_theory_says():
    rng = np.random.default_rng(6)
    y, lot, _ = crossed(rng, lots=6, days=5, day_sd=0.0)
    fit = fit_mixed(y, random=[Grouping(name="lot", labels=lot)])
    between, within = fit.component("lot").covariance[0, 0], fit.residual_sd**2
    pull = between / (between + within / 5)
    means = y.reshape(6, 5).mean(1)
    assert fit.component("lot").effects[:, 0] == pytest.approx(pull * (means - means.mean()))


def test_everything_wrong_is_told_at_once():
    with pytest.raises(ValueError) as error:
        fit_mixed(
            [1.0, np.nan, 3.0], fixed={"x": [1.0, 2.0]},
            random=[Grouping(name="lot", labels=["a", "b", "c"])],
        )  # fmt: skip
    for words in ("response has a number that is missing", "x has shape (2,)", "one row a group"):
        assert words in str(error.value)
    with pytest.raises(ValueError, match="repeat each other"):
        fit_mixed([1.0, 2, 3, 5], fixed={"x": [1.0, 1, 1, 1]},
                  random=[Grouping(name="lot", labels=list("aabb"))])  # fmt: skip
    with pytest.raises(ValueError, match="does not vary"):
        fit_mixed([2.0] * 4, random=[Grouping(name="lot", labels=list("aabb"))])
    with pytest.raises(ValueError, match="one group"):
        fit_mixed([1.0, 2, 3, 5], random=[Grouping(name="lot", labels=list("aaaa"))])
