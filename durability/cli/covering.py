"""How long may it lie open, and what is left of what did?"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from durability.cli.app import BAD_INPUT, command, errors_in_words
from durability.cli.fitted import fitted_there
from durability.cli.groups import without
from durability.cli.lying import Lying
from durability.cli.options import Asked, Fitting, Folder, Told
from durability.terminal import print_cautions, print_statements, print_table

if TYPE_CHECKING:
    from durability.decisions.covering import Cover
    from durability.decisions.exposed import Exposed

Spent = Annotated[
    list[str] | None,
    typer.Option(
        "--spent",
        help='Time in the open before, "2026-03-01 to 2026-03-20", or "2026-03-01 to 2026-03-20 at'
        ' 0.3" in part of the light; may be repeated.',
    ),
]


@command(
    epilog="Example:  durability cover examples/quarry-cover --site miami --required 0.5"
    " --of single_specimen --assurance 0.95"
)
def cover(
    study: Folder,
    *,
    spent: Spent = None,
    figure: Annotated[
        Path | None, typer.Option("--figure", help="Draw months by sites here: .svg or .png.")
    ] = None,
    table: Annotated[
        Path | None, typer.Option("--table", help="Write months by sites here, .csv.")
    ] = None,
    asked: Asked,
    lying: Lying,
    fitting: Fitting,
    told: Told,
) -> None:
    """Whole days that it may lie open, by month of laying, and what product rules would say."""
    with errors_in_words(told.json):
        from durability.decisions.covering import cover as covered
        from durability.translation.reading import OpenInterval

        before = [OpenInterval.read(text) for text in spent or []]
        made, places = fitted_there(study, fitting, lying, told)
        done = [
            covered(made, site=place, spent=before, **asked.keywords())
            for place in places
        ]  # fmt: skip
        only = told.document({"sites": [c.to_dict() for c in done]})
        _months_by_sites(done, figure, table)
        if not only:
            if len(done) > 1:
                print_side_by_side(done)
            for c in done:
                print_allowed(c)
                if not told.quiet:
                    print_cautions(c.cautions)


def _months_by_sites(done: list[Cover], figure: Path | None, table: Path | None) -> None:
    """The figure and the CSV that were asked for."""
    if figure is None and table is None:
        return
    from durability.report.law_figure import save_picture
    from durability.report.places_figure import days_by_place, places_data
    from durability.statement import Statements

    said = Statements(s for c in done for s in c.statements)
    if figure is not None:
        save_picture(days_by_place(said, titles={c.site: c.title for c in done}), figure)
    if table is not None:
        try:
            table.write_text(places_data(said).to_csv(), encoding="utf-8")
        except OSError as error:
            raise ValueError(f"{table.name} cannot be written ({error.strerror})") from error


def print_side_by_side(done: list[Cover]) -> None:
    """Months by sites, a table a material."""
    for material in dict.fromkeys(s.material or "" for c in done for s in c.statements):
        print(f"{material}: cover within, whole days (worse direction)")
        by_site = [{row[0]: row[1] for row in c.table(material)} for c in done]
        months = list(dict.fromkeys(month for rows in by_site for month in rows))
        lines = [[month, *(rows.get(month, "") for rows in by_site)] for month in months]
        print_table(["laid in", *(c.site for c in done)], lines)
        print()


def print_allowed(c: Cover) -> None:
    """The worst month in words, then month by month, then what rules would say."""
    for line in c.sentences():
        print(line)
    for material in dict.fromkeys(s.material or "" for s in c.statements):
        print(f"\n{material}, whole days (worse direction)")
        rows = [list(r) for r in c.table(material)]
        print_table(["laid in", "cover within", "borne out by the doses tested"], rows)
    if c.rules or c.silent:
        print("\nFor comparison only, rules that know no site, month or spread:")
    for verdict in c.rules:
        print(f"  {verdict}")
    for line in c.silent:
        print(f"  {line}")
    _approximate()


@command(
    epilog="Example:  durability exposed examples/quarry-cover --site miami --from 2026-05-03"
    " --to 2026-08-20"
)
def exposed(
    study: Folder,
    *,
    begin: Annotated[str | None, typer.Option("--from", help="Day it was laid open.")] = None,
    end: Annotated[str | None, typer.Option("--to", help="Day it was covered or dug out.")] = None,
    spent: Spent = None,
    strips: Annotated[
        Path | None,
        typer.Option("--strips", help="CSV of strips dug out: material, direction, strength."),
    ] = None,
    asked: Asked,
    lying: Annotated[Lying, without("laying", "light")],
    fitting: Fitting,
    told: Told,
) -> None:
    """Strength left of fabric that lay open, the chance that it holds, and whether to dig out."""
    with errors_in_words(told.json):
        from durability.decisions.dug_out import read_strips
        from durability.decisions.exposed import exposed as left_of
        from durability.translation.reading import OpenInterval

        if (begin is None) != (end is None):
            raise ValueError("give both --from and --to")
        intervals = [OpenInterval.read(text) for text in spent or []]
        if begin is not None:
            intervals.append(OpenInterval.read(f"{begin} to {end}"))
        if not intervals:
            raise ValueError("name the days in the open: --from 2026-05-03 --to 2026-08-20")
        found = read_strips(strips) if strips is not None else []
        made, places = fitted_there(study, fitting, lying, told)
        done = [
            left_of(made, site=place, intervals=intervals, level=fitting.level, strips=found,
                    **asked.keywords())
            for place in places
        ]  # fmt: skip
        if not told.document({"sites": [e.to_dict() for e in done]}):
            for e in done:
                print_left(e)


def print_left(e: Exposed) -> None:
    """The answer in words, the statements, and what reduction factors would carry."""
    print(f"{e.title}: {sum(i.days for i in e.intervals)} days in the open, {e.weather}")
    for material, dose in e.dose.items():
        print(f"{material}: about the damage of {dose}")
    for line in e.sentences():
        print(line)
    for heading, said in (("Before digging", e.statements), ("With the strips", e.updated)):
        if len(said) and len(e.updated):
            print(f"\n{heading}")
        if len(said):
            print_statements(said)
    from durability.decisions.decision import percent

    print("\nAssurance that a reduction factor for weathering carries")
    heads = ["material", "direction"]
    factors = list(next(iter(e.factors.values()), {}))
    rows = [[m, d, *(percent(p) for p in each.values())] for (m, d), each in e.factors.items()]
    print_table([*heads, *(f"{f:g}" for f in factors)], rows)
    _approximate()


@command(epilog="Example:  durability equivalent examples/quarry-cover --site miami --days 90")
def equivalent(
    study: Folder,
    *,
    dose: Annotated[
        float | None, typer.Option("--dose", help="Lamp dose; the last dose tested if left out.")
    ] = None,
    days: Annotated[
        float | None, typer.Option("--days", help="Days in the open: gives lamp hours instead.")
    ] = None,
    lying: Lying,
    fitting: Fitting,
    told: Told,
) -> None:
    """Days in the open that do the damage of a lamp dose, or lamp hours that of days, by month."""
    with errors_in_words(told.json):
        from durability.statement import Statements
        from durability.translation.equivalent import lamp_hours_for, outdoor_equivalent

        if dose is not None and days is not None:
            raise ValueError("give --dose or --days, not both")
        made, places = fitted_there(study, fitting, lying, told)
        said = Statements(
            s
            for place in places
            for s in (
                outdoor_equivalent(made, site=place, dose=dose, level=fitting.level)
                if days is None
                else lamp_hours_for(made, site=place, days=days, level=fitting.level)
            )
        )
        if not len(said):
            raise typer.Exit(BAD_INPUT)
        if not told.document({"days": days, "statements": said.to_list()}):
            what = "a lamp dose" if days is None else f"{days:g} days in the open"
            kind = "Days in the open" if days is None else "Lamp hours, dark phases included,"
            print(f"{kind} that do the damage of {what}, by month of laying")
            print_statements(said)
            _approximate()


def _approximate() -> None:
    from durability.translation import explain

    print(f"\n{explain(('translation_approximate',))['translation_approximate']}\n")
