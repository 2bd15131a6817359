"""Does a study of strips in the open alone answer in days, as plain recomputing does?

Plant-fibre geotextiles that lay outdoors (source in the reference folder, which also says that the
weather beside them is invented, so no dose is taken from it). They may not be shipped: the tests
are skipped where they are absent. Half-lives and ratios: numpy and scipy, in answers.json there.
"""

from __future__ import annotations

import csv
import json

import numpy as np
import pytest

from durability.inference import Sampler, fit
from durability.inference.hindcast import hindcast
from durability.study import StudyError, read_study
from durability.translation import TranslationRefused, translate

TREATMENTS = ("T0", "T1", "T2", "T3")
STUDY = """\
[study]
title = "Cords outdoors"
property = "force"
unit = "N"
thresholds = [0.5]
[data]
specimens = "specimens.csv"
[exposures.yard]
lamp = "outdoor"
axis = "days"
"""


def rows(path):
    lines = path.read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def folder_of(folder, table, value, materials, extra=""):
    text = STUDY + extra + "".join(f"[materials.{m}]\n" for m in materials)
    (folder / "study.toml").write_text(text)
    lines = ["material,exposure,dose,specimen,strength"]
    for r in table:
        if r[value].strip():
            cells = r["treatment"], "yard", r["days"], r["specimen"], r[value]
            lines.append(",".join(cells))
    (folder / "specimens.csv").write_text("\n".join(lines) + "\n")
    return folder


@pytest.fixture(scope="module")
def puncture(reference, tmp_path_factory):
    table = rows(reference("retention/outdoor_treatments_puncture.csv"))
    folder = tmp_path_factory.mktemp("puncture")
    study = read_study(folder_of(folder, table, "peak_force [N]", TREATMENTS))
    return fit(study, law="exponential", sampler=Sampler(chains=2, draws=500), seed=1)


def half(seen, material):
    return seen.threshold_draws(0.5, of="mean", material=material, direction="", exposure="yard")


def test_half_lives_in_days_agree_with_least_squares(puncture, reference):
    """A fifth is allowed: without unexposed strips the start has a prior about what the first
    withdrawal showed, which lies below it, and the mean is that of lots, of which one was seen."""
    answers = json.loads(reference("retention/answers.json").read_text(encoding="utf-8"))
    for material in TREATMENTS:
        wanted = answers["outdoor_treatments_puncture"][material]["exponential"]
        draws = half(puncture, material)
        low, middle, high = np.quantile(draws, [0.025, 0.5, 0.975])
        assert middle == pytest.approx(wanted["half"], rel=0.2)
        assert low < wanted["half"] < high


def test_statements_are_in_days_and_say_that_no_unexposed_strips_were_tested(puncture):
    said = puncture.threshold_dose(0.5, of="mean", material="T0")[0]
    assert said.unit == "days" and "no_unexposed_strips" in said.flags


def test_days_somewhere_else_are_refused_and_so_is_a_hindcast(puncture):
    with pytest.raises(TranslationRefused, match="outdoors"):
        translate(puncture, site="miami")
    with pytest.raises(StudyError) as refused:
        hindcast(puncture.study)
    assert "names its site" in refused.value.problems[0].expected


def test_strips_at_a_named_site_without_a_lamp_still_answer_in_their_days(reference, tmp_path):
    """The site is a stand-in: where these cords lay is not known."""
    table = rows(reference("retention/alkali_outdoor_strips.csv"))
    folder = folder_of(tmp_path, table, "force_per_diameter [N/mm]", TREATMENTS)
    toml = (folder / "study.toml").read_text()
    placed = toml.replace('axis = "days"', 'site = "miami"\nlaid = 2031-05-14')
    (folder / "study.toml").write_text(placed.replace('unit = "N"', 'unit = "N/mm"'))
    study = read_study(folder)
    assert study.exposures["yard"].dose_unit == "days"
    seen = fit(study, law="exponential", sampler=Sampler(chains=2, draws=300), seed=1)
    assert 30 < np.median(half(seen, "T0")) < 150
    with pytest.raises(StudyError) as refused:
        hindcast(study)
    assert "under a lamp" in refused.value.problems[0].expected
