"""What should be tested next, how much does a study need, and are strips still out needed?"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from durability.cli.app import app, errors_in_words, keep, read_folder
from durability.cli.deciding import Assurance, Fraction, Of, _subject
from durability.cli.fitted import fitted, gate
from durability.cli.laboratory import withdrawal_of
from durability.cli.options import (
    Errors,
    File,
    Folder,
    Json,
    LawName,
    Level,
    Quiet,
    Seed,
    model_options,
    refuse_model_options,
)
from durability.terminal import print_json, progress, title_of
from durability.terminal_decisions import print_first_strips, print_going_on, print_next_strips

if TYPE_CHECKING:
    from durability.inference import Fit
    from durability.statement import Subject
    from durability.study.model import Further

Material = Annotated[str | None, typer.Option("--material", help="The first if left out.")]
Direction = Annotated[
    str | None, typer.Option("--direction", help="machine or cross; the weaker if left out.")
]
Site = Annotated[
    str | None, typer.Option("--site", help="Ask for days there, laid in the worst month.")
]
Against = Annotated[
    str | None, typer.Option("--against", help="Ask for the ratio to this package.")
]
Required = Annotated[
    str | None,
    typer.Option("--required", help="What is to be exceeded: '500 h', a dose, '30 days', a ratio."),
]


@app.command(
    epilog="Example:  durability plan examples/five-hundred-hours --strips 60 --hours 1000"
)
@model_options
def plan(
    study: Annotated[
        Path | None, typer.Argument(help="Study folder; none with --from-priors.")
    ] = None,
    strips: Annotated[
        int | None, typer.Option("--strips", min=2, help="Strips that may be broken.")
    ] = None,
    hours: Annotated[
        float | None, typer.Option("--hours", help="Longest exposure under the lamp, in hours.")
    ] = None,
    dose: Annotated[
        float | None, typer.Option("--dose", help="Or the largest dose, in the exposure's unit.")
    ] = None,
    withdrawals: Annotated[
        int, typer.Option("--withdrawals", min=1, max=12, help="Most withdrawals.")
    ] = 3,
    lots: Annotated[int, typer.Option("--lots", min=0, help="Most new lots.")] = 12,
    material: Material = None,
    direction: Direction = None,
    fraction: Fraction = None,
    of: Of = None,
    site: Site = None,
    against: Against = None,
    required: Required = None,
    every: Annotated[bool, typer.Option("--all", help="Every plan, not the best of each.")] = False,
    from_priors: Annotated[
        bool, typer.Option("--from-priors", help="Before any data: designs of a new study.")
    ] = False,
    expected: Annotated[
        str | None, typer.Option("--expected", help="With it: a guess of the dose, as '700 h'.")
    ] = None,
    factor: Annotated[
        float | None, typer.Option("--factor", help="With it: interval wanted, as 1.3 either way.")
    ] = None,
    ratio: Annotated[
        float | None, typer.Option("--ratio", help="With it: two packages to be told apart.")
    ] = None,
    assurance: Assurance = None,
    figure: Annotated[
        Path | None, typer.Option("--figure", help="Draw the plans here: .png or .svg.")
    ] = None,
    law: LawName = None,
    errors: Errors = None,
    level: Level = None,
    seed: Seed = 0,
    out: File = None,
    json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Which strips to test next, by what each plan is expected to teach; or the first ones."""
    with errors_in_words(json):
        subject = _subject(of)
        if from_priors:
            refuse_model_options("--from-priors")
            if study is not None:
                raise ValueError("--from-priors needs no study; leave the folder out")
            _from_priors(
                hours, strips, withdrawals, lots, expected, factor, ratio, subject, fraction, law,
                level, assurance, seed, figure, out, json,
            )  # fmt: skip
            return
        if study is None:
            raise ValueError("name a study folder, or --from-priors where there are no data yet")
        only = {"--expected": expected, "--factor": factor, "--ratio": ratio}
        wrong = [name for name, value in only.items() if value is not None]
        if wrong:
            raise ValueError(f"{', '.join(wrong)}: these go with --from-priors")
        from durability.decisions.asked_number import required_number
        from durability.decisions.next_strips import next_strips

        read = read_folder(study)
        asked = read.further
        strips = asked.strips if strips is None else strips
        if strips is None:
            raise ValueError(
                "say how many strips may be broken: --strips 60, or strips under [plan]"
            )
        hours = asked.hours if hours is None and dose is None else hours
        material, site, against, required = _asked(asked, material, site, against, required)
        made, _ = fitted(read, law, errors, level, seed, None, quiet)
        gate(made)
        made = _under_one_law(made, quiet)
        needed = None
        if required is not None:
            needed = required_number(made, required, material=material, site=site, against=against)
        with progress(quiet) as tell:
            found = next_strips(
                made, strips=strips, hours=hours, dose=dose, withdrawals=withdrawals, lots=lots,
                material=material, direction=direction, of=subject, fraction=fraction, site=site,
                against=against, required=needed, level=level, assurance=assurance, seed=seed,
                progress=tell,
            )  # fmt: skip
        if figure is not None:
            from durability.report.law_figure import save_picture
            from durability.report.next_strips_figure import next_strips_figure

            save_picture(next_strips_figure(found), figure)
        keep(found.to_dict(), out)
        if json:
            print_json(found.to_dict())
            return
        print(title_of(read.title, read.invented))
        print_next_strips(found, every=every, notes=not quiet)


def _asked(
    asked: Further, material: str | None, site: str | None, against: str | None,
    required: str | None,
) -> tuple[str | None, str | None, str | None, str | None]:  # fmt: skip
    """What is asked about: as the options say, else as [plan] of the study does.

    What the study requires belongs to its own number: another number has no requirement.
    """
    if site is None and against is None:
        site, against = asked.site, asked.against
    own = (site, against) == (asked.site, asked.against)
    material = asked.material if material is None and own else material
    return material, site, against, asked.required if required is None and own else required


def _under_one_law(made: Fit, quiet: bool) -> Fit:
    """Strips to come are foretold under one law: of an average, the one with most weight."""
    from durability.decisions.ahead import one_law

    one, named = one_law(made)
    if named is not None and not quiet:
        print(f"Strips to come are foretold under one law: {named}.", file=sys.stderr)
    return one


def _from_priors(
    hours: float | None, strips: int | None, withdrawals: int, lots: int, expected: str | None,
    factor: float | None, ratio: float | None, of: Subject | None, fraction: float | None,
    law: str | None, level: float | None, assurance: float | None, seed: int, figure: Path | None,
    out: Path | None, json: bool,
) -> None:  # fmt: skip
    from durability.decisions.first_strips import first_strips

    if hours is None:
        raise ValueError("say how long strips may be exposed: --hours 1000")
    guess = None
    if expected is not None:
        from durability.units import UNITS, measure

        read = measure(expected)
        if read.unit.dimension != "time":
            raise ValueError(f"--expected is {expected!r}; expected hours, such as '700 h'")
        guess = read.canonical / UNITS["h"].factor
    found = first_strips(
        hours=hours, strips=strips, withdrawals=withdrawals, lots=lots, expected=guess,
        factor=factor, ratio=ratio, of=of or "new_lot", fraction=fraction or 0.5,
        law=law or "stretched-exponential", level=level or 0.95, assurance=assurance or 0.95,
        seed=seed,
    )  # fmt: skip
    if figure is not None:
        from durability.report.law_figure import save_picture
        from durability.report.next_strips_figure import first_strips_figure

        save_picture(first_strips_figure(found), figure)
    keep(found.to_dict(), out)
    if json:
        print_json(found.to_dict())
        return
    print_first_strips(found)


@app.command(
    name="go-on",
    epilog='Example:  durability go-on examples/five-hundred-hours --until "300 h"',
)
@model_options
def go_on(
    study: Folder,
    until: Annotated[
        str | None,
        typer.Option("--until", help="As it stood after this withdrawal: '300 h', or a dose."),
    ] = None,
    material: Material = None,
    direction: Direction = None,
    fraction: Fraction = None,
    of: Of = None,
    site: Site = None,
    against: Against = None,
    required: Required = None,
    assurance: Assurance = None,
    law: LawName = None,
    errors: Errors = None,
    level: Level = None,
    seed: Seed = 0,
    out: File = None,
    json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Withdraw now or go on: the probability that strips still exposed change the verdict."""
    with errors_in_words(json):
        from durability.decisions.asked_number import required_number
        from durability.decisions.going_on import going_on
        from durability.decisions.waiting import until as as_it_stood
        from durability.decisions.waiting import waiting_strips

        read = read_folder(study)
        material, site, against, required = _asked(read.further, material, site, against, required)
        if until is None:
            waiting = waiting_strips(read)
            made, _ = fitted(read, law, errors, level, seed, None, quiet)
        else:
            from durability.inference import fit

            read, waiting = as_it_stood(read, **withdrawal_of(until, read, "--until"))
            with progress(quiet) as tell:
                made = fit(
                    read, law=law, errors=errors, level=level, seed=seed,  # type: ignore[arg-type]
                    progress=tell,
                )  # fmt: skip
        gate(made)
        made = _under_one_law(made, quiet)
        needed = None
        if required is not None:
            needed = required_number(made, required, material=material, site=site, against=against)
        found = going_on(
            made, waiting, required=needed, material=material, direction=direction,
            of=_subject(of), fraction=fraction, site=site, against=against, assurance=assurance,
            seed=seed,
        )  # fmt: skip
        keep(found.to_dict(), out)
        if json:
            print_json(found.to_dict())
            return
        print(title_of(read.title, read.invented))
        print_going_on(found, notes=not quiet)


__all__ = ["go_on", "plan"]
