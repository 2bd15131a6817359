"""What was kept beside the light? Controls in the dark or in heat alone.

A control shares the heat (and, in the dark, the water) of an exposure and gets none of its light,
so it has no radiant dose: its axis is clock hours.
"""

from __future__ import annotations

import dataclasses

from durability.study import schema
from durability.study.checked import FILE, as_written
from durability.study.findings import Findings, near
from durability.study.model import Exposure

_KEYS = ("control", "of", "cycle")


def is_control(table: schema.ExposureTable) -> bool:
    """Whether a table [exposures.NAME] says ``control``, or has a cycle without light."""
    return table.control is not None or bool(table.cycle and not any(s.light for s in table.cycle))


def control_exposure(name: str, table: schema.ExposureTable, findings: Findings) -> Exposure | None:
    """The control that a table [exposures.NAME] describes; None after a problem.

    A cycle without light and without the word ``control`` is a control in the dark.
    """
    from durability.study.toml import segment

    path, before = f"exposures.{name}", len(findings.problems)
    for key in sorted(table.model_fields_set.difference(_KEYS)):
        findings.problem(
            FILE,
            f"no light in a control, so nothing but {', '.join(_KEYS)}",
            found=as_written(getattr(table, key)),
            column=f"{path}.{key}",
            mend="A control is placed by its hours: remove the line. "
            'Name the exposure beside it: of = "NAME".',
        )
    if table.control is not None and table.of is None:
        findings.problem(
            FILE,
            "the name of the exposure beside which the control was kept",
            column=f"{path}.of",
            mend='Write of = "NAME".',
        )
    if any(s.light for s in table.cycle or ()):
        findings.problem(
            FILE,
            "phases with light = false",
            found="a phase with light",
            column=f"{path}.cycle",
            mend="A control gets no light.",
        )
    if len(findings.problems) > before:
        return None
    return Exposure(
        name=name,
        cycle=tuple(segment(s) for s in table.cycle or ()),
        axis="h",
        dose_unit="h",
        control=table.control or "dark",
        control_of=table.of,
    )


def join_controls(exposures: dict[str, Exposure | None], findings: Findings) -> None:
    """Check the exposure that each control names, and take its cycle, without light, from there."""
    lit = [n for n, e in exposures.items() if e is None or e.control is None]
    for name, control in exposures.items():
        if control is None or control.control_of is None:
            continue
        if control.control_of not in lit:
            findings.problem(
                FILE,
                "the name of an exposure to light of this study",
                found=control.control_of,
                column=f"exposures.{name}.of",
                mend=near(control.control_of, lit),
            )
            continue
        beside = exposures[control.control_of]
        if beside is not None and not control.cycle:
            dry = control.control == "heat"
            cycle = tuple(
                dataclasses.replace(s, light=False, spray=s.spray and not dry) for s in beside.cycle
            )
            exposures[name] = dataclasses.replace(control, cycle=cycle)
