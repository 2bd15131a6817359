"""What should be tested next, how much does a study need, and are strips still out needed?"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from durability.cli.app import command, errors_in_words
from durability.cli.fitted import fitted, gate, say_lying
from durability.cli.groups import without
from durability.cli.laboratory import withdrawal_of
from durability.cli.lying import Lying
from durability.cli.options import Fitting, Folder, Number, Told
from durability.terminal import progress, title_of
from durability.terminal_decisions import print_first_strips, print_going_on, print_next_strips

if TYPE_CHECKING:
    from durability.inference import Fit
    from durability.study.model import Further


@command(epilog="Example:  durability plan examples/five-hundred-hours --strips 60 --hours 1000")
def plan(
    study: Annotated[
        Path | None, typer.Argument(help="Study folder; none with --from-priors.")
    ] = None,
    *,
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
    figure: Annotated[
        Path | None, typer.Option("--figure", help="Draw the plans here: .png or .svg.")
    ] = None,
    number: Number,
    lying: Annotated[Lying, without("site", "laying")],
    fitting: Fitting,
    told: Told,
) -> None:
    """Which strips to test next, by what each plan is expected to teach; or the first ones."""
    with errors_in_words(told.json):
        if from_priors:
            fitting.refuse_choices("--from-priors")
            if study is not None:
                raise ValueError("--from-priors needs no study; leave the folder out")
            if lying.question():
                raise ValueError("--from-priors asks for a dose; how fabric lies does not matter")
            _from_priors(
                hours, strips, withdrawals, lots, expected, factor, ratio, number, fitting, figure,
                told,
            )  # fmt: skip
            return
        if study is None:
            raise ValueError("name a study folder, or --from-priors where there are no data yet")
        only = {"--expected": expected, "--factor": factor, "--ratio": ratio}
        wrong = [name for name, value in only.items() if value is not None]
        if wrong:
            raise ValueError(f"{', '.join(wrong)}: these go with --from-priors")
        from durability.decisions.next_strips import next_strips

        read = lying.asked(fitting.read(study))
        asked = read.further
        strips = asked.strips if strips is None else strips
        if strips is None:
            raise ValueError(
                "say how many strips may be broken: --strips 60, or strips under [plan]"
            )
        hours = asked.hours if hours is None and dose is None else hours
        number = _asked(number, asked)
        lying.refuse_without(number.site)
        made, _ = fitted(read, fitting, None, told.quiet)
        gate(made)
        made = _to_be_foretold(made, told.quiet)
        with progress(told.quiet) as tell:
            found = next_strips(
                made, strips=strips, hours=hours, dose=dose, withdrawals=withdrawals, lots=lots,
                level=fitting.level, seed=fitting.seed, progress=tell, **number.keywords(made),
            )  # fmt: skip
        if figure is not None:
            from durability.report.law_figure import save_picture
            from durability.report.next_strips_figure import next_strips_figure

            save_picture(next_strips_figure(found), figure)
        if told.document(found.to_dict()):
            return
        print(title_of(read.title, read.invented))
        if number.site is not None:
            say_lying(read, told)
        print_next_strips(found, every=every, notes=not told.quiet)


def _asked(number: Number, asked: Further) -> Number:
    """What is asked about: as the options say, else as [plan] of the study does.

    What the study requires belongs to its own number: another number has no requirement.
    """
    if number.site is None and number.against is None:
        number = replace(number, site=asked.site, against=asked.against)
    if (number.site, number.against) != (asked.site, asked.against):
        return number
    return replace(
        number, material=number.material or asked.material,
        required=number.required or asked.required,
    )  # fmt: skip


def _to_be_foretold(made: Fit, quiet: bool) -> Fit:
    """Under one law (of an average, the one with most weight), by the light that is asked for."""
    from durability.decisions.ahead import one_law
    from durability.translation.plane import counted

    one, named = one_law(made)
    if named is not None and not quiet:
        print(f"Strips to come are foretold under one law: {named}.", file=sys.stderr)
    return counted(one)


def _from_priors(
    hours: float | None, strips: int | None, withdrawals: int, lots: int, expected: str | None,
    factor: float | None, ratio: float | None, number: Number, fitting: Fitting,
    figure: Path | None, told: Told,
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
        factor=factor, ratio=ratio, of=number.subject() or "new_lot",
        fraction=number.fraction or 0.5, law=fitting.law or "stretched-exponential",
        level=fitting.level or 0.95, assurance=number.assurance or 0.95, seed=fitting.seed,
    )  # fmt: skip
    if figure is not None:
        from durability.report.law_figure import save_picture
        from durability.report.next_strips_figure import first_strips_figure

        save_picture(first_strips_figure(found), figure)
    if not told.document(found.to_dict()):
        print_first_strips(found)


@command(
    name="go-on",
    epilog='Example:  durability go-on examples/five-hundred-hours --until "300 h"',
)
def go_on(
    study: Folder,
    *,
    until: Annotated[
        str | None,
        typer.Option("--until", help="As it stood after this withdrawal: '300 h', or a dose."),
    ] = None,
    number: Number,
    lying: Annotated[Lying, without("site", "laying")],
    fitting: Fitting,
    told: Told,
) -> None:
    """Withdraw now or go on: the probability that strips still exposed change the verdict."""
    with errors_in_words(told.json):
        from durability.decisions.going_on import going_on
        from durability.decisions.waiting import until as as_it_stood
        from durability.decisions.waiting import waiting_strips

        read = lying.asked(fitting.read(study))
        number = _asked(number, read.further)
        lying.refuse_without(number.site)
        if until is None:
            waiting = waiting_strips(read)
            made, _ = fitted(read, fitting, None, told.quiet)
        else:
            from durability.inference import fit

            read, waiting = as_it_stood(read, **withdrawal_of(until, read, "--until"))
            with progress(told.quiet) as tell:
                made = fit(read, progress=tell, **fitting.asked())
        gate(made)
        made = _to_be_foretold(made, told.quiet)
        found = going_on(made, waiting, seed=fitting.seed, **number.keywords(made))
        if told.document(found.to_dict()):
            return
        print(title_of(read.title, read.invented))
        if number.site is not None:
            say_lying(read, told)
        print_going_on(found, notes=not told.quiet)


__all__ = ["go_on", "plan"]
