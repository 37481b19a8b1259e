"""Gradient noise that can be evaluated anywhere, so that a coarse and a fine map show one rock.

The method is the improved gradient noise of Perlin (2002, doi:10.1145/566654.566636), with an
integer hash in place of the permutation table.
"""

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

_TURN = 2.0 * np.pi / 16.0
_DIRECTIONS = np.array([[np.cos(k * _TURN), np.sin(k * _TURN)] for k in range(16)])


@njit(cache=True, nogil=True)
def scramble(i: int, j: int, seed: int) -> int:
    """Hash three integers to one of 24 bits."""
    h = i * 374761393 + j * 668265263 + seed * 2246822519
    h = (h ^ (h >> 13)) * 1274126177
    h = (h ^ (h >> 15)) * 2654435761
    return (h ^ (h >> 16)) & 0xFFFFFF


@njit(cache=True, nogil=True)
def _corner(i: int, j: int, seed: int, u: float, v: float) -> float:
    k = scramble(i, j, seed) & 15
    return float(_DIRECTIONS[k, 0] * u + _DIRECTIONS[k, 1] * v)


@njit(cache=True, nogil=True)
def noise(x: float, y: float, seed: int) -> float:
    """Return gradient noise of unit wavelength at a point: mean 0, roughly within ±0.8."""
    i, j = int(np.floor(x)), int(np.floor(y))
    u, v = x - i, y - j
    fu = u * u * u * (u * (u * 6.0 - 15.0) + 10.0)
    fv = v * v * v * (v * (v * 6.0 - 15.0) + 10.0)
    a = _corner(i, j, seed, u, v)
    b = _corner(i + 1, j, seed, u - 1.0, v)
    c = _corner(i, j + 1, seed, u, v - 1.0)
    d = _corner(i + 1, j + 1, seed, u - 1.0, v - 1.0)
    top = a + fu * (b - a)
    bottom = c + fu * (d - c)
    return 1.4 * (top + fv * (bottom - top))


@njit(parallel=True, cache=True, nogil=True)
def _fill(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    wavelength: float,
    seed: int,
    out: NDArray[np.float32],
) -> None:
    for r in prange(y.size):
        for c in range(x.size):
            out[r, c] = noise(x[c] / wavelength, y[r] / wavelength, seed)


def noise_grid(
    x: NDArray[np.float64], y: NDArray[np.float64], wavelength: float, seed: int
) -> NDArray[np.float32]:
    """Return noise over a grid.

    Parameters
    ----------
    x, y : NDArray[np.float64]
        Columns' and rows' coordinates, µm.
    wavelength : float
        Size of the features, µm.
    seed : int
        Chooses the field.

    Returns
    -------
    NDArray[np.float32]
        ``[len(y), len(x)]``, roughly within ±0.8.
    """
    out = np.empty((y.size, x.size), dtype=np.float32)
    _fill(np.asarray(x, np.float64), np.asarray(y, np.float64), wavelength, seed, out)
    return out


@njit(cache=True, nogil=True)
def _scatter(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    wavelength: float,
    seed: int,
    out: NDArray[np.float64],
) -> None:
    for k in range(x.size):
        out[k] = noise(x[k] / wavelength, y[k] / wavelength, seed)


def noise_points(
    x: NDArray[np.float64], y: NDArray[np.float64] | float, wavelength: float, seed: int
) -> NDArray[np.float64]:
    """Return noise at scattered points (µm), in the shape of `x`; `y` broadcasts to it."""
    points = np.ascontiguousarray(x, dtype=np.float64)
    out = np.empty(points.size)
    other = np.broadcast_to(np.asarray(y, dtype=np.float64), points.shape)
    _scatter(points.ravel(), np.ascontiguousarray(other).ravel(), wavelength, seed, out)
    return out.reshape(points.shape)
