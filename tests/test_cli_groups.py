"""Options in groups: a command names a group and gets what was said as one."""

from __future__ import annotations

import inspect
from dataclasses import dataclass
from typing import Annotated, ClassVar

import pytest
import typer
from typer.testing import CliRunner

from durability.cli import app
from durability.cli.groups import Group, Sectioned, grouped, without
from durability.cli.lying import Lying
from durability.cli.options import Fitting

FITTED = (
    "fit", "model", "priors", "foretell", "translate", "cover", "exposed", "equivalent", "map",
    "measure-next", "hindcast", "lab-to-sky", "compare", "plan", "go-on", "report", "batch",
    "quote", "figures",
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Tea(Group):
    heading: ClassVar[str] = "Which tea"

    sugar: Annotated[int, typer.Option("--sugar", help="Lumps.")] = 1
    milk: Annotated[bool, typer.Option("--milk", help="White.")] = False


SEEN: list[tuple[str, Tea, bool]] = []


def brew(pot: str, *, tea: Annotated[Tea, without("milk")], now: bool = False) -> None:
    SEEN.append((pot, tea, now))


def asked(*words):
    SEEN.clear()
    program = typer.Typer(rich_markup_mode=None)
    program.command(cls=Sectioned)(grouped(brew))
    return CliRunner().invoke(program, words), SEEN


def test_a_command_gets_what_was_said_as_one_and_the_rest_at_its_default():
    done, seen = asked("brown", "--sugar", "3", "--now")
    assert done.exit_code == 0, done.output
    assert seen == [("brown", Tea(sugar=3, milk=False), True)]


def test_an_option_that_a_command_leaves_out_is_not_known():
    done, seen = asked("brown", "--milk")
    assert done.exit_code == 2 and not seen
    assert "No such option" in done.stderr


def test_help_shows_a_group_under_its_heading_after_the_commands_own():
    shown = asked("--help")[0].stdout
    parts = [shown.index(w) for w in ("Arguments:", "Options:", "--now", "Which tea:", "--sugar")]
    assert parts == sorted(parts)
    assert "--milk" not in shown


def test_the_groups_of_one_command_share_no_name():
    from durability.cli.options import Asked, Number, Told

    def names(kind):
        return set(inspect.signature(kind).parameters)

    assert not names(Fitting) & names(Lying) and not names(Fitting) & names(Asked)
    assert not names(Lying) & names(Asked) and not names(Fitting) & names(Number)
    assert not names(Told) & (names(Fitting) | names(Lying) | names(Asked) | names(Number))


@pytest.mark.parametrize("command", FITTED)
def test_every_command_that_fits_takes_the_choices_of_the_model(command):
    shown = CliRunner().invoke(app, [command, "--help"]).stdout
    choices = ("--shape", "--spread", "--covariate", "--pool", "--prior-from", "--power")
    assert [c for c in choices if f"{c} " not in shown] == []
