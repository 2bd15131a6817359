"""Warming in the sun against published coefficients and one published black panel.

Coefficients: Faiman 2008, Progress in Photovoltaics 16:307, as pvlib documents it, and the tables
of pvlib's own source (SAPM after King et al. 2004; constant heat loss). None of them is a fabric:
they bound what a thin panel on a rack and one on insulation can do.
"""

from __future__ import annotations

import inspect
import math

import numpy as np
import pytest

from durability.exposure import (
    effective_temperature,
    read_site,
    sky_exposure,
    specimen_temperature,
    translation_assumptions,
)
from durability.exposure.temperature import U0, U1

RACK = {"a": -3.56, "b": -0.075}
"""Open rack, glass over polymer."""
INSULATED = {"a": -2.81, "b": -0.0455}


def rise_published(light: float, wind: float, *, a: float, b: float) -> float:
    """T - T_air = G exp(a + b v)."""
    return light * math.exp(a + b * wind)


def test_heat_losses_are_those_that_faiman_published() -> None:
    from pvlib.temperature import faiman

    known = inspect.signature(faiman).parameters
    assert (U0, U1) == (known["u0"].default, known["u1"].default) == (25.0, 6.84)


def test_the_tables_of_published_coefficients_are_those_written_here() -> None:
    from pvlib.temperature import TEMPERATURE_MODEL_PARAMETERS

    rack = TEMPERATURE_MODEL_PARAMETERS["sapm"]["open_rack_glass_polymer"]
    back = TEMPERATURE_MODEL_PARAMETERS["sapm"]["insulated_back_glass_polymer"]
    assert {k: rack[k] for k in "ab"} == RACK
    assert {k: back[k] for k in "ab"} == INSULATED


@pytest.mark.parametrize("light", [400.0, 1000.0])
@pytest.mark.parametrize("wind", [1.0, 3.0, 6.0])
def test_a_module_on_a_rack_warms_as_another_published_model_has_it(light, wind) -> None:
    """Two published models of one thing, within 5 K or a quarter."""
    ours = float(specimen_temperature(20.0, light, wind, absorptance=0.9, rise_factor=1.0)) - 20
    theirs = rise_published(light, wind, **RACK)
    assert abs(ours - theirs) < max(5.0, 0.25 * theirs)


@pytest.mark.parametrize("kilocalories", [4.0, 7.0])
def test_effective_black_panel_in_arizona_with_the_rise_factor_fitted_to_it(kilocalories) -> None:
    """42 degC: SAE 2009-01-0573, abstract. Not independent: the factor was fitted to this number.

    It guards the fit: whoever changes the model must fit the factor again.
    """
    factor = translation_assumptions()["temperature_rise_factor"].value
    assert _black_panel(kilocalories, factor) == pytest.approx(42.0, abs=1.0)


@pytest.mark.xfail(
    strict=True,
    reason="kept as found, why the rise is scaled: a module's rise unscaled gives 46.8 to 47.6 "
    "degC, 5 K above the published 42",
)
@pytest.mark.parametrize("kilocalories", [4.0, 7.0])
def test_effective_black_panel_in_arizona_from_published_heat_losses_alone(kilocalories) -> None:
    assert _black_panel(kilocalories, 1.0) == pytest.approx(42.0, abs=1.5)


def _black_panel(kilocalories: float, factor: float) -> float:
    sky = sky_exposure(read_site("phoenix"), tilt=45)
    panel = specimen_temperature(
        sky["temp_air"].values, sky["poa"].values, sky["wind_speed"].values,
        absorptance=0.9, rise_factor=factor,
    )  # fmt: skip
    return effective_temperature(
        np.asarray(panel), sky["uv_300_400"].values, activation_energy=4.184 * kilocalories
    )
