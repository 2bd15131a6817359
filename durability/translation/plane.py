"""How does the fabric face, what hides the sky from it, and what of the weather is counted?"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from durability.study.model import Caution

if TYPE_CHECKING:
    from durability.exposure import Assumption, Site
    from durability.inference import Fit


def sky_plane(
    inputs: dict[str, Assumption],
    site: Site,
    *,
    tilt: float,
    azimuth: float | None,
    horizon: float,
    snow_cover: bool,
) -> dict[str, Any]:
    """Settings of `durability.exposure.sky_exposure`: the plane, and the median cloud power.

    Parameters
    ----------
    inputs : from `durability.translation.inputs.for_site`.
    site : whose equator is faced where azimuth is None.
    tilt, azimuth, horizon, snow_cover : as `durability.translate`.
    """
    return {
        "cloud_power": inputs["cloud_power"].value, "tilt": tilt, "horizon": horizon,
        "azimuth": facing(azimuth, site.latitude), "snow_cover": snow_cover,
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


def check_light(light: float) -> None:
    """A share of the sky's light lies above 0 and up to 1; else a ValueError."""
    if not 0 < light <= 1:
        raise ValueError(f"light is {light}; it must lie above 0 and up to 1")


def plane_assumptions(
    *, light: float = 1.0, horizon: float = 0.0, snow_cover: bool = False
) -> tuple[str, ...]:
    """What is taken for granted of the light that gets there, by the names of `explain`."""
    return (
        *(["part_light"] if light < 1 else []),
        *(["hidden_horizon"] if horizon > 0 else []),
        *(["covered_by_snow"] if snow_cover else []),
    )


def facing_cautions(site: Site, tilt: float, azimuth: float) -> tuple[Caution, ...]:
    """That a tilted plane faces away from the noon sun."""
    equator = facing(None, site.latitude)
    if tilt == 0 or abs((azimuth - equator + 180) % 360 - 180) <= 90:
        return ()
    text = (f"The tilted plane (azimuth {azimuth:g}°) faces away from the equator and so from the "
            f"noon sun; at this latitude azimuth {equator:g}° faces it.")  # fmt: skip
    return (Caution(name="faces_away_from_equator", text=text),)


def counting(fit: Fit, *, wetness: bool | None = None, action_spectrum: str | None = None) -> Fit:
    """The same posterior, read with other choices than its study.toml makes of water and light.

    Parameters
    ----------
    fit : the posterior; neither choice changes it, since both concern the sky's side.
    wetness : whether spray, rain and dew change the rate of damage; None keeps the study's.
    action_spectrum : ``"exponential"``, a file with the columns ``wavelength [nm]`` and
        ``response``, or ``"none"``, for every material; None keeps the study's.

    Raises
    ------
    ValueError
        For a file that is not there.
    """
    from durability.exposure.action import EXPONENTIAL

    study = fit.study
    if wetness is not None:
        study = replace(study, question=replace(study.question, wetness=wetness))
    if action_spectrum is not None:
        named = None if action_spectrum == "none" else action_spectrum
        if named not in (None, EXPONENTIAL):
            file = Path(named)
            if not file.is_file():
                raise ValueError(
                    f'action spectrum: "{named}" is no file; expected exponential, none, or a '
                    "table with the columns wavelength [nm] and response"
                )
            named = str(file.absolute())
        materials = {n: replace(m, action_spectrum=named) for n, m in study.materials.items()}
        study = replace(study, materials=materials)
    return fit if study is fit.study else replace(fit, study=study)


__all__ = ["check_light", "counting", "facing", "facing_cautions", "plane_assumptions", "sky_plane"]
