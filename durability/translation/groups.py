"""Which draws make up one input of the uncertainty budget? Links by the name that a reader knows.

What is unexplained between lamp and sky holds its parts (spectrum, moisture) as a product; here
they are taken out of it, so that the inputs of the budget are independent of each other.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from durability.translation.inputs import AIR, PARTS, WARMING
from durability.translation.spectral import LINKS as SPECTRAL

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy as np
    from numpy.typing import NDArray

GROUPS: dict[str, tuple[str, ...]] = {
    "reciprocity_exponent": ("reciprocity_exponent",),
    "activation_energy": ("activation_energy",),
    "lamp_dose": ("lamp_dose",),
    "lamp_temperature": ("lamp_temperature",),
    "uv_model": ("uv_factor",),
    "cloud_power": ("cloud_power",),
    "spectrum": (*SPECTRAL, PARTS["spectrum"]),
    "air_temperature": (AIR,),
    "specimen_temperature": WARMING,
    "moisture": ("wetness_factor", PARTS["moisture"]),
    "year_to_year": ("year_to_year",),
    "lab_to_sky": ("lab_to_sky",),
}
"""Input of the budget to the links it may hold; those that were drawn count."""

FACTORS = (
    "lamp_dose", "uv_factor", "year_to_year", "lab_to_sky", "short_wave_factor", "wetness_factor",
    *PARTS.values(),
)  # fmt: skip
"""Links whose logarithm is what the budget reads."""


def grouped(links: Mapping[str, NDArray[np.float64]]) -> dict[str, NDArray[np.float64]]:
    """Every input of the budget (draw,) or (draw, link), factors as logarithms.

    Examples
    --------
    >>> import numpy
    >>> links = {"lab_to_sky": numpy.array([6.0]), "moisture_mismatch": numpy.array([2.0])}
    >>> {name: float(x[0].round(3)) for name, x in grouped(links).items()}
    {'moisture': 0.693, 'lab_to_sky': 1.099}
    """
    import numpy as np

    found = {}
    for name, members in GROUPS.items():
        columns = [np.log(links[n]) if n in FACTORS else links[n] for n in members if n in links]
        if columns:
            found[name] = columns[0] if len(columns) == 1 else np.column_stack(columns)
    for part in PARTS.values():
        if part in links and "lab_to_sky" in found:
            found["lab_to_sky"] = found["lab_to_sky"] - np.log(links[part])
    return found


def ungrouped(
    inputs: Mapping[str, NDArray[np.float64]], names: Mapping[str, NDArray[np.float64]]
) -> dict[str, NDArray[np.float64]]:
    """The links again, from inputs as `grouped` made them of links of these `names`."""
    import numpy as np

    found = {}
    for name, members in GROUPS.items():
        drawn = [n for n in members if n in names]
        if name not in inputs:
            continue
        columns = inputs[name].reshape(inputs[name].shape[0], -1).T
        for link, values in zip(drawn, columns, strict=True):
            column = np.ascontiguousarray(values)
            found[link] = np.exp(column) if link in FACTORS else column
    for part in PARTS.values():
        if part in found:
            found["lab_to_sky"] = found["lab_to_sky"] * found[part]
    return found


__all__ = ["FACTORS", "GROUPS", "grouped", "ungrouped"]
