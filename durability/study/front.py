"""What stands in front of the laboratory's report? Number, date and signatory, from [report]."""

from __future__ import annotations

import datetime
from typing import Annotated, Any

from pydantic import AfterValidator, Field

from durability.study.checked import FILE, checked
from durability.study.findings import Findings
from durability.study.model import Front
from durability.study.schema import Text, _Table, _wrong


def _date(value: str | datetime.date) -> str:
    try:
        return datetime.date.fromisoformat(str(value)).isoformat()
    except ValueError as error:
        raise _wrong("Write the date as 2031-05-14.") from error


class ReportTable(_Table):
    """[report]"""

    number: Text | None = Field(default=None, description="the number of the report as text")
    issued: Annotated[str | datetime.date, AfterValidator(_date)] | None = Field(
        default=None, description="the date of issue, such as 2031-05-14"
    )
    signatory: Text | None = Field(default=None, description="who answers for it, as text")
    replaces: Text | None = Field(
        default=None, description="the number of the report that this one replaces"
    )
    reason: Text | None = Field(default=None, description="why it replaces the earlier one")


def front_of(raw: Any, findings: Findings) -> Front:
    """The table [report]; what is wrong in it is noted."""
    table = checked(ReportTable, raw, "report", findings)
    if table is None:
        return Front()
    if (table.replaces is None) != (table.reason is None):
        missing, given = ("reason", "replaces") if table.replaces else ("replaces", "reason")
        findings.problem(
            FILE,
            f"{missing} beside {given}",
            column=f"report.{missing}",
            mend="Say which report this one replaces and why, or remove both.",
        )
    return Front(**table.model_dump())
