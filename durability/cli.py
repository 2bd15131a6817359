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
    print_cautions,
    print_cover,
    print_json,
    print_law,
    print_laws,
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
    """Problems and cautions of the folder, those of its lamps and chamber records included."""
    from durability.exposure import delivery_cautions, with_doses
    from durability.study import StudyError, check_study

    try:
        read = with_doses(_read(folder))
        return [], [*read.cautions, *delivery_cautions(read)]
    except StudyError as error:
        return list(error.problems), check_study(folder)[1]


@app.command(epilog="Example:  durability retention examples/quarry-cover --level 0.9")
def retention(
    study: Folder,
    level: Level = None,
    json: Json = False,
    quiet: Quiet = False,
    out: File = None,
) -> None:
    """Strength and retained strength of every group of strips, with intervals."""
    with _errors(json):
        from durability.retention import retention_table
        from durability.study import read_study

        read = read_study(study)
        rows = retention_table(read, level=level or read.question.level)
        statements = read.retention(level)
        document = {"table": rows, "statements": statements.to_list()}
        _keep(document, out)
        if json:
            print_json(document)
            return
        print(f"{read.title}{'  [invented data]' if read.invented else ''}")
        percent = f"{100 * (level or read.question.level):g} %"
        print(f"{read.property}; intervals are {percent} confidence intervals\n")
        columns = ("material", "lot", "direction", "exposure", "dose", "n", "mean", "cv", "left")
        print_table([*columns, "remarks"], [shown(row) for row in rows])
        if not quiet:
            print_cautions(read.cautions)


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
        from durability.report import report as run
        from durability.report import unchanged_report

        read = _read(study)
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
            metavar="[show] [NAME]",
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

    if isinstance(error, FitFailed):
        if json:
            print_json({"error": str(error)})
        print(f"error: {error}\nNothing was written; the earlier results are untouched.",
              file=sys.stderr)  # fmt: skip
        raise typer.Exit(FIT_FAILED) from None
    known = (LookupError, LawError, ExpressionError, ResultsFolderError, TranslationRefused)
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
