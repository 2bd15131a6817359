"""How does the fabric face, what hides the sky from it, and what of the weather is counted?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from durability.study.model import Caution

if TYPE_CHECKING:
    from durability.exposure import Assumption, Site
    from durability.inference import Fit
    from durability.study.model import Question


def as_it_lies(
    question: Question,
    *,
    laying: str | None = None,
    light: float | None = None,
    tilt: float | None = None,
    azimuth: float | None = None,
    horizon: float | None = None,
    snow_cover: bool | None = None,
    on_ground: bool | None = None,
    wrong: Sequence[str] = (),
) -> Question:
    """The question of a study, with what is said of fabric in the open; None keeps the study's.

    Parameters
    ----------
    question : of the study.
    laying, light, tilt, azimuth, horizon, snow_cover, on_ground : as `durability.translate`.
    wrong : with other arguments, told beside what is wrong with these.

    Raises
    ------
    ValueError : numbers out of range, naming each.

    Examples
    --------
    >>> from durability.study.model import Question
    >>> as_it_lies(Question(laying="2031-05-14"), tilt=30.0).slope
    30.0
    """
    said: dict[str, Any] = {
        "laying": laying, "light": light, "slope": tilt, "azimuth": azimuth, "horizon": horizon,
        "snow_cover": snow_cover, "on_ground": on_ground,
    }  # fmt: skip
    asked = replace(question, **{n: value for n, value in said.items() if value is not None})
    limits = (
        ("tilt", asked.slope, 0 <= asked.slope <= 90, "between 0 (flat) and 90 (upright)"),
        ("horizon", asked.horizon, 0 <= asked.horizon <= 60, "between 0 (open) and 60 degrees"),
        ("light", asked.light, 0 < asked.light <= 1, "above 0 and up to 1"),
    )
    found = [
        f"{n} is {value:g}; it must lie {words}" for n, value, good, words in limits if not good
    ]
    if wrong or found:
        raise ValueError("; ".join([*wrong, *found]))
    return asked


def direction_named(azimuth: float) -> str:
    """A direction by its name, or by its degrees clockwise from north.

    Examples
    --------
    >>> direction_named(180.0), direction_named(200.0)
    ('south', '200° from north')
    """
    names = ("north", "north-east", "east", "south-east", "south", "south-west", "west",
             "north-west")  # fmt: skip
    return names[int(azimuth / 45) % 8] if azimuth % 45 == 0 else f"{azimuth:g}° from north"


def lying_words(question: Question) -> str:
    """How the fabric lies, where it is not flat on open ground in full light; else empty.

    Examples
    --------
    >>> from durability.study.model import Question
    >>> lying_words(Question(slope=30.0, on_ground=False, light=0.5))
    'on a rack, at a slope of 30° facing the equator, in 50 % of the light'
    >>> lying_words(Question())
    ''
    """
    q = question
    faces = "the equator" if q.azimuth is None else direction_named(q.azimuth)
    spectrum = {None: "", "none": "without an action spectrum",
                "exponential": "with an exponential action spectrum"}  # fmt: skip
    said = (
        "" if q.on_ground else "on a rack",
        f"at a slope of {q.slope:g}° facing {faces}" if q.slope > 0 else "",
        f"in {100 * q.light:g} % of the light" if q.light < 1 else "",
        f"with {q.horizon:g}° of the sky hidden all around" if q.horizon > 0 else "",
        "dark while snow lies" if q.snow_cover else "",
        "with wetness counted" if q.wetness else "",
        spectrum.get(q.action_spectrum, "with an action spectrum from a table"),
        f"with ultraviolet measured there, {q.measured_uv}" if q.measured_uv else "",
    )
    return ", ".join(s for s in said if s)


def place_of(question: Question, site: str | Path | Site) -> Site:
    """The site, with the ultraviolet that the question says was measured there."""
    from durability.exposure import read_site
    from durability.exposure.uv_measured import UvTotal

    place = read_site(site) if isinstance(site, str | Path) else site
    if question.measured_uv is None:
        return place
    return replace(place, uv_total=UvTotal.read(question.measured_uv))


def sky_plane(inputs: dict[str, Assumption], site: Site, question: Question) -> dict[str, Any]:
    """Settings of `durability.exposure.sky_exposure`: the plane, and the median cloud power.

    Parameters
    ----------
    inputs : from `durability.translation.inputs.for_site`.
    site : whose equator is faced where azimuth is None.
    question : says how the fabric lies.
    """
    return {
        "cloud_power": inputs["cloud_power"].value, "tilt": question.slope,
        "horizon": question.horizon, "azimuth": facing(question.azimuth, site.latitude),
        "snow_cover": question.snow_cover,
    }  # fmt: skip


def facing(azimuth: float | None, latitude: float) -> float:
    """Azimuth [degrees], of the equator where none is given: 180 faces south, 0 north.

    Examples
    --------
    >>> facing(None, -33.9), facing(90.0, -33.9)
    (0.0, 90.0)
    """
    if azimuth is not None:
        return float(azimuth)
    return 180.0 if latitude >= 0 else 0.0


def plane_assumptions(question: Question) -> tuple[str, ...]:
    """What is taken for granted of the light that gets there, by the names of `explain`."""
    return (
        *(["part_light"] if question.light < 1 else []),
        *(["hidden_horizon"] if question.horizon > 0 else []),
        *(["covered_by_snow"] if question.snow_cover else []),
    )


def facing_cautions(site: Site, tilt: float, azimuth: float) -> tuple[Caution, ...]:
    """That a tilted plane faces away from the noon sun."""
    equator = facing(None, site.latitude)
    if tilt == 0 or abs((azimuth - equator + 180) % 360 - 180) <= 90:
        return ()
    text = (f"The tilted plane (azimuth {azimuth:g}°) faces away from the equator and so from the "
            f"noon sun; at this latitude azimuth {equator:g}° faces it.")  # fmt: skip
    return (Caution(name="faces_away_from_equator", text=text),)


def counted(fit: Fit) -> Fit:
    """The same posterior, read with the action spectrum that the question names for all materials.

    The posterior stays as it is, since the choice concerns the sky's side alone.

    Parameters
    ----------
    fit : whose study's question may name ``"exponential"``, ``"none"``, or a file with the columns
        ``wavelength [nm]`` and ``response``.
    """
    named = fit.study.question.action_spectrum
    if named is None:
        return fit
    own = None if named == "none" else named
    materials = {n: replace(m, action_spectrum=own) for n, m in fit.study.materials.items()}
    said: dict[str, Any] = {"study": replace(fit.study, materials=materials)}
    if hasattr(fit, "fits"):  # an average over laws
        said["fits"] = tuple(counted(one) for one in fit.fits)  # type: ignore[attr-defined]
    return replace(fit, **said)


def read_action_spectrum(named: str) -> str:
    """A name as `counted` takes it, of a file its whole path.

    Raises
    ------
    ValueError : a file that is not there.
    """
    from durability.exposure.action import EXPONENTIAL

    if named in ("none", EXPONENTIAL):
        return named
    if not Path(named).is_file():
        raise ValueError(
            f'action spectrum: "{named}" is no file; expected exponential, none, or a '
            "table with the columns wavelength [nm] and response"
        )
    return str(Path(named).absolute())


__all__ = [
    "as_it_lies",
    "counted",
    "direction_named",
    "facing",
    "facing_cautions",
    "lying_words",
    "place_of",
    "plane_assumptions",
    "read_action_spectrum",
    "sky_plane",
]
