"""Days by dose alone against what is said of a European index test.

Source: training slide on EN 12224 (in Italian): 50 MJ/m² of ultraviolet (290-400 nm) in all, said
to match 1 to 6 months of central-European sun, depending on site. The same is asked here of the
typical year of the Po valley, laid in any month. The comparison is loose: the slide states neither
season nor site, and the band differs by its first 10 nm.
"""

from __future__ import annotations

import numpy as np

from durability.exposure import read_site, sky_exposure
from durability.exposure.hourly import RateDraws
from durability.translation.kernel import days_until
from durability.translation.laying import laying_days
from durability.translation.sky import sky_year


def days_to_50_megajoules(site: str) -> np.ndarray:
    year = sky_year(sky_exposure(read_site(site)), "uv_300_400")
    one, none = np.ones(1), np.zeros(1)
    _, spans = laying_days("every month")
    starts = np.array([[24.0 * (first + length // 2) + 6 for first, length in spans]])
    draws = RateDraws(
        exponent=one, activation_energy=none, cloud=none, heating=none, scale=0.0036 * one
    )
    return days_until(year, draws, targets=np.array([[50.0]]), starts=starts)[0, 0]


def test_fifty_megajoules_take_one_to_six_months_in_the_po_valley():
    days = days_to_50_megajoules("po-valley")
    assert (days > 30.4).all()
    assert (days < 6 * 30.4).all()
    assert days.max() / days.min() > 2
