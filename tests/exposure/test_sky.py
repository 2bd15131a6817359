"""The sky's ultraviolet follows sun, cloud and plane."""

from __future__ import annotations

import numpy
import pytest
import xarray

from durability.exposure import read_site, sky_exposure
from durability.exposure.clear_sky import clear_sky, ozone
from durability.exposure.site import Site
from durability.exposure.spectral_model import band_integral


@pytest.fixture(scope="module")
def valley() -> Site:
    return read_site("po-valley")


def test_the_year_has_8760_labelled_hours(valley: Site) -> None:
    sky = sky_exposure(valley)
    assert sky.sizes == {"hour": 8760}
    assert sky["month"].values[[0, 744, 8759]].tolist() == [1, 2, 12]
    assert sky["day"].values[[0, 23, 24, 8759]].tolist() == [1, 1, 2, 365]
    assert all(numpy.isfinite(sky[name]).all() for name in sky.data_vars)
    for name in ("e340", "uv_300_400", "uv_295_385", "poa"):
        assert float(sky[name].min()) == 0.0


def test_no_ultraviolet_at_local_midnight_and_most_near_noon(valley: Site) -> None:
    by_hour = sky_exposure(valley)["uv_300_400"].values.reshape(365, 24).mean(axis=0)
    assert by_hour[0] == 0.0 and by_hour[23] == 0.0
    assert numpy.argmax(by_hour) in (11, 12, 13)


def test_summer_brings_several_times_the_ultraviolet_of_winter(valley: Site) -> None:
    by_month = sky_exposure(valley)["uv_300_400"].groupby("month").sum()
    assert float(by_month.sel(month=7) / by_month.sel(month=12)) > 4


def test_wider_bands_hold_more(valley: Site) -> None:
    sky = sky_exposure(valley)
    assert bool((sky["uv_300_400"] >= sky["uv_295_385"]).all())
    ratio = float(sky["uv_300_400"].sum() / sky["uv_295_385"].sum())
    assert 1.2 < ratio < 1.4


def test_log_clearness_moves_the_cloud_power_exactly_on_the_horizontal(valley: Site) -> None:
    base, other = sky_exposure(valley), sky_exposure(valley, cloud_power=1.0)
    moved = numpy.exp(0.2 * base["log_clearness"])
    for name in ("e340", "uv_300_400", "uv_295_385"):
        numpy.testing.assert_allclose(base[name] * moved, other[name], rtol=1e-10, atol=1e-12)


def test_log_clearness_moves_the_cloud_power_closely_on_a_tilted_plane(valley: Site) -> None:
    base = sky_exposure(valley, tilt=45)
    moved = (base["uv_300_400"] * numpy.exp(0.1 * base["log_clearness"])).sum()
    exact = sky_exposure(valley, tilt=45, cloud_power=0.9)["uv_300_400"].sum()
    still = base["uv_300_400"].sum()
    assert abs(float(moved / exact) - 1) < 0.1 * abs(float(still / exact) - 1)


def test_a_larger_cloud_power_takes_more_ultraviolet_in_cloudy_places() -> None:
    def loss(name: str) -> float:
        weak, strong = (
            float(sky_exposure(read_site(name), cloud_power=b)["uv_300_400"].sum())
            for b in (0.7, 1.0)
        )
        return 1 - strong / weak

    assert 0.0 < loss("phoenix") < loss("miami") < 0.15


def test_a_cloudless_file_gives_the_cloudless_sky(valley: Site) -> None:
    clear = clear_sky(valley)
    beam = clear["dni"] * numpy.cos(numpy.radians(clear["zenith"]))
    weather = valley.hourly.assign(
        ghi=clear["ghi"], dni=clear["dni"], dhi=(clear["ghi"] - beam).clip(min=0)
    )
    same = {f: getattr(valley, f) for f in ("latitude", "longitude", "altitude", "utc_offset")}
    site = Site(name="clear", title="clear", hourly=weather, **same)
    sky = sky_exposure(site)
    numpy.testing.assert_allclose(sky["uv_300_400"], clear["uv_300_400"], rtol=1e-9)
    numpy.testing.assert_allclose(sky["log_clearness"], 0.0, atol=1e-9)


def test_a_plane_turned_from_the_sun_gets_less(valley: Site) -> None:
    south, north = (float(sky_exposure(valley, tilt=45, azimuth=a)["e340"].sum()) for a in (180, 0))
    assert north < 0.8 * south


def test_east_and_west_change_morning_and_evening(valley: Site) -> None:
    east, west = (sky_exposure(valley, tilt=60, azimuth=a)["poa"].values for a in (90, 270))
    hour = numpy.arange(8760) % 24
    assert east[hour < 10].sum() > 1.5 * west[hour < 10].sum()
    assert east[hour > 15].sum() < 0.67 * west[hour > 15].sum()


def test_a_horizontal_plane_gets_the_global_sunlight_of_the_file(valley: Site) -> None:
    numpy.testing.assert_allclose(
        sky_exposure(valley)["poa"].values, valley.hourly["ghi"].values, atol=1e-9
    )


def test_changing_the_result_does_not_change_the_next_one(valley: Site) -> None:
    first = sky_exposure(valley)
    first["e340"].values[:] = -1.0
    assert float(sky_exposure(valley)["e340"].min()) == 0.0


@pytest.mark.parametrize("wrong", [{"tilt": -1}, {"tilt": 91}, {"cloud_power": -0.1}])
def test_impossible_planes_and_powers_are_refused(valley: Site, wrong: dict[str, float]) -> None:
    with pytest.raises(ValueError, match=next(iter(wrong))):
        sky_exposure(valley, **wrong)


def test_polar_summer_and_winter_are_computed() -> None:
    sky = sky_exposure(read_site("northway"))
    december = sky["uv_300_400"].where(sky["month"] == 12, drop=True)
    june = sky["uv_300_400"].where(sky["month"] == 6, drop=True)
    assert 0 < float(december.sum()) < 0.03 * float(june.sum())


def test_band_integrals_of_a_straight_spectrum_are_exact() -> None:
    grid = numpy.arange(300.0, 401.0, 5.0)
    assert float(band_integral(grid, grid, 303.0, 387.5)) == pytest.approx((387.5**2 - 303**2) / 2)
    assert float(band_integral(grid, numpy.ones(21), 280.0, 320.0)) == pytest.approx(20.0)


def test_ozone_is_plausible_everywhere() -> None:
    day = numpy.arange(1, 366)
    for latitude in range(-90, 91, 15):
        column = ozone(latitude, 10.0, day)
        assert column.min() > 0.2 and column.max() < 0.5


def test_units_and_bands_are_stated(valley: Site) -> None:
    sky: xarray.Dataset = sky_exposure(valley)
    assert sky["e340"].attrs == {"units": "W/m^2/nm", "band": "mean over 335-345 nm"}
    assert sky["uv_300_400"].attrs["units"] == "W/m^2"
