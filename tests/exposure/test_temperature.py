"""A specimen in the sun is warmer than the air."""

from __future__ import annotations

from typing import Any

import numpy
import pytest

from durability.exposure import (
    Lamp,
    effective_temperature,
    lamps,
    specimen_temperature,
    translation_assumptions,
)
from durability.exposure.lamp_temperature import temperature_of_cycle
from durability.exposure.temperature import U0, U1

WHITE = {"absorptance": 0.3, "rise_factor": 0.72}
BLACK = {"absorptance": 0.95, "rise_factor": 0.72}


def test_without_sun_the_specimen_has_the_air_temperature() -> None:
    assert float(specimen_temperature(-5.0, 0.0, 3.0, **BLACK)) == -5.0


def test_black_runs_hotter_than_white_and_wind_cools() -> None:
    still = float(specimen_temperature(25.0, 900.0, 0.0, **BLACK))
    assert still > float(specimen_temperature(25.0, 900.0, 0.0, **WHITE)) > 25
    assert still > float(specimen_temperature(25.0, 900.0, 5.0, **BLACK)) > 25


def test_unscaled_rise_equals_the_faiman_model_of_pvlib() -> None:
    from pvlib.temperature import faiman

    sun: Any
    wind: Any
    sun, wind = numpy.array([0.0, 300.0, 1000.0]), numpy.array([0.0, 2.0, 8.0])
    ours: Any = specimen_temperature(20.0, sun, wind, absorptance=0.9, rise_factor=1.0)
    numpy.testing.assert_allclose(ours, faiman(sun, 20.0, wind))


def test_loss_factors_are_those_of_the_model_file() -> None:
    found = translation_assumptions()
    assert found["loss_constant"].value == U0 and found["loss_wind"].value == U1


def test_effective_temperature_of_a_sine_lies_above_its_mean() -> None:
    # 40 +- 20 degC sine at 30 kJ/mol: about 43 degC by direct arithmetic
    t = 40 + 20 * numpy.sin(numpy.linspace(0, 2 * numpy.pi, 1000, endpoint=False))
    found = effective_temperature(t, numpy.ones_like(t), activation_energy=30.0)
    assert found == pytest.approx(43, abs=0.3)
    assert effective_temperature(t, numpy.ones_like(t), activation_energy=0.0) == pytest.approx(40)


def panels_of(lamp: Lamp) -> list[float]:
    """Temperatures of the black panel in light that the practice states."""
    return [s.black_panel for s in lamp.cycle if s.light and s.black_panel is not None]


@pytest.mark.parametrize("lamp", [x for x in lamps() if panels_of(x)], ids=lambda lamp: lamp.name)
def test_under_a_lamp_a_specimen_is_no_hotter_than_the_black_panel(lamp: Lamp) -> None:
    """The panel is the check: it bounds a fabric from above in light, the chamber's air below."""
    panels = panels_of(lamp)
    air = lamp.temperature["chamber_air"].value if "chamber_air" in lamp.temperature else 0.0
    dry = max(celsius for _, celsius in temperature_of_cycle(lamp.cycle, lamp).phases)
    assert min(air, max(panels)) <= dry <= max(panels)


def test_under_the_sky_no_fabric_is_hotter_than_the_black_panel_on_the_same_rack() -> None:
    sun = numpy.linspace(0, 1100, 12)
    panel: Any = specimen_temperature(25.0, sun, 2.0, absorptance=0.9, rise_factor=0.72)
    for absorptance in (0.1, 0.3, 0.7, 0.9):
        fabric: Any = specimen_temperature(
            25.0, sun, 2.0, absorptance=absorptance, rise_factor=0.72
        )
        assert (fabric <= panel + 1e-12).all()
