"""Is what cannot be fitted named in plain words, with what the data can still say?"""

from __future__ import annotations

import numpy as np
import pytest

from durability.catalogue import names
from durability.inference.likelihood import fit_curve
from durability.laws import read_curve
from durability.study import StudyError

DOSE = np.repeat([0.0, 100.0, 200.0, 400.0], 3)
STRENGTH = 20 * np.exp(-DOSE / 300) * np.tile([0.95, 1.0, 1.05], 4)


def problems(*arguments, **options):
    with pytest.raises(StudyError) as caught:
        fit_curve(*arguments, **options)
    return caught.value.problems


def test_all_bad_values_are_told_at_once():
    y = STRENGTH.copy()
    y[[1, 4]] = [0.0, np.nan]
    found = problems("exponential", np.where(DOSE == 400, -1, DOSE), y)
    assert {(p.file, p.row) for p in found} == {
        ("y", 2), ("y", 5), ("dose", 10), ("dose", 11), ("dose", 12),
    }  # fmt: skip
    assert all("above 0" in p.expected or "0 or more" in p.expected for p in found)


def test_lengths_that_differ_are_told():
    found = problems("exponential", DOSE[:-1], STRENGTH)
    assert found[0].found == "11 values" and "12" in found[0].expected


def test_too_few_doses_hold_the_shape_and_say_so():
    two = DOSE <= 100
    fit = fit_curve("stretched-exponential", DOSE[two], STRENGTH[two])
    assert "shape_held" in fit.flags
    assert fit.estimates["k"] == pytest.approx(1.2)
    assert fit.threshold_dose(0.5).low is not None


def test_one_dose_is_refused_with_what_it_can_say():
    found = problems("exponential", np.full(5, 100.0), STRENGTH[:5])
    assert "distinct" in found[0].expected and "strength at each dose" in found[0].mend


def test_only_unexposed_strips_are_refused():
    found = problems("exponential", np.zeros(6), STRENGTH[:6])
    assert "exposed" in found[0].expected


def test_all_censored_is_refused_with_a_bound():
    found = problems("exponential", DOSE, STRENGTH, censored=np.where(DOSE > 0, -1, -1))
    assert "every strip is censored" in found[0].found
    assert "already below" in found[0].mend


def test_all_exposed_strips_censored_gives_an_upper_bound():
    fit = fit_curve("exponential", DOSE, np.where(DOSE > 0, 1.0, STRENGTH),
                    censored=np.where(DOSE > 0, -1, 0))  # fmt: skip
    found = fit.threshold_dose(0.5)
    assert found.low is None or found.low < 1
    assert found.high is not None and found.high < 100


def test_constant_response_is_named_and_no_limit_invented():
    fit = fit_curve("exponential", DOSE, np.full(DOSE.size, 20.0))
    assert "constant_response" in fit.flags
    found = fit.threshold_dose(0.5)
    assert found.low is None and found.high is None and found.note


def test_a_perfect_fit_is_named_and_no_limit_invented():
    fit = fit_curve("exponential", DOSE, 20 * np.exp(-DOSE / 300))
    assert "perfect_fit" in fit.flags
    assert fit.estimates["scale"] == pytest.approx(300, rel=1e-9)
    found = fit.threshold_dose(0.5)
    assert found.value == pytest.approx(300 * np.log(2), rel=1e-9)
    assert found.low is None and "no scatter" in found.note


def test_strength_that_rises_gives_a_lower_bound_only():
    rng = np.random.default_rng(3)
    y = 20 * np.exp(DOSE / 4000 + rng.normal(0, 0.05, DOSE.size))
    fit = fit_curve("exponential", DOSE, y)
    assert "no_loss_seen" in fit.flags
    found = fit.threshold_dose(0.5, sides=1)
    assert found.value is None and found.high is None
    assert found.low > 400


@pytest.mark.parametrize("size", [1e-9, 1e12])
def test_doses_of_any_size_give_the_same_answer(size):
    plain = fit_curve("stretched-exponential", DOSE, STRENGTH)
    scaled = fit_curve("stretched-exponential", DOSE * size, STRENGTH)
    a, b = plain.threshold_dose(0.5), scaled.threshold_dose(0.5)
    assert [b.low / size, b.value / size, b.high / size] == pytest.approx(
        [a.low, a.value, a.high], rel=1e-6
    )


@pytest.mark.parametrize("size", [1e-9, 1e12])
def test_strengths_of_any_size_give_the_same_answer(size):
    plain = fit_curve("stretched-exponential", DOSE, STRENGTH, errors="normal")
    scaled = fit_curve("stretched-exponential", DOSE, STRENGTH * size, errors="normal")
    assert scaled.threshold_dose(0.5).low == pytest.approx(plain.threshold_dose(0.5).low, rel=1e-6)


def test_duplicated_covariates_are_told_and_have_no_standard_error():
    twice = np.tile([0.0, 1.0, 2.0], 4)
    fit = fit_curve("exponential", DOSE, STRENGTH,
                    effects={"scale": {"colour": twice, "shade": twice}})  # fmt: skip
    assert "not_identified" in fit.flags
    assert np.isnan(fit.standard_errors["scale:colour"])
    assert np.isfinite(fit.standard_errors["unexposed"])


def test_a_threshold_below_the_plateau_does_not_exist_and_may_still_have_a_bound():
    rng = np.random.default_rng(2)
    dose = np.repeat(np.linspace(0, 600, 13), 5)
    y = 20 * (0.7 + 0.3 * np.exp(-dose / 60)) * np.exp(rng.normal(0, 0.02, dose.size))
    fit = fit_curve("exponential-plateau", dose, y)
    found = fit.threshold_dose(0.5)
    assert found.value is None and "never reaches" in found.note
    assert found.high is None
    assert fit.threshold_dose(0.85).value == pytest.approx(60 * np.log(2), rel=0.1)


def test_names_that_do_not_exist_are_told_with_those_that_do():
    fit = fit_curve("exponential", DOSE, STRENGTH)
    with pytest.raises(ValueError, match="unexposed, scale"):
        fit.interval("slope")
    with pytest.raises(ValueError, match="known: lognormal"):
        fit_curve("exponential", DOSE, STRENGTH, errors="gamma")
    with pytest.raises(ValueError, match="start names"):
        fit_curve("exponential", DOSE, STRENGTH, start={"tau": 1.0})
    groups = fit_curve("exponential", DOSE, STRENGTH, groups=["A", "B"] * 6)
    with pytest.raises(ValueError, match="known: A, B"):
        groups.threshold_dose(0.5)
    line = read_curve("a + b*x", predictors=["x"], parameters=["a", "b"])
    with pytest.raises(ValueError, match="level_left"):
        fit_curve(line, DOSE, STRENGTH).threshold_dose()


@pytest.mark.parametrize("law", names("laws"))
def test_one_strength_and_two_strips_too_weak_give_no_limit_and_no_failure(law):
    """As in the table of fabrics: 15 % left at the first dose, less than 1 % at the next two."""
    fit = fit_curve(
        law, np.array([1200.0, 2400.0, 3600.0]), np.array([15.0, 1.0, 1.0]),
        censored=np.array([0, -1, -1]), fixed={"unexposed": 100.0},
    )  # fmt: skip
    assert np.isfinite(fit.threshold_dose(0.5).value or 1.0)
