"""The shipped table of the clear sky is the spectral model, closely enough to stand for it."""

from __future__ import annotations

import numpy as np
import pytest
import xarray

from durability import catalogue
from durability.exposure import read_site, sky_exposure
from durability.exposure.clear_sky import BANDS, clear_sky
from durability.exposure.site import Site
from durability.exposure.sky_table import axes, by_table, covers, make
from durability.exposure.spectral_model import by_model

SITES = ("miami", "phoenix", "po-valley", "northway")
"""From 26 to 63 degrees north."""


def place(latitude: float, altitude: float = 0.0, air: float = 15.0) -> Site:
    """A site of even weather, for its sun and atmosphere alone."""
    time = np.datetime64("2001-01-01T00:30") + np.arange(8760).astype("timedelta64[h]")
    return Site(
        name="case", title="case", latitude=latitude, longitude=25.0, altitude=altitude,
        utc_offset=0.0,
        hourly=xarray.Dataset(
            {"temp_air": ("time", np.full(8760, air))},
            coords={"time": time.astype("datetime64[ns]")},
        ),
    )  # fmt: skip


def year(site: Site, tabled: bool) -> dict[str, float]:
    """Yearly totals of each band: all of it, direct and diffuse; and of sunlight."""
    sky = clear_sky(site, tabled=tabled)
    totals = {name: float(sky[name].sum()) for name in ("ghi", "dni")}
    for band in BANDS:
        whole, beam = float(sky[band].sum()), float(sky[f"{band}_beam"].sum())
        totals |= {band: whole, f"{band} direct": beam, f"{band} diffuse": whole - beam}
    return totals


@pytest.mark.parametrize("site", [*map(read_site, SITES), place(-33.0), place(0.0, 4500.0, 2.0)],
                         ids=lambda s: f"{s.latitude:.0f}")  # fmt: skip
def test_a_years_light_by_the_table_is_within_a_thousandth_of_the_model(site: Site) -> None:
    """Measured at 40 places: 0.013 % at most; the issue asks for 0.1 %."""
    table, model = year(site, True), year(site, False)
    assert table == pytest.approx(model, rel=4e-4)
    assert table != model


@pytest.mark.parametrize("seed", range(4))
def test_single_instants_by_the_table_are_close_to_the_model(seed: int) -> None:
    """Measured over 8,000 instants anywhere in the table: 0.12 % at most."""
    rng = np.random.default_rng(seed)
    drawn = {n: rng.uniform(a["low"], a["high"]) for n, a in axes().items()}
    cosine = rng.uniform(np.cos(np.radians(axes()["zenith"]["high"])), 1.0, 100)
    drawn |= {
        "zenith": np.degrees(np.arccos(cosine)),
        "ozone": rng.uniform(axes()["ozone"]["low"], axes()["ozone"]["high"], 100),
        "day": rng.integers(1, 366, 100),
    }
    table, model = by_table(**drawn), by_model(**drawn)
    for name in ("whole", "beam", "ghi", "dni"):
        np.testing.assert_allclose(getattr(table, name), getattr(model, name), rtol=2e-3)
    np.testing.assert_array_equal(table.wavelength, model.wavelength)


def test_the_shipped_table_is_what_its_script_makes() -> None:
    made = make()
    with np.load(catalogue.models_folder() / "sky" / "clear-sky.npz") as shipped:
        assert set(shipped.files) == set(made)
        for name in made:
            np.testing.assert_allclose(
                shipped[name], made[name], rtol=2e-6, atol=2e-6, err_msg=name
            )


def test_the_shipped_table_is_small() -> None:
    assert (catalogue.models_folder() / "sky" / "clear-sky.npz").stat().st_size < 400e3


def test_nothing_is_read_beyond_the_table_and_all_that_is_beyond_is_named() -> None:
    inside = {"ozone": 0.3, "aerosol": 0.1, "water": 1.5, "pressure": 101325.0, "day": 80}
    with pytest.raises(ValueError, match=r"ozone of 0\.6 to 0\.6; it holds 0\.2 to 0\.5.*pressure"):
        by_table([30.0], **inside | {"ozone": 0.6, "pressure": 30e3})
    with pytest.raises(ValueError, match="zenith"):
        by_table([20.0, 89.5], **inside)
    assert not covers(aerosol=np.array([0.1, np.nan]))


def test_a_place_above_the_table_gets_the_model_itself() -> None:
    high = place(28.0, 8000.0, -20.0)
    assert not covers(pressure=35e3)
    assert year(high, True) == year(high, False)
    low = place(28.0, 100.0)
    assert year(low, True) != year(low, False)


def test_light_on_a_plane_changes_no_more_than_the_clear_sky(monkeypatch) -> None:
    """Clearness, beam and tilt all read the clear sky: a year on a slope at an hourly site."""
    from durability.exposure import clear_sky as module
    from durability.exposure import sky

    site = read_site("po-valley")
    tabled = sky_exposure(site, tilt=45)
    real = clear_sky.__wrapped__
    monkeypatch.setattr(module, "clear_sky", lambda s: real(s, tabled=False))
    for kept in (sky._plane, sky._sky_exposure):
        kept.cache_clear()
    direct = sky_exposure(site, tilt=45)
    for kept in (sky._plane, sky._sky_exposure):
        kept.cache_clear()
    for band in BANDS:
        assert float(tabled[band].sum()) == pytest.approx(float(direct[band].sum()), rel=3e-4)
        assert float(tabled[band].sum()) != float(direct[band].sum())


def test_the_record_of_a_run_holds_the_table() -> None:
    from durability.report.results import model_hashes

    assert {"sky/clear-sky.npz", "sky/clear-sky.toml"} <= set(model_hashes())
