"""Counting pairs of values: the inner loop of every scatterplot."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import get_num_threads, prange

from viewer.science.kernels import compiled

Codes = npt.NDArray[Any]
Bins = npt.NDArray[np.int32]
Mask = npt.NDArray[np.bool_]
Counts = npt.NDArray[np.int64]

_IN_CACHE = 1 << 17
"""Counters of which a second-level cache holds two tables."""


def count_pairs(
    x: Codes, y: Codes, x_bins: Bins, y_bins: Bins, shape: tuple[int, int], mask: Mask | None = None
) -> Counts:
    """Pixels of each pair of bins.

    Parameters
    ----------
    x, y : ndarray of unsigned integers [rows, columns]
        Codes.
    x_bins, y_bins : ndarray of int32 [n]
        Bin of each code, below ``shape[1]`` and ``shape[0]``.
    shape : (int, int)
        Bins of y, bins of x.
    mask : ndarray of bool [rows, columns], optional
        Only pixels that are True are counted.

    Returns
    -------
    ndarray of int64 [bins of y, bins of x]
    """
    # Each part has a table of its own, so that no two threads write to one counter. A pixel often is
    # like its neighbour: two tables in turn spare it the wait for the neighbour's count, where both
    # fit in the cache. Tables much larger than the pixels counted would cost more than they save.
    entries = shape[0] * shape[1]
    parts = max(1, min(get_num_threads(), x.shape[0], x.size // entries))
    tables = np.zeros((parts, 2 if entries <= _IN_CACHE else 1, entries), np.uint32)
    rows = (y_bins * shape[1]).astype(np.int32)
    args = (np.ascontiguousarray(x), np.ascontiguousarray(y), x_bins, rows)
    if mask is None:
        _count_all(*args, tables)
    else:
        _count_masked(*args, np.ascontiguousarray(mask), tables)
    total: Counts = tables.sum(axis=(0, 1), dtype=np.int64).reshape(shape)
    return total


def count_pairs_plain(
    x: Codes, y: Codes, x_bins: Bins, y_bins: Bins, shape: tuple[int, int], mask: Mask | None = None
) -> Counts:
    """`count_pairs` in NumPy."""
    where = np.ones(x.shape, bool) if mask is None else mask
    flat = y_bins[y[where]].astype(np.int64) * shape[1] + x_bins[x[where]]
    return np.bincount(flat, minlength=shape[0] * shape[1]).reshape(shape).astype(np.int64)


@compiled
def _count_all(x: Codes, y: Codes, x_bins: Bins, rows: Bins, tables: npt.NDArray[np.uint32]) -> None:
    parts = tables.shape[0]
    for part in prange(parts):
        one, other = tables[part, 0], tables[part, tables.shape[1] - 1]
        start, stop = part * x.shape[0] // parts, (part + 1) * x.shape[0] // parts
        for r in range(start, stop):
            xs, ys = x[r], y[r]
            even = xs.size - xs.size % 2
            for c in range(0, even, 2):
                one[rows[ys[c]] + x_bins[xs[c]]] += np.uint32(1)
                other[rows[ys[c + 1]] + x_bins[xs[c + 1]]] += np.uint32(1)
            if even < xs.size:
                one[rows[ys[even]] + x_bins[xs[even]]] += np.uint32(1)


@compiled
def _count_masked(
    x: Codes, y: Codes, x_bins: Bins, rows: Bins, mask: Mask, tables: npt.NDArray[np.uint32]
) -> None:
    parts = tables.shape[0]
    for part in prange(parts):
        table = tables[part, 0]
        start, stop = part * x.shape[0] // parts, (part + 1) * x.shape[0] // parts
        for r in range(start, stop):
            xs, ys, counts = x[r], y[r], mask[r]
            for c in range(xs.size):
                table[rows[ys[c]] + x_bins[xs[c]]] += np.uint32(counts[c])


@compiled
def bin_of(values: npt.NDArray[np.float64], edges: npt.NDArray[np.float64], out: Codes) -> None:
    """Bin of each value, as `numpy.histogram` has it: half-open, the last one closed.

    Parameters
    ----------
    values : ndarray of float64 [rows, columns]
    edges : ndarray of float64 [n + 1], ascending, evenly spaced
    out : ndarray of uint16 [rows, columns]
        Receives the bin; n where a value lies outside, n + 1 where there is none.
    """
    n = edges.size - 1
    low, high = edges[0], edges[n]
    scale = n / (high - low)
    for r in prange(values.shape[0]):
        for c in range(values.shape[1]):
            v = values[r, c]
            if not np.isfinite(v):
                out[r, c] = n + 1
            elif v < low or v > high:
                out[r, c] = n
            else:
                k = min(int((v - low) * scale), n - 1)
                # The product is rounded; the edges are what counts.
                while k > 0 and v < edges[k]:
                    k -= 1
                while k < n - 1 and v >= edges[k + 1]:
                    k += 1
                out[r, c] = k


def bin_of_plain(
    values: npt.NDArray[np.float64], edges: npt.NDArray[np.float64], out: Codes
) -> None:
    """`bin_of` in NumPy."""
    n = edges.size - 1
    found = np.searchsorted(edges, values, side="right") - 1
    found[values == edges[n]] = n - 1
    with np.errstate(invalid="ignore"):
        found[(values < edges[0]) | (values > edges[n])] = n
    found[~np.isfinite(values)] = n + 1
    out[...] = found
