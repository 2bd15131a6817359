"""How much faster does xenon light act than sunlight of the same dose? Published against predicted.

Source: Schmidt et al., Comparison of the rates of polypropylene fibre degradation caused by
artificial light and sunlight (abstract at studylib.net/doc/10969232): for two polypropylene fibres,
filtered xenon light took strength 4 to 6 times as fast as summer sunlight at the same dose of
ultraviolet, and elongation about four times as fast. Neither place nor temperatures are stated, so
the comparison is one of plausibility. Predicted from the assumptions of models/ alone.
"""

from __future__ import annotations

import numpy as np
import pytest

from durability.exposure import material_assumptions, read_site, sky_exposure
from durability.study.model import Exposure
from durability.translation.inputs import draw_shared, read_inputs, stream
from durability.translation.lamp import lamp_clock
from durability.translation.reading import SkyClock
from durability.translation.sky import sky_year

PUBLISHED = {"strength": (4.0, 6.0), "elongation": (4.0, 4.0)}
DRAWS = 2000


def predicted(name: str, band: str, irradiance: float) -> np.ndarray:
    """90 % interval of damage by xenon over damage by sun from June to August, dose for dose."""
    lamp = lamp_clock(
        Exposure(name="X", lamp="xenon-daylight", irradiance=irradiance, band=band,
                 dose_unit="dose")
    )  # fmt: skip
    inputs, book = read_inputs(), material_assumptions("polypropylene")
    links = draw_shared(inputs, draws=DRAWS, seed=1)
    links["lab_to_sky"] = inputs["lab_to_sky"].draws(DRAWS, stream(1, "s"))
    for key in ("reciprocity_exponent", "activation_energy"):
        links[key] = book[key].draws(DRAWS, stream(1, key))
    normal = stream(1, "lamp").standard_normal((2, DRAWS))
    links["lamp_dose"] = np.exp(lamp.log_sd * normal[0])
    links["lamp_temperature"] = lamp.temperature_sd * normal[1]
    sky = sky_exposure(read_site(name))
    clock = SkyClock(
        material="fibre", lamp=lamp, year=sky_year(sky, lamp.variable), links=links,
        cloud=inputs["cloud_power"].value,
    )  # fmt: skip
    summer = (151 * 24.0, 243 * 24.0)
    same_damage = clock.lamp_dose([summer])[:, 0]
    dose = float(sky[lamp.variable].values[int(summer[0]) : int(summer[1])].sum()) * lamp.per_hour
    true = dose * links["uv_factor"] * links["year_to_year"]
    return np.quantile(true / same_damage, [0.05, 0.5, 0.95])


@pytest.mark.parametrize("what", PUBLISHED)
@pytest.mark.parametrize("name", ["po-valley", "northway"])
def test_the_published_ratio_overlaps_the_predicted_interval_in_a_temperate_summer(what, name):
    low, _, high = predicted(name, "340 nm", 0.35)
    below, above = PUBLISHED[what]
    assert low <= above
    assert below <= high


def test_the_prediction_can_be_missed():
    """Twice the published ratio lies outside: the interval is wide, not endless."""
    low, middle, high = predicted("po-valley", "340 nm", 0.35)
    assert high < 12.0
    assert low < middle < 4.0  # the median is below what was found: kept as it is, not tuned
