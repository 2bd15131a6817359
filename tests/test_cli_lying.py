"""What is said of fabric in the open: one group of options, on every command that reads a sky."""

from __future__ import annotations

import pytest
from typer.testing import CliRunner

from durability.cli import app
from durability.cli.lying import Lying
from durability.study import read_study

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
    left_out = {"exposed": {"--laying", "--light"}, "map": {"--measured-uv"}}
    assert {o for o in GROUP if f"{o} " not in shown} == left_out.get(command, set())


def test_one_measured_total_is_not_given_to_several_places():
    study, total = read_study("examples/quarry-cover"), "318 MJ/m^2 in 300-400 nm"
    with pytest.raises(ValueError, match="2 sites are asked for"):
        Lying(site=["miami", "phoenix"], measured_uv=total).sites(study)
    assert Lying(site=["miami"], measured_uv=total).sites(study)[0].uv_total is not None


def test_an_action_spectrum_that_is_no_file_is_named():
    from types import SimpleNamespace

    made = SimpleNamespace(study=read_study("examples/quarry-cover"))
    with pytest.raises(ValueError, match='"wobbly" is no file; expected exponential, none'):
        Lying(action_spectrum="wobbly").fit(made)  # type: ignore[arg-type]
