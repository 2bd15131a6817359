"""Outdoor exposures in study.toml and their dates of laying and withdrawal."""

from __future__ import annotations

import pytest

from durability.study import StudyError, read_study

ROOF = """[exposures.roof]
lamp = "outdoor"
site = "miami"
laid = 2031-05-14
slope = 45

[exposures.turns]"""
HEAD = "material,exposure,hours,dose,laid,withdrawn,specimen,strength\n"


@pytest.fixture
def open_air(folder):
    folder.change("study.toml", "[exposures.turns]", ROOF)
    return folder


def rows_of(folder, text):
    folder.write("specimens.csv", HEAD + text)
    study = read_study(folder.path)
    rows = study.rows
    found = zip(
        rows["exposure"].values.tolist(), rows["dose"].values.tolist(),
        rows["hours"].values.tolist(), strict=True,
    )  # fmt: skip
    return study, list(found)


def test_a_site_counts_days_from_the_day_of_laying(open_air):
    study, found = rows_of(open_air, "A,roof,0,,,,1,20\nA,roof,,30,,,1,15\nA,roof,48,,,,2,19\n")
    roof = study.exposures["roof"]
    assert (roof.site, roof.laid, roof.slope, roof.axis) == ("miami", "2031-05-14", 45.0, "days")
    assert found == [("roof", 0, 0), ("roof", 30, pytest.approx(float("nan"), nan_ok=True)),
                     ("roof", 2, 48)]  # fmt: skip


def test_dates_of_withdrawal_become_days(open_air):
    _, found = rows_of(
        open_air, "A,roof,,,,2031-05-14,1,20\nA,roof,,,,2031-06-13,1,15\nA,roof,,,,2032-05-14,2,9\n"
    )
    assert [d for _, d, _ in found] == [0, 30, 366]
    assert [h for *_, h in found] == [0, 720, 366 * 24]


def test_each_day_of_laying_is_an_exposure_of_its_own(open_air):
    study, found = rows_of(
        open_air,
        "A,roof,0,,,,1,20\nA,roof,,30,,,1,15\nA,roof,,30,2031-11-02,,1,18\n"
        "A,roof,,,2031-11-02,2031-12-02,2,18\n",
    )
    assert [x for x, *_ in found] == ["roof", "roof"] + ["roof laid 2031-11-02"] * 2
    assert found[3][1] == 30
    assert study.exposures["roof laid 2031-11-02"].laid == "2031-11-02"
    assert study.exposures["roof laid 2031-11-02"].slope == 45


def test_without_a_usual_day_only_dated_exposures_are_left(open_air):
    open_air.change("study.toml", "laid = 2031-05-14\n", "")
    study, found = rows_of(open_air, "A,roof,0,,,,1,20\nA,roof,,30,2031-11-02,,1,15\n")
    assert found[0][0] == "" and "roof" not in study.exposures
    assert "roof laid 2031-11-02" in study.exposures


@pytest.mark.parametrize(
    ("where", "before", "after", "column", "expected"),
    [
        ("study.toml", 'site = "miami"', 'site = "mimi"', "exposures.roof.site",
         "a name of models/sites, or a file in the study folder"),
        ("study.toml", 'site = "miami"\n', "", "exposures.roof.site", "a site beside laid"),
        ("study.toml", "slope = 45", "slope = 95", "exposures.roof.slope",
         "degrees from the horizontal, 0 to 90"),
        ("study.toml", "slope = 45", 'slope = 45\naxis = "cycles"', "exposures.roof.axis",
         "days, or another unit of time"),
        ("study.toml", "slope = 45", 'slope = 45\nirradiance = "1 W/m^2/nm"',
         "exposures.roof.irradiance", "no irradiance beside a site, whose weather supplies light"
         " and heat"),
        ("study.toml", "laid = 2031-05-14", 'laid = "14.5.2031"', "exposures.roof.laid",
         "the day of laying, such as 2031-05-14"),
        ("study.toml", 'lamp = "xenon-daylight"', 'lamp = "xenon-daylight"\nlaid = 2031-05-14',
         "exposures.X1.laid", 'laid only where lamp = "outdoor"'),
        ("specimens.csv", "A,roof,,30,,", "A,roof,,30,14/5/2031,", "laid",
         "a date in ISO 8601, such as 2031-05-14"),
        ("specimens.csv", "A,roof,,30,,,", "A,roof,,,,2031-05-13,", "withdrawn",
         "a day no earlier than the day of laying"),
        ("specimens.csv", "A,roof,,30,,,", "A,roof,,30,,2031-05-19,", "withdrawn",
         "a date of withdrawal, or hours or a dose, not both"),
        ("specimens.csv", "A,roof,,30,,,", "A,X1,,30,2031-05-19,,", "laid",
         "a day of laying only for an outdoor exposure that names its site"),
    ],
)  # fmt: skip
def test_problems_say_where_and_what(open_air, where, before, after, column, expected):
    open_air.write("specimens.csv", HEAD + "A,roof,0,,,,1,20\nA,roof,,30,,,1,15\n")
    open_air.change(where, before, after)
    with pytest.raises(StudyError) as refused:
        read_study(open_air.path)
    found = {(p.file, p.column, p.expected) for p in refused.value.problems}
    assert (where, column, expected) in found


def test_strips_in_the_open_need_a_day_of_laying(open_air):
    open_air.change("study.toml", "laid = 2031-05-14\n", "")
    open_air.write("specimens.csv", HEAD + "A,roof,0,,,,1,20\nA,roof,,30,,,1,15\n")
    with pytest.raises(StudyError) as refused:
        read_study(open_air.path)
    assert [(p.row, p.column) for p in refused.value.problems] == [(3, "laid")]
