"""Commands at a terminal. Each is a thin line over the Python API; no statistics here.

Exit status: 0 done, 2 bad input, 3 a fit missed its diagnostics, 130 interrupted.
"""

from __future__ import annotations

import json as json_module
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer

from durability.terminal import (
    by_file,
    count,
    plan_document,
    print_cautions,
    print_chamber,
    print_cover,
    print_json,
    print_law,
    print_laws,
    print_plan,
    print_problems,
    print_records,
    print_statements,
    print_table,
    progress,
    shown,
)

if TYPE_CHECKING:
    from durability.inference import Fit
    from durability.study import Caution, Problem, Study

BAD_INPUT, FIT_FAILED, INTERRUPTED = 2, 3, 130
REUSED = "The earlier fit was reused: inputs, models and seed are the same."
FITTED_AGAIN = "Fitted again: the earlier results are of other inputs, models, settings or seed."


def _level(value: float | None) -> float | None:
    if value is not None and not 0 < value < 1:
        raise typer.BadParameter(f"{value:g} does not lie between 0 and 1; say 0.9 for 90 %")
    return value


def _version(asked: bool) -> None:
    if asked:
        from durability import __version__

        print(f"durability {__version__}")
        raise typer.Exit()


app = typer.Typer(
    name="durability",
    help="How long may a fabric lie open? Threshold doses from weathering tests, read as days at"
    " a site.",
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)

Folder = Annotated[Path, typer.Argument(help="Study folder, with its study.toml.")]
Json = Annotated[bool, typer.Option("--json", help="Print one JSON document and nothing else.")]
Quiet = Annotated[bool, typer.Option("--quiet", "-q", help="No progress and no cautions.")]
Seed = Annotated[int, typer.Option("--seed", min=0, max=2**32 - 1, help="Same seed, same numbers.")]
Out = Annotated[
    Path | None, typer.Option("--out", help="Results folder; STUDY/results if left out.")
]
File = Annotated[Path | None, typer.Option("--out", help="Also write the JSON document here.")]
LawName = Annotated[
    str | None, typer.Option("--law", help="A law of `durability laws`, or a law file.")
]
Errors = Annotated[str, typer.Option("--errors", help="Scatter of strips: lognormal or normal.")]
Level = Annotated[
    float | None,
    typer.Option("--level", callback=_level, help="Level of intervals, such as 0.9."),
]
Sites = Annotated[
    list[str] | None,
    typer.Option("--site", help="A site of `durability sites` or a weather file; may be repeated."),
]


@app.callback()
def _commands(
    version: Annotated[
        bool,
        typer.Option(
            "--version", is_eager=True, callback=_version, help="Print the version and leave."
        ),
    ] = False,
) -> None:
    pass


@app.command(epilog="Example:  durability check examples/quarry-cover --marked marked.xlsx")
def check(
    study: Folder,
    json: Json = False,
    quiet: Quiet = False,
    out: File = None,
    marked: Annotated[
        Path | None,
        typer.Option("--marked", help="Also write a spreadsheet copy with every finding marked."),
    ] = None,
) -> None:
    """Read a study folder and report every problem and caution at once."""
    with _errors(json):
        problems, cautions = _checked(study)
        if marked is not None:
            from durability.study import write_marked

            write_marked(study, marked, problems, cautions)
        document = {
            "problems": [p.to_dict() for p in problems],
            "cautions": [c.to_dict() for c in cautions],
        }
        _keep(document, out)
        if json:
            print_json(document)
        else:
            print_problems(problems)
            if not quiet:
                print_cautions([c for mine in by_file(cautions).values() for c in mine])
            if not problems:
                print(f"{study}: no problems, {count(len(cautions), 'caution')}")
            if marked is not None:
                print(f"Marked copy: {marked}")
        if problems:
            raise typer.Exit(BAD_INPUT)


def _checked(folder: Path) -> tuple[list[Problem], list[Caution]]:
    """Problems and cautions of the folder, those of its lamps, records and curves included."""
    from durability.exposure import delivery_cautions, departure_cautions, with_doses
    from durability.retention import with_strength
    from durability.study import StudyError, check_study

    try:
        read = _read(folder)
    except StudyError:
        return check_study(folder)
    problems: list[Problem] = []
    for fill in (with_strength, with_doses):
        try:
            read = fill(read)
        except StudyError as error:
            problems += error.problems
    if problems:
        return problems, list(read.cautions)
    return [], [*read.cautions, *delivery_cautions(read), *departure_cautions(read)]


@app.command(epilog="Example:  durability retention examples/quarry-cover --level 0.9")
def retention(
    study: Folder,
    level: Level = None,
    json: Json = False,
    quiet: Quiet = False,
    out: File = None,
    interval: Annotated[
        str, typer.Option("--interval", help="log_ratio or fieller, of a ratio of means.")
    ] = "log_ratio",
    response: Annotated[
        str, typer.Option("--of", help="strength, elongation or stiffness.")
    ] = "strength",
    within: Annotated[
        float | None,
        typer.Option("--within", help="Also: strips needed for an interval within ×/÷ this."),
    ] = None,
    figures: Annotated[
        Path | None, typer.Option("--figures", help="Also draw strips and curves, into a folder.")
    ] = None,
) -> None:
    """Strength and retained strength of every group of strips, with intervals."""
    with _errors(json):
        from typing import cast

        from durability.retention import (
            retained_strength,
            retention_table,
            sections,
            with_strength,
        )
        from durability.retention.response import Response
        from durability.retention.retained import Method

        read = with_strength(_read(study))
        level = level or read.question.level
        how, what = cast(Method, interval), cast(Response, response)
        rows = retention_table(read, level=level, method=how, response=what)
        statements = retained_strength(read, level=level, method=how, response=what)
        under = sections(read, level=level, response=what, within=within)
        document = {
            "table": rows,
            "statements": statements.to_list(),
            "sections": {s.name: s.to_dict() for s in under},
        }
        _keep(document, out)
        if figures is not None:
            from durability.report.strips_figure import save_retention_figures

            drawn = save_retention_figures(read, figures, response=what)
        if json:
            print_json(document)
            return
        print(f"{read.title}{'  [invented data]' if read.invented else ''}")
        words = read.property if what == "strength" else what
        print(f"{words}; intervals are {100 * level:g} % confidence intervals\n")
        columns = ("material", "lot", "direction", "exposure", "dose", "n", "mean", "cv", "left")
        print_table([*columns, "remarks"], [shown(row) for row in rows])
        for section in under:
            print(f"\n{section.title}")
            print_table(list(section.columns), [list(row) for row in section.rows])
        if figures is not None:
            print(f"\nFigures: {', '.join(str(f) for f in drawn)}")
        if not quiet:
            print_cautions(read.cautions)


@app.command(
    epilog='Example:  durability conformance examples/quarry-cover --retained 0.5 --after "600 h"'
)
def conformance(
    study: Folder,
    after: Annotated[
        str, typer.Option("--after", help="The withdrawal: '500 h', or a dose of its exposure.")
    ],
    retained: Annotated[
        float | None, typer.Option("--retained", help="Required fraction left, such as 0.5.")
    ] = None,
    strength: Annotated[
        str | None, typer.Option("--strength", help="Or a required strength, such as '8 kN/m'.")
    ] = None,
    share: Annotated[
        float | None,
        typer.Option("--share", help="With --strength: share of single strips to hold it."),
    ] = None,
    exposure: Annotated[
        str | None, typer.Option("--exposure", help="Which exposure, where several reach there.")
    ] = None,
    assurance: Annotated[
        float | None, typer.Option("--assurance", help="For a verdict; the study's if left out.")
    ] = None,
    json: Json = False,
    quiet: Quiet = False,
    out: File = None,
) -> None:
    """Pass, fail or undecided against a requirement, with probability, guard bands and risks."""
    with _errors(json):
        from durability.retention import conformance as compare
        from durability.retention import with_strength
        from durability.units import converted, measure, unit

        read = with_strength(_read(study))
        place = _withdrawal(after)
        needed = None
        if strength is not None:
            asked = measure(strength, unit(read.unit).dimension)
            needed = converted(asked.number, asked.unit, unit(read.unit))
        found = compare(
            read, retained=retained, strength=needed, share=share, exposure=exposure,
            assurance=assurance, **place,
        )  # fmt: skip
        document = {"conformance": [c.to_dict() for c in found]}
        _keep(document, out)
        if json:
            print_json(document)
            return
        print(f"{read.title}{'  [invented data]' if read.invented else ''}\n")
        for c in found:
            print(c.sentence())
            if c.risks is not None and not quiet:
                print(f"    The usual rule {'accepts' if c.rule_accepts else 'refuses'} it. "
                      f"{c.risks.sentence()}")  # fmt: skip
        if not quiet:
            print_cautions(read.cautions)


def _withdrawal(text: str) -> dict[str, float]:
    """``"500 h"`` as hours, anything else as a dose in the unit of its exposure."""
    from durability.units import UNITS, UnitError, measure

    number = text.split()[0] if text.split() else ""
    try:
        read = measure(text)
    except UnitError:
        try:
            return {"dose": float(number)}
        except ValueError:
            raise ValueError(f"--after {text!r} is no withdrawal, such as '500 h'") from None
    if read.unit.dimension == "time":
        return {"hours": read.canonical / UNITS["h"].factor}
    return {"dose": read.canonical}


@app.command(epilog="Example:  durability interlaboratory results.csv")
def interlaboratory(
    source: Annotated[
        Path,
        typer.Argument(help="Study folder, or a table of material, laboratory and value [unit]."),
    ],
    json: Json = False,
    quiet: Quiet = False,
    out: File = None,
) -> None:
    """Repeatability, reproducibility and consistency (h and k) of several laboratories."""
    with _errors(json):
        from durability.retention import interlaboratory as compare
        from durability.retention.interlaboratory import FLAGS as words

        found = compare(_read(source) if source.is_dir() else source)
        document = {"agreement": [a.to_dict() for a in found]}
        _keep(document, out)
        if json:
            print_json(document)
            return
        for a in found:
            first = a.laboratories[0]
            print(f"{a.sentence()}\ncritical at 0.5 %: h {first.h_critical:.2f}, "
                  f"k {first.k_critical:.2f}")  # fmt: skip
            columns = ["laboratory", "n", "mean", "s", "h", "k", "stands out by"]
            print_table(columns, [list(row) for row in a.rows()])
            if not quiet:
                for flag in a.flags:
                    print(f"caution: {words[flag]}", file=sys.stderr)
            print()


@app.command(epilog="Example:  durability fit examples/quarry-cover --law logistic --seed 1")
def fit(
    study: Folder,
    law: LawName = None,
    errors: Errors = "lognormal",
    level: Level = None,
    seed: Seed = 0,
    out: Out = None,
    json: Json = False,
    quiet: Quiet = False,
    method: Annotated[
        str, typer.Option("--method", help="bayes, or likelihood: quick, keeps no results folder.")
    ] = "bayes",
) -> None:
    """Fit a degradation law and state the threshold doses."""
    with _errors(json):
        if method not in ("bayes", "likelihood"):
            raise ValueError(f'method "{method}" is unknown; known: bayes, likelihood')
        read = _read(study)
        if method == "likelihood":
            _fit_by_likelihood(read, law, errors, level, out, json, quiet)
            return
        made, record = _fitted(read, law, errors, level, seed, out, quiet)
        statements = made.statements()
        if json:
            print_json(
                {
                    "fit": {"law": made.law, "diagnostics": made.diagnostics.to_dict()},
                    "run": {k: record[k] for k in ("seed", "version", "key")},
                    "statements": statements.to_list(),
                }
            )
        else:
            print(repr(made), "\n")
            print_statements(statements)
            if not quiet:
                print_cautions(read.cautions)
        _gate(made)


def _fit_by_likelihood(
    study: Study, law: str | None, errors: str, level: float | None, out: Path | None, json: bool,
    quiet: bool,
) -> None:  # fmt: skip
    from durability.inference import DEFAULT_LAW
    from durability.inference.likelihood import WHY_PROFILE, fit_study

    made = fit_study(study, law=law or DEFAULT_LAW, errors=errors, level=level)  # type: ignore[arg-type]
    statements = made.statements()
    document = {
        "fit": {"law": made.law.name, "method": "likelihood", "not_fitted": made.problems,
                "unsaid": made.unsaid()},
        "statements": statements.to_list(),
    }  # fmt: skip
    _keep(document, out)
    if json:
        print_json(document)
        return
    print(repr(made), "\n")
    print_statements(statements)
    for line in made.unsaid():
        print(line)
    if not quiet:
        print(f"\n{WHY_PROFILE[0].upper()}{WHY_PROFILE[1:]}.")
        print_cautions(study.cautions)


@app.command(epilog="Example:  durability compare-laws examples/quarry-cover --figure laws.svg")
def compare_laws(
    study: Folder,
    law: Annotated[
        list[str] | None, typer.Option("--law", help="A law to compare; may be repeated.")
    ] = None,
    errors: Errors = "lognormal",
    level: Level = None,
    figure: Annotated[
        Path | None, typer.Option("--figure", help="Draw the laws here, .svg or .png.")
    ] = None,
    json: Json = False,
    quiet: Quiet = False,
    out: File = None,
) -> None:
    """Fit every law by likelihood and show which the strips support, and what each would say."""
    with _errors(json):
        from durability.inference.likelihood import compare_laws as compare

        read = _read(study)
        tables = compare(read, names=law, level=level, errors=errors)  # type: ignore[arg-type]
        document = {"tables": [t.to_dict() for t in tables]}
        _keep(document, out)
        if json:
            print_json(document)
        else:
            for table in tables:
                print(repr(table), "\n")
            if not quiet:
                print_cautions(read.cautions)
        if figure is not None:
            from durability.report.laws_figure import save_tables

            save_tables(tables, figure)


@app.command(epilog="Example:  durability crossings examples/quarry-cover --fraction 0.8")
def crossings(
    study: Folder,
    family: Annotated[
        str,
        typer.Option(
            "--family",
            help="weibull, lognormal, loglogistic, exponential or generalised-gamma.",
        ),
    ] = "lognormal",
    unit: Annotated[
        str, typer.Option("--unit", help="strip: each strip counts; lot: the means of each lot.")
    ] = "strip",
    fraction: Annotated[
        float | None,
        typer.Option("--fraction", help="Of the unexposed strength; the study's if left out."),
    ] = None,
    figures: Annotated[
        Path | None, typer.Option("--figures", help="Folder for one picture a lot or material.")
    ] = None,
    level: Level = None,
    json: Json = False,
    quiet: Quiet = False,
    out: File = None,
) -> None:
    """Threshold doses from brackets alone: what still held, and what no longer did, at each dose.

    A check on `fit` that knows no degradation law.
    """
    with _errors(json):
        from durability.inference.crossing import study_crossings

        read = _read(study)
        found = study_crossings(read, fraction=fraction, family=family, unit=unit, level=level)
        document = found.to_dict()
        _keep(document, out)
        if figures is not None:
            from durability.report.crossing_figure import save_figures

            save_figures(found, read, figures)
        if json:
            print_json(document)
            return
        print(f"{read.title}{'  [invented data]' if read.invented else ''}")
        print(found.headline(), "\n")
        print_statements(found.statements)
        if not quiet:
            for note in found.notes:
                print(f"note: {note}", file=sys.stderr)
            print_cautions(read.cautions)


@app.command(epilog="Example:  durability translate examples/quarry-cover --site miami")
def translate(
    study: Folder,
    site: Sites = None,
    law: LawName = None,
    errors: Errors = "lognormal",
    level: Level = None,
    seed: Seed = 0,
    out: Out = None,
    json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Read the threshold doses as days at a site, by month of laying, with the budget."""
    with _errors(json):
        from durability.decisions import cover_statements
        from durability.report import check_sites, translations_of
        from durability.report.results import budget_records
        from durability.statement import Statements

        read = _read(study)
        asked = site or list(read.question.sites)
        if not asked:
            raise ValueError("name a site with --site, or in study.toml under [question] sites")
        check_sites(asked)
        made, _ = _fitted(read, law, errors, level, seed, out, quiet)
        _gate(made)
        with progress(quiet) as tell:
            done, refused = translations_of(made, asked, progress=tell)
        statements = Statements(s for t in done for s in cover_statements(t, made, level=level))
        if json:
            print_json(
                {
                    "statements": statements.to_list(),
                    "budgets": [b for t in done for b in budget_records(t)],
                    "not_translated": refused,
                }
            )
        else:
            for t in done:
                print_cover(t, statements.where(site=t.site, of=read.question.of))
            for reason in refused:
                print(f"not translated: {reason}", file=sys.stderr)
        if refused and not done:
            raise typer.Exit(BAD_INPUT)


@app.command(epilog="Example:  durability report examples/quarry-cover --site phoenix")
def report(
    study: Folder,
    site: Sites = None,
    law: LawName = None,
    errors: Errors = "lognormal",
    level: Level = None,
    seed: Seed = 0,
    out: Out = None,
    json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Do the whole job: read, fit, translate, and write the results folder with its report."""
    with _errors(json):
        from durability.compiling import compile_meanwhile

        compiled = compile_meanwhile()
        read = _read(study)
        compiled()
        from durability.report import report as run
        from durability.report import unchanged_report

        folder = out if out is not None else read.folder / "results"
        word = "Nothing has changed since this report was written."
        document = unchanged_report(
            read, sites=site, law=law, errors=errors, level=level, seed=seed, out=folder
        )
        if document is None:
            with progress(quiet) as tell:
                results = run(
                    read, sites=site, law=law, errors=errors, level=level, seed=seed, out=folder,
                    progress=tell,
                )  # fmt: skip
            document = results.to_document()
            word = REUSED if results.reused else ""
        if json:
            print_json(document)
            return
        for sentence in document["answer"]:
            print(sentence)
        if not quiet:
            for caution in document["cautions"]:
                print(f"caution: {caution['text']}", file=sys.stderr)
            if word:
                print(word)
        print(f"Report: {folder / 'report.html'}")


@app.command(epilog="Example:  durability laws show rise-then-fall --out picture.svg")
def laws(
    name: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="show NAME",
            help="A law, or a file of a law or free curve; all laws if left out.",
        ),
    ] = None,
    json: Json = False,
    quiet: Quiet = False,
    out: Annotated[
        Path | None,
        typer.Option("--out", help="Write the picture (.svg, .png) or the JSON document here."),
    ] = None,
) -> None:
    """List the degradation laws; show one with its picture, its priors and its source."""
    with _errors(json):
        from durability.laws import Law, read_law, read_law_or_curve
        from durability.laws import laws as names

        words = list(name or ())
        asked = words[1:] if words[:1] == ["show"] else words
        chosen = [read_law_or_curve(n) for n in asked] or [read_law(n) for n in names()]
        pictured = [law for law in chosen if isinstance(law, Law)]
        records = [law.to_dict() for law in chosen]
        if out is not None and out.suffix.lower() in (".svg", ".png"):
            from durability.report.law_figure import law_figure, law_gallery, save_picture

            if not pictured:
                raise ValueError("a free curve has no picture: its parameters have no prior")
            one = len(pictured) == 1
            save_picture(law_figure(pictured[0]) if one else law_gallery(pictured), out)
        else:
            _keep(records, out)
        if json:
            print_json(records)
        elif not asked:
            print_laws(pictured)
        else:
            for law in chosen:
                print_law(law, picture=not quiet)


@app.command(epilog="Example:  durability sites --json")
def sites(json: Json = False, quiet: Quiet = False, out: File = None) -> None:
    """List the sites with weather, with their sources."""
    with _errors(json):
        from durability.exposure import sites as listed

        _show(listed(), json, out)


@app.command(
    epilog="Example:  durability new quarry-2 --material A --material B --start 2031-05-14T08:30"
    " --yes"
)
def new(
    folder: Annotated[Path, typer.Argument(help="Folder to make; nothing in it is overwritten.")],
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
    json: Json = False,
    quiet: Quiet = False,
    out: File = None,
) -> None:
    """Plan a study and write its folder: description, strips to fill in, cutting, calendar."""
    with _errors(json):
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
        _keep(document, out)
        if json:
            print_json(document)
            return
        print_plan(made, folder, dates, [d for _, d in planned])


@app.command(epilog="Example:  durability chamber examples/quarry-cover --band '300-400 nm'")
def chamber(
    study: Folder,
    band: Annotated[
        str | None, typer.Option("--band", help="Also read doses in another control band.")
    ] = None,
    spectrum: Annotated[
        str | None,
        typer.Option("--spectrum", help="Spectrum for --band: a name or file; the lamp's own."),
    ] = None,
    control: Annotated[
        str | None, typer.Option("--control", help="A material hung in every run: compare runs.")
    ] = None,
    figures: Annotated[
        Path | None, typer.Option("--figures", help="Folder for a figure of each record.")
    ] = None,
    json: Json = False,
    quiet: Quiet = False,
    out: File = None,
) -> None:
    """What the chamber records say: dose, tolerances, interruptions, drift, temperature."""
    with _errors(json):
        from durability.exposure import chambers, departures, read_in_band, run_check

        read = _read(study)
        found = chambers(read)
        left = [d for x in read.exposures.values() for d in departures(x)]
        runs = run_check(read, control) if control is not None else None
        if not found and runs is None:
            raise ValueError(
                "no exposure of this study has a chamber record of a radiant dose; name its file "
                "under record in study.toml"
            )
        other = [] if band is None else [
            read_in_band(c, read.exposures[c.exposure], band, spectrum) for c in found
        ]  # fmt: skip
        document = {
            "chambers": [c.to_dict() for c in found],
            "departures": [d.to_dict() for d in left],
            "in_band": [c.to_dict() for c in other],
            "runs": None if runs is None else runs.to_dict(),
        }
        _keep(document, out)
        if figures is not None:
            from durability.report.chamber_figure import write_chambers

            write_chambers(read, found, figures)
        if json:
            print_json(document)
            return
        for i, c in enumerate(found):
            print_chamber(c, other[i] if other else None)
        if left:
            print("Departures from the practice:")
            for d in left:
                print(f"  {d}")
        if runs is not None:
            print(runs)
        if not quiet:
            print_cautions([caution for c in found for caution in c.cautions])


def _show(records: list[dict[str, Any]], json: bool, out: Path | None) -> None:
    _keep(records, out)
    (print_json if json else print_records)(records)


def _read(folder: Path) -> Study:
    from durability.study import read_study

    return read_study(folder)


def _fitted(
    study: Study,
    law: str | None,
    errors: str,
    level: float | None,
    seed: int,
    out: Path | None,
    quiet: bool,
) -> tuple[Fit, dict[str, Any]]:
    """The fit, read back from the results folder where it matches, else made and kept there."""
    from durability.inference import DEFAULT_LAW
    from durability.report import fit_or_reuse
    from durability.report.results import keep_fit

    folder = out if out is not None else study.folder / "results"
    earlier = (folder / "provenance.json").is_file()
    with progress(quiet) as tell:
        made, record, reused = fit_or_reuse(
            study, law=law or DEFAULT_LAW, errors=errors, level=level, seed=seed, sampler=None,
            out=folder, progress=tell,
        )  # fmt: skip
        if not reused and made.diagnostics.ok:
            keep_fit(made, record, folder)
    if not quiet and reused:
        print(REUSED, file=sys.stderr)
    elif not quiet and earlier:
        print(FITTED_AGAIN, file=sys.stderr)
    return made, record


def _gate(made: Fit) -> None:
    if not made.diagnostics.ok:
        print(f"error: {made.diagnostics}", file=sys.stderr)
        print("Nothing above may be quoted. Try another --law, or more strips.", file=sys.stderr)
        raise typer.Exit(FIT_FAILED)


@contextmanager
def _errors(json: bool) -> Iterator[None]:
    """Errors a user can mend become words and an exit status; anything else is a fault of ours."""
    try:
        yield
    except KeyboardInterrupt:
        print("interrupted; the earlier results are untouched", file=sys.stderr)
        raise typer.Exit(INTERRUPTED) from None
    except BrokenPipeError:
        raise typer.Exit(0) from None
    except Exception as error:
        _explain(error, json)


def _explain(error: Exception, json: bool) -> NoReturn:
    from durability.study import StudyError

    if isinstance(error, StudyError):
        if json:
            print_json({"problems": [p.to_dict() for p in error.problems]})
        print_problems(error.problems)
        raise typer.Exit(BAD_INPUT) from None
    from durability.laws import ExpressionError, LawError
    from durability.report import FitFailed, ResultsFolderError
    from durability.translation import TranslationRefused
    from durability.units import UnitError

    if isinstance(error, FitFailed):
        if json:
            print_json({"error": str(error)})
        print(f"error: {error}\nNothing was written; the earlier results are untouched.",
              file=sys.stderr)  # fmt: skip
        raise typer.Exit(FIT_FAILED) from None
    known = (
        LookupError,
        UnitError,
        LawError,
        ExpressionError,
        ResultsFolderError,
        TranslationRefused,
    )
    if isinstance(error, known) or type(error) is ValueError:
        text = str(error.args[0]) if error.args else str(error)
        if json:
            print_json({"error": text})
        print(f"error: {text}", file=sys.stderr)
        raise typer.Exit(BAD_INPUT) from None
    raise error


def _keep(document: Any, out: Path | None) -> None:
    if out is not None:
        try:
            text = json_module.dumps(document, indent=1, ensure_ascii=False, allow_nan=False)
            out.write_text(text + "\n", encoding="utf-8")
        except OSError as error:
            raise ValueError(f"{out.name} cannot be written ({error.strerror})") from error


def main() -> None:
    """The entry point of the command."""
    app()


if __name__ == "__main__":
    main()
