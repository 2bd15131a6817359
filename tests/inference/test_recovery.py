"""Is the truth found, as often as is said? Studies drawn from the priors, where it must hold.

With truths drawn from the priors and strips from the model, the share of posterior draws below the
truth is uniform over studies, and an interval of 95 % holds 95 % of the truths: exactly, not only
for many strips. (Cook, Gelman and Rubin 2006, Journal of Computational and Graphical Statistics
15:675; Talts et al. 2018, arXiv 1804.06788: from memory.) Only the unexposed strength deviates: its
prior is centred on the strips themselves, which narrows its posterior by under 1 %.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from known_truth import Truth, simulated, strips_of, study_of, truth_of
from scipy import stats

from durability import fit
from durability.inference import Fit, Sampler
from durability.inference.model import ERRORS, relative_spread

QUICK = Sampler(draws=500, tune=200, chains=2, cores=2)
SIX = (0.0, 100.0, 200.0, 300.0, 450.0, 600.0)


def ranks(count: int, **design: Any) -> dict[str, np.ndarray]:
    """Share of posterior draws below the truth: one entry a study, or a study and material."""
    found: dict[str, list[float]] = {}
    for seed in range(count):
        study, truth = simulated([seed, 20], **design)
        errors = design.get("errors", "lognormal")
        got = fit(study, law=truth.law, errors=errors, sampler=QUICK, seed=seed)
        for name, draws, value in compared(got, truth):
            found.setdefault(name, []).append(float((draws < value).mean()))
    return {name: np.array(values) for name, values in found.items()}


def compared(got: Fit, truth: Truth):
    """(quantity, posterior draws, truth) triples."""
    yield "lot spread", got.posterior["lot_spread_of_threshold"].values.ravel(), truth.lot_spread
    yield "start spread", got.posterior["lot_spread_of_strength"].values.ravel(), truth.start_spread
    for m, material in enumerate(got.materials):
        where: dict[str, Any] = {"material": material, "direction": "machine", "exposure": "X"}
        mean = got.threshold_draws(0.5, of="mean", **where)
        new = got.threshold_draws(0.5, of="new_lot", **where)
        yield "mean", mean, np.exp(truth.log_tau[m])
        yield "new lot", new, np.exp(truth.log_tau[m] + truth.new_lot[m])
        shape = {k: v[m] for k, v in truth.shape.items()}
        ratio = truth.law.inverse(0.8, shape) / truth.law.inverse(0.5, shape)
        at_80 = got.threshold_draws(0.8, of="mean", **where)
        yield "mean at 80 %", at_80, np.exp(truth.log_tau[m]) * ratio
        for name, value in got.shape_draws(material).items():
            yield f"shape {name}", value, truth.shape[name][m]
        yield (
            "strip spread",
            got.posterior["strip_spread"].values[..., m].ravel(),
            (truth.strip_spread[m]),
        )


def assert_calibrated(found: dict[str, np.ndarray]) -> None:
    for name, rank in found.items():
        n = rank.size
        inside = int(((rank > 0.025) & (rank < 0.975)).sum())
        low, high = stats.binom.ppf([0.0005, 0.9995], n, 0.95)
        assert low <= inside <= high, f"{name}: {inside} of {n} truths inside their 95 % interval"
        assert stats.kstest(rank, "uniform").pvalue > 0.001, f"{name}: ranks are not uniform"


def test_truths_drawn_from_the_priors_are_covered_and_their_ranks_are_uniform():
    assert_calibrated(ranks(36, doses=SIX))


def test_truths_are_covered_when_weak_strips_are_censored():
    # at 15 % of the unexposed strength: about one study in two has such strips
    assert_calibrated(ranks(14, doses=SIX, limit=0.15))


@pytest.mark.parametrize(
    ("count", "design"),
    [
        pytest.param(80, {}, id="six doses", marks=pytest.mark.long),
        pytest.param(50, {"limit": 0.15}, id="censored", marks=pytest.mark.long),
        pytest.param(60, {"lots": 1, "materials": 1}, id="one lot", marks=pytest.mark.slow),
        pytest.param(
            50, {"law": "exponential", "strips": 2}, id="two strips", marks=pytest.mark.slow
        ),
        pytest.param(
            50, {"law": "logistic", "doses": (0.0, 600.0)}, id="one dose", marks=pytest.mark.long
        ),
        pytest.param(16, {"errors": "power"}, id="power", marks=pytest.mark.slow),
        pytest.param(16, {"errors": "student"}, id="long tails", marks=pytest.mark.slow),
    ],
)
def test_truths_are_covered_over_many_studies(count, design):
    assert_calibrated(ranks(count, **({"doses": SIX} | design)))


@pytest.fixture(scope="module")
def small_fits() -> dict[str, Fit]:
    """A fit with either kind of scatter."""
    study = study_of(
        strips_of(np.random.default_rng(8), truth_of(300.0), doses=(0.0, 200.0, 400.0), strips=3)
    )
    return {errors: fit(study, errors=errors, sampler=QUICK) for errors in ERRORS}


@pytest.mark.parametrize("errors", ERRORS)
@pytest.mark.parametrize("share", [0.5, 0.9, 0.99])
def test_stated_share_of_strips_holds_at_the_single_specimen_dose(small_fits, errors, share):
    """Strips are drawn, lot by lot, from the parameters of each draw, at the dose said of it."""
    got = small_fits[errors]
    where: dict[str, Any] = {"material": "A", "direction": "machine", "exposure": "X"}
    dose = got.threshold_draws(0.5, of="single_specimen", share=share, **where)[::5]
    scale = got.scale_draws(of="new_lot", **where)[::5]
    shape = {k: v[::5] for k, v in got.shape_draws("A").items()}
    left = got.model.law.retained(dose / scale, shape)
    start = got.retained_draws(0.0, of="new_lot", **where)[::5, 0]  # of the lot against the product
    sd = got.posterior["strip_spread"].values.ravel()[::5]
    rng = np.random.default_rng(3)
    noise = rng.standard_normal((2000, dose.size))
    if errors == "student":
        freedom = got.posterior["tail_freedom"].values.ravel()[::5]
        noise /= np.sqrt(rng.chisquare(freedom, noise.shape) / freedom)
    if errors == "power":
        sd = sd * relative_spread(left, got.posterior["spread_power"].values.ravel()[::5])
    if errors in ("lognormal", "student"):
        strips = start * left * np.exp(sd * noise)
    else:
        strips = start * left + sd * noise
    holds = (strips >= 0.5).mean(axis=0)[dose > 0]
    assert holds.size >= 0.9 * dose.size
    assert holds.mean() == pytest.approx(share, abs=4 * np.sqrt(share * (1 - share) / 4e5))
    assert np.abs(holds - share).max() < 5 * np.sqrt(share * (1 - share) / 2000)


@pytest.mark.parametrize("errors", ERRORS)
@pytest.mark.parametrize(("of", "share"), [("mean", None), ("single_specimen", 0.9)])
def test_share_left_at_the_threshold_dose_is_the_fraction_asked(small_fits, errors, of, share):
    got = small_fits[errors]
    subject: dict[str, Any] = {
        "of": of,
        "material": "A",
        "direction": "machine",
        "exposure": "X",
        "share": share,
    }
    for fraction in (0.3, 0.5, 0.8):
        dose = got.threshold_draws(fraction, **subject)[:30]
        left = got.retained_draws(dose, **subject)[:30].diagonal()
        assert left[dose > 0] == pytest.approx(fraction, abs=1e-9)
        assert (left[dose == 0] <= fraction).all()
