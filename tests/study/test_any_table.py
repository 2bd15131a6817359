"""Any folder is either read or its problems are named; nothing ends in a traceback.

Hypothesis draws tables of every kind, descriptions, spreadsheets and bytes: some near a sound
folder, some far from any.
"""

from __future__ import annotations

import io

import numpy as np
import openpyxl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from durability.study import FLAGS, StudyError, check_study, read_study, write_marked

few = settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
COLUMNS = {
    "specimens": ["strength", "peak_force [N]", "width [mm]", "elongation [%]", "machine",
                  "tested_on", "break_at", "censored", "excluded", "specimen", "value_sd"],
    "summaries": ["mean", "sd", "cv [%]", "se", "n", "censored", "excluded", "value_sd", "dose_sd"],
    "readings": ["value", "value_sd", "specimen", "censored", "excluded", "hours_sd"],
    "inspections": ["fraction", "hours_low", "hours_high", "dose_low", "dose_high", "n",
                    "specimen", "excluded"],
    "declared": ["retained [%]", "strength", "sense", "n"],
}  # fmt: skip
SHARED = ["material", "lot", "direction", "exposure", "hours", "dose [cycles]", "laboratory", "run"]
ODD = ["", "x", "mean [", "[N]", "dose [AFU]", "strength [psi]", "=A1", "µ", "hours"]
NUMBERS = st.one_of(
    st.floats(0.1, 2000).map(lambda v: f"{v:.2f}"),
    st.sampled_from(["0", "20", "20.0", "500", "1e3", "-1", "0.001", "1e300", "1e-300"]),
)
ODDITIES = st.sampled_from(
    ["", "nan", "inf", "1,5", "1.234,5", "=1+1", "#DIV/0!", "n/a", "<20", "5O", "below", "above",
     "jaw", "gauge", "A", "a", "X1", "turns", "machine", "warp", "2031-05-14", "14.05.2031",
     "typical", "minimum", '"', "'", "\t", "µ" * 50, "20 N", "٢٠", "\x1f", "1e999", "-0"]
)  # fmt: skip
CELL = st.one_of(NUMBERS, NUMBERS, NUMBERS, ODDITIES)


@st.composite
def tables(draw, kind: str) -> list[list[str]]:
    """A table near a sound one: known columns, a few odd ones, cells mostly of the right sort."""
    names = draw(st.lists(st.sampled_from([*SHARED, *COLUMNS[kind]]), max_size=6, unique=True))
    names = list(dict.fromkeys(["material", "exposure", COLUMNS[kind][0], *names]))
    if draw(st.booleans()):
        names.append(draw(st.sampled_from(ODD)))
    fixed = {
        "material": st.sampled_from(["A", "A", "A", "B", "C"]),
        "exposure": st.sampled_from(["X1", "X1", "turns", ""]),
        "direction": st.sampled_from(["machine", "cross", ""]),
        "specimen": st.sampled_from(["1", "2", "3", ""]),
        "lot": st.sampled_from(["L1", "L2", ""]),
    }
    rows = draw(
        st.lists(st.tuples(*[fixed.get(n, CELL) for n in names]).map(list), min_size=1, max_size=8)
    )
    return [names, *rows]


def as_text(table: list[list[str]], separator: str) -> str:
    quoted = [['"' + c.replace('"', '""') + '"' if separator in c else c for c in r] for r in table]
    return "\n".join(separator.join(row) for row in quoted)


def read_or_named(folder) -> None:
    """The folder is read as a sound study, or each of its problems is said in full."""
    try:
        study = read_study(folder.path)
    except StudyError as error:
        assert error.problems
        for p in error.problems:
            assert p.file and p.expected and p.mend
            assert "Traceback" not in str(p) and "\n" not in str(p)
    else:
        used = study.rows["used"].values
        strength = study.rows["strength"].values[used]
        assert np.isfinite(strength).all() and (strength > 0).all()
        assert np.isfinite(study.rows["sd"].values[used & (study.rows["sd"].values > 0)]).all()
        assert {c.name for c in study.cautions} <= set(FLAGS)
        assert all(c.text for c in study.cautions)


@pytest.fixture
def fresh(folder):
    """Makes the folder sound again."""
    kept = {p.name: p.read_bytes() for p in folder.path.iterdir()}

    def again():
        for name, data in kept.items():
            folder.write(name, data)
        return folder

    return again


@few
@given(data=st.data())
def test_any_table_of_any_kind_is_read_or_named(fresh, data):
    kinds = data.draw(st.lists(st.sampled_from(list(COLUMNS)), min_size=1, max_size=2, unique=True))
    folder = fresh()
    text = (folder.path / "study.toml").read_text()
    files = "".join(f'{k} = "{k}.csv"\n' for k in kinds)
    folder.write("study.toml", text.replace('specimens = "specimens.csv"\n', files))
    for kind in kinds:
        separator = data.draw(st.sampled_from(",;\t"))
        folder.write(f"{kind}.csv", as_text(data.draw(tables(kind)), separator))
    read_or_named(folder)


@few
@given(data=st.data())
def test_any_spreadsheet_is_read_or_named(fresh, data):
    folder = fresh().change("study.toml", "specimens.csv", "strips.xlsx")
    table = data.draw(tables("specimens"))
    typed = st.one_of(st.floats(), st.integers(-5, 10**12), st.booleans(), st.dates(), st.none())
    book = openpyxl.Workbook()
    page = book.worksheets[0]
    for row in table:
        cells = [c.replace("\x1f", "") for c in row]
        if data.draw(st.integers(0, 3)) == 0:
            cells[data.draw(st.integers(0, len(cells) - 1))] = data.draw(typed)
        page.append([None if c != c else c for c in cells])
    out = io.BytesIO()
    book.save(out)
    folder.write("strips.xlsx", out.getvalue())
    read_or_named(folder)


TOML_LINES = st.sampled_from(
    ["[study]", "[data]", "[question]", "[rules]", "[units]", "[exposures.X1]", "[exposures.X2]",
     "[materials.A]", "[materials]", 'title = "t"', 'unit = "kN/m"', 'unit = "%"', 'unit = ""',
     "thresholds = [0.5]", "thresholds = 1", 'property = "p"', 'changes = "rises"',
     'specimens = "specimens.csv"', "specimens = 1", 'readings = "specimens.csv"', 'axis = "h"',
     'lamp = "outdoor"', "irradiance = true", "cycle = [{}]", "cycle = [1]", "x", "=", "[", '"',
     'required_strength = "1e400 kN/m"', 'control = "dark"', 'of = "X1"', "", "level = 2"]
)  # fmt: skip


@few
@given(lines=st.lists(TOML_LINES, max_size=14))
def test_any_description_is_read_or_named(folder, lines):
    folder.write("study.toml", "\n".join(lines))
    read_or_named(folder)


@settings(few, max_examples=25)
@given(data=st.data())
def test_a_cell_changed_at_random_is_read_or_named_and_marked(fresh, data):
    """A sound table with one cell replaced: whatever is found can be marked in a copy."""
    folder = fresh()
    lines = (folder.path / "specimens.csv").read_text().splitlines()
    row = data.draw(st.integers(0, len(lines) - 1))
    cells = lines[row].split(",")
    cells[data.draw(st.integers(0, len(cells) - 1))] = data.draw(
        st.one_of(CELL, st.text(max_size=12))
    )
    lines[row] = ",".join(cells)
    folder.write("specimens.csv", "\n".join(lines).encode("utf-8", "replace"))
    read_or_named(folder)
    problems, cautions = check_study(folder.path)
    copy = write_marked(folder.path, folder.path.parent / "marked.xlsx", problems, cautions)
    listed = openpyxl.load_workbook(copy).worksheets[0]
    kinds = [listed.cell(r, 2).value for r in range(2, 2 + len(problems) + len(cautions))]
    assert kinds == ["problem"] * len(problems) + ["caution"] * len(cautions)
