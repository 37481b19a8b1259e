"""Square roots of correlation matrices of values along a line, many models at once."""

from __future__ import annotations

import math

import numba
import numpy as np
import numpy.typing as npt

from viewer.science.kernels import compiled

Array = npt.NDArray[np.float64]

EXPONENTIAL, SPHERICAL = 0.0, 1.0

_SURE = 1e-9
"""Added to the diagonal, so that places that almost coincide leave a matrix with a square root."""


def factors(at: Array, models: Array) -> tuple[Array, Array]:
    """Cholesky factors of correlation matrices, and their inverses.

    Parameters
    ----------
    at : ndarray of float64 [n]
        Places along the line.
    models : ndarray of float64 [m, 3]
        Shape (`EXPONENTIAL`: ``exp(-h / range)``; `SPHERICAL`: ``1 - 1.5 h/range + 0.5 (h/range)**3``
        up to the range), range in the unit of `at` (0: independent values), and nugget, the share of
        variance that is each value's own.

    Returns
    -------
    lower, inverse : ndarray of float64 [m, n, n]
        ``lower @ lower.T`` is the correlation, and ``inverse @ lower`` the unit matrix.
    """
    n = len(at)
    lower = np.zeros((len(models), n, n))
    inverse = np.zeros_like(lower)
    _factors(np.ascontiguousarray(at, np.float64), np.ascontiguousarray(models), lower, inverse)
    return lower, inverse


def factors_plain(at: Array, models: Array) -> tuple[Array, Array]:
    """The same by LAPACK, model by model; see `factors`."""
    far = np.abs(at[:, None] - at[None, :])
    lower = np.array([np.linalg.cholesky(_correlation(far, *model)) for model in models])
    return lower, np.linalg.inv(lower)


def _correlation(far: Array, shape: float, reach: float, nugget: float) -> Array:
    if reach == 0.0:
        found: Array = np.where(far == 0.0, 1.0, 0.0)
    elif shape == SPHERICAL:
        h = np.minimum(far / reach, 1.0)
        found = (1.0 - nugget) * (1.0 - 1.5 * h + 0.5 * h**3)
    else:
        found = (1.0 - nugget) * np.exp(-far / reach)
    found[np.diag_indices(len(far))] = 1.0 + _SURE
    return found


@compiled
def _factors(at: Array, models: Array, lower: Array, inverse: Array) -> None:
    n = at.shape[0]
    for m in numba.prange(models.shape[0]):
        shape, reach, nugget = models[m, 0], models[m, 1], models[m, 2]
        for i in range(n):
            for j in range(i + 1):
                if i == j:
                    value = 1.0 + _SURE
                elif reach == 0.0:
                    value = 0.0
                else:
                    h = abs(at[i] - at[j]) / reach
                    if shape == SPHERICAL:
                        value = 0.0 if h >= 1.0 else 1.0 - 1.5 * h + 0.5 * h * h * h
                    else:
                        value = math.exp(-h)
                    value *= 1.0 - nugget
                for k in range(j):
                    value -= lower[m, i, k] * lower[m, j, k]
                lower[m, i, j] = math.sqrt(value) if i == j else value / lower[m, j, j]
        for i in range(n):
            inverse[m, i, i] = 1.0 / lower[m, i, i]
            for k in range(i):
                # Row by row, so that memory is read in order.
                share = lower[m, i, k] / lower[m, i, i]
                if share != 0.0:
                    for j in range(k + 1):
                        inverse[m, i, j] -= share * inverse[m, k, j]
