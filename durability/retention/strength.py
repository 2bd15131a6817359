"""How strong was each strip? Rows of a study with dose and strength, from curves where need be."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import xarray

    from durability.study.model import Study


def strip_rows(study: Study) -> xarray.Dataset:
    """The rows of a study with ``dose`` filled."""
    from durability.exposure import with_dose

    return with_dose(study)
