"""Do raw files of testing machines read to the last digit? Peaks of the authors' own tables.

Shipped curves: data/curves, licence CC BY 4.0, source in SOURCE.md there. Energies and counts of
points: recomputed independently with numpy. The others are read from a reference folder that may
not ship, and skipped where it is absent.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from durability.retention import read_curve, reduce_curve

HERE = Path(__file__).parent / "data" / "curves"
SHIPPED = {  # peak [N], extension there [mm], energy to peak [J], points kept
    "cycles010_strip1.xlsx": (675.88, 2.774, 1.075278, 407),
    "cycles010_strip4.xlsx": (387.858, 14.174, 1.0595121, 2952),
    "cycles020_strip1.txt": (258.572, 3.154, 0.33004437, 1961),
    "cycles030_strip4.txt": (401.935, 26.521, 2.9067193, 2647),
}
CURVES = "retention/curves/"
OTHERS = (
    "cycles010_strip2.xlsx", "cycles030_strip1.txt", "cycles030_strip2.txt",
    "cycles030_strip3.txt", "cycles110_strip4.xlsx", "cycles120_strip1.xlsx",
    "cycles120_strip3.xlsx", "outdoor_T0_days030_specimen2.csv",
    "outdoor_T1_days090_specimen3.csv", "outdoor_T2_days090_specimen2.csv",
    "outdoor_T3_days060_specimen3.csv",
)  # fmt: skip


@pytest.mark.parametrize("name", SHIPPED)
def test_peak_extension_and_energy_of_real_curves(name):
    peak, extension, energy, points = SHIPPED[name]
    curve = read_curve(HERE / name)
    strip = reduce_curve(curve)
    assert (strip.peak_force, strip.extension_at_peak) == (peak, extension)
    assert strip.energy_to_peak == pytest.approx(energy, rel=1e-7)
    assert curve.force.size == points


@pytest.mark.parametrize("name", OTHERS)
def test_every_other_machine_file_gives_the_printed_peak(name, reference):
    answers = json.loads(reference("retention/answers.json").read_text(encoding="utf-8"))
    answer = answers["curves"][name]
    curve = read_curve(reference(CURVES + name))
    strip = reduce_curve(curve, gauge_length=answer.get("gauge_mm"), slack="none")
    assert strip.peak_force == answer["peak_force_N"]
    at = answer.get("displacement_at_peak_mm", answer.get("extension_at_peak_mm"))
    assert strip.extension_at_peak == at
    assert strip.energy_to_peak == pytest.approx(answer["energy_to_peak_J_trapezoid"], rel=1e-7)
    if "preamble_peak_force_N" in answer:
        forces = [s.number for s in curve.stated if s.unit == "N"]
        assert answer["preamble_peak_force_N"] in forces
        assert "stated_differs" not in strip.flags
        # the file prints five decimals of the strain
        assert strip.strain_at_peak == pytest.approx(answer["strain_at_peak"], abs=1e-5)


def test_a_summary_line_below_the_table_is_no_point_and_is_told():
    curve = read_curve(HERE / "cycles010_strip1.xlsx")
    assert len(curve.left_out) == 1 and "summary" in curve.left_out[0]
    assert curve.force[-1] != curve.peak_force


def test_zero_drift_toe_slip_and_steps_back_of_real_curves_are_shown():
    def flags(name: str) -> set[str]:
        return set(reduce_curve(read_curve(HERE / name)).flags)

    assert flags("cycles010_strip1.xlsx") == {"went_back"}
    assert flags("cycles010_strip4.xlsx") == {"toe"}
    assert flags("cycles030_strip4.txt") >= {"zero_off", "slipped"}
