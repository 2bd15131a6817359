"""An exposure follows a protocol, overrides single values, and knows its sensor's checks."""

from __future__ import annotations

from pathlib import Path

import pytest

from durability.study import StudyError, read_study

STUDY = """
[study]
title = "t"
property = "strength"
unit = "kN/m"
thresholds = [0.5]
[data]
specimens = "s.csv"
[materials.A]
[exposures.X1]
"""
ROWS = "material,exposure,hours,strength [kN/m]\nA,X1,0,10\nA,X1,0,11\nA,X1,500,5\nA,X1,500,6\n"


def exposure(folder: Path, settings: str):
    (folder / "study.toml").write_text(STUDY + settings)
    (folder / "s.csv").write_text(ROWS)
    return read_study(folder).exposures["X1"]


def problems(folder: Path, settings: str) -> list[str]:
    with pytest.raises(StudyError) as caught:
        exposure(folder, settings)
    return [f"{p.column}: {p.expected}" for p in caught.value.problems]


def test_a_protocol_is_a_lamp_by_another_name(tmp_path) -> None:
    by_lamp = exposure(tmp_path, 'lamp = "xenon-daylight"')
    by_protocol = exposure(tmp_path, 'protocol = "xenon-daylight"')
    assert by_protocol.lamp == by_lamp.lamp == "xenon-daylight"
    assert by_protocol.cycle == by_lamp.cycle and by_protocol.irradiance == 0.35


def test_single_values_override_the_dry_light_alone(tmp_path) -> None:
    found = exposure(
        tmp_path, 'protocol = "xenon-daylight"\nblack_panel = "63 degC"\nair = "41 degC"'
    )
    dry, wet = found.cycle
    assert (dry.black_panel, dry.air, dry.humidity) == (63.0, 41.0, 0.5)
    assert wet.black_panel is None


def test_checks_of_the_sensor_are_kept_in_order(tmp_path) -> None:
    found = exposure(
        tmp_path,
        'lamp = "xenon-daylight"\ncalibrations = [{ at = 2031-06-01T08:00:00 }, '
        '{ at = "2031-05-14T10:00+02:00", as_found = 0.97 }]',
    )
    assert [(c.time, c.as_found) for c in found.calibrations] == [
        ("2031-05-14T08:00:00", 0.97),
        ("2031-06-01T08:00:00", None),
    ]


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ('protocol = "xenon-daylight"\nlamp = "xenon-window"', "either a protocol or a lamp"),
        ('protocol = "xenon-dayligth"', "a name of models/lamps"),
        ('lamp = "xenon-daylight"\nblack_panel = "warm"', "a temperature"),
        ('irradiance = "0.35 W/m^2/nm"\nair = "40 degC"', "dry light"),
        (
            'lamp = "xenon-daylight"\nair = "40 degC"\ncycle = [{ minutes = 9, light = true }]',
            "air in each phase",
        ),
        ('lamp = "xenon-daylight"\ncalibrations = [{ at = "spring" }]', "a date"),
        (
            'lamp = "xenon-daylight"\ncalibrations = [{ at = "2031-05-14", as_found = 97.0 }]',
            "true",
        ),
        ('lamp = "xenon-daylight"\ncalibrations = [{ as_found = 0.97 }]', "a date"),
        (
            'lamp = "xenon-daylight"\ncalibrations = [{ at = "2031-05-14", gain = 1.0 }]',
            "known key",
        ),
    ],
)
def test_what_cannot_be_meant_is_refused_in_words(tmp_path, settings, words) -> None:
    found = problems(tmp_path, settings)
    assert any(words in text for text in found), found
