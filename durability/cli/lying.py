"""How, when and in what light does it lie open? One group of options for all that read a sky."""

from __future__ import annotations

import functools
import inspect
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Annotated, Any, get_type_hints

import typer

if TYPE_CHECKING:
    from durability.exposure import Site
    from durability.inference import Fit


@dataclass(frozen=True, slots=True, kw_only=True)
class Lying:
    """What the command line says of fabric in the open; None takes the study's."""

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

    def sites(self, named: Sequence[str]) -> list[str | Site]:
        """Sites as `durability.translate` takes them, with the ultraviolet measured there."""
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

    def of_grid(self) -> dict[str, Any]:
        """Keywords of `days_map`, in whose cells no one place was measured."""
        if self.measured_uv is not None:
            raise ValueError(
                "--measured-uv is a total of one place and says nothing of the cells of a map; "
                "leave it out, or ask for the place: durability cover STUDY --site SITE"
            )
        return self.where()

    def where(self, *without: str) -> dict[str, Any]:
        """Keywords that `durability.translate` and its like share."""
        found = {
            "laying": self.laying, "light": self.light, "tilt": self.slope,
            "azimuth": self.azimuth, "horizon": self.horizon, "snow_cover": self.snow_cover,
            "on_ground": self.on_ground,
        }  # fmt: skip
        return {name: value for name, value in found.items() if name not in without}


def lies_open(*without: str) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """A command whose parameter ``lying`` becomes the options of `Lying`, less those named."""
    hints = get_type_hints(Lying, include_extras=True)
    names = [f.name for f in fields(Lying) if f.name not in without]
    defaults = {f.name: f.default for f in fields(Lying)}

    def changed(command: Callable[..., None]) -> Callable[..., None]:
        kind = inspect.Parameter.KEYWORD_ONLY
        more = [inspect.Parameter(n, kind, default=defaults[n], annotation=hints[n]) for n in names]
        whole = inspect.signature(command, eval_str=True)
        own = [p.replace(kind=kind) for p in whole.parameters.values()]
        at = [p.name for p in own].index("lying")
        parameters = [*own[:at], *more, *own[at + 1 :]]

        @functools.wraps(command)
        def run(**given: Any) -> None:
            lying = Lying(**{n: given.pop(n) for n in names})
            command(**given, lying=lying)

        run.__signature__ = whole.replace(parameters=parameters)  # type: ignore[attr-defined]
        run.__annotations__ = {p.name: p.annotation for p in parameters}
        return run

    return changed


__all__ = ["Lying", "lies_open"]
