"""Maps against `translate` at single sites, lazily against at once, and on bad grids."""

from __future__ import annotations

import numpy as np
import pytest
import xarray

from durability.exposure import read_site
from durability.translation import translate
from durability.translation.days_map import days_map, invented_climate, read_climate


@pytest.fixture
def fit(fit_of):
    rng = np.random.default_rng(3)
    made = fit_of(900 * np.exp(0.2 * rng.standard_normal(400)))
    made.exponent = rng.uniform(0.7, 1.0, 400)
    made.energy = rng.normal(30, 6, 400)
    return made


def cell(name: str) -> xarray.Dataset:
    site = read_site(name)
    shift = int(-site.utc_offset)  # a site's year begins in local time, a grid's in UTC
    fields = {
        n: (("latitude", "longitude", "time"), np.roll(site.hourly[n].values, shift)[None, None])
        for n in ("ghi", "temp_air", "wind_speed")
    }
    return xarray.Dataset(
        fields, coords={"latitude": [site.latitude], "longitude": [site.longitude]}
    )


@pytest.mark.parametrize("name", ["miami", "phoenix"])
def test_a_cell_of_hours_is_near_its_site(fit, name):
    """Short cuts: ratios by the sun's height, five-day steps, laid in mid-month, no local aerosol.

    A month in which days rise fast differs most, since a site is laid on a random day of it.
    """
    found = days_map(fit, cell(name), of="mean", draws=400)
    there = translate(fit, site=name, of="mean")
    expected = np.median(there.draws("A", "machine", "mean", 0.5).values, axis=1)
    ratio = found["days"].values.ravel() / expected
    assert abs(np.median(ratio) - 1) < 0.06
    np.testing.assert_allclose(ratio, 1.0, atol=0.15)


def test_chunks_give_the_same_map_and_netcdf_keeps_it(fit, tmp_path):
    grid = invented_climate(step=15.0)
    once = days_map(fit, grid, of="mean", draws=50)
    chunked = days_map(fit, grid.chunk(latitude=2, longitude=3), of="mean", draws=50)
    xarray.testing.assert_allclose(once, chunked)
    once.to_netcdf(tmp_path / "map.nc", engine="h5netcdf")
    assert once.attrs["invented"] == "yes"
    grid.rename(latitude="lat", longitude="lon").to_netcdf(tmp_path / "g.nc", engine="h5netcdf")
    again = days_map(fit, read_climate(tmp_path / "g.nc"), of="mean", draws=50)
    xarray.testing.assert_allclose(once, again)


def test_more_sun_and_more_heat_mean_fewer_days(fit):
    grid = invented_climate(step=30.0)
    first = days_map(fit, grid, of="mean", draws=50)["days"]
    sunnier = grid.assign(ghi=grid.ghi * 1.2)
    assert (days_map(fit, sunnier, of="mean", draws=50)["days"] < first).all()
    hotter = grid.assign(temp_air=grid.temp_air + 5)
    assert (days_map(fit, hotter, of="mean", draws=50)["days"] < first).all()


def test_what_is_not_reached_within_the_horizon_is_a_probability_and_no_number(fit):
    grid = invented_climate(step=30.0)
    grid["ghi"] = grid.ghi * 0 + 1.0
    found = days_map(fit, grid, of="mean", draws=50, horizon_years=1.0)
    assert found["days"].isnull().all()
    assert (found["reached"] == 0).all()
    grid["ghi"] = grid.ghi * 0.0
    assert (days_map(fit, grid, of="mean", draws=50)["reached"] == 0).all()


def test_a_cell_without_weather_stays_empty(fit):
    grid = invented_climate(step=30.0)
    grid["ghi"] = grid.ghi.where(grid.latitude > 0)
    found = days_map(fit, grid, of="mean", draws=50)
    assert (found["days"].isnull().all("month") == (grid.latitude <= 0)).all()


def test_everything_wrong_with_a_grid_is_said_at_once(fit, tmp_path):
    grid = invented_climate(step=30.0)
    with pytest.raises(ValueError, match=r"no variable temp_air; 11 along month"):
        days_map(fit, grid.drop_vars("temp_air").isel(month=slice(11)))
    with pytest.raises(ValueError, match="is no file"):
        read_climate(tmp_path / "none.nc")
