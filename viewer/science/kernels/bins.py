"""Finding the bin of a number among rising edges, exactly; and places in ternary plots."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import prange

from viewer.science.kernels import compiled

Array = npt.NDArray[Any]
Floats = npt.NDArray[np.float64]

MOST_EDGES = 65_000
"""So that a place among them, and two more for what has none, fit 16 bits."""

_TOP = math.sqrt(3.0) / 2.0
_BLOCK = 1 << 14


def place(values: Array, edges: Floats) -> npt.NDArray[np.uint16]:
    """How many edges are not above each value; one more than there are edges for NaN.

    Parameters
    ----------
    values : ndarray of float32 or float64 [n]
    edges : ndarray of float64 [m]
        Rising; they need not be evenly spaced.

    Returns
    -------
    ndarray of uint16 [n]
        As ``numpy.searchsorted(edges, values, side="right")``, and ``m + 1`` for NaN.
    """
    _check(edges)
    out = np.empty(values.size, np.uint16)
    if edges.size == 0:
        out[:] = np.isnan(values)
        return out
    low, span = float(edges[0]), float(edges[-1]) - float(edges[0])
    # A rough even grid says where to begin; comparisons with the edges decide.
    buckets = 4 * edges.size
    inverse = buckets / span if span > 0 and math.isfinite(buckets / span) else 0.0
    first = np.zeros(buckets + 1, np.uint16)
    if inverse:
        first[:] = np.searchsorted(edges, low + np.arange(buckets + 1) / inverse, side="right")
    _place(np.ascontiguousarray(values), edges, first, low, inverse, out)
    return out


def place_plain(values: Array, edges: Floats) -> npt.NDArray[np.uint16]:
    """`place` in NumPy."""
    _check(edges)
    found = np.searchsorted(edges, values.astype(np.float64), side="right")
    return np.where(np.isnan(values), edges.size + 1, found).astype(np.uint16)


def _check(edges: Floats) -> None:
    if edges.size > MOST_EDGES:
        raise ValueError(f"at most {MOST_EDGES} edges")


@compiled
def _place(
    values: Array,
    edges: Floats,
    first: npt.NDArray[np.uint16],
    low: float,
    inverse: float,
    out: npt.NDArray[np.uint16],
) -> None:
    count = edges.size
    last = first.size - 1
    for block in prange((values.size + _BLOCK - 1) // _BLOCK):
        for i in range(block * _BLOCK, min(values.size, (block + 1) * _BLOCK)):
            v = np.float64(values[i])
            if np.isnan(v):
                out[i] = count + 1
                continue
            at = (v - low) * inverse
            k = np.int64(first[0])
            if at >= last:
                k = np.int64(first[last])
            elif at > 0:
                k = np.int64(first[np.int64(at)])
            while k < count and v >= edges[k]:
                k += 1
            while k > 0 and v < edges[k - 1]:
                k -= 1
            out[i] = k


def ternary(
    a: Floats, b: Floats, c: Floats, weights: tuple[float, float, float]
) -> tuple[Floats, Floats]:
    """Place in a ternary plot: see `viewer.science.sort.axes.to_ternary`.

    Parameters
    ----------
    a, b, c : ndarray of float64 [n], C-contiguous
    weights : (float, float, float)

    Returns
    -------
    x, y : ndarray of float64 [n]
    """
    x, y = np.empty(a.size), np.empty(a.size)
    _ternary(a, b, c, float(weights[0]), float(weights[1]), float(weights[2]), x, y)
    return x, y


def ternary_plain(
    a: Floats, b: Floats, c: Floats, weights: tuple[float, float, float]
) -> tuple[Floats, Floats]:
    """`ternary` in NumPy."""
    parts = [w * np.maximum(v, 0.0) for w, v in zip(weights, (a, b, c), strict=True)]
    total = parts[0] + parts[1] + parts[2]
    known = np.isfinite(a) & np.isfinite(b) & np.isfinite(c)
    with np.errstate(divide="ignore", invalid="ignore"):
        up = parts[2] / total
        x = np.minimum(parts[1] / total + 0.5 * up, 1.0)
        y = up * _TOP
    off = ~(total > 0) | ~np.isfinite(total)
    for place in (x, y):
        place[off] = -np.inf
        place[~known] = np.nan
    return x, y


@compiled
def _ternary(
    a: Floats, b: Floats, c: Floats, wa: float, wb: float, wc: float, x: Floats, y: Floats
) -> None:
    for block in prange((a.size + _BLOCK - 1) // _BLOCK):
        for i in range(block * _BLOCK, min(a.size, (block + 1) * _BLOCK)):
            if not (np.isfinite(a[i]) and np.isfinite(b[i]) and np.isfinite(c[i])):
                x[i] = np.nan
                y[i] = np.nan
                continue
            pa = wa * max(a[i], 0.0)
            pb = wb * max(b[i], 0.0)
            pc = wc * max(c[i], 0.0)
            total = pa + pb + pc
            if not total > 0.0 or np.isinf(total):
                x[i] = -np.inf
                y[i] = -np.inf
                continue
            up = pc / total
            x[i] = min(pb / total + 0.5 * up, 1.0)
            y[i] = up * _TOP
