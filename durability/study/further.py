"""What may be spent on further strips, and what are they to tell? From [plan] of study.toml."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Annotated, Any

from pydantic import Field

from durability import catalogue
from durability.study.checked import FILE, checked
from durability.study.findings import Findings, near
from durability.study.model import Further
from durability.study.schema import Text, _Table
from durability.units import UnitError, measure


class PlanTable(_Table):
    """[plan]"""

    strips: Annotated[int, Field(ge=2, le=100_000)] | None = Field(
        default=None, description="the number of strips that may be broken, 2 or more"
    )
    hours: Annotated[float, Field(gt=0, le=1_000_000)] | None = Field(
        default=None, description="the longest exposure under the lamp in hours, above 0"
    )
    material: Text | None = Field(default=None, description="the name of a material of this study")
    against: Text | None = Field(
        default=None, description="the name of the material to which the ratio is asked"
    )
    site: Text | None = Field(default=None, description="a name of models/sites")
    required: Text | None = Field(
        default=None, description='what is to be exceeded, such as "500 h", "30 days" or "1.2"'
    )


def further_of(raw: Any, materials: Iterable[str], findings: Findings) -> Further:
    """The table [plan]; what is wrong in it is noted.

    Parameters
    ----------
    raw : the table as read, or None.
    materials : names of the study.
    findings : where problems are noted.
    """
    table = checked(PlanTable, raw, "plan", findings)
    if table is None:
        return Further()
    named, sites = list(materials), catalogue.names("sites")
    known = {"material": named, "against": named, "site": sites}
    for key, names in known.items():
        value = getattr(table, key)
        if value is not None and value not in names:
            expected = "a name of models/sites" if key == "site" else "the name of a material"
            findings.problem(
                FILE, expected, found=value, column=f"plan.{key}", mend=near(value, names)
            )
    if table.site is not None and table.against is not None:
        findings.problem(
            FILE, "either a site or another package", found=table.site, column="plan.site",
            mend="Ask for days at a site, or for the ratio to a package: remove one of both.",
        )  # fmt: skip
    if table.required is not None and not _is_measure(table.required):
        findings.problem(
            FILE, 'a number with its unit, such as "500 h"', found=table.required,
            column="plan.required",
        )  # fmt: skip
    return Further(**table.model_dump())


def _is_measure(text: str) -> bool:
    try:
        measure(text)
    except UnitError:
        try:
            float(text)
        except ValueError:
            return False
    return True
