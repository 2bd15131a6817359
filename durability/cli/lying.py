"""How, when and in what light does it lie open? One group of options for all that read a sky."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Annotated, Any, ClassVar

import typer

from durability.cli.groups import Group

if TYPE_CHECKING:
    from durability.study import Study


@dataclass(frozen=True, slots=True, kw_only=True)
class Lying(Group):
    """What the command line says of fabric in the open; None takes the study's."""

    heading: ClassVar[str] = "Where and how it lies in the open (else as in study.toml)"

    site: Annotated[
        list[str] | None,
        typer.Option(
            "--site", help="A site of `durability sites` or a weather file; may be repeated."
        ),
    ] = None

    laying: Annotated[
        str | None,
        typer.Option("--laying", help='"every month" or a date such as 2027-05-12.'),
    ] = None
    light: Annotated[
        float | None,
        typer.Option("--light", help="Share of the light that reaches it: 1 in the open."),
    ] = None
    slope: Annotated[
        float | None,
        typer.Option("--slope", min=0, max=90, help="Of the fabric: 0 lies flat, 90 upright."),
    ] = None
    azimuth: Annotated[
        float | None,
        typer.Option("--azimuth", min=0, max=360, help="It faces: 180 south; else the equator."),
    ] = None
    horizon: Annotated[
        float | None,
        typer.Option("--horizon", min=0, max=60, help="Degrees of sky hidden all around."),
    ] = None
    snow_cover: Annotated[
        bool | None,
        typer.Option(
            "--snow-cover/--no-snow-cover", help="Snow that lies covers it: such hours are dark."
        ),
    ] = None
    on_ground: Annotated[
        bool | None,
        typer.Option("--on-ground/--on-rack", help="It lies on the ground and runs hotter."),
    ] = None
    wetness: Annotated[
        bool | None,
        typer.Option("--wetness/--no-wetness", help="Spray, rain and dew change the rate."),
    ] = None
    action_spectrum: Annotated[
        str | None,
        typer.Option(
            "--action-spectrum",
            help="exponential, a table of wavelength [nm] and response, or none.",
        ),
    ] = None
    measured_uv: Annotated[
        str | None,
        typer.Option(
            "--measured-uv",
            help='Yearly total measured there, "318 MJ/m^2 in 300-400 nm +- 5 % over 3 years".',
        ),
    ] = None

    def question(self) -> dict[str, Any]:
        """What options say, as fields of `durability.study.model.Question`.

        Raises
        ------
        ValueError : an action spectrum or a measured total that cannot be read.
        """
        from durability.exposure.uv_measured import UvTotal
        from durability.translation.laying import laying_days
        from durability.translation.plane import read_action_spectrum

        if self.laying is not None:
            laying_days(self.laying)
        if self.measured_uv is not None:
            UvTotal.read(self.measured_uv)
        said = {f.name: getattr(self, f.name) for f in fields(self) if f.name != "site"}
        if self.action_spectrum is not None:
            said["action_spectrum"] = read_action_spectrum(self.action_spectrum)
        return {name: value for name, value in said.items() if value is not None}

    def refuse_without(self, site: str | None) -> None:
        """Where no site is asked about, nothing may be said of how fabric lies.

        Raises
        ------
        ValueError : something is.
        """
        if site is None and self.question():
            raise ValueError("how it lies in the open matters at a site; name one with --site")

    def asked(self, study: Study) -> Study:
        """The study, asked as the command line says."""
        return replace(study, question=replace(study.question, **self.question()))

    def sites(self, study: Study, *, needed: bool = True) -> list[str]:
        """The sites named, or those of the study's own question.

        Each is read, so that a misspelt name is known before anything is fitted.
        """
        from durability.report import check_sites

        named = self.site or list(study.question.sites)
        if needed and not named:
            raise ValueError("name a site with --site, or in study.toml under [question] sites")
        check_sites(named, study.question)
        return named


__all__ = ["Lying"]
