"""Is a number quoted as it should be: rounded, bounded, complete, and the same in every form?"""

from __future__ import annotations

import json
import math
from dataclasses import replace
from decimal import Decimal

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from durability.statement import Statement, Statements, round_by_uncertainty

MADE = Statement(
    quantity="threshold_dose", material="A", direction="machine", of="new_lot", exposure="X1",
    fraction=0.5, value=1913.2, low=1604.0, high=2377.0, unit="kJ/(m² nm) at 340 nm",
    law="exponential", assumptions=("law_form",), flags=("extrapolated",), extrapolated=True,
    extrapolation_factor=1.2, probability=1.0,
)  # fmt: skip
BOUND = replace(MADE, value=None, high=None, sides=1, probability=None)

size = st.floats(1e-6, 1e9)
share = st.floats(1e-3, 0.9)


def ends(value: float, below: float, above: float) -> tuple[float, float, float]:
    return value, value * (1 - below), value * (1 + above)


# rounding


@given(size, share, share)
def test_all_three_numbers_have_the_same_last_digit_and_lie_within_half_of_it(v, below, above):
    numbers = ends(v, below, above)
    shown = round_by_uncertainty(*numbers)
    step = _step(numbers)
    for exact, text in zip(numbers, shown.values(), strict=True):
        assert text is not None
        assert Decimal(text) % step == 0
        assert abs(float(text) - exact) <= 0.5 * float(step) * (1 + 1e-6) + 1e-9 * abs(exact)


@given(size, share, share)
@example(100.0, 0.1, 0.1)  # half-width exactly a power of ten
@example(1.0, 0.3, 0.7)
def test_the_half_width_keeps_two_digits_at_least(v, below, above):
    numbers = ends(v, below, above)
    half = (numbers[2] - numbers[1]) / 2
    assert 10 * (1 - 1e-9) <= half / float(_step(numbers)) < 100 * (1 + 1e-9)


@given(size, share, share)
def test_rounding_keeps_the_order(v, below, above):
    shown = {k: float(t or "nan") for k, t in round_by_uncertainty(*ends(v, below, above)).items()}
    assert shown["low"] <= shown["value"] <= shown["high"]


@given(size, share, share)
def test_the_sign_only_turns_the_numbers_about(v, below, above):
    value, low, high = ends(v, below, above)
    plain = round_by_uncertainty(value, low, high)
    turned = round_by_uncertainty(-value, -high, -low)
    for a, b in (("value", "value"), ("low", "high"), ("high", "low")):
        assert float(plain[a] or "nan") == -float(turned[b] or "nan")


@given(size, st.integers(-6, 6))
def test_a_number_alone_gets_three_digits_at_every_scale(v, power):
    text = round_by_uncertainty(v * 10.0**power)["value"]
    assert text is not None
    assert float(text) == pytest.approx(v * 10.0**power, rel=0.0051)
    assert len(Decimal(text).normalize().as_tuple().digits) <= 3 + (v * 10.0**power >= 1000)


@given(size, share)
def test_a_bound_is_never_said_more_than_it_is(v, below):
    low = round_by_uncertainty(None, v, None, outward=True)["low"]
    high = round_by_uncertainty(None, None, v, outward=True)["high"]
    both = round_by_uncertainty(v, v * (1 - below), None, outward=True)["low"]
    assert float(low or "nan") <= v * (1 + 1e-9)
    assert float(high or "nan") >= v * (1 - 1e-9)
    assert float(both or "nan") <= v * (1 - below) * (1 + 1e-9)
    assert float(low or "nan") > 0.98 * v
    assert float(high or "nan") < 1.02 * v


@pytest.mark.parametrize(
    ("numbers", "shown"),
    [
        ((1913.2, 1604.0, 2377.0), ("1910", "1600", "2380")),
        ((0.5123, 0.4871, 0.5391), ("0.512", "0.487", "0.539")),
        ((0.5, 0.1, 0.9), ("0.50", "0.10", "0.90")),
        ((-0.001, -1.0, 1.0), ("0.0", "-1.0", "1.0")),  # no minus before 0
        ((0.0, 0.0, 0.0), ("0.0", "0.0", "0.0")),
        ((7.0, 7.0, 7.0), ("7.000", "7.000", "7.000")),
        ((0.0, None, None), ("0.0", None, None)),
        ((None, None, None), (None, None, None)),
        ((1e12, 0.9e12, 1.2e12), ("1000000000000", "900000000000", "1200000000000")),
        ((math.nan, 1.0, 2.0), (None, "1.0", "2.0")),
    ],
)
def test_numbers_that_are_easily_misprinted(numbers, shown):
    got = tuple(round_by_uncertainty(*numbers).values())
    assert got[1:] == shown[1:]
    assert got[0] == shown[0]


def _step(numbers: tuple[float, ...]) -> Decimal:
    """Ten to the place of the second digit of the half-width, by the decimal module."""
    half = Decimal(repr((max(numbers) - min(numbers)) / 2))
    return Decimal(10) ** (half.adjusted() - 1)


# wording


@pytest.mark.parametrize(
    ("changes", "figures"),
    [
        ({}, "1910 kJ/(m² nm) at 340 nm (95 % credible interval 1600 to 2380)"),
        ({"level": 0.9, "kind": "prediction"},
         "1910 kJ/(m² nm) at 340 nm (90 % prediction interval 1600 to 2380)"),
        ({"level": 0.999}, "1910 kJ/(m² nm) at 340 nm (99.9 % credible interval 1600 to 2380)"),
        ({"low": None, "high": None}, "1910 kJ/(m² nm) at 340 nm"),
        ({"value": None}, "between 1600 and 2380 kJ/(m² nm) at 340 nm (95 % credible interval)"),
        ({"value": None, "high": None, "sides": 1},
         "at least 1600 kJ/(m² nm) at 340 nm (95 % one-sided credible lower bound)"),
        ({"value": None, "low": None, "sides": 1},
         "at most 2380 kJ/(m² nm) at 340 nm (95 % one-sided credible upper bound)"),
        ({"high": None, "sides": 1},
         "1910 kJ/(m² nm) at 340 nm, at least 1600 (95 % one-sided credible lower bound)"),
        ({"low": None, "sides": 1},
         "1910 kJ/(m² nm) at 340 nm, at most 2380 (95 % one-sided credible upper bound)"),
        ({"quantity": "ratio_of_threshold_doses", "unit": "1", "value": 1.5, "low": 1.2,
          "high": 1.9}, "1.50 (95 % credible interval 1.20 to 1.90)"),
    ],
)  # fmt: skip
def test_figures_say_interval_and_bound_in_words(changes, figures):
    assert replace(MADE, **changes).figures() == figures


def test_a_lower_bound_is_rounded_down_and_an_upper_bound_up():
    assert "at least 1900 " in replace(BOUND, low=1909.9).figures()
    assert "at most 1910 " in replace(BOUND, low=None, high=1900.1).figures()


def test_days_to_cover_are_whole_days_and_never_more_than_the_limit():
    days = replace(BOUND, quantity="days_to_cover", unit="d", low=44.0)
    assert days.figures().startswith("at least 44 d ")
    assert replace(days, low=127.9).numbers()["low"] == "127"
    assert replace(days, low=0.4).numbers()["low"] == "0"


# what is refused


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"quantity": "service_life"}, "quantity 'service_life' is unknown"),
        ({"of": "any_lot"}, "of 'any_lot' is unknown"),
        ({"kind": "guess"}, "kind 'guess' is unknown"),
        ({"unit": ""}, "needs a unit"),
        ({"level": 0}, "level is 0"),
        ({"level": 1}, "level is 1"),
        ({"level": 95}, "level is 95"),
        ({"level": math.nan}, "level is nan"),
        ({"value": math.nan}, "value of a statement is nan"),
        ({"low": -math.inf}, "low of a statement is -inf"),
        ({"high": math.inf}, "high of a statement is inf"),
        ({"dose": math.nan}, "dose of a statement is nan"),
        ({"fraction": math.nan}, "fraction of a statement is nan"),
        ({"extrapolation_factor": math.inf}, "extrapolation_factor of a statement is inf"),
        ({"probability": math.nan}, "probability of a statement is nan"),
        ({"value": None, "low": None, "high": None}, "needs a value or a limit"),
        ({"sides": 1}, "exactly one limit"),
        ({"sides": 1, "low": None, "high": None}, "exactly one limit"),
        ({"sides": 2, "high": None}, "both limits or neither"),
        ({"sides": 3}, "sides is 3"),
        ({"month": 0}, "month is 0"),
        ({"month": 13}, "month is 13"),
        ({"low": 3000.0}, "low is 3000.0, above high"),
    ],
)
def test_what_cannot_be_said_is_refused(changes, message):
    with pytest.raises(ValueError, match=message):
        replace(MADE, **changes)


def test_numbers_from_arrays_become_plain_ones():
    made = replace(MADE, value=np.float64(1913.2), month=np.int64(3), extrapolated=np.bool_(True))
    assert [type(x) for x in (made.value, made.month, made.extrapolated)] == [float, int, bool]
    assert json.loads(json.dumps(made.to_dict()))["value"] == 1913.2


# records, frames, datasets

SEVERAL = Statements(
    [
        MADE,
        BOUND,
        replace(MADE, of="mean"),
        replace(MADE, of="single_specimen", share=0.9),
        Statement(quantity="unexposed_strength", unit="kN/m", material="A", lot="A1", value=20.0,
                  kind="confidence"),
        replace(BOUND, quantity="days_to_cover", unit="d", site="nowhere", month=6, low=44.0),
        Statement(quantity="retained_strength", unit="1", material="B/1", dose=12.5, low=None,
                  high=0.1, sides=1),
    ]
)  # fmt: skip


def test_a_record_goes_through_json_and_comes_back_equal():
    for s in SEVERAL:
        assert Statement.from_dict(json.loads(json.dumps(s.to_dict(), allow_nan=False))) == s


def test_the_id_is_derived_anew_and_unknown_keys_are_left_out():
    assert Statement.from_dict({**MADE.to_dict(), "id": "forged", "later": 1}).id == MADE.id


def test_an_id_reads_as_a_path_and_tells_apart_what_differs():
    assert MADE.id == ("threshold_dose/A/-/machine/X1/new_lot/0.5/-/-/-/-/exponential/credible")
    assert len({s.id for s in SEVERAL}) == len(SEVERAL)
    assert all(s.id.count("/") == MADE.id.count("/") for s in SEVERAL)  # even with "/" in a name
    for change in (
        {"material": "B"}, {"lot": "A2"}, {"direction": "cross"}, {"exposure": "X2"},
        {"fraction": 0.8}, {"of": "mean"}, {"site": "nowhere"}, {"month": 1}, {"dose": 3.0},
        {"law": "linear"}, {"share": 0.9}, {"kind": "prediction"},
    ):  # fmt: skip
        assert replace(MADE, **change).id != MADE.id, change


def test_frame_and_dataset_hold_the_same_records():
    frame, dataset = SEVERAL.to_frame(), SEVERAL.to_dataset()
    assert list(frame["id"]) == list(dataset["statement"].values) == [s.id for s in SEVERAL]
    for name in dataset.data_vars:
        column = dataset[name].values
        for i, cell in enumerate(frame[name]):
            if name in ("assumptions", "flags"):
                assert column[i] == " ".join(cell)
            elif column.dtype.kind == "f":
                missing = cell is None or math.isnan(cell)
                assert math.isnan(column[i]) if missing else column[i] == cell
            elif column.dtype.kind == "b":
                assert column[i] == cell
            else:
                assert column[i] == ("" if not isinstance(cell, str) else cell)


def test_none_at_all_is_still_a_table():
    none = Statements()
    assert len(none) == 0
    assert len(none.to_frame()) == 0
    assert none.to_dataset().sizes["statement"] == 0
    assert repr(none) == "Statements: none"


def test_a_dataset_survives_netcdf(tmp_path):
    import xarray

    SEVERAL.to_dataset().to_netcdf(tmp_path / "s.nc", engine="h5netcdf")
    with xarray.open_dataset(tmp_path / "s.nc", engine="h5netcdf") as back:
        xarray.testing.assert_equal(back.load(), SEVERAL.to_dataset())


# choosing


def test_where_keeps_what_matches_and_names_a_misspelt_field():
    assert [s.of for s in SEVERAL.where(material="A", fraction=0.5, sides=2)] == [
        "new_lot", "mean", "single_specimen",
    ]  # fmt: skip
    assert len(SEVERAL.where(lambda s: s.is_bound)) == 3
    with pytest.raises(ValueError, match="'materials' is no field of a statement"):
        SEVERAL.where(materials="A")


def test_one_refuses_none_and_several():
    assert SEVERAL.one(lot="A1").value == 20.0
    with pytest.raises(LookupError, match="0 statements match"):
        SEVERAL.one(lot="A9")
    with pytest.raises(LookupError, match="4 statements match"):
        SEVERAL.one(quantity="threshold_dose")


def test_a_table_for_the_notebook_escapes_names():
    shown = Statements([replace(MADE, material="<b>A</b>")])._repr_html_()
    assert "<b>A</b>" not in shown
    assert "&lt;b&gt;A&lt;/b&gt;" in shown


def test_the_terminal_shows_one_line_a_statement_with_its_subject():
    lines = repr(SEVERAL).splitlines()
    assert len(lines) == len(SEVERAL)
    assert "A, machine, X1, 50 % left, a new lot" in lines[0]
    assert "June" in lines[5]
