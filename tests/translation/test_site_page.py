"""A site on one page says what a translation to it would take."""

from __future__ import annotations

import json

import numpy as np
import pytest

from durability.cli.app import app
from durability.exposure import read_site, sky_exposure, translation_assumptions
from durability.translation.site_page import site_page


@pytest.fixture(scope="module")
def phoenix():
    return site_page("phoenix")


def test_yearly_ultraviolet_is_that_of_the_sky_times_its_factor(phoenix) -> None:
    sky = sky_exposure(read_site("phoenix"))
    factor = translation_assumptions()["uv_factor"].value
    for row, name, per_hour in zip(
        phoenix.yearly, ("uv_300_400", "uv_295_385", "e340"), (0.0036, 0.0036, 3.6), strict=True
    ):
        _, _, middle, low, high = row
        assert middle == pytest.approx(float(sky[name].sum()) * per_hour * factor, rel=0.01)
        # 0.08/1.08 of the factor and 0.05 of the year make at least 0.089 (arithmetic)
        assert (high - low) / middle > 2 * 1.96 * 0.089 * 0.93


def test_months_add_up_to_the_year(phoenix) -> None:
    ghi = read_site("phoenix").hourly["ghi"].values
    days = np.array([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
    assert sum(days * [m[1] for m in phoenix.months]) == pytest.approx(ghi.sum() * 0.0036)
    assert sum(m[2] for m in phoenix.months) == pytest.approx(phoenix.yearly[0][2], rel=0.01)
    assert all(low < mean < high for *_, mean, low, high in phoenix.months)


def test_light_comes_with_heat_black_runs_hotter_and_the_ground_hotter_still(phoenix) -> None:
    found = dict(phoenix.temperatures)
    ground = found.pop("effective fabric of unknown colour, on the ground")
    celsius = list(found.values())
    assert celsius == sorted(celsius)
    assert ground > found["effective fabric of unknown colour, on a rack"] + 3


def test_hours_made_from_monthly_means_say_so() -> None:
    page = site_page("tucson")
    assert "twelve monthly means" in page.weather and "1.3 K" in page.weather
    assert "made by us" in dict(page.rows())["time stamps"]
    assert [c.name for c in page.cautions] == ["monthly_climate"]


def test_a_site_without_sun_has_no_effective_temperature() -> None:
    from dataclasses import replace

    site = read_site("sand-point")
    dark = site.hourly.assign({n: 0.0 * site.hourly[n] for n in ("ghi", "dni", "dhi")})
    page = site_page(replace(site, hourly=dark))
    assert page.yearly[0][2] == 0.0
    assert [name for name, _ in page.temperatures] == ["mean air"]


def test_the_command_prints_the_page_and_its_document() -> None:
    from typer.testing import CliRunner

    run = CliRunner().invoke
    shown = run(app, ["sites", "show", "miami", "--quiet"])
    assert shown.exit_code == 0
    for word in ("25.817° N", "UV 300-400 nm", "December", "fits the sun best", "licence"):
        assert word in shown.stdout
    (page,) = json.loads(run(app, ["sites", "show", "miami", "--json"]).stdout)["sites"]
    assert [row["unit"] for row in page["yearly"]] == ["MJ/m²", "MJ/m²", "kJ/(m² nm)"]
    assert len(page["months"]) == 12
    wrong = run(app, ["sites", "show", "mimai"])
    assert wrong.exit_code == 2
    assert run(app, ["sites", "show"]).exit_code == 2
