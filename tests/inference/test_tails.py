"""Is the tail of Student's t right, and are normal errors a special case of the others?"""

from __future__ import annotations

import ctypes
import math

import numba
import numpy as np
import pytest
from scipy import special, stats
from test_kernel import case, case_of, density

from durability.inference import tails

NODES = np.ascontiguousarray(tails.abscissas())


@numba.cfunc("float64(float64, float64, CPointer(float64), int64, CPointer(float64))")
def _tail(x, nu, node, n_node, slopes):
    value, slopes[0], slopes[1] = tails.log_t_below(x, nu, node, n_node)
    return value


def log_below(x: float, nu: float) -> tuple[float, float, float]:
    """log P(t < x), its slope by x, and by nu."""
    pointer = ctypes.c_void_p
    call = ctypes.CFUNCTYPE(
        ctypes.c_double, ctypes.c_double, ctypes.c_double, pointer, ctypes.c_int64, pointer
    )(_tail.address)  # pyright: ignore
    slopes = np.zeros(2)
    value = call(x, nu, NODES.ctypes.data, len(NODES), slopes.ctypes.data)
    return value, float(slopes[0]), float(slopes[1])


@pytest.mark.parametrize("nu", [0.5, 1.0, 1.4, 3.0, 8.0, 30.0, 100.0])
def test_tail_of_student_agrees_with_scipy(nu):
    for x in (-60.0, -20.0, -8.0, -3.0, -1.0, -0.2, 0.0, 0.3, 1.0, 3.0, 8.0):
        value, slope, by_nu = log_below(x, nu)
        assert value == pytest.approx(math.log(special.stdtr(nu, x)), rel=1e-9, abs=1e-10)
        mills = math.exp(stats.t.logpdf(x, nu) - math.log(special.stdtr(nu, x)))
        assert slope == pytest.approx(mills, rel=1e-8)
        step = 1e-4 * nu
        ahead = log_below(x, nu + step)[0] - log_below(x, nu - step)[0]
        assert by_nu == pytest.approx(ahead / (2 * step), rel=1e-5, abs=1e-8)


def test_digamma_agrees_with_scipy():
    for x in (0.05, 0.5, 1.0, 3.3, 9.99, 10.0, 250.0):
        assert tails.digamma(x) == pytest.approx(special.digamma(x), rel=1e-12, abs=1e-12)


@pytest.mark.parametrize("censored", [False, True])
def test_a_power_of_zero_is_a_constant_amount(censored):
    """Same strips, same parameters: the densities differ by the prior of the power alone."""
    power = case("power", censored, 3, "logistic", False)
    normal = case_of(power.study, "logistic", "normal")
    place, gaps = power.layout.error.start, []
    for y in power.points(4):
        theta = power.theta(y)
        theta[place] = 0.0
        without = np.delete(theta, place)
        gaps.append(density(power.raw, theta)[0] - density(normal.raw, without)[0])
    assert np.ptp(gaps) < 1e-9


def test_many_degrees_of_freedom_are_lognormal():
    """Percent data: nothing is integrated out, so both densities have the same parameters."""
    long = case("student", True, 3, "logistic", True)
    plain = case_of(long.study, "logistic", "lognormal")
    place, gaps = long.layout.error.start, []
    for y in long.points(4):
        theta = long.theta(y)
        theta[place] = math.log(1e7)
        gaps.append(density(long.raw, theta)[0] - density(plain.raw, np.delete(theta, place))[0])
    assert np.ptp(gaps) < 1e-3
