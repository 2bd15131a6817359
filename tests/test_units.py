"""Is every unit read as what it is? Factors are compared with pint, a general unit library."""

from __future__ import annotations

import math

import pint
import pytest

from durability.units import CANONICAL, UNITS, UnitError, converted, header, measure, unit


@pytest.fixture(scope="module")
def registry() -> pint.UnitRegistry:
    return pint.UnitRegistry()


ORACLE = {  # our symbol, and how pint writes it
    "N": "newton", "kN": "kilonewton", "lbf": "pound_force", "kgf": "kilogram_force",
    "mm": "millimeter", "cm": "centimeter", "m": "meter", "in": "inch", "ft": "foot",
    "kN/m": "kilonewton/meter", "N/mm": "newton/millimeter", "N/m": "newton/meter",
    "N/cm": "newton/centimeter", "lbf/in": "pound_force/inch", "lbf/ft": "pound_force/foot",
    "N/5cm": "newton/centimeter", "daN/5cm": "decanewton/centimeter",
    "kgf/cm": "kilogram_force/centimeter", "psi": "psi",
    "Ly": "langley", "kLy": "kilolangley",
    "MPa": "megapascal", "N/mm^2": "newton/millimeter**2", "kPa": "kilopascal",
    "MJ/m^2": "megajoule/meter**2", "kJ/m^2": "kilojoule/meter**2", "J/m^2": "joule/meter**2",
    "kWh/m^2": "kilowatt*hour/meter**2",
    "kJ/m^2/nm": "kilojoule/meter**2/nanometer", "MJ/m^2/nm": "megajoule/meter**2/nanometer",
    "J/m^2/nm": "joule/meter**2/nanometer",
    "W/m^2": "watt/meter**2", "mW/cm^2": "milliwatt/centimeter**2",
    "W/m^2/nm": "watt/meter**2/nanometer",
    "h": "hour", "min": "minute", "s": "second", "d": "day", "week": "week",
    "degC": "degC", "degF": "degF", "K": "kelvin",
    "g/m^2": "gram/meter**2", "oz/yd^2": "ounce/yard**2", "nm": "nanometer",
}  # fmt: skip
FRACTIONS = {"1", "%"}


def test_every_unit_of_the_table_is_compared():
    assert set(ORACLE) | FRACTIONS == set(UNITS)


@pytest.mark.parametrize("symbol", ORACLE)
@pytest.mark.parametrize("number", [1.0, 37.5])
def test_a_unit_converts_as_pint_does(registry, symbol, number):
    ours = UNITS[symbol]
    canonical = ORACLE[CANONICAL[ours.dimension]]
    share = 5 if "/5cm" in symbol else 1  # a force to 5 cm of width
    theirs = registry.Quantity(number / share, ORACLE[symbol]).to(canonical).magnitude
    assert ours.to_canonical(number) == pytest.approx(theirs, rel=1e-12)


EXACT = [  # (number, unit, canonical): exact by definition, from memory
    (1, "lbf", 4.4482216152605),  # 0.45359237 kg x 9.80665 m/s²
    (1, "kgf", 9.80665),
    (1, "in", 25.4),
    (1, "ft", 304.8),
    (1, "psi", 0.006894757293168361),
    (1, "Ly", 0.04184),  # a thermochemical calorie, 4.184 J, to a square centimetre
    (1, "oz/yd^2", 33.9057474748823),  # 28.349523125 g to 0.83612736 m²
    (1, "kJ/m^2", 0.001),
    (212, "degF", 100),
    (32, "degF", 0),
    (50, "N/5cm", 1),  # 50 N to a strip of 50 mm
    (1, "kWh/m^2", 3.6),
]


@pytest.mark.parametrize(("number", "symbol", "canonical"), EXACT)
def test_a_unit_is_what_it_is_by_definition(number, symbol, canonical):
    assert unit(symbol).to_canonical(number) == pytest.approx(canonical, rel=1e-14, abs=1e-13)


@pytest.mark.parametrize(
    ("text", "dimension", "meant"),
    [("lb", "force", "lbf"), ("kg", "force", "kgf"), ("pli", "force per width", "lbf/in"),
     ("ly", "energy per area", "Ly"), ("osy", "mass per area", "oz/yd^2"), ("kn", "force", "kN")],
)  # fmt: skip
def test_what_could_mean_two_things_is_offered_and_not_taken(text, dimension, meant):
    with pytest.raises(UnitError) as caught:
        unit(text, dimension)
    assert str(caught.value).endswith(f"expected {meant}")


@pytest.mark.parametrize("symbol", UNITS)
def test_converting_there_and_back_changes_nothing(symbol):
    for other in (u for u in UNITS.values() if u.dimension == UNITS[symbol].dimension):
        there = converted(37.5, UNITS[symbol], other)
        assert converted(there, other, UNITS[symbol]) == pytest.approx(37.5, rel=1e-12)


def test_a_percent_is_a_hundredth():
    assert unit("%").to_canonical(5.0) == 0.05
    assert unit("1").to_canonical(0.5) == 0.5


def test_every_dimension_has_its_canonical_unit_with_factor_1():
    assert {u.dimension for u in UNITS.values()} == set(CANONICAL)
    for dimension, symbol in CANONICAL.items():
        assert (UNITS[symbol].dimension, UNITS[symbol].factor, UNITS[symbol].offset) == (
            dimension, 1, 0,
        )  # fmt: skip


@pytest.mark.parametrize("symbol", UNITS)
def test_what_is_shown_can_be_read_again(symbol):
    assert unit(str(UNITS[symbol])).symbol == symbol
    assert unit(symbol).symbol == symbol
    assert unit(f"  {symbol} ").symbol == symbol


@pytest.mark.parametrize(
    ("spelling", "symbol"),
    [
        ("W/(m² nm)", "W/m^2/nm"),
        ("W/(m2 nm)", "W/m^2/nm"),
        ("W/(m²·nm)", "W/m^2/nm"),
        ("W/m²/nm", "W/m^2/nm"),
        ("W/m2/nm", "W/m^2/nm"),
        ("W m-2 nm-1", "W/m^2/nm"),
        ("W·m-2·nm-1", "W/m^2/nm"),
        ("W·m⁻²·nm⁻¹", "W/m^2/nm"),
        ("W m^-2 nm^-1", "W/m^2/nm"),
        ("W*m**-2*nm**-1", "W/m^2/nm"),
        ("W / m^2 / nm", "W/m^2/nm"),
        ("W/m² nm", "W/m^2/nm"),
        ("W/m²·nm", "W/m^2/nm"),
        ("kJ/(m² nm)", "kJ/m^2/nm"),
        ("kJ m⁻² nm⁻¹", "kJ/m^2/nm"),
        ("MJ/m²", "MJ/m^2"),
        ("MJ/m2", "MJ/m^2"),
        ("MJ m-2", "MJ/m^2"),
        ("kN·m⁻¹", "kN/m"),
        ("kN / m", "kN/m"),
        ("N/mm²", "N/mm^2"),
        ("N/mm2", "N/mm^2"),
        ("mW/cm2", "mW/cm^2"),
        ("oz/yd2", "oz/yd^2"),
        ("lb/in", "lbf/in"),
        ("gsm", "g/m^2"),
        ("langleys", "Ly"),
        ("N/5 cm", "N/5cm"),
        ("N/50 mm", "N/5cm"),
        ("lbf/in²", "psi"),
        ("°C", "degC"),
        ("hours", "h"),
        ("hrs", "h"),
        ("percent", "%"),
        ("", "1"),
        ("-", "1"),
    ],
)
def test_spellings_of_the_trade_are_read(spelling, symbol):
    assert unit(spelling).symbol == symbol


@pytest.mark.parametrize(
    "text",
    [
        "kN m-3",
        "kN·m⁻³",
        "W/m",
        "mpa",
        "KN/M",
        "kJ",
        "W/m2/nm/nm",
        "furlong",
        "N m",
        "kN·m",
        "m/kN",
        "°K",
    ],
)
def test_what_is_not_in_the_table_is_not_guessed(text):
    with pytest.raises(UnitError, match="is unknown; expected "):
        unit(text)


def test_a_near_spelling_is_offered():
    with pytest.raises(UnitError, match=r"unit 'kn/m' is unknown; expected .*kN/m"):
        unit("kn/m", "force per width")


@pytest.mark.parametrize(
    ("text", "dimension", "message"),
    [
        ("MJ/m^2", "energy per area and wavelength",
         "expected energy per area and wavelength: kJ/m^2/nm, MJ/m^2/nm or J/m^2/nm"),
        ("W/m^2", "spectral irradiance",
         "unit 'W/m^2' measures irradiance; expected spectral irradiance: W/m^2/nm"),
        ("N", "force per width", "unit 'N' measures force; expected force per width: kN/m, "),
        ("MPa", "force", "unit 'MPa' measures stress; expected force: N, kN, lbf or kgf"),
        ("%", "temperature", "unit '%' measures fraction; expected temperature: degC, degF or K"),
    ],
)  # fmt: skip
def test_a_unit_of_another_dimension_says_what_it_measures(text, dimension, message):
    with pytest.raises(UnitError) as caught:
        unit(text, dimension)
    assert message in str(caught.value)


# measures


@pytest.mark.parametrize(
    ("text", "canonical"),
    [
        ("0.35 W/m^2/nm", 0.35),
        ("0.35W/(m² nm)", 0.35),
        ("149 degF", 65.0),
        ("338.15 K", 65.0),
        ("-5 °C", -5.0),
        ("5 %", 0.05),
        ("5%", 0.05),
        (" 1.5e3 N ", 1500.0),
        (".5", 0.5),
        ("2. in", 50.8),
        ("+3 d", 72.0),
    ],
)
def test_a_measure_is_a_number_and_a_unit(text, canonical):
    assert measure(text).canonical == pytest.approx(canonical, rel=1e-12)


@pytest.mark.parametrize("text", ["", "W/m^2", "about 5 N", "nan N", "inf N", "--5 N", "5 6 N"])
def test_what_is_no_measure_is_refused(text):
    with pytest.raises(UnitError):
        measure(text)


def test_a_decimal_comma_gets_a_hint():
    with pytest.raises(UnitError, match="write a decimal point"):
        measure("0,35 W/m^2/nm")


def test_a_number_too_large_for_a_float_is_refused():
    with pytest.raises(UnitError, match="too large"):
        measure("1e999 h")


def test_a_measure_of_another_dimension_is_refused():
    with pytest.raises(UnitError, match="measures time; expected temperature"):
        measure("65 h", "temperature")
    with pytest.raises(UnitError, match="measures fraction; expected temperature"):
        measure("65", "temperature")


# headers


@pytest.mark.parametrize(
    ("text", "split"),
    [
        ("peak_force [N]", ("peak_force", "N")),
        ("peak_force(N)", ("peak_force", "N")),
        ("  dose [kJ/(m² nm)] ", ("dose", "kJ/(m² nm)")),
        ("dose (kJ/(m² nm))", ("dose", "kJ/(m² nm)")),
        ("width [ mm ]", ("width", "mm")),
        ("strength []", ("strength", "")),
        ("lot", ("lot", None)),
        (" lot ", ("lot", None)),
        ("lot (roll) number", ("lot (roll) number", None)),
        ("[N]", ("[N]", None)),
        ("", ("", None)),
    ],
)
def test_a_header_carries_its_unit_in_brackets(text, split):
    assert header(text) == split


def test_the_canonical_number_works_on_arrays():
    import numpy as np

    np.testing.assert_allclose(unit("degF").to_canonical(np.array([32.0, 212.0])), [0.0, 100.0],
                               atol=1e-12)  # fmt: skip
    assert math.isclose(unit("kWh/m^2").to_canonical(1.0), 3.6)
