"""What strips in the open have taught, carried into the next translation; draws given by hand."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
import xarray

from durability.translation import explain, lab_to_sky, translate
from durability.translation.discrepancy import (
    lab_to_sky_draws,
    learned_from,
    learned_links,
    learned_sky,
)
from durability.translation.lamp import lamp_clock

DRAWS = 3000


@pytest.fixture
def learned(fit_of, lamp):
    """A fit that has seen strips of A in the open at Miami: s is 1.5 there, nearly certain."""
    fit = fit_of(np.full(DRAWS, 900.0), materials=("A", "B"))
    rng = np.random.default_rng(4)

    def about(mean: float, sd: float):
        return (("chain", "draw"), rng.normal(mean, sd, (2, DRAWS // 2)))

    part = about(0.5, 0.4)
    whole = math.log(1.5) / 0.4
    fit.posterior = xarray.Dataset(
        {
            "dose_calibration[X1]": about(0.02, 0.01),
            "lamp_temperature[X1]": about(1.0, 0.1),
            "log_uv_factor[miami]": about(0.1, 0.01),
            "cloud_power[sky]": about(0.85, 0.01),
            "specimen_warming[open air]": about(0.45, 0.01),
            "lab_to_sky_spread[]": about(0.4, 1e-6),
            "lab_to_sky_of_material[A]": part,
            "lab_to_sky_at_site[miami]": (part[0], whole - part[1]),
        }
    )
    return fit


def test_a_fit_that_saw_no_strips_in_the_open_teaches_nothing(fit_of, lamp):
    fit = fit_of(np.full(100, 900.0))
    assert (
        learned_sky(fit, "miami", on_ground=False) == {} and learned_from(fit, "A", "miami") is None
    )
    assert learned_links(fit, "A", lamp_clock(lamp), "miami", draws=100, seed=1) == {}
    with pytest.raises(ValueError, match="no strips in the open"):
        lab_to_sky(fit)


def test_links_are_the_posterior_draws_themselves(learned, lamp):
    found = learned_links(learned, "A", lamp_clock(lamp), "miami", draws=DRAWS, seed=1)
    flat = {k: v.values.reshape(-1) for k, v in learned.posterior.items()}
    np.testing.assert_allclose(found["lamp_dose"], np.exp(flat["dose_calibration[X1]"]))
    np.testing.assert_allclose(found["lamp_temperature"], flat["lamp_temperature[X1]"])
    both = flat["lab_to_sky_of_material[A]"] + flat["lab_to_sky_at_site[miami]"]
    np.testing.assert_allclose(found["lab_to_sky"], np.exp(flat["lab_to_sky_spread[]"] * both))
    sky = learned_sky(learned, "miami", on_ground=False)
    np.testing.assert_allclose(sky["uv_factor"], np.exp(flat["log_uv_factor[miami]"]))
    product = sky["absorptance"] / 0.9 * sky["temperature_rise_factor"]
    np.testing.assert_allclose(product, flat["specimen_warming[open air]"])
    assert "uv_factor" not in learned_sky(learned, "phoenix", on_ground=False)


def test_a_new_site_keeps_the_part_of_the_material_and_is_less_certain(learned):
    def spread(material: str, site: str) -> float:
        drawn = lab_to_sky_draws(learned, material, site, draws=DRAWS, seed=1)
        return float(np.log(drawn).std())

    here, elsewhere, other = spread("A", "miami"), spread("A", "phoenix"), spread("B", "phoenix")
    assert here < 0.01
    assert elsewhere == pytest.approx(0.4 * math.hypot(0.4, math.sqrt(0.5)), rel=0.05)
    assert other == pytest.approx(0.4, rel=0.05)


def test_materials_at_one_new_site_share_its_part(learned):
    a, b = (np.log(lab_to_sky_draws(learned, m, "phoenix", draws=DRAWS, seed=1)) for m in "AB")
    known = learned.posterior["lab_to_sky_of_material[A]"].values.reshape(-1)
    assert np.corrcoef(a - 0.4 * known, b)[0, 1] == pytest.approx(math.sqrt(0.5), abs=0.05)


def test_the_assumption_says_from_which_strips_the_factor_was_learned(learned):
    names = [
        learned_from(learned, m, s)
        for m, s in (("A", "miami"), ("A", "phoenix"), ("B", "miami"), ("B", "phoenix"))
    ]
    assert names == [
        "lab_to_sky_learned", "lab_to_sky_learned_in_part", "lab_to_sky_learned_in_part",
        "lab_to_sky_spread_learned",
    ]  # fmt: skip
    assert all(explain(tuple(n for n in names if n)).values())


def test_strips_at_the_site_narrow_its_days_more_than_those_of_another(learned, fit_of):
    plain = fit_of(np.full(DRAWS, 900.0), materials=("A",))
    learned.study = dataclasses.replace(
        learned.study, materials={"A": learned.study.materials["A"]}
    )
    widths, middles = {}, {}
    for name, fit, site in (
        ("prior", plain, "phoenix"), ("another", learned, "phoenix"), ("same", learned, "miami"),
        ("prior there", plain, "miami"),
    ):  # fmt: skip
        done = translate(fit, site=site, of="mean", laying="2027-05-12", seed=2)
        days = done.draws("A", "machine", "mean", 0.5).values.reshape(-1)
        low, middle, high = np.quantile(days, [0.05, 0.5, 0.95])
        widths[name], middles[name] = math.log(high / low), middle
    assert widths["same"] < 0.5 * widths["prior there"]
    assert widths["another"] < 0.95 * widths["prior"]
    # s is 1.5 at Miami: about half as many days again, the learned ultraviolet taking some back
    assert 1.2 < middles["same"] / middles["prior there"] < 1.7
