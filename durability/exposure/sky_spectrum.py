"""How does the sky share its ultraviolet out over wavelength, hour by hour?

    m_h = integral of E_h(x) A(x) dx / E_h,band

is the effective irradiance of hour *h* for each unit of its irradiance in a band, as
`durability.exposure.lamp_light` has it for a lamp. A low sun is redder: m falls. Below 315 nm the
computed sky is too weak and is multiplied by an uncertain factor (models/translation.toml).

Slope and factor differ from draw to draw, hours are many. Log m is therefore computed at 9 x 3
values of them and split by singular values into few patterns over the hours, each with a weight
that is read between those values for each draw (Chebyshev points, barycentric form).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from durability.exposure.action import SHORT_WAVE
from durability.exposure.lamp_light import LONGEST, STEP, trapezoid_weights

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from durability.exposure.action import Action

SLOPES, FACTORS = 9, 3
"""Values of the slope and of the short-wave factor at which log m is computed."""

CLOSE = 1e-3
"""Largest error of log m that patterns left out may make."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SpectralPatterns:
    """Log m of every hour and draw, as patterns over the hours with weights in each draw.

        log m[draw, hour] = level[draw] + sum over patterns of weights[draw] * rows[hour]

    Parameters
    ----------
    rows : (pattern, hour).
    level : (draw,).
    weights : (draw, pattern).
    short_share : share of the year's effective dose below 315 nm, at the median draw [1].
    """

    rows: NDArray
    level: NDArray
    weights: NDArray
    short_share: float


def spectral_patterns(
    wavelength: NDArray,
    spectral: NDArray,
    band: NDArray,
    action: Action,
    *,
    slope: ArrayLike,
    short_wave: ArrayLike,
) -> SpectralPatterns:
    """Log m for each draw, from the spectra of the hours.

    Parameters
    ----------
    wavelength : (wavelength,) of the sky's spectra [nm].
    spectral : (hour, wavelength) spectral irradiance of the lit hours [W/m²/nm].
    band : (hour,) irradiance in the lamp's control band [W/m²/nm or W/m²], above 0.
    action : of the material.
    slope : of the action spectrum (draw,) [1/nm].
    short_wave : factor on the computed sky below 315 nm (draw,) [1].

    Returns
    -------
    SpectralPatterns

    Examples
    --------
    A sky that is the same in all hours needs no pattern:

    >>> import numpy
    >>> from durability.exposure.action import Action
    >>> x = numpy.linspace(300.0, 400.0, 21)
    >>> even = spectral_patterns(x, numpy.ones((3, 21)), numpy.full(3, 100.0), Action(title="even"),
    ...     slope=[0.0, 0.0], short_wave=[1.0, 1.0])
    >>> even.rows.shape, numpy.exp(even.level).round(3)
    ((0, 3), array([1., 1.]))
    """
    import numpy

    slope = numpy.atleast_1d(numpy.asarray(slope, dtype=float))
    short = numpy.broadcast_to(numpy.asarray(short_wave, dtype=float), slope.shape)
    b_nodes, b_weights = chebyshev(slope, SLOPES)
    u_nodes, u_weights = chebyshev(short, FACTORS)
    below, above = _kernels(wavelength, action, b_nodes)
    part = spectral @ below.T  # (hour, slope)
    rest = spectral @ above.T
    tiny = numpy.finfo(float).tiny
    whole = rest[:, :, None] + part[:, :, None] * u_nodes
    log_m = numpy.log(numpy.maximum(whole, tiny)) - numpy.log(band)[:, None, None]
    log_m = log_m.reshape(len(spectral), -1).T  # (node, hour)
    between = (b_weights[:, None, :] * u_weights[None, :, :]).reshape(-1, slope.size)
    level = log_m.mean(axis=1)
    left, size, rows = numpy.linalg.svd(log_m - level[:, None], full_matrices=False)
    # the error of what is left out, at its largest, is below the sum of its singular values
    worst = numpy.cumsum((size * numpy.abs(left).max(axis=0) * numpy.abs(rows).max(axis=1))[::-1])
    keep = int((worst[::-1] > CLOSE).sum())
    middle = int(numpy.argsort(slope)[slope.size // 2])
    dark = (between[:, middle].reshape(b_nodes.size, u_nodes.size) * u_nodes).sum(axis=1)
    bright = (between[:, middle].reshape(b_nodes.size, u_nodes.size)).sum(axis=1)
    short_dose, long_dose = float(part.sum(axis=0) @ dark), float(rest.sum(axis=0) @ bright)
    return SpectralPatterns(
        rows=rows[:keep],
        level=level @ between,
        weights=((left[:, :keep] * size[:keep]).T @ between).T,
        short_share=short_dose / (short_dose + long_dose),
    )


def _kernels(wavelength: NDArray, action: Action, slopes: NDArray) -> tuple[NDArray, NDArray]:
    """Weights (slope, wavelength) of the effective irradiance below and above 315 nm.

    A spectrum is taken as straight between its wavelengths, the action spectrum as it is.
    """
    import numpy

    fine = numpy.arange(float(wavelength[0]), LONGEST + STEP / 2, STEP)
    hats = numpy.array([numpy.interp(fine, wavelength, one) for one in numpy.eye(wavelength.size)])
    damage = action.weights(fine, slopes)
    found = []
    for inside in (fine <= SHORT_WAVE, fine >= SHORT_WAVE):
        whole = numpy.zeros_like(fine)
        if inside.any():
            whole[inside] = trapezoid_weights(fine[inside])
        found.append((damage * whole) @ hats.T)
    return found[0], found[1]


def chebyshev(x: NDArray, nodes: int) -> tuple[NDArray, NDArray]:
    """Points between the least and the largest x, and the weight of each at every x.

    Parameters
    ----------
    x : (draw,).
    nodes : number of points; one where all x are equal.

    Returns
    -------
    points (node,), and weights (node, draw), which sum to 1: a smooth function of x is the sum of
    its values at the points times the weights.

    Examples
    --------
    >>> import numpy
    >>> x = numpy.array([1.0, 2.0, 3.0])
    >>> points, weights = chebyshev(x, 5)
    >>> numpy.allclose((points**3) @ weights, x**3)
    True
    """
    import numpy

    low, high = float(x.min()), float(x.max())
    if high - low < 1e-9:
        return numpy.array([low]), numpy.ones((1, x.size))
    points = chebyshev_points(low, high, nodes)
    return points, between(points, x)


def chebyshev_points(low: float, high: float, count: int) -> NDArray:
    """Points of a range (count,) through which a polynomial follows a smooth function closely.

    Examples
    --------
    >>> chebyshev_points(0.0, 1.0, 3).round(3)
    array([0.067, 0.5  , 0.933])
    """
    import numpy

    turn = numpy.cos(numpy.pi * (numpy.arange(count) + 0.5) / count)
    return (low + high) / 2 - (high - low) / 2 * turn


def between(points: NDArray, x: NDArray) -> NDArray:
    """Weight of each point at every x (point, x), of the polynomial through all points.

    Examples
    --------
    >>> import numpy
    >>> points = numpy.array([0.0, 1.0, 3.0])
    >>> float((points**2 @ between(points, numpy.array([2.0])))[0])
    4.0
    """
    import numpy

    away = x - points[:, None]
    weights = numpy.empty_like(away)
    for i, at in enumerate(points):
        others = numpy.arange(points.size) != i
        weights[i] = away[others].prod(axis=0) / (at - points[others]).prod()
    return weights


__all__ = ["SpectralPatterns", "between", "chebyshev", "chebyshev_points", "spectral_patterns"]
