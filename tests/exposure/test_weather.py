"""Weather files of three forms are read alike, and broken ones are refused with reasons."""

from __future__ import annotations

import gzip
from collections.abc import Callable
from pathlib import Path

import numpy
import pandas
import pytest

from durability import catalogue
from durability.exposure import read_site, sites
from durability.exposure.weather_checks import best_offset, solar_cosine
from durability.study.problem import Problem, StudyError

FOLDER = catalogue.models_folder() / "sites"
EPW = FOLDER / "northway_ak_702910_tmy3.epw.gz"
TMY3 = FOLDER / "miami_fl_722020_tmy3.csv.gz"
PVGIS = FOLDER / "po_valley_45N_8E_pvgis_tmy.csv.gz"


def lines(file: Path) -> list[str]:
    return gzip.decompress(file.read_bytes()).decode("latin-1").splitlines(keepends=True)


def problems(path: Path) -> tuple[Problem, ...]:
    with pytest.raises(StudyError) as caught:
        read_site(path)
    return caught.value.problems


@pytest.fixture
def broken(tmp_path: Path) -> Callable[[Path, Callable[[list[str]], list[str]]], Path]:
    def make(file: Path, change: Callable[[list[str]], list[str]]) -> Path:
        path = tmp_path / file.name.removesuffix(".gz")
        path.write_text("".join(change(lines(file))), encoding="latin-1", newline="")
        return path

    return make


@pytest.mark.parametrize("name", catalogue.names("sites"))
def test_a_shipped_site_is_a_whole_year_that_fits_the_sun(name: str) -> None:
    site = read_site(name)
    entry = catalogue.read("sites", name)
    assert site.hourly.sizes["time"] == 8760
    for key in ("latitude", "longitude", "altitude"):
        assert getattr(site, key) == pytest.approx(entry[key], abs=0.01)
    assert abs(best_offset(site.hourly, site.latitude, site.longitude)) <= 10
    said = {c.name for c in site.cautions} - {"snow_not_counted", "monthly_climate"}
    assert said == set()
    assert (site.kind == "monthly") == ("monthly" in entry)
    assert site.typical_year and not site.years
    assert site.source and site.licence
    local = site.hourly["time"].values + numpy.timedelta64(int(site.utc_offset * 60), "m")
    first = (local[0] - numpy.datetime64("2001-01-01")) / numpy.timedelta64(1, "h")
    assert 0 <= first < 1
    assert (numpy.diff(local) == numpy.timedelta64(1, "h")).all()


def test_a_user_file_reads_like_the_shipped_site_plain_or_packed(tmp_path: Path) -> None:
    plain = tmp_path / "weather.txt"
    plain.write_bytes(gzip.decompress(EPW.read_bytes()))
    for path in (plain, EPW):
        site = read_site(path)
        assert site.hourly.equals(read_site("northway").hourly)
        assert site.title == "Northway AP" and site.typical_year


def test_an_accented_place_name_in_latin_1_is_read(broken: Callable[..., Path]) -> None:
    path = broken(EPW, lambda x: [x[0].replace("Northway AP", "Pôle Éloigné"), *x[1:]])
    assert read_site(path).title == "Pôle Éloigné"


def test_a_changed_file_is_read_again(tmp_path: Path) -> None:
    path = tmp_path / "site.csv"
    text = "".join(lines(TMY3))
    path.write_text(text, encoding="latin-1", newline="")
    assert read_site(path).latitude == pytest.approx(25.817)
    path.write_text(text.replace("25.817", "25.9", 1), encoding="latin-1", newline="")
    assert read_site(path).latitude == pytest.approx(25.9)


def test_eleven_months_are_refused_and_the_missing_one_is_named(
    broken: Callable[..., Path],
) -> None:
    def without_november(x: list[str]) -> list[str]:
        return [line for line in x if not line.startswith("11/")]

    (problem,) = problems(broken(TMY3, without_november))
    assert "8040 hours" in problem.found and "November" in problem.found
    assert problem.expected == "the 8760 hours of one year, each once"


def test_a_missing_hour_is_filled_and_said(broken: Callable[..., Path]) -> None:
    site = read_site(broken(EPW, lambda x: x[:4000] + x[4001:]))
    assert site.hourly.sizes["time"] == 8760
    assert "weather_gaps_filled" in [c.name for c in site.cautions]


def test_a_doubled_hour_is_refused(broken: Callable[..., Path]) -> None:
    (twice,) = problems(broken(EPW, lambda x: x[:4000] + x[3999:4000] + x[4001:]))
    assert "1 of them twice" in twice.found


def test_sun_at_night_is_refused(broken: Callable[..., Path]) -> None:
    def other_side(x: list[str]) -> list[str]:
        return [x[0].replace("-80.300", "99.700"), *x[1:]]

    (problem,) = problems(broken(TMY3, other_side))
    assert problem.column == "ghi" and "at night" in problem.found
    assert "longitude" in problem.mend


def test_a_time_zone_off_by_an_hour_is_said(broken: Callable[..., Path]) -> None:
    def wrong_zone(x: list[str]) -> list[str]:
        return [x[0].replace(",-9.0,", ",-8.0,"), *x[1:]]

    site = read_site(broken(EPW, wrong_zone))
    (caution,) = [c for c in site.cautions if c.name == "weather_time_doubtful"]
    assert "+60 min" in caution.text


def test_months_in_which_snow_may_lie_are_named() -> None:
    (caution,) = read_site("northway").cautions
    assert "January" in caution.text and "July" not in caution.text


def test_short_gaps_are_filled_and_said_long_ones_refused(broken: Callable[..., Path]) -> None:
    def gap(length: int) -> Callable[[list[str]], list[str]]:
        def change(x: list[str]) -> list[str]:
            for i in range(3000, 3000 + length):
                cells = x[i].split(",")
                cells[6] = "99.9"
                x[i] = ",".join(cells)
            return x

        return change

    site = read_site(broken(EPW, gap(3)))
    assert [c.name for c in site.cautions] == ["weather_gaps_filled", "snow_not_counted"]
    assert not site.hourly["temp_air"].isnull().any()
    (problem,) = problems(broken(EPW, gap(30)))
    assert problem.column == "temp_air" and "30 hours" in problem.found


def test_everything_wrong_is_said_at_once(broken: Callable[..., Path]) -> None:
    def change(x: list[str]) -> list[str]:
        for i in (3000, 3001):
            cells = x[i].split(",")
            cells[6], cells[21] = "75.0", "120"
            x[i] = ",".join(cells)
        return x[:-25]

    found = problems(broken(EPW, change))
    assert {p.column for p in found} == {None, "temp_air", "wind_speed"}


@pytest.mark.parametrize(
    "content",
    [b"", b"specimen,strength\n1,2\n", b"\x1f\x8b\x08\x00broken", b"\x00\xff\x00\xff"],
    ids=["empty", "another table", "broken packing", "binary"],
)
def test_what_is_no_weather_file_is_refused(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "weather.csv"
    path.write_bytes(content)
    (problem,) = problems(path)
    assert problem.file == "weather.csv" and "EPW" in problem.expected


def test_a_plain_table_is_told_what_makes_it_readable(tmp_path: Path) -> None:
    """What the refusal says to write is then read."""
    path = tmp_path / "weather.csv"
    path.write_text("date,GHI,Temperature\n2026-01-01 00:00,0,2.1\n")
    (problem,) = problems(path)
    parts = problem.mend.replace(" and # ", ", # ").split(" (")[0].split("# ")[1:]
    head = [f"# {x.rstrip(' ,')}" for x in parts]
    columns = problem.mend.split("columns ")[1].rstrip(".")
    stamps = pandas.date_range("2026-01-01", periods=8760, freq="h") + pandas.Timedelta(hours=1)
    middle = (stamps - pandas.Timedelta(hours=1.5)).to_numpy()  # UTC
    sun = 700 * numpy.maximum(solar_cosine(middle, 45.10, 8.30), 0.0)
    rows = [f"{t:%Y-%m-%d %H:%M},{g:.1f},10,2" for t, g in zip(stamps, sun, strict=True)]
    path.write_text("\n".join([*head, columns, *rows]))
    assert read_site(path).latitude == 45.10


@pytest.mark.parametrize("file", [EPW, TMY3, PVGIS], ids=["epw", "tmy3", "pvgis"])
@pytest.mark.parametrize("cut", [1, 3, 9, 12])
def test_a_file_cut_off_in_its_head_is_refused(
    broken: Callable[..., Path], file: Path, cut: int
) -> None:
    path = broken(file, lambda x: x[:cut])
    assert problems(path)[0].file == path.name


def test_an_unknown_site_is_named_with_a_near_spelling(tmp_path: Path) -> None:
    (problem,) = problems(tmp_path / "nothing.epw")
    assert "no file" in problem.found
    with pytest.raises(StudyError) as caught:
        read_site("pheonix")
    assert 'Did you mean "phoenix"?' in caught.value.problems[0].mend


def test_sites_lists_what_is_shipped_with_source_and_licence() -> None:
    found = sites()
    assert [s["name"] for s in found] == catalogue.names("sites")
    assert all(s["source"] and s["licence"] for s in found)


def test_a_site_shows_position_and_climate() -> None:
    text = repr(read_site("miami"))
    assert "25.82 N 80.30 W" in text and "6311 MJ/m²" in text


def test_the_quick_sun_agrees_with_the_precise_one() -> None:
    import pandas
    from pvlib.solarposition import get_solarposition

    time = pandas.date_range("2001-01-01T00:20", "2001-12-31T23:20", freq="7h", tz="UTC")
    precise = numpy.cos(numpy.radians(numpy.asarray(get_solarposition(time, 45.0, 8.0)["zenith"])))
    quick = solar_cosine(time.tz_localize(None).to_numpy(), 45.0, 8.0)
    assert numpy.abs(quick - precise).max() < 0.01
