"""How, when and in what light does it lie open? One group of options for all that read a sky."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Annotated, Any, ClassVar

import typer

from durability.cli.groups import Group

if TYPE_CHECKING:
    from durability.exposure import Site
    from durability.inference import Fit
    from durability.study import Study


@dataclass(frozen=True, slots=True, kw_only=True)
class Lying(Group):
    """What the command line says of fabric in the open; None takes the study's."""

    heading: ClassVar[str] = "Where and how it lies in the open"

    site: Annotated[
        list[str] | None,
        typer.Option(
            "--site", help="A site of `durability sites` or a weather file; may be repeated."
        ),
    ] = None

    laying: Annotated[
        str | None,
        typer.Option("--laying", help='"every month" or a date such as 2027-05-12; the study\'s.'),
    ] = None
    light: Annotated[
        float, typer.Option("--light", help="Share of the light that reaches it: 1 in the open.")
    ] = 1.0
    slope: Annotated[
        float,
        typer.Option("--slope", min=0, max=90, help="Of the fabric: 0 lies flat, 90 upright."),
    ] = 0.0
    azimuth: Annotated[
        float | None,
        typer.Option(
            "--azimuth", min=0, max=360, help="It faces: 180 south; the equator if unset."
        ),
    ] = None
    horizon: Annotated[
        float, typer.Option("--horizon", min=0, max=60, help="Degrees of sky hidden all around.")
    ] = 0.0
    snow_cover: Annotated[
        bool, typer.Option("--snow-cover", help="Snow that lies covers it: such hours are dark.")
    ] = False
    on_ground: Annotated[
        bool | None,
        typer.Option(
            "--on-ground/--on-rack",
            help="It lies on the ground and runs hotter; the study's if unset.",
        ),
    ] = None
    wetness: Annotated[
        bool | None,
        typer.Option(
            "--wetness/--no-wetness",
            help="Spray, rain and dew change the rate of damage; the study's if unset.",
        ),
    ] = None
    action_spectrum: Annotated[
        str | None,
        typer.Option(
            "--action-spectrum",
            help="exponential, a table of wavelength [nm] and response, or none; the study's.",
        ),
    ] = None
    measured_uv: Annotated[
        str | None,
        typer.Option(
            "--measured-uv",
            help='Yearly total measured there, "318 MJ/m^2 in 300-400 nm +- 5 % over 3 years".',
        ),
    ] = None

    def fit(self, made: Fit) -> Fit:
        """The fit, with what is counted of water and wavelength."""
        from durability.translation.plane import counting

        return counting(made, wetness=self.wetness, action_spectrum=self.action_spectrum)

    def sites(self, study: Study) -> list[str | Site]:
        """Sites as `durability.translate` takes them, with the ultraviolet measured there.

        Those named, or those of the study's own question; each is read, so that a misspelt name is
        known before anything is fitted.
        """
        from durability.report import check_sites

        named = self.site or list(study.question.sites)
        if not named:
            raise ValueError("name a site with --site, or in study.toml under [question] sites")
        check_sites(named)
        if self.measured_uv is None:
            return list(named)
        from durability.exposure import read_site
        from durability.exposure.uv_measured import UvTotal

        total = UvTotal.read(self.measured_uv)
        if len(named) > 1:
            raise ValueError(
                f"--measured-uv is a total of one place, and {len(named)} sites are asked for; "
                "name one with --site"
            )
        return [replace(read_site(site), uv_total=total) for site in named]

    def where(self, *without: str) -> dict[str, Any]:
        """Keywords that `durability.translate` and its like share."""
        found = {
            "laying": self.laying, "light": self.light, "tilt": self.slope,
            "azimuth": self.azimuth, "horizon": self.horizon, "snow_cover": self.snow_cover,
            "on_ground": self.on_ground,
        }  # fmt: skip
        return {name: value for name, value in found.items() if name not in without}


__all__ = ["Lying"]
