"""How is a study begun?"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from durability.cli.app import command, errors_in_words
from durability.cli.options import Seed, Told
from durability.terminal import plan_document, print_plan


@command(
    epilog="Example:  durability new quarry-2 --material A --material B --start 2031-05-14T08:30"
    " --yes"
)
def new(
    folder: Annotated[Path, typer.Argument(help="Folder to make; nothing in it is overwritten.")],
    *,
    material: Annotated[
        list[str] | None, typer.Option("--material", help="A product; may be repeated.")
    ] = None,
    lot: Annotated[
        list[str] | None,
        typer.Option("--lot", help="A lot as MATERIAL:LOT; may be repeated."),
    ] = None,
    lots: Annotated[
        int | None, typer.Option("--lots", min=1, max=99, help="Lots of each product not named.")
    ] = None,
    direction: Annotated[
        list[str] | None, typer.Option("--direction", help="machine or cross; both if left out.")
    ] = None,
    lamp: Annotated[
        str | None, typer.Option("--lamp", help="A protocol: a file of models/lamps.")
    ] = None,
    irradiance: Annotated[
        str | None, typer.Option("--irradiance", help="Own set point, such as '0.4 W/m^2/nm'.")
    ] = None,
    withdraw: Annotated[
        list[str] | None,
        typer.Option("--withdraw", help="'500 h' or a dose; repeat, or separate by commas."),
    ] = None,
    strips: Annotated[
        int | None, typer.Option("--strips", min=1, max=999, help="Strips a withdrawal.")
    ] = None,
    unexposed: Annotated[
        int | None,
        typer.Option("--unexposed", min=1, max=999, help="Unexposed; twice --strips if left out."),
    ] = None,
    start: Annotated[
        str | None, typer.Option("--start", help="When the lamp starts: 2031-05-14T08:30.")
    ] = None,
    zone: Annotated[
        str | None, typer.Option("--zone", help="Time zone of the start, such as Europe/Lisbon.")
    ] = None,
    title: Annotated[str | None, typer.Option("--title", help="Title of the study.")] = None,
    unit: Annotated[str, typer.Option("--unit", help="Unit of strength.")] = "kN/m",
    strip_width: Annotated[
        float | None, typer.Option("--strip-width", help="[mm]; the practice's, or 50.")
    ] = None,
    strip_length: Annotated[
        float | None, typer.Option("--strip-length", help="[mm]; the practice's, or 200.")
    ] = None,
    roll_width: Annotated[float, typer.Option("--roll-width", help="Roll or piece [mm].")] = 2000.0,
    tiers: Annotated[int, typer.Option("--tiers", min=1, help="Tiers of the chamber.")] = 3,
    places: Annotated[
        int | None, typer.Option("--places", min=1, help="Places a tier; as needed if left out.")
    ] = None,
    seed: Seed = 0,
    yes: Annotated[bool, typer.Option("--yes", "-y", help="Ask nothing; take defaults.")] = False,
    told: Told,
) -> None:
    """Plan a study and write its folder: description, strips to fill in, cutting, calendar."""
    with errors_in_words(told.json):
        from durability.exposure import planned_withdrawals, read_lamp
        from durability.study.calendar import starting, withdrawals
        from durability.study.new import new_study
        from durability.study.plan import DIRECTIONS, Design, lots_of

        def ask(value: Any, question: str, default: Any) -> Any:
            if value is not None or yes:
                return default if value is None else value
            kind = int if isinstance(default, int) else str
            return typer.prompt(question, default=default, type=kind, err=True)

        def split(values: list[str] | None) -> list[str] | None:
            return None if values is None else [v.strip() for x in values for v in x.split(",")]

        materials = split(material) or split([ask(None, "Products, by commas", "")]) or []
        if not any(materials):
            raise ValueError("name at least one product with --material")
        if not lot:
            lots = ask(lots, "Lots of each product", 3)
        named = lots_of(materials, split(lot) or [], lots or 3)
        directions = split([ask(",".join(direction) if direction else None, "Directions",
                                ", ".join(DIRECTIONS))]) or []  # fmt: skip
        lamp = str(ask(lamp, "Lamp protocol (a file of models/lamps)", "xenon-daylight"))
        protocol = read_lamp(lamp)
        asked = split(withdraw) or split(
            [ask(None, "Withdrawals, as times or doses", ", ".join(protocol.withdrawals))]
        )  # fmt: skip
        if not any(asked or []):
            raise ValueError(f"{lamp} sets no withdrawals; name them with --withdraw")
        planned = planned_withdrawals(asked or [], lamp=lamp, irradiance=irradiance)
        strips = ask(strips, "Strips of each group at each withdrawal", protocol.strips or 5)
        begin = starting(str(ask(start, "Start (blank: no calendar)", "")), zone)
        width, length = protocol.strip_size or (50.0, 200.0)
        pdf = folder / "plan.pdf"
        if pdf.exists():
            raise ValueError(f"{folder.name} already holds plan.pdf; nothing was written")
        made = new_study(
            folder,
            Design(
                materials=tuple(materials), lots=named, directions=tuple(directions),
                hours=tuple(h for h, _ in planned), strips=strips or 5, unexposed=unexposed,
                strip_width=width if strip_width is None else strip_width,
                strip_length=length if strip_length is None else strip_length,
                roll_width=roll_width, tiers=tiers, places=places, seed=seed,
            ),
            lamp=lamp, title=title or folder.resolve().name, unit=unit, start=begin,
            doses=[d for _, d in planned], irradiance=irradiance,
        )  # fmt: skip
        from durability.report.plan_figure import write_plan

        write_plan(made, pdf)
        dates = withdrawals(made, begin, [d for _, d in planned]) if begin else ()
        document = plan_document(made, folder, dates)
        if told.document(document):
            return
        print_plan(made, folder, dates, [d for _, d in planned])
