"""Every number of the trade says how sure it is and where it comes from."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import numpy
import pytest

from durability import catalogue
from durability.exposure import (
    Assumption,
    material_assumptions,
    read_lamp,
    translation_assumptions,
)
from durability.exposure.assumption import assumption

MODELS = catalogue.models_folder()
FILES = sorted(
    [*MODELS.glob("lamps/*.toml"), *MODELS.glob("materials/*.toml"), MODELS / "translation.toml"]
)
SETTINGS = ("cycle",)


def faults(content: dict[str, Any], inherited: bool = False) -> list[str]:
    """What breaks the rule: a bare number, or a number without source or spread."""
    found = []
    for key, value in content.items():
        if key in SETTINGS:
            if "source" not in content:
                found.append(f"{key} without source")
        elif isinstance(value, dict) and "value" in value:
            if not str(value.get("source", "")).strip():
                found.append(f"{key} without source")
            is_spread = key.endswith("uncertainty")
            if not is_spread and not ({"sd", "log_sd"} & set(value)):
                found.append(f"{key} without spread")
        elif isinstance(value, dict):
            found += [f"{key}.{f}" for f in faults(value)]
        elif isinstance(value, int | float) and not isinstance(value, bool):
            found.append(f"{key} is a bare number")
    return found


@pytest.mark.parametrize("file", FILES, ids=lambda f: f.stem)
def test_every_number_of_a_model_file_has_source_and_spread(file: Path) -> None:
    with open(file, "rb") as stream:
        assert faults(tomllib.load(stream)) == []


@pytest.mark.parametrize(
    "content",
    [
        {"x": 1.0},
        {"x": {"value": 1.0, "sd": 0.1}},
        {"x": {"value": 1.0, "source": "a table"}},
        {"x": {"value": 1.0, "sd": 0.1, "source": "  "}},
        {"group": {"x": 2}},
        {"cycle": [{"minutes": 90}]},
    ],
)
def test_the_rule_finds_numbers_without_source_or_spread(content: dict[str, Any]) -> None:
    assert faults(content)


def test_a_lamp_set_point_has_an_uncertainty() -> None:
    for name in catalogue.names("lamps"):
        assert 0 < read_lamp(name).irradiance_uncertainty < 0.5


def test_a_lamp_is_named_like_its_file() -> None:
    for name in catalogue.names("lamps"):
        assert read_lamp(name).name == name
    for kind in ("materials", "sites"):
        for name in catalogue.names(kind):
            assert catalogue.read(kind, name)["name"] == name


def test_every_polymer_has_activation_energy_reciprocity_exponent_and_action_slope() -> None:
    for name in catalogue.names("materials"):
        found = material_assumptions(name)
        assert set(found) == {"activation_energy", "reciprocity_exponent", "action_slope"}
        assert found["activation_energy"].unit == "kJ/mol"
    assert material_assumptions(None) == material_assumptions("unknown")


def test_translation_always_carries_a_wide_lab_to_sky_discrepancy() -> None:
    found = translation_assumptions()["lab_to_sky"]
    assert found.log_sd is not None and 0.3 <= found.log_sd <= 0.5


def test_draws_have_the_mean_and_spread_stated() -> None:
    draws = Assumption(name="x", value=5.0, sd=2.0).draws(40_000, numpy.random.default_rng(3))
    assert draws.mean() == pytest.approx(5.0, abs=0.04)
    assert draws.std() == pytest.approx(2.0, abs=0.04)


def test_lognormal_draws_have_the_median_and_log_spread_stated() -> None:
    drawn = Assumption(name="x", value=1.0, log_sd=0.4).draws(40_000, numpy.random.default_rng(3))
    assert numpy.log(drawn).mean() == pytest.approx(0.0, abs=0.01)
    assert numpy.log(drawn).std() == pytest.approx(0.4, abs=0.01)


def test_draws_stay_inside_the_limits_without_piling_up_on_them() -> None:
    a = Assumption(name="p", value=0.9, sd=0.1, low=0.5, high=1.0)
    draws = a.draws(20_000, numpy.random.default_rng(4))
    assert draws.min() >= 0.5 and draws.max() <= 1.0
    assert (draws == 1.0).mean() < 0.001


@pytest.mark.parametrize("gone", ["value", "sd", "source"])
def test_a_table_without_value_spread_or_source_is_refused(gone: str) -> None:
    table = {"value": 1.0, "sd": 0.1, "source": "a table"}
    del table[gone]
    with pytest.raises(ValueError, match=gone):
        assumption("x", table)


def test_every_caution_given_is_explained() -> None:
    import re

    import durability.exposure

    folder = Path(durability.exposure.__file__).parent
    text = "".join(f.read_text(encoding="utf-8") for f in folder.glob("*.py"))
    named = set(re.findall(r'name="([a-z]+(?:_[a-z]+)+)"', text))
    named |= set(re.findall(r'(?:notes\.append\(|notes = \()\s*\("(\w+)"', text))
    assert named == set(durability.exposure.FLAGS)
