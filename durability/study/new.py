"""How does a study start? Writes a complete folder from a plan: description, strips, calendar."""

from __future__ import annotations

import csv
import datetime
import io
import json
import re
from collections.abc import Sequence
from pathlib import Path

from durability import catalogue
from durability.study.calendar import calendar_file, calendar_page, withdrawals
from durability.study.plan import EXPOSURE, Design, Plan, plan

FILES = ("study.toml", "specimens.csv", "withdrawals.html", "withdrawals.ics")


def new_study(
    folder: str | Path,
    design: Design,
    *,
    lamp: str,
    title: str,
    unit: str = "kN/m",
    start: datetime.datetime | None = None,
    doses: Sequence[str] = (),
    irradiance: str | None = None,
) -> Plan:
    """Write a new study folder: study.toml, specimens.csv and the calendar of withdrawals.

    Parameters
    ----------
    folder : made if it is not there; nothing in it is overwritten.
    design : what to plan.
    lamp : name of a file of models/lamps.
    title : of the study.
    unit : of strength: a force per width, which asks for force and width, or a force.
    start : when the lamp starts, for the calendar; None leaves the calendar out.
    doses : planned dose of each withdrawal in words, for the calendar.
    irradiance : set point with its unit, in the lamp's control band; None takes the lamp file's.

    Returns
    -------
    Plan : the plan that was written.

    Raises
    ------
    ValueError : a file of the same name is there, and nothing was written; or a unit in which
        strips are not broken.

    Notes
    -----
    The folder reads once strengths are filled in (`durability.study.check_study` says what is still
    missing).
    """
    from durability.units import unit as read_unit

    folder = Path(folder)
    dimension, unit = read_unit(unit).dimension, read_unit(unit).symbol
    if dimension not in ("force", "force per width"):
        raise ValueError(f"unit is {unit}; expected a force per width such as kN/m, or a force")
    about = catalogue.read("lamps", lamp)
    made = plan(design)
    content: dict[str, bytes] = {
        "study.toml": _description(made, lamp, about, title, unit, irradiance).encode(),
        "specimens.csv": _table(made, dimension == "force per width").encode(),
    }
    if start is not None:
        dates = withdrawals(made, start, doses)
        page = calendar_page(title, made, dates, lamp=about["title"])
        content["withdrawals.html"] = page.encode()
        content["withdrawals.ics"] = calendar_file(title, made, dates)
    write_new(folder, content)
    return made


def write_new(folder: Path, content: dict[str, bytes]) -> None:
    """Write files into a folder, all or none, and never over a file that is there.

    Raises
    ------
    ValueError : names every file that is in the way, or says why nothing can be written.
    """
    if folder.exists() and not folder.is_dir():
        raise ValueError(f"{folder.name} is a file; name a folder")
    there = [name for name in content if (folder / name).exists()]
    if there:
        raise ValueError(
            f"{folder.name} already holds {', '.join(there)}; nothing was written. Name a new "
            "folder"
        )
    is_new = not folder.exists()
    written: list[Path] = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, data in content.items():
            with open(folder / name, "xb") as stream:
                written.append(folder / name)
                stream.write(data)
    except OSError as error:
        for file in written:
            file.unlink(missing_ok=True)
        if is_new and folder.is_dir() and not any(folder.iterdir()):
            folder.rmdir()
        raise ValueError(f"{folder.name} cannot be written ({error.strerror})") from error


def _table(made: Plan, by_width: bool) -> str:
    """specimens.csv: one row a strip in the order of testing, strengths blank."""
    measured = ["peak_force [N]", "width [mm]"] if by_width else ["peak_force [N]"]
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(
        ["test_order", "material", "lot", "direction", "exposure", "hours", "specimen", *measured,
         "elongation [%]", "break_at", "censored", "excluded", "machine", "tested_on",
         "cut_across [mm]", "cut_along [mm]", "chamber_position"]
    )  # fmt: skip
    blank = [""] * (len(measured) + 6)
    for s in made.strips:
        writer.writerow(
            [s.order, s.material, s.lot, s.direction, EXPOSURE, f"{s.hours:g}", s.specimen, *blank,
             f"{s.across:.0f}", f"{s.along:.0f}", s.position]
        )  # fmt: skip
    return stream.getvalue()


def _description(
    made: Plan, lamp: str, about: dict, title: str, unit: str, irradiance: str | None
) -> str:
    d = made.design
    polymers = ", ".join(catalogue.names("materials"))
    own = irradiance or about["irradiance"]
    materials = "\n".join(
        f"[materials.{_key(m)}]\n"
        f'# polymer = "polypropylene"       # a file of models/materials: {polymers}\n'
        '# stabiliser = "amine light stabiliser, 0.3 %"\n'
        '# description = "in a few words"\n'
        for m in d.materials
    )
    mark = ""
    if irradiance is not None:
        mark = f"\nirradiance = {_quoted(own)}\nat = {_quoted(about['at'])}"
    return f"""\
# A study of the loss of strength under light. Lines that begin with # are notes.
# Fill in specimens.csv as strips are broken, then run:  durability check FOLDER

[study]
title = {_quoted(title)}
property = "strip tensile strength"
unit = {_quoted(unit)}                 # specimens.csv gives peak_force, and a width by need
thresholds = [0.5]            # fractions of the unexposed strength that are asked about
# required_strength = "8 {unit}"  # or a strength that must be left
# dose_unit = "MJ/m^2/nm"     # in which radiant doses are shown
# laboratory = "name of the laboratory"

# [report]                    # what stands in front of the report
# number = "12-31"
# issued = 2031-05-14
# signatory = "who answers for it"
# replaces = "11-31"          # an earlier report, and why
# reason = "a width was wrong"

[question]
# sites = ["miami"]           # where the product is to lie: names of `durability sites`
laying = "every month"        # or a date, such as 2031-05-14
# on_ground = false           # it hangs on a rack; on the ground, as counted, it runs hotter
# slope = 30                  # degrees; also azimuth, horizon, light (share), snow_cover
of = "new_lot"                # mean, new_lot or single_specimen
assurance = 0.95
# control = {_quoted(d.materials[0])}               # the product with which others are compared

[rules]
jaw_breaks = "exclude"        # or "at least": kept as censored

[data]
specimens = "specimens.csv"

[exposures.{EXPOSURE}]
# {_note(about["title"])}
# settings and their sources: models/lamps/{lamp}.toml
lamp = {_quoted(lamp)}{mark}
# irradiance = {_quoted(own)}      # write your own set point, at {about["at"]}
# irradiance_uncertainty = "5 %"  # standard uncertainty of the dose by calibration and place
# record = "chamber_{EXPOSURE}.csv"  # its log: time, irradiance, black_panel, air, humidity
# calibrations = [{{ at = "2031-05-14T08:30", as_found = 0.97 }}]  # checks of the light sensor

{materials}"""


def _key(name: str) -> str:
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else _quoted(name)


def _quoted(text: str) -> str:
    """A TOML basic string; its escapes are those of JSON, and 7F is no letter in TOML."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007F")


def _note(text: str) -> str:
    return " ".join(text.split())
