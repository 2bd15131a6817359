"""Is a free curve read from a formula or a file, with its parameters and predictors?"""

from __future__ import annotations

import numpy as np
import pytest

import durability
from durability.laws import (
    Curve,
    ExpressionError,
    LawError,
    Parameter,
    is_curve_file,
    read_curve,
    read_law,
)

FILE = """\
title = "Growth to a ceiling"
expression = "b1*(1 - exp(-b2*x))"
predictors = ["x"]
use = "A test."
source = "invented"

[parameter.b1]
meaning = "ceiling"
unit = "kN/m"
lower = 0
start = 250.0

[parameter.b2]
meaning = "rate"
lower = 0
upper = 10
start = 5e-4
"""

# curves of the certified problems, as their files print them, in this package's spelling
CERTIFIED = [
    ("b1 * (b2+x)**(-1/b3)", ["x"], 3),
    ("exp(-b1*x)/(b2+b3*x)", ["x"], 3),
    ("b1 + b2*cos(2*pi*x/12) + b3*sin(2*pi*x/12) + b5*cos(2*pi*x/b4) + b6*sin(2*pi*x/b4)"
     " + b8*cos(2*pi*x/b7) + b9*sin(2*pi*x/b7)", ["x"], 9),
    ("(b1/b2) * exp(-0.5*((x-b3)/b2)**2)", ["x"], 3),
    ("b1*exp(-b2*x) + b3*exp(-(x-b4)**2 / b5**2) + b6*exp(-(x-b7)**2 / b8**2)", ["x"], 8),
    ("(b1+b2*x+b3*x**2+b4*x**3) / (1+b5*x+b6*x**2+b7*x**3)", ["x"], 7),
    ("b1*(x**2+x*b2) / (x**2+x*b3+b4)", ["x"], 4),
    ("b1 * (1-(1+b2*x/2)**(-2))", ["x"], 2),
    ("b1 - b2*x1 * exp(-b3*x2)", ["x1", "x2"], 3),
    ("b1 / ((1+exp(b2-b3*x))**(1/b4))", ["x"], 4),
]  # fmt: skip


@pytest.fixture
def write(tmp_path):
    def to(text: str):
        file = tmp_path / "own.toml"
        file.write_text(text, encoding="utf-8")
        return file

    return to


@pytest.mark.parametrize(("text", "predictors", "count"), CERTIFIED)
def test_the_certified_curves_are_read_with_derivatives_as_finite_differences(
    text, predictors, count
):
    curve = read_curve(text, predictors=predictors)
    assert len(curve.parameters) == count
    rng = np.random.default_rng(2)
    x = {name: rng.uniform(0.5, 2, 25) for name in predictors}
    b = rng.uniform(0.5, 1.5, count)
    value, jacobian = curve.slopes(x, b)
    assert jacobian.shape == (25, count)
    np.testing.assert_array_equal(value, curve.value(x, b))
    for j in range(count):
        h = 1e-6 * np.eye(count)[j]
        rise = (curve.value(x, b + h) - curve.value(x, b - h)) / 2e-6
        np.testing.assert_allclose(jacobian[:, j], rise, rtol=1e-6, atol=1e-7)


def test_the_value_is_that_of_the_formula():
    # arithmetic: 2*(1 - e**-0.5)
    assert float(read_curve("b1*(1 - exp(-b2*x))").value(0.5, [2.0, 1.0])) == pytest.approx(
        2 * (1 - np.exp(-0.5)), rel=1e-15
    )


def test_parameters_are_found_in_order_of_first_use():
    curve = read_curve("zeta*exp(-alpha*dose)", predictors=["dose"])
    assert [p.name for p in curve.parameters] == ["zeta", "alpha"]


def test_names_and_bounds_may_be_given():
    curve = read_curve("a + b*x", parameters=[Parameter("b", lower=0, start=1.0), "a"])
    assert [p.name for p in curve.parameters] == ["b", "a"]
    assert float(curve.value(2.0, [3.0, 1.0])) == 7.0
    assert float(curve.value(2.0, {"a": 1.0, "b": 3.0})) == 7.0


def test_parameters_may_be_arrays_and_a_subset_may_be_differentiated():
    curve = read_curve("a + b*x")
    value, jacobian = curve.slopes(np.ones(4), {"a": np.zeros((3, 1)), "b": 2.0}, ["b"])
    assert value.shape == (3, 4)
    assert jacobian.shape == (3, 4, 1)
    assert np.all(jacobian == 1)


def test_a_file_is_read_with_bounds_starts_and_words(write):
    file = write(FILE)
    assert is_curve_file(file)
    curve = durability.read_curve(file)
    assert isinstance(curve, Curve)
    assert curve.name == "own"
    assert curve.parameters[0] == Parameter("b1", 0.0, np.inf, 250.0, "ceiling", "kN/m")
    assert curve.parameters[1].upper == 10.0
    assert ("parameter b2", "rate, between 0 and 10, start 0.0005") in curve.summary_rows()


def test_a_law_file_is_no_curve_file(write):
    assert not is_curve_file(durability.laws.law_file.catalogue.path("laws", "linear"))
    assert not is_curve_file("absent.toml")


FAULTS = [
    ('predictors = ["x"]', "", '"predictors" must be a list'),
    ('predictors = ["x"]', "predictors = []", '"predictors" must be a list'),
    ('predictors = ["x"]', 'predictors = ["y"]', "name 'x' is not declared"),
    ('predictors = ["x"]', 'predictors = ["x", "y"]', "does not use 'y'"),
    ('predictors = ["x"]', 'predictors = ["x", "b1"]', "'b1' is declared twice"),
    ("exp(-b2*x)", "x.real", "column 9: attribute access"),
    ("lower = 0\nstart = 250.0", "lower = 300\nstart = 250.0", "start of 'b1' must lie within"),
    ("upper = 10", "upper = -1", "lower bound of 'b2' must lie below"),
    ("upper = 10", 'upper = "ten"', '"parameter.b2.upper" must be a number'),
    ("upper = 10", "uper = 10", 'did you mean "upper"'),
    ("[parameter.b2]", "[parameters.b2]", 'did you mean "parameter"'),
    ("start = 5e-4", "start = nan", '"parameter.b2.start" must be a number'),
    ('meaning = "rate"', "meaning = 3", '"parameter.b2.meaning" must be text'),
    ("start = 5e-4", "start = 1" + "0" * 400, '"parameter.b2.start" must be a number'),
]


@pytest.mark.parametrize(("old", "new", "message"), FAULTS, ids=[f[2][:40] for f in FAULTS])
def test_a_fault_of_a_file_is_named(write, old, new, message):
    assert old in FILE
    with pytest.raises(LawError, match=message) as caught:
        read_curve(write(FILE.replace(old, new, 1)))
    assert "own.toml" in str(caught.value)


def test_a_missing_file_is_named():
    with pytest.raises(LookupError, match=r"absent\.toml does not exist"):
        read_curve("absent.toml")


@pytest.mark.parametrize(
    ("text", "options", "message"),
    [
        ("a + b", {}, "does not use 'x'"),
        ("a + b*x", {"parameters": ["a"]}, "'b' is neither predictor nor parameter"),
        ("a + b*x", {"parameters": ["a", "b", "c"]}, "does not use 'c'"),
        ("a*x", {"parameters": [Parameter("a", lower=2, upper=1)]}, "must lie below"),
        ("a*x", {"parameters": ["a", "a"]}, "declared twice"),
        ("a*pi", {"predictors": ["pi"]}, "'pi' is the name of a function or number"),
    ],
)
def test_names_that_do_not_fit_the_formula_are_refused(text, options, message):
    with pytest.raises(ValueError, match=message):
        read_curve(text, **options)


@pytest.mark.parametrize(
    "text",
    ["__import__('os').system('true')*x", "a.b*x", "__a*x", "exp.x", "x*(lambda: a)", "x*[a]",
     "a if x else b", "x**9**9**9*a"],
)  # fmt: skip
def test_a_hostile_curve_is_refused(text):
    with pytest.raises(ExpressionError):
        read_curve(text)


@pytest.mark.parametrize(
    ("x", "params", "message"),
    [
        ({"y": 1.0}, [1.0, 2.0], "has no predictor 'y'"),
        ({}, [1.0, 2.0], "needs the predictor 'x'"),
        (1.0, [1.0], "has 2 parameters"),
        (1.0, {"a": 1.0}, "needs the parameter 'b'"),
        (1.0, {"a": 1.0, "b": 1.0, "c": 1.0}, "has no parameter 'c'"),
    ],
)
def test_values_that_do_not_fit_the_curve_are_refused(x, params, message):
    with pytest.raises(ValueError, match=message):
        read_curve("a + b*x").value(x, params)


def test_two_predictors_are_given_by_name():
    curve = read_curve("b*x1*x2", predictors=["x1", "x2"])
    with pytest.raises(ValueError, match="give x by name"):
        curve.value(1.0, [1.0])


def test_a_curve_in_place_of_a_law_is_refused_in_words(write):
    with pytest.raises(LawError, match="holds a free curve"):
        read_law(write(FILE))


def test_a_curve_shows_its_formula_and_parameters(write):
    shown = repr(read_curve(write(FILE)))
    assert shown.splitlines()[0] == "own(x) = b1*(1 - exp(-b2*x))"
    assert "ceiling, [kN/m], between 0 and inf, start 250" in shown


def test_a_law_shows_itself_as_text_and_as_a_page_with_nothing_unescaped():
    import dataclasses

    law = dataclasses.replace(read_law("logistic"), use="<script>alert(1)</script>")
    assert "1/(1 + u**k)" in repr(law)
    assert "<script>" not in law._repr_html_()
    assert "&lt;script&gt;" in law._repr_html_()
