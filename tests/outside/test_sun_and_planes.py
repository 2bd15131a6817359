"""The sun's place and light on a plane against published cases, through our own sky.

Sources: the worked example of Reda and Andreas, Solar position algorithm for solar radiation
applications, NREL/TP-560-34302, as pvlib's and others' tests quote it; and the cases of pvlib's own
test_irradiance.py (repository pvlib/pvlib-python, read): positions by another
ephemeris, and diffuse light by another implementation of the same model. Arizona, 24 June 2014.
"""

from __future__ import annotations

import numpy as np
import pytest
import xarray

from durability.exposure import sky_exposure
from durability.exposure.clear_sky import clear_sky
from durability.exposure.site import Site
from durability.exposure.weather_checks import solar_cosine

GHI = [0.0, 79.73860422, 1042.48031487, 257.20751138]
DNI = [0.0, 316.1949056, 939.95469881, 646.22886049]
DHI = [0.0, 40.46149818, 118.45831879, 62.03376265]
ZENITH = [124.0390863, 82.85457044, 10.56413562, 72.41687122]
AZIMUTH = [352.69550699, 66.71410338, 144.76567754, 287.04104128]
SKY_DIFFUSE = [0.0, 27.1775, 102.9949, 33.1909]
"""Hay and Davies on a plane at 40 deg to the south: "values from matlab 1.4 code"."""


def place(latitude, longitude, altitude, times, **light) -> Site:
    """A site whose first hours are the instants given (UTC), then a midnight of every month."""
    nights = [f"2014-{month:02d}-15T07:00" for month in range(1, 13)]
    names = ("ghi", "dni", "dhi", "temp_air", "wind_speed")
    fields = {n: np.append(light.get(n, np.zeros(len(times))), np.zeros(12)) for n in names}
    return Site(
        name="case", title="case", latitude=latitude, longitude=longitude, altitude=altitude,
        utc_offset=-7.0,
        hourly=xarray.Dataset(
            {name: ("time", values) for name, values in fields.items()},
            coords={"time": np.array([*times, *nights], dtype="datetime64[ns]")},
        ),
    )  # fmt: skip


CASES = slice(4)
"""The instants of `arizona` that are published."""


@pytest.fixture(scope="module")
def arizona() -> Site:
    times = ["2014-06-24T07:00", "2014-06-24T13:00", "2014-06-24T19:00", "2014-06-25T01:00"]
    return place(32.2, -111.0, 700.0, times, ghi=GHI, dni=DNI, dhi=DHI)


def test_the_sun_of_the_published_worked_example() -> None:
    """Zenith 50.11162 and azimuth 194.34024 degrees on 17 October 2003, 12:30:30 at UTC-7."""
    site = place(39.742476, -105.1786, 1830.14, ["2003-10-17T19:30:30"])
    sun = clear_sky(site)
    assert float(sun["zenith"][0]) == pytest.approx(50.11162, abs=0.002)
    assert float(sun["azimuth"][0]) == pytest.approx(194.34024, abs=0.002)
    # the short series with which weather files are judged: to about 0.01, it says
    time = site.hourly["time"].values
    rough = float(solar_cosine(time, 39.742476, -105.1786)[0])
    assert rough == pytest.approx(np.cos(np.radians(50.127954)), abs=0.01)


def test_the_sun_agrees_with_another_ephemeris(arizona) -> None:
    sun = clear_sky(arizona)
    np.testing.assert_allclose(sun["zenith"].values[CASES], ZENITH, atol=0.05)
    np.testing.assert_allclose(sun["azimuth"].values[CASES], AZIMUTH, atol=0.05)


def test_light_on_a_tilted_plane_is_beam_and_published_diffuse_and_ground(arizona) -> None:
    """Beam by the angle between sun and plane, ground at albedo 0.2: arithmetic."""
    found = sky_exposure(arizona, tilt=40, azimuth=180)["poa"].values[CASES]
    tilt, zenith, turn = np.radians(40), np.radians(ZENITH), np.radians(np.array(AZIMUTH) - 180)
    facing = np.cos(zenith) * np.cos(tilt) + np.sin(zenith) * np.sin(tilt) * np.cos(turn)
    beam = np.array(DNI) * np.maximum(facing, 0.0)
    ground = 0.2 * np.array(GHI) * (1 - np.cos(tilt)) / 2
    np.testing.assert_allclose(found, beam + SKY_DIFFUSE + ground, atol=0.6)
    # evenly bright sky (of pvlib's case: 88.302222 of 100 at 40 deg) is what ultraviolet uses
    assert (1 + np.cos(tilt)) / 2 * 100 == pytest.approx(88.30222215594891)


def test_ultraviolet_on_a_tilted_plane_is_even_sky_plus_beam(arizona) -> None:
    flat, tilted = sky_exposure(arizona), sky_exposure(arizona, tilt=40)
    clear = clear_sky(arizona)
    seen = np.minimum(np.array(DNI) / np.maximum(clear["dni"].values[CASES], 1e-9), 1.0)
    uv = flat["uv_300_400"].values[CASES]
    beam = np.minimum(clear["uv_300_400_beam"].values[CASES] * seen, uv)
    tilt, zenith, turn = np.radians(40), np.radians(ZENITH), np.radians(np.array(AZIMUTH) - 180)
    facing = np.cos(zenith) * np.cos(tilt) + np.sin(zenith) * np.sin(tilt) * np.cos(turn)
    onto = np.maximum(facing, 0.0) / np.maximum(np.cos(zenith), 0.05)
    even = (1 + np.cos(tilt)) / 2
    expected = beam * onto + (uv - beam) * even + uv * 0.05 * (1 - even)
    lit = uv > 0
    assert lit.sum() >= 3
    np.testing.assert_allclose(tilted["uv_300_400"].values[CASES][lit], expected[lit], rtol=2e-3)
