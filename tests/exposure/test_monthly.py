"""A table of monthly means makes a year of hours, and its bias is corrected and said."""

from __future__ import annotations

from pathlib import Path

import numpy
import pytest

from durability import catalogue
from durability.exposure import (
    effective_rate,
    read_site,
    sky_exposure,
    specimen_temperature,
)
from durability.exposure.monthly import MonthlyClimate, hours_of
from durability.exposure.site import Site
from durability.study.problem import StudyError

MONTH = (
    (numpy.datetime64("2001-01-01") + numpy.arange(365)).astype("datetime64[M]").astype(int) % 12
).repeat(24)
HOURLY = ("miami", "phoenix", "northway", "po-valley", "greensboro", "sand-point")


def climate_of(site: Site) -> MonthlyClimate:
    def means(name: str) -> tuple[float, ...]:
        return tuple(float(site.hourly[name].values[m == MONTH].mean()) for m in range(12))

    return MonthlyClimate(
        latitude=site.latitude, longitude=site.longitude, altitude=site.altitude,
        utc_offset=site.utc_offset, sunlight=tuple(0.0864 * x for x in means("ghi")),
        temp_air=means("temp_air"), wind_speed=means("wind_speed"),
    )  # fmt: skip


@pytest.mark.parametrize("name", ["tucson", "barrow"])
def test_hours_keep_the_monthly_means(name: str) -> None:
    monthly = catalogue.read("sites", name)["monthly"]
    site = read_site(name)
    warming = 1.2  # models/translation.toml
    for m in range(12):
        own = m == MONTH
        light = float(site.hourly["ghi"].values[own].mean()) * 0.0864
        assert light == pytest.approx(monthly["sunlight"][m], abs=0.35, rel=0.01)
        air = float(site.hourly["temp_air"].values[own].mean()) - warming
        assert air == pytest.approx(monthly["temp_air"][m], abs=0.25)
        wind = float(site.hourly["wind_speed"].values[own].mean())
        assert wind == pytest.approx(monthly["wind_speed"][m], rel=1e-6)


def test_a_polar_night_is_dark() -> None:
    sky = sky_exposure(read_site("barrow"))
    december = sky["uv_300_400"].where(sky["month"] == 12, drop=True)
    assert float(december.sum()) == 0.0
    assert float(sky["uv_300_400"].sum()) * 0.0036 == pytest.approx(127, rel=0.08)
    # 127 MJ/m2 a from the hours of the same typical year, which do not ship: our computation


def effective(site: Site, energy: float) -> float:
    sky = sky_exposure(site)
    warm = specimen_temperature(
        sky["temp_air"], sky["poa"], sky["wind_speed"], absorptance=0.9, rise_factor=0.72
    )
    rate = effective_rate(
        sky["uv_300_400"].values, numpy.asarray(warm), exponent=1.0, activation_energy=energy,
        reference_irradiance=40.0, reference_temperature=40.0,
    )  # fmt: skip
    return float(rate.sum())


@pytest.mark.slow
def test_the_warming_makes_up_for_the_bias_of_monthly_means_within_its_spread() -> None:
    # the sites' own hours are the truth; the hours made know their monthly means alone
    logs: dict[float, list[float]] = {0.0: [], 20.0: [], 40.0: [], 70.0: []}
    for name in HOURLY:
        site = read_site(name)
        made = Site(
            name=name, title=name, hourly=hours_of(climate_of(site), warming=1.2),
            latitude=site.latitude, longitude=site.longitude, altitude=site.altitude,
            utc_offset=site.utc_offset,
        )  # fmt: skip
        for energy, found in logs.items():
            found.append(numpy.log(effective(made, energy) / effective(site, energy)))
    mean = {e: float(numpy.mean(x)) for e, x in logs.items()}
    sd = {e: float(numpy.std(x, ddof=1)) for e, x in logs.items()}
    assert abs(mean[0.0]) < 0.02 and sd[0.0] < 0.03
    for energy in (20.0, 40.0, 70.0):
        carried = energy / 8.314e-3 / 303.0**2 * 1.3  # a standard uncertainty of 1.3 K
        assert abs(mean[energy]) < 0.5 * carried
        assert 0.5 * carried < sd[energy] < 1.5 * carried


def test_a_site_of_monthly_means_carries_its_uncertainty() -> None:
    site = read_site("tucson")
    assert site.kind == "monthly" and site.air_temperature_sd == 1.3 and site.uv_log_sd == 0.03
    assert "made from monthly means" in repr(site)
    assert read_site("miami").air_temperature_sd == 0.0


def test_a_users_own_table_of_months_is_read(tmp_path: Path) -> None:
    text = (catalogue.models_folder() / "sites" / "chicago.toml").read_text(encoding="utf-8")
    path = tmp_path / "lakeside.toml"
    path.write_text(text.replace("Chicago airport, Illinois", "Lakeside"), encoding="utf-8")
    site = read_site(path)
    assert site.name == "lakeside" and site.title == "Lakeside"
    assert site.hourly["ghi"].equals(read_site("chicago").hourly["ghi"])


def test_faults_of_a_table_of_months_are_said_at_once(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text(
        "latitude = 95\nlongitude = 8\naltitude = 100\n[monthly]\nsunlight = [1, 2]\n"
        f"temp_air = {[10] * 12}\nwind_speed = {[80] * 12}\n"
    )
    with pytest.raises(StudyError) as caught:
        read_site(path)
    assert {p.column for p in caught.value.problems} == {
        "latitude", "monthly.sunlight", "monthly.wind_speed",
    }  # fmt: skip


def test_more_sunlight_than_a_cloudless_sky_gives_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text(
        f"latitude = 60\nlongitude = 8\naltitude = 100\n[monthly]\nsunlight = {[18] * 12}\n"
        f"temp_air = {[10] * 12}\nwind_speed = {[3] * 12}\n"
    )
    with pytest.raises(StudyError) as caught:
        read_site(path)
    assert "December" in " ".join(p.expected for p in caught.value.problems)


def test_a_site_file_may_name_the_hourly_file_beside_it(tmp_path: Path) -> None:
    folder = catalogue.models_folder() / "sites"
    for name in ("miami.toml", "miami_fl_722020_tmy3.csv.gz"):
        (tmp_path / name).write_bytes((folder / name).read_bytes())
    site = read_site(tmp_path / "miami.toml")
    assert site.hourly.equals(read_site("miami").hourly)
    (tmp_path / "miami_fl_722020_tmy3.csv.gz").unlink()
    with pytest.raises(StudyError):
        read_site(tmp_path / "miami.toml")
