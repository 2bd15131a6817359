"""What may stand in study.toml? The tables and keys, each with what it expects in words.

The description of a field is what a problem says was expected. Imported only when a study is read,
because pydantic takes a tenth of a second to load.
"""

from __future__ import annotations

import datetime
import re
from collections.abc import Callable
from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    StringConstraints,
    ValidationInfo,
)
from pydantic_core import PydanticCustomError

from durability.study.tensile import read_rate
from durability.units import UNITS, UnitError, measure, unit

KINDS = ("specimens", "summaries", "readings", "inspections", "declared")
STRENGTH_DIMENSIONS = ("force per width", "force", "stress", "fraction")

DOSE_DIMENSIONS = ("energy per area", "energy per area and wavelength")

MOST_RISE = 100
"""Largest multiple of the unexposed value that may be asked about."""

Text = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1)]


class _Table(BaseModel):
    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)


def _wrong(mend: str, expected: str = "") -> PydanticCustomError:
    return PydanticCustomError("study", "{mend}", {"mend": mend, "expected": expected})


def _quantity(*dimensions: str, low: float, high: float) -> Callable[[str], str]:
    """A check that the text is a number with a unit of one of the dimensions, within limits."""

    def check(text: str) -> str:
        if re.match(r"\s*[-+]?\d*,\d", text):
            raise _wrong("Write a decimal point.")
        try:
            read = measure(text, dimensions[0] if len(dimensions) == 1 else None)
        except UnitError as error:
            raise _wrong(_sentence(str(error))) from error
        if read.unit.dimension not in dimensions:
            raise _wrong(f"{read.unit} is a unit of {read.unit.dimension}.")
        if not low < read.canonical < high:
            raise _wrong(f"The number must lie between {low:g} and {high:g} in canonical units.")
        return text

    return check


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:] + ("" if text.endswith(".") else ".")


def _thresholds(values: tuple[float, ...], info: ValidationInfo) -> tuple[float, ...]:
    rises = info.data.get("changes") == "rises"
    for q in values:
        if rises and not 1 < q <= MOST_RISE:
            raise _wrong(
                f"{q:g} is not above 1 and at most {MOST_RISE}.",
                "fractions of the unexposed value above 1, such as [1.5], as the property rises",
            )
        if not rises and 1 < q < 3:
            raise _wrong(
                f'{q:g} is above 1: write changes = "rises" if the property rises, or '
                f"{q / 100:g} for {q:g} %."
            )
        if not rises and 1 < q < 100:
            raise _wrong(f"Write {q / 100:g} for {q:g} %.")
        if not rises and not 0 < q < 1:
            raise _wrong(f"{q:g} is no fraction between 0 and 1.")
    if len(set(values)) < len(values):
        raise _wrong("Name each fraction once.")
    return values


def _dose_unit(text: str) -> str:
    try:
        read = unit(text)
    except UnitError as error:
        raise _wrong(_sentence(str(error))) from error
    if read.dimension not in DOSE_DIMENSIONS:
        raise _wrong(f"{read} is a unit of {read.dimension}.")
    return text


def _strength_unit(text: str) -> str:
    try:
        found = unit(text)
    except UnitError as error:
        raise _wrong(_sentence(str(error))) from error
    if found.dimension not in STRENGTH_DIMENSIONS or text.strip() in ("", "-"):
        raise _wrong(f"{text} measures {found.dimension}.")
    return text


def _laying(value: str | datetime.date) -> str:
    if isinstance(value, datetime.datetime):
        raise _wrong("Write the date without a time of day.")
    if isinstance(value, datetime.date):
        return value.isoformat()
    if value != "every month":
        try:
            datetime.date.fromisoformat(value)
        except ValueError as error:
            raise _wrong("Write the date as 2031-05-14.") from error
    return value


def _day(value: str | datetime.date) -> str:
    if isinstance(value, datetime.datetime):
        raise _wrong("Write the date without a time of day.")
    try:
        return datetime.date.fromisoformat(str(value)).isoformat()
    except ValueError as error:
        raise _wrong("Write the date as 2031-05-14.") from error


def _moment(value: str | datetime.date) -> str:
    """A time as ISO 8601 without zone (UTC where it states one), as chamber records keep it."""
    try:
        read = datetime.datetime.fromisoformat(str(value))
    except ValueError as error:
        raise _wrong("Write the time as 2031-05-14T08:30.") from error
    if read.tzinfo is not None:
        read = read.astimezone(datetime.UTC).replace(tzinfo=None)
    return read.isoformat()


def normal_band(text: str) -> str:
    """``"340 nm"`` or ``"300-400 nm"`` in one spelling; an error otherwise.

    Examples
    --------
    >>> normal_band("300 – 400nm")
    '300-400 nm'
    """
    match = re.fullmatch(r"\s*(\d{3,4})\s*(?:(?:-|–|to)\s*(\d{3,4})\s*)?nm\s*", text)
    if not match:
        raise ValueError("Write a wavelength such as 340 nm, or an interval such as 300-400 nm.")
    low, high = match.groups()
    if high is None:
        return f"{int(low)} nm"
    if int(low) >= int(high):
        raise ValueError("The interval must run from the shorter to the longer wavelength.")
    return f"{int(low)}-{int(high)} nm"


def _band(text: str) -> str:
    try:
        return normal_band(text)
    except ValueError as error:
        raise _wrong(str(error)) from error


Temperature = Annotated[str, AfterValidator(_quantity("temperature", low=-100, high=200))]
Humidity = Annotated[str, AfterValidator(_quantity("fraction", low=-1e-12, high=1 + 1e-12))]
Probability = Annotated[float, Field(gt=0, lt=1)]


class StudyTable(_Table):
    """[study]"""

    title: Text = Field(description="the study's title as text")
    property: Text = Field(description='what was measured, such as "strip tensile strength"')
    unit: Annotated[str, AfterValidator(_strength_unit)] = Field(
        description="the unit of what was measured: kN/m, N, MPa, % for percent of the unexposed "
        "strength, or 1 for a plain number such as an index"
    )
    dose_unit: Annotated[str, AfterValidator(_dose_unit)] | None = Field(
        default=None,
        description='the unit in which radiant doses are shown, such as "MJ/m^2/nm" or "kLy"',
    )
    changes: Literal["falls", "rises"] = Field(
        default="falls",
        description='"falls" for a property that is lost, "rises" for one that grows',
    )
    thresholds: Annotated[tuple[float, ...], Field(strict=False), AfterValidator(_thresholds)] = (
        Field(
            default=(),
            description="retained fractions between 0 and 1, such as [0.5, 0.8]",
        )
    )
    required_strength: Text | None = Field(
        default=None, description='a strength with its unit, such as "8 kN/m"'
    )
    invented: bool = Field(default=False, description="true or false")
    source: Text | None = Field(default=None, description="where published data come from, as text")
    laboratory: Text | None = Field(default=None, description="the laboratory as text")


class QuestionTable(_Table):
    """[question]"""

    sites: Annotated[tuple[Text, ...], Field(strict=False)] = Field(
        default=(), description="a list of names of models/sites"
    )
    laying: Annotated[str | datetime.date, AfterValidator(_laying)] = Field(
        default="every month", description='"every month" or a date'
    )
    on_ground: bool = Field(
        default=True, description="true where the fabric lies on the ground, false on a rack"
    )
    light: Annotated[float, Field(gt=0, le=1)] = Field(
        default=1.0, description="the share of the light that reaches the fabric, such as 0.3"
    )
    slope: Annotated[float, Field(ge=0, le=90)] = Field(
        default=0.0, description="degrees from the horizontal, 0 to 90"
    )
    azimuth: Annotated[float, Field(ge=0, le=360)] | None = Field(
        default=None, description="degrees clockwise from north, 0 to 360; 180 faces south"
    )
    horizon: Annotated[float, Field(ge=0, le=60)] = Field(
        default=0.0, description="degrees of sky hidden all around, 0 to 60"
    )
    snow_cover: bool = Field(default=False, description="true where snow that lies covers it")
    of: Literal["mean", "new_lot", "single_specimen"] = Field(
        default="new_lot", description='"mean", "new_lot" or "single_specimen"'
    )
    assurance: Probability = Field(default=0.95, description="a probability between 0 and 1")
    level: Probability = Field(default=0.95, description="a probability between 0 and 1")
    share: Probability = Field(default=0.9, description="a share between 0 and 1")
    control: Text | None = Field(default=None, description="the name of a material of this study")
    margin: Annotated[float, Field(gt=1, lt=100)] | None = Field(
        default=None, description="a ratio worth having, above 1, such as 1.2 for 20 % more"
    )
    wetness: bool = Field(
        default=False,
        description="true where spray, rain and dew change the rate of damage by an uncertain "
        "factor",
    )


class RulesTable(_Table):
    """[rules]"""

    jaw_breaks: Literal["exclude", "at least"] = Field(
        default="exclude", description='"exclude" or "at least"'
    )


class SheetTable(_Table):
    """A table of [data] in one of several sheets"""

    file: Text = Field(description="the file name of a .xlsx")
    sheet: Text = Field(description="the name of a sheet")


_TABLE_FILE = 'the file name of a .csv or .xlsx, or { file = "study.xlsx", sheet = "strips" }'


class DataTable(_Table):
    """[data]"""

    specimens: Text | None = Field(default=None, description=_TABLE_FILE)
    summaries: Text | None = Field(default=None, description=_TABLE_FILE)
    readings: Text | None = Field(default=None, description=_TABLE_FILE)
    inspections: Text | None = Field(default=None, description=_TABLE_FILE)
    declared: Text | None = Field(default=None, description=_TABLE_FILE)
    curves: Text | None = Field(
        default=None, description='the folder of the force-extension curves, or "curves/*.txt"'
    )
    sheet: Text | None = Field(default=None, description="the name of a sheet")


def _rate(text: str) -> str:
    if read_rate(text) is None:
        raise _wrong("")
    return text


Length = Annotated[str, AfterValidator(_quantity("length", low=0, high=10_000))]
Strain = Annotated[str, AfterValidator(_quantity("fraction", low=0, high=10))]


class TensileTable(_Table):
    """[tensile]"""

    method: Text | None = Field(default=None, description="a name of models/methods")
    width: Length | None = Field(default=None, description='a width with its unit, such as "50 mm"')
    gauge_length: Length | None = Field(
        default=None, description='a free length between the jaws, such as "75 mm"'
    )
    jaw_width: Length | None = Field(
        default=None, description='a width with its unit, such as "75 mm"'
    )
    rate: Annotated[str, AfterValidator(_rate)] | None = Field(
        default=None, description='a speed of the jaws, such as "300 mm/min" or "20 %/min"'
    )
    pretension: Annotated[str, AfterValidator(_quantity("force", low=0, high=1e6))] | None = Field(
        default=None, description='a force with its unit, such as "5 N"'
    )
    stiffness_at: Annotated[tuple[Strain, ...], Field(strict=False)] = Field(
        default=(), description='strains with their unit, such as ["2 %", "5 %"]'
    )
    slack: Literal["line", "none", "pretension"] = Field(
        default="line", description='"line", "none" or "pretension"'
    )
    force_column: Text | None = Field(
        default=None, description='the header of a curve file with its unit, such as "Load [N]"'
    )
    extension_column: Text | None = Field(
        default=None, description='the header of a curve file with its unit, such as "Stroke [mm]"'
    )


class SegmentTable(_Table):
    """One phase in [exposures.NAME] cycle"""

    minutes: float = Field(gt=0, le=100_000, description="the length in minutes, a number above 0")
    light: bool = Field(description="true or false: whether the lamp is on")
    spray: bool = Field(default=False, description="true or false: water spray or condensation")
    black_panel: Temperature | None = Field(
        default=None, description='a temperature with its unit, such as "65 degC"'
    )
    air: Temperature | None = Field(
        default=None, description='a temperature with its unit, such as "38 degC"'
    )
    humidity: Humidity | None = Field(
        default=None, description='a relative humidity with its unit, such as "50 %"'
    )


class CalibrationTable(_Table):
    """One check of the light sensor in [exposures.NAME] calibrations"""

    at: Annotated[str | datetime.datetime | datetime.date, AfterValidator(_moment)] = Field(
        description="a date, or a date and time such as 2031-05-14T08:30"
    )
    as_found: Annotated[float, Field(gt=0.2, lt=5)] | None = Field(
        default=None,
        description="true irradiance over the sensor's reading before it was adjusted, such as "
        "0.97",
    )


class ExposureTable(_Table):
    """[exposures.NAME]"""

    protocol: Text | None = Field(
        default=None, description="a name of models/lamps; single keys beside it override it"
    )
    lamp: Text | None = Field(default=None, description='a name of models/lamps, or "outdoor"')
    irradiance: (
        Annotated[
            str,
            AfterValidator(_quantity("spectral irradiance", "irradiance", low=0, high=2000)),
        ]
        | None
    ) = Field(
        default=None,
        description='an irradiance with its unit, such as "0.35 W/m^2/nm" or "60 W/m^2"',
    )
    at: Annotated[str, AfterValidator(_band)] | None = Field(
        default=None, description='the control band, such as "340 nm" or "300-400 nm"'
    )
    irradiance_uncertainty: (
        Annotated[str, AfterValidator(_quantity("fraction", low=0, high=1))] | None
    ) = Field(default=None, description='a relative standard uncertainty, such as "5 %"')
    cycle: Annotated[tuple[SegmentTable, ...], Field(strict=False)] | None = Field(
        default=None, description="a list of phases, such as [{ minutes = 90, light = true }]"
    )
    black_panel: Temperature | None = Field(
        default=None, description='a temperature in the dry light, such as "65 degC"'
    )
    air: Temperature | None = Field(
        default=None, description='the chamber air in the dry light, such as "38 degC"'
    )
    humidity: Humidity | None = Field(
        default=None, description='a relative humidity in the dry light, such as "50 %"'
    )
    record: Text | None = Field(default=None, description="the file name of a chamber record")
    calibrations: Annotated[tuple[CalibrationTable, ...], Field(strict=False)] = Field(
        default=(),
        description='checks of the light sensor, such as [{ at = "2031-05-14", as_found = 0.97 }]',
    )
    site: Text | None = Field(
        default=None,
        description="a name of models/sites, or a weather file in the study folder",
    )
    laid: Annotated[str | datetime.date, AfterValidator(_day)] | None = Field(
        default=None, description="the day of laying, such as 2031-05-14"
    )
    slope: Annotated[float, Field(ge=0, le=90)] = Field(
        default=0.0, description="degrees from the horizontal, 0 to 90"
    )
    azimuth: Annotated[float, Field(ge=0, le=360)] | None = Field(
        default=None, description="degrees clockwise from north, 0 to 360; 180 faces south"
    )
    on_ground: bool = Field(
        default=False, description="true where the strips lie on the ground, not on a rack"
    )
    spectrum: Text | None = Field(
        default=None,
        description="a name of models/spectra, or a table in the study folder of wavelength [nm] "
        "and irradiance [W/m^2/nm]",
    )
    axis: Text | None = Field(
        default=None, description='the unit of an exposure that is not a dose, such as "cycles"'
    )
    control: Literal["dark", "heat"] | None = Field(
        default=None,
        description='"dark" for strips kept beside an exposure without light, "heat" for strips in '
        "the same heat alone",
    )
    of: Text | None = Field(
        default=None, description="the name of the exposure beside which a control was kept"
    )


class MaterialTable(_Table):
    """[materials.NAME]"""

    polymer: Text | None = Field(default=None, description="a name of models/materials")
    stabiliser: Text | None = Field(default=None, description="the stabiliser as text")
    description: Text | None = Field(default=None, description="the product in words")
    price: Text | None = Field(default=None, description='a price per area, such as "0.85 EUR/m^2"')
    covariates: dict[str, Any] = Field(
        default_factory=dict, description='numbers, or texts with a unit such as "0.3 %"'
    )
    action_spectrum: Text | None = Field(
        default=None,
        description='"exponential", or a table in the study folder of wavelength [nm] and response',
    )


def known_units(dimension: str) -> str:
    """The units of a dimension, as a list in words."""
    return ", ".join(s for s, u in UNITS.items() if u.dimension == dimension)
