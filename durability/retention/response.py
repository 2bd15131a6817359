"""Which property of the strips is asked about? Strength, elongation at peak force, or stiffness.

A response takes the place of strength in the rows of a study, so that every interval, test and
comparison of this room reads it as it reads strength.
"""

from __future__ import annotations

import dataclasses
from typing import Literal, get_args

import numpy as np

from durability.retention.strength import with_strength
from durability.study.model import Study
from durability.units import unit

Response = Literal["strength", "elongation", "stiffness"]
RESPONSES: tuple[Response, ...] = get_args(Response)


def responses(study: Study) -> tuple[Response, ...]:
    """The responses that a study holds numbers of.

    Examples
    --------
    >>> from durability.study import read_study
    >>> responses(read_study("examples/quarry-cover"))  # in a clone
    ('strength',)
    """
    rows = with_strength(study).rows
    used = rows["used"].values.astype(bool)
    return tuple(
        r for r in RESPONSES
        if r in rows and np.isfinite(rows[r].values[used].astype(float)).any()
    )  # fmt: skip


def with_response(study: Study, response: Response) -> Study:
    """A study in whose rows the response stands where strength does.

    Parameters
    ----------
    study : as read.
    response : ``strength``; ``elongation`` at peak force [%]; or secant ``stiffness`` [kN/m, or the
        unit of the study where that is no force per width].

    Returns
    -------
    Study : strips without the response are not used there, and say so.

    Raises
    ------
    ValueError : an unknown response, or one that no strip has.
    """
    if response not in RESPONSES:
        raise ValueError(f'response "{response}" is unknown; known: {", ".join(RESPONSES)}')
    study = with_strength(study)
    if response == "strength":
        return study
    rows = study.rows.copy(deep=True)
    size = rows.sizes["row"]
    value = rows[response].values.astype(float) if response in rows else np.full(size, np.nan)
    used = rows["used"].values.astype(bool)
    has = np.isfinite(value) & (value > 0)
    # a strip too weak to test has a limit of strength, and none of what it stretched
    keep = used & has & (rows["censored"].values >= 0)
    if not keep.any():
        raise ValueError(
            f"no strip has its {response}; give a column {response} in the table of specimens, or "
            "curves and a gauge_length under [tensile] of study.toml"
        )
    reason = rows["reason"].values.astype(object)
    reason[used & ~keep] = f"no {response}"
    rows["strength"] = ("row", value)
    rows["used"] = ("row", keep)
    rows["reason"] = ("row", reason.astype(str))
    if "curve" in rows:
        rows["curve"] = ("row", np.full(size, "", dtype=str))
    by_width = unit(study.unit).dimension == "force per width"
    of = "%" if response == "elongation" else "kN/m" if by_width else study.unit
    return dataclasses.replace(study, rows=rows, unit=of)
