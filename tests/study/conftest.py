"""A small valid study folder that each test spoils in its own way."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

STUDY = """\
[study]
title = "Two liners"
property = "strip tensile strength"
unit = "kN/m"
thresholds = [0.5]
invented = true

[data]
specimens = "specimens.csv"

[exposures.X1]
lamp = "xenon-daylight"
irradiance = "0.35 W/m^2/nm"
irradiance_uncertainty = "5 %"
cycle = [
  { minutes = 90, light = true, black_panel = "65 degC", humidity = "50 %" },
  { minutes = 30, light = true, spray = true },
]

[exposures.turns]
axis = "cycles"

[materials.A]
polymer = "polypropylene"
[materials.A.covariates]
loading = "0.3 %"

[materials.B]
polymer = "polyester"
"""

SPECIMENS = """\
material,lot,direction,exposure,hours,specimen,peak_force [N],width [mm],censored,break_at,excluded
A,L1,machine,X1,0,1,1003.1,50,,,
A,L1,machine,X1,0,2,998.4,50,,,
A,L1,machine,X1,0,3,1011.9,50,,gauge,
A,L1,machine,X1,500,1,751.2,50,,,
A,L1,machine,X1,500,2,748.8,50,,,
A,L1,machine,X1,500,3,733.3,50,,,
A,L1,machine,X1,1000,1,402.7,50,,,
A,L1,machine,X1,1000,2,15,50,below,,
A,L1,machine,X1,1000,3,391.6,50,,jaw,
B,L2,cross,X1,0,1,803.1,50,,,
B,L2,cross,X1,0,2,798.4,50,,,
B,L2,cross,X1,0,3,811.9,50,,,slipped in the grip
B,L2,cross,X1,500,1,650.5,50,,,
B,L2,cross,X1,500,2,649.6,50,,,
B,L2,cross,X1,500,3,,50,,,
"""

CHAMBER = """\
time,irradiance [W/m^2/nm],black_panel [degC],air [degC],humidity [%],light
2031-05-14T08:00,0.35,65,40,50,1
2031-05-14T08:30,0.34,65,40,51,1
2031-05-14T09:00,0.36,64,40,49,1
2031-05-14T09:30,0.35,40,30,95,0
"""


@dataclass(frozen=True)
class Folder:
    """A study folder on disk."""

    path: Path

    def write(self, name: str, content: str | bytes) -> Folder:
        """Write one file."""
        data = content.encode() if isinstance(content, str) else content
        (self.path / name).write_bytes(data)
        return self

    def change(self, name: str, old: str, new: str) -> Folder:
        """Replace the only place where `old` stands."""
        text = (self.path / name).read_text()
        assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times in {name}"
        return self.write(name, text.replace(old, new))


@pytest.fixture
def make(tmp_path: Path) -> Callable[..., Folder]:
    """Makes a valid folder; keyword arguments replace study.toml or specimens.csv."""

    def build(study: str = STUDY, specimens: str | bytes = SPECIMENS, name: str = "s") -> Folder:
        path = tmp_path / name
        path.mkdir()
        return Folder(path).write("study.toml", study).write("specimens.csv", specimens)

    return build


@pytest.fixture
def folder(make: Callable[..., Folder]) -> Folder:
    """The valid folder."""
    return make()


@pytest.fixture
def chamber() -> str:
    """A valid chamber record as text."""
    return CHAMBER
