"""What is a study, once read? Materials, exposures, a question, and what was found, row by row.

Five kinds of data may stand in one study, in any mix: strips and summaries (`Study.rows`), repeated
readings, inspections, and a data sheet's declared values.

Nothing is computed here: the types that `durability.study.read_study` fills and every later room
reads.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from durability.statement import Subject
from durability.study.tensile import AS_USUAL, Tensile

if TYPE_CHECKING:
    import xarray

    from durability.statement import Statements
    from durability.study.prices import Price


OTHER_KINDS = {"readings": "reading", "inspections": "inspection", "declared": "declaration"}
"""Kinds of data beside `Study.rows`, and the dimension of each."""

AVERAGED = "averaged"
"""Stands in the place of a law: an average over laws."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Segment:
    """One phase of a lamp's cycle.

    Parameters
    ----------
    minutes : length of the phase [min].
    light : lamp on.
    spray : water spray or condensation.
    black_panel, air : temperatures [degC], None where not stated.
    humidity : relative humidity, 0 to 1.
    """

    minutes: float
    light: bool
    spray: bool = False
    black_panel: float | None = None
    air: float | None = None
    humidity: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """One check of the chamber's light sensor against a reference.

    Parameters
    ----------
    time : when, ISO 8601, in the clock of the chamber record.
    as_found : true irradiance over the sensor's reading just before it was adjusted; None where
        it was not noted.
    """

    time: str
    as_found: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Exposure:
    """One exposure of the study: a lamp setting, or any axis of the study's own.

    Parameters
    ----------
    name : key of the table in study.toml.
    lamp : name of a file of models/lamps, ``"outdoor"``, or None where not stated.
    irradiance : set point, canonical unit (W/m²/nm at a wavelength, W/m² in an interval).
    band : control band as text, ``"340 nm"`` or ``"300-400 nm"``; None for an axis of its own.
    irradiance_uncertainty : relative standard uncertainty of the delivered dose, 0.05 for 5 %;
        None takes the lamp file's.
    cycle : phases in order; empty means light throughout.
    axis : None for a radiant dose; else the study's own unit of exposure, such as ``"cycles"``.
    dose_unit : unit of the variable ``dose`` of this exposure's rows as shown to people, with
        band, such as ``"kJ/(m² nm) at 340 nm"`` or ``"AFU"``.
    dose_scale : of a radiant dose: one dose_unit in kJ/(m² nm), or in MJ/m² in an interval. It is 1
        unless the study names a dose_unit of its own.
    record : chamber record (time, irradiance, black_panel, air, humidity along ``time``), or None.
    control : None for an exposure to light. ``"dark"`` for strips kept beside it without light in
        the same heat and water, ``"heat"`` for strips in the same heat alone. A control's axis is
        clock hours (``axis`` is ``"h"``): it has no radiant dose.
    control_of : name of the exposure beside which the control was kept, or None.
    calibrations : checks of the chamber's light sensor, in order of time.
    site : of an outdoor exposure: name of a file of models/sites, or a weather file of the study
        folder; None under a lamp and where no site is named.
    laid : day of laying at the site, ISO 8601; strips laid on other days are an exposure of their
        own, named ``"roof laid 2031-05-14"``.
    slope : of the strips from the horizontal [degrees].
    azimuth : direction they face, clockwise from north [degrees]; None faces the equator.
    on_ground : whether the strips lie on the ground, where they run hotter than on a rack.
    spectrum : of the lamp: a name of models/spectra, or a file of the study folder; None takes the
        lamp file's.
    """

    name: str
    lamp: str | None = None
    irradiance: float | None = None
    band: str | None = None
    irradiance_uncertainty: float | None = None
    cycle: tuple[Segment, ...] = ()
    axis: str | None = None
    dose_unit: str = ""
    dose_scale: float = 1.0
    record: xarray.Dataset | None = None
    record_file: str | None = None
    control: Literal["dark", "heat"] | None = None
    control_of: str | None = None
    calibrations: tuple[Calibration, ...] = ()
    site: str | None = None
    laid: str | None = None
    slope: float = 0.0
    azimuth: float | None = None
    on_ground: bool = False
    spectrum: str | None = None

    @property
    def is_radiant(self) -> bool:
        """True when the exposure axis is a radiant dose in a named band."""
        return self.axis is None

    def label(self) -> str:
        """Name and unit of dose, and what a control is kept beside."""
        if self.control is None:
            place = f" at {self.site}" if self.site else ""
            return f"{self.name} [{self.dose_unit}{place}]"
        beside = f" beside {self.control_of}" if self.control_of else ""
        return f"{self.name} [{self.dose_unit}, {self.control} control{beside}]"


@dataclass(frozen=True, slots=True, kw_only=True)
class Material:
    """One product: polymer names a file of models/materials; covariates in canonical units;
    price of a square metre where study.toml gives one. action_spectrum is ``"exponential"``, or a
    file of the study folder; None counts the dose in the lamp's band."""

    name: str
    polymer: str | None = None
    stabiliser: str | None = None
    description: str | None = None
    covariates: dict[str, float] = field(default_factory=dict)
    price: Price | None = None
    action_spectrum: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """What the study is asked, and how fabric lies in the open; options can say otherwise.

    Parameters
    ----------
    sites : names of models/sites, or weather files.
    laying : ``"every month"`` or a date.
    on_ground : whether the fabric lies on the ground, where it runs hotter than on a rack.
    light : share of the sky's light that reaches it.
    slope : of the fabric from the horizontal [degrees].
    azimuth : direction it faces, clockwise from north [degrees]; None faces the equator.
    horizon : height above which the sky is open all around [degrees].
    snow_cover : whether snow that lies covers it.
    wetness : whether spray, rain and dew change the rate of damage.
    action_spectrum : of every material, where days are read; None takes each material's own.
    measured_uv : a yearly total measured at the one site that is asked about, as text.
    of, assurance, level, share : subject, probability, level of intervals, share of single strips.
    control, margin : the package compared with, and a ratio of threshold doses worth having; None
        takes that of models/practice.toml.
    """

    sites: tuple[str, ...] = ()
    laying: str = "every month"
    on_ground: bool = True
    light: float = 1.0
    slope: float = 0.0
    azimuth: float | None = None
    horizon: float = 0.0
    snow_cover: bool = False
    wetness: bool = False
    action_spectrum: str | None = None
    measured_uv: str | None = None
    of: Subject = "new_lot"
    assurance: float = 0.95
    level: float = 0.95
    share: float = 0.9
    control: str | None = None
    margin: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Further:
    """What may be spent on further strips, and what they are to tell, from [plan].

    Parameters
    ----------
    strips : that may be broken; None asks for no plan.
    hours : longest exposure under the lamp, dark phases included [h]; None takes the last tested.
    material : asked about; None takes the first.
    against : the number is the ratio to this package.
    site : the number is days there.
    required : what the number must exceed, with its unit.
    """

    strips: int | None = None
    hours: float | None = None
    material: str | None = None
    against: str | None = None
    site: str | None = None
    required: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Rules:
    """How the study treats doubtful strips."""

    jaw_breaks: Literal["exclude", "at least"] = "exclude"


@dataclass(frozen=True, slots=True, kw_only=True)
class ModelChoices:
    """What the laboratory asks of the model, from [model]; the command line can override each.

    Parameters
    ----------
    shape, spread : shapes of the law and scatter of strips by ``"product"``, one ``"shared"`` by
        all, or ``"pooled"``.
    covariates : (name, form) of those that move threshold doses; None leaves it to the data.
    pool : partial pooling of products without any covariate.
    prior_from : earlier results or a folder of earlier studies, beside the study folder or
        absolute; None for the usual priors.
    prior_power : how much they count, above 0, up to 1.
    law : a name of models/laws, a law file of the study folder, or ``"averaged"``; None leaves it
        to rules.
    errors : scatter of strips, as in `durability.fit`.
    """

    shape: Literal["product", "shared", "pooled"] = "product"
    spread: Literal["product", "shared", "pooled"] = "product"
    covariates: tuple[tuple[str, str], ...] | None = None
    pool: bool = False
    prior_from: str | None = None
    prior_power: float = 1.0
    law: str | None = None
    errors: Literal["lognormal", "normal", "power", "student"] = "lognormal"


@dataclass(frozen=True, slots=True, kw_only=True)
class Front:
    """What a laboratory puts in front of its report, from [report]; each None where not given.

    Parameters
    ----------
    number : of the report.
    issued : date of issue, ISO 8601.
    signatory : who answers for it.
    replaces, reason : the earlier report that this one replaces, and why.
    """

    number: str | None = None
    issued: str | None = None
    signatory: str | None = None
    replaces: str | None = None
    reason: str | None = None

    def rows(self) -> list[tuple[str, str]]:
        """(label, text) of what is given."""
        rows = [("report number", self.number), ("date of issue", self.issued),
                ("signatory", self.signatory), ("replaces", self.replaces),
                ("because", self.reason)]  # fmt: skip
        return [(a, b) for a, b in rows if b]


@dataclass(frozen=True, slots=True, kw_only=True)
class Caution:
    """Something legal but unwise, with where it was seen and what to do.

    Parameters
    ----------
    name : key of the room's dict of flags, which explains it.
    text : what was seen, with its numbers.
    file, row, column : where; row is the first of several.
    rows : every row it is about, as a spreadsheet counts; empty where it is about none or one.
    """

    name: str
    text: str
    file: str = ""
    row: int | None = None
    column: str | None = None
    rows: tuple[int, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """The record as plain types for JSON."""
        return {**asdict(self), "rows": list(self.rows)}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Study:
    """A study folder, read and checked.

    Parameters
    ----------
    folder : the study folder.
    title, property : as the study names them.
    unit : unit of every strength here as shown to people: ``"kN/m"``, ``"N"``, ``"MPa"`` or
        ``"%"`` where the data are percent of the unexposed strength.
    changes : ``"falls"`` for a property that is lost, ``"rises"`` for one that grows (yellowing,
        drift).
    thresholds : fractions of the unexposed value asked about: each between 0 and 1 where the
        property falls, above 1 where it rises.
    required_strength : absolute value asked about [unit], or None.
    rows : xarray Dataset along ``row`` (one row a strip or a summary) with

        ==================  ==========================================================
        material, lot,      text; lot is ``""`` where the study names none
        direction, exposure text
        specimen            text
        kind                text: ``"specimen"`` or ``"summary"``
        summary             bool; True for a group's mean of ``n`` strips
        strength            float [unit]; for a summary the mean; the limit if censored
        sd                  float [unit]; nan for strips and where not given
        n                   int; 1 for a strip, 0 for a summary that does not say
        censored            int: 0 measured, -1 below the limit, +1 at least the limit
        used                bool; False for an excluded strip
        reason              text; why not used
        hours               float [h], clock hours with dark phases; nan where not given
        dose                float [the exposure's dose_unit]; nan where not given
        elongation          float [%]; nan where not given
        dose_sd, hours_sd   float [as dose, h]; standard error of a place read off a figure
        value_sd            float [unit]; standard error of a value read off a figure; nan where
                            nothing was read off, as in the two above
        laboratory, run     text
        machine, tested_on  text; the day as ISO 8601, ``""`` where not given
        break_at            text: ``"gauge"``, ``"jaw"``, ``"slip"`` (in the jaw), ``""`` not said
        curve               text: file of the force-extension curve in the folder, ``""`` for none;
                            a used strip of blank strength takes its peak
                            (`durability.retention.with_strength`)
        width               float [mm]; nan where not given
        stiffness           float [kN/m for a force per width, else unit]; nan where not given
        file, line          where the row was read (line as a spreadsheet counts)
        ==================  ==========================================================

        Either ``hours`` or ``dose`` is given on every row; both are 0 for unexposed rows.
        `durability.exposure.with_doses` fills ``dose`` of every kind. No rows where the study has
        neither specimens nor summaries.
    readings : None, or Dataset along ``reading``: repeated readings of specimens that are not
        broken. material, lot, direction, exposure, specimen, hours, dose, value [unit], dose_sd,
        hours_sd, value_sd, censored, used, reason, laboratory, run, file, line as above. A
        specimen is one (material, lot, direction, exposure, specimen), read before exposure too.
    inspections : None, or Dataset along ``inspection``: between which looks a specimen crossed a
        fraction. material, lot, direction, exposure, specimen; fraction [1] (nan where only a
        required strength is asked about and the crossing is of that); hours_low, hours_high [h]
        and dose_low, dose_high (nan where not given; low 0: crossed before the first look; high
        inf: not crossed yet; equal: seen as it happened); n, specimens in that state; used,
        reason, laboratory, run, file, line.
    declared : None, or Dataset along ``declaration``: a data sheet's word. material, lot,
        direction, exposure, hours, dose; retained [1] or else strength [unit], the other nan;
        sense ``"typical"``, ``"minimum"`` or ``"minimum average roll value"``; n, strips behind it,
        0 where not said; file, line.
    entered : None, or Dataset along ``cell``: what was converted, as it was entered. file, line
        and column (header) of a cell, or study.toml, 0 and the key; text and unit as written; value
        and into: the number and unit it became.
    tensile : how strips were broken, as study.toml says.
    inputs : file name to SHA-256 of what was read.
    cautions : what is legal but unwise.
    invented : True where study.toml marks the data as invented.
    front : number, date and signatory of its report.
    choices : what is asked of the model.
    further : what may be spent on further strips.
    """

    folder: Path
    title: str
    property: str
    unit: str
    thresholds: tuple[float, ...]
    rows: xarray.Dataset
    exposures: dict[str, Exposure]
    materials: dict[str, Material]
    changes: Literal["falls", "rises"] = "falls"
    readings: xarray.Dataset | None = None
    inspections: xarray.Dataset | None = None
    declared: xarray.Dataset | None = None
    entered: xarray.Dataset | None = None
    required_strength: float | None = None
    question: Question = Question()
    rules: Rules = Rules()
    tensile: Tensile = AS_USUAL
    inputs: dict[str, str] = field(default_factory=dict)
    cautions: tuple[Caution, ...] = ()
    invented: bool = False
    source: str | None = None
    laboratory: str | None = None
    front: Front = Front()
    choices: ModelChoices = ModelChoices()
    further: Further = Further()

    def retention(self, level: float | None = None) -> Statements:
        """Unexposed and retained strength of every group, with intervals.

        See `durability.retention.retained_strength`.
        """
        from durability.retention import retained_strength

        return retained_strength(self, level=level or self.question.level)

    def summary_rows(self) -> list[tuple[str, str]]:
        """(label, text) pairs that both reprs show."""
        used = self.rows["used"].values
        rows: list[tuple[str, Any]] = [
            ("title", self.title + ("  [invented data]" if self.invented else "")),
            ("property", f"{self.property} [{self.unit}]"),
            ("materials", ", ".join(self.materials)),
            ("exposures", ", ".join(e.label() for e in self.exposures.values())),
        ]
        if self.changes == "rises":
            rows.insert(2, ("changes", "rises"))
        if used.size or not self.others():
            rows.append(("rows", f"{used.size}, of which {int((~used).sum())} not used"))
        for name, table in self.others().items():
            rows.append((name, f"{table.sizes[OTHER_KINDS[name]]}"))
        rows.append(("thresholds", ", ".join(f"{100 * q:g} %" for q in self.thresholds)))
        return [(a, str(b)) for a, b in rows]

    def others(self) -> dict[str, xarray.Dataset]:
        """The kinds of data beside `rows` that the study has, by name."""
        tables = {"readings": self.readings, "inspections": self.inspections,
                  "declared": self.declared}  # fmt: skip
        return {name: table for name, table in tables.items() if table is not None}

    def __repr__(self) -> str:
        return "Study\n" + "\n".join(f"  {a:<11} {b}" for a, b in self.summary_rows())

    def _repr_html_(self) -> str:
        import html

        body = "".join(
            f"<tr><th>{html.escape(a)}</th><td>{html.escape(b)}</td></tr>"
            for a, b in self.summary_rows()
        )
        return f"<table>{body}</table>"
