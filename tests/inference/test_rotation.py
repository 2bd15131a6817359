"""Do chains that move by rotations draw from the density, and from nothing but seed and number?"""

from __future__ import annotations

import math
import os
import subprocess
import sys
import time
from pathlib import Path

import numba
import numpy as np
import pytest
from known_truth import strips_of, study_of, truth_of
from numba import types
from scipy import stats

import durability
from durability.inference import Sampler, kernel
from durability.inference.build import build_model
from durability.inference.coordinates import pack
from durability.inference.diagnostics import diagnose
from durability.inference.posterior import parameter_names
from durability.inference.rotation import RotatingChain, rotating_chain
from durability.inference.sampling import sample
from durability.inference.search import find
from durability.laws import read_law
from durability.retention import with_strength

_f8, _i8 = types.float64, types.int64
_fp = types.CPointer(_f8)
C = _i8(_i8, _fp, _fp, _fp, types.CPointer(_i8))


@numba.cfunc(C)
def wide(n, z, grad, value, data):
    """Normal with standard deviations from 0.4 up to 4 and means 0, 1, 2..."""
    total = 0.0
    for i in range(n):
        sd = 0.4 * 10.0 ** (i / (n - 1))
        t = (z[i] - i) / sd
        total -= 0.5 * t * t
        grad[i] = -t / sd
    value[0] = total
    return 0


@numba.cfunc(C)
def gamma(n, z, grad, value, data):
    """Log of gamma variables of shape 3: skew, with the exact quantiles of scipy."""
    total = 0.0
    for i in range(n):
        total += 3.0 * z[i] - math.exp(z[i])
        grad[i] = 3.0 - math.exp(z[i])
    value[0] = total
    return 0


@numba.cfunc(C)
def half(n, z, grad, value, data):
    """A standard normal of which only the positive half has a density."""
    for i in range(n):
        grad[i] = -z[i]
        if z[i] < 0.0:
            return 4
    value[0] = 0.0
    for i in range(n):
        value[0] -= 0.5 * z[i] * z[i]
    return 0


NOTHING = np.zeros(1, dtype=np.int64)


def draws_of(function, n, *, draws=20_000, tune=600, target=0.85):
    return rotating_chain(
        function.address, NOTHING, n, seed=[5, 0], draws=draws, tune=tune, target=target,
        on=lambda share: None,
    )  # fmt: skip


def test_a_standard_normal_is_drawn_independently():
    @numba.cfunc(C)
    def normal(n, z, grad, value, data):
        value[0] = 0.0
        for i in range(n):
            grad[i] = -z[i]
            value[0] -= 0.5 * z[i] * z[i]
        return 0

    z, told = draws_of(normal, 3)
    assert told["acceptance_rate"].min() > 1 - 1e-9 and set(told["n_steps"]) == {2, 8}
    assert abs(np.corrcoef(z[1:, 0], z[:-1, 0])[0, 1]) < 0.03
    assert stats.kstest(z[:, 1], "norm").pvalue > 1e-3


def test_widths_and_places_that_are_off_are_learned():
    z, told = draws_of(wide, 6)
    sd = 0.4 * 10.0 ** (np.arange(6) / 5)
    assert z.mean(0) == pytest.approx(np.arange(6), abs=0.1 * sd.max())
    assert z.std(0) == pytest.approx(sd, rel=0.05)
    assert np.median(told["n_steps"]) <= 6 and not told["diverging"].any()


def test_a_skew_density_has_its_exact_quantiles():
    z, _ = draws_of(gamma, 4)
    at = np.array([0.025, 0.5, 0.975])
    exact = np.log(stats.gamma.ppf(at, 3))
    error = np.sqrt(at * (1 - at) / 10_000) / (stats.gamma.pdf(np.exp(exact), 3) * np.exp(exact))
    assert np.abs(np.quantile(z, at, axis=0) - exact[:, None]).max(0) == pytest.approx(
        np.zeros(4), abs=5 * error.max()
    )


def test_where_there_is_no_density_no_draw_lies_and_it_is_told():
    z, told = draws_of(half, 1, draws=4000)
    assert z.min() >= 0 and told["diverging"].any()
    assert z.mean() == pytest.approx(math.sqrt(2 / math.pi), abs=0.08)


def test_draws_do_not_depend_on_how_many_are_asked_beyond_them():
    few, _ = draws_of(gamma, 4, draws=500)
    many, _ = draws_of(gamma, 4, draws=1000)
    assert (many[:500] == few).all()


def test_a_density_that_is_nowhere_finite_is_refused():
    @numba.cfunc(C)
    def nowhere(n, z, grad, value, data):
        value[0] = np.nan
        return 4

    chain = RotatingChain(density=nowhere.address, data=NOTHING, n=2, rng=np.random.default_rng(1))
    with pytest.raises(FloatingPointError, match="finite nowhere"):
        chain.adapt(100, 0.85)


def invented(seed):
    """Model of a study of known truth whose strips reach the threshold."""
    columns = strips_of(
        np.random.default_rng(seed), truth_of(300.0), doses=(0, 100, 200, 300, 450), strips=5
    )
    return build_model(study_of(columns), read_law("stretched-exponential"))


@pytest.fixture(scope="module")
def model():
    return invented(4)


@pytest.fixture(scope="module")
def coordinates(model):
    return find(model)[0]


def test_both_ways_to_move_draw_from_one_posterior(model, coordinates):
    by = {
        moves: sample(
            model, sampler=Sampler(draws=2000, tune=300, moves=moves), seed=3,
            coordinates=coordinates,
        )
        for moves in ("rotations", "no-u-turn")
    }  # fmt: skip
    names = parameter_names(model)
    told = [diagnose(s.theta, names, s.stats) for s in by.values()]
    assert all(d.ok and not d.divergences for d in told)
    a, b = (s.theta.reshape(-1, s.theta.shape[2]) for s in by.values())
    ess = min(min(d.ess_bulk, d.ess_tail) for d in told)
    sd = b.std(0)
    assert (np.abs(a.mean(0) - b.mean(0)) < 4 * sd * math.sqrt(2 / ess)).all()
    assert np.abs(np.log(a.std(0) / sd)).max() < 4 * math.sqrt(1 / ess)


def test_a_draw_costs_few_gradients(model, coordinates):
    got = sample(model, seed=1, coordinates=coordinates)
    assert float(got.stats["n_steps"].mean()) <= 4


def test_the_same_seed_gives_the_same_bits_on_one_core_or_two(model, coordinates):
    one, two = (
        sample(model, sampler=Sampler(draws=100, cores=cores), seed=9, coordinates=coordinates)
        for cores in (1, 2)
    )
    assert (one.theta == two.theta).all()
    assert (one.theta[0] != one.theta[1]).any()


@pytest.mark.parametrize("moves", ["rotations", "no-u-turn"])
def test_a_run_that_is_stopped_keeps_its_chains_and_goes_on_bit_for_bit(
    model, coordinates, tmp_path, moves
):
    settings = Sampler(draws=200, tune=100, cores=1, moves=moves)
    whole = sample(model, sampler=settings, seed=2, coordinates=coordinates)

    class Stop(Exception):
        pass

    def stop(stage: str, share: float) -> None:
        if any(tmp_path.glob("*.npz")):
            raise Stop

    with pytest.raises(Stop):
        sample(model, sampler=settings, seed=2, coordinates=coordinates, keep=tmp_path,
               progress=stop)  # fmt: skip
    kept = {f.name: f.stat().st_mtime_ns for f in tmp_path.glob("*.npz")}
    assert kept and not list(tmp_path.glob("*.part"))
    again = sample(model, sampler=settings, seed=2, coordinates=coordinates, keep=tmp_path)
    assert (again.theta == whole.theta).all()
    for name in whole.stats:
        assert (again.stats[name].values == whole.stats[name].values).all()
    assert {f: (tmp_path / f).stat().st_mtime_ns for f in kept} == kept  # read, not made again


def test_kept_chains_of_another_seed_setting_or_study_are_left_alone(model, coordinates, tmp_path):
    settings = Sampler(draws=50, tune=100, cores=1)
    sample(model, sampler=settings, seed=2, coordinates=coordinates, keep=tmp_path)
    assert len(list(tmp_path.iterdir())) == 4
    sample(model, sampler=settings, seed=3, coordinates=coordinates, keep=tmp_path)
    sample(model, sampler=Sampler(draws=60, tune=100), seed=2, coordinates=coordinates,
           keep=tmp_path)  # fmt: skip
    sample(invented(5), sampler=settings, seed=2, keep=tmp_path)
    assert len(list(tmp_path.iterdir())) == 16


def test_a_damaged_chain_is_drawn_again(model, coordinates, tmp_path):
    settings = Sampler(draws=50, tune=100, cores=1)
    whole = sample(model, sampler=settings, seed=2, coordinates=coordinates, keep=tmp_path)
    for file in tmp_path.iterdir():
        file.write_bytes(file.read_bytes()[:400])
    again = sample(model, sampler=settings, seed=2, coordinates=coordinates, keep=tmp_path)
    assert (again.theta == whole.theta).all()


RUN = """
import sys
from pathlib import Path
from test_rotation import SLOW, too_early
from durability.inference.sampling import sample
sample(too_early(), seed=6, sampler=SLOW, keep=Path(sys.argv[1]))
"""
SLOW = Sampler(draws=8000, cores=1)


def too_early():
    """Model of the smallest example."""
    study = durability.read_study(Path(__file__).parents[2] / "examples" / "too-early")
    return build_model(with_strength(study), read_law("stretched-exponential"))


def test_a_process_that_is_killed_loses_no_finished_chain(tmp_path):
    paths = [str(Path(__file__).parent), os.environ.get("PYTHONPATH", "")]
    process = subprocess.Popen(
        [sys.executable, "-c", RUN, str(tmp_path)],
        env=os.environ | {"PYTHONPATH": os.pathsep.join(p for p in paths if p)},
    )
    limit = time.monotonic() + 120
    while not list(tmp_path.glob("*.npz")) and time.monotonic() < limit:
        time.sleep(0.002)
    process.kill()
    process.wait()
    assert 1 <= len(list(tmp_path.glob("*.npz"))) < 4
    whole = sample(too_early(), seed=6, sampler=SLOW)
    again = sample(too_early(), seed=6, sampler=SLOW, keep=tmp_path)
    assert (again.theta == whole.theta).all()
    assert len(list(tmp_path.glob("*.npz"))) == 4


def test_many_points_become_parameters_as_one_does(model, coordinates):
    buffer = pack(model, coordinates)
    z = np.random.default_rng(1).standard_normal((7, coordinates.centre.size))
    theta = np.empty_like(z)
    kernel.to_theta(z, buffer, theta)
    for i in range(len(z)):
        y = coordinates.centre + coordinates.chol @ z[i]
        alone = np.empty(len(y))
        kernel.from_y(y, buffer, alone)
        assert theta[i] == pytest.approx(alone, rel=1e-12, abs=1e-12)
