"""Every form of weather file says the same of the same hours."""

from __future__ import annotations

import gzip
import io
import json
from pathlib import Path

import numpy
import pvlib
import pytest

from durability import catalogue
from durability.exposure import Site, read_site, year_to_year
from durability.exposure.weather_checks import best_offset
from durability.exposure.weather_forms import weather_form
from durability.study.problem import Problem, StudyError

DATA = Path(pvlib.__file__).parent / "data"
PVGIS = catalogue.models_folder() / "sites" / "po_valley_45N_8E_pvgis_tmy.csv.gz"
HOURS = 8760


@pytest.fixture(scope="module")
def valley() -> Site:
    return read_site("po-valley")


def problems(source: object) -> tuple[Problem, ...]:
    with pytest.raises(StudyError) as caught:
        read_site(source)  # type: ignore[arg-type]
    return caught.value.problems


def same(site: Site, valley: Site, *, light: float = 0.6) -> None:
    for name, near in (("ghi", light), ("dni", light), ("temp_air", 0.011), ("wind_speed", 0.011)):
        apart = numpy.abs(site.hourly[name].values - valley.hourly[name].values)
        assert apart.max() <= near, name
    moved = site.hourly["time"].values - valley.hourly["time"].values
    assert numpy.abs(moved / numpy.timedelta64(1, "m")).max() <= 30
    assert abs(best_offset(site.hourly, site.latitude, site.longitude)) <= 25


def columns(valley: Site) -> dict[str, numpy.ndarray]:
    return {str(n): valley.hourly[n].values for n in valley.hourly.data_vars}


def stamps(year: int) -> list[numpy.datetime64]:
    start = numpy.datetime64(f"{year}-01-01T00:00")
    return list(start + numpy.arange(HOURS).astype("timedelta64[h]"))


def sensor(
    valley: Site, *, year: int = 2025, scale: float = 1.0, unit: str = "W/m^2", names: str = "",
    latitude: float = 45.0, hours: int = HOURS, of_stamps: str = "start",
) -> str:  # fmt: skip
    data = columns(valley)
    head = [f"# latitude = {latitude}", "# longitude = 8.0", "# altitude = 250"]
    head += ["# utc_offset = 1", f'# stamps = "{of_stamps}"', '# place = "Quarry"']
    head += [names or f"time,ghi [{unit}],dni [{unit}],dhi [{unit}],air_temperature [degC],"
             "wind_speed [m/s]"]  # fmt: skip
    late = numpy.timedelta64({"start": 0, "end": 60}[of_stamps], "m")
    rows = [
        f"{str(t + late).replace('T', ' ')},{data['ghi'][i] * scale:.4f},"
        f"{data['dni'][i] * scale:.4f},{data['dhi'][i] * scale:.4f},{data['temp_air'][i]:.2f},"
        f"{data['wind_speed'][i]:.2f}"
        for i, t in enumerate(stamps(year)[:hours])
    ]
    return "\n".join([*head, *rows]) + "\n"


@pytest.mark.slow
def test_a_tmy2_year_is_read_with_its_units() -> None:
    site = read_site(DATA / "12839.tm2")
    assert (round(site.latitude, 2), round(site.longitude, 2)) == (25.80, -80.27)
    assert site.title == "Miami" and site.typical_year and not site.years
    assert 20 < float(site.hourly["temp_air"].mean()) < 28
    assert 2 < float(site.hourly["wind_speed"].mean()) < 7
    assert float(site.hourly["ghi"].sum()) * 0.0036 == pytest.approx(6311, rel=0.05)
    assert abs(best_offset(site.hourly, site.latitude, site.longitude)) <= 10


def test_a_pvgis_year_reads_alike_as_csv_and_json(valley: Site, tmp_path: Path) -> None:
    text = gzip.decompress(PVGIS.read_bytes()).decode()
    lines = text.splitlines()
    first = next(i for i, x in enumerate(lines) if x.startswith("time(UTC)"))
    heads = lines[first].split(",")
    rows = [x.split(",") for x in lines[first + 1 : first + 1 + HOURS]]
    hourly = [
        {h: (c if h == "time(UTC)" else float(c)) for h, c in zip(heads, r, strict=True)}
        for r in rows
    ]
    offset = float(lines[3].split(":")[1])
    place = {
        "latitude": 45.0,
        "longitude": 8.0,
        "elevation": 250.0,
        "irradiance_time_offset": offset,
    }
    document = {
        "inputs": {"location": place},
        "meta": {"inputs": {"location": {"latitude": {"description": "Latitude"}}}},
        "outputs": {"months_selected": [], "tmy_hourly": hourly},
    }
    path = tmp_path / "tmy.json"
    path.write_text(json.dumps(document))
    site = read_site(path)
    assert site.hourly["ghi"].equals(valley.hourly["ghi"])
    assert site.hourly["time"].equals(valley.hourly["time"])


def pvgis_series(valley: Site, years: tuple[int, ...]) -> str:
    data = columns(valley)
    up = numpy.maximum(
        numpy.divide(data["ghi"] - data["dhi"], data["dni"], where=data["dni"] > 5,
                     out=numpy.zeros(HOURS)), 0.0,
    )  # fmt: skip
    head = ["Latitude (decimal degrees):\t45.000", "Longitude (decimal degrees):\t8.000",
            "Elevation (m):\t250", "Radiation database:\tinvented",
            "Slope: 0 deg.", "", "time,Gb(i),Gd(i),Gr(i),H_sun,T2m,WS10m,Int"]  # fmt: skip
    rows = []
    for k, year in enumerate(years):
        times = numpy.array(stamps(year)) - numpy.timedelta64(60, "m") + numpy.timedelta64(10, "m")
        dim = 1.0 - 0.04 * k
        for i, t in enumerate(times):
            beam = data["dni"][i] * up[i] * dim
            sun = numpy.degrees(numpy.arcsin(min(up[i], 1.0)))
            stamp = str(t).replace("-", "").replace("T", ":").replace(":", "")
            rows.append(
                f"{stamp[:8]}:{stamp[8:12]},{beam:.4f},{data['dhi'][i] * dim:.4f},0.0,{sun:.4f},"
                f"{data['temp_air'][i]:.2f},{data['wind_speed'][i]:.2f},0"
            )
    return "\n".join([*head, *rows, "", "T2m: 2-m air temperature", ""])


def test_a_pvgis_series_of_years_gives_a_typical_year_and_how_years_differ(valley: Site) -> None:
    lines = pvgis_series(valley, (2017, 2018, 2019)).splitlines()
    site = read_site(io.StringIO("\n".join(lines[:-3000])))  # breaks off in summer 2019
    assert [y.year for y in site.years] == [2017, 2018]
    assert any(c.name == "years_left_out" for c in site.cautions)
    logs = [numpy.log(float(y.hourly["ghi"].sum())) for y in site.years]
    assert numpy.diff(logs)[0] == pytest.approx(numpy.log(0.96), abs=2e-3)
    spread = year_to_year(site)
    assert spread.log_sd == pytest.approx(
        ((4 * 0.05**2 + numpy.var(logs, ddof=1)) / 5) ** 0.5, rel=1e-6
    )
    assert "2 years" in spread.source and site.typical_year


def test_one_typical_year_says_nothing_of_how_years_differ(valley: Site) -> None:
    assert year_to_year(valley).log_sd == 0.05


def test_an_nsrdb_year_in_half_hours_is_averaged_to_hours(valley: Site) -> None:
    data = columns(valley)
    head = ["Source", "Location ID", "City", "State", "Country", "Latitude", "Longitude",
            "Time Zone", "Elevation", "Local Time Zone"]  # fmt: skip
    values = ["NSRDB", "1", "-", "-", "-", "45.0", "8.0", "1", "250", "1"]
    names = ["Year", "Month", "Day", "Hour", "Minute", "GHI", "DHI", "DNI", "Temperature",
             "Wind Speed", "Pressure", "Ozone", "Aerosol Optical Depth"]  # fmt: skip
    rows = []
    for i, t in enumerate(stamps(2019)):
        when = t.astype(object)
        for minute, more in ((15, 1.1), (45, 0.9)):
            rows.append(
                f"{when.year},{when.month},{when.day},{when.hour},{minute},"
                f"{data['ghi'][i] * more:.4f},{data['dhi'][i] * more:.4f},"
                f"{data['dni'][i] * more:.4f},{data['temp_air'][i]:.2f},"
                f"{data['wind_speed'][i]:.2f},985,0.31,0.12"
            )
    text = "\n".join([",".join(head), ",".join(values), ",".join(names), *rows]) + "\n"
    site = read_site(io.BytesIO(text.encode()))
    same(site, valley)
    assert float(site.hourly["ozone"].mean()) == pytest.approx(0.31)
    assert [y.year for y in site.years] == [2019] and not site.typical_year


def test_a_folder_of_daily_station_files_makes_one_series(valley: Site, tmp_path: Path) -> None:
    data = columns(valley)
    blank = " ".join(["0.0 0"] * 11)
    for month in range(1, 13):  # an hour's mean at four steps each, in one file a month
        rows = []
        for i, t in enumerate(stamps(2023)):
            when = t.astype(object)
            if when.month != month:
                continue
            for minute in (0, 15, 30, 45):
                utc = (t - numpy.timedelta64(60, "m")).astype(object)
                day = utc.timetuple().tm_yday
                rows.append(
                    f"{utc.year} {day} {utc.month} {utc.day} {utc.hour} {minute} 0.0 45.0 "
                    f"{data['ghi'][i]:.2f} 0 0.0 0 {data['dni'][i]:.2f} 0 {data['dhi'][i]:.2f} 0 "
                    f"{blank} {data['temp_air'][i]:.2f} 0 50.0 0 {data['wind_speed'][i]:.2f} 0 "
                    "0.0 0 985.0 0"
                )
        text = "\n".join([" Quarry", "   45.00    8.00 250 m version 1", *rows]) + "\n"
        (tmp_path / f"qu{month:02d}.dat").write_text(text)
    site = read_site(tmp_path)
    same(site, valley)
    assert site.title == "Quarry"
    (tmp_path / "qu13.dat").write_text(sensor(valley, hours=48))
    assert "different forms" in problems(tmp_path)[0].found


def test_a_station_archive_month_is_known_by_its_head() -> None:
    assert weather_form("*C0001\n 21  1 2023  1\n") == "bsrn"
    assert weather_form("*U0001\n 21  1 2023  1\n") == "bsrn"


def test_own_sensors_are_read_whichever_end_of_the_hour_is_labelled(valley: Site) -> None:
    for label in ("start", "end"):
        site = read_site(io.StringIO(sensor(valley, of_stamps=label)))
        same(site, valley)
        assert site.title == "Quarry" and [y.year for y in site.years] == [2025]


def test_a_leap_year_of_own_sensors_loses_its_29_february(valley: Site) -> None:
    text = sensor(valley, year=2024)  # 8760 hours from 1 January end on 30 December
    last = [x for x in text.splitlines() if x.startswith("2024-12-30")]
    more = "\n".join(x.replace("2024-12-30", "2024-12-31") for x in last)
    site = read_site(io.StringIO(text + more + "\n"))
    assert site.hourly.sizes["time"] == HOURS
    assert "leap_day_dropped" in [c.name for c in site.cautions]


def test_beam_diffuse_and_wind_are_made_where_only_global_sunlight_is_measured(
    valley: Site,
) -> None:
    lines = sensor(valley).splitlines()
    kept = [x if x[0] == "#" else ",".join(numpy.array(x.split(","))[[0, 1, 4]]) for x in lines]
    site = read_site(io.StringIO("\n".join(kept)))
    assert {c.name for c in site.cautions} >= {"beam_estimated", "wind_assumed"}
    assert float(site.hourly["dhi"].sum()) == pytest.approx(
        float(valley.hourly["dhi"].sum()), rel=0.15
    )


@pytest.mark.parametrize("scale", [3.6, 0.25, 0.001], ids=["kJ/m²", "Wh of 15 min", "kW"])
def test_sunlight_in_another_unit_is_refused(valley: Site, scale: float) -> None:
    found = problems(io.StringIO(sensor(valley, scale=scale)))
    assert {p.column for p in found} <= {"ghi", "dni", "dhi"} and found[0].column == "ghi"
    assert "divide by 3.6" in found[0].mend


def test_a_unit_that_is_not_irradiance_is_refused_with_the_way_out(valley: Site) -> None:
    found = problems(io.StringIO(sensor(valley, unit="Wh/m^2", hours=48)))
    assert len(found) == 3 and "same number" in found[0].expected


def test_the_other_hemisphere_is_refused(valley: Site) -> None:
    (problem,) = problems(io.StringIO(sensor(valley, latitude=-45.0)))
    assert problem.column == "latitude" and "negative" in problem.mend


def test_everything_wrong_with_a_sensor_table_is_said_at_once(valley: Site) -> None:
    text = sensor(valley, hours=48).replace("# altitude = 250\n", "")
    text = text.replace('# stamps = "start"', '# stamps = "whenever"')
    found = problems(io.StringIO(text))
    assert {p.column for p in found} == {"altitude", "stamps"}
    lines = sensor(valley, hours=48).splitlines()
    lines[10] = lines[10].replace("2025-01-01", "1/1/25")
    lines[12] = lines[12].rsplit(",", 1)[0] + ",calm"
    found = problems(io.StringIO("\n".join(lines)))
    assert [(p.row, p.column) for p in found] == [(11, "time"), (13, "wind_speed [m/s]")]


def test_doubled_hours_of_a_sensor_are_refused(valley: Site) -> None:
    lines = sensor(valley).splitlines()
    (problem,) = problems(io.StringIO("\n".join([*lines, lines[-1]])))
    assert "1 time stamps twice" in problem.found and "summer time" in problem.mend


def test_exchanged_columns_are_said(valley: Site) -> None:
    text = sensor(valley).replace("dni [W/m^2],dhi [W/m^2]", "dhi [W/m^2],dni [W/m^2]")
    assert "weather_parts_disagree" in [c.name for c in read_site(io.StringIO(text)).cautions]
