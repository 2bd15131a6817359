"""How were the strips broken, and where do their curves lie? The table [tensile] and [data] curves.

Nothing is reduced here: the names of the files are found and their bytes hashed, so that a strip
without a peak force in the table can take that of its curve (`durability.retention.with_strength`).
"""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from durability import catalogue
from durability.units import measure

if TYPE_CHECKING:
    from durability.study import schema
    from durability.study.bench import Bench
    from durability.study.findings import Findings

FILE = "study.toml"
ENDINGS = (".csv", ".txt", ".tsv", ".dat", ".asc", ".xlsx")
_RATE = re.compile(r"\s*(\d+\.?\d*)\s*(mm|cm|in|%)\s*/\s*min\s*")
_LENGTHS = {"mm": 1.0, "cm": 10.0, "in": 25.4}


@dataclass(frozen=True, slots=True, kw_only=True)
class Tensile:
    """How strips were broken, as study.toml says; None where it does not.

    Parameters
    ----------
    method : name of a file of models/methods.
    width, gauge_length, jaw_width : [mm].
    rate : of the jaws [mm/min].
    rate_percent : of the jaws, in percent of the gauge length a minute [%/min].
    pretension : force held before extension counts [N].
    stiffness_at : strains at which secant stiffness is wanted [1].
    slack : how slack is taken off a curve; ``"pretension"`` needs one.
    force_column, extension_column : headers of a curve file's columns, with their units.
    """

    method: str | None = None
    width: float | None = None
    gauge_length: float | None = None
    jaw_width: float | None = None
    rate: float | None = None
    rate_percent: float | None = None
    pretension: float | None = None
    stiffness_at: tuple[float, ...] = ()
    slack: Literal["line", "none", "pretension"] = "line"
    force_column: str | None = None
    extension_column: str | None = None


AS_USUAL = Tensile()


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveFiles:
    """Files of curves: by name with ending, relative to the study folder.

    Parameters
    ----------
    files : name of the file to its path in the study folder.
    single : one file holds every strip, under its name.
    """

    files: dict[str, str] = field(default_factory=dict)
    single: bool = False

    def find(self, word: str) -> str | None:
        """The curve that a cell names: ``"curves/a.txt"``, or ``"curves.xlsx#a"`` within a file."""
        if self.single:
            return f"{next(iter(self.files.values()))}#{word}"
        by_stem = [path for name, path in self.files.items() if Path(name).stem == word]
        return self.files.get(word) or (by_stem[0] if len(by_stem) == 1 else None)


def read_rate(text: str) -> tuple[float, str] | None:
    """A rate of the jaws: number and ``"mm/min"`` or ``"%/min"``; None where it is none.

    Examples
    --------
    >>> read_rate("12 in/min"), read_rate("20 %/min"), read_rate("fast")
    ((304.79999999999995, 'mm/min'), (20.0, '%/min'), None)
    """
    match = _RATE.fullmatch(text)
    if not match or not float(match[1]) > 0:
        return None
    if match[2] == "%":
        return float(match[1]), "%/min"
    return float(match[1]) * _LENGTHS[match[2]], "mm/min"


def tensile_of(table: schema.TensileTable | None, findings: Findings) -> Tensile:
    """The table [tensile] in canonical units; what is wrong in it becomes a problem."""
    from durability.study.findings import near

    if table is None:
        return AS_USUAL
    if table.method is not None and table.method not in catalogue.names("methods"):
        findings.problem(
            FILE, "a name of models/methods", found=table.method, column="tensile.method",
            mend=near(table.method, catalogue.names("methods")),
        )  # fmt: skip
    if table.slack == "pretension" and table.pretension is None:
        findings.problem(
            FILE, "a pretension, since slack ends where it is held", column="tensile.pretension",
            mend='Write pretension = "5 N", or slack = "line".',
        )  # fmt: skip

    def canonical(text: str | None) -> float | None:
        return None if text is None else measure(text).canonical

    rate = None if table.rate is None else read_rate(table.rate)
    return Tensile(
        method=table.method,
        width=canonical(table.width),
        gauge_length=canonical(table.gauge_length),
        jaw_width=canonical(table.jaw_width),
        rate=rate[0] if rate and rate[1] == "mm/min" else None,
        rate_percent=rate[0] if rate and rate[1] == "%/min" else None,
        pretension=canonical(table.pretension),
        stiffness_at=tuple(measure(s).canonical for s in table.stiffness_at),
        slack=table.slack,
        force_column=table.force_column,
        extension_column=table.extension_column,
    )


def find_curves(
    folder: Path, raw: Any, findings: Findings, inputs: dict[str, str]
) -> CurveFiles | None:
    """The files that [data] curves names: a folder, a pattern or one file; None where it has none.

    Parameters
    ----------
    raw : the table [data] as TOML gives it.
    inputs : receives the SHA-256 of every file.
    """
    asked = raw.get("curves") if isinstance(raw, dict) else None
    if not isinstance(asked, str) or not asked.strip():
        return None
    relative = Path(asked)
    outside = relative.is_absolute() or ".." in relative.parts
    place = folder / relative
    pattern = any(c in asked for c in "*?[")
    if outside:
        found: list[Path] = []
    elif pattern:
        found = sorted(folder.glob(asked))
    else:
        found = sorted(place.iterdir()) if place.is_dir() else [place]
    found = [f for f in found if f.is_file() and not f.name.startswith((".", "~"))]
    if pattern or place.is_dir():
        found = [f for f in found if f.suffix.lower() in ENDINGS]
    if not found:
        findings.problem(
            FILE,
            f"a folder, a pattern or a file within the study folder that holds curves "
            f"({', '.join(ENDINGS)})",
            found=asked,
            column="data.curves",
            mend='Such as curves = "curves", or "curves/*.txt".',
        )
        return None
    files = {f.name: f.relative_to(folder).as_posix() for f in found}
    for file in found:
        inputs[files[file.name]] = hashlib.sha256(file.read_bytes()).hexdigest()
    return CurveFiles(files=files, single=not pattern and not place.is_dir())


def strip_curves_of(bench: Bench, specimen: Any) -> Any:
    """The curve of every row, ``""`` where it has none.

    The column ``curve`` names it, or else the specimen's name where one row alone has it.
    """
    import numpy

    known = bench.description.curves
    named = bench.text("curve")
    if known is None:
        bench.refuse(
            named != "", "curve", "no curve, since study.toml does not say where they lie",
            mend='Write under [data]: curves = "curves", the folder that holds them.',
        )  # fmt: skip
        return numpy.full(bench.size, "", dtype=str)
    if "curve" not in bench.columns:
        words, counts = numpy.unique(specimen, return_counts=True)
        named = numpy.where(numpy.isin(specimen, words[counts == 1]), specimen, "")
        return numpy.array([(known.find(w) if w else None) or "" for w in named.tolist()])
    paths = [known.find(w) if w else "" for w in named.tolist()]
    bench.refuse(
        numpy.array([p is None for p in paths]),
        "curve",
        "the name of a file that [data] curves of study.toml finds",
        mend=f"Files: {', '.join(list(known.files)[:5])}{', …' if len(known.files) > 5 else ''}",
    )
    return numpy.array([p or "" for p in paths])
