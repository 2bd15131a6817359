"""What was tested, under which lamp, and what is asked? A form's answers as study.toml and back.

A line that is there keeps its notes and its neighbours: only what was answered is changed. Nothing
is judged here; `durability.study.check_study` reads the file afterwards and says what is wrong.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from durability import catalogue
from durability.page.sheet import Sheet, write_whole
from durability.page.shelf import DESCRIPTION

if TYPE_CHECKING:
    from tomlkit import TOMLDocument

OWN_AXIS = "other"
"""Answer for an exposure whose axis is not the light of a lamp."""

MOST_NAMES = 40
LONGEST = 400

UNITS = {
    "kN/m": "kN/m (force over width)",
    "N": "N (force of the strip)",
    "MPa": "MPa (force over section)",
    "%": "% of the unexposed strength",
}
OF = {
    "new_lot": "a lot not yet made",
    "mean": "the median lot of the product",
    "single_specimen": "single strips of a new lot",
}


@dataclass(slots=True, kw_only=True)
class Under:
    """One exposure as the form asks for it."""

    name: str
    lamp: str = ""
    irradiance: str = ""
    axis: str = ""


@dataclass(slots=True, kw_only=True)
class Product:
    """One material as the form asks for it."""

    name: str
    polymer: str = ""
    stabiliser: str = ""


@dataclass(slots=True, kw_only=True)
class Answers:
    """Everything that the form asks, as text.

    Parameters
    ----------
    left : thresholds in percent, by commas; required : a strength that must be left, with unit.
    width : of every strip with its unit, where the table has no column for it.
    """

    title: str = ""
    property: str = "strip tensile strength"
    unit: str = "kN/m"
    left: str = "50"
    required: str = ""
    laboratory: str = ""
    width: str = ""
    of: str = "new_lot"
    control: str = ""
    sites: list[str] = field(default_factory=list)
    exposures: list[Under] = field(default_factory=list)
    materials: list[Product] = field(default_factory=list)


def load(folder: Path) -> TOMLDocument:
    """study.toml with its notes; an empty one where there is none.

    Raises
    ------
    ValueError : it is no TOML.
    """
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    try:
        text = (folder / DESCRIPTION).read_text(encoding="utf-8-sig")
    except OSError:
        return tomlkit.document()
    try:
        return tomlkit.parse(text)
    except TOMLKitError as error:
        raise ValueError(f"study.toml cannot be read: {error}") from error


def answers_of(folder: Path, sheet: Sheet | None) -> Answers:
    """What study.toml says already, with the names that stand in the table."""
    raw = load(folder).unwrap()
    study, question = _table(raw, "study"), _table(raw, "question")
    thresholds = study.get("thresholds")
    fractions = thresholds if isinstance(thresholds, list) else [0.5]
    found = Answers(
        title=_text(study, "title") or folder.resolve().name,
        property=_text(study, "property") or "strip tensile strength",
        unit=_text(study, "unit") or "kN/m",
        left=", ".join(f"{100 * q:g}" for q in fractions if isinstance(q, int | float)),
        required=_text(study, "required_strength"),
        laboratory=_text(study, "laboratory"),
        width=_text(_table(raw, "tensile"), "width"),
        of=_text(question, "of") or "new_lot",
        control=_text(question, "control"),
        sites=[s for s in question.get("sites", []) if isinstance(s, str)],
    )
    exposures, materials = _table(raw, "exposures"), _table(raw, "materials")
    for name in _names(exposures, sheet, "exposure", "X1"):
        told = _table(exposures, name)
        axis = _text(told, "axis")
        lamp = _text(told, "lamp") or _text(told, "protocol") or (OWN_AXIS if axis else "")
        found.exposures.append(
            Under(name=name, lamp=lamp, irradiance=_text(told, "irradiance"), axis=axis)
        )
    for name in _names(materials, sheet, "material", "A"):
        told = _table(materials, name)
        found.materials.append(
            Product(name=name, polymer=_text(told, "polymer"), stabiliser=_text(told, "stabiliser"))
        )
    return found


def _table(raw: dict[str, Any], key: str) -> dict[str, Any]:
    value = raw.get(key)
    return value if isinstance(value, dict) else {}


def _text(table: dict[str, Any], key: str) -> str:
    value = table.get(key)
    return value if isinstance(value, str) else ""


def _names(known: dict[str, Any], sheet: Sheet | None, column: str, usual: str) -> list[str]:
    names = dict.fromkeys(known)
    if sheet is not None:
        heads = [h.casefold() for h in sheet.headers]
        if column in heads:
            cells = (c.strip() for c in sheet.column(heads.index(column)))
            names |= dict.fromkeys(c for c in cells if not c.startswith(("=", "#")))
    return list(names)[:MOST_NAMES] or [usual]


def read_form(pairs: Iterable[tuple[str, str]]) -> Answers:
    """The answers from the fields of the form; text is cut at a length no answer needs.

    Examples
    --------
    >>> read_form([("title", " Covers "), ("exposures.0.name", "X1"), ("sites", "miami")]).sites
    ['miami']
    """
    found = Answers(control="")
    listed: dict[str, dict[int, dict[str, str]]] = {"exposures": {}, "materials": {}}
    for key, value in pairs:
        text = " ".join(value.split())[:LONGEST]
        if key == "sites":
            found.sites.append(text)
        elif match := re.fullmatch(r"(exposures|materials)\.(\d{1,3})\.(\w+)", key):
            listed[match[1]].setdefault(int(match[2]), {})[match[3]] = text
        elif key in ("title", "property", "unit", "left", "required", "laboratory", "width", "of",
                     "control"):  # fmt: skip
            setattr(found, key, text)
    for _, row in sorted(listed["exposures"].items()):
        if row.get("name"):
            found.exposures.append(Under(**_only(row, ("name", "lamp", "irradiance", "axis"))))
    for _, row in sorted(listed["materials"].items()):
        if row.get("name"):
            found.materials.append(Product(**_only(row, ("name", "polymer", "stabiliser"))))
    return found


def _only(row: dict[str, str], names: tuple[str, ...]) -> dict[str, str]:
    return {n: row[n] for n in names if n in row}


def write(folder: Path, answers: Answers, *, kind: str, file: str) -> None:
    """Change study.toml as answered; lines that were not asked about stay as they are.

    Parameters
    ----------
    kind, file : of data, and the table that holds it.

    Raises
    ------
    ValueError : study.toml as it lies cannot be read, or a number of the form is none.
    """
    import tomlkit

    book = load(folder)
    study = _part(book, "study")
    _put(study, "title", answers.title or folder.resolve().name)
    _put(study, "property", answers.property)
    _put(study, "unit", answers.unit)
    fractions = _fractions(answers.left)
    _put(study, "thresholds", fractions or None)
    _put(study, "required_strength", answers.required)
    _put(study, "laboratory", answers.laboratory)
    question = _part(book, "question")
    _put(question, "sites", answers.sites or None)
    _put(question, "of", answers.of)
    _put(question, "control", answers.control)
    _point(_part(book, "data"), kind, file)
    if answers.width or "tensile" in book:
        _put(_part(book, "tensile"), "width", answers.width)
    exposures, materials = _part(book, "exposures", True), _part(book, "materials", True)
    for under in answers.exposures:
        table = _part(exposures, under.name)
        own = under.lamp == OWN_AXIS
        key = "protocol" if "protocol" in table else "lamp"
        _put(table, key, "" if own else under.lamp)
        _put(table, "irradiance", "" if own else under.irradiance)
        _put(table, "axis", under.axis if own else "")
    for product in answers.materials:
        table = _part(materials, product.name)
        _put(table, "polymer", product.polymer)
        _put(table, "stabiliser", product.stabiliser)
    write_whole(folder / DESCRIPTION, tomlkit.dumps(book).encode())


def point_at(folder: Path, kind: str, file: str) -> None:
    """Let study.toml read another table; nothing else in it changes."""
    import tomlkit

    book = load(folder)
    _point(_part(book, "data"), kind, file)
    write_whole(folder / DESCRIPTION, tomlkit.dumps(book).encode())


def set_record(folder: Path, exposure: str, file: str) -> None:
    """Name the chamber's record of an exposure; nothing else in study.toml changes."""
    import tomlkit

    book = load(folder)
    _put(_part(_part(book, "exposures", True), exposure), "record", file)
    write_whole(folder / DESCRIPTION, tomlkit.dumps(book).encode())


def _point(data: Any, kind: str, file: str) -> None:
    if data.get(kind) != file:
        for other in ("specimens", "summaries", "readings", "inspections", "declared", "sheet"):
            data.pop(other, None)
        data[kind] = file


def _part(book: Any, key: str, above: bool = False) -> Any:
    import tomlkit

    if not isinstance(book.get(key), dict):
        book[key] = tomlkit.table(is_super_table=above)
    return book[key]


def _put(table: Any, key: str, value: Any) -> None:
    """Set a key, or take it out where nothing was answered."""
    if value in (None, ""):
        table.pop(key, None)
    elif table.get(key) != value:
        table[key] = value


def _fractions(text: str) -> list[float]:
    found = []
    for part in filter(None, re.split(r"[,;\s]+", text.replace("%", " "))):
        try:
            found.append(round(float(part) / 100, 6))
        except ValueError as error:
            raise ValueError(
                f"“{part}” is no percentage; write 50, or 50, 80 for two of them."
            ) from error
    return found


def write_text(folder: Path, text: str, was: str) -> None:
    """Replace study.toml by a text that the person wrote.

    Raises
    ------
    ValueError : the file was changed meanwhile.
    """
    from durability.page.sheet import Changed

    if description_text(folder) != was.replace("\r\n", "\n"):
        raise Changed("The description was changed elsewhere. Look again.")
    write_whole(folder / DESCRIPTION, text.replace("\r\n", "\n").encode())


def description_text(folder: Path) -> str:
    """study.toml as text; blank where there is none."""
    file = folder / DESCRIPTION
    if not file.is_file():
        return ""
    return file.read_bytes().decode("utf-8-sig", "replace").replace("\r\n", "\n")


def table_of(folder: Path) -> tuple[str, str, str | None] | None:
    """Kind, file and sheet of the first table that study.toml names."""
    from durability.study.findings import Findings
    from durability.study.toml import read_description

    described = read_description(folder, Findings(), {})
    if described is None or not described.tables:
        return None
    kind, (file, sheet) = next(iter(described.tables.items()))
    return kind, file, sheet


def choices() -> dict[str, dict[str, str]]:
    """What the form offers: name to title of each lamp, polymer and site."""
    titles = {
        kind: {name: str(catalogue.read(kind, name).get("title", name)) for name in
               catalogue.names(kind)}
        for kind in ("lamps", "materials", "sites")
    }  # fmt: skip
    return titles
