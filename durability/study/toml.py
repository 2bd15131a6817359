"""What does study.toml say? Its tables, checked all at once, as the types of the study room."""

from __future__ import annotations

import hashlib
import re
import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from durability import catalogue
from durability.study import schema
from durability.study.checked import FILE, as_written, checked
from durability.study.choices import choices_of
from durability.study.controls import control_exposure, is_control, join_controls
from durability.study.entered import Entered, entered_keys
from durability.study.findings import Findings, near
from durability.study.front import front_of
from durability.study.further import further_of
from durability.study.model import (
    Exposure,
    Front,
    Further,
    Material,
    ModelChoices,
    Question,
    Rules,
    Segment,
)
from durability.study.prices import EXPECTED, read_price
from durability.study.sources import read_data, read_units
from durability.study.tensile import AS_USUAL, CurveFiles, Tensile, find_curves, tensile_of
from durability.units import Unit, UnitError, measure, unit

_TABLES = (
    "study", "question", "plan", "model", "report", "rules", "data", "tensile", "units",
    "exposures", "materials",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Description:
    """study.toml as far as it could be read; what could not be read is None and a problem.

    Parameters
    ----------
    study : the table [study].
    unit : unit of strength.
    required_strength : in that unit.
    exposures, materials : by name; None for one with a problem.
    tables : kind of data to the file that holds it and the sheet, from [data].
    units : column name to unit, from [units].
    entered : quantities that were converted, as they stand there.
    tensile : how strips were broken.
    front : number, date and signatory of the report.
    choices : what is asked of the model.
    further : what may be spent on further strips.
    curves : files of their curves, or None.
    """

    study: schema.StudyTable | None
    unit: Unit | None
    required_strength: float | None
    question: Question
    rules: Rules
    tables: dict[str, tuple[str, str | None]]
    units: dict[str, str] = field(default_factory=dict)
    entered: list[Entered] = field(default_factory=list)
    tensile: Tensile = AS_USUAL
    curves: CurveFiles | None = None
    front: Front = Front()  # noqa: RUF009
    choices: ModelChoices = ModelChoices()  # noqa: RUF009
    further: Further = Further()  # noqa: RUF009
    exposures: dict[str, Exposure | None] = field(default_factory=dict)
    materials: dict[str, Material | None] = field(default_factory=dict)


def read_description(
    folder: Path, findings: Findings, inputs: dict[str, str]
) -> Description | None:
    """Read and check study.toml; None when nothing can be made of it."""
    raw = _load(folder, findings, inputs)
    if raw is None:
        return None
    for key in raw:
        if key not in _TABLES:
            findings.problem(FILE, "a known table", found=key, column=key, mend=near(key, _TABLES))
    study = checked(schema.StudyTable, raw.get("study"), "study", findings, required=True)
    materials = {
        name: _material(name, table, folder, findings, inputs)
        for name, table in _named(raw, "materials", findings).items()
    }
    exposures = {
        name: _exposure(name, table, folder, findings, inputs)
        for name, table in _named(raw, "exposures", findings).items()
    }
    strength_unit = _unit_of(raw.get("study"))
    join_controls(exposures, findings)
    if study is not None and study.dose_unit is not None:
        from durability.study.lamps import shown_in

        exposures = shown_in(study.dose_unit, exposures, findings)
    return Description(
        study=study,
        unit=strength_unit,
        required_strength=_required(study, strength_unit, findings),
        question=_question(raw.get("question"), folder, materials, findings),
        rules=_rules(raw.get("rules"), findings),
        tables=read_data(raw.get("data"), findings),
        units=read_units(raw.get("units"), findings),
        entered=entered_keys(raw, strength_unit),
        tensile=tensile_of(
            checked(schema.TensileTable, raw.get("tensile"), "tensile", findings), findings
        ),
        curves=find_curves(folder, raw.get("data"), findings, inputs),
        exposures=exposures,
        materials=materials,
        front=front_of(raw.get("report"), findings),
        choices=choices_of(raw.get("model"), materials, folder, findings, inputs),
        further=further_of(raw.get("plan"), materials, findings),
    )


def _load(folder: Path, findings: Findings, inputs: dict[str, str]) -> dict[str, Any] | None:
    try:
        data = (folder / FILE).read_bytes()
    except FileNotFoundError:
        findings.problem(
            FILE,
            "a file study.toml in the folder",
            found="no such file",
            mend=f"Name the folder that holds it; {folder.name or folder} does not.",
        )
        return None
    except OSError as error:
        findings.problem(FILE, "a readable file", found=error.strerror or str(error))
        return None
    inputs[FILE] = hashlib.sha256(data).hexdigest()
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        findings.problem(
            FILE,
            "text in UTF-8",
            found=f"byte 0x{data[error.start]:02x}",
            row=1 + data.count(b"\n", 0, error.start),
            mend="Save the file again as UTF-8.",
        )
        return None
    if not text.strip():
        findings.problem(FILE, "a table [study] and the others", found="an empty file")
        return None
    try:
        return tomllib.loads(text.replace("\r\n", "\n"))
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        message = str(error)
        line = re.search(r"at line (\d+)", message)
        row = int(line[1]) if line else text.count("\n") + 1
        lines = text.splitlines()
        findings.problem(
            FILE,
            "TOML",
            found=lines[row - 1] if 0 < row <= len(lines) else "the end of the file",
            row=row,
            mend=f"{message.split(' (at')[0]}. Text stands in quotation marks, and each table "
            "and key is named once.",
        )
        return None


def _named(raw: dict[str, Any], kind: str, findings: Findings) -> dict[str, Any]:
    """The tables [kind.NAME]; having none is a problem."""
    tables = raw.get(kind)
    if not isinstance(tables, dict) or not tables:
        findings.problem(
            FILE,
            f"at least one table [{kind}.NAME]",
            found=tables if tables else "",
            column=kind,
        )
        return {}
    for name in tables:
        if name != name.strip() or not name:
            findings.problem(
                FILE, "a name without blanks around it", found=f"'{name}'", column=kind
            )
    return tables


def _unit_of(raw: Any) -> Unit | None:
    try:
        found = unit(raw["unit"])
    except (UnitError, KeyError, TypeError, AttributeError):
        return None
    return found if found.dimension in schema.STRENGTH_DIMENSIONS else None


def _required(
    study: schema.StudyTable | None, strength_unit: Unit | None, findings: Findings
) -> float | None:
    if study is None or strength_unit is None:
        return None
    if study.required_strength is None:
        if not study.thresholds:
            findings.problem(
                FILE,
                "retained fractions between 0 and 1, such as [0.5, 0.8], or a required_strength",
                column="study.thresholds",
                mend="Say what is asked of the product.",
            )
        return None
    found, column = study.required_strength, "study.required_strength"
    try:
        read = measure(study.required_strength, strength_unit.dimension)
    except UnitError as error:
        findings.problem(
            FILE, f"a strength in {strength_unit}", found=found, column=column, mend=f"{error}."
        )
        return None
    if not read.number > 0:
        findings.problem(FILE, "a strength above 0", found=found, column=column)
        return None
    if read.unit == strength_unit:
        return read.number
    return (read.canonical - strength_unit.offset) / strength_unit.factor


def _rules(raw: Any, findings: Findings) -> Rules:
    rules = checked(schema.RulesTable, raw, "rules", findings)
    return Rules(jaw_breaks=rules.jaw_breaks) if rules else Rules()


def _question(
    raw: Any, folder: Path, materials: dict[str, Material | None], findings: Findings
) -> Question:
    table = checked(schema.QuestionTable, raw, "question", findings)
    if table is None:
        return Question()
    if table.control is not None and table.control not in materials:
        findings.problem(
            FILE,
            "the name of a material of this study",
            found=table.control,
            column="question.control",
            mend=near(table.control, materials),
        )
    known = catalogue.names("sites")
    for site in table.sites:
        if site not in known and not (folder / site).is_file():
            findings.problem(
                FILE,
                "a name of models/sites, or a file in the study folder",
                found=site,
                column="question.sites",
                mend=near(site, known),
            )
    return Question(**table.model_dump())


def _in_folder(
    named: str,
    folder: Path,
    column: str,
    expected: str,
    findings: Findings,
    inputs: dict[str, str],
) -> None:
    """Hash a file of the study folder; note one that is not there, or lies outside."""
    file = folder / named
    if file.resolve().is_relative_to(folder.resolve()) and file.is_file():
        inputs[named] = hashlib.sha256(file.read_bytes()).hexdigest()
    else:
        findings.problem(FILE, expected, found=named, column=column)


def _material(
    name: str, raw: Any, folder: Path, findings: Findings, inputs: dict[str, str]
) -> Material | None:
    path = f"materials.{name}"
    table = checked(schema.MaterialTable, raw, path, findings)
    if table is None:
        return None
    before = len(findings.problems)
    if table.polymer is not None and table.polymer not in catalogue.names("materials"):
        findings.problem(
            FILE,
            "a name of models/materials",
            found=table.polymer,
            column=f"{path}.polymer",
            mend=near(table.polymer, catalogue.names("materials")),
        )
    covariates: dict[str, float] = {}
    for key, value in table.covariates.items():
        try:
            if isinstance(value, str):
                covariates[key] = measure(value).canonical
            elif isinstance(value, bool) or not isinstance(value, int | float) or value * 0 != 0:
                raise UnitError(f"{as_written(value)} is no number")
            else:
                covariates[key] = float(value)
        except UnitError as error:
            findings.problem(
                FILE,
                'a number, or a text with a unit such as "0.3 %"',
                found=as_written(value),
                column=f"{path}.covariates.{key}",
                mend=f"{error}.",
            )
    price = None
    if table.price is not None:
        try:
            price = read_price(table.price)
        except ValueError:
            findings.problem(FILE, EXPECTED, found=table.price, column=f"{path}.price")
    if table.action_spectrum not in (None, "exponential"):
        _in_folder(table.action_spectrum, folder, f"{path}.action_spectrum",
                   '"exponential", or a table in the study folder', findings, inputs)  # fmt: skip
    if len(findings.problems) > before:
        return None
    return Material(
        name=name,
        polymer=table.polymer,
        stabiliser=table.stabiliser,
        description=table.description,
        covariates=covariates,
        price=price,
        action_spectrum=table.action_spectrum,
    )


def _exposure(
    name: str, raw: Any, folder: Path, findings: Findings, inputs: dict[str, str]
) -> Exposure | None:
    from durability.study import outdoors
    from durability.study.lamps import exposure_of

    table = checked(schema.ExposureTable, raw, f"exposures.{name}", findings)
    if table is None:
        return None
    if is_control(table):
        return control_exposure(name, table, findings)
    if table.of is not None:
        findings.problem(
            FILE,
            'of = "NAME" only in a control',
            found=table.of,
            column=f"exposures.{name}.of",
            mend='Write control = "dark" or control = "heat" beside it, or remove the line.',
        )
    if table.spectrum is not None and table.spectrum not in catalogue.names("spectra"):
        _in_folder(table.spectrum, folder, f"exposures.{name}.spectrum",
                   "a name of models/spectra, or a table in the study folder", findings,
                   inputs)  # fmt: skip
    if table.lamp != outdoors.OUTDOOR:
        return (
            None
            if outdoors.refuse_outdoor_keys(name, table, findings)
            else exposure_of(name, table, findings)
        )
    if outdoors.OF_A_SITE.intersection(table.model_fields_set):
        return outdoors.sited_exposure(name, table, folder, findings)
    return exposure_of(name, table, findings)


def segment(table: schema.SegmentTable) -> Segment:
    """A phase in canonical units."""

    def canonical(text: str | None) -> float | None:
        return None if text is None else measure(text).canonical

    return Segment(
        minutes=table.minutes,
        light=table.light,
        spray=table.spray,
        black_panel=canonical(table.black_panel),
        air=canonical(table.air),
        humidity=canonical(table.humidity),
    )
