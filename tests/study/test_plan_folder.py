"""A new folder reads once strengths are filled in, and nothing that was there is touched."""

from __future__ import annotations

import csv
import datetime
import zoneinfo
from pathlib import Path

import numpy
import pytest

from durability.study import check_study, read_study
from durability.study.calendar import calendar_file, calendar_page, starting, withdrawals
from durability.study.new import new_study
from durability.study.plan import Design, lots_of, plan

START = datetime.datetime(2031, 5, 14, 8, 30)
DESIGN = Design(
    materials=("A", 'B "second"'), lots=(("A1", "A2"), ("B1", "B2")), hours=(150.0, 300.0, 500.0)
)


def filled(folder: Path, *, seed: int = 1) -> None:
    """Break every strip: A loses half its strength in 500 h, B in 250 h."""
    generator = numpy.random.default_rng(seed)
    with open(folder / "specimens.csv", newline="") as stream:
        rows = list(csv.DictReader(stream))
    for row in rows:
        half = 500 if row["material"] == "A" else 250
        left = 0.5 ** (float(row["hours"]) / half)
        row["peak_force [N]"] = f"{900 * left * numpy.exp(0.06 * generator.standard_normal()):.2f}"
        row["width [mm]"] = f"{50 + 0.3 * generator.standard_normal():.1f}"
    with open(folder / "specimens.csv", "w", newline="") as stream:
        writer = csv.DictWriter(stream, rows[0].keys())
        writer.writeheader()
        writer.writerows(rows)


def test_a_filled_folder_reads_and_gives_the_retention_it_was_made_with(tmp_path) -> None:
    new_study(tmp_path / "s", DESIGN, lamp="xenon-daylight", title="Ärger = 1", start=START)
    filled(tmp_path / "s")
    assert check_study(tmp_path / "s")[0] == []
    study = read_study(tmp_path / "s")
    assert study.rows.sizes["row"] == 2 * 2 * 2 * 25
    said = study.retention().where(quantity="retained_strength", material="A")
    last = [s.value for s in said if s.lot and s.dose == pytest.approx(630)]
    assert len(last) == 4
    assert numpy.mean(last) == pytest.approx(0.5, abs=0.03)


def test_an_unfilled_folder_is_read_but_for_its_blank_strengths(tmp_path) -> None:
    new_study(tmp_path / "s", DESIGN, lamp="xenon-daylight", title="t")
    (problem,) = check_study(tmp_path / "s")[0]
    assert "blank" in problem.found


@pytest.mark.parametrize("lamp", ["xenon-window", "fluorescent-uva-340-spray", "xenon-daylight-63"])
def test_an_own_set_point_is_written_with_its_band(tmp_path, lamp) -> None:
    own = {"xenon-window": "1.2 W/m^2/nm", "fluorescent-uva-340-spray": "40 W/m^2"}
    irradiance = own.get(lamp)
    new_study(tmp_path / "s", DESIGN, lamp=lamp, title="t", irradiance=irradiance)
    filled(tmp_path / "s")
    exposure = read_study(tmp_path / "s").exposures["X1"]
    assert exposure.irradiance == {"xenon-window": 1.2, "fluorescent-uva-340-spray": 40.0}.get(
        lamp, 0.35
    )


def test_a_study_in_newtons_asks_for_no_width(tmp_path) -> None:
    new_study(tmp_path / "s", DESIGN, lamp="xenon-daylight", title="t", unit="N")
    header = (tmp_path / "s" / "specimens.csv").read_text().splitlines()[0]
    assert "peak_force [N]" in header and "width" not in header
    with pytest.raises(ValueError, match="force per width"):
        new_study(tmp_path / "z", DESIGN, lamp="xenon-daylight", title="t", unit="MPa")
    assert not (tmp_path / "z").exists()


def test_nothing_that_is_there_is_overwritten(tmp_path) -> None:
    (tmp_path / "specimens.csv").write_text("mine")
    (tmp_path / "notes.txt").write_text("mine too")
    with pytest.raises(ValueError, match=r"already holds specimens.csv"):
        new_study(tmp_path, DESIGN, lamp="xenon-daylight", title="t", start=START)
    assert sorted(f.name for f in tmp_path.iterdir()) == ["notes.txt", "specimens.csv"]
    assert (tmp_path / "specimens.csv").read_text() == "mine"


def test_a_file_in_the_folders_place_is_left(tmp_path) -> None:
    (tmp_path / "s").write_text("mine")
    with pytest.raises(ValueError, match="is a file"):
        new_study(tmp_path / "s", DESIGN, lamp="xenon-daylight", title="t")


def test_the_same_seed_writes_the_same_bytes(tmp_path) -> None:
    for name in ("a", "b"):
        new_study(tmp_path / name, DESIGN, lamp="xenon-daylight", title="t", start=START)
    for file in (tmp_path / "a").iterdir():
        assert file.read_bytes() == (tmp_path / "b" / file.name).read_bytes()


def dates(start: datetime.datetime, hours=(150.0, 300.0, 500.0)):
    made = plan(Design(materials=("A",), lots=(("A1",),), hours=hours))
    return made, withdrawals(made, start, [f"{h * 1.26:g} kJ" for h in hours])


def test_hours_are_counted_through_a_change_of_clocks() -> None:
    # clocks in Lisbon go forward on 30 March 2031 (last Sunday of March): 48 elapsed hours from
    # Saturday 08:00 are Monday 09:00 by the wall
    start = datetime.datetime(2031, 3, 29, 8, tzinfo=zoneinfo.ZoneInfo("Europe/Lisbon"))
    _, (only,) = dates(start, (48.0,))
    assert (only.time.day, only.time.hour) == (31, 9)
    _, (plain,) = dates(start.replace(tzinfo=None), (48.0,))
    assert (plain.time.day, plain.time.hour) == (31, 8)


def test_a_withdrawal_at_night_or_at_the_weekend_is_marked() -> None:
    _, found = dates(START)
    assert [w.out_of_hours for w in found] == [False, True, True]
    _, (saturday,) = dates(datetime.datetime(2031, 5, 16, 9), (24.0,))
    assert saturday.out_of_hours


def test_the_calendar_file_keeps_the_rules_of_rfc_5545() -> None:
    # rules from memory: CR LF, at most 75 octets a line, continuation begins with a blank, each
    # BEGIN has its END, each event UID, DTSTAMP in UTC and DTSTART; text escapes , ; and \
    made, found = dates(START)
    data = calendar_file("Öffnung; eins, zwei\\", made, found)
    assert data.endswith(b"\r\n") and b"\n" not in data.replace(b"\r\n", b"")
    lines = data.split(b"\r\n")
    assert max(len(line) for line in lines) <= 75
    for line in lines:
        line.decode()  # no letter is cut in two
    unfolded = data.replace(b"\r\n ", b"").decode().split("\r\n")
    stack = []
    for line in unfolded:
        name, _, value = line.partition(":")
        if name == "BEGIN":
            stack.append(value)
        if name == "END":
            assert stack.pop() == value
    assert stack == []
    assert unfolded[:2] == ["BEGIN:VCALENDAR", "VERSION:2.0"]
    assert len({x for x in unfolded if x.startswith("UID:")}) == 3
    assert unfolded.count("DTSTART:20310520T143000") == 1
    assert sum(x.startswith("DTSTAMP:") and x.endswith("Z") for x in unfolded) == 3
    summary = next(x for x in unfolded if x.startswith("SUMMARY:"))
    assert summary.startswith("SUMMARY:Öffnung\\; eins\\, zwei\\\\: withdrawal 1\\, 150 h")


def test_a_start_with_a_zone_is_written_in_utc() -> None:
    made, found = dates(datetime.datetime(2031, 5, 14, 8, tzinfo=zoneinfo.ZoneInfo("Asia/Tokyo")))
    assert b"DTSTART:20310520T050000Z" in calendar_file("t", made, found)


def test_the_page_names_every_strip_once_and_escapes_what_users_wrote() -> None:
    made, found = dates(START)
    page = calendar_page("<b>bold</b>", made, found, lamp="x & y")
    assert "<b>bold" not in page and "x &amp; y" in page
    for s in made.strips:
        assert page.count(f"<td>{s.specimen}</td>") == (1 if s.hours else 0)


@pytest.mark.parametrize(
    ("text", "zone"),
    [
        ("soon", None),
        ("", "Europe/Lisbon"),
        ("2031-05-14T08:30", "Nowhere/Town"),
        ("2031-05-14T08:30Z", "Europe/Lisbon"),
        ("0001-01-01", None),
        ("2031-05-14T08:30", "../etc"),
    ],
)
def test_a_start_that_cannot_be_read_is_refused_in_words(text, zone) -> None:
    with pytest.raises(ValueError, match=r"start|zone"):
        starting(text, zone)


def test_a_lot_of_no_product_is_refused() -> None:
    with pytest.raises(ValueError, match="MATERIAL:LOT"):
        lots_of(["A"], ["C:1", "A:", "7741"], 2)
