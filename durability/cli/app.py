"""The program, and what every command does alike: read, keep, and tell errors in words.

Exit status: 0 done, 2 bad input, 3 a fit missed its diagnostics, 130 interrupted.
"""

from __future__ import annotations

import json as json_module
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Any, NoReturn

import typer

from durability.cli.groups import Sectioned, grouped
from durability.terminal import print_json, print_problems

BAD_INPUT, FIT_FAILED, INTERRUPTED = 2, 3, 130


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


def command(
    name: str | None = None, *, epilog: str
) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """A command of the program, with the options of the groups among its parameters."""

    def added(function: Callable[..., None]) -> Callable[..., None]:
        app.command(name, cls=Sectioned, epilog=epilog)(grouped(function))
        return function

    return added


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


@contextmanager
def errors_in_words(json: bool) -> Iterator[None]:
    """Errors a user can mend become words and an exit status; anything else is a fault of ours."""
    try:
        yield
    except KeyboardInterrupt:
        words = (
            "interrupted; the earlier results are untouched, and chains that were finished are kept"
        )
        print(words, file=sys.stderr)
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


def keep(document: Any, out: Path | None) -> None:
    if out is not None:
        try:
            text = json_module.dumps(document, indent=1, ensure_ascii=False, allow_nan=False)
            out.write_text(text + "\n", encoding="utf-8")
        except OSError as error:
            raise ValueError(f"{out.name} cannot be written ({error.strerror})") from error
