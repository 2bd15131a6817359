"""Under which lamp, at what irradiance, in which band? One exposure from its table and lamp file.

What the study states wins; what it leaves out is taken from the lamp's file of models/lamps.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from durability import catalogue
from durability.study import schema
from durability.study.findings import Findings, near
from durability.study.model import Calibration, Exposure, Segment
from durability.units import UNITS, Unit, measure, unit

FILE = "study.toml"
OUTDOOR = "outdoor"


def exposure_of(name: str, table: schema.ExposureTable, findings: Findings) -> Exposure | None:
    """The exposure that a table [exposures.NAME] describes; None after a problem."""
    path = f"exposures.{name}"
    if table.protocol is not None and table.lamp not in (None, table.protocol):
        findings.problem(
            FILE,
            "either a protocol or a lamp, as both name a file of models/lamps",
            found=f"{table.protocol} and {table.lamp}",
            column=f"{path}.protocol",
            mend="Remove one.",
        )
        return None
    key = "lamp" if table.protocol is None else "protocol"
    named = table.lamp or table.protocol
    lamp = _lamp(named, f"{path}.{key}", findings)
    if lamp is None:
        return None
    cycle = _overridden(table, _cycle(table, lamp), path, findings)
    if cycle is None:
        return None
    if cycle and not any(s.light for s in cycle):
        findings.problem(
            FILE,
            "at least one phase with light = true",
            found="a cycle without light",
            column=f"{path}.cycle",
        )
        return None
    uncertainty = table.irradiance_uncertainty
    stated = {
        "name": name,
        "lamp": named,
        "irradiance_uncertainty": None if uncertainty is None else measure(uncertainty).canonical,
        "cycle": cycle,
        "record_file": table.record,
        "spectrum": table.spectrum,
        "calibrations": tuple(
            sorted(
                (Calibration(time=str(c.at), as_found=c.as_found) for c in table.calibrations),
                key=lambda c: c.time,
            )
        ),
    }
    if table.axis is not None:
        if table.irradiance is not None or table.at is not None:
            findings.problem(
                FILE,
                "either an axis of its own or an irradiance with its band",
                found=table.axis,
                column=f"{path}.axis",
                mend="A dose in a named band needs no axis; an axis of its own has no irradiance.",
            )
            return None
        return Exposure(**stated, axis=table.axis, dose_unit=table.axis)
    light = _light(table, lamp, path, findings)
    if light is None:
        return None
    irradiance, band = light
    return Exposure(**stated, irradiance=irradiance, band=band, dose_unit=dose_unit(band))


def dose_unit(band: str, named: Unit | None = None) -> str:
    """The unit of a dose in a band as shown to people, the usual one or that which a study names.

    Examples
    --------
    >>> dose_unit("300-400 nm")
    'MJ/m² in 300-400 nm'
    >>> dose_unit("340 nm", unit("MJ/m^2/nm"))
    'MJ/(m² nm) at 340 nm'
    """
    interval = "-" in band
    usual = UNITS["MJ/m^2" if interval else "kJ/m^2/nm"]
    return f"{named or usual} {'in' if interval else 'at'} {band}"


def shown_in(
    name: str, exposures: dict[str, Exposure | None], findings: Findings
) -> dict[str, Exposure | None]:
    """Exposures whose radiant doses are counted in the unit that the study names.

    A unit of energy per area is for doses in an interval, one per wavelength for doses at a
    wavelength; doses of the other kind keep their usual unit.
    """
    named = unit(name)
    spectral = named.dimension.endswith("wavelength")

    def shown(exposure: Exposure | None) -> Exposure | None:
        if exposure is None or not exposure.is_radiant or exposure.band is None:
            return exposure
        if ("-" in exposure.band) == spectral:
            return exposure
        return replace(exposure, dose_unit=dose_unit(exposure.band, named), dose_scale=named.factor)

    found = {key: shown(exposure) for key, exposure in exposures.items()}
    if exposures and all(found[key] is exposures[key] for key in exposures):
        findings.problem(
            FILE,
            "a unit of the dose of an exposure of this study",
            found=name,
            column="study.dose_unit",
            mend="MJ/m^2 and kLy measure a dose in an interval such as 300-400 nm, kJ/m^2/nm one "
            "at a wavelength such as 340 nm.",
        )
    return found


def _lamp(name: str | None, path: str, findings: Findings) -> dict[str, Any] | None:
    if name is None or name == OUTDOOR:
        return {}
    if name in catalogue.names("lamps"):
        return catalogue.read("lamps", name)
    known = [*catalogue.names("lamps"), OUTDOOR]
    findings.problem(
        FILE,
        'a name of models/lamps, or "outdoor"',
        found=name,
        column=path,
        mend=near(name, known),
    )
    return None


def _cycle(table: schema.ExposureTable, lamp: dict[str, Any]) -> tuple[Segment, ...]:
    from durability.study.toml import segment

    phases = table.cycle
    if phases is None:
        phases = [schema.SegmentTable.model_validate(s) for s in lamp.get("cycle", ())]
    return tuple(segment(s) for s in phases)


def _overridden(
    table: schema.ExposureTable, cycle: tuple[Segment, ...], path: str, findings: Findings
) -> tuple[Segment, ...] | None:
    """The cycle with the exposure's own black_panel, air and humidity in its dry light."""
    written = {key: getattr(table, key) for key in ("black_panel", "air", "humidity")}
    own = {key: measure(text).canonical for key, text in written.items() if text is not None}
    if not own:
        return cycle
    key = next(iter(own))
    if table.cycle is not None:
        findings.problem(
            FILE,
            f"{key} in each phase of the cycle",
            found=written[key],
            column=f"{path}.{key}",
            mend="The cycle is written out here: write the value there.",
        )
        return None
    if not any(s.light and not s.spray for s in cycle):
        findings.problem(
            FILE,
            "a lamp whose cycle has dry light, or a cycle",
            found=written[key],
            column=f"{path}.{key}",
        )
        return None
    return tuple(replace(s, **own) if s.light and not s.spray else s for s in cycle)


def _light(
    table: schema.ExposureTable, lamp: dict[str, Any], path: str, findings: Findings
) -> tuple[float | None, str] | None:
    """(irradiance in canonical units or None, control band); None after a problem."""
    lamp_band = schema.normal_band(lamp["at"]) if "at" in lamp else None
    if table.irradiance is None:
        band = table.at or lamp_band
        if band is None:
            findings.problem(
                FILE,
                "an irradiance, a control band, a lamp of models/lamps, or an axis of its own",
                column=path,
                mend='Write at = "300-400 nm" where doses are measured, or axis = "days" where '
                "they are not.",
            )
            return None
        if "irradiance" in lamp and band == lamp_band:
            return measure(lamp["irradiance"]).canonical, band
        return None, band
    read = measure(table.irradiance)
    spectral = read.unit.dimension == "spectral irradiance"
    band = table.at
    if band is None and spectral and lamp_band in (None, "340 nm"):
        band = "340 nm"
    if band is None or ("-" in band) == spectral:
        kind = "a wavelength" if spectral else "an interval"
        example = "340 nm" if spectral else "300-400 nm"
        findings.problem(
            FILE,
            f'{kind} as the control band of {read.unit}, such as "{example}"',
            found=band or "",
            column=f"{path}.at",
            mend=f"The irradiance is {table.irradiance}: say where it is controlled.",
        )
        return None
    return read.canonical, band
