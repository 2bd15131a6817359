"""Real tables that are known to be damaged, and their sound counterparts, as check sees them.

The tables are described in the README beside them in the reference folder. Those without a licence
are read from there and are never copied.
"""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from durability.study import check_study

DAMAGE = {
    "repeated_force", "last_value_repeated", "constant_multiple", "scatter_too_small",
    "decimal_slip", "blanks_where_little_is_left", "force_width_strength_disagree",
}  # fmt: skip


@pytest.fixture
def as_study(tmp_path):
    """Lays a table of the reference folder out as a study; every column is taken as it stands."""

    def build(table: Path, *, value: str, header: str, unit: str, place: str, group: str | None,
              extra: dict[str, str] | None = None) -> Path:  # fmt: skip
        lines = [t for t in table.read_text(encoding="utf-8").splitlines() if t[:1] != "#"]
        rows = list(csv.DictReader(lines))
        names = list(dict.fromkeys(r[group] if group else "cord" for r in rows))
        materials = "".join(f"[materials.{n}]\n" for n in names)
        (tmp_path / "study.toml").write_text(
            f'[study]\ntitle = "t"\nproperty = "p"\nunit = "{unit}"\nthresholds = [0.5]\n'
            f'[data]\nspecimens = "s.csv"\n[exposures.E]\naxis = "{place}"\n{materials}'
        )
        with open(tmp_path / "s.csv", "w", newline="", encoding="utf-8") as stream:
            write = csv.writer(stream)
            write.writerow(["material", "exposure", "dose", "specimen", header, *(extra or {})])
            for r in rows:
                name = r[group] if group else "cord"
                more = [r[column] for column in (extra or {}).values()]
                write.writerow([name, "E", r[place], r["specimen"], r[value], *more])
        return tmp_path

    return build


def damage(folder: Path) -> dict[str, list]:
    problems, cautions = check_study(folder)
    assert problems == []
    found: dict[str, list] = {}
    for caution in cautions:
        if caution.name in DAMAGE:
            found.setdefault(caution.name, []).append(caution)
    return found


def test_the_column_that_slipped_by_a_row_is_seen_at_its_repeated_end(reference, as_study):
    """In T0 the first value is gone, the others stand a row too high, the last is there twice."""
    folder = as_study(
        reference("retention/alkali_outdoor_strips.csv"), value="force_per_diameter [N/mm]",
        header="strength [N/mm]", unit="kN/m", place="days", group="treatment",
    )  # fmt: skip
    found = damage(folder)
    (caution,) = found.pop("last_value_repeated")
    assert caution.rows == (18, 19)  # T0, 180 days, specimens 2 and 3
    assert "material T0" in caution.text and "slipped by a row" in caution.text
    assert found == {}


def test_the_same_cords_in_the_sound_table_raise_no_suspicion(reference, as_study):
    folder = as_study(
        reference("retention/outdoor_treatments_strips.csv"), value="peak_force [N]",
        header="peak_force [N]", unit="N", place="days", group="treatment",
    )  # fmt: skip
    assert damage(folder) == {}


def test_an_extension_typed_among_the_stresses_leaves_the_constant_ratio(reference, as_study):
    """The workbook of the cords held an extension in one cell of the stress (T2, 90 days, no. 2).

    The table was mended for that cell; it is spoilt again here.
    """
    folder = as_study(
        reference("retention/outdoor_treatments_strips.csv"), value="stress_at_peak [MPa]",
        header="strength [MPa]", unit="MPa", place="days", group="treatment",
        extra={"peak_force [N]": "peak_force [N]"},
    )  # fmt: skip
    assert damage(folder) == {}
    lines = (folder / "s.csv").read_text().splitlines()
    at = next(i for i, t in enumerate(lines) if t.startswith("T2,E,90,2,"))
    cells = lines[at].split(",")
    cells[4] = "15.325"
    (folder / "s.csv").write_text("\n".join([*lines[:at], ",".join(cells), *lines[at + 1 :]]))
    (caution,) = damage(folder)["constant_multiple"]
    assert caution.rows == (at + 1,) and "strength [MPa]" in caution.text


def test_the_copied_row_of_the_uv_strips_is_seen(reference, as_study):
    """60 cycles no. 1 and 120 cycles no. 3 hold the same force, 553.448 N, and share one curve."""
    folder = as_study(
        reference("retention/uv_cycles_strips.csv"), value="peak_force [N]",
        header="peak_force [N]", unit="N", place="cycles", group=None,
    )  # fmt: skip
    found = damage(folder)
    (caution,) = found.pop("repeated_force")
    lines = (folder / "s.csv").read_text().splitlines()
    assert [lines[row - 1].split(",")[2:4] for row in caution.rows] == [["60", "1"], ["120", "3"]]
    assert found == {}


def test_blanks_of_the_puncture_table_gather_at_the_last_level(reference, as_study):
    """Three values of 216 are marked X in the source, all at 180 days."""
    folder = as_study(
        reference("retention/outdoor_treatments_puncture.csv"), value="peak_force [N]",
        header="peak_force [N]", unit="N", place="days", group="treatment",
    )  # fmt: skip
    found = damage(folder)
    (caution,) = found.pop("blanks_where_little_is_left")
    assert len(caution.rows) == 3 and "180" in caution.text
    assert found == {}


def test_two_exchanged_rows_are_told_from_the_peaks_of_their_real_curves(reference, tmp_path):
    """The machine files agree with the table to the last digit; then two forces are exchanged."""
    from durability.retention import with_strength
    from durability.study import read_study

    table = reference("retention/uv_cycles_strips.csv").read_text(encoding="utf-8").splitlines()
    force = {
        (r["cycles"], r["specimen"]): r["peak_force [N]"]
        for r in csv.DictReader(t for t in table if t[:1] != "#")
    }
    curves = sorted(reference("retention/curves").glob("cycles*"))
    (tmp_path / "curves").mkdir()
    (tmp_path / "study.toml").write_text(
        '[study]\ntitle = "t"\nproperty = "p"\nunit = "N"\nthresholds = [0.5]\n'
        '[data]\nspecimens = "s.csv"\ncurves = "curves"\n[exposures.UV]\naxis = "cycles"\n'
        '[materials.M]\n[tensile]\ngauge_length = "200 mm"\n'
    )
    lines = ["material,exposure,dose,specimen,peak_force [N],curve"]
    for path in curves:
        (tmp_path / "curves" / path.name).write_bytes(path.read_bytes())
        cycles, strip = str(int(path.stem[6:9])), path.stem[-1]
        lines.append(f"M,UV,{cycles},{strip},{force[cycles, strip]},{path.name}")

    def unlike(rows: list[str]) -> list:
        (tmp_path / "s.csv").write_text("\n".join(rows))
        study = with_strength(read_study(tmp_path))
        return [c for c in study.cautions if c.name == "peak_unlike_curve"]

    assert unlike(lines) == []
    first, second = lines[1].split(","), lines[2].split(",")
    first[4], second[4] = second[4], first[4]
    found = unlike([lines[0], ",".join(first), ",".join(second), *lines[3:]])
    assert [c.row for c in found] == [2, 3]
    assert f"which is the peak of curves/{curves[1].name}" in found[0].text
