"""One group of options for fabric in the open, on every command that reads a sky."""

from __future__ import annotations

import inspect
import json

import pytest
from typer.testing import CliRunner

from durability.cli import app
from durability.cli.lying import Lying, lies_open

COMMANDS = ("translate", "cover", "exposed", "equivalent", "measure-next", "map")
GROUP = (
    "--laying", "--light", "--slope", "--azimuth", "--horizon", "--snow-cover", "--on-ground",
    "--wetness", "--action-spectrum", "--measured-uv",
)  # fmt: skip


def run(*words):
    return CliRunner().invoke(app, [str(w) for w in words])


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_of_a_sky_takes_the_group(command):
    shown = run(command, "--help").stdout
    named = {"--laying", "--light"} if command == "exposed" else set()
    assert {o for o in GROUP if f"{o} " not in shown} == named


def test_a_command_gets_what_was_said_as_one():
    seen = []

    @lies_open("laying")
    def command(study: str, *, lying: Lying, quiet: bool = False) -> None:
        seen.append((study, lying, quiet))

    assert "laying" not in inspect.signature(command).parameters
    assert list(inspect.signature(command).parameters)[:2] == ["study", "light"]
    given = dict.fromkeys(inspect.signature(command).parameters)
    command(**(given | {"study": "S", "slope": 30.0, "light": 0.5, "quiet": True}))
    study, lying, quiet = seen[0]
    assert (study, quiet, lying.slope, lying.where("light")["tilt"]) == ("S", True, 30.0, 30.0)
    assert lying.where()["light"] == 0.5


def test_a_map_refuses_a_total_of_one_place_before_anything_is_fitted():
    found = run("map", "examples/quarry-cover", "--invented", "--measured-uv", "318 MJ/m^2 in "
                "300-400 nm", "--json")  # fmt: skip
    assert found.exit_code == 2
    assert "durability cover STUDY --site SITE" in json.loads(found.stdout)["error"]


def test_one_measured_total_is_not_given_to_several_places():
    asked = Lying(measured_uv="318 MJ/m^2 in 300-400 nm")
    with pytest.raises(ValueError, match="2 sites are asked for"):
        asked.sites(["miami", "phoenix"])
    assert asked.sites(["miami"])[0].uv_total is not None


def test_an_action_spectrum_that_is_no_file_is_named():
    from types import SimpleNamespace

    from durability.study import read_study

    made = SimpleNamespace(study=read_study("examples/quarry-cover"))
    with pytest.raises(ValueError, match='"wobbly" is no file; expected exponential, none'):
        Lying(action_spectrum="wobbly").fit(made)  # type: ignore[arg-type]
