"""How sure are the estimates? The covariance of theta from the curvature at the best fit."""

from __future__ import annotations

import numpy as np

from durability.inference.likelihood.errors import Likelihood

SINGULAR = 1e-10
"""Ratio of singular values (columns scaled to one) below which parameters cannot be told apart."""


def covariance_of(likelihood: Likelihood, theta: np.ndarray) -> tuple[np.ndarray, bool]:
    """Covariance of theta (p, p), and whether the data cannot tell some parameters apart.

    Normal errors with the spread taken out: ``s² (J'WJ)^-1`` by QR, s² on N - p degrees of freedom.
    Otherwise the inverse of the observed information (central differences of the exact gradient),
    times ``N / (N - p)``. Entries of held or undetermined parameters are nan (0 where held).
    """
    width, n = theta.size, likelihood.rows.n
    free = likelihood.free & (theta > likelihood.lower) & (theta < likelihood.upper)
    p = int(likelihood.free[: likelihood.mean.size].sum())
    out = np.zeros((width, width))
    if not free.any():
        return out, False
    if likelihood.simple:
        rows = likelihood.rows
        _, jacobian = likelihood.mean.slopes(theta[None, :])
        tall = np.sqrt(rows.count * rows.weight)[:, None] * jacobian[0][:, free]
        inverse, lost = _inverse_square(tall)
        squares = float(likelihood.squares(theta[None, :])[0])
        share = squares / (n - p) if n > p else np.nan
    else:
        information = observed_information(likelihood, theta)[np.ix_(free, free)]
        sound = np.isfinite(information).all(axis=1) & (np.diag(information) > 0)
        unknown = ~sound  # at the edge of what can be computed, or no maximum at all
        information[unknown], information[:, unknown] = 0.0, 0.0
        size = np.sqrt(np.maximum(np.diag(information), 1e-300))
        unit = information / size / size[:, None]
        values, vectors = np.linalg.eigh(0.5 * (unit + unit.T))
        lost = values <= 1e-9 * values.max()
        inverse = (vectors / np.where(lost, np.inf, values)) @ vectors.T / size / size[:, None]
        lost = _touched(vectors, lost)
        inverse[lost], inverse[:, lost] = np.nan, np.nan
        share = n / (n - p) if n > p else np.nan
    out[np.ix_(free, free)] = inverse * share
    if n <= p:
        out[np.ix_(free, free)] = np.nan
    return out, bool(lost.any())


def _inverse_square(tall: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(A'A)^-1 by singular values, nan in rows of parameters that cannot be told apart."""
    size = np.linalg.norm(tall, axis=0)
    empty = size == 0
    unit = tall / np.where(empty, 1.0, size)
    if unit.shape[0] < unit.shape[1]:
        unit = np.vstack([unit, np.zeros((unit.shape[1] - unit.shape[0], unit.shape[1]))])
    _, values, vectors = np.linalg.svd(unit, full_matrices=False)
    lost = values <= SINGULAR * values[0]
    scaled = vectors.T / np.where(lost, np.inf, values)
    inverse = scaled @ scaled.T / np.where(empty, 1.0, size) / np.where(empty, 1.0, size)[:, None]
    touched = _touched(vectors.T, lost)
    inverse[touched], inverse[:, touched] = np.nan, np.nan
    return inverse, touched


def _touched(vectors: np.ndarray, lost: np.ndarray) -> np.ndarray:
    """Parameters that take part in a direction that the data cannot tell."""
    return (
        (np.abs(vectors[:, lost]) > 1e-3).any(axis=1)
        if lost.any()
        else np.zeros(vectors.shape[0], dtype=bool)
    )


def observed_information(likelihood: Likelihood, theta: np.ndarray) -> np.ndarray:
    """Second derivatives of minus the log-likelihood by central differences of the gradient."""
    width = theta.size
    step = 1e-5 * np.maximum(np.abs(theta), 0.1)
    points = np.concatenate([theta + np.diag(step), theta - np.diag(step)])
    _, gradient, _ = likelihood(points)
    rows = (gradient[:width] - gradient[width:]) / (2 * step[:, None])
    return 0.5 * (rows + rows.T)
