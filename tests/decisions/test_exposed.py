"""Strength left after days in the open: against arithmetic, a count and an exact posterior."""

from __future__ import annotations

import datetime
from types import SimpleNamespace

import numpy as np
import pytest
import xarray

from durability.decisions import exposed as module
from durability.decisions.covering import cover
from durability.decisions.dug_out import read_strips
from durability.decisions.exposed import DugOut, exposed
from durability.statement import Statements
from durability.study import StudyError
from durability.study.model import Exposure, Material, Question, Segment, Study
from durability.translation.equivalent import lamp_hours_for, outdoor_equivalent
from durability.translation.reading import OpenInterval

LAMP = Exposure(
    name="X1", lamp="xenon-daylight", irradiance=0.35, band="340 nm", irradiance_uncertainty=0.0,
    cycle=(Segment(minutes=60, light=True, black_panel=65.0, air=40.0),),
    dose_unit="kJ/(m² nm) at 340 nm",
)  # fmt: skip
DAILY = 0.35 * 3.6 * 24  # lamp dose of a day under the lamp's own light, arithmetic


class FallingFit:
    """Strength halves at tau, exponentially; strips scatter log-normally about their lot."""

    law = "exponential"
    level = 0.9
    seed = 7
    model = SimpleNamespace(errors="lognormal", on_logs=True)
    start, scatter = 20.0, 0.1

    def __init__(self, tau, *, last=1000.0) -> None:
        self.tau = np.asarray(tau, dtype=float)
        self.last = last
        self.study = Study(
            folder=__import__("pathlib").Path(), title="invented", property="strength",
            unit="kN/m", thresholds=(0.5,), rows=xarray.Dataset(), exposures={"X1": LAMP},
            materials={"A": Material(name="A")}, question=Question(of="mean", assurance=0.9),
        )  # fmt: skip

    materials = ("A",)

    def directions(self, material):
        return ("machine",)

    def exposures(self, material):
        return ("X1",)

    def clock_draws(self, material):
        one = np.ones_like(self.tau)
        return {"reciprocity_exponent": one, "activation_energy": 0 * one}

    def last_dose(self, material, exposure):
        return self.last

    def statements(self):
        return Statements()

    def unexposed_draws(self, material, direction):
        return np.full_like(self.tau, self.start)

    def _strip(self, of, share):
        from scipy.special import ndtri

        return np.exp(-self.scatter * ndtri(share)) if of == "single_specimen" else 1.0

    def threshold_draws(self, fraction, *, of, material, direction, exposure, share=None):
        return self.tau * np.log2(self._strip(of, share) / fraction)

    def retained_draws(self, dose, *, of, material, direction, exposure, share=None):
        dose = np.atleast_1d(np.asarray(dose, dtype=float))
        return self._strip(of, share) * 0.5 ** (dose[None, :] / self.tau[:, None])


@pytest.fixture
def lit(monkeypatch):
    """The lamp's own light all year, every link certain."""
    import durability.exposure
    from durability.exposure import Assumption
    from durability.translation import reading

    even = np.ones(8760)
    sky = xarray.Dataset(
        {n: ("hour", v * even) for n, v in
         {"e340": 0.35, "uv_300_400": 33.0, "poa": 0.0, "temp_air": 50.0, "wind_speed": 2.0,
          "log_clearness": 0.0}.items()}
    )  # fmt: skip
    names = ("uv_factor", "absorptance", "temperature_rise_factor")
    known = {n: Assumption(name=n, value=1.0, sd=0.0, source="invented") for n in names}
    for name in ("year_to_year", "lab_to_sky"):
        known[name] = Assumption(name=name, value=1.0, log_sd=0.0, source="invented")
    known["cloud_power"] = Assumption(name="cloud_power", value=0.8, sd=0.0, source="invented")
    import importlib

    monkeypatch.setattr(durability.exposure, "sky_exposure", lambda *a, **k: sky)
    monkeypatch.setattr(reading, "read_inputs", lambda: known)
    place = importlib.import_module("durability.translation.translate")
    monkeypatch.setattr(place, "read_inputs", lambda: known)
    return durability.exposure.Site(
        name="nowhere", title="An invented place", latitude=0.0, longitude=0.0, altitude=0.0,
        utc_offset=0.0, hourly=xarray.Dataset(),
    )  # fmt: skip


TEN = OpenInterval.read("2026-03-01 to 2026-03-11")


def test_ten_days_of_a_ten_day_half_life_leave_half(lit):
    found = exposed(FallingFit(np.full(50, 10 * DAILY)), site=lit, intervals=[TEN])
    s = found.statements.one(quantity="strength_left")
    assert s.value == pytest.approx(0.5, abs=1e-9)
    factor = found.statements.one(quantity="reduction_factor")
    assert factor.value == pytest.approx(2.0, abs=1e-8)


def test_several_intervals_add_up_and_part_light_counts_in_part(lit):
    """5 + 5 days, or 20 days at half the light with p = 1, are ten days (arithmetic)."""
    fit = FallingFit(np.full(50, 10 * DAILY))
    spans = ("2025-12-29 to 2026-01-03", "2026-06-01 to 2026-06-06")
    twice = [OpenInterval.read(text) for text in spans]
    half = [OpenInterval.read("2026-06-01 to 2026-06-21 at 0.5")]
    for intervals in (twice, half):
        s = exposed(fit, site=lit, intervals=intervals).statements.one(quantity="strength_left")
        assert s.value == pytest.approx(0.5, abs=1e-9)


def test_the_chance_of_holding_is_the_share_of_draws_that_hold(lit):
    tau = DAILY * np.linspace(5, 15, 101)
    found = exposed(FallingFit(tau), site=lit, intervals=[TEN])
    assert found.statements.one(quantity="chance_of_holding").value == pytest.approx(51 / 101)
    assert "Dig out" in found.verdict("A")


def test_strips_dug_out_move_the_answer_to_the_exact_posterior(lit):
    """Log strength is not linear in log tau, so the truth comes from quadrature."""
    rng = np.random.default_rng(5)
    tau = 10 * DAILY * np.exp(0.4 * rng.standard_normal(40_000))
    strips = [DugOut(strength=y) for y in (12.0, 13.1, 12.4)]
    found = exposed(FallingFit(tau), site=lit, intervals=[TEN], strips=strips)
    z = np.linspace(-5, 5, 20_001)
    left = 0.5 ** (1 / np.exp(0.4 * z))
    log_p = -0.5 * z**2
    for s in strips:
        log_p += -0.5 * (np.log(s.strength / (20.0 * left)) / 0.1) ** 2
    p = np.exp(log_p - log_p.max())
    p = np.cumsum(p / p.sum())
    s = found.updated.one(quantity="strength_left")
    exact = [float(left[np.searchsorted(p, q)]) for q in (0.05, 0.5, 0.95)]
    np.testing.assert_allclose([s.low, s.value, s.high], exact, atol=0.006)
    assert (s.high - s.low) < 0.5 * (found.statements[0].high - found.statements[0].low)
    assert found.effective_draws["A"] > 1000
    assert "updated_by_strips" in s.assumptions


def test_strips_that_few_draws_agree_with_are_flagged(lit):
    tau = 10 * DAILY * np.exp(0.05 * np.random.default_rng(1).standard_normal(500))
    found = exposed(FallingFit(tau), site=lit, intervals=[TEN], strips=[DugOut(strength=2.0)] * 5)
    assert "few_draws_left" in found.updated[0].flags


def test_assurance_of_a_factor_is_the_chance_that_so_much_is_left(lit):
    tau = DAILY * np.linspace(20, 200, 400)
    found = exposed(FallingFit(tau), site=lit, intervals=[TEN])
    each = found.factors["A", "machine"]
    left = 0.5 ** (10 * DAILY / tau)
    assert each[1.25] == pytest.approx((left >= 0.8).mean())
    assert each[1.0] == 0.0


def test_a_dose_beyond_the_test_is_called_extrapolated(lit):
    found = exposed(FallingFit(np.full(50, 500.0), last=5 * DAILY), site=lit, intervals=[TEN])
    s = found.statements.one(quantity="strength_left")
    assert s.extrapolated
    assert s.extrapolation_factor == pytest.approx(2.0)


def test_the_calendar_year_is_used_where_the_series_holds_it():
    import dataclasses

    @dataclasses.dataclass(frozen=True)
    class Place:
        hourly: str
        years: tuple
        typical_year: bool = True

    place = Place("typical", (SimpleNamespace(year=2026, hourly="as measured"),))
    assert module._measured(place, [TEN]).hourly == "as measured"
    other = OpenInterval(begin=datetime.date(2025, 5, 1), end=datetime.date(2025, 6, 1))
    assert module._measured(place, [other]) is None


def test_days_to_cover_beyond_the_test_carry_the_word_and_what_the_test_bears_out(lit):
    tau = DAILY * np.linspace(38, 60, 200)
    found = cover(FallingFit(tau, last=30.5 * DAILY), site=lit)
    assert found.statements.where(quantity="days_to_cover", month=6)[0].extrapolated
    assert found.statements.where(quantity="days_tested", month=6)[0].low == 30.0
    assert "extrapolated" in found.sentences()[0]
    assert "30 days" in found.sentences()[0]
    within = cover(FallingFit(tau, last=100 * DAILY), site=lit)
    assert len(within.statements.where(quantity="days_tested")) == 0
    assert "extrapolated" not in within.sentences()[0]


def test_days_already_spent_are_taken_off_and_part_light_stretches_the_rest(lit):
    fit = FallingFit(np.full(200, 50.7 * DAILY))
    first = cover(fit, site=lit).worst[0]
    spent = cover(fit, site=lit, spent=[TEN]).worst[0]
    half = cover(fit, site=lit, light=0.5).worst[0]
    assert (first.low, spent.low, half.low) == (50.0, 40.0, 101.0)
    gone = cover(fit, site=lit, spent=[OpenInterval.read("2025-01-01 to 2025-06-01")])
    assert gone.worst[0].low == 0.0
    assert "on the day of laying" in gone.sentences()[0]


def test_one_day_of_laying_is_named_and_no_worst_month(lit):
    fit = FallingFit(np.full(200, 50.7 * DAILY))
    dated = cover(fit, site=lit, laying="2027-05-12").sentences()[0]
    assert " on 2027-05-12: cover within 50 days (" in dated
    assert "the median lot, 50 % left, 90 % assurance" in dated
    assert "worst month" not in dated
    assert "worst month" in cover(fit, site=lit).sentences()[0]


def test_the_pass_rule_reads_the_fraction_left_after_its_hours(lit):
    """500 h at 0.35 W/(m² nm) are 630 kJ/(m² nm); half at 630 · 2 leaves 0.71 (arithmetic)."""
    found = cover(FallingFit(np.full(50, 1260.0)), site=lit)
    rule = next(r for r in found.rules if r.rule == "pass-500-hours")
    assert rule.dose == pytest.approx(630.0)
    assert rule.left == pytest.approx(2**-0.5)
    assert rule.words == "passes"
    assert any("fluorescent" in line for line in found.silent)
    short = cover(FallingFit(np.full(50, 1260.0), last=300.0), site=lit)
    assert not short.rules


def test_lamp_dose_and_days_are_read_both_ways(lit):
    fit = FallingFit(np.full(50, 100.0))
    days = outdoor_equivalent(fit, site=lit, dose=10 * DAILY, laying="2026-05-01")
    assert days[0].value == pytest.approx(10.0)
    hours = lamp_hours_for(fit, site=lit, days=10, laying="2026-05-01")
    assert hours[0].value == pytest.approx(240.0)
    assert len(outdoor_equivalent(fit, site=lit)) == 12


@pytest.mark.parametrize(
    "text",
    ["2026-03-01", "2026-03-05 to 2026-03-01", "May to June", "2026-03-01 to 2026-03-09 at 2"],
)  # fmt: skip
def test_time_in_the_open_that_cannot_be_read_is_refused(text):
    with pytest.raises(ValueError, match=r"in the open|light is"):
        OpenInterval.read(text)


def test_every_fault_of_a_table_of_strips_is_named_with_its_row(tmp_path):
    file = tmp_path / "strips.csv"
    file.write_text("material,strength\nA,12\nA,-3\nA,\n")
    with pytest.raises(StudyError) as caught:
        read_strips(file)
    assert [(p.row, p.found) for p in caught.value.problems] == [(3, "-3"), (4, "nothing")]
    file.write_text("strength,material\n12,A\n")
    assert read_strips(file) == [DugOut(strength=12.0, material="A")]
    with pytest.raises(StudyError):
        read_strips(tmp_path / "none.csv")


def test_strips_of_unknown_materials_are_all_named(lit):
    wrong = [DugOut(strength=1.0, material="B"), DugOut(strength=1.0, direction="askew")]
    with pytest.raises(ValueError, match=r"strip 1.*strip 2"):
        exposed(FallingFit([100.0, 101.0]), site=lit, intervals=[TEN], strips=wrong)
