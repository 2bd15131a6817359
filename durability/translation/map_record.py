"""What does the file of a map say of itself? Attributes after the CF conventions, version 1.11.

Names of coordinates and their units are those of the conventions; they have no standard name for
days of exposure, so those carry a long name alone.
"""

from __future__ import annotations

import datetime
from typing import TYPE_CHECKING, Any

from durability import catalogue
from durability.statement import SUBJECTS

if TYPE_CHECKING:
    from collections.abc import Mapping

    import xarray

    from durability.statement import Subject
    from durability.translation.lamp import ThresholdPosterior

COORDINATES = {
    "latitude": {
        "standard_name": "latitude", "long_name": "latitude", "units": "degrees_north", "axis": "Y",
    },
    "longitude": {
        "standard_name": "longitude", "long_name": "longitude", "units": "degrees_east",
        "axis": "X",
    },
    "month": {"long_name": "month of laying, 1 for January to 12 for December", "units": "1"},
}  # fmt: skip


def describe(
    made: xarray.Dataset,
    fit: ThresholdPosterior,
    climate: xarray.Dataset,
    *,
    material: str,
    direction: str,
    of: Subject,
    fraction: float,
    assurance: float,
    horizon_years: float,
    draws: int,
    laying: str,
    plane: Mapping[str, Any],
    lamp: str,
    spectrum: bool,
    wetness: bool,
) -> None:
    """Write into a map what its numbers are, how they were made and what they lean on.

    Parameters
    ----------
    made : the map, with ``days``, ``cover`` and ``reached``; its attributes are replaced.
    fit, climate : what it was drawn from.
    material ... laying : what was asked, as `durability.days_map`.
    plane : settings of the plane, by name.
    lamp : name of the exposure.
    spectrum, wetness : whether action spectrum and wetness are counted.
    """
    from durability import __version__

    subject = " ".join(w for w in (material, direction) if w)
    left = f"{100 * fraction:g} % of the unexposed {fit.study.property} of {subject} is left"
    beyond = f"nan where it lies beyond {horizon_years:g} years"
    kind = {"interval_kind": "prediction", "subject": SUBJECTS[of]}
    made["days"].attrs = {
        "long_name": f"days from laying until {left}, median", "units": "d", "quantile": 0.5,
        "comment": beyond, "ancillary_variables": "reached", **kind,
    }  # fmt: skip
    made["cover"].attrs = {
        "long_name": f"whole days within which to cover, so that at least {left} with a "
        f"probability of {100 * assurance:g} %",
        "units": "d", "quantile": round(1 - assurance, 12), "interval_sides": 1,
        "interval_level": assurance, "comment": f"rounded down; {beyond}",
        "ancillary_variables": "reached", **kind,
    }  # fmt: skip
    made["reached"].attrs = {
        "long_name": f"probability that the threshold is reached within {horizon_years:g} years "
        "of laying",
        "units": "1", "valid_range": [0.0, 1.0],
    }  # fmt: skip
    for name, attrs in COORDINATES.items():
        made[name].attrs = attrs
    now = datetime.datetime.now(datetime.UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    invented = bool(climate.attrs.get("invented"))
    made.attrs = {
        "Conventions": "CF-1.11",
        "title": f"Days in the open of {subject}, {fit.study.title}",
        "source": f"durability {__version__}: threshold dose under the lamp of {lamp} by the law "
        f"{fit.law}, read on the clock of a modelled sky",
        "history": f"{now} durability.days_map",
        "climate": str(climate.attrs.get("title", "without a title")),
        "climate_source": str(climate.attrs.get("source", "not stated")),
        "study": fit.study.title, "material": material, "direction": direction, "of": of,
        "fraction": float(fraction), "assurance": assurance, "laying": laying,
        "horizon_years": horizon_years, "draws": int(draws), "seed": int(fit.seed),
        **{name: _told(name, x) for name, x in plane.items()},
        "counted": ", ".join(
            ["action spectrum" if spectrum else "dose in the band of the lamp",
             "wetness" if wetness else "no wetness"]),
        "model_files": "\n".join(f"{name} sha256:{x}" for name, x in _files(fit, material, lamp)),
        "comment": "Approximate; the cautions of a translation apply in every cell. "
        "Local codes and licensed practice prevail.",
        **({"invented": "yes"} if invented else {}),
    }  # fmt: skip


def _told(name: str, x: Any) -> str | float:
    if name == "azimuth" and x is None:
        return "toward the equator"
    return ("yes" if x else "no") if isinstance(x, bool) else float(x)


def _files(fit: ThresholdPosterior, material: str, lamp: str) -> list[tuple[str, str]]:
    """The files of models/ that a map leans on beside the fit, with the hash of each."""
    root = catalogue.models_folder()
    named = [
        "translation.toml",
        "sky/clear-sky.npz",
        f"lamps/{fit.study.exposures[lamp].lamp}.toml",
        f"materials/{fit.study.materials[material].polymer}.toml",
        f"laws/{fit.law}.toml",
    ]
    return [(name, catalogue.sha256(root / name)) for name in named if (root / name).is_file()]


__all__ = ["describe"]
