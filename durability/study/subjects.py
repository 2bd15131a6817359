"""Which material, after how much exposure? The subject of a row and its place on the axis.

The place is hours or a dose. A dose is read in the unit of its exposure; a control that got no
light is placed by its hours.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Any

from durability.study.bench import DIRECTIONS, Bench
from durability.study.columns import Numbers
from durability.study.findings import near
from durability.study.model import Exposure
from durability.study.outdoors import by_day_of_laying, withdrawn_after
from durability.units import UNITS, Unit, UnitError, unit

DIRECTION_HINTS = {
    word: f'Write "{meaning}" if that is what is meant.'
    for words, meaning in (
        (("warp", "md", "m", "length", "lengthwise", "longitudinal"), "machine"),
        (("filling", "weft", "cd", "xd", "cmd", "c", "width", "transverse"), "cross"),
    )
    for word in words
}
_WIDEST_LAMP_BAND = 900  # nm; a band beyond it counts the whole of sunlight, as a langley does


@dataclass(frozen=True, slots=True, eq=False)
class Place:
    """Where rows lie on the axis of their exposures: canonical numbers, nan where not given.

    Parameters
    ----------
    hours, dose : [h], [unit of the exposure].
    by_hours, by_dose : rows placed by hours, or by a dose, above 0.
    scale : dose over the number written; nan where no dose above 0 is written.
    given : rows with any number.
    """

    hours: Any
    dose: Any
    by_hours: Any
    by_dose: Any
    scale: Any
    given: Any

    @property
    def start(self) -> Any:
        """Rows before any exposure."""
        return (self.hours == 0) | (self.dose == 0)


def read_names(bench: Bench) -> dict[str, Any]:
    """Material, lot, direction, exposure, laboratory and run of every row, checked."""
    for name in ("material", "exposure"):
        if name not in bench.columns:
            bench.missing(name)
    return {
        "material": _named(bench, "material", bench.description.materials, "[materials.NAME]"),
        "lot": bench.text("lot"),
        "direction": bench.words("direction", DIRECTIONS, hints=DIRECTION_HINTS),
        "exposure": _named(bench, "exposure", bench.description.exposures, "[exposures.NAME]"),
        "laboratory": bench.text("laboratory"),
        "run": bench.text("run"),
    }


def read_subjects(bench: Bench, *, always_exposed: str = "") -> dict[str, Any]:
    """Names, hours and dose of every row, with the errors of places read off a figure.

    Parameters
    ----------
    always_exposed : why even an unexposed row must name its exposure, as a sentence; blank where
        it need not.
    """
    import numpy

    names = read_names(bench)
    exposures = names["exposure"]
    place = placed_by_dates(bench, exposures, read_place(bench, exposures))
    if {"hours", "dose", "withdrawn"} & set(bench.columns):
        bench.refuse(
            ~place.given,
            next(n for n in ("hours", "dose", "withdrawn") if n in bench.columns),
            "hours or a dose" if "withdrawn" not in bench.columns else "hours, a dose or a date",
            mend="Unexposed strips have 0.",
            found=numpy.full(bench.size, ""),
        )
    else:
        bench.missing("hours", instead=' or a column "dose"')
    start = place.start
    if "exposure" in bench.columns:
        bench.refuse(
            (exposures == "") & place.given & (bool(always_exposed) | ~start),
            "exposure",
            "the name of an exposure",
            mend=always_exposed or "Only an unexposed strip may leave it blank.",
        )
    hours_sd, dose_sd = _place_errors(bench, exposures, place)
    return {
        **names,
        "exposure": by_day_of_laying(bench, exposures, start & (not always_exposed)),
        "hours": place.hours,
        "dose": place.dose,
        "hours_sd": numpy.where(start, numpy.nan, hours_sd),
        "dose_sd": numpy.where(start, numpy.nan, dose_sd),
    }


def _named(bench: Bench, name: str, known: Collection[str], table: str) -> Any:
    """A column of names, each of which study.toml must describe."""
    import numpy

    names = bench.text(name)
    if name not in bench.columns:
        return names
    for word in numpy.unique(names).tolist():
        if word == "" and name == "material":
            bench.refuse(names == "", name, "the name of a material")
        elif word and word not in known and not word.startswith(("=", "#")):
            rows = bench.table.rows[names == word]
            also = f" Rows {rows[0]} to {rows[-1]}, {rows.size} in all." if rows.size > 1 else ""
            bench.findings.problem(
                bench.table.file,
                f"a name with a table {table} in study.toml",
                found=word,
                row=int(rows[0]),
                column=bench.columns[name].header,
                mend=near(word, known) + also,
            )
    return names


def read_place(
    bench: Bench, exposures: Any, *, hours_name: str = "hours", dose_name: str = "dose"
) -> Place:
    """Hours or dose of every row, in canonical units; blank cells are for the caller to judge."""
    import numpy

    hours, dose = bench.numbers(hours_name), bench.numbers(dose_name)
    for name, read in ((hours_name, hours), (dose_name, dose)):
        bench.refuse(read.values < 0, name, "a number of at least 0")
    both = hours.given & dose.given & ((hours.values != 0) | (dose.values != 0))
    if both.any():
        found = [
            f"hours {h} and dose {d}"
            for h, d in zip(bench.text(hours_name), bench.text(dose_name), strict=True)
        ]
        bench.refuse(
            both,
            hours_name,
            "hours or a dose, not both",
            found=found,
            mend="Keep the one that was measured.",
        )
    clock = bench.convert(hours_name, hours, UNITS["h"])
    result = numpy.full(bench.size, numpy.nan)
    for name, exposure in bench.description.exposures.items():
        mine = exposures == name
        if exposure is None or not mine.any():
            continue
        dosed = mine & dose.given & (dose.values > 0)
        if dosed.any():
            result[dosed] = _doses(bench, exposure, dosed, dose_name, dose)
        timed = mine & (clock > 0)
        if timed.any():
            result[timed] = _dose_of_hours(bench, exposure, timed, hours_name, clock[timed])
    start = (hours.values == 0) | (dose.values == 0)
    written = numpy.where(dose.values > 0, dose.values, numpy.nan)
    return Place(
        hours=numpy.where(start, 0.0, clock),
        dose=numpy.where(start, 0.0, result),
        by_hours=hours.values > 0,
        by_dose=dose.values > 0,
        scale=result / written,
        given=~(hours.blank & dose.blank),
    )


def placed_by_dates(bench: Bench, exposures: Any, place: Place) -> Place:
    """The place of rows with dates of laying and withdrawal filled from these."""
    import numpy

    hours = withdrawn_after(bench, exposures)
    dated, written = numpy.isfinite(hours), bench.text("withdrawn") != ""
    if not written.any():
        return place
    bench.refuse(
        dated & place.given,
        "withdrawn",
        "a date of withdrawal, or hours or a dose, not both",
        mend="Keep one of them.",
    )
    dose = numpy.where(hours == 0, 0.0, numpy.nan)
    for name, exposure in bench.description.exposures.items():
        mine = (exposures == name) & (hours > 0)
        if exposure is not None and exposure.axis is not None and mine.any():
            dose[mine] = hours[mine] / unit(exposure.axis, "time").factor
    return Place(
        hours=numpy.where(dated, hours, place.hours),
        dose=numpy.where(dated, dose, place.dose),
        by_hours=place.by_hours | (hours > 0),
        by_dose=place.by_dose,
        scale=place.scale,
        given=place.given | written,
    )


def _doses(bench: Bench, exposure: Exposure, rows: Any, name: str, dose: Numbers) -> Any:
    """The doses of some rows in the exposure's own unit; nan after a problem."""
    written = _dose_unit(bench, exposure, rows, name)
    if written is None:
        return float("nan")
    factor = written.factor / exposure.dose_scale
    values = dose.values[rows] * factor
    if exposure.axis is None and factor != 1:
        converted = dose.values * factor
        bench.keep(name, rows, str(written), converted, exposure.dose_unit)
    return values


_OWN = Unit("", "own", 1.0)
"""The unit of an axis of the study's own: numbers as they are."""


def _dose_unit(bench: Bench, exposure: Exposure, rows: Any, name: str) -> Unit | None:
    """The unit in which a dose column gives an exposure's doses; None after a problem."""
    column = bench.columns[name]
    written = column.unit_text
    if exposure.control is not None:
        bench.refuse(
            rows,
            name,
            "hours, since a control gets no light",
            mend=f"Exposure {exposure.name} is a control: use the column "
            f"{name.replace('dose', 'hours')}.",
        )
        return None
    if exposure.axis is not None:
        if written is None or written.casefold() == exposure.axis.casefold():
            return _OWN
        expected = f"a dose in {exposure.axis}, the axis of exposure {exposure.name}"
    else:
        interval = "-" in (exposure.band or "")
        dimension = "energy per area" if interval else "energy per area and wavelength"
        allowed = ", ".join(s for s, u in UNITS.items() if u.dimension == dimension)
        expected = f"a dose at the control band {exposure.band} of exposure {exposure.name}, in "
        expected += f"one of {allowed}"
        try:
            if written is not None:
                read = unit(written, dimension)
                _look_at_langleys(bench, exposure, read)
                return read
        except UnitError:
            pass
    first = int(bench.table.rows[rows.nonzero()[0][0]])
    in_study = column.unit_from_study
    bench.findings.problem(
        "study.toml" if in_study else bench.table.file,
        expected,
        found=written if in_study else column.header,
        row=None if in_study else bench.table.header_row,
        column=f"units.{name}" if in_study else column.header,
        mend=f"{f'In {bench.table.file}, row' if in_study else 'Row'} {first} is the first with a "
        f"dose of exposure {exposure.name}.",
    )
    return None


def _look_at_langleys(bench: Bench, exposure: Exposure, written: Unit) -> None:
    if written.symbol not in ("Ly", "kLy") or exposure.band is None:
        return
    upper = float(exposure.band.removesuffix(" nm").rpartition("-")[2])
    text = (
        f"{bench.table.file}: doses of exposure {exposure.name} are in langleys and were read as "
        f"doses in {exposure.band}; a langley usually counts the whole of sunlight"
    )
    if upper < _WIDEST_LAMP_BAND and text not in {c.text for c in bench.findings.cautions}:
        bench.findings.caution(
            "langley_band", text, file=bench.table.file, row=bench.table.header_row
        )


def _dose_of_hours(bench: Bench, exposure: Exposure, rows: Any, name: str, clock: Any) -> Any:
    """Hours on an axis that counts time; nan for light, whose dose is found in a later room."""
    if exposure.axis is not None:
        try:
            return clock / unit(exposure.axis, "time").factor
        except UnitError:
            bench.refuse(rows, name, f"a dose in {exposure.axis}",
                         mend=f"Exposure {exposure.name} is counted in {exposure.axis}: use the "
                         f"column {name.replace('hours', 'dose')}.")  # fmt: skip
    elif exposure.irradiance is None and exposure.record_file is None:
        first = int(bench.table.rows[rows.nonzero()[0][0]])
        bench.findings.problem(
            "study.toml",
            "an irradiance or a chamber record, since the data give hours",
            column=f"exposures.{exposure.name}.irradiance",
            mend=f"{bench.table.file}, row {first}, is the first with hours of this exposure. "
            'Where no dose is known, write axis = "hours".',
        )
    return float("nan")


def _place_errors(bench: Bench, exposures: Any, place: Place) -> tuple[Any, Any]:
    """Standard errors of hours [h] and dose [as the dose] read off a figure; nan where none."""
    hours_sd, dose_sd = bench.numbers("hours_sd"), bench.numbers("dose_sd")
    for name, read, fits in (
        ("hours_sd", hours_sd, place.by_hours),
        ("dose_sd", dose_sd, place.by_dose),
    ):
        bench.refuse(read.values <= 0, name, "a number above 0", mend=BLANK_ERROR)
        bench.refuse(
            read.given & place.given & ~fits & ~place.start,
            name,
            "an error of what places the row: hours_sd beside hours, dose_sd beside a dose",
        )
    clock = bench.convert("hours_sd", hours_sd, UNITS["h"], usual=_time_unit(bench))
    result = dose_sd.values * place.scale  # without its own unit, in the unit of the dose
    for name, exposure in bench.description.exposures.items():
        mine = (exposures == name) & ~place.start
        if exposure is None or not mine.any():
            continue
        dosed = mine & place.by_dose & dose_sd.given
        if dosed.any() and bench.columns["dose_sd"].unit_text is not None:
            result[dosed] = _doses(bench, exposure, dosed, "dose_sd", dose_sd)
        timed = mine & place.by_hours & hours_sd.given
        if timed.any() and exposure.axis is not None:
            result[timed] = clock[timed] * place.dose[timed] / place.hours[timed]
    return clock, result


BLANK_ERROR = "Leave it blank where nothing was read off a figure."


def _time_unit(bench: Bench) -> Unit | None:
    """The unit of the column of hours; None where it has none or a wrong one (said elsewhere)."""
    column = bench.columns.get("hours")
    try:
        return unit(column.unit_text, "time") if column and column.unit_text is not None else None
    except UnitError:
        return None
