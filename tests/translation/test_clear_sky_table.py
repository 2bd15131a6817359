"""The table that maps read the clear sky from, against the spectral model hour by hour."""

from __future__ import annotations

import numpy as np
import pytest

from durability.exposure import read_site
from durability.exposure.clear_sky import clear_sky
from durability.translation import cells

SITES = ("miami", "phoenix", "po-valley", "northway", "sand-point", "tucson")


@pytest.mark.parametrize("name", SITES)
@pytest.mark.parametrize("variable", ["e340", "uv_300_400", "uv_295_385"])
def test_a_years_ultraviolet_by_the_table_is_within_a_thousandth_of_the_model(name, variable):
    """The table has 41 heights of the sun; measured, 0.09 % at most (Phoenix)."""
    site = read_site(name)
    model = clear_sky(site)
    cosine = np.cos(np.radians(model["zenith"].values))
    table = cells.ratios([site], variable)
    light, ratio = (np.interp(cosine, table["cosine"], table[n][0]) for n in ("light", "ratio"))
    assert (light * ratio)[cosine > cells.LOWEST].sum() == pytest.approx(
        model[variable].values.sum(), rel=1e-3
    )
